"""What is kept agrees with the log, and a record that was tampered with is found."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

import pytest
from sqlalchemy import Connection, text, update

from service.accounts.actions import open_account, recognise
from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.engine import Database
from service.database.identities import new_identity
from service.database.migrate import upgrade
from service.facts.core import CORE
from service.holdings import actions
from service.holdings.ledger import StoredLedger
from service.holdings.merge import CREATE, DESTROY, UPDATE, Mutation
from service.holdings.syncing import Sent, apply_one
from service.holdings.tables import holding, mutation
from service.holdings.verifying import differences
from tests.sync.ledger import sound


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    opened = Database(database_url)
    upgrade(opened)
    yield opened
    opened.close()


NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


def an_owner(database: Database) -> Owner:
    _, token = database.write(lambda connection: open_account(connection, f"somebody {new_identity()}"))
    return database.read(lambda connection: recognise(connection, token))


def sent(made: Mutation) -> Sent:
    body: dict[str, Any] = {"op": made.op, "id": made.holding, "patch": dict(made.patch), "from": dict(made.seen)}
    body |= {"resolves": sorted(made.resolves), "revive": made.revive}
    body |= {"writers": dict(made.writers)} if made.writers is not None else {}
    return Sent(made, actions.fingerprint_of(body), body)


def lived_through(database: Database, owner: Owner, seed: int, steps: int = 60) -> None:
    """Devices that see more or less of each other edit a few coins; the ordinary interface edits them too."""
    chance = Random(seed)
    coins = [new_identity() for _ in range(4)]

    def step(connection: Connection, number: int) -> None:
        ledger = StoredLedger(connection, owner, "phone", NOON)
        coin = chance.choice(coins)
        known = ledger.record(coin)
        writers = {name: value.by for name, value in known.written.items()} if known else {}
        seen: dict[str, str | None] = {n: w for n, w in writers.items() if chance.random() < 0.6}
        at = NOON + timedelta(hours=chance.randint(-50, 0))
        name = chance.choice(("grade", "note", "number", "location", "tags"))
        value: Any = [f"t{number}"] if name == "tags" else chance.choice((None, number, number * 7 + 1, 99))
        op = CREATE if known is None else chance.choice((UPDATE, UPDATE, UPDATE, UPDATE, DESTROY, CREATE))
        resolves = frozenset(c.id for c in known.conflicts if chance.random() < 0.3) if known else frozenset()
        more: dict[str, Any] = {"writers": {name: new_identity()}} if op == CREATE and known is not None else {}
        patch = {} if op == DESTROY else {name: value, "main_motifs": ["horse"]}
        made = Mutation(
            new_identity(), op, coin, at, patch, seen, resolves=resolves, revive=chance.random() < 0.2, **more
        )
        apply_one(ledger, sent(made), sound)

    for number in range(steps):
        database.write(lambda connection, number=number: step(connection, number))
    data = {"facts": {"grade": 5}, "tags": ["a"]}
    kept = database.write(lambda connection: actions.record(connection, owner, None, data, CORE))
    database.write(
        lambda connection: actions.change(
            connection, owner, kept.id, {"note": "n"}, CORE, expect=lambda _: None, check=lambda data: data
        )
    )
    database.write(lambda connection: actions.destroy(connection, owner, kept.id, expect=lambda _: None))


def found(database: Database, owner: Owner) -> list[str]:
    return database.read(lambda connection: list(differences(connection, owner)))


@pytest.mark.parametrize("seed", range(6))
def test_what_is_kept_is_what_the_log_makes_of_it(database: Database, seed: int) -> None:
    owner = an_owner(database)
    lived_through(database, owner, seed)
    assert found(database, owner) == []


def test_every_tampering_is_found(database: Database) -> None:
    owner = an_owner(database)
    lived_through(database, owner, 1)
    mine = holding.c.owner_id == owner.id
    last = database.read(lambda connection: AccountStore(connection).state(owner)).number
    in_log = (mutation.c.owner_id == owner.id, mutation.c.modseq == last // 2)
    planted = {
        "a value changed": update(holding).where(mine, holding.c.modseq == last).values(data={"facts": {"grade": 70}}),
        "conflicts wiped": update(holding).where(mine).values(conflicts=[]),
        "a writer changed": update(holding).where(mine, holding.c.modseq == last).values(writers={}),
        "brought back": update(holding)
        .where(mine, holding.c.modseq == last)
        .values(destroyed=False, destroyed_by=None),
        "a link of the chain": update(mutation).where(*in_log).values(chain="0" * 32),
        "a mutation that says something else": update(mutation)
        .where(mutation.c.owner_id == owner.id, mutation.c.modseq == last)
        .values(body={"op": "update", "edited_at": "2026-11-25T12:00:00+00:00"}),
    }
    for name, statement in planted.items():

        class Undone(Exception):
            pass

        seen: list[str] = []

        def tamper(connection: Connection, statement: Any = statement, seen: list[str] = seen) -> None:
            assert connection.execute(statement).rowcount > 0
            seen.extend(differences(connection, owner))
            raise Undone

        with pytest.raises(Undone):
            database.write(tamper)
        assert seen, name
    assert found(database, owner) == []
    assert database.read(lambda connection: connection.execute(text("SELECT 1")).scalar()) == 1
