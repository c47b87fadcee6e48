"""Generated trees, texts and values: read and written again, or refused."""

from __future__ import annotations

import json
from decimal import Decimal

from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.errors import Invalid, OverLimit
from service.rules.cql2.expression import parse
from service.rules.cql2.json import Json
from service.rules.cql2.text import to_text
from tests.rules.cql2.trees import A, op, prop
from tests.strategies import examples
from tests.timing import is_within

NAMES = st.sampled_from(
    ["a", "year_on_coin", "eo:x.1", "größe", "and", "Not", "div", "date", "point", "_", "true", "E5"]
)
TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=8) | st.text(
    "'\\%_a", max_size=6
)
NUMBERS = (
    st.integers(-(2**63), 2**63 - 1)
    | st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-(10**9), max_value=10**9)
    | st.sampled_from([Decimal("1E+7"), Decimal("-0.0"), Decimal("1E-9"), 0, -1, Decimal("0E-20")])
)
MOMENTS = st.dates().map(lambda day: {"date": day.isoformat()}) | st.datetimes().map(
    lambda time: {
        "timestamp": time.isoformat().rstrip("0").rstrip(".") + "Z" if time.microsecond else f"{time.isoformat()}Z"
    }
)
LEAVES = NAMES.map(prop) | TEXTS.filter(lambda text: not text.endswith("\\")) | NUMBERS | st.booleans() | MOMENTS


def _grown(node: st.SearchStrategy[Json]) -> st.SearchStrategy[Json]:
    pair = st.tuples(node, node)
    lists = st.lists(node | st.lists(node, max_size=2), max_size=3)
    pattern = st.sampled_from(["x%", op("casei", "K_"), op("accenti", op("casei", "it's"))])
    return st.one_of(
        st.builds(
            lambda name, args: op(name, *args), st.sampled_from(["and", "or"]), st.lists(node, min_size=2, max_size=3)
        ),
        st.builds(
            lambda name, args: op(name, *args),
            st.sampled_from(["=", "<>", "<", "<=", ">", ">=", *"+-*/%^", "div"]),
            pair,
        ),
        st.builds(lambda name, arg: op(name, arg), st.sampled_from(["not", "isNull", "casei", "accenti"]), node),
        st.builds(lambda args: op("between", *args), st.tuples(node, node, node)),
        st.builds(lambda arg, items: op("in", arg, items), node, st.lists(node, min_size=1, max_size=3)),
        st.builds(lambda arg, like: op("like", arg, like), node, pattern),
        st.builds(
            lambda name, one, two: op(name, one, two),
            st.sampled_from(["a_contains", "a_containedBy", "a_overlaps", "a_equals"]),
            node | lists,
            node | lists,
        ),
        st.builds(lambda name, args: op(name, *args), st.sampled_from(["f", "narrower", "Foo.x"]), lists),
    )


TREES = st.recursive(LEAVES, _grown, max_leaves=25).filter(lambda tree: isinstance(tree, dict) and "op" in tree)


@settings(max_examples=examples(300), deadline=None)
@given(TREES)
@example(op("=", A, "x\\'"))
@example(op("=", A, "\\\\''\\'x"))
def test_every_legal_tree_is_written_as_text_that_means_the_same(tree: Json) -> None:
    read = parse(tree)
    assert read.json == tree
    again = parse(read.text)
    assert again.json == tree
    assert to_text(again.json) == read.text


DEEP = st.lists(
    st.sampled_from(["not", "or", "=", "+", "^r", "^l", "isNull", "in", "in list", "f", "f list"]),
    min_size=25,
    max_size=32,
)


@settings(max_examples=examples(200), deadline=None)
@given(DEEP)
def test_a_tree_as_deep_as_may_be_never_needs_more_brackets_than_text_may_have(steps: list[str]) -> None:
    grow = {
        "not": lambda t: op("not", t),
        "or": lambda t: op("or", A, t),
        "=": lambda t: op("=", t, 1),
        "+": lambda t: op("+", 1, t),
        "^r": lambda t: op("^", -2, t),
        "^l": lambda t: op("^", t, 2),
        "isNull": lambda t: op("isNull", t),
        "in": lambda t: op("in", t, [1]),
        "in list": lambda t: op("in", A, [t]),
        "f": lambda t: op("f", t),
        "f list": lambda t: op("f", [t]),
    }
    tree: Json = A
    for step in steps:
        tree = grow[step](tree)
    try:
        text = parse(tree).text
    except OverLimit:
        return  # lists are a level of their own
    assert parse(text).json == tree


WORDS = st.sampled_from(
    [
        "a",
        "b",
        "(",
        ")",
        ",",
        "'",
        "''",
        '"',
        "=",
        "<>",
        "<",
        "-",
        "+",
        "*",
        "^",
        "%",
        "1",
        "2.5",
        "1e9",
        "'x'",
        "not",
        "and",
        "or",
        "in",
        "like",
        "between",
        "is",
        "null",
        "true",
        "div",
        "DATE(",
        "casei(",
        "f(",
        "\\",
        "\n",
    ]
)


@settings(max_examples=examples(400), deadline=None)
@given(st.text(max_size=60) | st.lists(WORDS, max_size=25).map(" ".join) | st.lists(WORDS, max_size=25).map("".join))
def test_random_text_is_read_or_refused(text: str) -> None:
    def read_or_refused() -> None:
        try:
            read = parse(text)
        except Invalid as refusal:
            assert refusal.faults
            assert all(each.line and each.column for each in refusal.faults)
        else:
            assert parse(read.json).json == read.json
            assert parse(to_text(read.json)).json == read.json

    assert is_within(0.5, read_or_refused)


WEIRD = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.decimals()
    | st.text(max_size=4)
    | st.binary(max_size=2)
    | st.sampled_from(["op", "args", "and", "=", "property", "in", "\ud800", "s_within", "Point"]),
    lambda node: (
        st.lists(node, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                ["op", "args", "property", "date", "timestamp", "type", "bbox", "interval", "\ud800", 5, None]
            ),
            node,
            max_size=4,
        )
        | st.builds(
            lambda name, args: {"op": name, "args": args},
            st.sampled_from(["and", "=", "in", "like", "not", "f", "a_contains", "t_after", "between", "??"]) | node,
            st.lists(node, max_size=3) | node,
        )
    ),
    max_leaves=20,
)


@settings(max_examples=examples(400), deadline=None)
@given(WEIRD)
def test_a_weird_value_is_read_or_refused(value: object) -> None:
    try:
        read = parse(value)
    except Invalid as refusal:
        assert refusal.faults
        for each in refusal.faults:
            json.dumps(each.as_json()).encode()
            each.message.encode()
    else:
        assert parse(read.text).json == read.json
