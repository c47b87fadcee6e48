"""Requests for every operation: its example, and the address of a stored thing of each kind."""

from __future__ import annotations

import hashlib
from typing import Any

import httpx

from tests.conftest import Running
from tests.http import clubhouse, doors
from tests.http.examples import DEFINITION_IMPORT, DOCUMENT, EXHIBITION, HOLDINGS_IMPORT, ISSUE
from tests.pictures import photo_upload, picture

# Under such an address everybody has what is their own: what a stranger sends there becomes the stranger's.
OWN_ADDRESSES = {"put_photo"}


def own_headers(answer: httpx.Response) -> dict[str, str]:
    """The headers that follow from what was asked, without the request's id."""
    return {name: value for name, value in answer.headers.items() if name != "x-request-id"}


async def addresses(service: Running, owner: dict[str, str]) -> dict[str, str]:
    """One stored thing of each kind, by the beginning of its address in the OpenAPI document."""
    # Before there are coins of which nothing is known: they would sit in every place for the time being.
    club = await clubhouse.founded(service, owner)
    member, offer = await club.newcomer(), await club.offered()
    swap = await club.proposed(member, owner, offer)
    displayed = await club.photographed(member, offer)
    held = await service.client.post("/v1/holdings", json={}, headers=owner)
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
    where = made.headers["location"]
    headers = {**owner, "If-Match": made.headers["etag"]}
    assert (await service.client.post(f"{where}/revisions", headers=headers)).status_code == 201
    shown = await service.client.post(f"{where}/exhibitions", json=EXHIBITION, headers=owner)
    issue = await service.client.post("/v1/issues", json=ISSUE, headers=owner)
    token = await doors.own_id(service, service.another_token(owner))
    invitation, device = (await doors.invited(service, owner))["id"], (await doors.paired(service, owner))[1]
    brought = (await service.client.post("/v1/holdings/imports", json=HOLDINGS_IMPORT, headers=owner)).json()
    shot = await service.client.post(f"{held.headers['location']}/photos?side=edge", **photo_upload(owner))
    file = f"/v1/photos/{hashlib.sha256(picture()).hexdigest()}"
    assert (await service.client.put(file, **photo_upload(owner))).status_code == 201
    share = await doors.shared(service, owner, made.json()["id"])
    waiting = await service.client.post("/v1/imports", json=DEFINITION_IMPORT, headers=owner)
    copied = await doors.copied(service, owner)
    seen, way = club.id_of(member), (await club.invitation())["id"]
    # The longest beginning first: the first that fits is taken.
    return {
        "/v1/definitions/{id}/origin/revisions/{number}": f"{copied}/origin/revisions/2",
        "/v1/definitions/{id}/origin": f"{copied}/origin",
        "/v1/clubs/{club_id}/definitions/{id}/standings/{member_id}": f"{club.address}{offer}/standings/{seen}",
        "/v1/clubs/{club_id}/definitions/{id}/spares/{member_id}": f"{club.address}{offer}/spares/{seen}",
        "/v1/clubs/{club_id}/definitions/{id}/display/{member_id}/photos/{photo}": displayed,
        "/v1/clubs/{club_id}/definitions/{id}": f"{club.address}{offer}",
        "/v1/clubs/{club_id}/members/{member_id}": f"{club.address}/members/{seen}",
        "/v1/clubs/{club_id}/invitations/{invitation_id}": f"{club.address}/invitations/{way}",
        "/v1/clubs/{club_id}/swaps/{swap_id}": swap,
        "/v1/clubs/{club_id}": club.address,
        "/v1/definitions/{id}/exhibitions/{exhibition_id}": shown.headers["location"],
        "/v1/holdings/imports/{import_id}": f"/v1/holdings/imports/{brought['import_id']}",
        "/v1/holdings/{id}/photos/{photo_id}": shot.headers["location"],
        "/v1/photos/{sha256}": file,
        "/v1/holdings/{id}": held.headers["location"],
        "/v1/definitions/{id}": where,
        "/v1/issues/{id}": issue.headers["location"],
        "/v1/account/tokens/{id}": f"/v1/account/tokens/{token}",
        "/v1/account/invitations/{id}": f"/v1/account/invitations/{invitation}",
        "/v1/devices/{id}": f"/v1/devices/{device}",
        "/v1/imports/{id}": waiting.headers["location"],
        "/v1/shares/{id}": f"/v1/shares/{share['id']}",
    }


async def send(service: Running, method: str, path: str, declared: dict[str, Any], headers: dict[str, str]) -> Any:
    body = declared.get("requestBody", {}).get("content", {})
    kind, content = next(iter(body.items()), (None, {}))
    if kind is None:
        return await service.client.request(method, path, headers={**headers, "If-Match": "*"})
    sent = {**headers, "If-Match": "*", "Content-Type": kind}
    if kind.startswith("image/"):
        return await service.client.request(method, path, params={"side": "obverse"}, **photo_upload(headers))
    return await service.client.request(method, path, json=content["example"], headers=sent)
