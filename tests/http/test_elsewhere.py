"""Requests that a process of its own answers: the answers are the same, byte for byte, and a caller who leaves ends the work."""

from __future__ import annotations

import asyncio
import errno
import json
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from service.http.elsewhere import DEADLINE
from service.inside import is_out_of_memory
from tests.conftest import Running, running, settings_for

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Hill farms",
    "slots": [
        {"id": "pony", "label": "Pony", "accepts": "year_on_coin BETWEEN 1900 AND 1950"},
        {"id": "ewe", "label": "Ewe", "accepts": "year_on_coin > 1920 AND grade >= 20"},
    ],
    "free_choice": [{"id": "any", "places": 2, "accepts": "year_on_coin > 1800", "distinct": ["year_on_coin"]}],
}
COINS = [
    {"id": f"0190b0c0-0000-7000-8000-{number:012d}", "facts": {"year_on_coin": 1900 + number * 7, "grade": 20 + number}}
    for number in range(8)
]


@pytest.fixture
async def elsewhere(database_url: str, tmp_path: Path, anyio_backend: str) -> AsyncIterator[Running]:
    """A service that computes nothing in threads."""
    settings = settings_for(
        database_url, photos_dir=tmp_path / "other", small_work_milliseconds=0.0, jobs_in_server=False
    )
    async with running(settings) as started:
        yield started


async def test_answers_are_the_same(service: Running, elsewhere: Running) -> None:
    headers = service.collector()
    for coin in COINS:
        assert (await service.client.post("/v1/holdings", json=coin, headers=headers)).status_code == 201
    stored = (await service.client.post("/v1/definitions", json={"document": SET}, headers=headers)).json()["id"]
    inline = {"definition": SET, "holdings": COINS}
    asked: list[tuple[str, str, Any, Mapping[str, str]]] = [
        ("POST", "/v1/evaluations", inline, {}),
        ("POST", "/v1/evaluations", inline, headers),
        ("POST", "/v1/evaluations?format=text", inline, headers),
        ("POST", "/v1/evaluations", {"definition": {"id": stored}, "holdings": "mine"}, headers),
        ("POST", "/v1/evaluations", {**inline, "definition": {**SET, "slots": [{"id": "x"}]}}, {}),
        ("POST", "/v1/explanations", {"definition": SET, "holding": COINS[0]}, headers),
        ("POST", "/v1/candidates", {"coins": [{"facts": {"year_on_coin": 1931}}]}, headers),
        ("POST", "/v1/definition-checks", SET, {}),
        ("GET", f"/v1/definitions/{stored}/evaluation", None, headers),
        ("GET", f"/v1/definitions/{stored}/evaluation?format=html", None, headers),
        ("HEAD", f"/v1/definitions/{stored}/evaluation", None, headers),
        ("GET", f"/v1/definitions/{stored}/check", None, headers),
        ("GET", "/v1/doubts", None, headers),
        ("GET", f"/v1/holdings?filter=set('{stored}') = 'pony'", None, headers),
        ("GET", f"/v1/holdings/labels?filter=set('{stored}') IS NOT NULL", None, headers),
        # What names no set is done here, and so is what is wrong with it.
        ("GET", "/v1/holdings?filter=grade > 22", None, headers),
        ("GET", "/v1/holdings?filter=set('nothing') = 'pony'", None, headers),
        ("GET", "/v1/holdings?filter=set(", None, headers),
    ]
    for method, path, body, sent in asked:
        here = await service.client.request(method, path, json=body, headers=sent)
        there = await elsewhere.client.request(method, path, json=body, headers=sent)
        assert (there.status_code, there.content) == (here.status_code, here.content), (method, path)
        assert there.headers.get("etag") == here.headers.get("etag")
        assert there.headers["content-type"] == here.headers["content-type"]
    tally = elsewhere.app.state.members.tally, elsewhere.app.state.strangers.tally
    # The one of HEAD was kept.
    assert (tally[0].done, tally[1].done) == (11, 3), "all of it was done elsewhere"


