"""The history in the database: whatever coins come and go, it says of each noted day what was noted of it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.accounts.model import Owner
from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import upgrade
from service.definitions import actions
from service.definitions.history import actions as history_actions
from service.definitions.history.model import Filling, HistoryChange, RecordedDay, RecordedPlacement
from service.definitions.history.store import HistoryStore
from service.definitions.store import DefinitionStore
from service.errors import NotFound
from service.progress.history import history_events, plan, recorded_placements
from tests.clock import NOW
from tests.factories import a_document, a_holding, as_sent, evaluated
from tests.owners import open_account
from tests.strategies import examples

START = date(2026, 1, 1)
DOCUMENT = a_document(
    {"old": "year_on_coin < 1900", "any": "grade > 10"},
    free_choice=[{"id": "more", "label": "More", "places": 2, "accepts": "grade > 5"}],
)
COINS = {
    "old-worn": {"year_on_coin": 1880, "grade": 6},
    "old-sharp": {"year_on_coin": 1890, "grade": 60},
    "new": {"year_on_coin": 1950, "grade": 30},
    "worn": {"year_on_coin": {"one_of": [1899, 1900]}, "grade": 8},
    "unread": {"grade": 12},
}
IDS = {name: f"00000000-0000-7000-8000-{number:012}" for number, name in enumerate(COINS)}


@pytest.fixture(scope="module")
def database(database_url: str) -> Iterator[Database]:
    opened = Database(database_url)
    upgrade(opened)
    yield opened
    opened.close()


def a_set(database: Database) -> tuple[Owner, str]:
    def make(connection: object) -> tuple[Owner, str]:
        owner, _ = open_account(connection, f"somebody {new_id()}")  # type: ignore[arg-type]
        line, _ = actions.draft(connection, owner, None, DOCUMENT, NOW)  # type: ignore[arg-type]
        return owner, line.id

    return database.write(make)


def note(database: Database, owner: Owner, identity: str, held: frozenset[str], day: date) -> list[RecordedPlacement]:
    """Notes how the set stands with these coins, and gives who sits where."""
    standing = database.read(lambda c: HistoryStore(c, owner).standing(identity))
    previous = [(filling.placement.place, filling.placement.holding) for filling in standing.open]
    coins = [a_holding(IDS[name], **COINS[name]) for name in sorted(held)]
    result = evaluated(DOCUMENT, coins, previous=previous)
    now = recorded_placements(result)
    noted = RecordedDay(day, 1, "sha-256:0", ",".join(sorted(held)), as_sent(result.summary), datetime.now(UTC))
    made = plan(standing, now, day)
    database.write(lambda c: history_actions.record_day(c, owner, identity, made, noted, expect=lambda _: None))
    return now


def whole(database: Database, owner: Owner, identity: str, on: date | None = None) -> tuple[Filling, ...]:
    return database.read(lambda c: HistoryStore(c, owner).page(identity, None, 1_000, on=on))


def keys(seats: list[RecordedPlacement]) -> set[tuple[str, str, str]]:
    return {seat.key for seat in seats}


STEPS = st.lists(
    st.tuples(st.integers(0, 2), st.frozensets(st.sampled_from(sorted(COINS)), max_size=5)), min_size=1, max_size=6
)


@given(STEPS)
@settings(max_examples=examples(12), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_history_says_of_every_day_what_was_last_noted(
    database: Database, steps: list[tuple[int, frozenset[str]]]
) -> None:
    owner, identity = a_set(database)
    day, noted = START, dict[date, list[RecordedPlacement]]()
    for further, held in steps:
        day += timedelta(days=further)
        noted[day] = note(database, owner, identity, held, day)
        standing = database.read(lambda c: HistoryStore(c, owner).standing(identity))
        # Straight away nothing is left to be told, and nothing to be done.
        assert history_events(standing, noted[day]) == []
        assert plan(standing, noted[day], day) == HistoryChange()
    fillings = whole(database, owner, identity)
    assert [filling.number for filling in fillings] == sorted((f.number for f in fillings), reverse=True)
    by_place: dict[str, list[Filling]] = {}
    for filling in fillings:
        assert filling.until is None or filling.since < filling.until
        by_place.setdefault(filling.placement.place, []).append(filling)
    for there in by_place.values():
        there.sort(key=lambda filling: filling.since)
        for earlier, later in pairwise(there):
            assert earlier.until is not None
            assert earlier.until <= later.since
            # A coin that was away for no day at all never left.
            assert earlier.until < later.since or earlier.placement.key != later.placement.key
    for number in range(-1, (day - START).days + 2):
        asked = START + timedelta(days=number)
        expected = next((noted[d] for d in sorted(noted, reverse=True) if d <= asked), [])
        stood = whole(database, owner, identity, asked)
        assert {filling.placement.key for filling in stood} == keys(expected)
        assert len(stood) == len(expected)
        assert all(filling.since <= asked and (filling.until is None or asked < filling.until) for filling in stood)


def test_the_history_goes_with_its_definition_and_is_nobody_elses(database: Database) -> None:
    owner, identity = a_set(database)
    stranger, _ = a_set(database)
    note(database, owner, identity, frozenset(COINS), START)
    assert len(whole(database, owner, identity)) == 4
    assert whole(database, stranger, identity) == ()
    with pytest.raises(NotFound):
        note(database, stranger, identity, frozenset(COINS), START)
    database.write(lambda c: DefinitionStore(c, owner).delete(identity))
    assert whole(database, owner, identity) == ()
    assert database.read(lambda c: HistoryStore(c, owner).noted(identity)) is None
