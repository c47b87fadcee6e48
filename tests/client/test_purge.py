"""A device that was away for longer than the log of sync is kept: it starts over, and loses nothing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from anyio.from_thread import start_blocking_portal
from sqlalchemy import delete, select, update

from service.accounts.tables import account
from service.client import Device
from service.holdings.sync.purge import purge
from service.holdings.sync.store import SyncStore
from service.holdings.sync.verify import differences
from service.holdings.tables import holding, mutation, past_mutation
from service.http.dependencies import context_of
from service.settings import read_settings
from service.worker import maintain
from tests.client.test_device import Home, Line, synced
from tests.conftest import running, settings_for
from tests.owners import recognise

LONG_AGO = datetime(2024, 1, 1, tzinfo=UTC)
BEFORE = LONG_AGO + timedelta(days=1)


@pytest.fixture
def home(empty_database_url: str, tmp_path: Path) -> Iterator[Home]:
    with ExitStack() as stack:
        portal = stack.enter_context(start_blocking_portal())
        service = stack.enter_context(portal.wrap_async_context_manager(running(settings_for(empty_database_url))))
        yield Home(service, Line(portal, service.client), service.collector(), tmp_path, stack)


def age(home: Home) -> None:
    """All that was done so far was done long ago."""

    def change(connection: Any, owner: Any) -> None:
        connection.execute(update(mutation).where(mutation.c.owner_id == owner.id).values(at=LONG_AGO))
        connection.execute(update(holding).where(holding.c.owner_id == owner.id).values(updated_at=LONG_AGO))

    home.change(change)


def purged(
    home: Home, logged: datetime | None = BEFORE, deleted: datetime | None = BEFORE, **more: Any
) -> tuple[int, int]:
    return purge(home.service.app.state.database, logged, deleted, **more)


def verified(home: Home) -> list[str]:
    token = home.owner["Authorization"].removeprefix("Bearer ")
    return home.service.app.state.database.read(lambda c: list(differences(c, recognise(c, token))))


def refusals(home: Home, device: Device) -> list[int]:
    """The statuses of the answers to a sync that were no success."""
    told: list[int] = []
    carry = home.line.handle_request

    def listen(request: Any) -> Any:
        answer = carry(request)
        told.append(answer.status_code)
        return answer

    home.line.handle_request = listen  # type: ignore[method-assign]
    try:
        synced(device)
    finally:
        del home.line.handle_request  # type: ignore[attr-defined]
    return [status for status in told if status >= 400]


def a_year_apart(home: Home) -> tuple[Device, Device, dict[str, str]]:
    """A phone that was away, with edits of its own, while a laptop went on; everything the service has is old."""
    phone, laptop = home.device("phone"), home.device("laptop")
    coins = {
        name: phone.record({"grade": 30}, number=name, tags=["a"]) for name in ("both", "laptop's", "gone", "sold")
    }
    phone.edit(coins["laptop's"], {"grade": 31})
    phone.edit(coins["sold"], {"note": "sell it"})
    synced(phone, laptop)
    laptop.edit(coins["both"], {"note": "by the laptop", "tags": ["a", "b"]})
    laptop.edit(coins["laptop's"], {"grade": 45})
    laptop.delete(coins["gone"])
    laptop.delete(coins["sold"])
    synced(laptop)
    # On the phone, without a network:
    phone.edit(coins["both"], {"grade": 40})
    phone.edit(coins["gone"], {"grade": 50})
    coins["new"] = phone.record({"grade": 1}, number="new")
    age(home)
    return phone, laptop, coins


def outcome(phone: Device, laptop: Device) -> dict[str, Any]:
    return {
        values.get("number", identity): (values.get("grade"), values.get("note"), sorted(values.get("tags", [])))
        for identity, values in laptop.holdings().items()
    }


EXPECTED = {
    "both": (40, "by the laptop", ["a", "b"]),
    "laptop's": (45, None, ["a"]),
    # It was edited by somebody who had not seen the delete: it is back with all that was there, for the owner to decide.
    "gone": (50, None, ["a"]),
    "new": (1, None, []),
}


def test_it_starts_over_and_nothing_that_it_held_is_lost(home: Home) -> None:
    phone, laptop, coins = a_year_apart(home)
    entries, holdings = purged(home)
    assert (entries, holdings) == (9, 2)
    laptop.edit(coins["laptop's"], {"location": "tray 2"})
    # Whoever was not away so long goes on as ever.
    assert refusals(home, laptop) == []
    assert refusals(home, phone) == [410]
    synced(laptop)
    assert outcome(phone, laptop) == EXPECTED
    assert phone.holdings() == laptop.holdings()
    assert phone.store.records() == laptop.store.records()
    assert [(identity, conflict["kind"]) for identity, conflict in phone.conflicts()] == [(coins["gone"], "destroy")]
    assert (phone.store.outbox(), phone.attention(), laptop.attention()) == ([], [], [])
    assert verified(home) == []
    # And once more, with what came since.
    age(home)
    purged(home)
    assert verified(home) == []
    synced(phone, laptop)
    assert outcome(phone, laptop) == EXPECTED


@pytest.mark.parametrize("forgotten", ["ids", "markers"])
def test_without_what_is_kept_it_would_not(home: Home, monkeypatch: pytest.MonkeyPatch, forgotten: str) -> None:
    # The controls: a purge that also forgets which mutations there were, or which coins were deleted.
    phone, laptop, coins = a_year_apart(home)
    purged(home)
    if forgotten == "ids":
        monkeypatch.setattr(SyncStore, "past", lambda *_: {})
    else:
        home.change(lambda c, owner: c.execute(delete(holding).where(holding.c.purged)))
        home.change(lambda c, owner: c.execute(delete(past_mutation).where(past_mutation.c.owner_id == owner.id)))
    synced(phone, laptop)
    told = [(identity, conflict["kind"]) for identity, conflict in phone.conflicts()]
    assert (outcome(phone, laptop), told) != (EXPECTED, [(coins["gone"], "destroy")])


@pytest.mark.parametrize("seen", [True, False])
def test_a_purged_coin_comes_back_whole_when_somebody_wants_it(home: Home, seen: bool) -> None:
    """Who undoes a delete that was seen, or edits without having seen it, has the copy from before, and sends it along."""
    phone, laptop = home.device("phone"), home.device("laptop")
    coin = phone.record({"grade": 30, "denomination": "crown"}, tags=["a"])
    synced(phone, laptop)
    laptop.delete(coin)
    synced(laptop)
    if seen:
        synced(phone)
    laptop.record({"grade": 1})
    synced(laptop)
    age(home)
    assert purged(home)[1] == 1
    (row,) = home.service.app.state.database.read(
        lambda c: c.execute(select(holding).where(holding.c.id == coin)).all()
    )
    assert (row.data, row.writers, row.conflicts, row.destroyed, row.purged) == ({}, {}, [], True, True)
    if seen:
        phone.revive(coin, {"grade": 31})
    else:
        phone.edit(coin, {"grade": 31})
    synced(phone, laptop)
    assert laptop.holdings()[coin] == {"grade": 31, "denomination": "crown", "tags": ["a"]}
    assert [conflict["kind"] for _, conflict in laptop.conflicts()] == ([] if seen else ["destroy"])
    assert phone.attention() == []
    assert verified(home) == []


def test_a_new_device_takes_everything_page_by_page(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    phone, laptop, _ = a_year_apart(home)
    synced(phone)
    age(home)
    laptop.record({"grade": 2})
    synced(laptop)
    purged(home)
    monkeypatch.setattr("service.client.device.MOST_TAKEN", 1)
    tablet = home.device("tablet")
    assert refusals(home, tablet) == []
    synced(laptop)
    assert tablet.holdings() == laptop.holdings()


@pytest.mark.parametrize("logged", [BEFORE, None])
def test_nothing_of_a_deleted_coin_is_left_but_its_marker(home: Home, logged: datetime | None) -> None:
    phone = home.device("phone")
    coin = phone.record({"grade": 30}, note="canary", tags=["canary too"])
    phone.delete(coin)
    phone.record({"grade": 1})
    synced(phone)
    age(home)

    def everything() -> str:
        def read(connection: Any) -> str:
            tables = (holding, mutation, past_mutation)
            return str([[dict(row._mapping) for row in connection.execute(select(table))] for table in tables])

        return home.service.app.state.database.read(read)

    assert "canary" in everything()
    # In the log too, where that is kept for longer.
    assert purged(home, logged) == (2 if logged else 0, 1)
    assert "canary" not in everything()
    assert coin in everything()
    assert verified(home) == []


def test_what_was_deleted_may_go_before_the_log_does(home: Home) -> None:
    phone, laptop, coins = a_year_apart(home)
    assert purged(home, logged=None) == (0, 2)
    assert verified(home) == []
    # Both states are in the log still.
    assert refusals(home, phone) == []
    synced(laptop)
    assert outcome(phone, laptop) == EXPECTED
    assert phone.holdings() == laptop.holdings()
    assert [(identity, conflict["kind"]) for identity, conflict in phone.conflicts()] == [(coins["gone"], "destroy")]
    assert (phone.attention(), laptop.attention()) == ([], [])
    assert verified(home) == []
    # What came with the copy is the coin's, and goes with the next delete of it.
    phone.delete(coins["gone"])
    synced(phone)
    age(home)
    assert purged(home, logged=None) == (0, 1)
    assert verified(home) == []
    # And a coin that comes back is checked by what the log has since: a value that nobody wrote is found.
    laptop.edit(coins["both"], {"note": "again"})
    phone.revive(coins["gone"], {"grade": 51})
    synced(phone, laptop)
    assert verified(home) == []
    wrong = update(holding).where(holding.c.id == coins["gone"]).values(data={"facts": {"grade": 99}})
    home.change(lambda c, _: c.execute(wrong))
    assert verified(home) != []


def test_what_was_deleted_may_be_kept_for_longer_than_the_log(home: Home) -> None:
    phone, laptop, coins = a_year_apart(home)
    assert purged(home, deleted=None) == (9, 0)
    assert verified(home) == []
    # A device without a copy brings it back whole, since the service has it.
    tablet = home.device("tablet")
    synced(tablet)
    tablet.revive(coins["gone"])
    synced(tablet)
    assert tablet.holdings()[coins["gone"]]["grade"] == 30
    assert refusals(home, phone) == [410]
    synced(laptop)
    assert outcome(phone, laptop) == EXPECTED
    assert verified(home) == []


def test_a_purge_in_portions_is_the_same_and_one_that_is_done_does_nothing(home: Home) -> None:
    a_year_apart(home)
    database = home.service.app.state.database
    first = purged(home, most=1)
    assert first == (9, 2)
    assert verified(home) == []
    assert purged(home) == (0, 0)
    # The newest entry stays: the state that it led to can be proven.
    left = database.read(lambda c: c.execute(select(mutation.c.modseq)).scalars().all())
    assert left == database.read(lambda c: c.execute(select(account.c.min_state)).scalars().all()) == [10]


def test_verify_sees_damage_behind_a_purge(home: Home) -> None:
    phone, laptop, coins = a_year_apart(home)
    laptop.record({"grade": 2})
    synced(laptop)
    age(home)
    assert purged(home) == (10, 2)
    synced(phone, laptop)
    assert verified(home) == []
    marker = holding.c.id == coins["sold"]
    kept = holding.c.id == coins["both"]
    planted = [
        (update(holding).where(marker).values(data={"note": "x"}), "more of it than the marker"),
        (update(holding).where(kept).values(data={"facts": {"grade": 99}}), "no mutation made its grade"),
        (update(mutation).values(chain="0" * 32), "does not follow"),
        (update(account).values(min_state=12), "purged up to state 12"),
        (update(holding).where(kept).values(modseq=10_000), "its state is 10000"),
    ]
    for statement, told in planted:
        found: list[str] = []

        def tamper(connection: Any, owner: Any, statement: Any = statement, found: list[str] = found) -> None:
            assert connection.execute(statement).rowcount
            found.extend(differences(connection, owner))
            raise Undone

        with pytest.raises(Undone):
            home.change(tamper)
        assert any(told in line for line in found), (told, found)
    assert verified(home) == []


class Undone(Exception):
    """Takes a planted fault back with its transaction."""


@pytest.mark.parametrize(
    ("days", "deleted", "expected"),
    [
        (0, None, (0, 0)),
        (30, None, (9, 2)),
        (36_500, None, (0, 0)),
        (36_500, 30, (0, 2)),
        (0, 30, (0, 2)),
        (30, 0, (9, 0)),
        (30, 36_500, (9, 0)),
    ],
)
def test_the_daily_maintenance_keeps_it_for_as_long_as_the_settings_say(
    home: Home, days: int, deleted: int | None, expected: tuple[int, int]
) -> None:
    a_year_apart(home)
    state = home.service.app.state
    url = state.settings.database_url.get_secret_value()
    state.settings = settings_for(url, sync_kept_days=days, keep_deleted=deleted)
    done = maintain(context_of(home.service.app))
    assert (done.mutations, done.holdings) == expected


def test_the_settings_have_their_names_in_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SETWRIGHT_SYNC_KEPT_DAYS", "90")
    assert read_settings().deleted_kept_days == 90
    monkeypatch.setenv("SETWRIGHT_KEEP_DELETED", "7")
    assert (read_settings().deleted_kept_days, read_settings().sync_kept_days) == (7, 90)
