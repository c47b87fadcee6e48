"""How many coins have which value of an attribute."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.progress.counted import count_attribute, count_values
from tests import reference
from tests.factories import OUTSIDE, VOCABULARIES, as_sent, some_knowledge


def known(name: str, *facts: Any) -> list[tuple[tuple[Any, ...], int]]:
    """Coins with these facts; a tuple is a coin that may be several things."""
    found = []
    for fact in facts:
        worlds = fact if isinstance(fact, tuple) else (fact,)
        read = [some_knowledge({} if one is None else {name: one}).get(name) for one in worlds]
        found.append((tuple(read), 1))
    return found


def test_a_value_has_the_coins_that_have_it_and_those_that_may() -> None:
    coins = known("denomination", "crown", "crown", {"one_of": ["crown", "florin"]}, None, {"none": True}, "groat")
    told = as_sent(count_values(coins, None))
    assert told == [
        {"value": "crown", "coins": 2, "perhaps": 1},
        {"value": "groat", "coins": 1, "perhaps": 0},
        {"value": "florin", "coins": 0, "perhaps": 1},
    ]
    assert as_sent(count_attribute("denomination", coins)) == {
        "attribute": "denomination",
        "known": 5,
        "none": 1,
        "ranges": 0,
    }


def test_a_range_is_behind_no_value_and_is_counted_as_one() -> None:
    coins = known("year_on_coin", 1901, {"from": 1890, "to": 1910}, {"one_of": [1901, 1902]})
    assert as_sent(count_values(coins, None)) == [
        {"value": 1901, "coins": 1, "perhaps": 1},
        {"value": 1902, "coins": 0, "perhaps": 1},
    ]
    assert as_sent(count_attribute("year_on_coin", coins))["ranges"] == 1


def test_a_coin_that_may_be_several_things_has_for_certain_what_all_agree_in() -> None:
    coins = known("denomination", ("crown", "crown"), ("crown", "florin"), ("crown", None))
    assert as_sent(count_values(coins, None)) == [
        {"value": "crown", "coins": 1, "perhaps": 2},
        {"value": "florin", "coins": 0, "perhaps": 1},
    ]


def test_a_term_has_the_coins_of_those_below_it_each_once() -> None:
    lists = [["kiwi"], ["kiwi", "owl"], {"has": ["owl"], "perhaps": ["kiwi"]}, []]
    told = {
        one["value"]: (one["coins"], one["perhaps"], one["with_narrower"])
        for one in as_sent(count_values(known("main_motifs", *lists), VOCABULARIES["motifs"]))
    }
    assert told["kiwi"] == (2, 1, 2)
    assert told["owl"] == (2, 0, 2)
    assert told["bird"] == (0, 0, 3)
    assert told["animal"] == (0, 0, 3)


FACTS = st.one_of(
    st.none(),
    st.sampled_from(["crown", "florin", "groat"]),
    st.just({"none": True}),
    st.lists(st.sampled_from(["crown", "florin", "groat"]), min_size=2, max_size=3, unique=True).map(
        lambda values: {"one_of": values}
    ),
)


@given(st.lists(FACTS, max_size=12))
def test_the_counts_are_those_of_a_rule_that_asks_for_the_value(facts: list[Any]) -> None:
    told = {one["value"]: one for one in as_sent(count_values(known("denomination", *facts), None))}
    for value in ("crown", "florin", "groat"):
        rule = {"op": "=", "args": [{"property": "denomination"}, value]}
        recorded = [{} if fact is None else {"denomination": fact} for fact in facts]
        verdicts = [reference.verdict(rule, one, OUTSIDE) for one in recorded]
        counted = told.get(value, {"coins": 0, "perhaps": 0})
        assert counted["coins"] == verdicts.count("yes")
        # Of what is not recorded nothing is counted, though it may be anything.
        assert counted["perhaps"] == verdicts.count("undecided") - facts.count(None)
