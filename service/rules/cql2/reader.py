"""Reading CQL2 text: the parser, and what is said of text that is none. The grammar is cql2.lark."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from types import MappingProxyType

from lark import Lark, Token, Transformer, UnexpectedInput, v_args

from service.errors import Fault, Invalid, OverLimit, Sentence, chained
from service.facts.words import nearest
from service.rules.cql2.json import ARRAY_FUNCTIONS, KEYWORDS, Json, checked_tree
from service.rules.cql2.limits import check_size, refusal, shortened
from service.rules.cql2.scan import Lines, Position, scan

_CALLED = MappingProxyType({name.lower(): name for name in ("casei", "accenti", *ARRAY_FUNCTIONS)})
"""Operators that are written as functions, in any letter case."""
_TOKENS = MappingProxyType({word: word if word in ("NOT", "DIV", "TRUE", "FALSE") else f"_{word}" for word in KEYWORDS})
"""The grammar's token for each keyword."""


def read_text(text: str) -> tuple[Json, Mapping[str, Position]]:
    """As `text.read_text` says."""
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
    ({"NAME"}, Sentence("an attribute, a value or a bracket")),
    ({"COMPARE"}, Sentence("a comparison (=, <>, <, <=, >, >=)")),
    ({"_LIKE"}, Sentence("LIKE, IN, BETWEEN or IS NULL")),
    ({"PLUS", "TIMES", "CARET"}, Sentence("an arithmetic sign")),
    ({"_AND"}, Sentence("AND")),
    ({"_OR"}, Sentence("OR")),
    ({"_NULL"}, Sentence("NULL")),
    ({"_COMMA"}, Sentence("a comma")),
    ({"_RPAR"}, Sentence("a closing bracket")),
    ({"$END"}, Sentence("the end of the rule")),
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
    listed = (
        Sentence("{options} or {last}", options=chained("{first}, {last}", wanted[:-1]), last=wanted[-1])
        if wanted[1:]
        else chained("{first}, {last}", wanted)
    )
    return _found(token, text, listed, _suggestion(token))


def _found(token: Token | None, text: str, wanted: str, hint: str | None) -> Fault:
    ended = token is None or token.type == "$END"
    sentence = "the rule ends, expected {wanted}" if ended else "found {token}, expected {wanted}"
    where = Lines(text).at(len(text)) if ended or token is None else {"line": token.line, "column": token.column}
    return Fault(
        "syntax",
        Sentence(sentence, token=shortened(str(token)), wanted=Sentence(wanted or "something else")),
        hint=hint,
        **where,
    )


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
        return (
            Sentence("did you mean {known}?", known=known.upper())
            if known
            else "write a text in single quotes: 'crown'"
        )
    return None
