"""What a note does to the fillings, and how it is told."""

from __future__ import annotations

from datetime import date

from service.definitions.history.model import Filling, HistoryChange, RecordedDay, RecordedPlacement, RecordedPlacements
from service.progress.history import history_events, plan, recorded_placements
from tests.factories import a_document, a_holding, evaluated

MONDAY, TUESDAY = date(2026, 3, 2), date(2026, 3, 3)


def sits(place: str, holding: str, basis: str = "filled") -> RecordedPlacement:
    return RecordedPlacement(place, place.title(), holding, basis)


def stood(*fillings: Filling, noted: date = MONDAY) -> RecordedPlacements:
    day = RecordedDay(noted, 1, "sha-256:0", "1", {}, None)  # type: ignore[arg-type]
    return RecordedPlacements(fillings, day, max((filling.number for filling in fillings), default=0))


def events(standing: RecordedPlacements, *now: RecordedPlacement) -> list[tuple[str, str, str, str | None]]:
    return [(event.place, event.event, event.holding, event.before) for event in history_events(standing, now)]


def test_a_result_says_who_sits_where_and_how_surely() -> None:
    document = a_document({"old": "year_on_coin < 1900", "new": "year_on_coin >= 1900", "none": "grade > 69"})
    coins = [a_holding("a", year_on_coin=1890, grade=1), a_holding("b", year_on_coin={"one_of": [1899, 1900]}, grade=1)]
    assert {(seat.place, seat.holding, seat.basis) for seat in recorded_placements(evaluated(document, coins))} == {
        ("old", "a", "filled"),
        ("new", "b", "tentative"),
    }


def test_the_first_note_opens_a_filling_for_every_coin_that_sits_somewhere() -> None:
    now = [sits("a", "h1"), sits("b", "h2")]
    assert plan(RecordedPlacements(), now, MONDAY).opened == (Filling(1, now[0], MONDAY), Filling(2, now[1], MONDAY))
    assert events(RecordedPlacements(), *now) == [("a", "filled", "h1", None), ("b", "filled", "h2", None)]


def test_the_same_state_changes_nothing() -> None:
    before = stood(Filling(1, sits("a", "h1"), MONDAY))
    for day in (MONDAY, TUESDAY):
        assert plan(before, [sits("a", "h1")], day) == HistoryChange()
    assert events(before, sits("a", "h1")) == []


def test_a_coin_is_replaced_another_leaves_and_a_doubt_is_settled() -> None:
    before = stood(
        Filling(1, sits("a", "h1"), MONDAY),
        Filling(2, sits("b", "h2"), MONDAY),
        Filling(3, sits("c", "h3", "tentative"), MONDAY),
    )
    now = [sits("a", "h4"), sits("c", "h3")]
    made = plan(before, now, TUESDAY)
    assert made.ended == (1, 2, 3)
    assert made.opened == (Filling(4, now[0], TUESDAY), Filling(5, now[1], TUESDAY))
    assert events(before, *now) == [
        ("a", "replaced", "h4", "h1"),
        ("c", "settled", "h3", None),
        ("b", "emptied", "h2", None),
    ]


def test_what_an_earlier_note_of_the_day_said_is_taken_back() -> None:
    # On Tuesday morning h2 stood in for h1; on Tuesday evening h1 is back.
    morning = stood(Filling(1, sits("a", "h1"), MONDAY, TUESDAY), Filling(2, sits("a", "h2"), TUESDAY), noted=TUESDAY)
    evening = plan(morning, [sits("a", "h1")], TUESDAY)
    assert evening == HistoryChange(resumed=(1,), undone=(2,))
    # To the collector it is a replacement all the same.
    assert events(morning, sits("a", "h1")) == [("a", "replaced", "h1", "h2")]
