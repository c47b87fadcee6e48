"""What following another revision does: for any two small sets, coins and pins, the lists add up to the two evaluations."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.definitions.model import RevisionStamp
from service.progress import impact as module
from service.progress.decisions import KnownPlaces
from service.progress.evaluate import EvaluationRequest
from service.progress.impact import ImpactStamp, PlaceFate, carry, difference_of, impact
from service.progress.revisions import WantNote
from tests.factories import a_definition, a_measurement, as_sent, places_of, result_of, seats_of
from tests.strategies import ISSUES, TODAY, definitions, examples, holdings

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(60))


STAMP = ImpactStamp("d", RevisionStamp(1, "published", "-", "A"), RevisionStamp(2, "draft", "-", "A"), "1", "e")


def impact_of(before: EvaluationRequest, after: EvaluationRequest) -> dict[str, Any]:
    """The impact as it is sent."""
    found: dict[str, Any] = as_sent(impact(before, after, {}, STAMP))
    return found


@st.composite
def revised(draw: st.DrawFn) -> tuple[dict[str, Any], dict[str, Any]]:
    """Two sets; often the second is the first with ids changed, places taken away or put in another order."""
    first = draw(definitions())
    if draw(st.integers(0, 3)) == 0:
        return first, draw(definitions())
    second = copy.deepcopy(first)
    second["constraints"] = []
    for slot in second["slots"]:
        if draw(st.booleans()):
            slot["id"] = f"now-{slot['id']}"
    second["slots"] = draw(st.permutations(second["slots"]))[: draw(st.integers(1, 3))]
    for choice in second["free_choice"]:
        choice["places"] = draw(st.integers(1, 3))
    return first, second


@st.composite
def steps(draw: st.DrawFn) -> tuple[EvaluationRequest, EvaluationRequest]:
    """A set with coins, pins and nevers, and the same coins under another set."""
    first, second = draw(revised())
    coins = draw(holdings())
    bare = a_measurement(first, coins, issues=ISSUES)
    places = [place["place"] for place in places_of(result_of(bare))]
    pairs = [(coin["id"], place) for coin in coins for place in places]
    chosen = draw(st.lists(st.sampled_from(pairs), max_size=4, unique=True)) if pairs else []
    cut = draw(st.integers(0, len(chosen)))
    return replace(bare, pins=tuple(chosen[:cut]), nevers=tuple(chosen[cut:])), a_measurement(
        second, coins, issues=ISSUES
    )


@SOME
@given(steps())
def test_the_lists_lead_from_the_one_evaluation_to_the_other(step: tuple[EvaluationRequest, EvaluationRequest]) -> None:
    before, after = step
    found = impact_of(before, after)
    kept = carry(difference_of(before, after), after, before.pins, before.nevers, {})
    was, is_then = result_of(before), result_of(replace(after, pins=kept.pins, nevers=kept.nevers))
    assert (found["before"], found["after"]) == (was["summary"], is_then["summary"])
    ensure_it_adds_up(found, was, is_then)


def ensure_it_adds_up(found: dict[str, Any], was: dict[str, Any], is_then: dict[str, Any]) -> None:
    names = {place["from"]: place["to"] for place in found["places"]["renamed"]}
    lost = {place["place"] for place in found["places"]["lost"]}
    gained = {place["place"] for place in found["places"]["gained"]}
    gone, there = ({place["place"] for place in places_of(result)} for result in (was, is_then))
    assert {names.get(place, place) for place in gone - lost} | gained == there
    assert not {names.get(place, place) for place in gone - lost} & gained
    seats = {
        (names.get(place, place) if place not in lost else (place,), coin) for place, coin in seats_of(was).items()
    }
    for entry in (*found["coins"]["moved"], *found["coins"]["falling_out"]):
        place = entry["from"]
        seats.remove((names.get(place, place) if place not in lost else (place,), entry["holding"]))
    for entry in (*found["coins"]["moved"], *found["coins"]["coming_in"]):
        seats.add((entry["to"], entry["holding"]))
    assert seats == set(seats_of(is_then).items())
    before, after = ({p["place"]: p["status"] == "empty" for p in places_of(result)} for result in (was, is_then))
    turned = {
        name: {(entry["from"], entry["place"]) for entry in found["places"][name]} for name in ("opened", "filled")
    }
    pairs = {(place, names.get(place, place)) for place in gone - lost}
    assert turned["opened"] == {(a, b) for a, b in pairs if not before[a] and after[b]}
    assert turned["filled"] == {(a, b) for a, b in pairs if before[a] and not after[b]}


def test_the_check_sees_a_move_that_is_not_told() -> None:
    # The control.
    def of(rule: str) -> dict[str, Any]:
        return {"format": "set-definition/1", "title": "A", "slots": [{"id": "a", "accepts": rule}, SECOND]}

    coins = [{"id": "coin", "facts": {"grade": 15}}]
    before, after = (
        a_measurement(of("grade < 20"), coins, issues=ISSUES),
        a_measurement(of("grade < 10"), coins, issues=ISSUES),
    )
    found = impact_of(before, after)
    assert found["coins"]["falling_out"] == [{"holding": "coin", "from": "a", "reason": "outside", "number": None}]
    ensure_it_adds_up(found, result_of(before), result_of(after))
    found["coins"]["falling_out"] = []
    try:
        ensure_it_adds_up(found, result_of(before), result_of(after))
    except AssertionError:
        return
    raise RuntimeError("the check saw nothing")


SECOND = {"id": "b", "accepts": "grade > 60"}


@SOME
@given(steps())
def test_every_decision_goes_along_or_is_listed(step: tuple[EvaluationRequest, EvaluationRequest]) -> None:
    before, after = step
    notes = {place: {"note": place} for _, place in (*before.pins, *before.nevers)}
    kept = carry(difference_of(before, after), after, before.pins, before.nevers, notes)
    known = KnownPlaces(after, groups=True)
    for lists, pairs, left in (
        (kept.pin_lists, before.pins, kept.pins),
        (kept.never_lists, before.nevers, kept.nevers),
    ):
        listed = [(e.holding, e.place) for e in (*lists.carried, *lists.dropped)]
        assert sorted(listed) == sorted(pairs)
        assert [(e.holding, e.to) for e in lists.carried] == list(left)
        assert all(known.has(place) for _, place in left)
        assert all(entry.code in module._WHY.values() for entry in lists.dropped)
    told = kept.note_lists
    assert {e.place for e in (*told.carried, *told.dropped)} == set(notes)
    assert {e.to: {"note": e.place} for e in told.carried} == dict(kept.notes)
    assert all(entry.note == WantNote(note=entry.place) for entry in told.dropped)


@SOME
@given(definitions(), holdings())
def test_the_same_set_has_no_impact(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    before = a_measurement(document, coins, issues=ISSUES)
    found = impact_of(before, a_measurement(copy.deepcopy(document), coins, issues=ISSUES))
    assert not any((*found["places"].values(), *found["coins"].values(), found["changes"]))


def test_a_place_is_told_what_becomes_of_it() -> None:
    first = {"a": "grade < 20", "b": "grade >= 20", "c": "mint = 'Tower'", "d": "mint = 'Heaton'", "e": "mint = 'x'"}
    old = a_definition({**first, "gone": "denomination = 'penny'"})
    new = a_definition(
        {"low": "grade < 20 AND grade >= 10", "lower": "grade < 10", "b": "grade >= 20", "cd": CD, "e": "mint = 'x'"}
    )
    before = EvaluationRequest(old, (), TODAY, {})
    after = replace(before, definition=new)
    survival = module.Survival(difference_of(before, after), after)
    fates = {address: survival.of(address) for address in ("a", "b", "c", "gone", "strange", "e")}
    assert fates == {
        "a": PlaceFate(None, "place-split", ("low", "lower")),
        "b": PlaceFate("b"),
        "c": PlaceFate(None, "place-merged", ("cd",)),
        "gone": PlaceFate(None, "place-removed"),
        "strange": PlaceFate(None, "unknown-place"),
        "e": PlaceFate("e"),
    }


EX = "mint = 'x'"
CD = "mint IN ('Tower', 'Heaton')"
