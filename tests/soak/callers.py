"""Simulated devices and browsers. Each is a thread that asks, waits a moment, and asks again until it is told to stop."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx

from service.client import Device
from tests.soak.measured import Requests

MOST_COINS = 40
# Of all browsers of an account.
MOST_CREATED = 400
CHECKED: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Crowns and florins",
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": f"{name}-{number}", "accepts": f"denomination = '{name}' AND grade >= {10 * number}"}
        for name in ("crown", "florin", "penny")
        for number in range(1, 7)
    ],
    "constraints": [{"id": "spread", "kind": "at_most", "per": ["year_on_coin"], "count": 3}],
}


# A worker is at this for a second or two, so that it is killed in the midst of it now and then.
LARGE: dict[str, Any] = {
    "definition": {
        "format": "set-definition/1",
        "title": "A long row",
        "slots": [{"id": f"s{number}", "accepts": f"year_on_coin > {1500 + number}"} for number in range(400)],
    },
    "holdings": [{"id": f"c{number}", "facts": {"year_on_coin": 1500 + number % 450}} for number in range(1_500)],
}
LATER = {"Prefer": "respond-async"}


@dataclass
class Job:
    """A request that is answered later: what it was, the status that its answer is to have, and how it ended when it was first
    seen to be over."""

    kind: str
    where: str
    status: int
    ended: dict[str, Any] | None = None


class Measuring(httpx.BaseTransport):
    """The network, measured."""

    def __init__(self, requests: Requests, kind: Callable[[httpx.Request], str]) -> None:
        self._requests, self._kind = requests, kind
        self._network = httpx.HTTPTransport(verify=False, retries=0)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        kind, begun = self._kind(request), time.monotonic()
        try:
            answer = self._network.handle_request(request)
            answer.read()
        except httpx.TransportError as problem:
            self._requests.failed(kind, problem)
            raise
        self._requests.answered(kind, answer, time.monotonic() - begun)
        return answer

    def close(self) -> None:
        self._network.close()


def facts(chance: random.Random) -> dict[str, Any]:
    """What a coin might be."""
    return {
        "denomination": chance.choice(["crown", "florin", "penny"]),
        "grade": chance.randint(1, 70),
        "year_on_coin": chance.randint(1850, 1950),
    }


class DeviceLoad(threading.Thread):
    """An owner with a device: edits, and syncs by the reference client."""

    def __init__(
        self, file: Path, address: str, token: str, seed: int, requests: Requests, stop: threading.Event
    ) -> None:
        super().__init__(name=f"device-{seed}", daemon=True)
        self._chance, self._ending, self.failure = random.Random(seed), stop, ""
        self._made: Callable[[], Device] = lambda: Device(
            file,
            address,
            token,
            name=self.name,
            transport=Measuring(
                requests, lambda request: f"device {request.method} {request.url.path.rsplit('/', 1)[1]}"
            ),
            sleep=lambda seconds: _wait(self._ending, seconds),
        )
        self.edits = 0

    def run(self) -> None:
        device = self._made()
        try:
            while not self._ending.is_set():
                for _ in range(self._chance.randint(1, 3)):
                    self._edit(device)
                device.sync()
                _wait(self._ending, self._chance.uniform(1, 6))
        except Exception as problem:
            self.failure = f"{self.name}: {problem!r}"
        finally:
            device.close()

    def go_on(self) -> None:
        """Waits between two tries are as long as they should be again, once the thread has ended."""
        self._ending = threading.Event()

    def opened(self) -> Device:
        """The device again, after its thread has ended."""
        return self._made()

    def _edit(self, device: Device) -> None:
        held = sorted(device.holdings())
        kind = self._chance.random()
        self.edits += 1
        if len(held) < 5 or (kind < 0.15 and len(held) < MOST_COINS):
            device.record(facts(self._chance), note=f"from {self.name}")
        elif kind < 0.2 and len(held) > 10:
            holdings = device.holdings()
            # Browsers count this one up to the end.
            device.delete(self._chance.choice([one for one in held if holdings[one].get("number") != "counted"]))
        elif kind < 0.3 and device.conflicts():
            identity, conflict = self._chance.choice(device.conflicts())
            device.resolve(identity, conflict, take_other=self._chance.random() < 0.5)
        else:
            device.edit(self._chance.choice(held), {"grade": self._chance.randint(1, 70)})


@dataclass
class Account:
    """What the browsers of one account share: its token, a set, a coin that is counted up, and what was acknowledged."""

    token: str
    definition: str = ""
    counted: str = ""
    acknowledged: int = 0
    unanswered: int = 0
    created: dict[str, str] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)


class BrowserLoad(threading.Thread):
    """Somebody who looks at lists and evaluations, records a coin now and then, and counts one up."""

    def __init__(self, address: str, account: Account, seed: int, requests: Requests, stop: threading.Event) -> None:
        super().__init__(name=f"browser-{seed}", daemon=True)
        self._address, self._account, self._requests = address, account, requests
        self._chance, self._ending, self.failure = random.Random(seed), stop, ""
        self._kind = ""
        self.pending: tuple[str, dict[str, Any]] | None = None
        self.jobs: list[Job] = []

    def client(self) -> httpx.Client:
        headers = {"Authorization": f"Bearer {self._account.token}"}
        transport = Measuring(self._requests, lambda _: self._kind)
        return httpx.Client(base_url=self._address, headers=headers, transport=transport, timeout=40)

    def run(self) -> None:
        weighted: Sequence[tuple[Callable[[httpx.Client], None], int]] = [
            (self._page, 5),
            (self._filter, 3),
            (self._evaluation, 5),
            (self._want_list, 2),
            (self._check, 1),
            (self._stateless, 1),
            (self.create, 3),
            (self._count, 3),
            (self._evaluation_later, 1),
            (self._publish_later, 1),
            (self._look_at_jobs, 2),
        ]
        deeds, weights = zip(*weighted, strict=True)
        try:
            with self.client() as client:
                while not self._ending.is_set():
                    deed = self._chance.choices(deeds, weights)[0]
                    try:
                        deed(client)
                    except httpx.TransportError:
                        _wait(self._ending, 1)
                    _wait(self._ending, self._chance.uniform(0.3, 3))
        except Exception as problem:
            self.failure = f"{self.name}: {problem!r}"

    def go_on(self) -> None:
        """Waits between two tries are as long as they should be again, once the thread has ended."""
        self._ending = threading.Event()

    def _get(self, client: httpx.Client, kind: str, path: str, **query: Any) -> None:
        self._ask(client, kind, "GET", path, params=query)

    def _ask(self, client: httpx.Client, kind: str, method: str, path: str, **more: Any) -> httpx.Response:
        self._kind = f"browser {kind}"
        answer = client.request(method, path, **more)
        if answer.status_code in (429, 503):
            _wait(self._ending, min(30.0, float(answer.headers.get("retry-after", 1))))
        return answer

    def _page(self, client: httpx.Client) -> None:
        self._get(client, "page of holdings", "/v1/holdings", limit=50)

    def _filter(self, client: httpx.Client) -> None:
        self._get(
            client, "filter", "/v1/holdings", limit=50, filter=f"grade > {self._chance.randint(1, 70)}", count="true"
        )

    def _evaluation(self, client: httpx.Client) -> None:
        self._get(client, "evaluation", f"/v1/definitions/{self._account.definition}/evaluation")

    def _want_list(self, client: httpx.Client) -> None:
        self._get(client, "want list", f"/v1/definitions/{self._account.definition}/want-list")

    def _check(self, client: httpx.Client) -> None:
        self._ask(client, "check", "POST", "/v1/definition-checks", json={"definition": CHECKED})

    def _stateless(self, client: httpx.Client) -> None:
        coins = [{"id": f"coin-{number}", "facts": facts(self._chance)} for number in range(60)]
        self._ask(
            client, "stateless evaluation", "POST", "/v1/evaluations", json={"definition": CHECKED, "holdings": coins}
        )

    def create(self, client: httpx.Client, *, only_pending: bool = False) -> None:
        """A new coin under a key of its own; one whose answer never came is sent again."""
        if self.pending is None:
            if only_pending or len(self._account.created) > MOST_CREATED:
                return
            key = uuid4().hex
            self.pending = (key, {"facts": facts(self._chance), "number": key})
        key, body = self.pending
        answer = self._ask(client, "create", "POST", "/v1/holdings", json=body, headers={"Idempotency-Key": key})
        if answer.status_code == 201:
            with self._account.lock:
                self._account.created[key] = answer.json()["id"]
            self.pending = None

    def _count(self, client: httpx.Client) -> None:
        where = f"/v1/holdings/{self._account.counted}"
        seen = self._ask(client, "read one", "GET", where)
        if seen.status_code != 200:
            return
        headers = {"If-Match": seen.headers["etag"], "Content-Type": "application/merge-patch+json"}
        try:
            answer = self._ask(
                client, "count up", "PATCH", where, json={"quantity": seen.json()["quantity"] + 1}, headers=headers
            )
        except httpx.TransportError:
            with self._account.lock:
                self._account.unanswered += 1
            raise
        with self._account.lock:
            self._account.acknowledged += answer.status_code == 200

    def _evaluation_later(self, client: httpx.Client) -> None:
        self._later(client, "evaluation", 200, "/v1/evaluations", json=LARGE)

    def _publish_later(self, client: httpx.Client) -> None:
        """The set anew, published by a job: of these there is one at a time, since there is one draft."""
        if any(job.kind == "publication" and job.ended is None for job in self.jobs):
            return
        where = f"/v1/definitions/{self._account.definition}"
        seen = self._ask(client, "set", "GET", where)
        if seen.status_code != 200:
            return
        document = {**CHECKED, "title": f"Crowns and florins, edition {self._chance.randrange(10**9)}"}
        drafted = self._ask(
            client, "draft", "PUT", where, json={"document": document}, headers={"If-Match": seen.headers["etag"]}
        )
        if drafted.status_code == 200:
            headers = {"If-Match": drafted.headers["etag"]}
            self._later(client, "publication", 201, f"{where}/revisions", headers=headers)

    def _later(self, client: httpx.Client, kind: str, status: int, path: str, **more: Any) -> None:
        headers = {**more.pop("headers", {}), **LATER}
        answer = self._ask(client, f"{kind} later", "POST", path, headers=headers, **more)
        if answer.status_code == 202:
            self.jobs.append(Job(kind, answer.headers["location"], status))

    def _look_at_jobs(self, client: httpx.Client) -> None:
        self.look_at_jobs(client)

    def look_at_jobs(self, client: httpx.Client) -> int:
        """Asks for those whose end was not seen; how many there are still."""
        waiting = [job for job in self.jobs if job.ended is None]
        for job in waiting:
            answer = self._ask(client, "job", "GET", job.where)
            if answer.status_code == 200 and answer.json()["ended_at"] is not None:
                job.ended = answer.json()
        return sum(job.ended is None for job in waiting)


def _wait(stop: threading.Event, seconds: float) -> None:
    stop.wait(seconds)


def opened_account(address: str, token: str) -> Account:
    """What an account's browsers need, made through the service."""
    headers: Mapping[str, str] = {"Authorization": f"Bearer {token}"}
    with httpx.Client(base_url=address, headers=headers, timeout=60) as client:
        made = client.post("/v1/definitions", json={"document": CHECKED}).raise_for_status()
        counted = client.post("/v1/holdings", json={"quantity": 1, "number": "counted"}).raise_for_status()
    return Account(token, made.json()["id"], counted.json()["id"])
