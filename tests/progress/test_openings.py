"""An empty place is wanted exactly when some coin could fill it: brute force over imaginary coins (tests/reference.py)."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.assignment.solve import solve
from service.progress import openings
from service.progress.evaluate import build_instance
from service.progress.openings import Openings, openings_of
from tests import reference
from tests.factories import OUTSIDE, a_document, a_measurement
from tests.strategies import definitions, examples, holdings

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(25))

# Every value that the small sets tell apart, one of each kind that no coin shows, and none.
POOL: dict[str, tuple[Any, ...]] = {
    "year_on_coin": (1880, 1899, 1900, 1902, 1955, {"none": True}),
    "grade": (10, 30),
    "mint": ("Tower", "Heaton", "Soho", {"none": True}),
    "species": ("owl", "kiwi", "beast", "tree", "comet", {"none": True}),
    "restrike": (True, False),
}
TIER = ("pins", "required", "places")


def answered(document: dict[str, Any], coins: list[dict[str, Any]]) -> tuple[Any, Openings, list[str]]:
    request = a_measurement(document, coins)
    instance, table = build_instance(request)
    solution = solve(instance.problem)
    assume(solution.proven)
    seats = {placement.place: placement for placement in solution.placements}
    found = openings_of(instance, table, seats)
    empty = [place.address for at, place in enumerate(instance.places) if at not in seats and not place.is_open]
    return instance, found, empty


def best(one: reference.Assignments, *, at: str | None = None, coin: str = "") -> tuple[int, ...] | None:
    """The most pins, required places and places; with the coin in this place."""
    found = None
    for seats, bases in one.ways():
        if at is not None and not any(spot.address == at and seated.id == coin for spot, seated in seats):
            continue
        levels = one.levels(seats, bases)
        rank = tuple(levels[name] for name in TIER)
        found = rank if found is None or rank > found else found
    return found


def could_be_filled(document: dict[str, Any], coins: list[dict[str, Any]], address: str) -> bool:
    """Whether some coin of the pool sits there in an assignment with more filled than now."""
    now = reference.assignments(document, coins, OUTSIDE)
    before = best(now)
    assert before is not None
    (spot,) = (spot for spot in now.places if spot.address == address)
    every = {spot.address for spot in now.places}
    tried: set[Any] = set()
    names = sorted(POOL)
    for picked in product(*(POOL[name] for name in names)):
        facts = dict(zip(names, picked, strict=True))
        if reference.verdict(spot.rule, facts, OUTSIDE) != "yes":
            continue
        one = reference.assignments(document, [*coins, {"id": "new", "facts": facts}], OUTSIDE)
        one.places = [spot for spot in one.places if spot.address in every]
        one.fits = {
            (place, coin): fit
            for (place, coin), fit in one.fits.items()
            if place in every and (coin != "new" or place == address)
        }
        keys = tuple((str(rule.possible["new"]), str(rule.sure["new"])) for rule in one.rules)
        if keys in tried:
            continue
        tried.add(keys)
        after = best(one, at=address, coin="new")
        if after is not None and after > before:
            return True
    return False


@SOME
@given(definitions(), holdings(most=4), st.data())
def test_a_place_is_wanted_exactly_when_some_coin_could_fill_it(
    document: dict[str, Any], coins: list[dict[str, Any]], data: st.DataObject
) -> None:
    document = {name: value for name, value in document.items() if name not in ("presume", "identify")}
    coins = [{name: value for name, value in coin.items() if name != "issue"} for coin in coins]
    instance, found, empty = answered(document, coins)
    assume(
        empty and (document["constraints"] or any("distinct" in c or "at_most" in c for c in document["free_choice"]))
    )
    kept = {instance.places[at].address for at in found.kept_empty}
    assert not found.limited
    address = data.draw(st.sampled_from(sorted(kept) or empty))
    try:
        assert could_be_filled(document, coins, address) == (address not in kept), address
    except reference.TooMany:
        assume(False)


def test_no_coin_is_looked_for_past_the_work_that_one_answer_may_cost(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = 0
    find = openings._Trials._witness

    def counting(self: Any, *args: Any) -> Any:
        nonlocal asked
        asked += 1
        return find(self, *args)

    monkeypatch.setattr(openings, "MOST_WITNESSES", 100)
    monkeypatch.setattr(openings._Trials, "_witness", counting)
    names = ["year_on_coin", "mintage", "struck"]
    alike = {"id": "r", "kind": "same", "by": names}
    document = a_document(dict.fromkeys("abc", "year_on_coin > 0"), constraints=[alike])
    coins = [{"id": f"{number:02}", "facts": dict.fromkeys(names, number)} for number in range(1, 21)]
    instance, table = build_instance(a_measurement(document, coins))
    seats = {placement.place: placement for placement in solve(instance.problem).placements}
    found = openings_of(instance, table, seats)
    assert (found.limited, found.kept_empty) == (True, {})
    assert asked <= 100
