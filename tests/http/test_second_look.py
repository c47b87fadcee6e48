"""Between the look at the door and the action's own transaction something else happens, and the action takes it into account.

The hook is `just_before`: whatever it is given happens after all that the request reads and right before its first write.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Connection

from service.clubs.model import MEMBER, STEWARD
from service.clubs.store.members import ClubStore
from service.database.engine import Database
from tests.http.crowded_house import Deserted, Rows
from tests.http.house_writes import Neighbours, Write, difference, send, writes
from tests.openapi import operations

pytestmark = pytest.mark.anyio


@contextmanager
def just_before(act: Callable[[Database], None]) -> Iterator[None]:
    """Lets this happen right before the next write to the database, once."""
    real = Database.write

    def write(database: Database, action: Callable[[Connection], Any]) -> Any:
        if Database.write is write:
            Database.write = real  # type: ignore[method-assign]
            act(database)
        return real(database, action)

    Database.write = write  # type: ignore[method-assign,assignment]
    try:
        yield
    finally:
        Database.write = real  # type: ignore[method-assign]


async def in_the_house(at: Neighbours, write: Write) -> None:
    for request in write.first:
        more = {} if request.body is None else {"json": request.body}
        await at.house.done(request.method, request.address + request.query, request.who, **more)


def demoted(connection: Connection, club: str, member: str) -> None:
    store = ClubStore(connection)
    store.set_role(store.seat(club, member), MEMBER)


def removed(connection: Connection, club: str, member: str) -> None:
    store = ClubStore(connection)
    store.unseat(store.seat(club, member))


@pytest.mark.parametrize(("happens", "refused"), [(demoted, 403), (removed, 404)])
async def test_whoever_loses_the_role_after_the_door_may_not_act(
    at: Neighbours, deserted: Deserted, happens: Callable[[Connection, str, str], None], refused: int
) -> None:
    table, wrong, tried = writes(at, deserted.rows), [], 0
    for method, path, declared in operations():
        needed = declared["x-access"]
        if needed not in (MEMBER, STEWARD) or method == "get" or (happens is demoted and needed == MEMBER):
            continue
        for write in table[declared["operationId"]]:
            await in_the_house(at, write)
            club = at.path(write.who, path).get("{club_id}", at.club)
            club = write.path.get("{club_id}", club)
            member, between = at.house.members.get((club, write.who.id)), list[Rows]()
            assert member is not None

            def act(database: Database, club: str = club, member: str = member, found: list[Rows] = between) -> None:
                database.write(lambda connection: happens(connection, club, member))
                found.append(at.house.rows())

            with just_before(act):
                answer = await send(at, method, path, declared, write)
            name = declared["operationId"]
            if answer.status_code != refused:
                wrong.append((name, answer.status_code, answer.text))
            if not between or any(difference(between[0], at.house.rows()).values()):
                wrong.append((name, "acted all the same"))
            at.house.restore(deserted.rows, deserted.blobs)
            tried += 1
    assert not wrong, "\n".join(map(str, wrong))
    assert tried >= (16 if happens is removed else 9)


# The answers to the second of two of the same requests, both of which found the same when they looked.
SECOND = {
    "set_password": 409,
    "redeem_invitation": 403,
    "reset_password": 403,
    "delete_account": 401,
    "join_club": 403,
    "decide_pairing": 422,
    "fetch_device_token": 400,
    "propose_swap": 409,
    "take_offer": 409,
    "leave_club": 404,
    "remove_member": 404,
    "revoke_club_invitation": 404,
    "revoke_invitation": 404,
    "revoke_token": 404,
    "revoke_device": 404,
    "withdraw_offer": 404,
    "withdraw_revision": 409,
    "delete_definition": 404,
    "delete_holding": 404,
    "delete_issue": 404,
    "cancel_job": 404,
    "delete_photo": 404,
    "delete_exhibition": 404,
    "delete_club": 404,
    "drop_definition_import": 404,
    "confirm_definition_import": 409,
    "forget_origin": 404,
    "undo_import": 409,
    "publish_revision": 409,
    "create_issue": 409,
}


async def test_of_two_requests_at_once_the_second_finds_what_the_first_did(at: Neighbours, deserted: Deserted) -> None:
    table, wrong, tried, loop = writes(at, deserted.rows), [], set(), asyncio.get_running_loop()
    for method, path, declared in operations():
        name = declared["operationId"]
        if name not in SECOND:
            continue
        tried.add(name)
        for write in table[name]:
            await in_the_house(at, write)
            body = await write.body() if callable(write.body) else write.body
            write, answers = replace(write, body=body), list[Any]()

            def act(
                _: Database,
                sent: tuple[Any, ...] = (at, method, path, declared, write),
                found: list[Any] = answers,
            ) -> None:
                found.append(asyncio.run_coroutine_threadsafe(send(*sent), loop).result(60))

            with just_before(act):
                second = await send(at, method, path, declared, write)
            (first,) = answers
            if not first.is_success or second.status_code != SECOND[name]:
                wrong.append((name, first.status_code, second.status_code, second.text))
            at.house.restore(deserted.rows, deserted.blobs)
    assert not wrong, "\n".join(map(str, wrong))
    assert tried == SECOND.keys()
