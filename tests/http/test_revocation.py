"""A revocation counts from the next request (promises.md, 13): a device and a membership are revoked while they are used, of
addresses that read from the database and of those whose answers are kept. Links: test_shares.py."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.clubs.actions import members
from service.clubs.model import Membership
from service.http import dependencies
from tests.conftest import Running
from tests.http import clubhouse, doors
from tests.promises.plugin import Promise

pytestmark = pytest.mark.anyio

READERS = 4
SECONDS = 0.2

Loop = tuple[list[str], dict[str, str], Callable[[], Awaitable[Any]]]


async def a_device(service: Running) -> Loop:
    """What a paired device reads, its headers, and its revocation."""
    owner = service.collector()
    phone, identity = await doors.paired(service, owner)
    definition = await doors.published(service, owner)
    paths = ["/v1/holdings", "/v1/account", f"/v1/definitions/{definition}/evaluation"]

    def revoke() -> Awaitable[Any]:
        return service.client.delete(f"/v1/devices/{identity}", headers={**owner, "If-Match": "*"})

    return paths, phone, revoke


async def a_membership(service: Running) -> Loop:
    """What a member reads, its headers, and its end."""
    club = await clubhouse.founded(service, service.collector())
    member = await club.newcomer()
    offered = await club.offered()
    paths = [f"{club.address}{path}" for path in ("", "/members", offered)]

    def revoke() -> Awaitable[Any]:
        return service.client.delete(f"{club.address}/members/{club.id_of(member)}", headers=club.steward)

    return paths, member, revoke


async def around_a_revocation(service: Running, loop: Loop) -> tuple[list[int], list[int]]:
    """What readers in a loop were answered: before the revocation began, and when they began after its answer."""
    paths, headers, revoke = loop
    revoked_at: list[float] = []
    before: list[int] = []
    after: list[int] = []
    clock = asyncio.get_running_loop().time

    async def read_on(number: int) -> None:
        while not revoked_at or clock() < revoked_at[0] + SECONDS:
            is_after = bool(revoked_at)
            status = (await service.client.get(paths[number % len(paths)], headers=headers)).status_code
            (after if is_after else before).append(status)
            number += 1
            # An answer that is kept is given without waiting for anything, so that nobody else would have a turn.
            await asyncio.sleep(0)

    readers = [asyncio.create_task(read_on(number)) for number in range(READERS)]
    await asyncio.sleep(SECONDS)
    answer = await revoke()
    assert answer.status_code == 204, answer.text
    revoked_at.append(clock())
    await asyncio.gather(*readers)
    return before, after


KINDS = {"device": (a_device, 401), "membership": (a_membership, 404)}


@pytest.mark.parametrize("kind", KINDS)
async def test_nothing_is_read_after_the_answer_to_a_revocation(service: Running, kind: str, promise: Promise) -> None:
    made, refused = KINDS[kind]
    before, after = await around_a_revocation(service, await made(service))
    assert 200 in before
    assert set(after) == {refused}
    told = f"{before.count(200)} successes before, 0 of {len(after)} requests after the answer"
    promise(13, f"a {kind} revoked while it is used", kept=told)


@pytest.mark.parametrize("kind", KINDS)
async def test_what_is_remembered_of_a_caller_is_seen(
    service: Running, kind: str, promise: Promise, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The control: tokens and memberships that are looked up once.
    made, _ = KINDS[kind]
    if kind == "device":
        rows: dict[str, Any] = {}
        real_caller = dependencies.caller_of

        def remembered(row: Any, digest: str, now: Any) -> Any:
            return real_caller(rows.setdefault(digest, row), digest, now)

        monkeypatch.setattr(dependencies, "caller_of", remembered)
    else:
        seats: dict[tuple[str, str], Membership] = {}

        def admit(connection: Connection, club: str, owner: Owner, role: str, **more: Any) -> Membership:
            key = (club, owner.id)
            seats[key] = seats.get(key) or members.admit(connection, club, owner, role, **more)
            return seats[key]

        monkeypatch.setattr(dependencies, "admit", admit)
    before, after = await around_a_revocation(service, await made(service))
    assert 200 in before
    assert 200 in after
    told = f"looked up once and remembered: {after.count(200)} of {len(after)} succeed after the answer"
    promise(13, f"a {kind} revoked while it is used", control=told)
