"""Real servers in processes of their own: the service with a filled database, and a bare route that sends the same bytes."""

from __future__ import annotations

import ctypes
import http.client
import json
import os
import random
import signal
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psutil
from sqlalchemy import Connection, insert

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.engine import Database, Limits
from service.database.ids import new_id
from service.database.migrate import upgrade
from service.definitions import actions as definitions
from service.holdings.model import with_defaults
from service.holdings.tables import holding
from tests.benchmarks.data import PREFER, SEED, a_coin, a_slot
from tests.benchmarks.race import Side
from tests.owners import open_account
from tests.server import Server

NOW = datetime(2026, 11, 25, tzinfo=UTC)
MEBIBYTE = 1024 * 1024
YEARS = 171
ROWS_AT_ONCE = 5_000


def cpu_of(process: int) -> Callable[[], float]:
    """The clock of another process: seconds of CPU of all its threads, those that have ended too."""
    clock = ctypes.c_int()
    failed = ctypes.CDLL(None).clock_getcpuclockid(ctypes.c_int(process), ctypes.byref(clock))
    if failed:
        raise OSError(failed, os.strerror(failed))
    return lambda: time.clock_gettime(clock.value)


def family_of(process: int) -> list[int]:
    """The process and all that come from it: what a server computes, it mostly computes in processes for work."""
    return [process, *(child.pid for child in psutil.Process(process).children(recursive=True))]


def cpu_of_family(process: int) -> Callable[[], float]:
    """The clocks of all of them together. One that starts between two readings counts with its start, one that ends is lost."""

    def seconds() -> float:
        return sum(cpu_of(each)() for each in family_of(process))

    return seconds


def memory_of(process: int) -> float:
    """What it has now, in MiB."""
    return float(psutil.Process(process).memory_info().rss) / MEBIBYTE


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)

    def __repr__(self) -> str:
        return f"{self.status}, {len(self.body)} bytes {self.body[:80]!r}"


class Caller:
    """One connection that is kept open, to one server."""

    def __init__(self, server: Server, headers: Mapping[str, str] = {}) -> None:
        self.cpu, self._headers = cpu_of_family(server.process.pid), dict(headers)
        self._connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=600)

    def get(self, path: str, headers: Mapping[str, str] = {}) -> Answer:
        return self._ask("GET", path, None, headers)

    def post(self, path: str, body: Any, headers: Mapping[str, str] = {}) -> Answer:
        return self._ask("POST", path, json.dumps(body).encode(), {"Content-Type": "application/json", **headers})

    def patch(self, path: str, body: Any, headers: Mapping[str, str]) -> Answer:
        kind = {"Content-Type": "application/merge-patch+json"}
        return self._ask("PATCH", path, json.dumps(body).encode(), {**kind, **headers})

    def hang_up(self) -> None:
        """The next request opens a connection of its own: the server closes one that is not used for a while."""
        self._connection.close()

    def _ask(self, method: str, path: str, body: bytes | None, headers: Mapping[str, str]) -> Answer:
        self._connection.request(method, path, body, {**self._headers, **headers})
        answer = self._connection.getresponse()
        return Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())

    def getting(self, path: str, headers: Mapping[str, str] = {}) -> Side[Answer]:
        """A GET, by the CPU clocks of the server and its processes for work."""
        return Side(lambda: self.get(path, headers), self.cpu)


def same(ours: Answer, theirs: Answer) -> bool:
    return (ours.status, ours.body) == (theirs.status, theirs.body)


@dataclass(frozen=True)
class Collector:
    """An account with coins and sets."""

    owner: Owner
    token: str
    sets: tuple[str, ...]

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"}


@contextmanager
def an_empty_house(limits: Limits | None = None) -> Iterator[tuple[str, Database]]:
    """The address of a migrated SQLite database, and the database."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'benchmark.sqlite3'}"
        database = Database(url, limits)
        try:
            upgrade(database)
            yield url, database
        finally:
            database.close()


def a_document(places: int, *, hard: bool = False) -> dict[str, Any]:
    """The set of `data.a_case`, as it is sent."""
    chance = random.Random(SEED)
    slots = [a_slot(chance, number, places, hard, YEARS) for number in range(places)]
    return {"format": "set-definition/1", "title": "benchmark", "prefer": PREFER, "slots": slots}


def move_in(database: Database, coins: int, documents: Sequence[Mapping[str, Any]], seed: int = SEED) -> Collector:
    """A collector with so many coins and these sets, published, written without HTTP."""
    chance = random.Random(seed)

    def begin(connection: Connection) -> Collector:
        owner, token = open_account(connection, f"a collector {new_id()}")
        return Collector(owner, token, tuple(publish(connection, owner, document) for document in documents))

    collector = database.write(begin)
    rows = [
        a_row(collector.owner, number + 1, with_defaults({"facts": a_coin(chance, number, YEARS)["facts"]}))
        for number in range(coins)
    ]

    def fill(connection: Connection) -> None:
        accounts = AccountStore(connection)
        state = accounts.lock(collector.owner)
        for first in range(0, len(rows), ROWS_AT_ONCE):
            connection.execute(insert(holding), rows[first : first + ROWS_AT_ONCE])
        for row in rows:
            state = state.after(row["id"])
        accounts.put_state(collector.owner, state)

    database.write(fill)
    return collector


def publish(connection: Connection, owner: Owner, document: Mapping[str, Any]) -> str:
    line, _ = definitions.draft(connection, owner, None, dict(document), NOW)
    definitions.publish(connection, owner, line.id, NOW, expect=lambda _: None)
    return line.id


def a_row(owner: Owner, number: int, data: Mapping[str, Any]) -> dict[str, Any]:
    """A row of the table of holdings, new at this number of the owner's state."""
    row = {"owner_id": owner.id, "id": new_id(), "modseq": number, "created_modseq": number, "destroyed": False}
    return {**row, "data": data, "created_at": NOW, "updated_at": NOW, "writers": {}, "conflicts": []}


class BareServer(Server):
    """FastAPI with one route for each answer, and nothing else: same server settings."""

    program = ("-m", "tests.benchmarks.bare_server")


@contextmanager
def bare(answers: Mapping[str, Answer]) -> Iterator[Caller]:
    """A server whose route `/NAME` sends that answer."""
    with tempfile.TemporaryDirectory() as folder:
        for name, answer in answers.items():
            Path(folder, name).write_bytes(answer.body)
            Path(folder, f"{name}.type").write_text(f"{answer.status} {answer.headers.get('content-type', '')}")
        server = BareServer("", folder)
        try:
            server.wait_until_ready()
            yield Caller(server)
        finally:
            server.end(signal.SIGKILL)
