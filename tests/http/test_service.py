"""The service itself: its first address, HEAD, and the page of operations, which works without a network."""

from __future__ import annotations

import asyncio
import hashlib
import re
import tomllib
from pathlib import Path

import pytest

import service.http as package
from tests.conftest import Running
from tests.http.requests import own_headers
from tests.openapi import operations

pytestmark = pytest.mark.anyio
STATIC = Path(package.__file__).parent / "static"
HTML = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}


async def test_the_first_address_answers_a_person_and_a_program(service: Running) -> None:
    page = await service.client.get("/", headers=HTML)
    assert (page.status_code, page.headers["location"], page.headers["vary"]) == (303, "/app/", "Accept")
    app = await service.client.get(page.headers["location"], headers=HTML)
    assert (app.status_code, app.headers["content-type"]) == (200, "text/html; charset=utf-8")
    # Also for a browser that runs no scripts.
    assert 'href="/docs"' in app.text
    told = await service.client.get("/")
    assert told.headers["content-type"] == "application/json"
    assert told.headers["vary"] == "Accept"
    for name in ("docs", "openapi", "problems", "ready"):
        assert (await service.client.get(told.json()[name])).status_code == 200, name


async def test_the_page_of_operations_loads_nothing_from_elsewhere(service: Running) -> None:
    page = await service.client.get("/docs")
    assert page.status_code == 200
    loaded = re.findall(r'(?:src|href)="([^"]+)"', page.text)
    assert len([address for address in loaded if address.startswith("/docs/assets/")]) == 3
    for address in loaded:
        assert address.startswith("/"), address
        answer = await service.client.get(address)
        assert answer.status_code == 200, address
        assert len(answer.content) > 100, address
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "http" not in policy
    assert (await service.client.get("/docs/assets/VENDOR.toml")).status_code == 404
    assert (await service.client.get("/docs/assets/..%2Fwire.py")).status_code == 404


def test_files_of_other_authors_are_as_they_came() -> None:
    vendored = tomllib.loads((STATIC / "VENDOR.toml").read_text(encoding="utf-8"))
    named = {name: digest for part in vendored.values() for name, digest in part["files"].items()}
    assert {path.name for path in STATIC.iterdir()} == {*named, "VENDOR.toml", "docs.js"}
    for name, digest in named.items():
        assert hashlib.sha256((STATIC / name).read_bytes()).hexdigest() == digest, name
    assert all(part["licence"] for part in vendored.values())


OPEN_READS = [
    path
    for method, path, declared in operations()
    if method == "get" and declared["x-access"] == "open" and "{" not in path and path != "/pair"
]


@pytest.mark.parametrize("path", OPEN_READS)
async def test_head_answers_as_get_does_without_the_body(service: Running, path: str) -> None:
    got = await service.client.get(path)
    head = await service.client.head(path)
    assert (head.status_code, head.content) == (got.status_code, b"")
    assert own_headers(head) == own_headers(got)


async def test_head_is_held_to_the_same_rules(service: Running) -> None:
    owner = service.collector()
    assert (await service.client.head("/v1/holdings")).status_code == 401
    assert (await service.client.head("/v1/holdings", headers=owner)).status_code == 200
    reader = service.another_token(owner, scopes=["evaluate"])
    assert (await service.client.head("/v1/holdings", headers=reader)).status_code == 403
    assert (await service.client.head("/nowhere")).status_code == 404
    # What only changes has nothing to tell of itself.
    assert (await service.client.head("/v1/evaluations")).status_code == 405


async def test_head_of_a_stream_ends(service: Running) -> None:
    head = await asyncio.wait_for(service.client.head("/v1/holdings/events", headers=service.collector()), 10)
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-type"].startswith("text/event-stream")
