"""Rules are read from text and JSON, written again, refused with the place and the reason; nothing makes them slow."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.errors import Fault, Invalid, OverLimit
from service.rules import language
from service.rules.language import Expression, Json, Position, parse, parse_json, parse_text, to_text


def prop(name: str) -> Json:
    return {"property": name}


def op(name: str, *args: Json) -> Json:
    return {"op": name, "args": list(args)}


def faults(value: object) -> tuple[Fault, ...]:
    with pytest.raises(Invalid) as refusal:
        parse(value)
    return refusal.value.faults


def fault(value: object) -> Fault:
    (only,) = faults(value)
    return only


A, B, C = prop("a"), prop("b"), prop("c")
YES = op("=", A, 1)


# What text means

MEANINGS = {
    "a = 1": YES,
    "a<>1": op("<>", A, 1),
    "a <= b": op("<=", A, B),
    "a": A,
    "TRUE": True,
    "false": False,
    "a = 1 AND b": op("and", YES, B),
    "a and b and c": op("and", A, B, C),
    "a or b and c": op("or", A, op("and", B, C)),
    "(a or b) and c": op("and", op("or", A, B), C),
    "a and (b and c)": op("and", A, op("and", B, C)),
    "not a = 1": op("not", YES),
    "not a and b": op("and", op("not", A), B),
    "not not a": op("not", op("not", A)),
    "((a))": A,
    "a between 1 and 2 and b": op("and", op("between", A, 1, 2), B),
    "a not between 1 and b + 1 or c": op("or", op("not", op("between", A, 1, op("+", B, 1))), C),
    "not a between 1 and 2": op("not", op("between", A, 1, 2)),
    "a in (1)": op("in", A, [1]),
    "a IN('x',(b),2)": op("in", A, ["x", B, 2]),
    "a not in (1, 2)": op("not", op("in", A, [1, 2])),
    "a LIKE 'K_n%'": op("like", A, "K_n%"),
    "a not like casei(accenti('k%'))": op("not", op("like", A, op("casei", op("accenti", "k%")))),
    "a is null": op("isNull", A),
    "a IS NOT NULL": op("not", op("isNull", A)),
    "CaseI(a) = 'x'": op("=", op("casei", A), "x"),
    "a = b + 2 * c": op("=", A, op("+", B, op("*", 2, C))),
    "a = b - 2 - c": op("=", A, op("-", op("-", B, 2), C)),
    "a = (b + 2) * c": op("=", A, op("*", op("+", B, 2), C)),
    "a = b div 2 % c": op("=", A, op("%", op("div", B, 2), C)),
    "a = b * 2 ^ c": op("=", A, op("*", B, op("^", 2, C))),
    "a = -b": op("=", A, op("*", -1, B)),
    "a = -b ^ 2": op("=", A, op("^", op("*", -1, B), 2)),  # annex B: the sign belongs to the operand
    "a = -(b + 1)": op("=", A, op("*", -1, op("+", B, 1))),
    "a = -5": op("=", A, -5),
    "a = - - 5": op("=", A, 5),
    "a = 2 - -5": op("=", A, op("-", 2, -5)),
    "a = 2-5": op("=", A, op("-", 2, 5)),
    "a = +5": op("=", A, 5),
    "a = .5 + 5. + 1e2 + 1.5E-3": op(
        "=", A, op("+", op("+", op("+", Decimal("0.5"), 5), Decimal(100)), Decimal("0.0015"))
    ),
    "a = 'King''s head'": op("=", A, "King's head"),
    r"a = 'King\'s head'": op("=", A, "King's head"),
    r"a LIKE '100\%'": op("like", A, r"100\%"),
    "a = ''": op("=", A, ""),
    "a = 'two\nlines'": op("=", A, "two\nlines"),
    '"and" = 1': op("=", prop("and"), 1),
    "\"date\" = DATE('2024-02-29')": op("=", prop("date"), {"date": "2024-02-29"}),
    "eo:cloud.cover_1 = 1": op("=", prop("eo:cloud.cover_1"), 1),
    "größe = 1 and länge = 2": op("and", op("=", prop("größe"), 1), op("=", prop("länge"), 2)),
    "inside = 1 and order = 2 and nothing": op(
        "and", op("=", prop("inside"), 1), op("=", prop("order"), 2), prop("nothing")
    ),
    "a = TIMESTAMP('2012-08-10T05:30:00.120Z')": op("=", A, {"timestamp": "2012-08-10T05:30:00.12Z"}),
    "narrower(motif, 'animal')": op("narrower", prop("motif"), "animal"),
    "not defunct(issuer)": op("not", op("defunct", prop("issuer"))),
    "f()": op("f"),
    "count(problems) = 0": op("=", op("count", prop("problems")), 0),
    "f(a = 1, b + 1, ('x', 'y'), ('x'), (), ((1, 2), 3), TRUE)": op(
        "f", YES, op("+", B, 1), ["x", "y"], ["x"], [], [[1, 2], 3], True
    ),
    "f((a + 1) * 2)": op("f", op("*", op("+", A, 1), 2)),
    "A_CONTAINS(a, ('x'))": op("a_contains", A, ["x"]),
    "a_containedby(a, ('x', 'y'))": op("a_containedBy", A, ["x", "y"]),
    "A_OVERLAPS(a, (b, DATE('2020-01-01'), false))": op("a_overlaps", A, [B, {"date": "2020-01-01"}, False]),
    "A_EQUALS(('x', 1.0), a)": op("a_equals", ["x", Decimal("1.0")], A),
    "a\u00a0=\u30001": YES,
}


@pytest.mark.parametrize("text", MEANINGS)
def test_text_means_this_tree(text: str) -> None:
    assert parse_text(text).json == MEANINGS[text]


@pytest.mark.parametrize("text", MEANINGS)
def test_the_tree_is_accepted_as_json_and_written_as_text_that_means_the_same(text: str) -> None:
    tree = MEANINGS[text]
    assert parse_json(tree).json == tree
    assert parse_text(to_text(tree)).json == tree


@pytest.mark.parametrize(
    ("tree", "text"),
    [
        (op("and", YES, op("or", A, B)), "a = 1 AND (a OR b)"),
        (op("or", op("and", A, B), C), "a AND b OR c"),
        (op("and", A, op("and", B, C)), "a AND (b AND c)"),
        (op("not", op("and", A, B)), "NOT (a AND b)"),
        (op("and", op("not", A), B), "NOT a AND b"),
        (op("=", op("not", A), True), "(NOT a) = TRUE"),
        (op("=", op("=", A, 1), True), "(a = 1) = TRUE"),
        (op("not", op("in", A, ["x", 2])), "a NOT IN ('x', 2)"),
        (op("not", op("isNull", A)), "a IS NOT NULL"),
        (op("between", A, op("-", 1, op("-", 2, 3)), 4), "a BETWEEN 1 - (2 - 3) AND 4"),
        (op("^", op("^", A, 2), op("*", -1, B)), "(a ^ 2) ^ (-1 * b)"),
        (op("a_containedBy", A, ["it's"]), "A_CONTAINEDBY(a, ('it''s'))"),
        (op("casei", prop("Not")), 'CASEI("Not")'),
        (op("=", A, Decimal("0.10")), "a = 0.10"),
    ],
)
def test_text_is_written_with_the_fewest_brackets(tree: Json, text: str) -> None:
    assert to_text(tree) == text
    assert parse_text(text).json == tree


def test_an_expression_keeps_the_text_of_its_author() -> None:
    assert parse("a  =  1").text == "a  =  1"
    assert parse(YES) == Expression(YES, "a = 1", {})


def test_the_same_text_is_read_once() -> None:
    assert parse_text("a = 4711") is parse_text("a = 4711")


def test_positions_tell_where_every_part_begins() -> None:
    read = parse_text("metal = 'gold'\n  AND (year + 1) * 2 IN (1900, -5)")
    assert read.json["args"][1]["args"][1] == [1900, -5]
    assert read.positions == {
        "": Position(1, 1),
        "/args/0": Position(1, 1),
        "/args/0/args/0": Position(1, 1),
        "/args/0/args/1": Position(1, 9),
        "/args/1": Position(2, 7),
        "/args/1/args/0": Position(2, 7),
        "/args/1/args/0/args/0": Position(2, 8),
        "/args/1/args/0/args/0/args/0": Position(2, 8),
        "/args/1/args/0/args/0/args/1": Position(2, 15),
        "/args/1/args/0/args/1": Position(2, 20),
        "/args/1/args/1": Position(2, 25),
        "/args/1/args/1/0": Position(2, 26),
        "/args/1/args/1/1": Position(2, 32),
    }


def test_positions_reach_into_not_and_functions() -> None:
    read = parse_text("NOT f(x, ('y')) AND z NOT LIKE 'q'")
    assert {pointer: place.column for pointer, place in read.positions.items()} == {
        "": 1,
        "/args/0": 1,
        "/args/0/args/0": 5,
        "/args/0/args/0/args/0": 7,
        "/args/0/args/0/args/1": 10,
        "/args/0/args/0/args/1/0": 11,
        "/args/1": 21,
        "/args/1/args/0": 21,
        "/args/1/args/0/args/0": 21,
        "/args/1/args/0/args/1": 32,
    }


# Numbers


def test_numbers_stay_exact() -> None:
    number = parse_text("a = 0.10").json["args"][1]
    assert isinstance(number, Decimal) and str(number) == "0.10"
    long = "1234567890123456789.012345678901234567890"
    assert str(parse_text(f"a = -{long}").json["args"][1]) == f"-{long}"
    assert type(parse_text("a = 7").json["args"][1]) is int


def test_a_float_in_json_becomes_the_decimal_that_it_shows() -> None:
    number = parse_json(op("=", A, 0.1)).json["args"][1]
    assert isinstance(number, Decimal) and str(number) == "0.1"


def test_a_boolean_is_no_number() -> None:
    assert parse_json(op("=", A, True)).json["args"][1] is True
    assert parse_text("a = TRUE").json["args"][1] is True


@pytest.mark.parametrize("number", [float("nan"), float("inf"), Decimal("NaN"), Decimal("sNaN"), Decimal("-Infinity")])
def test_what_is_no_number_is_refused(number: object) -> None:
    refused = fault(op("=", A, number))
    assert (refused.code, refused.pointer) == ("number", "/args/1")


@pytest.mark.parametrize(
    "number",
    [
        2**63,
        -(2**63) - 1,
        10**5000,
        Decimal(2**63),
        Decimal("1E+101"),
        Decimal("1E-101"),
        Decimal("1." + "1" * 40),
        1e200,
    ],
    ids=lambda number: f"{type(number).__name__} {str(float(number))[:12]}" if number < 10**30 else "huge",
)
def test_a_number_past_its_bounds_is_refused(number: object) -> None:
    assert fault(op("=", A, number)).code == "number"


@pytest.mark.parametrize(
    "number", [2**63 - 1, -(2**63), Decimal("1E+100"), Decimal("1E-100"), Decimal("1." + "1" * 39)]
)
def test_a_number_at_its_bounds_is_kept(number: int | Decimal) -> None:
    assert parse_json(op("=", A, number)).json["args"][1] == number
    assert parse_text(to_text(op("=", A, number))).json["args"][1] == number


@pytest.mark.parametrize("number", ["9223372036854775808", "9" * 4_000, "1e101", "1e-999999", "1e" + "9" * 30])
def test_a_number_past_its_bounds_is_refused_in_text_with_its_place(number: str) -> None:
    refused = fault(f"a = {number}")
    assert (refused.code, refused.line, refused.column, refused.pointer) == ("number", 1, 5, "")


def test_the_smallest_whole_number_can_be_written() -> None:
    assert parse_text("a = -9223372036854775808").json["args"][1] == -(2**63)


# What is refused in text


@pytest.mark.parametrize(
    ("text", "column"),
    [
        ("", 1),
        ("   ", 1),
        ("country inside", 9),
        ("country in side", 12),
        ("a = 1 andb = 2", 7),
        ("a = 1 an b = 2", 7),
        ("a = 5and b = 2", 5),
        ("a = 5b", 5),
        ("a = 1.2.3", 5),
        ("a =", 4),
        ("a = 1)", 6),
        ("(a = 1", 1),
        ("a = (1", 5),
        ("a in ()", 7),
        ("a in (1 2)", 9),
        ("a in 1", 6),
        ("a < b < c", 7),
        ("a = b = c", 7),
        ("a between 1", 12),
        ("a between 1 or 2", 13),
        ("a = null", 5),
        ("a is nothing", 6),
        ("a ^ 2 ^ 3 = 1", 7),
        ("a = 'open", 5),
        ("a = 'open''", 5),
        ('a = "open', 5),
        ('a = "two words"', 5),
        ("a == 1", 3),
        ("a != 1", 3),
        ("a && b", 3),
        ("a = 1;", 6),
        ("a = [1]", 5),
        ("a = ‘crown’", 5),
        ("a LIKE b", 8),
        ("'gold'", 1),
        ("5", 1),
        ("DATE('2020-01-01')", 1),
        ("a = DATE(b)", 5),
        ("a = DATE('x', 'y')", 5),
        ("casei(a, b) = 'x'", 1),
        ("A_CONTAINS(a)", 1),
        ("like(a, 'x')", 1),
    ],
)
def test_text_that_is_no_rule_is_refused_where_it_goes_wrong(text: str, column: int) -> None:
    first = faults(text)[0]
    assert (first.code, first.line, first.column, first.pointer) == ("syntax", 1, column, "")


@pytest.mark.parametrize(
    ("text", "words", "hint"),
    [
        ("a = 1 an b", "found 'an' where an arithmetic sign, AND, OR or the end of the rule should stand", "AND?"),
        ("metal gold", "found 'gold' where a comparison", "single quotes"),
        ("a = ", "the rule ends where an attribute, a value or a bracket should stand", None),
        ("a = NULL", "found 'NULL'", "IS NULL"),
        ("a == 1", "'=='", "write ="),
        ("a != 1", "'!='", "write <>"),
        ("a < b < c", "found '<'", "BETWEEN"),
        ("a in 'x'", "where an opening bracket should stand", "IN takes a list"),
        ("(a = 1", "never closed", "closing bracket"),
        ("a = 'King's head'", "closing", "twice"),
        ("a = ‘crown’", "not a name", "straight quotes"),
        ("", "the rule is empty", "TRUE"),
    ],
)
def test_a_refusal_says_what_was_found_and_what_would_be_right(text: str, words: str, hint: str | None) -> None:
    refused = faults(text)[-1]
    assert words in refused.message
    assert (hint is None) == (refused.hint is None)
    assert hint is None or hint in str(refused.hint)


def test_a_refusal_counts_lines() -> None:
    refused = fault("a = 1\r\nAND b = 2\n  AND ?")
    assert (refused.line, refused.column) == (3, 7)


def test_all_that_is_wrong_in_a_text_is_said_at_once() -> None:
    found = faults("a = DATE('2023-02-29') AND b = 1e500 AND c LIKE d")
    assert [(each.code, each.column) for each in found] == [("syntax", 5), ("number", 32), ("syntax", 49)]
    assert [each.column for each in faults("a == 1 AND b != S_WITHIN(c, POINT(1 2)) AND c && d")] == [3, 14, 17, 47]


@pytest.mark.parametrize(
    "given", ["2023-02-29", "2023-2-1", "20230201", "0000-01-01", "2023-13-01", "", "２０２３-01-01"]
)
def test_a_date_that_is_none_is_refused(given: str) -> None:
    assert fault(f"a = DATE('{given}')").column == 5
    assert fault(op("=", A, {"date": given})).pointer == "/args/1/date"


@pytest.mark.parametrize(
    "given",
    [
        "2023-02-01",
        "2023-02-30T00:00:00Z",
        "2023-02-01T24:00:00Z",
        "2023-02-01T00:00:00",
        "2023-02-01T00:00:00+01:00",
        "2023-02-01T00:00:00.Z",
        "2023-02-01T00:00:00.1234567Z",
        "2023-02-01 00:00:00Z",
        "2023-02-01T00:00Z",
    ],
)
def test_a_time_stamp_that_is_none_is_refused(given: str) -> None:
    assert fault(f"a = TIMESTAMP('{given}')").column == 5
    assert fault(op("=", A, {"timestamp": given})).pointer == "/args/1/timestamp"


@pytest.mark.parametrize(("given", "kept"), [("00.000000000Z", "00Z"), ("00.5000Z", "00.5Z"), ("07Z", "07Z")])
def test_time_stamps_lose_idle_zeros(given: str, kept: str) -> None:
    tree = parse_json(op("<", A, {"timestamp": f"2023-02-01T00:00:{given}"})).json
    assert tree["args"][1] == {"timestamp": f"2023-02-01T00:00:{kept}"}


@pytest.mark.parametrize("name", ["S_INTERSECTS", "s_within", "T_BEFORE", "t_MetBy"])
def test_a_spatial_or_temporal_operator_is_refused_by_name(name: str) -> None:
    refused = fault(f"a = 1\n  AND {name} (b, c)")
    assert (refused.code, refused.line, refused.column) == ("unsupported", 2, 7)
    assert name.upper() in refused.message and "not part of this rule language" in refused.message
    refused = fault(op("and", YES, op(name.lower(), B, C)))
    assert (refused.code, refused.pointer) == ("unsupported", "/args/1/op")
    assert name.upper() in refused.message


@pytest.mark.parametrize(
    "literal", ["POINT(1 2)", "BBOX(1,2,3,4)", "POLYGON Z ((1 2 3))", "INTERVAL('..', '2020-01-01')"]
)
def test_a_spatial_or_temporal_literal_is_refused_by_name(literal: str) -> None:
    refused = fault(f"f(a, {literal})")
    assert (refused.code, refused.column) == ("unsupported", 6)
    assert literal.split("(")[0].split()[0] in refused.message


@pytest.mark.parametrize(
    "literal",
    [{"type": "Point", "coordinates": [1, 2]}, {"bbox": [1, 2, 3, 4]}, {"interval": ["..", "2020-01-01"]}],
)
def test_a_spatial_or_temporal_literal_in_json_is_refused_by_name(literal: Json) -> None:
    refused = fault(op("f", A, literal))
    assert (refused.code, refused.pointer) == ("unsupported", "/args/1")


def test_refused_names_in_texts_and_as_attributes_are_no_fault() -> None:
    assert parse_text("title = 'S_WITHIN(a, POINT(1 2))'").json["args"][1] == "S_WITHIN(a, POINT(1 2))"
    assert parse_text("point = 1 AND interval").json == op("and", op("=", prop("point"), 1), prop("interval"))


@pytest.mark.parametrize("bad", [chr(0), chr(0xD800), chr(0xDFFF)], ids=["NUL", "first", "last"])
def test_nul_and_lone_surrogates_are_refused_by_name(bad: str) -> None:
    in_text = fault(f"a =\n 'x{bad}'")
    assert (in_text.code, in_text.line, in_text.column) == ("character", 2, 4)
    in_json = fault(op("=", A, f"x{bad}"))
    assert (in_json.code, in_json.pointer) == ("character", "/args/1")
    assert ("NUL" if bad == "\x00" else "surrogate") in in_json.message
    assert fault(op("=", prop(f"x{bad}"), 1)).code == "character"


def test_a_message_can_always_be_encoded() -> None:
    for value in ("a \ud800", "a = 1 \x07", {"\ud800": 1}, op("\ud800", A), op("=", {"property": "a", "\udfff": 1}, 1)):
        for each in faults(value):
            json.dumps(each.as_json()).encode()
            str(each.as_json()).encode("utf-8")


# What is refused in JSON


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
    assert parse_json(op("Foo.bar", A)).text == "Foo.bar(a)"


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


# Limits


def chain(depth: int, leaf: Json = True) -> Json:
    tree = leaf
    for _ in range(depth):
        tree = op("not", tree)
    return tree


def over(value: object) -> str:
    with pytest.raises(OverLimit) as refusal:
        parse(value)
    assert [each.code for each in refusal.value.faults] == ["over-limit"]
    return refusal.value.faults[0].message


def test_a_rule_has_at_most_4096_characters() -> None:
    assert parse_text("a = '" + "x" * 4_090 + "'").json["args"][1] == "x" * 4_090
    assert "4,096" in over("a = '" + "x" * 4_091 + "'")


@pytest.mark.parametrize(
    "nested",
    [
        lambda n: "(" * n + "a = 1" + ")" * n,
        lambda n: "NOT " * n + "a",
        lambda n: "a = " + "-" * (n - 1) + "b",
        lambda n: "NOT (" * (n // 2) + "NOT " * (n % 2) + "a" + ")" * (n // 2),
        lambda n: "f(" * n + "a" + ")" * n,
        lambda n: "NOT f" + "(" * (n - 1) + "1" + ")" * (n - 1),
        lambda n: "a" + " + 1" * n,
    ],
)
def test_a_rule_nests_at_most_32_deep(nested: Callable[[int], str]) -> None:
    parse_text(nested(32))
    assert "32" in over(nested(33))


def test_signs_between_operands_do_not_nest() -> None:
    parse_text("(" * 32 + "a - 1 IS NOT NULL AND b NOT LIKE 'x' AND -1 < a" + ")" * 32)
    parse_text(" AND ".join(["NOT a = -1"] * 100))


def test_json_nests_at_most_32_deep() -> None:
    assert parse_text(parse_json(chain(32)).text).json == chain(32)
    assert "32" in over(chain(33))
    assert "32" in over(chain(100_000))
    listed: Json = "x"
    for _ in range(31):
        listed = [listed]
    assert parse_text(parse_json(op("f", listed)).text).json == op("f", listed)
    assert "32" in over(op("f", [listed]))


def test_a_rule_has_at_most_1000_nodes() -> None:
    assert len(parse_json(op("or", *[A] * 999)).json["args"]) == 999
    assert "1,000" in over(op("or", *[A] * 1_000))
    assert "1,000" in over("f(" + "1," * 1_000 + "1)")


def test_a_list_has_at_most_1000_items() -> None:
    assert len(parse_json(op("in", A, list(range(1_000)))).json["args"][1]) == 1_000
    assert "1,000" in over(op("in", A, list(range(1_001))))
    assert parse_text("a in (" + "1," * 999 + "1)")
    assert "1,001" in over("a in (" + "1," * 1_000 + "1)")


def test_a_json_value_that_holds_itself_ends() -> None:
    tree = op("not", None)
    tree["args"][0] = tree
    assert "32" in over(tree)
    wide: Json = True
    for _ in range(30):
        wide = op("and", wide, wide)
    assert "1,000" in over(wide)


# Hostile input


HOSTILE = {
    "brackets": lambda n: "(" * n,
    "closing brackets": lambda n: ")" * n,
    "pairs": lambda n: "(" * (n // 2) + "a" + ")" * (n // 2),
    "nots": lambda n: "NOT " * n + "a",
    "minus": lambda n: "a = " + "-" * n + "1",
    "quotes": lambda n: "'" * n,
    "odd quotes": lambda n: "a = " + "'" * (n | 1),
    "double quotes": lambda n: '"' * n,
    "backslashes": lambda n: "a = '" + "\\" * n,
    "escaped": lambda n: "a = '" + "\\'" * n,
    "digits": lambda n: "a = " + "1" * n,
    "points": lambda n: "." * n,
    "exponents": lambda n: "1e" * n,
    "calls": lambda n: "f(" * n,
    "points without end": lambda n: "POINT(" * n,
    "words": lambda n: "a " * n,
    "letters": lambda n: "é" * n,
    "blanks": lambda n: "\u3000" * n,
    "blank names": lambda n: "point" + " " * n,
    "comparisons": lambda n: "a =" * n,
    "marks": lambda n: "!" * n,
    "sums": lambda n: "a" + "+a" * n,
    "surrogates": lambda n: "\ud800" * n,
    "lines": lambda n: "\n!" * n,
}


def seconds(work: Callable[[str], object], text: str) -> float:
    start = time.process_time()
    with suppress(Invalid):
        work(text)
    return time.process_time() - start


def is_linear(work: Callable[[str], object], kind: str) -> bool:
    """Four times the text takes far less than the 16 times of a square; generous, since others share the machine."""
    small, large = (min(seconds(work, HOSTILE[kind](size)) for _ in range(3)) for size in (4_000, 16_000))
    return large < 8 * small + 0.02


@pytest.mark.parametrize("kind", HOSTILE)
def test_hostile_text_ends_at_once(kind: str) -> None:
    parse_text("a")  # the grammar is built once
    for size in (10_000, 2_000, 500):
        assert seconds(parse_text, HOSTILE[kind](size)) < 0.5


@pytest.mark.parametrize("kind", ["brackets", "pairs", "nots", "minus", "calls", "odd quotes", "surrogates", "marks"])
@pytest.mark.parametrize("size", [10_000, 2_000])
def test_hostile_text_is_refused(kind: str, size: int) -> None:
    assert faults(HOSTILE[kind](size))


@pytest.mark.parametrize("kind", HOSTILE)
def test_the_scan_takes_time_in_proportion_to_the_text(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(language, "CHARACTERS", 10**9)  # else it would stop before it looks
    assert is_linear(language._scan, kind)


def test_a_scan_that_looks_twice_would_be_noticed() -> None:
    assert not is_linear(lambda text: re.findall(r"\(+x", text), "brackets")


def test_no_more_than_100_faults_are_told() -> None:
    assert len(faults("!" * 101)) == len(faults(op("in", A, [None] * 101))) == 100


# Anything at all

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


@settings(max_examples=300, deadline=None)
@given(TREES)
@example(op("=", A, "x\\'"))
@example(op("=", A, "\\\\''\\'x"))
def test_every_legal_tree_is_written_as_text_that_means_the_same(tree: Json) -> None:
    read = parse_json(tree)
    assert read.json == tree
    again = parse_text(read.text)
    assert again.json == tree
    assert to_text(again.json) == read.text


DEEP = st.lists(
    st.sampled_from(["not", "or", "=", "+", "^r", "^l", "isNull", "in", "in list", "f", "f list"]),
    min_size=25,
    max_size=32,
)


@settings(max_examples=200, deadline=None)
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
        text = parse_json(tree).text
    except OverLimit:
        return  # lists are a level of their own
    assert parse_text(text).json == tree


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


@settings(max_examples=400, deadline=None)
@given(st.text(max_size=60) | st.lists(WORDS, max_size=25).map(" ".join) | st.lists(WORDS, max_size=25).map("".join))
def test_random_text_is_read_or_refused(text: str) -> None:
    start = time.process_time()
    try:
        read = parse(text)
    except Invalid as refusal:
        assert refusal.faults
        assert all(each.line and each.column for each in refusal.faults)
    else:
        assert parse_json(read.json).json == read.json
        assert parse_text(to_text(read.json)).json == read.json
    assert time.process_time() - start < 0.5


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


@settings(max_examples=400, deadline=None)
@given(WEIRD)
def test_a_weird_value_is_read_or_refused(value: object) -> None:
    try:
        read = parse_json(value)
    except Invalid as refusal:
        assert refusal.faults
        for each in refusal.faults:
            json.dumps(each.as_json()).encode()
            each.message.encode()
    else:
        assert parse_text(read.text).json == read.json
