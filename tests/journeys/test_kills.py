"""A real server killed again and again under load: what it acknowledged is kept, and happens once."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Iterable, Sequence

import httpx
import pytest
from sqlalchemy import create_engine, make_url, text

from service.database.engine import read_url
from tests.conftest import SERVER_URL
from tests.own_postgresql import USER, OwnServer, own_server, programs
from tests.promises.plugin import Promise
from tests.promises.rows import POSTGRESQL
from tests.server import Server, serving

pytestmark = pytest.mark.process

WRITERS = 8
LONGEST_SECONDS = 0.8


class Writer:
    """Creates holdings one after another, each under a key of its own. A request whose answer never came is sent
    again, with the same key, to the next server."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.sent = 0
        self.pending: str | None = None
        self.sent_again = 0
        self.acknowledged: list[str] = []
        self.refused: list[str] = []

    def write(self, server: Server, headers: dict[str, str], *, only_pending: bool = False) -> None:
        """Until the server is gone, or with `only_pending` until nothing waits for its answer."""
        # Without TLS there is nothing to verify, and making the context for it would take most of a short life.
        with httpx.Client(base_url=server.address, headers=headers, timeout=10, verify=False) as client:
            try:
                while self.pending is not None or not only_pending:
                    answer = self.send(client)
                    if not answer.is_success:
                        self.refused.append(f"{answer.status_code} {answer.text}")
            except httpx.TransportError:
                return

    def send(self, client: httpx.Client) -> httpx.Response:
        """Sends what waits for its answer again, or else another coin."""
        if self.pending is None:
            self.sent += 1
            self.pending = f"writer-{self.number}-{self.sent}"
        else:
            self.sent_again += 1
        body = {"facts": {"denomination": "crown"}, "number": self.pending}
        answer = client.post("/v1/holdings", json=body, headers={"Idempotency-Key": self.pending})
        if answer.is_success:
            self.acknowledged.append(answer.json()["id"])
            self.pending = None
        return answer


class AnswersBeforeItCommits(Server):
    """The control: a server that commits a moment after it has answered."""

    program = (
        "-c",
        """
import sys, threading
from service.database.engine import Database
def once(database, action):
    connection = database._writing.connect()
    transaction = connection.begin()
    answer = action(connection)
    def finish():
        transaction.commit()
        connection.close()
    threading.Timer(0.05, finish).start()
    return answer
Database._once = once
from service.__main__ import main
sys.exit(main())
""",
    )


def kept_ids(server: Server, headers: dict[str, str]) -> list[str]:
    """The ids of all holdings, page by page."""
    found: list[str] = []
    address: str | None = "/v1/holdings?limit=200"
    with httpx.Client(base_url=server.address, headers=headers, timeout=30) as client:
        while address is not None:
            body = client.get(address).json()
            found += [item["id"] for item in body["items"]]
            address = body["next"]
    return found


def complaints(acknowledged: Iterable[str], kept: Iterable[str]) -> list[str]:
    """What is not as it should be: every acknowledged id is kept exactly once, and nothing else is."""
    promised, found = Counter(acknowledged), Counter(kept)
    return sorted(
        [f"lost: {identity}" for identity in promised if identity not in found]
        + [f"never acknowledged: {identity}" for identity in found if identity not in promised]
        + [f"acknowledged {count} times: {identity}" for identity, count in promised.items() if count > 1]
        + [f"kept {count} times: {identity}" for identity, count in found.items() if count > 1]
    )


NAME = "kill -9 under 8 writers"
OF_DATABASE = "PostgreSQL stopped at once under 8 writers"


def killed_under_load(
    server: Server, headers: dict[str, str], writers: Sequence[Writer], seconds: float
) -> dict[str, str]:
    """The server is killed while writers write; returns their headers."""
    try:
        server.wait_until_ready()
        headers = headers or {"Authorization": f"Bearer {server.token()}"}
        threads = [threading.Thread(target=writer.write, args=(server, headers)) for writer in writers]
        for thread in threads:
            thread.start()
        time.sleep(seconds)
    finally:
        status = server.end(signal.SIGKILL)
    assert status == -signal.SIGKILL, server.printed
    for thread in threads:
        thread.join(20)
        assert not thread.is_alive()
    return headers


@pytest.mark.timeout(240)
def test_what_was_acknowledged_is_kept_once_over_many_kills(empty_database_url: str, promise: Promise) -> None:
    url = make_url(empty_database_url)
    kills = 12 if url.get_backend_name() == "sqlite" else 10
    seed = int(os.environ.get("SETWRIGHT_TEST_SEED", random.SystemRandom().randrange(10**9)))
    print(f"SETWRIGHT_TEST_SEED={seed} for the moments of {kills} kills")
    chance = random.Random(seed)
    writers = [Writer(number) for number in range(WRITERS)]
    headers: dict[str, str] = {}
    killed_while_waiting = 0
    for _ in range(kills):
        headers = killed_under_load(Server(empty_database_url), headers, writers, chance.uniform(0, LONGEST_SECONDS))
        killed_while_waiting += any(writer.pending for writer in writers)
    with serving(empty_database_url) as server:
        for writer in writers:
            writer.write(server, headers, only_pending=True)
        kept = kept_ids(server, headers)
    acknowledged = [identity for writer in writers for identity in writer.acknowledged]
    assert [refusal for writer in writers for refusal in writer.refused] == []
    assert [writer.pending for writer in writers] == [None] * WRITERS
    assert complaints(acknowledged, kept) == []
    assert len(kept) == sum(writer.sent for writer in writers) > kills
    # The kills fell while requests were on their way, else the test saw nothing.
    assert killed_while_waiting > kills / 2
    assert sum(writer.sent_again for writer in writers) > kills / 2
    # The check sees what it is to see: an id that was never stored, and one that is there twice.
    assert complaints([*acknowledged, "never-stored"], kept) == ["lost: never-stored"]
    assert complaints(acknowledged, [*kept, kept[0]]) == [f"kept 2 times: {kept[0]}"]
    if url.get_backend_name() == "sqlite":
        assert url.database is not None
        file = sqlite3.connect(url.database)
        try:
            assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert file.execute("PRAGMA foreign_key_check").fetchall() == []
        finally:
            file.close()
    promise(
        1,
        NAME,
        kept=f"{kills} kills, {len(acknowledged)} acknowledged, 0 lost, 0 twice, "
        f"{sum(writer.sent_again for writer in writers)} sent again",
    )


