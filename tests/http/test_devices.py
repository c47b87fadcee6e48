"""Pairing a phone by RFC 8628 (Device Authorization Grant, August 2019; sections from memory): a short code, a QR code, a
token once."""

from __future__ import annotations

import re

import pytest

from tests.clock import Clock
from tests.conftest import Running
from tests.http import doors

pytestmark = pytest.mark.anyio


async def test_what_a_device_shows_is_what_the_standard_says(service: Running) -> None:
    made = await doors.begun(service)
    # Section 3.2: these members; 6.1: no vowels, no digits, groups that are easy to type.
    assert re.fullmatch("[BCDFGHJKLMNPQRSTVWXZ]{4}-[BCDFGHJKLMNPQRSTVWXZ]{4}", made["user_code"])
    assert made["verification_uri_complete"] == f"{made['verification_uri']}?user_code={made['user_code']}"
    assert (made["expires_in"], made["interval"]) == (600, 5)
    assert made["qr_svg"].startswith("<svg")
    assert len(made["device_code"]) > 40


async def test_a_device_asks_waits_and_gets_its_token_once(service: Running) -> None:
    owner, clock = service.collector(), Clock(service)
    codes = await doors.begun(service)
    pending = await doors.poll(service, codes["device_code"])
    assert (pending.status_code, pending.json()["error"]) == (400, "authorization_pending")
    hasty = await doors.poll(service, codes["device_code"])
    assert hasty.json()["error"] == "slow_down"
    # Typed in small letters with a space: the same code.
    typed = codes["user_code"].lower().replace("-", " ")
    assert (await doors.decide(service, owner, typed, device_name="phone in the coat")).status_code == 200
    clock.on(seconds=30)
    granted = await doors.poll(service, codes["device_code"])
    assert granted.status_code == 200, granted.text
    phone = {"Authorization": f"Bearer {granted.json()['access_token']}"}
    assert granted.json()["token_type"] == "Bearer"
    again = await doors.poll(service, codes["device_code"])
    assert (again.status_code, again.json()["error"]) == (400, "invalid_grant")
    assert (await service.client.get("/v1/holdings/sync", headers=phone)).status_code == 200
    listed = (await service.client.get("/v1/devices", headers=owner)).json()["items"]
    assert [entry["name"] for entry in listed] == ["phone in the coat"]


async def test_a_denied_and_an_expired_code_give_nothing(service: Running) -> None:
    owner, clock = service.collector(), Clock(service)
    denied, late = await doors.begun(service), await doors.begun(service)
    assert (await doors.decide(service, owner, denied["user_code"], approve=False)).status_code == 200
    assert (await doors.poll(service, denied["device_code"])).json()["error"] == "access_denied"
    clock.on(seconds=601)
    assert (await doors.poll(service, late["device_code"])).json()["error"] == "expired_token"
    assert (await doors.decide(service, owner, late["user_code"])).status_code == 422


async def test_a_device_never_gets_more_than_its_owner_gave_or_had(service: Running) -> None:
    owner = service.collector()
    phone, _ = await doors.paired(service, owner, scopes=["read"])
    assert (await service.client.post("/v1/holdings", json={}, headers=phone)).status_code == 403
    weak = service.another_token(owner, scopes=["read", "admin"])
    codes = await doors.begun(service)
    assert (await doors.decide(service, weak, codes["user_code"], scopes=["write"])).status_code in (403, 422)


async def test_a_device_is_renamed_and_revoked_on_the_next_request(service: Running) -> None:
    owner = service.collector()
    phone, identity = await doors.paired(service, owner)
    where = f"/v1/devices/{identity}"
    tag = (await service.client.get(where, headers=owner)).headers["etag"]
    headers = {**owner, "If-Match": tag, "Content-Type": "application/merge-patch+json"}
    renamed = await service.client.patch(where, json={"name": "the old phone"}, headers=headers)
    assert (renamed.status_code, renamed.json()["name"]) == (200, "the old phone")
    assert (await service.client.get("/v1/holdings", headers=phone)).status_code == 200
    assert (await service.client.delete(where, headers={**owner, "If-Match": "*"})).status_code == 204
    assert (await service.client.get("/v1/holdings", headers=phone)).status_code == 401


async def test_guessing_user_codes_costs_a_growing_delay(service: Running) -> None:
    owner, clock = service.collector(), Clock(service)
    statuses = []
    for _ in range(7):
        answer = await doors.decide(service, owner, "BBBB-BBBB")
        statuses.append(answer.status_code)
    assert statuses == [422] * 5 + [429] * 2
    codes = await doors.begun(service)
    assert (await doors.decide(service, owner, codes["user_code"])).status_code == 429
    clock.on(minutes=1)
    assert (await doors.decide(service, owner, codes["user_code"])).status_code == 200
