"""Ways in for tests: somebody invited, a password set, a device paired, a definition shared or
copied."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any
from uuid import uuid4

from sqlalchemy import Connection

from service.accounts.actions import known
from service.accounts.model import token_digest
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.jobs.model import Answer, Job
from service.jobs.store import JobStore
from tests.conftest import Running
from tests.http.examples import DOCUMENT

PASSWORD = "six worn crowns in a tray"
GRANT = "urn:ietf:params:oauth:grant-type:device_code"
USUAL = ("read", "write", "evaluate")


async def invited(service: Running, admin: dict[str, str], **body: Any) -> dict[str, Any]:
    """An invitation, with its text."""
    answer = await service.client.post("/v1/account/invitations", json=body, headers=admin)
    assert answer.status_code == 201, answer.text
    made: dict[str, Any] = answer.json()
    return made


async def somebody_with_a_password(service: Running, password: str = PASSWORD) -> str:
    """The name of a new account that can log in."""
    name = f"Ida Lund {uuid4()}"
    text = (await invited(service, service.collector(is_admin=True)))["invitation"]
    body = {"invitation": text, "name": name, "password": password}
    answer = await service.client.post("/v1/account/redemptions", json=body)
    assert answer.status_code == 201, answer.text
    return name


async def log_in(service: Running, name: str, password: str = PASSWORD, **more: Any) -> Any:
    body = {"name": name, "password": password, "token_name": "desk", **more}
    return await service.client.post("/v1/account/tokens", json=body)


async def begun(service: Running) -> dict[str, Any]:
    """A pairing that a device began."""
    answer = await service.client.post("/v1/device-pairings")
    assert answer.status_code == 200, answer.text
    made: dict[str, Any] = answer.json()
    return made


async def decide(service: Running, owner: dict[str, str], user_code: str, approve: bool = True, **more: Any) -> Any:
    body = {"user_code": user_code, "approve": approve, **more}
    return await service.client.post("/v1/device-pairings/approvals", json=body, headers=owner)


async def poll(service: Running, device_code: str) -> Any:
    body = {"grant_type": GRANT, "device_code": device_code}
    return await service.client.post("/v1/device-pairings/token", json=body)


async def paired(
    service: Running, owner: dict[str, str], name: str = "phone", scopes: Sequence[str] = USUAL
) -> tuple[dict[str, str], str]:
    """The headers of a paired device, and its id."""
    codes = await begun(service)
    assert (await decide(service, owner, codes["user_code"], device_name=name, scopes=list(scopes))).status_code == 200
    made = (await poll(service, codes["device_code"])).json()
    return {"Authorization": f"Bearer {made['access_token']}"}, made["id"]


async def own_id(service: Running, token: dict[str, str]) -> str:
    """The id of the token."""
    answer = await service.client.get("/v1/account", headers=token)
    identity: str = answer.json()["token_id"]
    return identity


async def published(service: Running, owner: dict[str, str], document: dict[str, Any] | None = None) -> str:
    """The id of a new definition with one published revision."""
    made = await service.client.post("/v1/definitions", json={"document": document or DOCUMENT}, headers=owner)
    assert made.status_code == 201, made.text
    identity: str = made.json()["id"]
    await publish(service, owner, identity)
    return identity


async def publish(
    service: Running, owner: dict[str, str], identity: str, document: dict[str, Any] | None = None
) -> None:
    """Publishes the draft, or this document as the next revision."""
    where, headers = f"/v1/definitions/{identity}", {**owner, "If-Match": "*"}
    if document is not None:
        assert (await service.client.put(where, json={"document": document}, headers=headers)).status_code == 200
    answer = await service.client.post(f"{where}/revisions?acknowledged=true", headers=headers)
    assert answer.status_code == 201, answer.text


async def shared(service: Running, owner: dict[str, str], definition: str = "", **body: Any) -> dict[str, Any]:
    """A new share, with its link; of a new definition unless one is named."""
    definition = definition or await published(service, owner)
    sent = {"definition": definition, "revision": 1, **body}
    answer = await service.client.post("/v1/shares", json=sent, headers=owner)
    assert answer.status_code == 201, answer.text
    made: dict[str, Any] = answer.json()
    return made


async def copied(service: Running, owner: dict[str, str]) -> str:
    """The address of a copy whose original has a newer revision, which the copy knows of."""
    original = await published(service, owner)
    made = await service.client.post(f"/v1/definitions/{original}/copies", json={}, headers=owner)
    assert made.status_code == 201, made.text
    where: str = made.headers["location"]
    await publish(service, owner, original, {**DOCUMENT, "title": "Two crowns, again"})
    checked = await service.client.post(f"{where}/origin/checks", headers=owner)
    assert checked.json()["outcome"] == "newer", checked.text
    return where


def job_done(service: Running, owner: dict[str, str], number: int = 0) -> str:
    """A job that is over, with its answer; its id."""
    now, name = service.app.state.clock(), new_id()

    def keep(connection: Connection) -> None:
        caller = known(
            AccountStore(connection).caller(token_digest(owner["Authorization"].removeprefix("Bearer ")), now)
        )
        store = JobStore(connection, caller.owner)
        job = Job(name, caller.token.id, "queued", "POST", "/v1/definition-checks", "", [], f"job {number}", now)
        store.add(job, b"{}", 20)
        store.take_up(job.id, now, timedelta(seconds=30), 4)
        answer = Answer(200, [("content-type", "application/json")], f'{{"number":{number}}}'.encode())
        store.end(job.id, 1, "done", now, answer)

    service.app.state.database.write(keep)
    return name
