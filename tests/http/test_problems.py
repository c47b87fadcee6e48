"""Every refusal is a problem document whose type leads to a page; nothing unforeseen reaches the caller."""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator
from typing import Any

import anyio
import pytest

from service.http.problems import PROBLEM_KINDS
from tests.conftest import Running, running, settings_for
from tests.http.examples import CHECK, DOCUMENT
from tests.logs import listening

pytestmark = pytest.mark.anyio

JSON = {"Content-Type": "application/json"}


def checked(answer: Any, kind: str) -> dict[str, Any]:
    assert answer.headers["content-type"] == "application/problem+json", answer.text
    body: dict[str, Any] = answer.json()
    assert body["type"] == f"http://setwright.test/problems/{kind}"
    assert (body["status"], body["title"]) == (answer.status_code, PROBLEM_KINDS[kind].title)
    assert answer.status_code == PROBLEM_KINDS[kind].status
    assert body["detail"]
    return body


async def test_each_kind_has_a_page(service: Running) -> None:
    listed = await service.client.get("/problems")
    for name, kind in PROBLEM_KINDS.items():
        page = await service.client.get(f"/problems/{name}")
        assert (page.status_code, page.headers["content-type"]) == (200, "text/html; charset=utf-8")
        assert kind.title in page.text
        assert f'href="/problems/{name}"' in listed.text
    checked(await service.client.get("/problems/<script>"), "not-found")


async def test_an_address_without_anything_and_a_method_without_meaning(service: Running) -> None:
    checked(await service.client.get("/v2/anything"), "not-found")
    answer = await service.client.put("/v1/holdings", headers=service.collector())
    checked(answer, "method-not-allowed")
    assert answer.headers["allow"] == "GET, POST"
    answer = await service.client.post("/v1/definitions/x")
    assert answer.headers["allow"] == "DELETE, GET, PUT"


@pytest.mark.parametrize(
    "header", [None, "Bearer", "Bearer ", "Basic abc", "Bearer swt_unknown", "Bearer \xff\xfe", "bearer"]
)
async def test_without_a_valid_token_nothing_is_told(service: Running, header: str | None) -> None:
    headers = {} if header is None else {"Authorization": header.encode("latin-1")}
    answer = await service.client.get("/v1/holdings", headers=headers)
    checked(answer, "unwelcome")
    assert answer.headers["www-authenticate"] == "Bearer"


async def test_the_token_is_asked_for_before_the_body_is_read(service: Running) -> None:
    async def endless() -> AsyncIterator[bytes]:
        raise AssertionError("the body was read")
        yield b""

    answer = await service.client.post("/v1/holdings", content=endless(), headers=JSON)
    checked(answer, "unwelcome")


@pytest.mark.parametrize("declared", [True, False])
async def test_a_body_past_the_limit_is_refused_with_and_without_its_length(service: Running, declared: bool) -> None:
    limit = service.app.state.settings.body_bytes
    sent = 0

    async def pieces() -> AsyncIterator[bytes]:
        nonlocal sent
        while sent < 20 * limit:
            sent += 65_536
            yield b" " * 65_536

    content: Any = b" " * (limit + 1) if declared else pieces()
    answer = await service.client.post("/v1/holdings", content=content, headers={**service.collector(), **JSON})
    assert str(limit) in checked(answer, "body-too-large")["detail"]
    # An undeclared body is not read on past the limit.
    assert sent <= limit + 2 * 65_536


async def test_a_body_at_the_limit_is_read(service: Running) -> None:
    limit = service.app.state.settings.body_bytes
    body = b'{"note": "x"}'.ljust(limit)
    answer = await service.client.post("/v1/holdings", content=body, headers={**service.collector(), **JSON})
    assert answer.status_code == 201


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "application/json; charset=latin-1"},
        {"Content-Type": "application/merge-patch+json"},
        {"Content-Type": "application/json", "Content-Encoding": "gzip"},
    ],
)
async def test_another_content_type_is_refused(service: Running, headers: dict[str, str]) -> None:
    answer = await service.client.post("/v1/holdings", content=b"{}", headers={**service.collector(), **headers})
    assert "application/json" in checked(answer, "unsupported-media-type")["detail"]


async def test_a_patch_takes_a_merge_patch_only(service: Running) -> None:
    owner = service.collector()
    made = await service.client.post("/v1/holdings", json={}, headers=owner)
    headers = {**owner, "If-Match": made.headers["etag"]}
    checked(await service.client.patch(made.headers["location"], json={}, headers=headers), "unsupported-media-type")


async def test_a_body_that_comes_too_slowly_is_given_up(database_url: str) -> None:
    async def slow() -> AsyncIterator[bytes]:
        yield b"{"
        await anyio.sleep(5)
        yield b"}"

    async with running(settings_for(database_url, receive_seconds=0.1)) as service:
        answer = await service.client.post("/v1/holdings", content=slow(), headers={**service.collector(), **JSON})
    checked(answer, "request-timeout")


