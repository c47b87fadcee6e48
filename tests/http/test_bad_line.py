"""Creates that are sent again over a line that loses and doubles them happen once (promises.md, 4)."""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from typing import Any

import httpx
import pytest

from service.accounts.store import RememberedStore
from tests.conftest import Running
from tests.http.examples import DOCUMENT
from tests.promises.plugin import Promise

pytestmark = pytest.mark.anyio

SENDERS, EACH = 6, 20
LOST, CUT, DOUBLED = 0.10, 0.15, 0.15
NAME = "creates over a line that loses and doubles"


class BadLine(httpx.AsyncBaseTransport):
    """Loses requests and answers, and carries some requests twice at once."""

    def __init__(self, client: httpx.AsyncClient, chance: random.Random) -> None:
        self._client, self._chance = client, chance
        self.faults: Counter[str] = Counter()

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        dice = self._chance.random()
        if dice < LOST:
            self.faults["lost"] += 1
            raise httpx.ConnectError("lost", request=request)
        body = await request.aread()
        doubled = LOST <= dice < LOST + DOUBLED
        asked = [
            self._client.request(request.method, request.url, content=body, headers=request.headers)
            for _ in range(2 if doubled else 1)
        ]
        self.faults["doubled"] += doubled
        answers = await asyncio.gather(*asked)
        if dice > 1 - CUT:
            self.faults["answer lost"] += 1
            raise httpx.ReadError("cut", request=request)
        return httpx.Response(answers[-1].status_code, headers=answers[-1].headers, content=answers[-1].content)


class Broken(Exception):
    """The end of the server, inside a transaction."""


async def created(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> tuple[Counter[str], list[str], list[str], Counter[str]]:
    """What was acknowledged by id, what is there, both of holdings, and the faults on the way. Some transactions fail after
    the coin was stored and before its key was."""
    owner, chance = service.collector(), random.Random(4711)
    line = BadLine(service.client, chance)
    real, broken = RememberedStore.add, Counter[str]()

    def add(store: RememberedStore, *arguments: Any) -> None:
        if chance.random() < 0.1:
            broken["transactions broken"] += 1
            raise Broken
        real(store, *arguments)

    monkeypatch.setattr(RememberedStore, "add", add)
    acknowledged: Counter[str] = Counter()

    async def send(number: int) -> None:
        async with httpx.AsyncClient(transport=line, base_url="http://setwright.test", headers=owner) as client:
            for what in range(EACH):
                key = f"{number}-{what}"
                while True:
                    try:
                        answer = await client.post(
                            "/v1/holdings", json={"number": key}, headers={"Idempotency-Key": key}
                        )
                    except httpx.TransportError:
                        continue
                    if answer.status_code == 201:
                        acknowledged[answer.json()["id"]] += 1
                        break
                    assert answer.status_code == 500, answer.text

    await asyncio.gather(*(send(number) for number in range(SENDERS)))
    page = (await service.client.get("/v1/holdings?limit=200", headers=owner)).json()
    held = page["items"]
    while page["next"] is not None:
        page = (await service.client.get(page["next"], headers=owner)).json()
        held += page["items"]
    return acknowledged, [one["id"] for one in held], [one["number"] for one in held], line.faults + broken


async def test_every_create_happens_once(service: Running, monkeypatch: pytest.MonkeyPatch, promise: Promise) -> None:
    acknowledged, ids, numbers, faults = await created(service, monkeypatch)
    assert sorted(acknowledged) == sorted(ids)
    assert len(set(numbers)) == len(numbers) == SENDERS * EACH
    assert set(acknowledged.values()) == {1}
    # Something of each kind went wrong, else the test saw nothing.
    assert all(faults[kind] > 3 for kind in ("lost", "doubled", "answer lost", "transactions broken")), faults
    told = ", ".join(f"{kind} {count}" for kind, count in sorted(faults.items()))
    promise(4, NAME, kept=f"{len(ids)} creates, 0 twice, 0 lost ({told})")


async def test_a_service_that_forgets_keys_is_seen(
    service: Running, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    # The control: no key is looked at.
    async def twice() -> int:
        _, ids, numbers, _ = await created(service, monkeypatch)
        return len(ids) - len(set(numbers))

    def once(connection: Any, owner: Any, key: Any, fingerprint: Any, act: Any, now: Any) -> Any:
        return act()

    monkeypatch.setattr("service.http.idempotency.once", once)
    monkeypatch.setattr(RememberedStore, "find", lambda *_: None)
    count = await twice()
    assert count > 0
    promise(4, NAME, control=f"keys not looked at: {count} of {SENDERS * EACH} twice")


async def test_a_definition_too_is_created_once_when_its_answer_is_lost(service: Running) -> None:
    owner = {**service.collector(), "Idempotency-Key": "k"}
    for _ in range(3):
        assert (
            await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
        ).status_code == 201
    assert len((await service.client.get("/v1/definitions", headers=owner)).json()["items"]) == 1
