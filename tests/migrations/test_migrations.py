"""Every step up, on empty and on filled tables; the result is what the models say; a failed step leaves nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import Any

import alembic.op
import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, MetaData, func, insert, inspect, select, text

from service.database import migrate
from service.database.engine import Database
from service.database.ids import new_id
from service.schema import metadata
from tests.owners import open_account

NOW = datetime(2026, 11, 25, tzinfo=UTC)
STEPS = [
    script.revision for script in reversed(list(ScriptDirectory.from_config(migrate.configuration()).walk_revisions()))
]


def differences(database: Database) -> list[Any]:
    def compare(connection: Connection) -> list[Any]:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        return list(compare_metadata(context, metadata))

    return database.read(compare)


def fill(connection: Connection) -> None:
    """Two owners with a row in every table that there is at this step, written by what the database itself says."""
    inspector, found = inspect(connection), MetaData()
    found.reflect(connection)
    for owner in (new_id(), new_id()):
        identity = new_id()
        for table in found.sorted_tables:
            if table.name == "alembic_version":
                continue
            row: dict[str, Any] = {}
            keys = [inspector.get_pk_constraint(table.name)["constrained_columns"]]
            keys += [entry["column_names"] for entry in inspector.get_unique_constraints(table.name)]
            alone = {columns[0] for columns in keys if len(columns) == 1}
            for column in inspector.get_columns(table.name):
                name, kind = column["name"], str(column["type"]).upper()
                if name == "owner_id" or (table.name, name) == ("account", "id"):
                    value: Any = owner
                elif name in ("id", "definition_id", "holding_id", "club_id", "club_definition_id", "proposal_id"):
                    value = identity
                elif ("CHAR(32)" in kind and name != "chain") or kind == "UUID":
                    value = new_id()
                elif "INT" in kind:
                    value = 1
                elif "BOOL" in kind:
                    value = False
                elif "TIME" in kind:
                    value = NOW
                elif kind == "DATE":
                    value = NOW.date()
                else:
                    value = "{}"
                if isinstance(value, str) and "CHAR(32)" in kind and name != "chain":
                    value = value.replace("-", "")
                if name in alone and value == "{}":
                    value = new_id()
                row[name] = value
            connection.execute(insert(table).values(**row))


def rows(connection: Connection) -> dict[str, int]:
    found = MetaData()
    found.reflect(connection)
    return {t.name: connection.execute(select(func.count()).select_from(t)).scalar_one() for t in found.sorted_tables}


def test_an_empty_database_becomes_what_the_models_say(empty_database_url: str) -> None:
    database = Database(empty_database_url)
    assert differences(database), "the comparison must see that nothing is there yet"
    migrate.upgrade(database)
    assert differences(database) == []
    assert database.read(migrate.current) == migrate.newest() == STEPS[-1]
    database.close()


def test_the_comparison_sees_a_column_too_many(empty_database_url: str) -> None:
    # The control of the test above.
    database = Database(empty_database_url)
    migrate.upgrade(database)
    database.write(lambda c: c.execute(text("ALTER TABLE holding ADD COLUMN extra TEXT")))
    assert len(differences(database)) == 1
    database.close()


def test_each_step_keeps_every_row(empty_database_url: str) -> None:
    database = Database(empty_database_url)
    for step in STEPS:
        before = database.read(rows)
        migrate.upgrade(database, step)
        after = database.read(rows)
        for table in before.keys() - {"alembic_version"}:
            assert after[table] == before[table], (step, table)
        if set(after) != set(before):
            database.write(lambda c: [c.execute(t.delete()) for t in _reversed(c)])
            database.write(fill)
    assert differences(database) == []
    filled = database.read(rows)
    assert all(count == 2 for table, count in filled.items() if table != "alembic_version")
    # Running them again changes nothing.
    migrate.upgrade(database)
    assert database.read(rows) == filled
    database.close()


def test_revisions_from_before_are_not_withdrawn_and_none_is_adopted(empty_database_url: str) -> None:
    database = Database(empty_database_url)
    migrate.upgrade(database, "0009")
    database.write(fill)
    migrate.upgrade(database, "0010")
    for columns in ("adopted FROM definition", "withdrawn_at FROM definition_revision"):
        found = database.read(lambda c, columns=columns: c.execute(text(f"SELECT {columns}")).scalars().all())
        assert found == [None, None]
    database.close()


def test_facts_with_the_name_of_a_new_own_field_get_their_new_name_in_sync(empty_database_url: str) -> None:
    database = Database(empty_database_url)
    migrate.upgrade(database, "0014")
    database.write(fill)
    before = {
        "writers": '{"bought_from": ["m", "t"], "grade": ["m", "t"]}',
        "conflicts": '[{"id": "c", "kind": "value", "attribute": "mark", "value": 1.50}, '
        '{"id": "d", "kind": "invalid_merge", "patch": {"mark": "x"}}]',
    }
    log = {
        "body": '{"op": "create", "patch": {"mark": 1.50, "note": "mark"}, "from": {"bought_on": null}, '
        '"writers": {"price_paid": "m"}, "left_apart": ["mark"], "resolves": ["mark"]}',
        "lists": '{"mark": ["a"], "tags": ["mark"]}',
    }
    database.write(lambda c: c.execute(text("UPDATE holding SET writers = :writers, conflicts = :conflicts"), before))
    database.write(lambda c: c.execute(text("UPDATE mutation SET body = :body, lists = :lists"), log))
    migrate.upgrade(database, "0015")
    found = database.read(lambda c: c.execute(text("SELECT writers, conflicts FROM holding")).all())
    logged = database.read(lambda c: c.execute(text("SELECT body, lists FROM mutation")).all())
    assert len(found) == len(logged) == 2
    for writers, conflicts in found:
        assert json.loads(writers) == {"facts.bought_from": ["m", "t"], "grade": ["m", "t"]}
        assert [entry.get("attribute") for entry in json.loads(conflicts)] == ["facts.mark", None]
        assert json.loads(conflicts)[1]["patch"] == {"facts.mark": "x"}
        assert "1.50" in conflicts
    for body, lists in logged:
        assert json.loads(body) == {
            "op": "create",
            "patch": {"facts.mark": 1.5, "note": "mark"},
            "from": {"facts.bought_on": None},
            "writers": {"facts.price_paid": "m"},
            "left_apart": ["facts.mark"],
            "resolves": ["mark"],
        }
        assert json.loads(lists) == {"facts.mark": ["a"], "tags": ["mark"]}
    database.close()


def _reversed(connection: Connection) -> list[Any]:
    found = MetaData()
    found.reflect(connection)
    return [table for table in reversed(found.sorted_tables) if table.name != "alembic_version"]


def test_a_step_that_fails_in_the_middle_leaves_nothing_and_can_be_run_again(
    empty_database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    database = Database(empty_database_url)
    real: Callable[..., Any] = alembic.op.create_table

    def fail_at_holding(name: str, *columns: Any, **more: Any) -> Any:
        if name == "holding":
            raise RuntimeError("in the middle")
        return real(name, *columns, **more)

    with monkeypatch.context() as patched:
        patched.setattr("alembic.op.create_table", fail_at_holding)
        with pytest.raises(RuntimeError, match="in the middle"):
            migrate.upgrade(database)
    assert database.read(rows) == {}
    migrate.upgrade(database)
    assert differences(database) == []
    database.close()


def test_a_step_that_would_leave_orphans_is_refused(empty_database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    database = Database(empty_database_url)
    if not database.is_sqlite:
        pytest.skip("SQLite's migrations run without foreign keys, so they are checked at the end")
    migrate.upgrade(database)
    database.write(lambda c: open_account(c, "somebody"))

    def careless(config: Any, _: str) -> None:
        config.attributes["connection"].execute(text("DELETE FROM account"))

    monkeypatch.setattr("alembic.command.upgrade", careless)
    with pytest.raises(RuntimeError, match="without their owner, in: token"):
        migrate.upgrade(database, STEPS[-1])
    assert database.read(rows)["account"] == 1
    database.close()


def test_servers_that_start_together_take_turns(empty_database_url: str) -> None:
    databases = [Database(empty_database_url) for _ in range(3)]
    with ThreadPoolExecutor(3) as pool:
        for done in [pool.submit(migrate.upgrade, database) for database in databases]:
            done.result(60)
    assert differences(databases[0]) == []
    for database in databases:
        database.close()


# An account is the owner; a pairing is nobody's until it is approved; attempts are counted by name and address; what belongs to
# a club leads with the club.
OF_CLUBS = {
    f"club_{what}" for what in ("member", "invitation", "definition", "revision", "announcement", "audit", "consent")
}
OF_NO_OWNER = {"account", "device_pairing", "attempt", "club", "swap_proposal", *OF_CLUBS}


def test_every_owners_table_leads_with_the_owner() -> None:
    assert {table.name for table in metadata.sorted_tables} > OF_NO_OWNER
    for table in metadata.sorted_tables:
        if table.name not in OF_NO_OWNER:
            assert next(iter(table.primary_key.columns)).name == "owner_id", table.name
        if table.name in OF_CLUBS:
            assert next(iter(table.primary_key.columns)).name == "club_id", table.name
