"""A real server killed again and again while devices send batches: what was acknowledged is kept and shown or in conflict, no
batch is half there, nothing happens twice, and the log makes of every record what is kept.

`SETWRIGHT_SYNC_KILLS` sets how many kills, `SETWRIGHT_TEST_SEED` their moments.
"""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import Any

import httpx
import pytest
from sqlalchemy import make_url, select

from service.database.engine import Database
from service.database.ids import new_id
from service.holdings.tables import mutation
from tests.promises.plugin import Promise
from tests.server import Server, run_program

pytestmark = pytest.mark.process

DEVICES, SHARED = 5, 4
LONGEST_SECONDS = 0.8
NAME = "kill -9 during sync of 5 devices"
KILLS = int(os.environ.get("SETWRIGHT_SYNC_KILLS", "12"))
AT = "2026-11-25T12:00:00Z"


class CommitsEachMutation(Server):
    """The control: a server that commits in the middle of a batch."""

    program = (
        "-c",
        """
import sys, time
from service.holdings.sync import actions
from service.holdings.sync.apply import apply_one
def apply_all(log, batch, check, *told):
    answers = []
    for sent in batch:
        answers.append(apply_one(log, sent, check))
        log.write_down()
        connection = log._store._connection
        connection.exec_driver_sql("COMMIT")
        time.sleep(0.005)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.dialect.name == "sqlite" else "SELECT 1")
    return answers
actions.apply_all = apply_all
from service.__main__ import main
sys.exit(main())
""",
    )


class Device:
    """Sends batches one after another; one whose answer never came is sent again as it was. It edits coins of its own, and
    some that all devices edit without ever looking at what the others made of them."""

    def __init__(self, number: int, chance: random.Random, shared: Mapping[str, str]) -> None:
        self.number, self.chance = number, chance
        # By coin the last mutation that this device knows of, its own from the second on.
        self.own: dict[str, str] = {}
        self.shared = dict(shared)
        self.notes: dict[str, str] = {}
        self.pending: list[dict[str, Any]] = []
        self.sent: dict[str, dict[str, Any]] = {}
        self.answers: dict[str, dict[str, Any]] = {}
        self.batches = 0
        self.sent_again = 0
        self.refused: list[str] = []

    def batch(self) -> list[dict[str, Any]]:
        made = [self._edit() for _ in range(self.chance.randint(1, 20))]
        self.sent |= {one["mutation_id"]: one for one in made}
        self.batches += 1
        return made

    def _edit(self) -> dict[str, Any]:
        identity, kind = new_id(), self.chance.random()
        common = {"mutation_id": identity, "edited_at": AT}
        if not self.own or kind < 0.4:
            coin = new_id()
            self.own[coin] = identity
            return {**common, "op": "create", "id": coin, "patch": {"grade": self.chance.randint(1, 70)}}
        known, name = (self.own, "grade") if kind < 0.7 else (self.shared, "note")
        coin = self.chance.choice(list(known))
        value: Any = (
            self.chance.randint(1, 70) if name == "grade" else f"device {self.number}, {len(self.sent)} {identity}"
        )
        if name == "note":
            self.notes[coin] = value
        seen = {name: known[coin]}
        known[coin] = identity
        return {**common, "op": "update", "id": coin, "patch": {name: value}, "from": seen}

    def send(self, server: Server, headers: dict[str, str], *, only_pending: bool = False) -> None:
        with httpx.Client(base_url=server.address, headers=headers, timeout=10, verify=False) as client:
            try:
                while self.pending or not only_pending:
                    if self.pending:
                        self.sent_again += 1
                    else:
                        self.pending = self.batch()
                    body = {"client_id": f"device {self.number}", "mutations": self.pending}
                    answer = client.post("/v1/holdings/sync", json=body)
                    if not answer.is_success:
                        self.refused.append(f"{answer.status_code} {answer.text}")
                        return
                    self.answers |= {one["mutation_id"]: one for one in answer.json()["responses"]}
                    self.pending = []
            except httpx.TransportError:
                return


def serving(kind: Callable[[str], Server], url: str) -> Server:
    server = kind(url)
    try:
        server.wait_until_ready()
    except BaseException:
        server.end(signal.SIGKILL)
        raise
    return server


def logged(url: str) -> set[str]:
    database = Database(url)
    try:
        return database.read(lambda connection: set(connection.execute(select(mutation.c.mutation_id)).scalars()))
    finally:
        database.close()


def complaints(devices: Sequence[Device], there: Collection[str]) -> list[str]:
    """What may not be after a kill, before anybody has sent anything again."""
    found = [f"lost: {one}" for device in devices for one in device.answers if one not in there]
    for device in devices:
        inside = sum(one["mutation_id"] in there for one in device.pending)
        if 0 < inside < len(device.pending):
            found.append(f"half there: {inside} of {len(device.pending)}")
    return found


