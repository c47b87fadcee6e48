"""What was acknowledged is there after a power cut, and the database is sound (promises.md, 2).

The service's own way to the database, its migrations and its actions run on a disk that records, by apsw, which brings an SQLite
of its own. The states that a cut could leave are opened by the SQLite that the service uses, that of the standard library.
`SETWRIGHT_TEST_SEED` chooses what is torn.
"""

from __future__ import annotations

import os
import random
import sqlite3
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import apsw
import pytest
import sqlalchemy
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.engine import Database
from service.database.migrate import upgrade
from service.facts.core_attributes import CORE
from service.holdings import actions
from tests.database.apsw_driver import driver
from tests.database.power_cut import Event, Files, RecordingVfs, crashes, put
from tests.owners import open_account, recognise
from tests.promises.plugin import Promise
from tests.promises.rows import SQLITE

NAME = "power cuts replayed"
STATES = 3_000
# So that one run sees the log begin anew several times; otherwise at 1,000 pages.
CHECKPOINT_PAGES = 60
AT = datetime(2026, 11, 29, 12, tzinfo=UTC)
SEED = int(os.environ.get("SETWRIGHT_TEST_SEED", "4711"))
Rows = list[tuple[object, ...]]
LOOK = (
    "SELECT id, modseq, destroyed, data FROM holding ORDER BY id",
    "SELECT mutation_id, modseq FROM mutation ORDER BY mutation_id",
)


@dataclass
class Recording:
    """A database before, all that was done to its files since, and by transaction: its state and after which event it was
    acknowledged."""

    base: Files
    events: list[Event] = field(default_factory=list)
    acknowledged: list[int] = field(default_factory=list)
    states: list[list[Rows]] = field(default_factory=list)

    def problem(self, number: int, files: Files, folder: Path) -> str | None:
        """What is wrong with a state left by a cut after so many events: 'lost', 'corrupt' or neither."""
        promised = sum(at <= number for at in self.acknowledged)
        try:
            with closing(sqlite3.connect(put(files, folder))) as connection:
                if connection.execute("PRAGMA integrity_check").fetchall() != [("ok",)]:
                    return "corrupt"
                if connection.execute("PRAGMA foreign_key_check").fetchall():
                    return "corrupt"
                found = [connection.execute(query).fetchall() for query in LOOK]
        except sqlite3.DatabaseError:
            return "corrupt"
        # The last transaction may be there before its end was told. States of different transactions differ.
        if found in self.states[promised : promised + 2]:
            return None
        return "lost" if found in self.states else "corrupt"


@pytest.fixture
def recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Recording]:
    return partial(record, tmp_path, monkeypatch)


def record(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    transactions: int,
    rewritten: Callable[[str], str] = lambda text: text,
) -> Recording:
    """What the service does to the files of a database in so many transactions."""
    chance = random.Random(SEED)
    file = folder / f"database-{len(list(folder.iterdir()))}" / "setwright.sqlite3"
    disk = RecordingVfs("recording", file, chance)
    module = driver(disk.name, lambda made: made.wal_autocheckpoint(CHECKPOINT_PAGES), rewritten)
    with monkeypatch.context() as patch:
        patch.setattr("service.database.engine.create_engine", partial(sqlalchemy.create_engine, module=module))
        milliseconds = iter(range(1_800_000_000_000, 1_900_000_000_000))
        patch.setattr("service.database.ids.time", SimpleNamespace(time_ns=lambda: next(milliseconds) * 1_000_000))
        patch.setattr("service.database.ids.secrets", SimpleNamespace(randbits=chance.getrandbits))
        database = Database(f"sqlite:///{file}")
        upgrade(database)
        _, token = database.write(lambda connection: open_account(connection, "a collector"))
        owner = database.read(lambda connection: recognise(connection, token))
        database.close()

        # All connections are closed, so the log is gone and the file is whole.
        assert not Path(f"{file}-wal").exists()
        made = Recording({"": bytearray(file.read_bytes())})
        disk.events = made.events
        database = Database(f"sqlite:///{file}")
        made.states.append(database.read(look))
        for transaction in edits(chance, owner, transactions):
            database.write(transaction)
            made.acknowledged.append(len(made.events))
            made.states.append(database.read(look))
        database.close()
        disk.unregister()
    return made


