"""Accounts by invitation, passwords, tokens: made, listed, ended; who was wrong too often waits."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest

from service.runtime import Limiter
from tests.clock import Clock
from tests.conftest import Running
from tests.http import doors

pytestmark = pytest.mark.anyio


async def test_an_invitation_makes_one_account_and_no_second(service: Running) -> None:
    admin = service.collector(is_admin=True)
    made = await doors.invited(service, admin, note="for the secretary")
    body = {"invitation": made["invitation"], "name": f"Marta Feld {uuid4()}", "password": doors.PASSWORD}
    first = await service.client.post("/v1/account/redemptions", json=body)
    assert first.status_code == 201, first.text
    again = await service.client.post("/v1/account/redemptions", json={**body, "name": f"Somebody else {uuid4()}"})
    assert again.status_code == 403, again.text
    listed = (await service.client.get("/v1/account/invitations", headers=admin)).json()["items"]
    # Of this account's own.
    assert [(entry["note"], entry["status"]) for entry in listed] == [("for the secretary", "used")]
    assert "invitation" not in listed[0]
    token = await doors.log_in(service, body["name"].lower())
    assert token.status_code == 201, token.text
    mine = {"Authorization": f"Bearer {token.json()['access_token']}"}
    # She has no coins of the others, and may not invite: her token's scopes do not reach, nor does her account.
    assert (await service.client.get("/v1/holdings", headers=mine)).json()["items"] == []
    assert (await service.client.post("/v1/account/invitations", json={}, headers=mine)).status_code == 403


async def test_a_name_that_differs_in_case_alone_is_taken(service: Running) -> None:
    admin = service.collector(is_admin=True)
    name = await doors.somebody_with_a_password(service)
    text = (await doors.invited(service, admin))["invitation"]
    body = {"invitation": text, "name": name.upper(), "password": doors.PASSWORD}
    refused = await service.client.post("/v1/account/redemptions", json=body)
    assert refused.status_code == 409, refused.text
    # The invitation is not used up by a refusal.
    other = await service.client.post("/v1/account/redemptions", json={**body, "name": "Free " + name[-12:]})
    assert other.status_code == 201, other.text


async def test_a_revoked_or_expired_invitation_opens_nothing(service: Running) -> None:
    admin, clock = service.collector(is_admin=True), Clock(service)
    revoked = await doors.invited(service, admin)
    where = f"/v1/account/invitations/{revoked['id']}"
    assert (await service.client.delete(where, headers=admin)).status_code == 204
    late = await doors.invited(service, admin, expires_in_seconds=60)
    clock.on(seconds=61)
    for made in (revoked, late):
        body = {"invitation": made["invitation"], "name": f"N {made['id']}", "password": doors.PASSWORD}
        assert (await service.client.post("/v1/account/redemptions", json=body)).status_code == 403


async def test_tokens_are_listed_without_their_text_and_end_on_the_next_request(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    scopes = ["read", "admin"]
    made = [(await doors.log_in(service, name, token_name=word, scopes=scopes)).json() for word in ("desk", "lap")]
    desk, lap = ({"Authorization": f"Bearer {token['access_token']}"} for token in made)
    listed = (await service.client.get("/v1/account/tokens", headers=desk)).json()["items"]
    assert {entry["name"]: entry["is_this"] for entry in listed} == {"desk": True, "lap": False}
    assert all(token["access_token"] not in str(listed) for token in made)
    # Promise 13: nothing succeeds after the answer.
    answers = []
    for attempt in range(12):
        if attempt == 6:
            gone = await service.client.delete(f"/v1/account/tokens/{made[1]['id']}", headers=desk)
            assert gone.status_code == 204
        answers.append((await service.client.get("/v1/holdings", headers=lap)).status_code)
    assert answers == [200] * 6 + [401] * 6


async def test_a_token_ends_when_its_time_is_over(service: Running) -> None:
    name, clock = await doors.somebody_with_a_password(service), Clock(service)
    made = (await doors.log_in(service, name, expires_in_seconds=60)).json()
    mine = {"Authorization": f"Bearer {made['access_token']}"}
    assert (await service.client.get("/v1/holdings", headers=mine)).status_code == 200
    clock.on(seconds=61)
    assert (await service.client.get("/v1/holdings", headers=mine)).status_code == 401


async def test_a_new_password_needs_the_old_one_and_can_end_all_other_tokens(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    tokens = [(await doors.log_in(service, name, scopes=["read", "admin"])).json()["access_token"] for _ in range(2)]
    mine, other = ({"Authorization": f"Bearer {token}"} for token in tokens)
    body = {"old_password": "not it at all", "new_password": "seven worn florins in a box"}
    assert (await service.client.put("/v1/account/password", json=body, headers=mine)).status_code == 403
    body |= {"old_password": doors.PASSWORD, "revoke_other_tokens": True}
    done = await service.client.put("/v1/account/password", json=body, headers=mine)
    assert done.status_code in (200, 204), done.text
    assert (await service.client.get("/v1/account", headers=other)).status_code == 401
    assert (await service.client.get("/v1/account", headers=mine)).status_code == 200
    assert (await doors.log_in(service, name)).status_code == 403
    assert (await doors.log_in(service, name, body["new_password"])).status_code == 201


async def test_who_is_wrong_too_often_waits_longer_and_longer_and_a_stranger_learns_nothing(service: Running) -> None:
    name, clock = await doors.somebody_with_a_password(service), Clock(service)
    for there in (name, "nobody of that name"):
        seen: list[tuple[int, int]] = []
        for _ in range(9):
            answer = await doors.log_in(service, there, "wrong wrong wrong")
            wait = int(answer.headers.get("retry-after", 0))
            seen.append((answer.status_code, wait))
            clock.on(seconds=wait)
        assert [status for status, _ in seen[:5]] == [403] * 5
        waits = [wait for status, wait in seen if status == 429]
        assert waits
        assert waits == sorted(waits)
        assert waits[-1] > waits[0]
    # The right password has to wait too, and then opens.
    locked = await doors.log_in(service, name)
    assert locked.status_code == 429
    clock.on(seconds=int(locked.headers["retry-after"]))
    assert (await doors.log_in(service, name)).status_code == 201


async def test_passwords_are_checked_a_few_at_a_time_and_past_the_queue_the_answer_is_busy(service: Running) -> None:
    name = await doors.somebody_with_a_password(service)
    service.app.state.password_limiter = Limiter(at_once=1, waiting=0)
    async with service.app.state.password_limiter.turn():
        refused = await doors.log_in(service, name)
    assert (refused.status_code, refused.headers["retry-after"]) == (503, "2")
    assert (await doors.log_in(service, name)).status_code == 201


async def test_the_last_use_of_a_token_is_told_to_the_minute(service: Running) -> None:
    owner, clock = service.collector(), Clock(service)

    async def used() -> Any:
        (entry,) = (await service.client.get("/v1/account/tokens", headers=owner)).json()["items"]
        return entry["last_used_at"]

    await used()
    first = await used()
    clock.on(seconds=20)
    await used()
    assert await used() == first
    clock.on(seconds=61)
    await used()
    assert await used() > first
