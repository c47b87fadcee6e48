"""On hash partitions by owner every statement of a usual request asks one partition.

PostgreSQL itself says what it did: its module auto_explain hands out the plan of each statement as it was carried out, prepared
ones, those of triggers and of references included.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from sqlalchemy import Engine, event, text

from service.database import lookup, partitions
from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import upgrade
from tests.conftest import SERVER_URL, Running, running, settings_for
from tests.http import doors
from tests.http.set_changes import Collector, done, move_in

PARTS = 8
# psycopg prepares a statement after five times, and after five more PostgreSQL may plan it for all values.
TIMES = 14
EXPLAIN = (
    "LOAD 'auto_explain'",
    "SET auto_explain.log_min_duration = 0",
    "SET auto_explain.log_analyze = on",
    "SET auto_explain.log_timing = off",
    "SET auto_explain.log_verbose = on",
    "SET auto_explain.log_nested_statements = on",
    "SET auto_explain.log_format = json",
    "SET client_min_messages = log",
)
AT = "2026-11-25T12:00:00Z"

pytestmark = [
    pytest.mark.anyio,
    pytest.mark.skipif(SERVER_URL is None, reason="SQLite has no partitions"),
]

# The queue looks each minute whose jobs were left lying, of all owners; no request asks this (jobs/store.waiting_jobs).
ROUND = "SELECT job.owner_id, job.id \nFROM job \nWHERE job.state = "

# By statement the partitions that it asked.
Asked = dict[str, set[int]]


class Watch:
    """What the statements did since."""

    def __init__(self) -> None:
        self.statements: defaultdict[str, set[int]] = defaultdict(set)

    def note(self, message: Any) -> None:
        plan = message.message_primary or ""
        if plan.startswith("duration:") and "{" in plan:
            read = json.loads(plan[plan.index("{") :])
            if read["Query Text"].startswith(ROUND):
                return
            self.statements[read["Query Text"]] |= set(_asked(read["Plan"]))

    @property
    def several(self) -> Asked:
        return {statement: found for statement, found in self.statements.items() if len(found) > 1}

    def tables(self) -> str:
        return "\n".join(statement for statement, found in self.statements.items() if found)


def _asked(node: dict[str, Any]) -> Iterator[int]:
    """The numbers of the partitions that a step of a plan, and those below it, looked into. Two tables of one owner are in
    partitions of the same number."""
    name = node.get("Relation Name", "")
    if node.get("Schema") == partitions.SCHEMA and not name.endswith("_by_digest") and node.get("Actual Loops"):
        yield int(name.rpartition("_")[2])
    for below in node.get("Plans", ()):
        yield from _asked(below)


@asynccontextmanager
async def watched(url: str) -> AsyncIterator[tuple[Running, Watch]]:
    watch, database = Watch(), Database(url)
    upgrade(database, partitions=PARTS)
    database.close()

    def explain(connection: Any, _: Any) -> None:
        for statement in EXPLAIN:
            connection.execute(statement)
        connection.commit()
        connection.add_notice_handler(watch.note)

    event.listen(Engine, "connect", explain)
    try:
        async with running(settings_for(url)) as service:
            yield service, watch
    finally:
        event.remove(Engine, "connect", explain)


@pytest.fixture
async def house(empty_database_url: str, anyio_backend: str) -> AsyncIterator[tuple[Running, Watch, Collector]]:
    async with watched(empty_database_url) as (service, watch):
        for _ in range(3):
            await move_in(service.client, service.collector())
        mine = await move_in(service.client, service.collector())
        watch.statements.clear()
        yield service, watch, mine


def requests(service: Running, mine: Collector) -> dict[str, Callable[[], Awaitable[Any]]]:
    client, headers = service.client, dict(mine.headers)

    def get(path: str) -> Callable[[], Awaitable[Any]]:
        return lambda: done(client, headers, "GET", path)

    async def sync() -> None:
        edits = [
            {
                "mutation_id": new_id(),
                "op": "create",
                "id": new_id(),
                "patch": {"denomination": "penny"},
                "edited_at": AT,
            }
            for _ in range(5)
        ]
        await done(client, headers, "POST", "/v1/holdings/sync", {"client_id": "phone", "mutations": edits})

    async def another() -> None:
        made = await done(client, headers, "POST", "/v1/holdings", {"facts": {"denomination": "crown"}})
        where, merge = f"/v1/holdings/{made.json()['id']}", {"Content-Type": "application/merge-patch+json"}
        await done(client, {**headers, **merge}, "PATCH", where, {"note": "shiny"})
        await done(client, headers, "DELETE", where)

    async def pins() -> None:
        never = {"pins": [], "nevers": [{"holding": mine.coin, "place": "late"}]}
        await done(client, headers, "PUT", f"{mine.sets[0]}/pins", never)

    async def unchanged() -> None:
        first = await client.get(f"{mine.sets[0]}/evaluation", headers=headers)
        again = await client.get(
            f"{mine.sets[0]}/evaluation", headers={**headers, "If-None-Match": first.headers["etag"]}
        )
        assert again.status_code == 304

    async def link() -> None:
        share = await doors.shared(service, headers)
        for _ in range(TIMES):
            opened = await client.get(share["link"])
            assert opened.status_code == 200, opened.text

    def once(work: Callable[[], Awaitable[Any]]) -> Callable[[], Awaitable[Any]]:
        left = [work]

        async def first() -> None:
            if left:
                await left.pop()()

        return first

    return {
        "whose token": get("/v1/account"),
        "a page": get("/v1/holdings?limit=2"),
        "a filtered page": get("/v1/holdings?filter=grade%20%3E%205"),
        "a holding": get(f"/v1/holdings/{mine.coin}"),
        "changes": get("/v1/holdings/changes"),
        "sync": sync,
        "create, change, delete": another,
        "evaluation": get(f"{mine.sets[0]}/evaluation"),
        "unchanged": unchanged,
        "want list": get(f"{mine.sets[1]}/want-list"),
        "sets": get("/v1/definitions"),
        "pins": pins,
        "tokens": get("/v1/account/tokens"),
        "issues": get("/v1/issues?limit=5"),
        "a link": once(link),
    }


async def test_each_statement_asks_one_partition(house: tuple[Running, Watch, Collector]) -> None:
    service, watch, mine = house
    for what, ask in requests(service, mine).items():
        watch.statements.clear()
        for _ in range(TIMES):
            await ask()
        assert watch.several == {}, what
        # It was seen at work at all.
        assert any(watch.statements.values()), what


async def test_what_does_not_know_the_owner_is_seen_to_ask_all(
    house: tuple[Running, Watch, Collector], monkeypatch: pytest.MonkeyPatch
) -> None:
    # The controls of the test above: a statement without the owner, and a token that is looked for without its directory.
    service, watch, mine = house
    careless = text("SELECT data FROM holding WHERE id = :id")
    service.app.state.database.read(lambda connection: connection.execute(careless, {"id": mine.coin}).all())
    assert list(watch.several.values()) == [set(range(PARTS))]
    watch.statements.clear()
    monkeypatch.setattr(lookup, "has_directories", lambda connection: False)
    await done(service.client, dict(mine.headers), "GET", "/v1/account")
    assert set(range(PARTS)) in watch.several.values()
