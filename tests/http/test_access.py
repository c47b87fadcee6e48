"""The access matrix, from the OpenAPI document, so that a new operation cannot be forgotten: each operation with no token, an
unknown, an expired, a revoked one, one of the wrong scope, another owner's, and its owner's."""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from service.accounts.model import SCOPES, Caller, Owner
from service.accounts.store import caller_of
from service.holdings import tables as store_tables
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.http import dependencies, openapi
from tests.conftest import Running
from tests.http import doors
from tests.http.requests import OWN_ADDRESSES, addresses, send
from tests.openapi import operations
from tests.promises.plugin import Promise

pytestmark = pytest.mark.anyio

# It goes on for a quarter of an hour for whoever may see it.
STREAMS = {"watch_holdings"}
NAME = "every operation with every kind of token"


async def test_every_operation_declares_who_may_and_with_which_scope(service: Running) -> None:
    seen = set()
    for method, path, declared in operations():
        assert declared["x-access"] in openapi.ACCESS, (method, path)
        needed = declared.get("x-scope", [])
        assert set(needed) <= set(SCOPES), (method, path)
        assert bool(needed) is (declared["x-access"] != openapi.OPEN), (method, path)
        seen.update(needed)
    assert seen == set(SCOPES)


async def test_a_token_counts_only_as_a_bearer_token(service: Running) -> None:
    owner = service.collector()
    token = owner["Authorization"].removeprefix("Bearer ")
    for header in (f"Bearer {token}", f"bearer  {token} "):
        answer = await service.client.get("/v1/account", headers={"Authorization": header})
        assert answer.status_code == 200, header
    for header in (f"Basic {token}", token, f"Token {token}", "Bearer", "Bearer ", ""):
        answer = await service.client.get("/v1/account", headers={"Authorization": header})
        assert answer.status_code == 401, header
        assert answer.headers["www-authenticate"] == "Bearer"


async def test_each_operation_with_every_kind_of_token(service: Running, promise: Promise) -> None:
    breaches, tried = await matrix(service)
    assert breaches == []
    assert tried > 300
    promise(12, NAME, kept=f"{tried} requests to {len(list(operations()))} operations, 0 let in")


@pytest.mark.parametrize("door", ["every scope", "every token", "every owner"])
async def test_a_door_that_stands_open_is_seen(
    service: Running, door: str, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    if door == "every scope":
        monkeypatch.setattr(Caller, "ensure", lambda *_: None)
    elif door == "every token":
        long_ago = datetime(2000, 1, 1, tzinfo=UTC)
        monkeypatch.setattr(dependencies, "caller_of", lambda row, digest, _: caller_of(row, digest, long_ago))
    else:
        honest_read = HoldingStore.get

        def anybodys(store: HoldingStore, identity: str) -> StoredHolding:
            table = store_tables.holding
            query = select(table.c.owner_id).where(table.c.id == identity)
            found = store._connection.execute(query).scalar()
            return honest_read(HoldingStore(store._connection, Owner(found)) if found else store, identity)

        monkeypatch.setattr(HoldingStore, "get", anybodys)
    breaches, _ = await matrix(service, without=STREAMS)
    kind = {"every scope": "scope", "every token": "expired", "every owner": "stranger"}[door]
    assert any(kind in breach for breach in breaches), breaches
    promise(12, NAME, control=f"{door} let in: {len(breaches)} seen")


async def matrix(service: Running, without: Collection[str] = ()) -> tuple[list[str], int]:
    """What was let in that should not have been, or refused in other words than those documented; how many were tried."""
    owner, stranger = service.collector(is_admin=True), service.collector(is_admin=True)
    stored = await addresses(service, owner)
    past = datetime.now(UTC) - timedelta(seconds=1)
    dead = {
        "none": {},
        "unknown": {"Authorization": "Bearer swt_unknown"},
        "malformed": {"Authorization": "Basic dXNlcjpwYXNz"},
        "expired": service.another_token(owner, expires_at=past),
        "revoked": service.another_token(owner),
    }
    revoked = await doors.own_id(service, dead["revoked"])
    assert (await service.client.delete(f"/v1/account/tokens/{revoked}", headers=owner)).status_code == 204
    by_scope = {scope: service.another_token(owner, scopes=[scope]) for scope in SCOPES}
    breaches: list[str] = []
    tried = 0
    for method, path, declared in operations():
        if declared["operationId"] in without:
            continue
        access, needed = declared["x-access"], set(declared.get("x-scope", []))
        start = next((start for start in stored if path.startswith(start)), None)
        address = path if start is None else path.replace(start, stored[start])
        for step, value in {"{number}": "1", "{name}": "motifs", "{kind}": "stale", "{id}": revoked}.items():
            address = address.replace(step, value)
        asked: list[tuple[str, dict[str, str], int, str, str | None]] = []
        if access != openapi.OPEN:
            kinds = dead if access in openapi.NEEDS_TOKEN else ("unknown", "expired", "revoked")
            asked += [(kind, dead[kind], 401, "unwelcome", "Bearer") for kind in kinds]
            challenge = f'Bearer error="insufficient_scope", scope="{" ".join(sorted(needed))}"'
            others = sorted(set(SCOPES) - needed)
            asked += [(f"scope {s}", by_scope[s], 403, "forbidden-scope", challenge) for s in others]
        if start is not None and declared["operationId"] not in OWN_ADDRESSES:
            asked.append(("stranger", stranger, 404, "not-found", None))
        for kind, headers, status, problem, challenge in asked:
            answer = await send(service, method, address, declared, headers)
            is_problem = answer.headers.get("content-type") == "application/problem+json"
            told = (
                answer.status_code,
                answer.json()["type"].rpartition("/")[2] if is_problem else None,
                answer.headers.get("www-authenticate"),
            )
            if told != (status, problem, challenge) or str(status) not in declared["responses"]:
                breaches.append(f"{method} {path} by {kind}: {told}, documented {sorted(declared['responses'])}")
            tried += 1
        is_read = method == "get" and declared["operationId"] not in STREAMS
        if access in openapi.NEEDS_TOKEN and is_read and start is not None:
            answer = await send(service, method, address, declared, by_scope[min(needed)])
            if answer.status_code not in (200, 204, 409):
                breaches.append(f"{method} {path} by its owner: {answer.status_code}")
            tried += 1
    return breaches, tried
