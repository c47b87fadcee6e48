"""The same request sent again happens once."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from tests.conftest import Running
from tests.http.examples import DOCUMENT

pytestmark = pytest.mark.anyio


async def count(service: Running, owner: dict[str, str]) -> int:
    return len((await service.client.get("/v1/holdings?limit=200", headers=owner)).json()["items"])


async def test_the_same_key_and_body_give_the_same_answer_and_one_holding(service: Running) -> None:
    owner = {**service.collector(), "Idempotency-Key": "k-1"}
    first = await service.client.post("/v1/holdings", json={"note": "x"}, headers=owner)
    again = await service.client.post("/v1/holdings", json={"note": "x"}, headers=owner)
    assert (again.status_code, again.content) == (201, first.content)
    assert (again.headers["etag"], again.headers["location"]) == (first.headers["etag"], first.headers["location"])
    assert await count(service, owner) == 1


async def test_without_a_key_or_with_another_it_happens_again(service: Running) -> None:
    owner = service.collector()
    for headers in (owner, owner, {**owner, "Idempotency-Key": "a"}, {**owner, "Idempotency-Key": "b"}):
        assert (await service.client.post("/v1/holdings", json={}, headers=headers)).status_code == 201
    assert await count(service, owner) == 4


@pytest.mark.parametrize("path", ["/v1/holdings", "/v1/definitions"])
async def test_the_same_key_with_another_request_is_refused(service: Running, path: str) -> None:
    owner = {**service.collector(), "Idempotency-Key": "k"}
    assert (await service.client.post("/v1/holdings", json={"note": "x"}, headers=owner)).status_code == 201
    body = {"note": "y"} if path == "/v1/holdings" else {"document": DOCUMENT}
    answer = await service.client.post(path, json=body, headers=owner)
    assert answer.status_code == 422
    assert answer.json()["type"].endswith("/problems/idempotency-key-reused")
    assert await count(service, owner) == 1


async def test_keys_of_different_collectors_have_nothing_to_do_with_each_other(service: Running) -> None:
    answers = [
        await service.client.post(
            "/v1/holdings", json={"note": str(n)}, headers={**service.collector(), "Idempotency-Key": "k"}
        )
        for n in range(2)
    ]
    assert [answer.status_code for answer in answers] == [201, 201]


async def test_a_refused_request_may_be_mended_under_the_same_key(service: Running) -> None:
    owner = {**service.collector(), "Idempotency-Key": "k"}
    assert (await service.client.post("/v1/holdings", json={"quantity": 0}, headers=owner)).status_code == 422
    assert (await service.client.post("/v1/holdings", json={"quantity": 1}, headers=owner)).status_code == 201


async def test_a_retried_publication_is_answered_even_though_the_version_moved_on(service: Running) -> None:
    owner = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
    headers = {**owner, "If-Match": made.headers["etag"], "Idempotency-Key": "publish"}
    first = await service.client.post(f"{made.headers['location']}/revisions", headers=headers)
    again = await service.client.post(f"{made.headers['location']}/revisions", headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    revisions = await service.client.get(f"{made.headers['location']}/revisions", headers=owner)
    assert len(revisions.json()["items"]) == 1


async def test_a_request_sent_many_times_at_once_happens_once(service: Running) -> None:
    owner = {**service.collector(), "Idempotency-Key": "k"}

    async def send() -> Any:
        return await service.client.post("/v1/holdings", json={"note": "x"}, headers=owner)

    answers = await asyncio.gather(*(send() for _ in range(12)))
    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.content for answer in answers}) == 1
    assert await count(service, owner) == 1


@pytest.mark.parametrize("key", ["", " ", "a b", "a" * 256, "\xe9"])
async def test_a_key_that_is_none_is_refused(service: Running, key: str) -> None:
    headers = {**service.collector(), "Idempotency-Key": key.encode("latin-1")}
    assert (await service.client.post("/v1/holdings", json={}, headers=headers)).status_code == 400
