"""Rules are read from text, written as text, and refused with line, column and a hint."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest

from service.rules.cql2.expression import Expression, parse
from service.rules.cql2.json import Json
from service.rules.cql2.scan import Position
from service.rules.cql2.text import to_text
from tests.rules.cql2.trees import YES, A, B, C, fault, faults, op, prop

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
    assert parse(text).json == MEANINGS[text]


@pytest.mark.parametrize("text", MEANINGS)
def test_the_tree_is_accepted_as_json_and_written_as_text_that_means_the_same(text: str) -> None:
    tree = MEANINGS[text]
    assert parse(tree).json == tree
    assert parse(to_text(tree)).json == tree


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
    assert parse(text).json == tree


def test_an_expression_keeps_the_text_of_its_author() -> None:
    assert parse("a  =  1").text == "a  =  1"
    assert parse(YES) == Expression(YES, "a = 1", {})


def test_the_same_text_is_read_once() -> None:
    assert parse("a = 4711") is parse("a = 4711")


def test_positions_tell_where_every_part_begins() -> None:
    read = parse("metal = 'gold'\n  AND (year + 1) * 2 IN (1900, -5)")
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
    read = parse("NOT f(x, ('y')) AND z NOT LIKE 'q'")
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


def test_numbers_stay_exact() -> None:
    number = parse("a = 0.10").json["args"][1]
    assert isinstance(number, Decimal) and str(number) == "0.10"
    long = "1234567890123456789.012345678901234567890"
    assert str(parse(f"a = -{long}").json["args"][1]) == f"-{long}"
    assert type(parse("a = 7").json["args"][1]) is int


def test_a_float_in_json_becomes_the_decimal_that_it_shows() -> None:
    number = parse(op("=", A, 0.1)).json["args"][1]
    assert isinstance(number, Decimal) and str(number) == "0.1"


def test_a_boolean_is_no_number() -> None:
    assert parse(op("=", A, True)).json["args"][1] is True
    assert parse("a = TRUE").json["args"][1] is True


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
    assert parse(op("=", A, number)).json["args"][1] == number
    assert parse(to_text(op("=", A, number))).json["args"][1] == number


@pytest.mark.parametrize("number", ["9223372036854775808", "9" * 4_000, "1e101", "1e-999999", "1e" + "9" * 30])
def test_a_number_past_its_bounds_is_refused_in_text_with_its_place(number: str) -> None:
    refused = fault(f"a = {number}")
    assert (refused.code, refused.line, refused.column, refused.pointer) == ("number", 1, 5, "")


def test_the_smallest_whole_number_can_be_written() -> None:
    assert parse("a = -9223372036854775808").json["args"][1] == -(2**63)


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
        ("a = 1 an b", "found 'an', expected an arithmetic sign, AND, OR or the end of the rule", "AND?"),
        ("metal gold", "found 'gold', expected a comparison", "single quotes"),
        ("a = ", "the rule ends, expected an attribute, a value or a bracket", None),
        ("a = NULL", "found 'NULL'", "IS NULL"),
        ("a == 1", "'=='", "write ="),
        ("a != 1", "'!='", "write <>"),
        ("a < b < c", "found '<'", "BETWEEN"),
        ("a in 'x'", "expected an opening bracket", "IN takes a list"),
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
    tree = parse(op("<", A, {"timestamp": f"2023-02-01T00:00:{given}"})).json
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
    assert parse("title = 'S_WITHIN(a, POINT(1 2))'").json["args"][1] == "S_WITHIN(a, POINT(1 2))"
    assert parse("point = 1 AND interval").json == op("and", op("=", prop("point"), 1), prop("interval"))


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
