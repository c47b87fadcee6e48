"""What writing many holdings costs: a batch of sync and a sheet that is imported, beside the driver's own `executemany` of the
same rows of holdings and log, in turns in the same run. `python -m tests.benchmarks.writing` prints it alone.

Each measure is taken at two depths: the action alone (`batch`: from the plain values of a body to the commit), and the request
through the whole service in this process, no socket (`request`: JSON in, JSON out, the client's part of it included)."""

from __future__ import annotations

import asyncio
import csv
import io
import random
import statistics
import tempfile
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, fields
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy import Connection

from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import upgrade
from service.facts.core_attributes import CORE
from service.holdings.sync.actions import synchronise
from service.http.api.sync import judged
from service.memory import settle_memory
from tests.benchmarks.data import SEED, a_coin
from tests.benchmarks.syncing import engines
from tests.clock import NOW
from tests.conftest import Running, own_database, running, settings_for
from tests.owners import recognise

BATCH = 500
ROWS = 5_000
THERE = 5_000
REPEATS = 7
IMPORTS = 3
AT = "2026-11-25T12:00:00Z"
COLUMNS = ("number", "issuer", "denomination", "year_on_coin", "grade", "problems", "location", "price_paid")
TABLES = ("holding", "mutation")


@dataclass(frozen=True)
class Seconds:
    """Median seconds of one measure: of this process's processor, and on the clock."""

    cpu: float
    wall: float

    def over(self, other: Seconds) -> Seconds:
        """How many times the other one."""
        return Seconds(self.cpu / other.cpu, self.wall / other.wall)

    @property
    def both(self) -> tuple[float, float]:
        return self.cpu, self.wall

    def each(self, rows: int) -> Seconds:
        return Seconds(self.cpu / rows, self.wall / rows)


@dataclass(frozen=True)
class Batches:
    """Batches of 500 mutations to an owner with 5,000 holdings: new ones, and one edit of each. `floor`: the driver's
    executemany of the rows that the new ones made, committed; `batch` and `request`: see above."""

    floor: Seconds
    batch: Seconds
    request: Seconds
    edits: Seconds
    edits_request: Seconds


@dataclass(frozen=True)
class Imports:
    """One row of 5,000 in one request to an owner without holdings: sent by sync in batches, imported as CSV and as JSON, only
    looked at, and imported a second time, when nothing changes."""

    sync: Seconds
    csv: Seconds
    json: Seconds
    dry_run: Seconds
    again: Seconds


def batches(server_url: str | None, there: int = THERE, repeats: int = REPEATS) -> Batches:
    # As a server does.
    settle_memory()
    with (
        tempfile.TemporaryDirectory() as folder,
        own_database(Path(folder), server_url) as url,
        own_database(Path(folder), server_url) as bare_url,
    ):
        return asyncio.run(_batches(url, bare_url, there, repeats))


def imports(server_url: str | None, rows: int = ROWS, repeats: int = IMPORTS) -> Imports:
    settle_memory()
    with tempfile.TemporaryDirectory() as folder, own_database(Path(folder), server_url) as url:
        return asyncio.run(_imports(url, rows, repeats))


# --- batches -------------------------------------------------------------------------------------------------------------


