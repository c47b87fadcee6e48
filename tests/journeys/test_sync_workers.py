"""Several workers of one database answer the devices of one owner at once: requests overlap and are doubled, answers are lost,
the log is purged and an attribute gets another type meanwhile. What each device did is there at the end, once."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import delete

from service.client import Device
from service.database.engine import Database
from service.database.migrate import upgrade
from service.holdings.sync.purge import purge
from service.holdings.sync.verify import all_differences
from service.holdings.tables import past_mutation
from tests.conftest import PARTITIONS
from tests.journeys.test_two_workers import People, workers
from tests.server import Server

pytestmark = pytest.mark.process
COINS, ROUNDS, EDITS = 6, 5, 3
# Each of them alone writes its attribute, so that nothing may conflict.
WRITES = {"phone": "grade", "laptop": "year_on_coin", "tablet": "note"}
REDECLARED = {
    "format": "set-definition/1",
    "title": "Counted",
    "attributes": [{"name": "spots", "type": "integer"}],
    "slots": [{"id": "a", "label": "A", "accepts": "spots = 3"}],
}


class Both(httpx.BaseTransport):
    """Takes each request to one of the workers, or to both at the same time; some answers are lost."""

    def __init__(self, addresses: list[str], seed: str, counts: Counter[str]) -> None:
        self._addresses, self._chance, self._counts = addresses, random.Random(seed), counts
        self._client, self._pool = httpx.Client(timeout=30), ThreadPoolExecutor(2)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        asked = self._chance.sample(self._addresses, 2 if self._chance.random() < 0.4 else 1)
        waiting = [self._pool.submit(self._carry, request, address) for address in asked]
        answers = [one.result() for one in waiting]
        self._counts["overlapping"] += len(asked) > 1
        if self._chance.random() < 0.15:
            raise httpx.ReadError("the answer is lost", request=request)
        answer = self._chance.choice(answers)
        self._counts[str(answer.status_code)] += 1
        kept = {
            name: answer.headers[name] for name in ("content-type", "retry-after", "date") if name in answer.headers
        }
        return httpx.Response(answer.status_code, content=answer.content, headers=kept)

    def _carry(self, request: httpx.Request, address: str) -> httpx.Response:
        headers = {name: value for name, value in request.headers.items() if name not in ("host", "content-length")}
        url = f"{address}{request.url.raw_path.decode()}"
        return self._client.request(request.method, url, content=request.content, headers=headers)

    def close(self) -> None:
        self._client.close()
        self._pool.shutdown()


class Story:
    """Three devices of one owner, between two workers, a fourth that only takes, and what they should come to."""

    def __init__(self, folder: Path, addresses: list[str], owner: dict[str, str]) -> None:
        self.counts: Counter[str] = Counter()
        self.folder, self.addresses, self.owner = folder, addresses, owner
        self.expected: dict[str, dict[str, Any]] = {}

    @contextmanager
    def device(self, name: str) -> Iterator[Device]:
        """A device, for the thread that asks."""
        device = Device(
            self.folder / f"{name}.sqlite",
            "http://setwright.test",
            self.owner["Authorization"].removeprefix("Bearer "),
            name=name,
            transport=Both(self.addresses, name, self.counts),
            sleep=lambda seconds: time.sleep(min(seconds, 0.05)),
        )
        with closing(device):
            yield device

    def begin(self) -> None:
        with self.device("phone") as phone:
            for number in range(COINS):
                # Of a type that a definition will give another one.
                facts = {"denomination": "crown", "spots": "three"}
                self.expected[phone.record(facts, number=f"{number}")] = {**facts, "number": f"{number}"}
        self.settle()

    def settle(self) -> None:
        """Syncs until every device has sent and taken everything."""
        for name in (*WRITES, "newcomer") * 2:
            with self.device(name) as device:
                assert any(device.sync().is_complete for _ in range(20))

    def wrong(self) -> Iterator[str]:
        """What is not on a device as it should be."""
        for name in (*WRITES, "newcomer"):
            with self.device(name) as device:
                if device.holdings() != self.expected:
                    yield f"{name} has other coins"
                yield from (f"a conflict on {name}" for _ in device.conflicts())
                yield from (f"refused on {name}: {error}" for _, error in device.attention())

    def live(self, name: str) -> None:
        """One device's day: edits of coins, a coin that comes and goes, a sync each time."""
        with self.device(name) as device:
            self._live(name, device)

    def _live(self, name: str, device: Device) -> None:
        chance, gone = random.Random(name), None
        for turn in range(ROUNDS):
            if name == "laptop" and turn == ROUNDS // 2:
                where = f"{self.addresses[1]}/v1/definitions"
                assert (
                    httpx.post(where, json={"document": REDECLARED}, headers=self.owner, timeout=30).status_code == 201
                )
            for coin in chance.sample(sorted(self.expected), EDITS):
                value: Any = f"{turn}" if name == "tablet" else turn + 1
                device.edit(coin, {WRITES[name]: value})
                self.expected[coin][WRITES[name]] = value
            if gone is not None:
                device.delete(gone)
            gone = device.record({"denomination": f"of the {name}"}) if turn < ROUNDS - 1 else None
            device.sync()

    def read_newest_first(self) -> dict[str, Any]:
        """All records as a pass from the newest on has them while others write, with what changed since it began."""
        while True:
            found: dict[str, Any] = {}
            query: dict[str, Any] = {"order": "newest", "limit": 2}
            while query:
                answer = httpx.get(
                    f"{random.choice(self.addresses)}/v1/holdings/changes", params=query, headers=self.owner, timeout=30
                )
                if answer.status_code == 410:
                    self.counts["begun again"] += 1
                    break
                assert answer.status_code == 200, answer.text
                page = answer.json()
                found |= {record["id"]: record for record in page["list"]}
                is_over = not page["has_more_changes"]
                if "before" in page:
                    query["before"] = page["before"]
                elif "order" in query or not is_over:
                    query = {"since": page["new_state"], "limit": 2}
                else:
                    return found


