"""What is asked for often is searched by an index, never by going through a table: SQLite says how it would go about it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, event

from service.accounts.store import AccountStore
from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import upgrade
from service.holdings.imports.store import ImportStore
from service.holdings.store import HoldingStore
from service.holdings.sync.log import ChangeLog
from service.holdings.sync.store import SyncStore
from tests.owners import open_account, recognise

HERE, THERE = new_id(), new_id()
ASKED: dict[str, Callable[[Connection, Any, str], object]] = {
    "the owner of a token": lambda c, owner, token: recognise(c, token),
    "the state": lambda c, owner, token: AccountStore(c).state(owner),
    "changes since a state": lambda c, owner, token: SyncStore(c, owner).since(0, 10),
    "whether a state is known": lambda c, owner, token: ChangeLog(c, owner)._store.chain_at(3),
    "records of a batch": lambda c, owner, token: SyncStore(c, owner).records({HERE, THERE}),
    "mutations of a batch": lambda c, owner, token: SyncStore(c, owner).mutations({HERE, THERE}),
    "a page of holdings": lambda c, owner, token: HoldingStore(c, owner).page(HERE, 10),
    "some holdings": lambda c, owner, token: HoldingStore(c, owner).some({HERE, THERE}),
    "a page of imports": lambda c, owner, token: ImportStore(c, owner).page(HERE, 10),
}


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = Database(f"sqlite:///{tmp_path / 'indexes.sqlite3'}")
    upgrade(opened)
    yield opened
    opened.close()


@pytest.mark.parametrize("asked", ASKED)
def test_it_is_searched_by_an_index_and_not_sorted(database: Database, asked: str) -> None:
    _, token = database.write(lambda connection: open_account(connection, "somebody"))
    owner = database.read(lambda connection: recognise(connection, token))

    def plans(connection: Connection) -> list[str]:
        sent: list[tuple[str, Any]] = []

        def note(_c: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
            sent.append((statement, parameters))

        event.listen(connection, "before_cursor_execute", note)
        ASKED[asked](connection, owner, token)
        event.remove(connection, "before_cursor_execute", note)
        return [
            str(row[3])
            for statement, parameters in sent
            for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
        ]

    found = database.read(plans)
    assert found
    # Ids that are sent as one list are gone through, which is no table.
    found = [plan for plan in found if not plan.startswith("SCAN sent VIRTUAL TABLE")]
    assert any(plan.startswith("SEARCH") for plan in found)
    assert [plan for plan in found if plan.startswith("SCAN") or "TEMP B-TREE" in plan] == []
