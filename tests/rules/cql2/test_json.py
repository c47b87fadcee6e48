"""Rules are read from CQL2-JSON and refused with a pointer and a hint."""

from __future__ import annotations

import pytest

from service.rules.cql2.expression import parse
from tests.rules.cql2.trees import A, B, fault, faults, op


@pytest.mark.parametrize(
    ("tree", "pointer"),
    [
        (None, ""),
        (5, ""),
        ([], ""),
        ({}, ""),
        (b"a = 1", ""),
        ({"date": "2020-01-01"}, ""),
        ({"op": "="}, ""),
        ({"op": 5, "args": []}, "/op"),
        ({"op": "=", "args": {}}, ""),
        ({"op": "=", "args": [A, 1], "more": 1}, ""),
        ({"property": "a", "more": 1}, ""),
        ({"property": 5}, "/property"),
        ({"property": ""}, "/property"),
        ({"property": "two words"}, "/property"),
        ({"property": 'a"b'}, "/property"),
        (op("and", A), ""),
        (op("not", A, B), ""),
        (op("=", A), ""),
        (op("between", A, 1), ""),
        (op("isNull"), ""),
        (op("casei", A, B), ""),
        (op("in", A, 1), "/args/1"),
        (op("in", A, []), "/args/1"),
        (op("in", A, [[1]]), "/args/1/0"),
        (op("in", [A], [1]), "/args/0"),
        (op("=", A, [1]), "/args/1"),
        (op("like", A, B), "/args/1"),
        (op("=", A, None), "/args/1"),
        (op("=", A, (1, 2)), "/args/1"),
        (op("=", A, {"date": 5}), "/args/1/date"),
        (op("f", [A, {"nothing": 1}]), "/args/0/1"),
        ({"op": "f", "args": [], 5: 1}, ""),
    ],
)
def test_json_that_is_no_rule_is_refused_where_it_goes_wrong(tree: object, pointer: str) -> None:
    refused = fault(tree)
    assert (refused.code, refused.pointer, refused.line) == ("syntax", pointer, None)


@pytest.mark.parametrize(
    ("name", "near"),
    [
        ("==", "="),
        ("!=", "<>"),
        ("AND", "and"),
        ("isnull", "isNull"),
        ("CaseI", "casei"),
        ("a_containedby", "a_containedBy"),
        ("is null", "isNull"),
        ("", None),
        ("date", None),
        ("true", None),
        ("<>>", "<>"),
    ],
)
def test_an_unknown_operator_is_refused_with_the_nearest_known_one(name: str, near: str | None) -> None:
    refused = fault(op(name, A, 1))
    assert (refused.code, refused.pointer) == ("unknown-operator", "/op")
    if near is not None:
        assert f"'{near}'" in str(refused.hint)


def test_a_name_that_is_no_operator_is_a_function() -> None:
    assert parse(op("Foo.bar", A)).text == "Foo.bar(a)"


def test_all_that_is_wrong_in_json_is_said_at_once_in_its_order() -> None:
    found = faults(op("or", op("and", A), op("=", None, 2**70), {"x": 1}, op("s_equals", A, None), op("!", A)))
    assert [(each.code, each.pointer) for each in found] == [
        ("syntax", "/args/0"),
        ("syntax", "/args/1/args/0"),
        ("number", "/args/1/args/1"),
        ("syntax", "/args/2"),
        ("unsupported", "/args/3/op"),
        ("unknown-operator", "/args/4/op"),
    ]


def test_a_text_that_ends_in_a_backslash_cannot_be_written_and_is_refused() -> None:
    assert (fault(op("=", A, "x\\")).code, fault("a = 'x\\'").code) == ("character", "syntax")
