"""No update is lost, and no caller sees "locked"."""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from typing import Any

import pytest

from service.holdings.store import HoldingStore
from tests.conftest import Running
from tests.owners import recognise
from tests.promises.plugin import Promise

pytestmark = pytest.mark.anyio

WRITERS, ROUNDS = 32, 2
NAME = "read, add one, write back"


async def counting(service: Running) -> tuple[int, Counter[int]]:
    """The final number, and how often each status was answered, when many read, add one and write back until each has done so
    as often as it is to."""
    owner = service.collector()
    made = await service.client.post("/v1/holdings", json={"quantity": 1}, headers=owner)
    where, statuses = made.headers["location"], Counter[int]()

    async def writer(number: int) -> None:
        chance, done = random.Random(number), 0
        while done < ROUNDS:
            await asyncio.sleep(chance.uniform(0, 0.5))
            seen = await service.client.get(where, headers=owner)
            headers = {**owner, "If-Match": seen.headers["etag"], "Content-Type": "application/merge-patch+json"}
            patch = {"quantity": seen.json()["quantity"] + 1}
            status = (await service.client.patch(where, json=patch, headers=headers)).status_code
            statuses[status] += 1
            assert status in (200, 412)
            done += status == 200

    await asyncio.gather(*(writer(number) for number in range(WRITERS)))
    final = await service.client.get(where, headers=owner)
    return final.json()["quantity"] - 1, statuses


async def test_the_number_counts_exactly_the_writes_that_were_acknowledged(service: Running, promise: Promise) -> None:
    number, statuses = await counting(service)
    assert number == statuses[200] == WRITERS * ROUNDS
    # They met, else the test saw nothing.
    assert statuses[412] > 0
    told = (
        f"{WRITERS} at once, {statuses[200]} acknowledged, {number} counted, {statuses[412]} answered 412, 0 otherwise"
    )
    promise(3, NAME, kept=told)


async def test_the_same_count_without_the_check_loses_writes(
    service: Running, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    # The control: a service that does not compare versions must fail the test above.
    monkeypatch.setattr("service.http.conditional.ExpectedVersion.check", lambda *_: None)
    number, statuses = await counting(service)
    assert statuses[200] == WRITERS * ROUNDS
    assert number < statuses[200]
    promise(3, NAME, control=f"versions not compared: {statuses[200]} acknowledged, {number} counted")


async def test_many_new_holdings_at_once_have_states_of_their_own(service: Running) -> None:
    owner = service.collector()

    async def record(number: int) -> Any:
        return await service.client.post("/v1/holdings", json={"number": str(number)}, headers=owner)

    answers = await asyncio.gather(*(record(number) for number in range(32)))
    assert {answer.status_code for answer in answers} == {201}
    token = owner["Authorization"].removeprefix("Bearer ")
    database = service.app.state.database
    stored = database.read(lambda c: HoldingStore(c, recognise(c, token)).all())
    assert sorted(holding.modseq for holding in stored) == list(range(1, 33))
