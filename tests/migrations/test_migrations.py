"""Every step up, on empty and on filled tables; the result is what the models say; a failed step leaves nothing."""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from functools import partial
from typing import Any

import alembic.op
import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, column, delete, event, func, insert, inspect, select, table, text
from sqlalchemy.exc import DBAPIError

from service.accounts.model import ORIGIN, Owner, State
from service.database import engine, migrate
from service.database.engine import Database
from service.database.ids import new_id
from service.database.partitions import SCHEMA
from service.database.types import written
from service.holdings.photos.store import PhotoStore
from service.holdings.sync.actions import changes
from service.holdings.sync.store import SyncStore
from service.holdings.sync.verify import differences as not_as_logged
from service.schema import metadata
from tests.owners import open_account
from tests.promises.plugin import Promise

NOW = datetime(2026, 11, 25, tzinfo=UTC)
ROWS_KEPT = "each step on filled tables"
# Rows that a step writes besides: an entry in the log for each coin whose photos it puts into the coin's record.
WRITTEN = {("0020", "mutation")}
STEPS = [
    script.revision for script in reversed(list(ScriptDirectory.from_config(migrate.configuration()).walk_revisions()))
]


def differences(database: Database) -> list[Any]:
    def compare(connection: Connection) -> list[Any]:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        return [found for found in compare_metadata(context, metadata) if not _of_a_partition(found)]

    return database.read(compare)


def _of_a_partition(found: Any) -> bool:
    """A reference to a partitioned table is listed once more for each of its partitions."""
    return found[0] == "remove_fk" and str(found[1].elements[0].target_fullname).startswith(f"{SCHEMA}.")


def names_of(connection: Connection) -> list[str]:
    """The tables that there are at this step, what is referred to first; not Alembic's own."""
    there = set(inspect(connection).get_table_names()) - {"alembic_version"}
    ordered = [each.name for each in metadata.sorted_tables if each.name in there]
    assert set(ordered) == there
    return ordered


def fill(connection: Connection) -> None:
    """Two owners with a row in every table that there is at this step, written by what the database itself says."""
    inspector = inspect(connection)
    for owner in (new_id(), new_id()):
        identity = new_id()
        for of in names_of(connection):
            row: dict[str, Any] = {}
            keys = [inspector.get_pk_constraint(of)["constrained_columns"]]
            keys += [entry["column_names"] for entry in inspector.get_unique_constraints(of)]
            alone = {columns[0] for columns in keys if len(columns) == 1}
            columns = inspector.get_columns(of)
            for each in columns:
                name, kind = each["name"], str(each["type"]).upper()
                if name == "owner_id" or (of, name) == ("account", "id"):
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
                elif "BLOB" in kind or kind == "BYTEA":
                    value = b"{}"
                else:
                    value = "{}"
                if isinstance(value, str) and "CHAR(32)" in kind and name != "chain":
                    value = value.replace("-", "")
                # Of secrets too, whose directory on partitions is no constraint of the table.
                if (name in alone or name == "digest") and value == "{}":
                    value = new_id()
                row[name] = value
            into = table(of, *(column(each["name"], each["type"]) for each in columns))
            connection.execute(insert(into).values(**row))


def rows(connection: Connection) -> dict[str, int]:
    names = sorted(inspect(connection).get_table_names())
    return {name: connection.execute(select(func.count()).select_from(table(name))).scalar_one() for name in names}


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


def losses(database: Database) -> list[str]:
    """The steps run one after another on filled tables: which rows were lost on the way."""
    found = []
    for step in STEPS:
        before = database.read(rows)
        migrate.upgrade(database, step)
        after = database.read(rows)
        found += [
            f"step {step}, {name}: {after[name]} rows of {before[name]}"
            for name in sorted(before.keys() - {"alembic_version"})
            if after[name] < before[name] or (after[name] > before[name] and (step, name) not in WRITTEN)
        ]
        if set(after) != set(before) or found:
            database.write(lambda c: [c.execute(delete(table(name))) for name in reversed(names_of(c))])
            database.write(fill)
    return found


