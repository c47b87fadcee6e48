"""CQL2 text and CQL2-JSON (OGC 21-065r2) <-> one canonical JSON tree, with limits and positions.

The standard's basic CQL2, its advanced comparisons, case- and accent-insensitive comparison, arithmetic, arrays and
functions; spatial and temporal operators are refused by name. Only the shape is settled here: which attributes and
functions there are, and whether types fit, is checked elsewhere.

The canonical tree is what `json.loads` would give for CQL2-JSON, with numbers exact (int or Decimal, never float) and
time stamps without idle zeros. A chain of AND or of OR is one list of arguments; other brackets keep what they group.
Depth counts operators and lists, one each: 1 + 2 * 3 is two deep. Text never nests deeper than its tree, so a tree
within the limits can always be written as text, and text that is accepted is accepted as JSON.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from functools import cache, lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeAlias

from lark import Lark, Token, Transformer, UnexpectedInput, v_args

from service.errors import Fault, Invalid, OverLimit
from service.facts.attributes import nearest

Json: TypeAlias = Any
"""None, bool, int, Decimal, str, or a list or dict of these; never to be changed once parsed (it is shared)."""

CHARACTERS, LEVELS, NODES, ITEMS = 4_096, 32, 1_000, 1_000
"""The limits of one rule (rules.md, section 2). Plain values in a list count as its items, not as nodes."""
DIGITS, EXPONENT, FRACTION = 40, 100, 6
"""Digits and exponent of a decimal; digits of the fraction of a second."""
FAULTS = 100
"""No more are told at once."""

_COMPARISONS = ("=", "<>", "<", "<=", ">", ">=")
_ARITHMETIC = ("+", "-", "*", "/", "%", "div", "^")
_ARRAYS = ("a_contains", "a_containedBy", "a_overlaps", "a_equals")
_ARITY: Mapping[str, int | None] = MappingProxyType(
    {"and": None, "or": None, "not": 1, "between": 3, "in": 2, "like": 2, "isNull": 1, "casei": 1, "accenti": 1}
    | dict.fromkeys(_COMPARISONS + _ARITHMETIC + _ARRAYS, 2)
)
"""Every known operator with the number of its arguments; None is two or more."""
_CALLED = MappingProxyType({name.lower(): name for name in ("casei", "accenti", *_ARRAYS)})
_KEYWORDS = MappingProxyType(
    {"AND": "_AND", "OR": "_OR", "BETWEEN": "_BETWEEN", "LIKE": "_LIKE", "IN": "_IN", "IS": "_IS", "NULL": "_NULL"}
    | {word: word for word in ("NOT", "DIV", "TRUE", "FALSE")}
)
_UNSUPPORTED = MappingProxyType(
    {
        **dict.fromkeys(("s_intersects", "s_equals", "s_disjoint", "s_touches"), "spatial operator"),
        **dict.fromkeys(("s_within", "s_overlaps", "s_crosses", "s_contains"), "spatial operator"),
        **dict.fromkeys(("t_after", "t_before", "t_contains", "t_disjoint", "t_during"), "temporal operator"),
        **dict.fromkeys(("t_equals", "t_finishedby", "t_finishes", "t_intersects", "t_meets"), "temporal operator"),
        **dict.fromkeys(("t_metby", "t_overlappedby", "t_overlaps", "t_startedby", "t_starts"), "temporal operator"),
        **dict.fromkeys(("point", "linestring", "polygon", "geometrycollection"), "spatial literal"),
        **dict.fromkeys(("multipoint", "multilinestring", "multipolygon", "bbox", "envelope"), "spatial literal"),
        "interval": "temporal literal",
    }
)
"""Every name of the standard that is refused (in lower case), and what it is."""

_BLANKS = "\t-\r \x85\xa0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000"
_START = (
    ":_A-Za-z\xc0-\xd6\xd8-\xf6\xf8-\u02ff\u0370-\u037d\u037f-\u1ffe\u200c\u200d\u2070-\u218f\u2c00-\u2fef"
    "\u3001-\ud7ff\uf900-\ufdcf\ufdf0-\ufffd\U00010000-\U000effff"
)
_IDENTIFIER = re.compile(rf"(?![{_BLANKS}])[{_START}](?:(?![{_BLANKS}])[{_START}.0-9\u0300-\u036f\u203f\u2040])*+")
# Possessive throughout, so that no input makes it look twice (a doubling test watches).
_PIECE = re.compile(
    rf"""(?P<blank>[{_BLANKS}]++)
    |(?P<text>'(?:[^'\\]|''|\\++[^\\])*+')|(?P<quoted>"[^"]*+")|(?P<unclosed>['"])
    |(?P<number>(?:[0-9]++(?:\.[0-9]*+)?+|\.[0-9]++)(?:[eE][+-]?+[0-9]++)?+)
    |(?P<word>(?:[A-Za-z_:]|[^\x00-\x7f{_BLANKS}])(?:[A-Za-z_:.0-9]|[^\x00-\x7f{_BLANKS}])*+)
    |(?P<mistaken>==|=>|=<|!=|&&|\|\||[\[\]{{}}])
    |(?P<open>\()|(?P<close>\))|(?P<sign><>|<=|>=|[-+*/%^=<>,])|(?P<odd>[\s\S])""",
    re.VERBOSE,
)
_MISTAKEN = MappingProxyType(
    {"==": "=", "=>": ">=", "=<": "<=", "!=": "<>", "&&": "AND", "||": "OR", "[": "(", "]": ")", "{": "(", "}": ")"}
)
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_TIMESTAMP = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2})(?:\.([0-9]++))?Z")


@dataclass(frozen=True)
class Position:
    """A place in text; line and column are counted from 1, columns in characters."""

    line: int
    column: int


@dataclass(frozen=True)
class Expression:
    """One rule, read.

    `json` is the canonical CQL2-JSON. `text` is the author's text, or the rendered one when the rule came as JSON.
    `positions` maps the JSON pointer of every operator, attribute, value and list within `json` ("" is the whole) to
    where it begins in the author's text; it is empty when the rule came as JSON.
    """

    json: Json
    text: str
    positions: Mapping[str, Position] = field(default_factory=lambda: MappingProxyType({}))


def parse(value: object) -> Expression:
    """Reads a rule given as CQL2 text (str) or as CQL2-JSON (anything else). Raises Invalid with every fault."""
    return parse_text(value) if isinstance(value, str) else parse_json(value)


@lru_cache(maxsize=4_096)
def parse_text(text: str) -> Expression:
    """Reads CQL2 text. Raises Invalid (OverLimit past a limit); faults carry line and column. Linear in its length."""
    opened = _scan(text)
    try:
        root: _Node = _grammar().parse(text)  # type: ignore[assignment]  # the transformer makes nodes
    except UnexpectedInput as error:
        raise Invalid([_syntax(error, text, opened)]) from None
    try:
        _measure(root.json)
    except OverLimit as error:
        raise OverLimit(replace(fault, pointer="", line=1, column=1) for fault in error.faults) from None
    positions = dict(_positions(root, ""))
    faults: list[Fault] = []
    tree = _canonical(root.json, "", faults, "whole")
    if faults:
        raise _refusal([_placed(fault, positions) for fault in faults])
    return Expression(tree, text, MappingProxyType(positions))


def parse_json(value: object) -> Expression:
    """Reads CQL2-JSON (int, Decimal or finite float for numbers). Raises Invalid; faults point into `value`."""
    tree = _checked(value)
    return Expression(tree, _text(tree, 0))


def to_text(json: Json) -> str:
    """Writes CQL2 text with the fewest brackets that keep the tree: `parse_text(to_text(j)).json == j`.

    Text of more than 4,096 characters (a long list of values, say) is written all the same, but not read again.
    Raises Invalid when `json` is not legal.
    """
    return _text(_checked(json), 0)


def _checked(value: object) -> Json:
    _measure(value)
    faults: list[Fault] = []
    tree = _canonical(value, "", faults, "whole")
    if faults:
        raise _refusal(faults)
    return tree


def _refusal(faults: list[Fault]) -> Invalid:
    return (OverLimit if any(fault.code == "over-limit" for fault in faults) else Invalid)(faults[:FAULTS])


# Limits ------------------------------------------------------------------------------------------------------------


def _over(what: str, limit: int, found: int | None, **where: Any) -> OverLimit:
    had = f"{found:,}" if found is not None else "more"
    return OverLimit([Fault("over-limit", f"{what}: the limit is {limit:,}, this has {had}", **where)])


def _measure(tree: object) -> None:
    """Refuses a tree that is too deep, too large or has too long a list; no recursion, and it stops at the limit."""
    nodes, waiting = 0, [(tree, 0, False, "")]
    while waiting:
        value, above, listed, pointer = waiting.pop()
        parts: list[Any] = []
        if isinstance(value, list):
            parts, inside = value, pointer
            if len(parts) > ITEMS:
                raise _over("items of one list", ITEMS, len(parts), pointer=pointer)
        elif isinstance(value, dict) and isinstance(value.get("args"), list):
            parts, inside = value["args"], pointer + "/args"
        branches = isinstance(value, list) or (isinstance(value, dict) and "op" in value)
        depth = above + branches
        if depth > LEVELS:
            raise _over("levels of operators and lists, one in another", LEVELS, None, pointer=pointer)
        nodes += not listed or branches or "property" in value  # type: ignore[operator]  # listed ones are dicts
        if nodes > NODES or (len(parts) > NODES and not isinstance(value, list)):
            raise _over("operators, attributes and values of one rule", NODES, None, pointer="")
        in_list = isinstance(value, list)
        waiting.extend(
            (part, depth, in_list, f"{inside}/{i}")
            for i, part in enumerate(parts)
            if not in_list or isinstance(part, dict | list)
        )


def _scan(text: str) -> list[int]:
    """Looks over text once before parsing: limits, characters, unclosed quotes, operators refused by name.

    Returns the offsets of brackets that are never closed. Raises Invalid with everything found.
    """
    if len(text) > CHARACTERS:
        raise _over("characters of one rule", CHARACTERS, len(text), **_Lines(text[:CHARACTERS]).at(CHARACTERS))
    where = _Lines(text)
    faults = [replace(fault, **where.at(offset)) for offset, fault in _forbidden(text)]
    opened: list[int] = []
    # Of every open bracket: the NOTs and minus signs before it. `run`: those before what comes next.
    runs: list[int] = []
    outside = run = deepest = 0
    passed: int | None = None  # where the limit on depth was first passed
    ended = is_before = False  # whether an operand has just ended; whether IS came last
    mute: int | None = None  # inside a refused operator or literal nothing more is reported
    for piece in _PIECE.finditer(text):
        kind, found, begin = piece.lastgroup, piece.group(), piece.start()
        word = found.upper() if kind == "word" else ""
        if kind == "blank":
            continue
        if (found == "-" and not ended) or (word == "NOT" and not ended and not is_before):
            run += 1
            continue
        # The minus of a negative number nests nothing.
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
        raise _over("brackets, NOTs and minus signs, one in another", LEVELS, deepest, **where.at(passed or 0))
    if faults:
        raise _refusal(sorted(faults, key=lambda fault: (fault.line or 0, fault.column or 0)))
    return opened


_JOINING = frozenset(_KEYWORDS) - {"TRUE", "FALSE", "NULL"}


def _complaint(kind: str | None, found: str, text: str, end: int) -> tuple[Fault | None, bool]:
    """What is wrong with one piece of text, or None; and whether nothing behind it can be judged."""
    if kind == "unclosed":
        what = "text" if found == "'" else "name"
        hint = "an apostrophe inside a text is written twice: 'King''s head'" if found == "'" else None
        return Fault("syntax", f"the {what} that begins here has no closing {found}", hint=hint), True
    if kind == "mistaken":
        right = _MISTAKEN[found]
        return Fault("syntax", f"'{found}' is not part of this rule language", hint=f"write {right}"), False
    if kind == "odd" and found != "\0" and not "\ud800" <= found <= "\udfff":
        return Fault("syntax", f"{_shown(found)} cannot stand in a rule outside quotes"), False
    if kind == "number" and _NAMELIKE.match(text, end):
        return Fault("syntax", f"the number {_shown(found)} runs into what follows", hint="put a blank between"), False
    if kind == "quoted" and not _IDENTIFIER.fullmatch(found[1:-1]):
        hint = "double quotes hold the name of an attribute; a text stands in single quotes: 'crown'"
        return Fault("syntax", f"{_shown(found[1:-1])} is not a name", hint=hint), False
    if kind == "word":
        refused = _UNSUPPORTED.get(found.lower())
        if refused is not None and _CALLING.match(text, end):
            return _unsupported(found.upper(), refused), False
        if not _IDENTIFIER.fullmatch(found) and not _FORBIDDEN.search(found):
            curly = any(quote in found for quote in "‘’‚‛“”„´")
            hint = "write texts in straight quotes: 'crown'" if curly else "names have letters, digits, _ : and ."
            return Fault("syntax", f"{_shown(found)} is not a name", hint=hint), False
    return None, False


_NAMELIKE = re.compile(rf"[A-Za-z_:.0-9]|[^\x00-\x7f{_BLANKS}]")
_CALLING = re.compile(rf"[{_BLANKS}]*+(?:(?:Z|M|ZM)[{_BLANKS}]*+)?\(|[{_BLANKS}]++EMPTY\b", re.IGNORECASE)
_FORBIDDEN = re.compile("[\x00\ud800-\udfff]")


def _forbidden(text: str) -> Iterator[tuple[int, Fault]]:
    """The first NUL and the first lone surrogate of a text, with their offsets."""
    for pattern, name in (("\x00", "NUL (U+0000)"), ("[\ud800-\udfff]", "a lone surrogate (U+D800 to U+DFFF)")):
        if found := re.search(pattern, text):
            yield (found.start(), Fault("character", f"{name} may not be part of a rule", hint="leave it out"))


def _unsupported(name: str, kind: str) -> Fault:
    family = kind.split()[0]
    hint = "compare dates with =, <>, <, <=, > and >=" if family == "temporal" else None
    message = f"{name} is a {kind}: spatial and temporal operators are not part of this rule language"
    return Fault("unsupported", message, hint=hint)


# Text to tree --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Node:
    """A piece of the tree while text is read. `inner` is what a bracket holds; `parts` are arguments or items."""

    json: Json
    line: int
    column: int
    parts: tuple[_Node, ...] = ()
    inner: _Node | None = None

    @property
    def bare(self) -> _Node:
        node = self
        while node.inner is not None:
            node = node.inner
        return node


def _leaf(json: Json, token: Token) -> _Node:
    return _Node(json, token.line or 1, token.column or 1)


def _operator(op: str, *operands: _Node, at: Token | None = None) -> _Node:
    parts = tuple(operand.bare for operand in operands)
    tree = {"op": op, "args": [part.json for part in parts]}
    line, column = (operands[0].line, operands[0].column) if at is None else (at.line or 1, at.column or 1)
    return _Node(tree, line, column, parts)


def _listed(parts: tuple[_Node, ...], at: Token) -> _Node:
    return _Node([part.json for part in parts], at.line or 1, at.column or 1, parts)


def _argument(node: _Node) -> _Node:
    """A bracket that is the whole argument is a list of one. Brackets are at most 32 deep here."""
    if node.inner is None:
        return node
    item = _argument(node.inner)
    return _Node([item.json], node.line, node.column, (item,))


def _number(token: str) -> int | Decimal:
    if token.isdecimal():
        return int(token)
    try:
        return Decimal(token)
    except ArithmeticError:  # an exponent beyond what Decimal can hold
        return Decimal("Infinity")


@v_args(inline=True)
class _Reading(Transformer[Token, _Node]):
    """Makes nodes while the parser reduces, so that nothing recurses."""

    def start(self, whole: _Node) -> _Node:
        return whole.bare

    def disjunction(self, *parts: _Node) -> _Node:
        return _operator("or", *parts)

    def conjunction(self, *parts: _Node) -> _Node:
        return _operator("and", *parts)

    def negation(self, sign: Token, operand: _Node) -> _Node:
        return _operator("not", operand, at=sign)

    def binary(self, left: _Node, sign: Token, right: _Node) -> _Node:
        return _operator(sign.lower(), left, right)

    def between(self, operand: _Node, low: _Node, high: _Node) -> _Node:
        return _operator("between", operand, low, high)

    def not_between(self, operand: _Node, _: Token, low: _Node, high: _Node) -> _Node:
        return _operator("not", self.between(operand, low, high))

    def like(self, operand: _Node, pattern: _Node) -> _Node:
        return _operator("like", operand, pattern)

    def not_like(self, operand: _Node, _: Token, pattern: _Node) -> _Node:
        return _operator("not", self.like(operand, pattern))

    def member(self, operand: _Node, items: _Node) -> _Node:
        return _operator("in", operand, items)

    def not_member(self, operand: _Node, _: Token, items: _Node) -> _Node:
        return _operator("not", self.member(operand, items))

    def missing(self, operand: _Node) -> _Node:
        return _operator("isNull", operand)

    def not_missing(self, operand: _Node, _: Token) -> _Node:
        return _operator("not", self.missing(operand))

    def minus(self, sign: Token, operand: _Node) -> _Node:
        value = operand.bare.json
        if isinstance(value, Decimal):
            return _leaf(value.copy_negate(), sign)
        if isinstance(value, int) and not isinstance(value, bool):
            return _leaf(-value, sign)
        return _operator("*", _leaf(-1, sign), operand)

    def plus(self, sign: Token, number: Token) -> _Node:
        return _leaf(_number(number), sign)

    def items(self, bracket: Token, *items: _Node) -> _Node:
        return _listed(tuple(item.bare for item in items), bracket)

    def list(self, bracket: Token, *items: _Node) -> _Node:
        return _listed(tuple(_argument(item) for item in items), bracket)

    def group(self, bracket: Token, inner: _Node) -> _Node:
        return _Node(inner.json, bracket.line or 1, bracket.column or 1, (), inner)

    def call(self, name: Token, _: Token, *arguments: _Node) -> _Node:
        parts = tuple(_argument(argument) for argument in arguments)
        if name.lower() in ("date", "timestamp"):
            given = parts[0].json if len(parts) == 1 else None
            return _leaf({name.lower(): given}, name)
        tree = {"op": _CALLED.get(name.lower(), str(name)), "args": [part.json for part in parts]}
        return _Node(tree, name.line or 1, name.column or 1, parts)

    def text(self, token: Token) -> _Node:
        return _leaf(re.sub(r"''|\\'", "'", token[1:-1]), token)

    def number(self, token: Token) -> _Node:
        return _leaf(_number(token), token)

    def boolean(self, token: Token) -> _Node:
        return _leaf(token.type == "TRUE", token)

    def name(self, token: Token) -> _Node:
        return _leaf({"property": str(token)}, token)

    def quoted(self, token: Token) -> _Node:
        return _leaf({"property": token[1:-1]}, token)


def _word(token: Token) -> Token:
    """A keyword where the whole word is one, whatever its case."""
    kind = _KEYWORDS.get(token.upper())
    return token if kind is None else token.update(type=kind)


@cache
def _grammar() -> Lark:
    return Lark(
        Path(__file__).with_name("cql2.lark").read_text(encoding="utf-8"),
        parser="lalr",
        lexer="basic",
        strict=True,
        transformer=_Reading(),
        lexer_callbacks={"NAME": _word},
    )


def _positions(node: _Node, pointer: str) -> Iterator[tuple[str, Position]]:
    """Pointers of a node and all below it; the tree has passed the limit on depth."""
    yield pointer, Position(node.line, node.column)
    inside = pointer if isinstance(node.json, list) else pointer + "/args"
    for i, part in enumerate(node.parts):
        yield from _positions(part, f"{inside}/{i}")


def _placed(fault: Fault, positions: Mapping[str, Position]) -> Fault:
    """The same fault with line and column in place of the pointer into a tree that the author never saw."""
    pointer = fault.pointer
    while pointer not in positions:
        pointer = pointer.rpartition("/")[0]
    return replace(fault, pointer="", line=positions[pointer].line, column=positions[pointer].column)


class _Lines:
    """Line and column of an offset."""

    def __init__(self, text: str) -> None:
        self._ends = [i for i, character in enumerate(text) if character == "\n"]

    def at(self, offset: int) -> dict[str, Any]:
        line = bisect_left(self._ends, offset)
        return {"line": line + 1, "column": offset - (self._ends[line - 1] if line else -1)}


_EXPECTED = (
    ({"NAME"}, "an attribute, a value or a bracket"),
    ({"COMPARE"}, "a comparison (=, <>, <, <=, >, >=)"),
    ({"_LIKE"}, "LIKE, IN, BETWEEN or IS NULL"),
    ({"PLUS", "TIMES", "CARET"}, "an arithmetic sign"),
    ({"_AND"}, "AND"),
    ({"_OR"}, "OR"),
    ({"_NULL"}, "NULL"),
    ({"_COMMA"}, "a comma"),
    ({"_RPAR"}, "a closing bracket"),
    ({"$END"}, "the end of the rule"),
)


def _syntax(error: UnexpectedInput, text: str, opened: list[int]) -> Fault:
    """What was found, what could stand there, and a guess at what was meant."""
    token = getattr(error, "token", None)
    # `accepts` is exact; the `expected` of an LALR state also has what only another context would take.
    expected = set(getattr(error, "accepts", None) or getattr(error, "expected", None) or ())
    if "NAME" in expected:
        expected -= {"PLUS"}
    elif expected == {"LPAR"}:
        return _found(token, text, "an opening bracket", "IN takes a list: metal IN ('gold', 'silver')")
    could = [words for names, words in _EXPECTED if names & expected]
    if token is not None and token.type == "$END":
        lines = _Lines(text)
        if opened:
            fault = Fault("syntax", "the bracket that opens here is never closed", hint="add a closing bracket")
            return replace(fault, **lines.at(opened[-1]))
        if not text.strip():
            return Fault(
                "syntax", "the rule is empty", hint="for a rule that every coin fits, write TRUE", line=1, column=1
            )
    return _found(token, text, " or ".join([", ".join(could[:-1]), could[-1]] if could[1:] else could), _guess(token))


def _found(token: Token | None, text: str, could: str, hint: str | None) -> Fault:
    ended = token is None or token.type == "$END"
    found = "the rule ends" if ended else f"found {_shown(str(token))}"
    where = _Lines(text).at(len(text)) if ended or token is None else {"line": token.line, "column": token.column}
    return Fault("syntax", f"{found} where {could or 'something else'} should stand", hint=hint, **where)


def _guess(token: Token | None) -> str | None:
    if token is None or token.type == "$END":
        return None
    if token.type == "_NULL":
        return "to ask whether something is known to be none, write: mintmark IS NULL"
    if token.type == "COMPARE":
        return "one comparison at a time: join two with AND, or use BETWEEN"
    if token.type == "CARET":
        return "put brackets round one of the two powers"
    if token.type == "NAME":
        known = nearest(token, ("and", "or", "not", "between", "like", "in", "is"))
        return f"did you mean {known.upper()}?" if known else "a text stands in single quotes: 'crown'"
    return None


# Checking a tree -----------------------------------------------------------------------------------------------------


def _shown(text: str) -> str:
    """A word from the input, fit to be shown: short, and nothing in it that cannot be encoded."""
    short = text if len(text) <= 40 else text[:40] + "…"
    return "'" + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in short) + "'"


def _canonical(value: object, pointer: str, faults: list[Fault], place: str) -> Json:
    """The canonical form of a tree within the limits on depth and size; what is wrong is added to `faults`.

    `place` says what may stand here: "whole" a rule, "operand" no list, "list" a list only, "argument" either.
    """

    def wrong(message: str, hint: str | None = None, code: str = "syntax", at: str = "") -> None:
        faults.append(Fault(code, message, pointer + at, hint))

    if isinstance(value, dict):
        return _canonical_object(value, pointer, faults, place)
    if isinstance(value, list):
        if place in ("whole", "operand"):
            wrong("a list cannot stand here", "lists belong in IN, in the a_ operators and in functions")
            return None
        inner = "operand" if place == "list" else "argument"
        return [_canonical(item, f"{pointer}/{i}", faults, inner) for i, item in enumerate(value)]
    if place == "list":
        wrong("IN takes a list", "write metal IN ('gold', 'silver')")
    elif isinstance(value, bool):
        return value
    elif place == "whole":
        wrong("a rule is a question with yes or no as its answer", "write a comparison, such as metal = 'silver'")
    elif isinstance(value, str):
        return _canonical_text(value, pointer, faults)
    elif isinstance(value, int | float | Decimal):
        number, complaint = _exact(value)
        if complaint:
            wrong(complaint, code="number")
        return number
    elif value is None:
        wrong("null is not a value", "to ask whether something is known to be none, use isNull")
    else:
        wrong("this is not JSON", "use text, numbers, true and false, lists and objects")
    return None


def _canonical_text(value: str, pointer: str, faults: list[Fault]) -> str:
    if len(value) > CHARACTERS:
        faults.extend(_over("characters of one text", CHARACTERS, len(value), pointer=pointer).faults)
    faults.extend(replace(fault, pointer=pointer) for _, fault in _forbidden(value))
    if value.endswith("\\"):
        message = "a text cannot end in a backslash: CQL2 text has no way to write it"
        faults.append(Fault("character", message, pointer, "leave the backslash out"))
    return str(value)


def _exact(value: float | Decimal) -> tuple[int | Decimal, str | None]:
    """The number without rounding, and what is wrong with it."""
    if isinstance(value, int):
        return int(value), None if -(2**63) <= value < 2**63 else "a whole number must fit in 64 bits"
    number = Decimal(repr(float(value))) if isinstance(value, float) else value
    if not number.is_finite():
        return 0, "a number must be finite, and its exponent within 100"
    _, digits, exponent = number.as_tuple()
    if len(digits) > DIGITS or abs(number.adjusted()) > EXPONENT or abs(int(exponent)) > EXPONENT + DIGITS:
        return (0, f"a decimal has at most {DIGITS} digits and an exponent within {EXPONENT}")
    # Written as text it has no point and would be read as a whole number.
    return _exact(int(number)) if exponent == 0 else (number, None)


def _canonical_object(value: dict[Any, Any], pointer: str, faults: list[Fault], place: str) -> Json:
    def wrong(message: str, hint: str | None = None, code: str = "syntax", at: str = "") -> None:
        faults.append(Fault(code, message, pointer + at, hint))

    keys = set(value)
    if place == "list":
        wrong("IN takes a list", "write metal IN ('gold', 'silver')")
        return None
    kind = next((key for key in ("op", "property", "date", "timestamp") if key in keys), None)
    if kind is None:
        geo = value.get("type")
        if keys & {"bbox", "interval"}:
            name = "bbox" if "bbox" in keys else "interval"
            faults.append(replace(_unsupported(name.upper(), _UNSUPPORTED[name]), pointer=pointer))
        elif isinstance(geo, str) and _UNSUPPORTED.get(geo.lower()) == "spatial literal":
            faults.append(replace(_unsupported(geo, "spatial literal"), pointer=pointer))
        else:
            wrong("this object is no part of a rule", 'known are {"op", "args"}, {"property"}, {"date"}, {"timestamp"}')
        return None
    for key in (key for key in value if key != kind and (kind, key) != ("op", "args")):
        name = _shown(key) if isinstance(key, str) else "a key that is no text"
        wrong(f"{name} has no place beside '{kind}'", "leave it out")
    given = value[kind]
    if kind == "op":
        return _canonical_operator(given, value.get("args"), pointer, faults)
    if place == "whole" and kind != "property":
        wrong("a rule is a question with yes or no as its answer", f"compare the {kind} with an attribute")
        return None
    if not isinstance(given, str):
        wrong(f"'{kind}' takes one text", at=f"/{kind}")
    elif kind == "property":
        if found := [replace(fault, pointer=f"{pointer}/property") for _, fault in _forbidden(given)]:
            faults.extend(found)
        elif len(given) > CHARACTERS or not _IDENTIFIER.fullmatch(given):
            wrong(f"{_shown(given)} is not a name", "names have letters, digits, _ : and .", at="/property")
        return {"property": str(given)}
    else:
        moment = _moment(kind, given)
        example = "2026-01-31" if kind == "date" else "2026-01-31T12:00:00Z"
        if moment is None:
            wrong(f"{_shown(given)} is not a {kind}", f"write it as {example}", at=f"/{kind}")
        return {kind: moment}
    return None


def _moment(kind: str, given: str) -> str | None:
    """A real date, or a real UTC time stamp without idle zeros (to the microsecond); None when it is neither."""
    stamp = _TIMESTAMP.fullmatch(given)
    try:
        if kind == "date":
            return date.fromisoformat(given).isoformat() if _DATE.fullmatch(given) else None
        if stamp is None:
            return None
        datetime.fromisoformat(stamp[1])
    except ValueError:
        return None
    fraction = (stamp[2] or "").rstrip("0")
    return None if len(fraction) > FRACTION else stamp[1] + ("." + fraction if fraction else "") + "Z"


def _canonical_operator(op: object, args: object, pointer: str, faults: list[Fault]) -> Json:
    def wrong(message: str, hint: str | None = None, code: str = "syntax", at: str = "") -> None:
        faults.append(Fault(code, message, pointer + at, hint))

    if not isinstance(op, str):
        wrong("'op' takes the name of an operator", at="/op")
        return None
    refused = _UNSUPPORTED.get(op.lower())
    if refused is not None:
        faults.append(replace(_unsupported(op.upper(), refused), pointer=f"{pointer}/op"))
        return None
    known = op in _ARITY
    if not known and not _callable(op):
        near = _MISTAKEN.get(op) or nearest(op, _ARITY)
        wrong(f"unknown operator {_shown(op)}", f"did you mean '{near}'?" if near else None, "unknown-operator", "/op")
    if not isinstance(args, list):
        wrong(f"{_shown(op)} takes its arguments as a list, 'args'")
        return None
    if known:
        count = _ARITY[op]
        if len(args) < 2 if count is None else len(args) != count:
            needs = "two or more" if count is None else str(count)
            wrong(f"{_shown(op)} takes {needs} argument{'s' * (count != 1)}, not {len(args)}")
    if op == "in" and len(args) == 2 and isinstance(args[1], list) and not args[1]:
        wrong("IN takes at least one value", at="/args/1")
    if op == "like" and len(args) == 2 and not _is_pattern(args[1]):
        wrong("the pattern of LIKE is a text, or CASEI or ACCENTI of one", "write title LIKE 'King%'", at="/args/1")
    either = "argument" if not known or op in _ARRAYS else "operand"
    return {
        "op": str(op),
        "args": [
            _canonical(arg, f"{pointer}/args/{i}", faults, "list" if op == "in" and i == 1 else either)
            for i, arg in enumerate(args)
        ],
    }


def _callable(op: str) -> bool:
    """Whether this may name a function: an identifier that reads as nothing else in text, whatever its case."""
    taken = {name.lower() for name in _ARITY} | {"date", "timestamp"}
    fits = len(op) <= CHARACTERS and _IDENTIFIER.fullmatch(op) is not None
    return fits and op.lower() not in taken and op.upper() not in _KEYWORDS


def _is_pattern(value: object) -> bool:
    while isinstance(value, dict) and value.get("op") in ("casei", "accenti") and isinstance(value.get("args"), list):
        if len(value["args"]) != 1:
            return True  # its own fault is reported
        value = value["args"][0]
    return isinstance(value, str)


# Tree to text --------------------------------------------------------------------------------------------------------

_OR, _AND, _NOT, _PREDICATE, _SUM, _PRODUCT, _POWER, _FACTOR = range(1, 9)
_RANKS: Mapping[str, tuple[int, int, int]] = MappingProxyType(
    dict.fromkeys(_COMPARISONS, (_PREDICATE, _SUM, _SUM))
    | dict.fromkeys(("+", "-"), (_SUM, _SUM, _PRODUCT))
    | dict.fromkeys(("*", "/", "%", "div"), (_PRODUCT, _PRODUCT, _POWER))
    | {"^": (_POWER, _FACTOR, _FACTOR)}
)
"""How strongly an operator between two operands binds, and how strongly its operands must, left and right."""


def _text(tree: Json, needed: int) -> str:
    """Legal, canonical JSON as text, in brackets when it binds less strongly than needed."""
    text, rank = _written(tree)
    return f"({text})" if rank < needed else text


def _written(tree: Json) -> tuple[str, int]:
    if isinstance(tree, bool):
        return ("TRUE" if tree else "FALSE"), _FACTOR
    if isinstance(tree, str):
        return _quoted(tree), _FACTOR
    if isinstance(tree, list):
        return "(" + ", ".join(_text(item, 0) for item in tree) + ")", _FACTOR
    if not isinstance(tree, dict):
        return str(tree), _FACTOR
    if "op" not in tree:
        ((kind, value),) = tree.items()
        if kind != "property":
            return f"{kind.upper()}('{value}')", _FACTOR
        return (f'"{value}"' if value.upper() in _KEYWORDS else value), _FACTOR
    op, args = tree["op"], tree["args"]
    if op == "not":
        inner = args[0]
        if isinstance(inner, dict) and inner.get("op") in ("between", "like", "in", "isNull"):
            return _predicate(inner["op"], inner["args"], "NOT "), _PREDICATE
        return "NOT " + _text(inner, _NOT), _NOT
    if op in ("and", "or"):
        rank = _AND if op == "and" else _OR
        return f" {op.upper()} ".join(_text(arg, rank + 1) for arg in args), rank
    if op in ("between", "like", "in", "isNull"):
        return _predicate(op, args, ""), _PREDICATE
    if op in _RANKS:
        rank, left, right = _RANKS[op]
        return f"{_text(args[0], left)} {op} {_text(args[1], right)}", rank
    name = op.upper() if op in _ARITY else op
    return f"{name}({', '.join(_text(arg, 0) for arg in args)})", _FACTOR


def _predicate(op: str, args: list[Json], negation: str) -> str:
    operands = [_text(arg, _SUM) for arg in args]
    if op == "between":
        return f"{operands[0]} {negation}BETWEEN {operands[1]} AND {operands[2]}"
    if op == "isNull":
        return f"{operands[0]} IS {negation}NULL"
    return f"{operands[0]} {negation}{op.upper()} {operands[1]}"


def _quoted(value: str) -> str:
    """A text in quotes. After a backslash an apostrophe is written \\', which is how it can be told from the end."""
    return "'" + re.sub(r"(?<!\\)'", "''", re.sub(r"(?<=\\)'", "\\\\'", value)) + "'"
