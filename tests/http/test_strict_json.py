"""Bodies are read strictly: what two readers could understand differently is refused, with its place."""

from __future__ import annotations

import json
import time
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Unreadable
from service.formats.strict_json import (
    DEEPEST,
    LARGEST_WHOLE,
    deepest,
    faults_in,
    parse_json,
    parse_json_parts,
    parse_yaml,
)
from tests.timing import is_within

plain_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-LARGEST_WHOLE, LARGEST_WHOLE)
    | st.text(st.characters(codec="utf-8", exclude_characters="\0")),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(st.characters(codec="utf-8", exclude_characters="\0")), inner, max_size=4)
    ),
    max_leaves=20,
)


def refusal(raw: bytes) -> list[tuple[str, str]]:
    """The (code, pointer) of every fault found."""
    with pytest.raises(Unreadable) as caught:
        parse_json(raw)
    assert caught.value.code == "unreadable-body"
    return [(fault.code, fault.pointer) for fault in caught.value.faults]


@given(plain_values)
def test_whatever_json_can_say_exactly_is_read_as_it_is(value: Any) -> None:
    assert parse_json(json.dumps(value).encode()) == value
    assert parse_json(json.dumps(value, ensure_ascii=False).encode()) == value


FAULTY = (
    *('{"a": 1, "a": 2}', '"\\u0000"', '"\\ud800"', "9007199254740993", "1e101", "NaN", "1" * 18, "0." + "1" * 64),
    # Within the bounds as it is written, and past them as a number.
    *("1234567890e95", "-0.000001e-99", "[" * DEEPEST + "[1]" + "]" * DEEPEST),
)


@given(st.lists(st.sampled_from((*FAULTY, "1.5", '"\\u0041"', '{"a": {"b": []}}', "null")), max_size=3))
def test_parts_that_are_called_sound_have_no_faults(parts: list[str]) -> None:
    read = parse_json_parts(f"[{', '.join(parts)}]".encode())
    assert not read.is_sound or not any(faults_in(part) for part in read.value)
    # And most are called so.
    assert read.is_sound or set(parts) & set(FAULTY)


@pytest.mark.parametrize("part", FAULTY)
def test_what_is_wrong_in_a_part_is_not_called_sound(part: str) -> None:
    read = parse_json_parts(f"[{part}]".encode())
    assert not read.is_sound
    assert faults_in(read.value[0])


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_and_nothing_else_happens(raw: bytes) -> None:
    try:
        value = parse_json(raw)
    except Unreadable as problem:
        assert problem.code == "unreadable-body"
        assert problem.faults
    else:
        json.dumps(value, default=str).encode()


@given(st.text(st.sampled_from('[]{}":,\\u0d8019eE+-. ntf"'), max_size=60))
def test_anything_that_looks_like_json_is_read_or_refused(text: str) -> None:
    try:
        value = parse_json(text.encode())
    except Unreadable as problem:
        assert problem.faults
    else:
        # Python's own reader takes more than we do, never less.
        assert json.loads(text, parse_float=Decimal) == value


@pytest.mark.parametrize(
    ("raw", "faults"),
    [
        (b"", [("empty", "")]),
        (b" \n", [("empty", "")]),
        (b"{", [("syntax", "")]),
        (b'{"a": 1,}', [("syntax", "")]),
        (b"{'a': 1}", [("syntax", "")]),
        (b'\xef\xbb\xbf{"a": 1}', [("syntax", "")]),
        (b'{"a": "\xff"}', [("encoding", "")]),
        (b'{"a": "\xed\xa0\x80"}', [("encoding", "")]),
        (b'{"a": NaN}', [("not-a-number", "/a")]),
        (b'{"a": [1, -Infinity]}', [("not-a-number", "/a/1")]),
        (b'{"a": 1, "a": 2}', [("doubled-name", "/a")]),
        (b'{"a": 1, "b": {"c/d": 1, "c/d": 1, "c/d": 1}}', [("doubled-name", "/b/c~1d")]),
        (b'{"a": "\\ud800"}', [("text", "/a")]),
        (b'{"a": ["\\u0000"]}', [("text", "/a/0")]),
        (b'{"\\u0000": 1}', [("text", "/\x00")]),
        (b'{"a": "\\udc00\\ud800"}', [("text", "/a")]),
        (b'{"a": 9007199254740993}', [("number-range", "/a")]),
        (b'{"a": -9007199254740993}', [("number-range", "/a")]),
        (b'{"a": ' + b"9" * 5000 + b"}", [("number-range", "/a")]),
        (b'{"a": 1e999999999}', [("number-range", "/a")]),
        (b'{"a": 1e99999999999999999999}', [("number-range", "/a")]),
        (b'{"a": 0.' + b"1" * 5000 + b"}", [("number-range", "/a")]),
        (b'{"a": NaN, "b": 1e999, "c": "\\ud800"}', [("not-a-number", "/a"), ("number-range", "/b"), ("text", "/c")]),
    ],
)
def test_what_cannot_be_read_exactly_is_refused_by_name_and_place(raw: bytes, faults: list[tuple[str, str]]) -> None:
    assert refusal(raw) == faults


