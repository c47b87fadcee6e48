"""CQL2 text (OGC 21-065r2, annex B) <-> the canonical tree of json.py.

The standard's basic CQL2, its advanced comparisons, case- and accent-insensitive comparison, arithmetic, arrays and
functions; spatial and temporal operators are refused by name. Text never nests deeper than its tree, so a tree within
the limits can always be written as text, and text that is accepted is accepted as JSON. Reading is linear in the length
of the text. The grammar is cql2.lark.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from types import MappingProxyType

from lark import Lark, Token, Transformer, UnexpectedInput, v_args

from service.errors import Fault, Invalid, OverLimit
from service.facts.words import nearest
from service.rules.cql2.json import (
    ARITY,
    ARRAY_FUNCTIONS,
    COMPARISON_SIGNS,
    KEYWORDS,
    Json,
    checked_tree,
)
from service.rules.cql2.limits import check_size, refusal, shortened
from service.rules.cql2.scan import Lines, scan

_CALLED = MappingProxyType({name.lower(): name for name in ("casei", "accenti", *ARRAY_FUNCTIONS)})
"""Operators that are written as functions, in any letter case."""
_TOKENS = MappingProxyType({word: word if word in ("NOT", "DIV", "TRUE", "FALSE") else f"_{word}" for word in KEYWORDS})
"""The grammar's token for each keyword."""


@dataclass(frozen=True)
class Position:
    """A place in text; line and column are counted from 1, columns in characters."""

    line: int
    column: int


def read_text(text: str) -> tuple[Json, Mapping[str, Position]]:
    """The canonical tree, and where in the text each part begins: the JSON pointer of every operator, attribute, value and
    list ("" is the whole). Raises Invalid (OverLimit past a limit); faults carry line and column."""
    opened = scan(text)
    try:
        root: _Node = _grammar().parse(text)  # type: ignore[assignment]  # the transformer makes nodes
    except UnexpectedInput as error:
        raise Invalid([_syntax(error, text, opened)]) from None
    try:
        check_size(root.json)
    except OverLimit as error:
        raise OverLimit(replace(fault, pointer="", line=1, column=1) for fault in error.faults) from None
    positions = dict(_positions(root, ""))
    faults: list[Fault] = []
    tree = checked_tree(root.json, faults)
    if faults:
        raise refusal([_placed(fault, positions) for fault in faults])
    return tree, MappingProxyType(positions)


def to_text(tree: Json) -> str:
    """CQL2 text of a canonical tree or of a part of one, with the fewest brackets that keep it:
    `read_text(to_text(tree))[0] == tree`.

    Text of more than 4,096 characters (a long list of values, say) is written all the same, but cannot be read again.
    """
    return _text(tree, 0)


# Text to tree --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Node:
    """A part of the tree while text is read. `inner` is the content of a bracket; `parts` are arguments or items."""

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
class _TreeBuilder(Transformer[Token, _Node]):
    """Builds nodes while the parser reduces, so that nothing is recursive."""

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
    """A keyword if the whole word is one, in any letter case."""
    kind = _TOKENS.get(token.upper())
    return token if kind is None else token.update(type=kind)


@cache
def _grammar() -> Lark:
    return Lark(
        Path(__file__).with_name("cql2.lark").read_text(encoding="utf-8"),
        parser="lalr",
        lexer="basic",
        strict=True,
        transformer=_TreeBuilder(),
        lexer_callbacks={"NAME": _word},
    )


def _positions(node: _Node, pointer: str) -> Iterator[tuple[str, Position]]:
    """Pointers of a node and of all below it. Recursive: the depth of the tree has been checked."""
    yield pointer, Position(node.line, node.column)
    inside = pointer if isinstance(node.json, list) else pointer + "/args"
    for i, part in enumerate(node.parts):
        yield from _positions(part, f"{inside}/{i}")


def _placed(fault: Fault, positions: Mapping[str, Position]) -> Fault:
    """The same fault with line and column instead of the pointer, since the author wrote text and has not seen the tree."""
    pointer = fault.pointer
    while pointer not in positions:
        pointer = pointer.rpartition("/")[0]
    return replace(fault, pointer="", line=positions[pointer].line, column=positions[pointer].column)


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
    """What was found, what was expected, and a suggestion."""
    token = getattr(error, "token", None)
    # `accepts` is exact; `expected`, of the LALR state, includes tokens that are possible only in another context.
    expected = set(getattr(error, "accepts", None) or getattr(error, "expected", None) or ())
    if "NAME" in expected:
        expected -= {"PLUS"}
    elif expected == {"LPAR"}:
        return _found(token, text, "an opening bracket", "IN takes a list: metal IN ('gold', 'silver')")
    wanted = [words for names, words in _EXPECTED if names & expected]
    if token is not None and token.type == "$END":
        lines = Lines(text)
        if opened:
            fault = Fault("syntax", "the bracket that opens here is never closed", hint="add a closing bracket")
            return replace(fault, **lines.at(opened[-1]))
        if not text.strip():
            return Fault(
                "syntax", "the rule is empty", hint="for a rule that every coin fits, write TRUE", line=1, column=1
            )
    listed = " or ".join([", ".join(wanted[:-1]), wanted[-1]] if wanted[1:] else wanted)
    return _found(token, text, listed, _suggestion(token))


def _found(token: Token | None, text: str, wanted: str, hint: str | None) -> Fault:
    ended = token is None or token.type == "$END"
    found = "the rule ends" if ended else f"found {shortened(str(token))}"
    where = Lines(text).at(len(text)) if ended or token is None else {"line": token.line, "column": token.column}
    return Fault("syntax", f"{found}, expected {wanted or 'something else'}", hint=hint, **where)


def _suggestion(token: Token | None) -> str | None:
    if token is None or token.type == "$END":
        return None
    if token.type == "_NULL":
        return "to ask whether something is known to be none, write: mintmark IS NULL"
    if token.type == "COMPARE":
        return "one comparison at a time: join two with AND, or use BETWEEN"
    if token.type == "CARET":
        return "put brackets around one of the two powers"
    if token.type == "NAME":
        known = nearest(token, ("and", "or", "not", "between", "like", "in", "is"))
        return f"did you mean {known.upper()}?" if known else "write a text in single quotes: 'crown'"
    return None


# Tree to text --------------------------------------------------------------------------------------------------------

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