def lacking(devices: Sequence[Device], records: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Last words of a device on a coin that are neither shown nor in conflict; nobody but itself saw its words."""
    found = []
    for device in devices:
        for coin, writer in device.own.items():
            value = device.sent[writer]["patch"]["grade"]
            shown = coin in records and (records[coin]["writers"]["grade"], records[coin]["facts"]["grade"])
            found += [f"{coin}: {value} is not shown"] if shown != (writer, value) else []
        for coin, note in device.notes.items():
            words = [records[coin]["note"], *(conflict["value"] for conflict in records[coin]["conflicts"])]
            found += [] if note in words else [f"{coin}: '{note}' is gone"]
    return found


def changed(client: httpx.Client) -> Iterator[dict[str, Any]]:
    """Every record, page by page."""
    since: dict[str, str] = {}
    while True:
        page = client.get("/v1/holdings/changes", params={**since, "limit": 100}).json()
        yield from page["list"]
        since = {"since": page["new_state"]}
        if not page["has_more_changes"]:
            return


def made_devices(seed: int, client: httpx.Client) -> list[Device]:
    shared = {new_id(): new_id() for _ in range(SHARED)}
    first = [
        {"mutation_id": made, "op": "create", "id": coin, "patch": {"note": "as bought"}, "edited_at": AT}
        for coin, made in shared.items()
    ]
    assert client.post("/v1/holdings/sync", json={"client_id": "first", "mutations": first}).is_success
    return [Device(number, random.Random(seed + number), shared) for number in range(DEVICES)]


def killed(
    kind: Callable[[str], Server], url: str, seed: int
) -> Iterator[tuple[list[Device], dict[str, str], set[str]]]:
    """Kill after kill: the devices, their token, and what the log has then."""
    chance = random.Random(seed)
    devices: list[Device] = []
    headers: dict[str, str] = {}
    while True:
        server = serving(kind, url)
        try:
            headers = headers or {"Authorization": f"Bearer {server.token()}"}
            if not devices:
                with httpx.Client(base_url=server.address, headers=headers, timeout=30) as client:
                    devices = made_devices(seed, client)
            threads = [threading.Thread(target=device.send, args=(server, headers)) for device in devices]
            for thread in threads:
                thread.start()
            time.sleep(chance.uniform(0, LONGEST_SECONDS))
        finally:
            status = server.end(signal.SIGKILL)
        assert status == -signal.SIGKILL, server.printed
        for thread in threads:
            thread.join(20)
            assert not thread.is_alive()
        yield devices, headers, logged(url)


def a_seed(url: str) -> int:
    seed = int(os.environ.get("SETWRIGHT_TEST_SEED", random.SystemRandom().randrange(10**9)))
    print(f"SETWRIGHT_TEST_SEED={seed} for the moments of the kills on {make_url(url).drivername}")
    return seed


@pytest.mark.timeout(200 + 30 * KILLS)
def test_kills_during_sync_lose_nothing_and_halve_no_batch(empty_database_url: str, promise: Promise) -> None:
    kept_unanswered = 0
    rounds = killed(Server, empty_database_url, a_seed(empty_database_url))
    for _ in range(KILLS):
        devices, headers, there = next(rounds)
        assert complaints(devices, there) == []
        kept_unanswered += sum(bool(device.pending) and device.pending[0]["mutation_id"] in there for device in devices)
    server = serving(Server, empty_database_url)
    try:
        with httpx.Client(base_url=server.address, headers=headers, timeout=60) as client:
            for device in devices:
                device.send(server, headers, only_pending=True)
            records = {record["id"]: record for record in changed(client)}
            again = sent_once_more(client, devices)
    finally:
        server.end(signal.SIGKILL)
    assert [refusal for device in devices for refusal in device.refused] == []
    answers = {identity: answer for device in devices for identity, answer in device.answers.items()}
    sent = {identity for device in devices for identity in device.sent}
    assert answers.keys() == sent
    assert len(logged(empty_database_url) - sent) == SHARED
    assert again == {identity: {**answer, "replayed": True} for identity, answer in answers.items()}
    assert {answer["status"] for answer in answers.values()} == {"applied", "conflict"}
    assert lacking(devices, records) == []
    verified = run_program(empty_database_url, "verify")
    assert (verified.returncode, verified.stdout) == (0, "1 accounts looked at, 0 differences.\n"), verified.stderr
    # The kills fell while batches were on their way, else the test saw nothing.
    assert sum(device.sent_again for device in devices) > KILLS / 2
    # The checks see what they are to see.
    coin = next(coin for device in devices for coin in device.notes)
    assert lacking(devices, {**records, coin: {**records[coin], "note": "", "conflicts": []}})
    assert f"lost: {min(sent)}" in complaints(devices, sent - {min(sent)})
    batches, conflicts = sum(device.batches for device in devices), sum(len(r["conflicts"]) for r in records.values())
    told = (
        f"{KILLS} kills, {len(sent)} mutations in {batches} batches, none lost, none twice; {kept_unanswered} batches were "
        f"kept without an answer, {sum(device.sent_again for device in devices)} sent again, {conflicts} conflicts open"
    )
    promise(1, NAME, kept=told)


def sent_once_more(client: httpx.Client, devices: Sequence[Device]) -> dict[str, dict[str, Any]]:
    """The answers to everything that was ever acknowledged, sent again; nothing changes by it."""
    answers: dict[str, dict[str, Any]] = {}
    for device in devices:
        everything = [device.sent[identity] for identity in device.answers]
        for begin in range(0, len(everything), 500):
            body = {"client_id": f"device {device.number}", "mutations": everything[begin : begin + 500]}
            answer = client.post("/v1/holdings/sync", json=body)
            assert answer.is_success, answer.text
            assert answer.json()["new_state"] == answer.json()["old_state"]
            answers |= {one["mutation_id"]: one for one in answer.json()["responses"]}
    return answers


@pytest.mark.timeout(300)
def test_a_server_that_commits_within_a_batch_is_caught(empty_database_url: str, promise: Promise) -> None:
    # The control: were no batch halved here, the test above would prove nothing.
    rounds = killed(CommitsEachMutation, empty_database_url, a_seed(empty_database_url))
    seen: list[str] = []
    for kills in range(1, 13):  # noqa: B007
        devices, _, there = next(rounds)
        seen = complaints(devices, there)
        if seen:
            break
    assert seen
    assert all("half there" in complaint for complaint in seen)
    promise(1, NAME, control=f"commits within a batch: {len(seen)} batches half there at kill {kills}")