# Raw bodies that have broken readers elsewhere; each is sent to every operation that takes a body.
AWKWARD = [
    b"", b" ", b"null", b"true", b"1", b'""', b"[]", b"{}", b"[[]]", b'{"":{}}', b"\x00", b"\xff\xfe", b"\xef\xbb\xbf{}",
    b"{", b"}", b'"', b"[1,]", b"{'a':1}", b"nul", b"NaN", b"[Infinity]", b"1e400", b"-0", b"01", b"+1", b".5", b"1.",
    b"9" * 5_000, b"[" * 100_000, b'{"a":' * 100_000, b'"\\ud800"', b'"\\u0000"', b'{"\\ud800":1}', b'{"a":1,"a":2}',
    b'{"facts":null}', b'{"facts":[]}', b'{"facts":{"grade":1e99}}', b'{"facts":{"grade":{"from":70,"to":1}}}',
    b'{"facts":{"":1}}', b'{"facts":{"a":{"one_of":[]}}}', b'{"facts":{"a":{"none":false}}}', b'{"facts":{"a":[[1]]}}',
    b'{"facts":{"grade":{"one_of":[{"one_of":[1]}]}}}', b'{"facts":{"weight":0.1e-99}}', b'{"id":null}', b'{"id":"x"}',
    b'{"quantity":1.0}', b'{"quantity":true}', b'{"quantity":"1"}', b'{"status":{}}', b'{"tags":{}}', b'{"note":1}',
    b'{"note":"\xed\xa0\x80"}', b'{"document":{}}', b'{"document":{"format":"set-definition/1"}}', b'{"document":null}',
    b'{"document":{"format":"set-definition/1","title":"x","slots":[{"id":"a","label":"A","accepts":{}}]}}',
    b'{"document":{"format":"set-definition/1","title":"x","slots":[{"id":"a","label":"A","accepts":"((((((((((a"}]}}',
    b'{"document":{"format":"set-definition/1","title":"x","slots":[{"id":"a","label":"A","accepts":{"op":[],"args":{}}}]}}',
    b'{"document":{"format":"set-definition/1","title":1,"slots":{}}}',
    b'{"definition":{"format":"set-definition/1"},"holdings":[null]}', b'{"definition":{},"holdings":[]}',
    b'{"definition":{"id":"0191aaaa-0000-7000-8000-000000000000","revision":1e2},"holdings":[]}',
    b'{"definition":{"id":null},"holdings":"mine"}', b'{"definition":{},"holding":null}',
    b'{"definition":{"format":"set-definition/1","title":"x","slots":[]},"holdings":[1,"a",{"id":{}}],"today":20261125}',
]  # fmt: skip


async def test_no_body_whatever_leads_to_a_fault_of_the_service(service: Running) -> None:
    owner = service.collector()
    made = await service.client.post("/v1/holdings", json={}, headers=owner)
    drafted = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
    targets = [
        ("POST", "/v1/holdings", "application/json"),
        ("PATCH", made.headers["location"], "application/merge-patch+json"),
        ("POST", "/v1/definitions", "application/json"),
        ("POST", "/v1/definitions", "application/yaml"),
        ("PUT", drafted.headers["location"], "application/json"),
        ("PUT", drafted.headers["location"], "application/yaml"),
        ("POST", "/v1/evaluations", "application/json"),
        ("POST", "/v1/evaluations", "application/yaml"),
        ("POST", "/v1/explanations", "application/json"),
    ]
    for method, path, kind in targets:
        for body in AWKWARD:
            headers = {**owner, "Content-Type": kind, "If-Match": "*"}
            answer = await service.client.request(method, path, content=body, headers=headers)
            told = (method, path, kind, body[:80], answer.text[:300])
            assert answer.status_code in (200, 201, 400, 409, 413, 415, 422), told
            if answer.status_code >= 400:
                assert answer.headers["content-type"] == "application/problem+json", told
                assert answer.json()["errors"] or answer.status_code == 409, told


async def test_an_unforeseen_error_tells_the_caller_nothing_and_the_log_no_secret(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = secrets.token_hex(8)

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError(f"with {secret}")

    # An operation that reads nothing from the query, so that a secret may stand there.
    monkeypatch.setattr("service.http.api.definitions.check_report", fail)
    with listening() as log:
        answer = await service.client.post(f"/v1/definition-checks?key={secret}", json=CHECK)
    checked(answer, "internal")
    assert secret not in answer.text
    written = log.getvalue()
    assert secret not in written
    assert "RuntimeError" in written
    assert "method=POST route=/v1/definition-checks status=500" in written


async def test_the_log_has_the_route_and_not_the_address(service: Running) -> None:
    with listening() as log:
        await service.client.get("/v1/holdings/secret-in-path?and=query", headers=service.collector())
    assert log.requests == ["GET /v1/holdings/{id} 404"]