@pytest.mark.timeout(120)
def test_a_server_that_answers_before_it_commits_is_caught(empty_database_url: str, promise: Promise) -> None:
    # The control: were nothing lost here, the test above would prove nothing.
    writers = [Writer(number) for number in range(WRITERS)]
    headers: dict[str, str] = {}
    for kills in range(1, 9):  # noqa: B007
        headers = killed_under_load(AnswersBeforeItCommits(empty_database_url), headers, writers, LONGEST_SECONDS)
        with serving(empty_database_url) as server:
            kept = kept_ids(server, headers)
        acknowledged = [identity for writer in writers for identity in writer.acknowledged]
        lost = [line for line in complaints(acknowledged, kept) if line.startswith("lost")]
        if lost:
            break
    assert lost
    promise(1, NAME, control=f"answers before it commits: {len(lost)} of {len(acknowledged)} lost at kill {kills}")


class Insisting(Writer):
    """Goes on while the database is away: what is answered busy is sent again, as it was."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.busy = 0

    def write_until(self, server: Server, headers: dict[str, str], told: threading.Event) -> None:
        with httpx.Client(base_url=server.address, headers=headers, timeout=30, verify=False) as client:
            while self.pending is not None or not told.is_set():
                answer = self.send(client)
                if answer.is_success:
                    continue
                if answer.status_code == 503 and "retry-after" in answer.headers:
                    self.busy += 1
                    told.wait(0.1)
                else:
                    self.refused.append(f"{answer.status_code} {answer.text}")
                    return


def stopped_under_load(
    database: OwnServer, server: Server, headers: dict[str, str], stops: int, chance: random.Random
) -> tuple[list[Insisting], list[str]]:
    """The database is stopped at once while writers write, and started again, so many times; the writers with what was
    acknowledged in all, and the ids that are kept at the end."""
    writers, told = [Insisting(number) for number in range(WRITERS)], threading.Event()
    threads = [threading.Thread(target=writer.write_until, args=(server, headers, told)) for writer in writers]
    for thread in threads:
        thread.start()
    for _ in range(stops):
        time.sleep(chance.uniform(0.3, 1.0))
        database.stop("immediate")
        database.start()
    told.set()
    for thread in threads:
        thread.join(60)
        assert not thread.is_alive()
    assert [refusal for writer in writers for refusal in writer.refused] == []
    assert sum(writer.busy for writer in writers) > stops
    return writers, kept_ids(server, headers)


@pytest.mark.skipif(SERVER_URL is None or programs() is None, reason="it needs PostgreSQL, and initdb on this machine")
@pytest.mark.timeout(240)
def test_what_was_acknowledged_is_kept_when_the_database_is_stopped_at_once(promise: Promise) -> None:
    stops = int(os.environ.get("SETWRIGHT_DATABASE_STOPS", 2))
    seed = int(os.environ.get("SETWRIGHT_TEST_SEED", random.SystemRandom().randrange(10**9)))
    print(f"SETWRIGHT_TEST_SEED={seed} for the moments of {stops} stops")
    chance = random.Random(seed)
    # What is not flushed with a commit waits for this writer, which only the control needs to be slow.
    slow = {"wal_writer_delay": 10_000, "wal_writer_flush_after": "1GB"}
    with own_server("a-password", **slow) as database:
        settings = {"database_password": database.password, "log_level": "warning"}
        with serving(database.url, settings=settings) as server:
            headers = {"Authorization": f"Bearer {server.token()}"}
            writers, kept = stopped_under_load(database, server, headers, stops, chance)
            acknowledged = [identity for writer in writers for identity in writer.acknowledged]
            assert complaints(acknowledged, kept) == []
            assert len(acknowledged) >= WRITERS
            # The control: commits that are acknowledged before they are in the log on the disk.
            role = create_engine(read_url(database.url).set(password=database.password))
            with role.begin() as connection:
                connection.execute(text(f"ALTER ROLE {USER} SET synchronous_commit = off"))
            role.dispose()
            database.stop("fast")
            database.start()
            for _ in range(4):
                before = set(kept_ids(server, headers))
                loose, kept = stopped_under_load(database, server, headers, 1, chance)
                answered = [identity for writer in loose for identity in writer.acknowledged]
                lost = {*before, *answered} - set(kept)
                if lost:
                    break
            assert lost
    promise(
        1,
        OF_DATABASE,
        kept=f"{stops} stops, {len(acknowledged)} acknowledged, 0 lost, 0 twice, "
        f"{sum(writer.sent_again for writer in writers)} sent again",
        control=f"synchronous_commit = off: {len(lost)} of {len(answered)} lost",
        engine=POSTGRESQL,
    )
