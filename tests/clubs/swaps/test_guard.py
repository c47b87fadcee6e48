"""Whoever gives a coin away keeps his other sets: held against evaluating them with and without it."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.clubs.swaps import guard
from service.clubs.swaps.guard import SetGuard
from service.clubs.swaps.reevaluation import Reevaluation
from service.errors import Invalid
from service.progress.evaluate import EvaluationRequest
from tests.clubs.swaps.strategies import collections, rulebooks
from tests.factories import a_document, a_measurement, result_of
from tests.strategies import examples

ANY = a_document({"a": "year_on_coin > 0"})
TWO = a_document({"a": "year_on_coin = 1901", "b": "year_on_coin >= 1901"})


def a_check(
    coins: list[dict[str, Any]], *others: Any, club: str = "year_on_coin < 0", **more: Any
) -> tuple[SetGuard, list[EvaluationRequest]]:
    """A check of one owner in whose way nothing is but the other sets: in the club's there is nothing to lose."""
    made = [{"id": f"c{n}", **coin} for n, coin in enumerate(map(raw, coins))]
    sets = [a_measurement(document, made) for document in others]
    in_club = a_measurement(a_document({"x": club}), made)
    return SetGuard(Reevaluation(lambda _: in_club), lambda _: sets, **more), sets


def raw(coin: dict[str, Any]) -> dict[str, Any]:
    facts = {name: value for name, value in coin.items() if name != "quantity"}
    return {"facts": facts, "quantity": coin.get("quantity", 1)}


def gives(check: SetGuard, *coins: str) -> bool:
    return check.holds("ada", tuple(("ada", coin) for coin in coins), ())


def dated(*years: int, **more: Any) -> list[dict[str, Any]]:
    return [{"year_on_coin": year, **more} for year in years]


def test_a_coin_that_sits_elsewhere_stays_unless_another_takes_its_place() -> None:
    check, _ = a_check(dated(1901, 1902), TWO)
    assert not gives(check, "c0")
    assert not gives(check, "c1")
    check, _ = a_check(dated(1901, 1902, 1903), TWO)
    assert gives(check, "c1")
    assert gives(check, "c2")
    assert not gives(check, "c1", "c2")


def test_a_firm_place_that_would_be_filled_tentatively_is_lost() -> None:
    check, _ = a_check([{"year_on_coin": 1901}, {"grade": 10}], a_document({"a": "year_on_coin = 1901"}))
    assert not gives(check, "c0")


def test_each_piece_counts() -> None:
    check, _ = a_check(dated(1901, quantity=3), TWO)
    assert gives(check, "c0")
    assert not gives(check, "c0", "c0")


def test_what_fits_no_other_set_costs_no_evaluation() -> None:
    check, _ = a_check(dated(0, 1901), TWO, ANY)
    assert gives(check, "c0")
    assert check.evaluations == 2, "before and after, of the club's set"


def test_a_set_that_cannot_be_evaluated_is_in_nobodys_way(monkeypatch: pytest.MonkeyPatch) -> None:
    check, sets = a_check(dated(1901), ANY)
    assert not gives(check, "c0")
    real = guard.build_instance

    def refuse(request: EvaluationRequest, **_: Any) -> Any:
        if request.definition is sets[0].definition:
            raise Invalid([])
        return real(request)

    monkeypatch.setattr(guard, "build_instance", refuse)
    fresh = SetGuard(check._club, lambda _: sets)
    assert gives(fresh, "c0")


def test_past_its_evaluations_nothing_holds_and_it_says_so() -> None:
    check, _ = a_check(dated(1901, 1902, 1903, 1904), ANY, most_evaluations=3)
    assert gives(check, "c3")
    assert not check.is_spent
    assert not gives(check, "c2")
    assert check.is_spent


def places_of(request: EvaluationRequest) -> tuple[int, int]:
    summary = result_of(request)["summary"]
    return summary["filled"], summary["filled"] + summary["tentative"]


def lost(request: EvaluationRequest, gone: list[str]) -> bool:
    """The same, obviously: evaluated with and without the coins."""
    less = Counter(gone)
    kept = (replace(coin, quantity=coin.quantity - less[coin.id]) for coin in request.holdings)
    after = replace(request, holdings=tuple(coin for coin in kept if coin.quantity > 0))
    return any(now < then for now, then in zip(places_of(after), places_of(request), strict=True))


def disagreement(check: SetGuard, sets: list[EvaluationRequest], gone: list[str]) -> bool:
    return gives(check, *gone) is any(lost(request, gone) for request in sets)


@st.composite
def cases(draw: st.DrawFn) -> tuple[list[dict[str, Any]], list[Any], list[str]]:
    coins, documents = draw(collections(6)), draw(st.lists(rulebooks(), min_size=1, max_size=2))
    pieces = [f"c{n}" for n, coin in enumerate(coins) for _ in range(coin.get("quantity", 1))]
    return coins, documents, draw(st.permutations(pieces))[: draw(st.integers(1, 2))]


@given(cases())
@settings(max_examples=examples(100), deadline=None)
def test_it_agrees_with_evaluating_with_and_without(case: tuple[list[dict[str, Any]], list[Any], list[str]]) -> None:
    coins, documents, gone = case
    # Of each coin the grade is known, so that none sits in the club's set, not even for the time being.
    assert not disagreement(*a_check(coins, *documents, club="grade < 0"), gone)


def test_a_check_that_looks_at_the_club_alone_disagrees(monkeypatch: pytest.MonkeyPatch) -> None:
    # The control of the test above.
    monkeypatch.setattr(SetGuard, "_others_hold", lambda *_: True)
    assert disagreement(*a_check(dated(1901), ANY), ["c0"])