def test_each_step_keeps_every_row(empty_database_url: str, promise: Promise) -> None:
    database = Database(empty_database_url)
    assert losses(database) == []
    assert differences(database) == []
    filled = database.read(rows)
    assert all(count == 2 for table, count in filled.items() if table != "alembic_version")
    # Running them again changes nothing.
    migrate.upgrade(database)
    assert database.read(rows) == filled
    database.close()
    promise(16, ROWS_KEPT, kept=f"{len(STEPS)} steps on {len(filled) - 1} filled tables, 0 rows lost, 0 differences")


def test_steps_that_lose_rows_are_seen(
    empty_database_url: str, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    """The control. SQLite: foreign keys are checked while tables are made anew, which deletes the rows that refer to them.
    PostgreSQL: columns are added by emptying the table."""
    database = Database(empty_database_url)
    real = alembic.op.add_column

    def add_column(table: str, column: Any, **more: Any) -> None:
        alembic.op.execute(f"TRUNCATE {table} CASCADE")
        real(table, column, **more)

    if database.is_sqlite:
        checking = partial(engine._sqlite, begin="BEGIN IMMEDIATE", connections=None)
        monkeypatch.setattr(migrate, "migration_engine", checking)
    else:
        monkeypatch.setattr("alembic.op.add_column", add_column)
    seen = losses(database)
    assert seen
    kind = "foreign keys checked on the way" if database.is_sqlite else "columns added by emptying tables"
    promise(16, ROWS_KEPT, control=f"{kind}: {len(seen)} tables lose rows")
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


def test_lists_that_documents_carry_are_beside_them(empty_database_url: str) -> None:
    """Of a draft its own, also where a revision has others; of what has no draft those of the newest revision."""
    database = Database(empty_database_url)
    migrate.upgrade(database, "0023")
    database.write(fill)
    drafted, published = database.read(lambda c: c.execute(text("SELECT owner_id FROM definition")).scalars().all())
    of_draft = {"vocabularies": [{"name": "prints", "concepts": [{"id": "fox", "x": 1.50}]}]}
    of_revision = {"title": "é", "vocabularies": [{"name": "older", "concepts": []}]}

    def before(connection: Connection) -> None:
        connection.execute(text("UPDATE definition_revision SET document = :it"), {"it": written(of_revision)})
        for owner, draft in ((drafted, written(of_draft)), (published, None)):
            connection.execute(
                text("UPDATE definition SET draft = :draft WHERE owner_id = :owner"), {"draft": draft, "owner": owner}
            )

    database.write(before)
    migrate.upgrade(database, "0024")
    rows_now = database.read(lambda c: c.execute(text("SELECT owner_id, carries FROM definition")).all())
    assert {owner: json.loads(carries) for owner, carries in rows_now} == {
        drafted: of_draft["vocabularies"],
        published: of_revision["vocabularies"],
    }
    database.close()


def put(connection: Connection, name: str, /, **values: Any) -> None:
    """A row, as the database itself says what its columns take."""
    kinds = {each["name"]: each["type"] for each in inspect(connection).get_columns(name)}
    for each, value in values.items():
        if str(kinds[each]).upper() == "CHAR(32)" and each != "chain" and value is not None:
            values[each] = value.replace("-", "")
    into = table(name, *(column(each, kind) for each, kind in kinds.items()))
    connection.execute(insert(into).values(**values))


def logged(owner: Owner, state: State, made: str, coin: str, op: str, **more: Any) -> dict[str, Any]:
    """An entry of the log at this state."""
    body = {"op": op, "id": coin, "edited_at": NOW.isoformat(), **more}
    answer = {"mutation_id": made, "status": "applied"}
    about = {
        "owner_id": owner.id,
        "mutation_id": made,
        "holding_id": coin,
        "client_id": "phone",
        "fingerprint": "f" * 64,
    }
    texts = {"body": written(body), "answer": written(answer), "lists": "{}"}
    return {**about, **texts, "modseq": state.number, "chain": state.chain, "at": NOW}


@pytest.mark.parametrize("damaged", [False, True])
def test_photos_of_before_are_in_the_records_and_devices_are_told(empty_database_url: str, damaged: bool) -> None:
    """Rows as the step before has them: a coin with two photos and a fact named `photos`, and a deleted one with a photo."""
    database = Database(empty_database_url)
    migrate.upgrade(database, "0019")
    owner, kept, gone = Owner(new_id()), new_id(), new_id()
    made = [new_id() for _ in range(3)]
    states = [ORIGIN]
    for each in made:
        states.append(states[-1].after(each))
    digests, ids = [letter * 64 for letter in "abc"], iter(sorted(new_id() for _ in range(3)))

    def before(connection: Connection) -> None:
        about = {"name": "a", "folded_name": "a", "is_admin": False, "created_at": NOW, "min_state": 0}
        put(connection, "account", id=owner.id, state=3, chain=states[3].chain, **about)
        patch = {"photos": 7, "note": "n"}
        put(connection, "mutation", **logged(owner, states[1], made[0], kept, "create", patch=patch))
        put(connection, "mutation", **logged(owner, states[2], made[1], gone, "create", patch=patch))
        seen = {"photos": made[1], "note": made[1]}
        put(connection, "mutation", **logged(owner, states[3], made[2], gone, "destroy", **{"from": seen}))
        for coin, by, first, last, destroyed_by in ((kept, made[0], 1, 1, None), (gone, made[1], 2, 3, made[2])):
            put(
                connection,
                "holding",
                owner_id=owner.id,
                id=coin,
                modseq=last,
                created_modseq=first,
                purged=False,
                destroyed=destroyed_by is not None,
                destroyed_by=destroyed_by,
                conflicts="[]",
                created_at=NOW,
                updated_at=NOW,
                data=written({"facts": {"photos": 7}, "note": "n"}),
                writers=written({key: [by, NOW.isoformat()] for key in ("photos", "note")}),
            )
        for coin, digest, side in (
            (kept, digests[0], "edge"),
            (kept, digests[1], "edge"),
            (gone, digests[2], "reverse"),
        ):
            about = {"owner_id": owner.id, "id": next(ids), "holding_id": coin, "side": side, "digest": digest}
            sizes = {"width": 3, "height": 2, "bytes": 10, "stored_bytes": 20}
            put(connection, "photo", **about, **sizes, kind="image/png", added_at=NOW)

    database.write(before)
    migrate.upgrade(database)
    if damaged:
        # The control: what is compared below does not agree when one photo is taken out of the table.
        database.write(lambda c: c.execute(text("DELETE FROM photo WHERE side = 'reverse'")))
        assert len(database.read(lambda c: list(not_as_logged(c, owner)))) == 1
        database.close()
        return
    assert database.read(lambda c: list(not_as_logged(c, owner))) == []
    page = database.read(lambda c: changes(c, owner, states[3], states[3], 10))
    assert {*page.updated, *page.destroyed} == {kept, gone}
    assert page.reached.number == 5
    (values,) = (stored.record.values for stored in page.records if stored.record.id == kept)
    assert values == {"note": "n", "facts.photos": 7, "photos": [f"{digest} edge" for digest in digests[:2]]}
    shown = database.read(lambda c: PhotoStore(c, owner).of(kept))
    assert [(photo.file.sha256, photo.file.digest, photo.side, photo.file.stored_bytes) for photo in shown] == [
        (digest, digest, "edge", 20) for digest in digests[:2]
    ]
    assert database.read(lambda c: PhotoStore(c, owner).kept()) == set(digests)
    assert database.read(lambda c: PhotoStore(c, owner).missing(10)) == []
    database.close()


def test_every_writer_and_conflict_is_kept_when_values_get_several_writers(empty_database_url: str) -> None:
    database = Database(empty_database_url)
    migrate.upgrade(database, "0020")
    database.write(fill)
    first, second, third = new_id(), new_id(), new_id()
    at = "2026-11-25T12:00:00+00:00"
    mark = f"{first}~0123456789ab"
    before = {
        "data": '{"facts": {"grade": 40, "problems": ["holed"], "number": 7, "weight": 1.50}, "tags": ["a", "b"], "quantity": 3}',
        "writers": json.dumps(
            {
                "grade": [first, at],
                "problems": [second, at],
                "facts.number": [third, at],
                "weight": [first, at],
                "tags": [mark, at],
                "quantity": [first, at],
                "note": [second, at],
            }
        ),
        "conflicts": json.dumps(
            [
                {"id": f"{second}:grade", "kind": "value", "mutation_id": second, "edited_at": "2026-11-25T11:00:00Z"}
                | {"attribute": "grade", "value": 45},
                {"id": f"{mark}:problems", "kind": "value", "mutation_id": mark, "edited_at": "2026-11-25T11:00:00Z"}
                | {"attribute": "problems", "value": ["cleaned"]},
                {"id": third, "kind": "destroy", "mutation_id": third, "edited_at": "2026-11-25T11:00:00Z"},
            ]
        ),
    }
    named = ", ".join(f"{name} = :{name}" for name in before)
    database.write(
        lambda c: c.execute(text(f"UPDATE holding SET {named}, destroyed = false, destroyed_by = NULL"), before)
    )
    owners = database.read(lambda c: c.execute(text("SELECT owner_id, id FROM holding ORDER BY id")).all())
    gone = {"id": owners[0].id, "by": uuid.UUID(third) if not database.is_sqlite else uuid.UUID(third).hex}
    database.write(
        lambda c: c.execute(text("UPDATE holding SET destroyed = true, destroyed_by = :by WHERE id = :id"), gone)
    )
    migrate.upgrade(database)
    for owner_id, identity in owners:
        owner, holding_id = Owner(str(uuid.UUID(str(owner_id)))), str(uuid.UUID(str(identity)))
        (stored,) = database.read(lambda c, owner=owner: SyncStore(c, owner).all())
        record = stored.record
        writers = {name: written.by for name, written in record.written.items()}
        assert writers == {name: by for name, (by, _) in json.loads(before["writers"]).items()}
        assert str(record.values["weight"]) == "1.50"
        assert record.written["tags"].elements == (("a", (holding_id,)), ("b", (holding_id,)))
        assert record.written["problems"].elements == (("holed", (holding_id,)),)
        assert [(c.id, c.kind, c.value) for c in record.conflicts] == [
            (f"{second}:grade", "value", 45),
            (f"{mark}:problems", "value", ["cleaned"]),
            (third, "destroy", None),
        ]
        assert [c.written.by for c in record.conflicts if c.written] == [second, mark]
        assert [delete.by for delete in record.deletes] == ([third] if identity == owners[0].id else [])
    database.close()


def left_by_a_failure(database: Database, monkeypatch: pytest.MonkeyPatch) -> dict[str, int]:
    """The tables that are there after the migrations failed in the middle."""
    real: Callable[..., Any] = alembic.op.create_table

    def fail_at_holding(name: str, *columns: Any, **more: Any) -> Any:
        if name == "holding":
            raise RuntimeError("in the middle")
        return real(name, *columns, **more)

    with monkeypatch.context() as patched:
        patched.setattr("alembic.op.create_table", fail_at_holding)
        with pytest.raises(RuntimeError, match="in the middle"):
            migrate.upgrade(database)
    return database.read(rows)


def test_a_step_that_fails_in_the_middle_leaves_nothing_and_can_be_run_again(
    empty_database_url: str, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    database = Database(empty_database_url)
    assert left_by_a_failure(database, monkeypatch) == {}
    migrate.upgrade(database)
    assert differences(database) == []
    database.close()
    promise(16, "a failure in the middle, and again", kept="nothing left; the second run makes all tables")


def test_steps_that_commit_on_the_way_are_seen(
    empty_database_url: str, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    # The control of the test above.
    database = Database(empty_database_url)
    real = migrate.migration_engine

    def committing(url: Any) -> Any:
        made = real(url)
        after = "BEGIN IMMEDIATE" if database.is_sqlite else "SELECT 1"

        def commit(connection: Any, *_: Any) -> None:
            raw = connection.connection.dbapi_connection
            raw.execute("COMMIT")
            raw.execute(after)

        event.listen(made, "after_cursor_execute", commit)
        return made

    monkeypatch.setattr(migrate, "migration_engine", committing)
    left = left_by_a_failure(database, monkeypatch)
    assert left
    with pytest.raises(DBAPIError):
        migrate.upgrade(database)
    database.close()
    told = f"commits on the way: {len(left)} tables left, the second run fails"
    promise(16, "a failure in the middle, and again", control=told)


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
    for each in metadata.sorted_tables:
        if each.name not in OF_NO_OWNER:
            assert next(iter(each.primary_key.columns)).name == "owner_id", each.name
        if each.name in OF_CLUBS:
            assert next(iter(each.primary_key.columns)).name == "club_id", each.name
