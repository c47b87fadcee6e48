"""A rule past a limit is refused by the name of the limit, and no input takes long."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial

import pytest

from service.errors import Invalid, OverLimit
from service.rules.cql2 import scan
from service.rules.cql2.expression import parse
from service.rules.cql2.json import Json
from tests.rules.cql2.trees import A, faults, op
from tests.timing import is_within


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
    assert parse("a = '" + "x" * 4_090 + "'").json["args"][1] == "x" * 4_090
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
    parse(nested(32))
    assert "32" in over(nested(33))


def test_signs_between_operands_do_not_nest() -> None:
    parse("(" * 32 + "a - 1 IS NOT NULL AND b NOT LIKE 'x' AND -1 < a" + ")" * 32)
    parse(" AND ".join(["NOT a = -1"] * 100))


def test_json_nests_at_most_32_deep() -> None:
    assert parse(parse(chain(32)).text).json == chain(32)
    assert "32" in over(chain(33))
    assert "32" in over(chain(100_000))
    listed: Json = "x"
    for _ in range(31):
        listed = [listed]
    assert parse(parse(op("f", listed)).text).json == op("f", listed)
    assert "32" in over(op("f", [listed]))


def test_a_rule_has_at_most_1000_nodes() -> None:
    assert len(parse(op("or", *[A] * 999)).json["args"]) == 999
    assert "1,000" in over(op("or", *[A] * 1_000))
    assert "1,000" in over("f(" + "1," * 1_000 + "1)")


def test_a_list_has_at_most_1000_items() -> None:
    assert len(parse(op("in", A, list(range(1_000)))).json["args"][1]) == 1_000
    assert "1,000" in over(op("in", A, list(range(1_001))))
    assert parse("a in (" + "1," * 999 + "1)")
    assert "1,001" in over("a in (" + "1," * 1_000 + "1)")


def test_a_json_value_that_holds_itself_ends() -> None:
    tree = op("not", None)
    tree["args"][0] = tree
    assert "32" in over(tree)
    wide: Json = True
    for _ in range(30):
        wide = op("and", wide, wide)
    assert "1,000" in over(wide)


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
    parse("a")  # the grammar is built once
    for size in (10_000, 2_000, 500):
        text = HOSTILE[kind](size)
        assert is_within(0.5, partial(seconds, parse, text))


@pytest.mark.parametrize("kind", ["brackets", "pairs", "nots", "minus", "calls", "odd quotes", "surrogates", "marks"])
@pytest.mark.parametrize("size", [10_000, 2_000])
def test_hostile_text_is_refused(kind: str, size: int) -> None:
    assert faults(HOSTILE[kind](size))


@pytest.mark.parametrize("kind", HOSTILE)
def test_the_scan_takes_time_in_proportion_to_the_text(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scan, "CHARACTERS", 10**9)  # else it would stop before it looks
    assert is_linear(scan.scan, kind)


def test_a_scan_that_looks_twice_would_be_noticed() -> None:
    assert not is_linear(lambda text: re.findall(r"\(+x", text), "brackets")


def test_no_more_than_100_faults_are_told() -> None:
    assert len(faults("!" * 101)) == len(faults(op("in", A, [None] * 101))) == 100