@pytest.mark.parametrize("raw", [b'"\\ud83e\\ude99"', b'"\xf0\x9f\xaa\x99"', b'"\\\\u0000"', b'"\\\\ud800"'])
def test_whole_surrogate_pairs_and_escaped_backslashes_are_text(raw: bytes) -> None:
    assert parse_json(raw) == json.loads(raw)


@pytest.mark.parametrize(
    ("raw", "number"),
    [
        (b"9007199254740992", 2**53),
        (b"-9007199254740992", -(2**53)),
        (b"0.1", Decimal("0.1")),
        (b"0.0", Decimal("0.0")),
        (b"1.10", Decimal("1.10")),
        (b"1e2", Decimal("1e2")),
    ],
)
def test_numbers_keep_every_digit(raw: bytes, number: Any) -> None:
    read = parse_json(raw)
    assert read == number
    assert str(read) == str(number)


def test_a_syntax_error_says_line_and_column() -> None:
    with pytest.raises(Unreadable) as caught:
        parse_json(b'{\n  "a": 1\n  "b": 2\n}')
    assert [(fault.line, fault.column) for fault in caught.value.faults] == [(3, 3)]


@pytest.mark.parametrize("opening", [b"[", b'{"a":', b'[{"a":'])
def test_nesting_is_allowed_up_to_the_limit_and_refused_past_it(opening: bytes) -> None:
    levels = opening.count(b"[") + opening.count(b"{")
    closing = opening.replace(b'"a":', b"").translate(bytes.maketrans(b"[{", b"]}"))[::-1]
    times = DEEPEST // levels
    parse_json(opening * times + b"1" + closing * times)
    assert refusal(opening * (times + 1) + b"1" + closing * (times + 1)) == [("too-deep", "")]


def test_brackets_inside_text_are_no_nesting() -> None:
    assert deepest(b'["[[[[", "\\"[[["]') == 1
    assert deepest(b'{"a": "\\\\", "b": [[]]}') == 3


@given(plain_values)
def test_the_scan_counts_the_depth_that_the_parser_finds(value: Any) -> None:
    def depth(node: Any) -> int:
        if isinstance(node, dict):
            return 1 + max(map(depth, node.values()), default=0)
        return 1 + max(map(depth, node), default=0) if isinstance(node, list) else 0

    assert deepest(json.dumps(value).encode()) == depth(value)
    assert deepest(json.dumps(value, ensure_ascii=False, indent=1).encode()) == depth(value)


def test_the_scan_carries_on_over_the_borders_of_its_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = json.dumps([{"a[": ["]", ["[[", "\\", '"{', [1]]]}]).encode()
    assert deepest(raw) == 5
    for piece in range(1, 12):
        monkeypatch.setattr("service.formats.strict_json._PIECE", piece)
        assert deepest(raw) == 5


@pytest.mark.parametrize("piece", [b"[", b'"', b'\\"', b'"\\"', b'["', b'{"a":', b"1,", b"\\"])
def test_the_scan_for_depth_takes_time_in_proportion_to_the_length(piece: bytes) -> None:
    def seconds(times: int) -> float:
        raw = b'"' + piece * times
        started = time.process_time()
        deepest(raw)
        return time.process_time() - started

    small = min(seconds(100_000) for _ in range(5))
    large = min(seconds(1_600_000) for _ in range(3))
    # Sixteen times the length; a quadratic scan would take 256 times as long.
    assert large < 100 * max(small, 0.001)


def test_a_million_open_brackets_are_refused_without_being_parsed() -> None:
    raw = b"[" * 1_000_000
    assert refusal(raw) == [("too-deep", "")]
    assert is_within(1, lambda: refusal(raw))


def test_yaml_is_held_to_the_same_rules() -> None:
    assert parse_yaml(b"a: 1\nb: [x, 1.5, true, null]\n") == {"a": 1, "b": ["x", Decimal("1.5"), True, None]}
    for raw in (b'a: "\\0"', b"a: 9007199254740993", b"a: &x [1]\nb: *x", b"a: 1\na: 2", b"\xff", b"[" * 100):
        with pytest.raises(Unreadable) as caught:
            parse_yaml(raw)
        assert caught.value.code == "unreadable-body", raw
