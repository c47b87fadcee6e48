"""Columns that are kept are those of the state that a transaction reads: whatever changed, whoever changed it."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import astuple
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, delete, insert, select, update

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.accounts.tables import account
from service.database.engine import Database, Limits
from service.database.ids import new_id
from service.facts.core_attributes import CORE
from service.holdings import actions
from service.holdings.columns import values
from service.holdings.columns.held import HoldingColumns
from service.holdings.columns.store import held_by
from service.holdings.store import HoldingStore
from service.holdings.sync.actions import synchronise
from service.holdings.tables import holding, mutation
from service.http.api.sync import judged
from service.schema import metadata
from tests.holdings.columns.another_process import do

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
ROOT = Path(__file__).parents[3]
TABLES = (holding, mutation)


@pytest.fixture
def database(empty_database: Database) -> Database:
    empty_database.write(metadata.create_all)
    return empty_database


def an_owner(database: Database) -> Owner:
    owner = Owner(new_id())
    database.write(lambda c: AccountStore(c).add(owner, f"a collector {owner.id}", NOW))
    return owner


def record(database: Database, owner: Owner, **facts: Any) -> str:
    return database.write(lambda c: actions.record(c, owner, None, {"facts": facts}, CORE, NOW)).id


def change(database: Database, owner: Owner, identity: str, **facts: Any) -> None:
    database.write(lambda c: actions.change(c, owner, identity, {"facts": facts}, CORE, NOW, expect=lambda _: None))


def held(database: Database, owner: Owner) -> HoldingColumns:
    return database.read(lambda c: held_by(c, owner))


def as_sent(database: Database, owner: Owner, **more: Any) -> None:
    """A mutation of a device."""
    body = {"mutation_id": new_id(), "edited_at": "2026-11-25T11:00:00Z", **more}
    sent = judged(body, NOW, None)
    database.write(lambda c: synchronise(c, owner, "phone", [sent], CORE, NOW))


def assert_as_stored(database: Database, owner: Owner) -> None:
    def both(connection: Connection) -> tuple[HoldingColumns, Any, Any]:
        store = HoldingStore(connection, owner)
        return held_by(connection, owner), store.all(), AccountStore(connection).state(owner)

    columns, stored, state = database.read(both)
    assert columns.state == state
    assert tuple(columns) == stored


def backup(database: Database) -> dict[str, list[Any]]:
    def copy(connection: Connection) -> dict[str, list[Any]]:
        rows = {table.name: [dict(row._mapping) for row in connection.execute(select(table))] for table in TABLES}
        states = [
            dict(row._mapping) for row in connection.execute(select(account.c.id, account.c.state, account.c.chain))
        ]
        return {**rows, "states": states}

    return database.read(copy)


def restore(database: Database, kept: dict[str, list[Any]]) -> None:
    def put_back(connection: Connection) -> None:
        for table in TABLES:
            connection.execute(delete(table))
            if kept[table.name]:
                connection.execute(insert(table), kept[table.name])
        for row in kept["states"]:
            connection.execute(update(account).where(account.c.id == row["id"]).values(row))

    database.write(put_back)


@pytest.mark.parametrize("seed", range(6))
def test_columns_are_as_stored_after_any_change(database: Database, seed: int) -> None:
    chance, owner = random.Random(seed), an_owner(database)
    ids: list[str] = []
    kept = backup(database), list(ids)
    for _ in range(40):
        step = chance.randrange(8)
        if step <= 2 or not ids:
            ids.append(record(database, owner, grade=chance.randint(1, 70), mint=chance.choice(("Tower", "Heaton"))))
        elif step == 3:
            change(database, owner, chance.choice(ids), grade=chance.choice((None, 5, {"one_of": [5, 6]})))
        elif step == 4:
            gone = ids.pop(chance.randrange(len(ids)))
            database.write(lambda c, gone=gone: actions.destroy(c, owner, gone, NOW, expect=lambda _: None))
        elif step == 5:
            # Written by a device that saw nothing of what is here: a conflict.
            as_sent(database, owner, op="update", id=chance.choice(ids), patch={"grade": chance.randint(1, 70)})
        elif step == 6:
            kept = backup(database), list(ids)
        else:
            restore(database, kept[0])
            ids = list(kept[1])
        if chance.random() < 0.7:
            assert_as_stored(database, owner)
    assert_as_stored(database, owner)
    assert database.warm.counts.patches > 0


def test_what_changed_is_read_and_nothing_else(database: Database) -> None:
    owner = an_owner(database)
    coins = [record(database, owner, grade=number + 1) for number in range(5)]
    held(database, owner)
    held(database, owner)
    change(database, owner, coins[2], grade=60)
    held(database, owner)
    assert astuple(database.warm.counts)[:4] == (1, 1, 1, 0)


def test_a_history_with_the_same_number_of_changes_is_another_one(database: Database) -> None:
    owner = an_owner(database)
    coin = record(database, owner, grade=10)
    kept = backup(database)
    change(database, owner, coin, grade=20)
    assert held(database, owner)[0].data["facts"] == {"grade": 20}
    restore(database, kept)
    change(database, owner, coin, grade=30)
    assert held(database, owner)[0].data["facts"] == {"grade": 30}
    assert database.warm.counts.misses == 2


def test_a_transaction_that_began_earlier_sees_its_own_state(database: Database) -> None:
    owner = an_owner(database)
    coin = record(database, owner, grade=10)
    held(database, owner)

    def slow(connection: Connection) -> HoldingColumns:
        AccountStore(connection).state(owner)
        for grade in (20, 30):
            change(database, owner, coin, grade=grade)
            assert held(database, owner)[0].data["facts"] == {"grade": grade}
        return held_by(connection, owner)

    old = database.read(slow)
    assert old[0].data["facts"] == {"grade": 10}
    assert held(database, owner)[0].data["facts"] == {"grade": 30}
    assert database.warm.counts.misses == 1


def test_what_is_not_committed_is_not_kept(database: Database) -> None:
    owner = an_owner(database)
    coin = record(database, owner, grade=10)

    class TakenBackError(Exception):
        pass

    def act(connection: Connection) -> None:
        actions.change(connection, owner, coin, {"facts": {"grade": 20}}, CORE, NOW, expect=lambda _: None)
        assert held_by(connection, owner)[0].data["facts"] == {"grade": 20}
        raise TakenBackError

    with pytest.raises(TakenBackError):
        database.write(act)
    assert database.warm.counts.owners == 0
    assert held(database, owner)[0].data["facts"] == {"grade": 10}


def test_a_bound_in_bytes_holds_over_owners_and_the_least_used_goes_first(database: Database) -> None:
    owners = [an_owner(database) for _ in range(3)]
    for owner in owners:
        record(database, owner, grade=10)
    held(database, owners[0])
    size = database.warm.counts.nbytes
    small = Database(database.url.render_as_string(hide_password=False), Limits(warm_bytes=2 * size + size // 2))
    try:
        for owner in (owners[0], owners[1], owners[0], owners[2], owners[0]):
            assert len(held(small, owner)) == 1
            assert small.warm.counts.nbytes <= small.warm.most_bytes
        # The second was let go of for the third.
        assert astuple(small.warm.counts)[:5] == (2, 0, 3, 1, 2)
        assert_as_stored(small, owners[1])
    finally:
        small.close()


def test_of_an_owner_with_more_than_the_bound_nothing_is_kept(database: Database) -> None:
    owner = an_owner(database)
    record(database, owner, grade=10)
    tiny = Database(database.url.render_as_string(hide_password=False), Limits(warm_bytes=0))
    try:
        for _ in range(2):
            assert_as_stored(tiny, owner)
        assert astuple(tiny.warm.counts)[2:] == (2, 2, 0, 0)
    finally:
        tiny.close()


@pytest.mark.parametrize("most_left", [50, 10_000])
def test_values_that_no_coin_has_any_more_do_not_pile_up(
    database: Database, monkeypatch: pytest.MonkeyPatch, most_left: int
) -> None:
    monkeypatch.setattr(values, "_MOST_LEFT_BEHIND", most_left)
    owner = an_owner(database)
    coin = record(database, owner, grade=1)
    kept = []
    for weight in range(300):
        change(database, owner, coin, weight=weight)
        kept.append(len(held(database, owner).dictionary.fact("weight").met))
        if weight % 100 == 0:
            assert_as_stored(database, owner)
    # The control keeps one for each change, and the empty one.
    assert max(kept) == 301 if most_left == 10_000 else max(kept) <= 100
    # Read anew now and then, and not with each change.
    assert sum(later < earlier for earlier, later in pairwise(kept)) <= 300 / (most_left / 2)


def test_many_that_ask_at_once_are_answered_by_one_reading(database: Database) -> None:
    owner = an_owner(database)
    for number in range(20):
        record(database, owner, grade=number + 1)
    with ThreadPoolExecutor(6) as pool:
        found = list(pool.map(lambda _: held(database, owner), range(12)))
    assert all(one is found[0] for one in found)
    assert astuple(database.warm.counts)[:3] == (11, 0, 1)


@pytest.mark.process
def test_two_processes_that_write_in_turn_see_all_of_each_other(database: Database) -> None:
    owner, chance = an_owner(database), random.Random(3)
    url = database.url.render_as_string(hide_password=False)
    command = [sys.executable, "-m", "tests.holdings.columns.another_process", url, owner.id]
    expected: dict[str, int] = {}
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdin is not None
        assert other.stdout is not None
        for number in range(24):
            what = chance.choice(("record", "change", "delete", "look")) if expected else "record"
            identity, grade = (new_id() if what == "record" else chance.choice(sorted(expected))), chance.randint(1, 70)
            if what in ("record", "change"):
                expected[identity] = grade
            elif what == "delete":
                del expected[identity]
            steps = [json.dumps([what, identity, grade]), json.dumps(["look", "", 0])]
            seen = []
            # One writes and both look; which one writes changes.
            for is_here in (number % 2 == 0, number % 2 == 1):
                step = steps.pop(0)
                if is_here:
                    seen.append(do(database, owner, step))
                else:
                    other.stdin.write(step + "\n")
                    other.stdin.flush()
                    seen.append(json.loads(other.stdout.readline()))
            assert [one["held"] for one in seen] == [expected, expected]
        other.stdin.close()
    # Neither read everything more than once, nor when it was empty.
    assert [one["counts"][2] <= 2 for one in seen] == [True, True]
    assert all(one["counts"][1] > 5 for one in seen)
