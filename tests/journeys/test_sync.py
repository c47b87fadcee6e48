"""Two devices of the reference client against a really running server, over a line that is cut in the middle of requests and of
answers; the server is killed meanwhile. At the end all hold equal records, and nothing that an owner did is lost."""

from __future__ import annotations

import json
import random
import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from service.client import Device
from tests.server import Server, serving

pytestmark = pytest.mark.process


class Line:
    """A TCP proxy on loopback. Each connection is cut after some bytes, in either direction, with a given chance."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.target: tuple[str, int] | None = None
        self.cuts = 0
        self.kill_at_next_batch: Server | None = None
        self.is_bad = True
        self._open: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def towards(self, server: Server) -> None:
        parts = urlsplit(server.address)
        self.target = (parts.hostname or "", parts.port or 0)

    def hang_up(self) -> None:
        """No network from now on: open connections end, new ones lead nowhere."""
        self.target = ("127.0.0.1", 9)
        for end in self._open:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._carry, args=(client,), daemon=True).start()

    def _carry(self, client: socket.socket) -> None:
        try:
            server = socket.create_connection(self.target or ("127.0.0.1", 9), 2)
        except OSError:
            client.close()
            return
        self._open += [client, server]
        is_cut = self.is_bad and self.chance.random() < 0.85
        budgets = [self.chance.randint(0, 6_000) if is_cut else None for _ in range(2)]
        pair = ((client, server, budgets[0]), (server, client, budgets[1]))
        threads = [threading.Thread(target=self._pump, args=one, daemon=True) for one in pair]
        for thread in threads:
            thread.start()

    def _pump(self, source: socket.socket, sink: socket.socket, budget: int | None) -> None:
        try:
            while data := source.recv(4_096):
                if self.kill_at_next_batch is not None and data.startswith(b"POST "):
                    sink.sendall(data)
                    server, self.kill_at_next_batch = self.kill_at_next_batch, None
                    server.end(signal.SIGKILL)
                    break
                if budget is not None and len(data) >= budget:
                    self.cuts += 1
                    sink.sendall(data[:budget])
                    break
                budget = None if budget is None else budget - len(data)
                sink.sendall(data)
        except OSError:
            pass
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()


@contextmanager
def devices(tmp_path: Path, line: Line, token: str, count: int = 2) -> Iterator[list[Device]]:
    made = [
        Device(tmp_path / f"device-{n}.sqlite3", line.address, token, name=f"device {n}", sleep=lambda _: None)
        for n in range(count)
    ]
    try:
        yield made
    finally:
        for device in made:
            device.close()


def act(device: Device, chance: random.Random, number: int) -> None:
    """Something that an owner does offline. Tags are only ever added, so that a missing one is a lost one."""
    shown = device.holdings()
    there = sorted(shown)
    dice = chance.random()
    if not there or dice < 0.3:
        device.record(
            {"denomination": "crown", "grade": chance.randint(1, 70)}, number=f"{number}", tags=[f"t{number}"]
        )
        return
    coin = chance.choice(there)
    if dice < 0.38:
        device.delete(coin)
    elif dice < 0.6:
        device.edit(coin, {"tags": [*shown[coin].get("tags", []), f"t{number}"]})
    elif dice < 0.7 and device.conflicts():
        device.resolve(*chance.choice(device.conflicts()), take_other=chance.random() < 0.5)
    else:
        device.edit(coin, {"grade": chance.randint(1, 70), "note": f"note {number}"})


def kept_by_service(server: Server, token: str) -> dict[str, Any]:
    with httpx.Client(base_url=server.address, headers={"Authorization": f"Bearer {token}"}, timeout=30) as client:
        found: dict[str, Any] = {}
        params: dict[str, Any] = {"limit": 50}
        while True:
            page = client.get("/v1/holdings/changes", params=params).raise_for_status().json()
            found |= {record["id"]: record for record in page["list"]}
            params["since"] = page["new_state"]
            if not page["has_more_changes"]:
                return found


def losses(done: list[dict[str, Any]], kept: dict[str, Any]) -> list[str]:
    """Acknowledged values that are neither shown, nor in conflict, nor replaced, resolved or deleted by who saw them."""
    found = []
    for mutation in done:
        record = kept.get(mutation["id"])
        if record is None:
            found.append(f"no record for {mutation['mutation_id']}")
            continue
        of_record = [other for other in done if other["id"] == mutation["id"]]
        conflicts = {conflict["id"] for conflict in record["conflicts"]}
        resolved = {name for other in of_record for name in other.get("resolves", ())}
        for name, value in mutation["patch"].items():
            if name == "tags":
                shown = [record.get("tags"), *(c["value"] for c in record["conflicts"] if c.get("attribute") == "tags")]
                is_there = record["destroyed"] or value[-1] in [term for tags in shown for term in tags or ()]
            else:
                # Whoever wrote an equal value holds it for the other too.
                same = {o["mutation_id"] for o in of_record if name in o["patch"] and o["patch"][name] == value}
                named = {f"{writer}:{name}" for writer in same} | same
                replaced = any(other["from"].get(name) in same for other in of_record)
                is_there = record["writers"].get(name) in same or replaced or bool(named & (conflicts | resolved))
            if not is_there:
                found.append(f"{name}={value} by {mutation['mutation_id']}")
    return found


@pytest.mark.timeout(120)
def test_two_devices_over_a_line_that_is_cut_lose_nothing(empty_database_url: str, tmp_path: Path) -> None:
    chance, line = random.Random(11), Line(11)
    number = incomplete = 0
    with serving(empty_database_url) as server:
        token = server.token() or ""
        line.towards(server)
        with devices(tmp_path, line, token) as made:
            for turn in range(10):
                for device in made:
                    for _ in range(chance.randint(1, 4)):
                        number += 1
                        act(device, chance, number)
                    if turn == 9 and device is made[0]:
                        line.kill_at_next_batch = server
                    incomplete += not device.sync().is_complete
            # It died with a batch on its way to it, while the device waited.
            assert server.process.poll() == -signal.SIGKILL
    line.is_bad = False
    with serving(empty_database_url) as server, devices(tmp_path, line, token) as made:
        line.towards(server)
        for _ in range(2):
            for device in made:
                assert device.sync().is_complete
        kept = kept_by_service(server, token)
        for device in made:
            assert {record["id"]: record for record in device.store.records()} == kept
            assert device.store.outbox() == []
            assert device.attention() == []
        done = [mutation for device in made for mutation in device.store.journal()]
    line.close()
    assert len(done) == len({mutation["mutation_id"] for mutation in done}) == number
    assert losses(done, kept) == []
    # The check sees what it is to see, and the line was as bad as the test says.
    shown = next(record for record in kept.values() if "note" in record["writers"] and not record["destroyed"])
    spoilt = {**kept, shown["id"]: {**shown, "writers": {**shown["writers"], "note": "nobody"}}}
    assert losses(done, spoilt) != []
    assert losses(done, {}) != []
    assert line.cuts >= 5
    assert incomplete >= 1


@pytest.mark.timeout(120)
def test_a_device_that_was_offline_all_day_meets_the_laptop(empty_database_url: str, tmp_path: Path) -> None:
    line = Line(3)
    line.is_bad = False
    with serving(empty_database_url) as server:
        line.towards(server)
        with devices(tmp_path, line, server.token()) as (phone, laptop):
            coin = phone.record({"denomination": "crown", "grade": 30}, tags=["silver"])
            assert phone.sync().is_complete
            assert laptop.sync().is_complete
            line.hang_up()
            phone.edit(coin, {"grade": 40, "tags": ["silver", "fair"]})
            phone.edit(coin, {"mintmark": {"none": True}})
            assert not phone.sync().is_complete
            assert phone.holdings()[coin]["grade"] == 40
            line.towards(server)
            laptop.edit(coin, {"grade": 45, "tags": ["old"]})
            assert laptop.sync().is_complete
            assert phone.sync().is_complete
            assert laptop.sync().is_complete
            assert phone.holdings() == laptop.holdings()
            shown = laptop.holdings()[coin]
            assert (shown["grade"], sorted(shown["tags"]), shown["mintmark"]) == (45, ["fair", "old"], {"none": True})
            ((identity, conflict),) = laptop.conflicts()
            assert (identity, conflict["attribute"], conflict["value"]) == (coin, "grade", 40)
            laptop.resolve(coin, conflict, take_other=True)
            assert laptop.sync().is_complete
            assert phone.sync().is_complete
            assert phone.holdings()[coin]["grade"] == 40
            assert phone.conflicts() == []
            phone.edit(coin, {"grade": 400})
            assert phone.sync().is_complete
            ((refused, error),) = phone.attention()
            assert (refused["patch"], error["pointers"]) == ({"grade": 400}, ["/grade"])
    line.close()


@pytest.mark.timeout(60)
def test_the_watch_tells_of_a_change_until_the_token_is_revoked(empty_database_url: str, tmp_path: Path) -> None:
    line = Line(5)
    line.is_bad = False
    with serving(empty_database_url) as server:
        line.towards(server)
        token = server.token()
        with devices(tmp_path, line, token, 1) as (device,):
            headers = {"Authorization": f"Bearer {token}"}
            with httpx.stream("GET", f"{server.address}/v1/holdings/events", headers=headers, timeout=20) as answer:
                assert answer.headers["content-type"].startswith("text/event-stream")
                lines = answer.iter_lines()
                first = next(line for line in lines if line.startswith("data: "))
                device.record({"denomination": "crown"})
                assert device.sync().is_complete
                second = next(line for line in lines if line.startswith("data: "))
                account = f"{server.address}/v1/account/tokens"
                (mine,) = httpx.get(account, headers=headers).json()["items"]
                assert httpx.delete(f"{account}/{mine['id']}", headers=headers).status_code == 204
                # Read to its end: a watch that went on would time out here.
                assert [line for line in lines if line.startswith("data: ")] == []
            device.record({"denomination": "florin"})
            report = device.sync()
            assert (report.is_complete, len(device.store.outbox())) == (False, 1)
            assert (report.problem or "").startswith("401")
            states = [json.loads(line.removeprefix("data: "))["state"] for line in (first, second)]
            assert [int(state.partition(".")[0]) for state in states] == [0, 1]
    line.close()