async def test_what_is_written_after_an_evaluation_is_done_elsewhere_too(elsewhere: Running) -> None:
    headers, client = elsewhere.collector(), elsewhere.client
    for coin in COINS:
        await client.post("/v1/holdings", json=coin, headers=headers)
    made = await client.post("/v1/definitions", json={"document": SET}, headers=headers)
    address, before = made.headers["Location"], elsewhere.app.state.members.tally.done
    noted = await client.post(f"{address}/history", json={}, headers={**headers, "Idempotency-Key": "once"})
    assert noted.status_code == 200, noted.text
    again = await client.post(f"{address}/history", json={}, headers={**headers, "Idempotency-Key": "once"})
    assert again.content == noted.content
    version = (await client.get(address, headers=headers)).headers["ETag"]
    published = await client.post(f"{address}/revisions?acknowledged=true", headers={**headers, "If-Match": version})
    assert published.status_code == 201, published.text
    adopted = await client.put(
        f"{address}/adoption", json={"revision": 1}, headers={**headers, "If-Match": published.headers["ETag"]}
    )
    assert adopted.status_code == 200, adopted.text
    grown = (await client.get(f"{address}/history", headers=headers)).json()
    assert (len(grown["items"]), grown["noted_on"]) == (len(noted.json()["changes"]), noted.json()["noted_on"])
    # Twice the note, which is evaluated before its key is looked up; what publishing checks; and the adoption.
    assert elsewhere.app.state.members.tally.done - before == 4


async def test_an_answer_that_was_made_elsewhere_is_kept(elsewhere: Running) -> None:
    headers = elsewhere.collector()
    made = await elsewhere.client.post("/v1/definitions", json={"document": SET}, headers=headers)
    address = f"/v1/definitions/{made.json()['id']}/evaluation"
    first = await elsewhere.client.get(address, headers=headers)
    again = await elsewhere.client.get(address, headers=headers)
    assert first.content == again.content
    assert elsewhere.app.state.members.tally.done == 1
    known = await elsewhere.client.get(address, headers={**headers, "If-None-Match": first.headers["etag"]})
    assert known.status_code == 304


async def test_a_long_answer_comes_from_a_file_that_is_then_gone(elsewhere: Running) -> None:
    many = [{"id": f"coin {number}", "facts": {"year_on_coin": 1700}} for number in range(30_000)]
    answer = await elsewhere.client.post(
        "/v1/evaluations", json={"definition": SET, "holdings": many}, headers=elsewhere.collector(), timeout=120
    )
    assert answer.status_code == 200
    assert len(answer.content) > 4 * 1024 * 1024
    assert len(answer.json()["unplaced"]) == len(many)
    assert list(elsewhere.app.state.spool.iterdir()) == []


async def test_more_than_strangers_may_ask_is_refused_and_names_the_limit(service: Running) -> None:
    coins = [{"id": str(number), "facts": {"year_on_coin": 1700}} for number in range(501)]
    body = {"definition": SET, "holdings": coins}
    refused = await service.client.post("/v1/evaluations", json=body)
    assert refused.status_code == 422
    (fault,) = refused.json()["errors"]
    assert (fault["code"], fault["pointer"]) == ("over-limit", "/holdings")
    assert "500 coins" in fault["message"]
    asked = await service.client.post("/v1/evaluations", json=body, headers=service.collector())
    assert asked.status_code == 200
    large = {**SET, "slots": [{"id": str(number), "accepts": "year_on_coin = 1"} for number in range(201)]}
    places = await service.client.post("/v1/evaluations", json={"definition": large, "holdings": []})
    assert places.json()["errors"][0]["pointer"] == "/definition"


