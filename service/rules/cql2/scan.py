"""One pass over a rule's text before it is parsed: limits, characters, unclosed quotes, operators refused by name.

It counts nesting exactly as the tree will, so that no input is parsed that is past the limits (rules.md, section 2).
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import dataclass, replace
from typing import Any

from service.errors import Fault, Sentence
from service.rules.cql2.json import BLANKS, IDENTIFIER, KEYWORDS, OTHER_SIGNS
from service.rules.cql2.limits import (
    CHARACTERS,
    LEVELS,
    UNSUPPORTED,
    forbidden_characters,
    over_limit,
    refusal,
    shortened,
    unsupported,
)

# Possessive quantifiers throughout, so that matching never backtracks (tests/rules/cql2 measures doubled input).
_PIECE = re.compile(
    rf"""(?P<blank>[{BLANKS}]++)
    |(?P<text>'(?:[^'\\]|''|\\++[^\\])*+')|(?P<quoted>"[^"]*+")|(?P<unclosed>['"])
    |(?P<number>(?:[0-9]++(?:\.[0-9]*+)?+|\.[0-9]++)(?:[eE][+-]?+[0-9]++)?+)
    |(?P<word>(?:[A-Za-z_:]|[^\x00-\x7f{BLANKS}])(?:[A-Za-z_:.0-9]|[^\x00-\x7f{BLANKS}])*+)
    |(?P<other>==|=>|=<|!=|&&|\|\||[\[\]{{}}])
    |(?P<open>\()|(?P<close>\))|(?P<sign><>|<=|>=|[-+*/%^=<>,])|(?P<odd>[\s\S])""",
    re.VERBOSE,
)


@dataclass(frozen=True)
class Position:
    """A place in text; line and column are counted from 1, columns in characters."""

    line: int
    column: int


class Lines:
    """Line and column, counted from 1, of an offset in one text."""

    def __init__(self, text: str) -> None:
        self._ends = [i for i, character in enumerate(text) if character == "\n"]

    def at(self, offset: int) -> dict[str, Any]:
        line = bisect_left(self._ends, offset)
        return {"line": line + 1, "column": offset - (self._ends[line - 1] if line else -1)}


def scan(text: str) -> list[int]:
    """The offsets of brackets that are never closed. Raises Invalid (OverLimit past a limit) with every fault found."""
    if len(text) > CHARACTERS:
        raise over_limit("characters of one rule", CHARACTERS, len(text), **Lines(text[:CHARACTERS]).at(CHARACTERS))
    where = Lines(text)
    faults = [replace(fault, **where.at(offset)) for offset, fault in forbidden_characters(text)]
    opened: list[int] = []
    # For every open bracket the number of NOTs and minus signs before it; `run` counts those before the next piece.
    runs: list[int] = []
    outside = run = deepest = 0
    passed: int | None = None  # offset at which the limit on depth is first passed
    ended = is_before = False  # whether an operand has just ended; whether the last word is IS
    mute: int | None = None  # brackets around a refused operator or literal, inside which no more faults are reported
    for piece in _PIECE.finditer(text):
        kind, found, begin = piece.lastgroup, piece.group(), piece.start()
        word = found.upper() if kind == "word" else ""
        if kind == "blank":
            continue
        if (found == "-" and not ended) or (word == "NOT" and not ended and not is_before):
            run += 1
            continue
        # The minus of a negative number adds no level.
        minus = run > 0 and kind == "number"
        deepest = max(deepest, outside + len(opened) + run - minus + (kind == "open"))
        passed = begin if passed is None and deepest > LEVELS else passed
        if kind == "open":
            opened.append(begin)
            runs.append(run)
            outside += run
        elif kind == "close" and opened:
            opened.pop()
            outside -= runs.pop()
            mute = None if mute is not None and len(opened) <= mute else mute
        elif mute is None:
            fault, stops = _complaint(kind, found, text, piece.end())
            if fault is not None:
                faults.append(replace(fault, **where.at(begin)))
                mute = len(opened) if fault.code == "unsupported" else None
            if stops:
                break
        elif kind == "unclosed":
            break
        run = 0
        ended = kind in ("close", "text", "quoted", "number") or (kind == "word" and word not in _JOINING)
        is_before = word == "IS"
    deepest = max(deepest, outside + len(opened) + run)
    if deepest > LEVELS:
        raise over_limit("levels of nested brackets, NOTs and minus signs", LEVELS, deepest, **where.at(passed or 0))
    if faults:
        raise refusal(sorted(faults, key=lambda fault: (fault.line or 0, fault.column or 0)))
    return opened


_JOINING = KEYWORDS - {"TRUE", "FALSE", "NULL"}


def _complaint(kind: str | None, found: str, text: str, end: int) -> tuple[Fault | None, bool]:
    """The fault of one piece of text, or None; and whether the text after it cannot be checked."""
    if kind == "unclosed":
        if found == "'":
            hint = "an apostrophe inside a text is written twice: 'King''s head'"
            return Fault.of("syntax", "the text that begins here has no closing {sign}", hint=hint, sign=found), True
        return Fault.of("syntax", "the name that begins here has no closing {sign}", sign=found), True
    if kind == "other":
        right = OTHER_SIGNS[found]
        return Fault.of(
            "syntax",
            "'{found}' is not part of this rule language",
            hint=Sentence("write {right}", right=right),
            found=found,
        ), False
    if kind == "odd" and found != "\0" and not "\ud800" <= found <= "\udfff":
        return Fault.of("syntax", "{found} is not allowed outside quotes", found=shortened(found)), False
    if kind == "number" and _NAMELIKE.match(text, end):
        return Fault.of(
            "syntax",
            "the number {found} runs into what follows",
            hint="put a space between them",
            found=shortened(found),
        ), False
    if kind == "quoted" and not IDENTIFIER.fullmatch(found[1:-1]):
        hint = "double quotes are for names of attributes; write a text in single quotes: 'crown'"
        return Fault.of("syntax", "{name} is not a name", hint=hint, name=shortened(found[1:-1])), False
    if kind == "word":
        refused = UNSUPPORTED.get(found.lower())
        if refused is not None and _CALLING.match(text, end):
            return unsupported(found.upper(), refused), False
        if not IDENTIFIER.fullmatch(found) and not _FORBIDDEN.search(found):
            curly = any(quote in found for quote in "‘’‚‛“”„´")
            hint = "write texts in straight quotes: 'crown'" if curly else "names have letters, digits, _ : and ."
            return Fault.of("syntax", "{name} is not a name", hint=hint, name=shortened(found)), False
    return None, False


_NAMELIKE = re.compile(rf"[A-Za-z_:.0-9]|[^\x00-\x7f{BLANKS}]")
_CALLING = re.compile(rf"[{BLANKS}]*+(?:(?:Z|M|ZM)[{BLANKS}]*+)?\(|[{BLANKS}]++EMPTY\b", re.IGNORECASE)
_FORBIDDEN = re.compile("[\x00\ud800-\udfff]")
