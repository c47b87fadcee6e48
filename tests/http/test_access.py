"""The access matrix, from the OpenAPI document, so that a new operation cannot be forgotten: each operation with no token, an
unknown, an expired, a revoked one, one of the wrong scope, another owner's, and its owner's."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.accounts.model import SCOPES
from service.http import openapi
from tests.conftest import Running
from tests.http.test_ownership import addresses, operations, send

pytestmark = pytest.mark.anyio

# It goes on for a quarter of an hour for whoever may see it.
STREAMS = {"watch_holdings"}


async def test_every_operation_declares_who_may_and_with_which_scope(service: Running) -> None:
    seen = set()
    for method, path, declared in operations(service):
        assert declared["x-access"] in openapi.ACCESS, (method, path)
        needed = declared.get("x-scope", [])
        assert set(needed) <= set(SCOPES), (method, path)
        assert bool(needed) is (declared["x-access"] != openapi.OPEN), (method, path)
        seen.update(needed)
    assert seen == set(SCOPES)


async def test_each_operation_with_every_kind_of_token(service: Running) -> None:
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
    listed = (await service.client.get("/v1/account/tokens", headers=dead["revoked"])).json()["items"]
    mine = next(entry["id"] for entry in listed if entry["is_this"])
    assert (await service.client.delete(f"/v1/account/tokens/{mine}", headers=owner)).status_code == 204
    by_scope = {scope: service.another_token(owner, scopes=[scope]) for scope in SCOPES}
    tried = 0
    for method, path, declared in operations(service):
        access, needed = declared["x-access"], set(declared.get("x-scope", []))
        start = next((start for start in stored if path.startswith(start)), None)
        address = path if start is None else path.replace(start, stored[start])
        for step, value in {"{number}": "1", "{name}": "motifs", "{kind}": "stale", "{id}": mine}.items():
            address = address.replace(step, value)
        declared_statuses = set(declared["responses"])
        if access in openapi.NEEDS_TOKEN:
            for kind, headers in dead.items():
                answer = await send(service, method, address, declared, headers)
                assert answer.status_code == 401, (method, path, kind, answer.text)
                assert (
                    "www-authenticate" in answer.headers or answer.headers["content-type"] == "application/problem+json"
                )
                tried += 1
        if access == openapi.PERHAPS:
            for kind in ("unknown", "expired", "revoked"):
                answer = await send(service, method, address, declared, dead[kind])
                assert answer.status_code == 401, (method, path, kind)
                tried += 1
        for scope in sorted(set(SCOPES) - needed) if needed else ():
            answer = await send(service, method, address, declared, by_scope[scope])
            assert answer.status_code == 403, (method, path, scope, answer.text)
            assert "403" in declared_statuses, (method, path)
            tried += 1
        if start is not None:
            answer = await send(service, method, address, declared, stranger)
            assert answer.status_code == 404, (method, path, answer.text)
            tried += 1
        if (
            access in openapi.NEEDS_TOKEN
            and method == "get"
            and declared["operationId"] not in STREAMS
            and start is not None
        ):
            scope = sorted(needed)[0]
            answer = await send(service, method, address, declared, by_scope[scope])
            assert answer.status_code in (200, 204, 409), (method, path, scope, answer.text)
            tried += 1
    assert tried > 300