async def _batches(url: str, bare_url: str, there: int, repeats: int) -> Batches:
    chance = random.Random(SEED)
    async with running(settings_for(url)) as service:
        headers = service.collector()
        database: Database = service.app.state.database
        for _ in range(there // BATCH):
            await _send(service, headers, _creates(chance, BATCH))
        bare = Database(bare_url)
        try:
            upgrade(bare)
            _copy(database, bare, ("account",))
            _copy(database, bare, TABLES)
            found: dict[str, list[Seconds]] = {}
            for _ in range(repeats):
                before = {table: _keys(database, table) for table in TABLES}
                new = _creates(chance, BATCH)
                found.setdefault("request", []).append(await _timed(partial(_send, service, headers, new)))
                rows = {table: _rows(database, table, _keys(database, table) - before[table]) for table in TABLES}
                assert {len(of_table[1]) for of_table in rows.values()} == {BATCH}
                found.setdefault("floor", []).append(_took(partial(bare.write, partial(_insert_all, rows=rows))))
                new = _creates(chance, BATCH)
                found.setdefault("batch", []).append(_took(partial(_apply, service, headers, new)))
                edits = _edits(chance, new, [one["mutation_id"] for one in new])
                found.setdefault("edits", []).append(_took(partial(_apply, service, headers, edits)))
                edits = _edits(chance, new, [one["mutation_id"] for one in edits])
                found.setdefault("edits_request", []).append(await _timed(partial(_send, service, headers, edits)))
        finally:
            bare.close()
    return Batches(**{name: _median(times) for name, times in found.items()})


def _creates(chance: random.Random, rows: int) -> list[dict[str, Any]]:
    return [
        {"mutation_id": new_id(), "op": "create", "id": new_id(), "patch": _values(chance, number), "edited_at": AT}
        for number in range(rows)
    ]


def _values(chance: random.Random, number: int) -> dict[str, Any]:
    """The values of a coin: its facts, and what an owner notes besides."""
    price = {"amount": chance.randint(1, 900), "currency": "EUR"}
    own = {"number": f"{new_id()[-12:]}-{number}", "location": f"box {number % 12}", "price_paid": price}
    return {**a_coin(chance, number, 171)["facts"], **own}


def _edits(chance: random.Random, made: list[dict[str, Any]], writers: list[str]) -> list[dict[str, Any]]:
    return [
        {"mutation_id": new_id(), "op": "update", "id": one["id"], "patch": {"grade": chance.randint(1, 70)}}
        | {"from": {"grade": writer}, "edited_at": AT}
        for one, writer in zip(made, writers, strict=True)
    ]


def _apply(service: Running, headers: dict[str, str], mutations: list[dict[str, Any]]) -> None:
    database: Database = service.app.state.database
    token = headers["Authorization"].removeprefix("Bearer ")
    owner = database.read(lambda connection: recognise(connection, token))
    batch = [judged(one, NOW, None, is_sound=True) for one in mutations]
    done = database.write(lambda connection: synchronise(connection, owner, "phone", batch, CORE, NOW))
    assert {answer.status for answer in done.answers} == {"applied"}


async def _send(service: Running, headers: dict[str, str], mutations: list[dict[str, Any]]) -> None:
    body = {"client_id": "phone", "mutations": mutations}
    answer = await service.client.post("/v1/holdings/sync", json=body, headers=headers)
    assert answer.status_code == 200, answer.text
    assert {one["status"] for one in answer.json()["responses"]} == {"applied"}


# --- imports -------------------------------------------------------------------------------------------------------------


async def _imports(url: str, rows: int, repeats: int) -> Imports:
    chance = random.Random(SEED)
    found: dict[str, list[Seconds]] = {}
    async with running(settings_for(url)) as service:
        await _send(service, service.collector(), _creates(chance, BATCH))
        await _import(service, service.collector(), *_as_csv(_creates(chance, BATCH)))
        for _ in range(repeats):
            made = _creates(chance, rows)

            async def send(made: list[dict[str, Any]] = made) -> None:
                headers = service.collector()
                for begin in range(0, rows, BATCH):
                    await _send(service, headers, made[begin : begin + BATCH])

            found.setdefault("sync", []).append(await _timed(send))
            owner, sheet, body = service.collector(), _as_csv(made), _as_json(made)
            found.setdefault("dry_run", []).append(
                await _timed(partial(_import, service, owner, *sheet, dry_run="true"))
            )
            found.setdefault("csv", []).append(await _timed(partial(_import, service, owner, *sheet)))
            found.setdefault("again", []).append(
                await _timed(partial(_import, service, owner, *sheet, expected="unchanged"))
            )
            other = service.collector()
            found.setdefault("json", []).append(await _timed(partial(_import, service, other, *body)))
    return Imports(**{name: _median(times).each(rows) for name, times in found.items()})


async def _import(
    service: Running, headers: dict[str, str], kind: str, body: bytes, *, expected: str = "created", **query: str
) -> None:
    more = {"Content-Type": kind}
    answer = await service.client.post("/v1/holdings/imports", content=body, params=query, headers={**headers, **more})
    assert answer.status_code == 200, answer.text
    report = answer.json()
    assert report[expected] == report["rows"] > 0, report


def _as_csv(made: list[dict[str, Any]]) -> tuple[str, bytes]:
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow(COLUMNS)
    rows.writerows([_cell(one["patch"].get(name)) for name in COLUMNS] for one in made)
    return "text/csv", text.getvalue().encode()


def _cell(value: Any) -> str:
    if isinstance(value, dict):
        return (
            f"{value['amount']} {value['currency']}"
            if "amount" in value
            else "|".join(map(str, value["one_of"]))
            if "one_of" in value
            else f"{value['from']}-{value['to']}"
        )
    if isinstance(value, list):
        return ";".join(value) or "-"
    return "" if value is None else str(value)


def _as_json(made: list[dict[str, Any]]) -> tuple[str, bytes]:
    own = ("number", "location", "price_paid")
    holdings = [
        {
            **{name: one["patch"][name] for name in own},
            "facts": {name: value for name, value in one["patch"].items() if name not in own},
        }
        for one in made
    ]
    return "application/json", msgspec.json.encode({"holdings": holdings})


# --- the driver alone ----------------------------------------------------------------------------------------------------

Rows = tuple[list[str], list[tuple[Any, ...]]]


def _keys(database: Database, table: str) -> frozenset[Any]:
    key = "id" if table == "holding" else "mutation_id"
    return database.read(lambda c: frozenset(c.exec_driver_sql(f"SELECT {key} FROM {table}").scalars()))


def _rows(database: Database, table: str, keys: frozenset[Any] | None = None) -> Rows:
    key = "id" if table == "holding" else "mutation_id"

    def read_rows(connection: Connection) -> Rows:
        found = connection.exec_driver_sql(f"SELECT * FROM {table}")
        names = list(found.keys())
        rows = [tuple(row) for row in found]
        return names, rows if keys is None else [row for row in rows if row[names.index(key)] in keys]

    return database.read(read_rows)


def _copy(database: Database, bare: Database, tables: tuple[str, ...]) -> None:
    rows = {table: _rows(database, table) for table in tables}
    bare.write(partial(_insert_all, rows=rows))


def _insert_all(connection: Connection, rows: dict[str, Rows]) -> None:
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    for table, (names, values) in rows.items():
        marks = ", ".join(mark for _ in names)
        connection.exec_driver_sql(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", values)


# --- times ---------------------------------------------------------------------------------------------------------------


async def _timed(run: Callable[[], Awaitable[None]]) -> Seconds:
    cpu, wall = time.process_time(), time.perf_counter()
    await run()
    return Seconds(time.process_time() - cpu, time.perf_counter() - wall)


def _took(run: Callable[[], Any]) -> Seconds:
    cpu, wall = time.process_time(), time.perf_counter()
    run()
    return Seconds(time.process_time() - cpu, time.perf_counter() - wall)


def _median(times: list[Seconds]) -> Seconds:
    return Seconds(statistics.median(one.cpu for one in times), statistics.median(one.wall for one in times))


def main() -> None:
    for engine, server_url in engines().items():
        found, each = batches(server_url), imports(server_url)
        print(f"{engine}: {BATCH} mutations, ms (against the driver's executemany of the same rows)")
        for field in fields(found):
            _print(field.name, getattr(found, field.name), found.floor, 1e3)
        print(f"{engine}: a row of {ROWS:,}, microseconds (against sync)")
        for field in fields(each):
            _print(field.name, getattr(each, field.name), each.sync, 1e6)


def _print(name: str, one: Seconds, other: Seconds, scale: float) -> None:
    against = one.over(other)
    cpu, wall = (f"{value * scale:,.1f} ({times:.2f}x)" for value, times in zip(one.both, against.both, strict=True))
    print(f"  {name:14} processor {cpu:18} clock {wall}")


if __name__ == "__main__":
    main()