def edits(chance: random.Random, owner: Owner, count: int) -> Iterator[Callable[[Connection], object]]:
    """Transactions as the API makes them: holdings recorded, changed and deleted, one or some at a time."""
    ids: list[str] = []

    def write(connection: Connection) -> None:
        kind = chance.random()
        if len(ids) > 5 and kind < 0.3:
            patch = {"note": "x" * chance.randint(0, 4000), "facts": {"grade": chance.randint(1, 70)}}
            one = chance.choice(ids)
            actions.change(connection, owner, one, patch, CORE, AT, expect=lambda _: None)
        elif len(ids) > 5 and kind < 0.4:
            actions.destroy(connection, owner, ids.pop(chance.randrange(len(ids))), AT, expect=lambda _: None)
        else:
            for _ in range(chance.choice((1, 1, 1, 6))):
                data = {"facts": {"grade": chance.randint(1, 70)}, "note": "y" * chance.randint(0, 2000)}
                ids.append(actions.record(connection, owner, None, data, CORE, AT).id)

    for _ in range(count):
        yield write


def look(connection: Connection) -> list[Rows]:
    return [[tuple(row) for row in connection.exec_driver_sql(query)] for query in LOOK]


def after_cuts(made: Recording, *, syncs: bool = True, states: int | None = None) -> tuple[int, Counter[str]]:
    """How many states were looked at, and how many of them were lost or corrupt."""
    seen, problems = 0, Counter[str]()
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as folder:
        for number, fate, files in crashes(made.base, made.events, random.Random(SEED), syncs=syncs, states=states):
            seen += 1
            problem = made.problem(number, files, Path(folder))
            if problem:
                problems[problem] += 1
                problems[f"{problem}, {fate}"] += 1
    return seen, problems


def test_no_power_cut_loses_what_was_acknowledged(recorded: Callable[..., Recording], promise: Promise) -> None:
    begun = time.monotonic()
    made = recorded(48)
    # Among the events are the ends of the log: the file was written, and the log begun anew.
    assert sum(event.file == "" for event in made.events) > 100
    seen, problems = after_cuts(made)
    assert seen >= STATES
    assert problems == Counter()
    library = f"written by SQLite {apsw.sqlite_lib_version()}, opened by {sqlite3.sqlite_version}"
    figure = f"{seen:,} states of {len(made.acknowledged)} transactions, 0 lost, 0 corrupt"
    promise(2, NAME, kept=f"{figure}; {library}", engine=SQLITE)
    print(f"{figure} in {time.monotonic() - begun:.1f} s")


@pytest.mark.parametrize("setting", ["OFF", "NORMAL"])
def test_less_than_full_syncs_lose_transactions(
    recorded: Callable[..., Recording], promise: Promise, setting: str
) -> None:
    # A control: NORMAL syncs the log only before it is written into the file, OFF never.
    made = recorded(12, lambda text: text.replace("synchronous=FULL", f"synchronous={setting}"))
    seen, problems = after_cuts(made, states=200)
    assert problems["lost"] > 0
    told = f"synchronous={setting}: {problems['lost']} of {seen} states lost, {problems['corrupt']} corrupt"
    promise(2, NAME, control=told, engine=SQLITE)


def test_a_disk_that_ignores_syncs_loses_transactions(recorded: Callable[..., Recording], promise: Promise) -> None:
    # A control: the states would be seen to be lost if they were.
    made = recorded(12)
    seen, problems = after_cuts(made, syncs=False, states=200)
    assert problems["lost"] > 0
    assert problems["lost, kept"] == 0
    told = f"a disk that ignores syncs: {problems['lost']} of {seen} states lost, {problems['corrupt']} corrupt"
    promise(2, NAME, control=told, engine=SQLITE)


def test_the_same_seed_records_the_same(recorded: Callable[..., Recording], tmp_path: Path) -> None:
    first, second = (
        [(type(event), event.file, getattr(event, "offset", None)) for event in recorded(6).events] for _ in range(2)
    )
    assert first == second
