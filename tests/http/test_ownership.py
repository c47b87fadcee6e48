"""What is another collector's looks as if it did not exist, whatever the method."""

from __future__ import annotations

import pytest

from service.http import openapi
from tests.conftest import Running
from tests.http.requests import OWN_ADDRESSES, addresses, send
from tests.openapi import operations

pytestmark = pytest.mark.anyio


async def test_a_stranger_finds_nothing_and_the_owner_finds_it(service: Running) -> None:
    owner, stranger = service.collector(is_admin=True), service.collector(is_admin=True)
    stored = await addresses(service, owner)
    tried = 0
    for method, path, declared in operations():
        start = next((start for start in stored if path.startswith(start)), None)
        if start is None or declared["operationId"] in OWN_ADDRESSES:
            continue
        address = path.replace(start, stored[start]).replace("{number}", "1")
        answer = await send(service, method, address, declared, stranger)
        assert answer.status_code == 404, (method, path, answer.text)
        nowhere = address.replace(stored[start][-12:], "000000000000")
        absent = await send(service, method, nowhere, declared, stranger)
        # Nothing but the id differs from the answer for what does not exist.
        assert absent.json() == {**answer.json(), "detail": absent.json()["detail"]}
        tried += 1
    assert tried == 93
    for address in stored.values():
        if address.startswith("/v1/account") or "/invitations/" in address:
            continue  # Tokens and invitations are listed, not looked at one by one.
        assert (await service.client.get(address, headers=owner)).status_code == 200


async def test_whatever_belongs_to_an_owner_needs_a_token(service: Running) -> None:
    stored = await addresses(service, service.collector(is_admin=True))
    tried = 0
    for method, path, declared in operations():
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