async def test_what_does_not_fit_into_the_memory_of_a_process_is_refused_before_it_dies_of_it(
    database_url: str, tmp_path: Path
) -> None:
    settings = settings_for(database_url, photos_dir=tmp_path, jobs_in_server=False, work_bytes=320 * 1024 * 1024)
    many = [{"id": str(number), "facts": {"year_on_coin": 1700}} for number in range(2_600)]
    slots = [{"id": str(number), "accepts": f"year_on_coin > {number}"} for number in range(1_440)]
    async with running(settings) as service:
        answer = await service.client.post(
            "/v1/evaluations",
            json={"definition": {"format": "set-definition/1", "title": "x", "slots": slots}, "holdings": many},
            headers=service.collector(),
            timeout=120,
        )
        tally = service.app.state.members.tally
    assert answer.status_code == 422
    detail = answer.json()["detail"]
    assert "2,600 coins, 1,440 places, 3," in detail
    assert "the 320 MiB of memory that one request may take" in detail
    assert (tally.done, tally.over_memory, tally.over_time) == (1, 0, 0)


async def test_a_caller_who_leaves_ends_the_work(elsewhere: Running) -> None:
    headers = elsewhere.collector()
    many = [{"id": str(number), "facts": {"year_on_coin": 1700 + number % 300}} for number in range(20_000)]
    slots = [{"id": str(number), "accepts": f"year_on_coin > {number}"} for number in range(1_500)]
    sent = json.dumps({"definition": {**SET, "slots": slots}, "holdings": many}).encode()
    members = elsewhere.app.state.members
    has_left = asyncio.Event()
    messages = [{"type": "http.request", "body": sent, "more_body": False}]

    async def receive() -> dict[str, Any]:
        if messages:
            return messages.pop()
        await has_left.wait()
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        told.append(message)

    told: list[Any] = []
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": "/v1/evaluations",
        "raw_path": b"/v1/evaluations",
        "root_path": "",
        "query_string": b"",
        "headers": [
            (b"content-type", b"application/json"),
            (b"authorization", headers["Authorization"].encode()),
        ],
        "client": ("127.0.0.1", 1),
        "server": None,
    }
    request = asyncio.ensure_future(elsewhere.app(scope, receive, send))
    while not members.running:
        await asyncio.sleep(0.05)
        assert not request.done()
    has_left.set()
    await asyncio.wait_for(request, 60)
    assert told[0]["status"] == 400
    assert (members.tally.left, members.tally.done, members.running) == (1, 0, 0)


def test_that_memory_ran_out_is_told_from_other_errors() -> None:
    hidden = ValueError("odd")
    hidden.__context__ = MemoryError()
    without = [
        MemoryError(),
        OSError(errno.ENOMEM, "no"),
        RuntimeError("can't start new thread"),
        RuntimeError("std::bad_alloc"),
        ImportError("some.so: failed to map segment from shared object"),
        ImportError("some.so: cannot allocate memory in static TLS block"),
        hidden,
    ]
    assert all(is_out_of_memory(error) for error in without)
    others = [
        ValueError("odd"),
        OSError(errno.ENOENT, "no"),
        RuntimeError("thread"),
        ImportError("no such module"),
        None,
    ]
    assert not any(is_out_of_memory(error) for error in others)


async def test_who_has_an_account_has_its_time_from_the_moment_the_token_is_accepted(
    database_url: str, tmp_path: Path
) -> None:
    settings = settings_for(database_url, photos_dir=tmp_path, request_seconds=60.0, anonymous_seconds=5.0)
    async with running(settings) as service:
        account, seen = service.collector(), list[tuple[float, float]]()
        framework = service.app.router.middleware_stack

        async def timed(scope: Any, receive: Any, send: Any) -> None:
            before = scope[DEADLINE].seconds
            await framework(scope, receive, send)
            left = scope[DEADLINE].seconds_left
            assert left <= scope[DEADLINE].seconds < left + 4
            seen.append((before, scope[DEADLINE].seconds))

        service.app.router.middleware_stack = timed
        made_up = {"Authorization": "Bearer swt_made-up"}
        statuses = [
            (await service.client.get("/v1/account", headers=headers)).status_code
            for headers in ({}, made_up, made_up, account, account)
        ]
    assert statuses == [401, 401, 401, 200, 200]
    assert seen == [(5.0, 5.0)] * 3 + [(5.0, 60.0), (60.0, 60.0)]
