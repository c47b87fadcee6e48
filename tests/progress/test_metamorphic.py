"""What must hold between two evaluations, or between an evaluation and the slow reference, whatever the set and the coins."""

from __future__ import annotations

from collections import Counter
from itertools import chain, combinations
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tests import reference
from tests.factories import OUTSIDE, measured, places_of, seats_of
from tests.progress.instances import a_tight_set, without
from tests.strategies import ISSUES, definitions, examples, holdings, simple_facts

QUIETLY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)
SOME = settings(QUIETLY, max_examples=examples(80))
REASONS = {
    "unknown_holding": "but is not here any more",
    "not_held": ": its status is",
    "unknown_place": ": the set has no such place",
    "never": "both 'keep here' and 'never here'",
    "does_not_fit": ": it needs ",
    "clashes": "to be kept in",
    "constraint": ": it would break a rule of the set",
}


def of_kind(result: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [conflict for conflict in result["conflicts"] if conflict["kind"] == kind]


def all_required(document: dict[str, Any]) -> dict[str, Any]:
    tiered = ("slots", "one_per", "free_choice")
    return {**document, **{kind: [{**entry, "tier": "required"} for entry in document[kind]] for kind in tiered}}


# --- pins --------------------------------------------------------------------------------------------------------------


def seats_of_pins(seats: dict[str, str], pins: list[tuple[str, str]]) -> list[tuple[str, str]]:
    return [(coin, place) for coin, place in pins if seats.get(place) == coin]


def test_as_many_pins_hold_as_can_and_each_other_has_its_reason() -> None:
    met: Counter[str] = Counter()
    for seed in range(examples(150)):
        chance = Random(seed)
        document, coins = a_tight_set(chance)
        pairs = [(coin["id"], slot["id"]) for coin in coins for slot in document["slots"]]
        strange = [("stranger", "slot-0"), ("coin-0", "nowhere")]
        pins = chance.sample(pairs, min(len(pairs), chance.randint(1, 5))) + chance.sample(
            strange, chance.randint(0, 1)
        )
        nevers = chance.sample(pairs, chance.randint(0, 1))
        found = measured(document, coins, pins=pins, nevers=nevers)
        best = reference.evaluate(document, coins, OUTSIDE, pins=pins, nevers=nevers)
        seats = seats_of(found)
        held = seats_of_pins(seats, pins)
        assert len(held) == best.levels["pins"], f"seed {seed}"
        costs = [conflict for conflict in of_kind(found, "pin") if conflict["reason"] == "costs"]
        assert all((conflict["holding"], conflict["place"]) in held and conflict["places"] for conflict in costs)
        told = [conflict for conflict in of_kind(found, "pin") if conflict["reason"] != "costs"]
        dropped = [pin for pin in pins if pin not in held]
        assert [(conflict["holding"], conflict["place"]) for conflict in told] == dropped, f"seed {seed}"
        for conflict in told:
            met[conflict["reason"]] += 1
            message = conflict["message"]
            assert REASONS[conflict["reason"]] in message
            assert conflict["holding"] in message
            assert conflict["place"] in message
            assert message.endswith(".")
            if conflict["reason"] == "clashes":
                other = conflict["with"]
                assert (other["holding"], other["place"]) in held
                assert (other["holding"] == conflict["holding"]) != (other["place"] == conflict["place"])
            if conflict["reason"] == "constraint":
                # It is the rules: without them this pin holds beside all that hold.
                pin = (conflict["holding"], conflict["place"])
                free = measured({**document, "constraints": []}, coins, pins=[*held, pin], nevers=nevers)
                assert seats_of_pins(seats_of(free), [*held, pin]) == [*held, pin], f"seed {seed}"
                # And it is other pins too where the message says so, by the pins that hold.
                assert ("together with other coins to be kept" in message) == bool(held)
    assert set(met) == set(REASONS), "a reason that no instance gives is not tried here"


# --- contests and rules that keep places empty ---------------------------------------------------------------------------


@SOME
@given(definitions(), holdings())
def test_every_contest_of_an_evaluation_is_a_smallest_shortage_of_one(
    document: dict[str, Any], coins: list[dict[str, Any]]
) -> None:
    found = measured(document, coins, issues=ISSUES)
    pieces = {coin["id"]: coin.get("quantity", 1) for coin in coins}
    counting = [
        reference.a_coin(coin, ISSUES, document, OUTSIDE) for coin in coins if coin.get("status", "held") == "held"
    ]
    fits = {
        spot.address: {
            coin.id for coin in counting if reference.verdict_of_views(spot.rule, coin.views, OUTSIDE) != "no"
        }
        for spot in reference.spots(document, counting, OUTSIDE)
    }

    def short(places: tuple[str, ...]) -> int:
        return len(places) - sum(pieces[coin] for coin in set().union(*(fits[place] for place in places)))

    seats = seats_of(found)
    for contest in of_kind(found, "contested"):
        group = tuple(contest["places"])
        assert short(group) == contest["short_by"] == 1
        assert set(contest["holdings"]) == set().union(*(fits[place] for place in group))
        assert contest["empty"] in group
        assert contest["empty"] not in seats
        parts = chain.from_iterable(combinations(group, size) for size in range(1, len(group)))
        assert all(short(part) <= 0 for part in parts)


@pytest.mark.long
def test_a_rule_is_named_exactly_when_places_could_be_filled_without_it() -> None:
    met: Counter[str] = Counter()
    for seed in range(300):
        chance = Random(seed)
        document, coins = a_tight_set(chance)
        pairs = [(coin["id"], slot["id"]) for coin in coins for slot in document["slots"]]
        pins = chance.sample(pairs, chance.choice((0, 0, 1, 2)))
        found = measured(document, coins, pins=pins)
        filled = {
            rule["id"]: len(seats_of(measured(without(document, rule["id"]), coins, pins=pins)))
            for rule in document["constraints"]
        }
        reached = len(seats_of(found))
        expected = {name: number - reached for name, number in filled.items() if number > reached}
        told = of_kind(found, "constraint")
        assert {c["constraint"]: c["gain"] for c in told if "with" not in c} == expected, f"seed {seed}"
        free = len(seats_of(measured({**document, "constraints": []}, coins, pins=pins)))
        assert bool(told) == (free > reached), f"seed {seed}"
        for conflict in told:
            met["together" if "with" in conflict else "alone"] += 1
            assert not set(conflict["places"]) & set(seats_of(found))
            if "with" in conflict:
                names = [conflict["constraint"], *conflict["with"]]
                fewer = document
                for name in names:
                    fewer = without(fewer, name)
                assert len(seats_of(measured(fewer, coins, pins=pins))) == reached + conflict["gain"], f"seed {seed}"
                for name in names:
                    kept = {
                        **fewer,
                        "constraints": [
                            r for r in document["constraints"] if r["id"] == name or r in fewer["constraints"]
                        ],
                    }
                    assert len(seats_of(measured(kept, coins, pins=pins))) <= reached, "a smaller group would do"
    assert met["alone"] > 30
    assert met["together"] > 3


# --- learning ------------------------------------------------------------------------------------------------------------


def as_known(document: dict[str, Any]) -> dict[str, Any]:
    """The set without presumptions and identification: what is learnt may prove them wrong, and then opens what they
    had closed (a coin of 1899 or 1902 whose only issue is of 1899 turns out to be of 1902)."""
    return {name: part for name, part in document.items() if name not in ("presume", "identify")}


@SOME
@given(definitions(), holdings(most=4), simple_facts(), st.data())
def test_learning_a_fact_never_lowers_what_is_certain_nor_raises_what_is_possible(
    document: dict[str, Any], coins: list[dict[str, Any]], facts: dict[str, Any], data: st.DataObject
) -> None:
    # Keys from holdings grow with what is learnt, and required places go before any number of optional ones.
    assume(not any(group["keys"]["from"] == "holdings" for group in document["one_per"]))
    document = as_known(all_required(document))
    coin = data.draw(st.sampled_from(coins)) if coins else None
    values = {n: v for n, v in facts.items() if coin and n not in coin["facts"] and v != {"none": True}}
    values = {n: v for n, v in values.items() if not (isinstance(v, dict) and {"none": True} in v.get("one_of", []))}
    assume(coin is not None and "issue" not in coin and values)
    assert coin is not None
    name = data.draw(st.sampled_from(sorted(values)))
    learnt = [c if c is not coin else {**c, "facts": {**c["facts"], name: values[name]}} for c in coins]
    before = measured(document, coins, issues=ISSUES)["summary"]
    after = measured(document, learnt, issues=ISSUES)["summary"]
    assert after["certain"] >= before["certain"]
    assert after["possible"] <= before["possible"]


def agreeing(coin: dict[str, Any]) -> list[str]:
    """The issues named of the coin that its own facts do not contradict; an unnamed one counts as agreeing."""
    named = coin.get("issue", {"one_of": []})
    names = named["one_of"] if isinstance(named, dict) else [named]
    return (
        [name for name in names if not reference.clashing(coin["facts"], ISSUES[name], OUTSIDE)] if names else ["any"]
    )


@SOME
@given(definitions(), holdings(most=4), st.data())
def test_telling_alternatives_apart_never_lowers_what_is_certain_nor_raises_what_is_possible(
    document: dict[str, Any], coins: list[dict[str, Any]], data: st.DataObject
) -> None:
    assume(not any(group["keys"]["from"] == "holdings" for group in document["one_per"]))
    document = as_known(all_required(document))
    open_facts = [
        (at, name)
        for at, coin in enumerate(coins)
        for name, value in coin["facts"].items()
        if isinstance(value, dict) and "one_of" in value
    ]
    assume(open_facts)
    at, name = data.draw(st.sampled_from(open_facts))
    told = data.draw(st.sampled_from(coins[at]["facts"][name]["one_of"]))
    learnt = [c if n != at else {**c, "facts": {**c["facts"], name: told}} for n, c in enumerate(coins)]
    # What contradicts every candidate issue opens what they had closed.
    assume(agreeing(learnt[at]) or not agreeing(coins[at]))
    before = measured(document, coins, issues=ISSUES)["summary"]
    after = measured(document, learnt, issues=ISSUES)["summary"]
    assert after["certain"] >= before["certain"]
    assert after["possible"] <= before["possible"]


@SOME
@given(definitions(), holdings(), st.data())
def test_a_previous_placement_that_is_as_good_as_any_stays(
    document: dict[str, Any], coins: list[dict[str, Any]], data: st.DataObject
) -> None:
    # Where the coin of a place is a choice among equals, any of its equals that was there before is there again.
    first = measured(document, coins, issues=ISSUES)
    choices = [place["place"] for place in places_of(first) if place.get("certainty") == "choice"]
    assume(choices)
    place = data.draw(st.sampled_from(choices))
    coin = data.draw(st.sampled_from([coin["id"] for coin in coins]))
    again = measured(document, coins, issues=ISSUES, previous=[(place, coin)])
    levels = [{level["level"]: level["value"] for level in result["levels"]} for result in (first, again)]
    moved = levels[1].pop("moved")
    levels[0].pop("moved")
    assert levels[0] == levels[1], "what was before never costs a better level"
    assert moved == (seats_of(again).get(place) == coin)
    pinned = measured(document, coins, issues=ISSUES, pins=[(coin, place)])
    held = {level["level"]: level["value"] for level in pinned["levels"]}
    as_good = held.pop("pins") == 1 and all(held[name] == levels[0][name] for name in held if name != "moved")
    assert moved == as_good, "it stays exactly when an assignment as good has it there"
