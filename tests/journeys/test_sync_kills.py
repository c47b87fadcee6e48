"""A real server killed again and again while devices send batches: what was acknowledged is in the log, no batch is half there,
and the log makes of every record what is kept."""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from sqlalchemy import make_url

from service.accounts.store import AccountStore
from service.database.engine import Database
from service.database.identities import new_identity
from service.holdings.verifying import differences
from tests.journeys.test_first_run import Server, serving

pytestmark = pytest.mark.process

DEVICES = 5
LONGEST_SECONDS = 0.8
KILLS = int(os.environ.get("SETWRIGHT_SYNC_KILLS", "12"))


class Device:
    """Sends batches one after another; one whose answer never came is sent again as it was."""

    def __init__(self, number: int, chance: random.Random) -> None:
        self.number, self.chance = number, chance
        self.coins: list[tuple[str, str]] = []
        self.pending: list[dict[str, Any]] = []
        self.acknowledged: list[dict[str, Any]] = []
        self.batches: list[list[str]] = []
        self.sent_again = 0
        self.refused: list[str] = []

    def batch(self) -> list[dict[str, Any]]:
        made = []
        for _ in range(self.chance.randint(1, 20)):
            identity = new_identity()
            common = {"mutation_id": identity, "edited_at": "2026-11-25T12:00:00Z"}
            if not self.coins or self.chance.random() < 0.4:
                coin = new_identity()
                made.append({**common, "op": "create", "id": coin, "patch": {"grade": self.chance.randint(1, 70)}})
                self.coins.append((coin, identity))
            else:
                at = self.chance.randrange(len(self.coins))
                coin, writer = self.coins[at]
                patch, seen = {"grade": self.chance.randint(1, 70)}, {"grade": writer}
                made.append({**common, "op": "update", "id": coin, "patch": patch, "from": seen})
                self.coins[at] = (coin, identity)
        return made

    def send(self, server: Server, headers: dict[str, str], *, only_pending: bool = False) -> None:
        with httpx.Client(base_url=server.address, headers=headers, timeout=10, verify=False) as client:
            try:
                while self.pending or not only_pending:
                    if self.pending:
                        self.sent_again += 1
                    else:
                        self.pending = self.batch()
                        self.batches.append([mutation["mutation_id"] for mutation in self.pending])
                    body = {"client_id": f"device {self.number}", "mutations": self.pending}
                    answer = client.post("/v1/holdings/sync", json=body)
                    if not answer.is_success:
                        self.refused.append(f"{answer.status_code} {answer.text}")
                        return
                    self.acknowledged += answer.json()["responses"]
                    self.pending = []
            except httpx.TransportError:
                return


def changed(server: Server, headers: dict[str, str]) -> Iterator[dict[str, Any]]:
    """Every record, page by page."""
    since: dict[str, str] = {}
    with httpx.Client(base_url=server.address, headers=headers, timeout=30) as client:
        while True:
            page = client.get("/v1/holdings/changes", params={**since, "limit": 100}).json()
            yield from page["list"]
            since = {"since": page["new_state"]}
            if not page["has_more_changes"]:
                return


@pytest.mark.timeout(400)
def test_kills_during_sync_lose_nothing_and_halve_no_batch(empty_database_url: str) -> None:
    seed = int(os.environ.get("SETWRIGHT_TEST_SEED", random.SystemRandom().randrange(10**9)))
    print(f"SETWRIGHT_TEST_SEED={seed} for the moments of {KILLS} kills on {make_url(empty_database_url).drivername}")
    chance = random.Random(seed)
    devices = [Device(number, random.Random(seed + number)) for number in range(DEVICES)]
    headers: dict[str, str] = {}
    for _ in range(KILLS):
        with serving(empty_database_url) as server:
            headers = headers or {"Authorization": f"Bearer {server.token()}"}
            threads = [threading.Thread(target=device.send, args=(server, headers)) for device in devices]
            for thread in threads:
                thread.start()
            time.sleep(chance.uniform(0, LONGEST_SECONDS))
            assert server.end(signal.SIGKILL) == -signal.SIGKILL, server.printed
            for thread in threads:
                thread.join(20)
                assert not thread.is_alive()
    before = database_view(empty_database_url)
    # No batch is half there, before anybody sent anything again.
    for device in devices:
        for batch in device.batches:
            there = [identity in before.logged for identity in batch]
            assert all(there) or not any(there), batch
    with serving(empty_database_url) as server:
        for device in devices:
            device.send(server, headers, only_pending=True)
        records = {record["id"]: record for record in changed(server, headers)}
    assert [refusal for device in devices for refusal in device.refused] == []
    assert {answer["status"] for device in devices for answer in device.acknowledged} == {"applied"}
    after = database_view(empty_database_url)
    sent = {identity for device in devices for batch in device.batches for identity in batch}
    acknowledged = {answer["mutation_id"] for device in devices for answer in device.acknowledged}
    assert acknowledged == sent == after.logged
    # The last edit of every coin is what is shown.
    for device in devices:
        for coin, writer in device.coins:
            assert records[coin]["writers"]["grade"] == writer
    assert after.differences == []
    assert sum(device.sent_again for device in devices) > KILLS / 2
    print(f"{len(sent)} mutations in {sum(len(d.batches) for d in devices)} batches, none lost, none twice")


class View:
    """What the database itself says."""

    def __init__(self, logged: set[str], different: list[str]) -> None:
        self.logged, self.differences = logged, different


def database_view(url: str) -> View:
    from sqlalchemy import select

    from service.holdings.tables import mutation

    database = Database(url)
    try:
        owners = database.read(lambda connection: AccountStore(connection).owners())
        different = [line for o in owners for line in database.read(lambda c, o=o: list(differences(c, o)))]
        logged = database.read(lambda connection: set(connection.execute(select(mutation.c.mutation_id)).scalars()))
        return View(logged, different)
    finally:
        database.close()
