"""What sync costs through the whole service (JSON in, JSON out, in this process, no socket), beside bare statements of the driver
that write and read the same rows in the same run."""

from __future__ import annotations

import asyncio
import random
import statistics
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection

from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import upgrade
from tests.benchmarks import traffic
from tests.benchmarks.data import SEED, a_coin
from tests.benchmarks.traffic import Traffic
from tests.conftest import SERVER_URL, Running, own_database, running, settings_for

BATCH = PAGE = 500
EDITS = 50
SMALL = 100
DAYS = 9
AT = "2026-11-25T12:00:00Z"

Answer = TypeVar("Answer")
Rows = tuple[list[str], list[tuple[Any, ...]]]


@dataclass(frozen=True)
class First:
    """Seconds for all holdings: sent in batches, fetched in pages by another device; the floors write the same rows of holdings
    and log in one transaction, and read the rows of holdings."""

    push: float
    bare_insert: float
    pull: float
    bare_select: float


@dataclass(frozen=True)
class Daily:
    """Median seconds to send 50 edits in one batch, and for another device to ask what changed since and get them."""

    holdings: int
    push: float
    changes: float


def engines() -> dict[str, str | None]:
    """The address of the server by engine; SQLite has none."""
    return {"SQLite": None} | ({"PostgreSQL": SERVER_URL} if SERVER_URL is not None else {})


def traffic_of(holdings: int) -> list[Traffic]:
    """The bytes of sync with so many holdings, the same on both engines."""

    async def run(url: str) -> list[Traffic]:
        async with running(settings_for(url)) as service:
            return await traffic.measured(service, holdings)

    with tempfile.TemporaryDirectory() as folder, own_database(Path(folder), None) as url:
        return asyncio.run(run(url))


def measured(server_url: str | None, holdings: int) -> tuple[First, list[Daily]]:
    """The first sync of so many holdings, and days of fifty edits with so many and with a hundred, in turns."""
    with (
        tempfile.TemporaryDirectory() as folder,
        own_database(Path(folder), server_url) as url,
        own_database(Path(folder), server_url) as bare_url,
    ):
        return asyncio.run(_measured(url, bare_url, holdings))


async def _measured(url: str, bare_url: str, holdings: int) -> tuple[First, list[Daily]]:
    async with running(settings_for(url)) as service:
        large, small = Devices(service), Devices(service)
        await small.fill(SMALL)
        push, _ = await _timed(large.fill(holdings))
        pull, pulled = await _timed(large.changed(None))
        assert {record["id"]: record["facts"] for record in pulled} == large.facts
        floors = _floors(service.app.state.database, bare_url, holdings + SMALL)
        days: dict[int, list[tuple[float, float]]] = {holdings: [], SMALL: []}
        for _ in range(DAYS):
            for devices in (large, small):
                days[len(devices.facts)].append(await devices.day())
    medians = [
        Daily(size, statistics.median(p for p, _ in times), statistics.median(c for _, c in times))
        for size, times in days.items()
    ]
    return First(push, floors[0], pull, floors[1]), medians


class Devices:
    """One owner's: what one sent, another fetches."""

    def __init__(self, service: Running) -> None:
        self._client, self.headers = service.client, service.collector()
        self._chance = random.Random(SEED)
        self.facts: dict[str, dict[str, Any]] = {}
        self._writers: dict[str, str] = {}
        self._state: str | None = None

    async def fill(self, holdings: int) -> None:
        for begin in range(0, holdings, BATCH):
            batch = []
            for number in range(begin, min(begin + BATCH, holdings)):
                coin, made, facts = new_id(), new_id(), a_coin(self._chance, number, 171)["facts"]
                self.facts[coin], self._writers[coin] = facts, made
                batch.append({"mutation_id": made, "op": "create", "id": coin, "patch": facts, "edited_at": AT})
            await self._send(batch)

    async def day(self) -> tuple[float, float]:
        """Seconds to send fifty edits, and to fetch them."""
        batch = []
        coins = self._chance.sample(sorted(self.facts), EDITS)
        for coin in coins:
            made, grade = new_id(), self._chance.randint(1, 70)
            edit = {"mutation_id": made, "op": "update", "id": coin, "patch": {"grade": grade}, "edited_at": AT}
            batch.append({**edit, "from": {"grade": self._writers[coin]}})
            self.facts[coin], self._writers[coin] = {**self.facts[coin], "grade": grade}, made
        before = self._state
        push, _ = await _timed(self._send(batch))
        changes, found = await _timed(self.changed(before))
        assert {record["id"]: record["facts"] for record in found} == {coin: self.facts[coin] for coin in coins}
        return push, changes

    async def changed(self, since: str | None) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        while True:
            query = {"limit": str(PAGE)} | ({"since": since} if since else {})
            answer = await self._client.get("/v1/holdings/changes", params=query, headers=self.headers)
            assert answer.status_code == 200, answer.text
            page = answer.json()
            found += page["list"]
            since = page["new_state"]
            if not page["has_more_changes"]:
                return found

    async def _send(self, batch: list[dict[str, Any]]) -> None:
        body = {"client_id": "phone", "mutations": batch}
        answer = await self._client.post("/v1/holdings/sync", json=body, headers=self.headers)
        assert answer.status_code == 200, answer.text
        assert {one["status"] for one in answer.json()["responses"]} == {"applied"}
        self._state = answer.json()["new_state"]


async def _timed(work: Awaitable[Answer]) -> tuple[float, Answer]:
    begun = time.perf_counter()
    answer = await work
    return time.perf_counter() - begun, answer


def _floors(database: Database, bare_url: str, holdings: int) -> tuple[float, float]:
    """Seconds of the driver alone for the rows that sync wrote, into and out of tables with the same keys."""
    account, holding, mutation = (
        database.read(partial(_rows, table=table)) for table in ("account", "holding", "mutation")
    )
    bare = Database(bare_url)
    try:
        upgrade(bare)
        bare.write(partial(_insert, table="account", rows=account))

        def write(connection: Connection) -> None:
            _insert(connection, "holding", holding)
            _insert(connection, "mutation", mutation)

        insert, _ = _took(lambda: bare.write(write))
        select, found = _took(lambda: bare.read(partial(_rows, table="holding")))
        assert len(found[1]) == len(mutation[1]) == holdings
        return insert, select
    finally:
        bare.close()


def _took(run: Callable[[], Answer]) -> tuple[float, Answer]:
    begun = time.perf_counter()
    answer = run()
    return time.perf_counter() - begun, answer


def _rows(connection: Connection, table: str) -> Rows:
    found = connection.exec_driver_sql(f"SELECT * FROM {table}")
    return list(found.keys()), [tuple(row) for row in found]


def _insert(connection: Connection, table: str, rows: Rows) -> None:
    names, values = rows
    marks = ", ".join("?" if connection.dialect.name == "sqlite" else "%s" for _ in names)
    connection.exec_driver_sql(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", values)
