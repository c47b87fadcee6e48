"""CQL2 text (OGC 21-065r2, annex B) <-> the canonical tree of json.py.

The standard's basic CQL2, its advanced comparisons, case- and accent-insensitive comparison, arithmetic, arrays and
functions; spatial and temporal operators are refused by name. Text never nests deeper than its tree, so a tree within
the limits can always be written as text, and text that is accepted is accepted as JSON. Reading is linear in the length
of the text. The grammar is cql2.lark.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from service.rules.cql2.json import (
    ARITY,
    COMPARISON_SIGNS,
    KEYWORDS,
    Json,
)
from service.rules.cql2.scan import Position


def read_text(text: str) -> tuple[Json, Mapping[str, Position]]:
    """The canonical tree, and where in the text each part begins: the JSON pointer of every operator, attribute, value and
    list ("" is the whole). Raises Invalid (OverLimit past a limit); faults carry line and column."""
    # Imported here: the parser is needed where rules are read that were not read before.
    from service.rules.cql2 import reader

    return reader.read_text(text)


def to_text(tree: Json) -> str:
    """CQL2 text of a canonical tree or of a part of one, with the fewest brackets that keep it:
    `read_text(to_text(tree))[0] == tree`.

    Text of more than 4,096 characters (a long list of values, say) is written all the same, but cannot be read again.
    """
    return _text(tree, 0)


_OR, _AND, _NOT, _PREDICATE, _SUM, _PRODUCT, _POWER, _FACTOR = range(1, 9)
_RANKS: Mapping[str, tuple[int, int, int]] = MappingProxyType(
    dict.fromkeys(COMPARISON_SIGNS, (_PREDICATE, _SUM, _SUM))
    | dict.fromkeys(("+", "-"), (_SUM, _SUM, _PRODUCT))
    | dict.fromkeys(("*", "/", "%", "div"), (_PRODUCT, _PRODUCT, _POWER))
    | {"^": (_POWER, _FACTOR, _FACTOR)}
)
"""For each infix operator its rank, and the least rank of its left and right operand without brackets."""


def _text(tree: Json, needed: int) -> str:
    """Canonical JSON as text, in brackets if its rank is below `needed`."""
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
        return (f'"{value}"' if value.upper() in KEYWORDS else value), _FACTOR
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
    name = op.upper() if op in ARITY else op
    return f"{name}({', '.join(_text(arg, 0) for arg in args)})", _FACTOR


def _predicate(op: str, args: list[Json], negation: str) -> str:
    operands = [_text(arg, _SUM) for arg in args]
    if op == "between":
        return f"{operands[0]} {negation}BETWEEN {operands[1]} AND {operands[2]}"
    if op == "isNull":
        return f"{operands[0]} IS {negation}NULL"
    return f"{operands[0]} {negation}{op.upper()} {operands[1]}"


def _quoted(value: str) -> str:
    """A text in quotes. After a backslash an apostrophe is written \\', which cannot be the end of the text."""
    return "'" + re.sub(r"(?<!\\)'", "''", re.sub(r"(?<=\\)'", "\\\\'", value)) + "'"