def outcome(database: Database, story: Story, after_purge: Callable[[], None]) -> list[str]:
    """Lets everything happen at once; what is wrong at the end."""
    story.begin()
    over = threading.Event()

    def purge_now_and_then() -> None:
        while not over.wait(0.4):
            now = datetime.now(UTC)
            story.counts["purged"] += sum(purge(database, now, now))
            after_purge()

    with ThreadPoolExecutor(5) as pool:
        purging = pool.submit(purge_now_and_then)
        reading = pool.submit(story.read_newest_first)
        try:
            for one in [pool.submit(story.live, name) for name in WRITES]:
                one.result()
        finally:
            over.set()
        purging.result()
        reading.result()
    story.settle()
    wrong = list(story.wrong())
    read = story.read_newest_first()
    if {identity for identity, record in read.items() if not record["destroyed"]} != story.expected.keys():
        wrong.append("a pass from the newest on has other coins")
    return wrong + all_differences(database)[1]


@pytest.fixture
def database(empty_database_url: str) -> Iterator[Database]:
    database = Database(empty_database_url)
    upgrade(database, partitions=PARTITIONS)
    try:
        if database.is_sqlite:
            pytest.skip("SQLite is served by one process")
        yield database
    finally:
        database.close()


def test_devices_of_one_owner_between_workers_lose_nothing(
    database: Database, empty_database_url: str, tmp_path: Path
) -> None:
    people = People(empty_database_url)
    with workers(empty_database_url, Server, Server) as servers:
        addresses = [server.address for server in servers]

        def told(folder: str) -> Story:
            (tmp_path / folder).mkdir()
            return Story(tmp_path / folder, addresses, people.somebody()[0])

        story = told("kept")
        assert outcome(database, story, lambda: None) == []
        assert story.counts["overlapping"] > 10
        assert story.counts["410"] > 0
        assert story.counts["purged"] > 10
        # The control: a purge that also forgets which mutations there were. What devices send again takes effect twice.
        assert outcome(
            database, told("forgetful"), lambda: database.write(lambda c: c.execute(delete(past_mutation)) and None)
        )
        # The journal of a device goes by the service's time (RFC 9110, section 6.6.1).
        date = httpx.get(f"{addresses[0]}/health/live", timeout=30).headers["date"]
        assert (
            abs(datetime.strptime(date, "%a, %d %b %Y %H:%M:%S GMT").replace(tzinfo=UTC) - datetime.now(UTC)).seconds
            < 60
        )
