"""The limits of one rule (rules.md, section 2), and the faults that the readers of text and JSON share."""

from __future__ import annotations

import re
from collections.abc import Iterator
from types import MappingProxyType
from typing import Any

from service.errors import Fault, Invalid, OverLimit, Sentence

CHARACTERS, LEVELS, NODES, ITEMS = 4_096, 32, 1_000, 1_000
"""Plain values in a list count as its items, not as nodes."""
DIGITS, EXPONENT, FRACTION = 40, 100, 6
"""Digits and exponent of a decimal; digits of the fraction of a second."""
FAULTS = 100
"""The most faults that one refusal lists."""

_SPATIAL_OPERATOR, _SPATIAL_LITERAL = Sentence("spatial operator"), Sentence("spatial literal")
_TEMPORAL_OPERATOR, _TEMPORAL_LITERAL = Sentence("temporal operator"), Sentence("temporal literal")
UNSUPPORTED = MappingProxyType(
    {
        **dict.fromkeys(("s_intersects", "s_equals", "s_disjoint", "s_touches"), _SPATIAL_OPERATOR),
        **dict.fromkeys(("s_within", "s_overlaps", "s_crosses", "s_contains"), _SPATIAL_OPERATOR),
        **dict.fromkeys(("t_after", "t_before", "t_contains", "t_disjoint", "t_during"), _TEMPORAL_OPERATOR),
        **dict.fromkeys(("t_equals", "t_finishedby", "t_finishes", "t_intersects", "t_meets"), _TEMPORAL_OPERATOR),
        **dict.fromkeys(("t_metby", "t_overlappedby", "t_overlaps", "t_startedby", "t_starts"), _TEMPORAL_OPERATOR),
        **dict.fromkeys(("point", "linestring", "polygon", "geometrycollection"), _SPATIAL_LITERAL),
        **dict.fromkeys(("multipoint", "multilinestring", "multipolygon", "bbox", "envelope"), _SPATIAL_LITERAL),
        "interval": _TEMPORAL_LITERAL,
    }
)
"""Every name of the standard that is refused (in lower case), and what it is."""


def over_limit(what: str, limit: int, found: int | None, **where: Any) -> OverLimit:
    """The error for one limit; `found` is None where counting stopped at the limit, `where` a pointer or line and column."""
    had = Sentence("more") if found is None else Sentence("{found:,}", found=found)
    return OverLimit(
        [
            Fault(
                "over-limit",
                Sentence("{what}: the limit is {limit:,}, this has {had}", what=Sentence(what), limit=limit, had=had),
                **where,
            )
        ]
    )


def check_size(tree: object) -> None:
    """Raises OverLimit if a tree is too deep, too large or has too long a list. Not recursive; stops at the limit, so that a
    tree which contains itself is refused too."""
    nodes, waiting = 0, [(tree, 0, False, "")]
    while waiting:
        value, above, listed, pointer = waiting.pop()
        parts: list[Any] = []
        if isinstance(value, list):
            parts, inside = value, pointer
            if len(parts) > ITEMS:
                raise over_limit("items of one list", ITEMS, len(parts), pointer=pointer)
        elif isinstance(value, dict) and isinstance(value.get("args"), list):
            parts, inside = value["args"], pointer + "/args"
        branches = isinstance(value, list) or (isinstance(value, dict) and "op" in value)
        depth = above + branches
        if depth > LEVELS:
            raise over_limit("levels of nested operators and lists", LEVELS, None, pointer=pointer)
        nodes += not listed or branches or "property" in value  # type: ignore[operator]  # a listed value here is a dict
        if nodes > NODES or (len(parts) > NODES and not isinstance(value, list)):
            raise over_limit("operators, attributes and values of one rule", NODES, None, pointer="")
        in_list = isinstance(value, list)
        waiting.extend(
            (part, depth, in_list, f"{inside}/{i}")
            for i, part in enumerate(parts)
            if not in_list or isinstance(part, dict | list)
        )


def refusal(faults: list[Fault]) -> Invalid:
    """The error with these faults, the first 100 of them: OverLimit if one of them is a limit, else Invalid."""
    return (OverLimit if any(fault.code == "over-limit" for fault in faults) else Invalid)(faults[:FAULTS])


_FORBIDDEN = (
    ("\x00", Sentence("NUL (U+0000)")),
    ("[\ud800-\udfff]", Sentence("a lone surrogate (U+D800 to U+DFFF)")),
)


def forbidden_characters(text: str) -> Iterator[tuple[int, Fault]]:
    """The first NUL and the first lone surrogate of a text, with their offsets."""
    for pattern, name in _FORBIDDEN:
        if found := re.search(pattern, text):
            yield (
                found.start(),
                Fault.of("character", "{name} may not be part of a rule", hint="leave it out", name=name),
            )


def unsupported(name: str, kind: Sentence) -> Fault:
    """The fault for a name of the standard that this language leaves out; `kind` is its entry in UNSUPPORTED."""
    family = kind.split()[0]
    hint = "compare dates with =, <>, <, <=, > and >=" if family == "temporal" else None
    message = Sentence(
        "{name} is a {kind}: spatial and temporal operators are not part of this rule language",
        name=name,
        kind=kind,
    )
    return Fault("unsupported", message, hint=hint)


def shortened(text: str) -> Sentence:
    """A word from the input for a message: in quotes, at most 40 characters, nothing that cannot be encoded."""
    short = text if len(text) <= 40 else text[:40] + "…"
    return Sentence("'{name}'", name="".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in short))
