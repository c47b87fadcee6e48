"""What is another collector's looks as if it did not exist, whatever the method."""

from __future__ import annotations

from typing import Any

import pytest

from service.http import openapi
from service.http.examples import DEFINITION_IMPORT, DOCUMENT, EXHIBITION, HOLDINGS_IMPORT, ISSUE
from tests.conftest import Running
from tests.http import clubhouse, doors
from tests.http.test_contract import picture_of

pytestmark = pytest.mark.anyio


async def addresses(service: Running, owner: dict[str, str]) -> dict[str, str]:
    """One stored thing of each kind, by the beginning of its address in the OpenAPI document."""
    # Before there are coins of which nothing is known: they would sit in every place for the time being.
    club = await clubhouse.founded(service, owner)
    member, offer = await club.newcomer(), await club.offered()
    swap = await club.proposed(member, owner, offer)
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
    shot = await service.client.post(f"{held.headers['location']}/photos?side=edge", **picture_of(owner))
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
        "/v1/clubs/{club_id}/definitions/{id}": f"{club.address}{offer}",
        "/v1/clubs/{club_id}/members/{member_id}": f"{club.address}/members/{seen}",
        "/v1/clubs/{club_id}/invitations/{invitation_id}": f"{club.address}/invitations/{way}",
        "/v1/clubs/{club_id}/swaps/{swap_id}": swap,
        "/v1/clubs/{club_id}": club.address,
        "/v1/definitions/{id}/exhibitions/{exhibition_id}": shown.headers["location"],
        "/v1/holdings/imports/{import_id}": f"/v1/holdings/imports/{brought['import_id']}",
        "/v1/holdings/{id}/photos/{photo_id}": shot.headers["location"],
        "/v1/holdings/{id}": held.headers["location"],
        "/v1/definitions/{id}": where,
        "/v1/issues/{id}": issue.headers["location"],
        "/v1/account/tokens/{id}": f"/v1/account/tokens/{token}",
        "/v1/account/invitations/{id}": f"/v1/account/invitations/{invitation}",
        "/v1/devices/{id}": f"/v1/devices/{device}",
        "/v1/imports/{id}": waiting.headers["location"],
        "/v1/shares/{id}": f"/v1/shares/{share['id']}",
    }


def operations(service: Running) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (method, path, declared)
        for path, methods in openapi.document(service.app)["paths"].items()
        for method, declared in methods.items()
    ]


async def send(service: Running, method: str, path: str, declared: dict[str, Any], headers: dict[str, str]) -> Any:
    body = declared.get("requestBody", {}).get("content", {})
    kind, content = next(iter(body.items()), (None, {}))
    if kind is None:
        return await service.client.request(method, path, headers={**headers, "If-Match": "*"})
    sent = {**headers, "If-Match": "*", "Content-Type": kind}
    if kind.startswith("image/"):
        return await service.client.request(method, path, params={"side": "obverse"}, **picture_of(headers))
    return await service.client.request(method, path, json=content["example"], headers=sent)


async def test_a_stranger_finds_nothing_and_the_owner_finds_it(service: Running) -> None:
    owner, stranger = service.collector(is_admin=True), service.collector(is_admin=True)
    stored = await addresses(service, owner)
    tried = 0
    for method, path, declared in operations(service):
        start = next((start for start in stored if path.startswith(start)), None)
        if start is None:
            continue
        address = path.replace(start, stored[start]).replace("{number}", "1")
        answer = await send(service, method, address, declared, stranger)
        assert answer.status_code == 404, (method, path, answer.text)
        nowhere = address.replace(stored[start][-12:], "000000000000")
        absent = await send(service, method, nowhere, declared, stranger)
        # Nothing but the id differs from the answer for what does not exist.
        assert absent.json() == {**answer.json(), "detail": absent.json()["detail"]}
        tried += 1
    assert tried == 86
    for address in stored.values():
        if address.startswith("/v1/account") or "/invitations/" in address:
            continue  # Tokens and invitations are listed, not looked at one by one.
        assert (await service.client.get(address, headers=owner)).status_code == 200


async def test_whatever_belongs_to_an_owner_needs_a_token(service: Running) -> None:
    stored = await addresses(service, service.collector(is_admin=True))
    tried = 0
    for method, path, declared in operations(service):
        access = declared["x-access"]
        assert access in openapi.ACCESS
        address = path.replace("{number}", "1").replace("{name}", "motifs").replace("{kind}", "stale")
        for start, where in stored.items():
            address = address.replace(start, where)
        answer = await send(service, method, address, declared, {})
        assert (answer.status_code == 401) is (access in openapi.NEEDS_TOKEN), (method, path, answer.status_code)
        assert answer.status_code < 500
        tried += 1
    assert tried >= 25


@pytest.mark.parametrize(
    "identity",
    [
        "x",
        "00000000-0000-0000-0000-00000000000",
        "%00",
        "..%2f",
        "{00000000-0000-7000-8000-000000000000}",
        "00000000000070008000000000000000",
    ],
)
async def test_what_is_no_id_names_nothing(service: Running, identity: str) -> None:
    owner = service.collector()
    for path in ("/v1/holdings", "/v1/definitions", "/v1/devices"):
        assert (await service.client.get(f"{path}/{identity}", headers=owner)).status_code == 404
