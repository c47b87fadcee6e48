"""The role matrix of clubs, from the OpenAPI document: each operation with no token, an expired, a revoked one, one of the wrong
scope, a stranger's, an ex-member's, a member's and a steward's. What is refused leaves no trace."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any
from uuid import uuid4

import pytest
from sqlalchemy import Connection, func, select

from service.accounts.model import EVALUATE, Owner
from service.clubs.actions import members
from service.clubs.model import MEMBER, ROLES, STEWARD, Membership
from service.clubs.tables import club as club_table
from service.http import dependencies, openapi
from service.schema import metadata
from tests.conftest import Running
from tests.http.clubhouse import Clubhouse, Headers, coin, founded, published
from tests.http.examples import DOCUMENT
from tests.http.requests import send
from tests.openapi import openapi_document

pytestmark = pytest.mark.anyio

Operation = tuple[str, str, dict[str, Any]]
INSIDE = "/v1/clubs/{club_id}"
NEWER = {**DOCUMENT, "title": "Two crowns, again"}
REFUSED = {
    "no token": 401,
    "expired": 401,
    "revoked": 401,
    "wrong scope": 403,
    "stranger": 404,
    "who left": 404,
    "who was removed": 404,
}


# A club with other members cannot be ended, and that is told to stewards alone; of two who propose one swap, one does.
IN_THE_WAY = {("delete_club", STEWARD), ("propose_swap", STEWARD)}


def operations() -> list[Operation]:
    """Every operation of clubs."""
    return [
        (method, path, declared)
        for path, methods in openapi_document()["paths"].items()
        if path.startswith(("/v1/clubs", "/v1/club-"))
        for method, declared in methods.items()
    ]


def without_a_rule(found: Iterable[Operation]) -> list[tuple[str, str]]:
    """Operations that do not say who may: inside a club members or stewards, outside of any its owner."""
    return [
        (method, path)
        for method, path, declared in found
        if declared.get("x-access") not in (openapi.CLUB if path.startswith(INSIDE) else (openapi.OWNER,))
    ]


def test_every_operation_of_clubs_declares_who_may() -> None:
    found = operations()
    assert without_a_rule(found) == []
    assert len(found) == 37
    assert {declared["x-access"] for _, _, declared in found} == {openapi.OWNER, MEMBER, STEWARD}


def test_an_operation_without_a_fitting_rule_is_seen() -> None:
    # The control of the test above.
    method, path, declared = next(entry for entry in operations() if entry[1] == f"{INSIDE}/members")
    bare = {name: part for name, part in declared.items() if name != "x-access"}
    for wrong in (bare, {**bare, "x-access": openapi.OWNER}, {**bare, "x-access": openapi.OPEN}):
        assert without_a_rule([(method, path, wrong)]) == [(method, path)]


async def a_full_club(service: Running, offer: dict[str, str]) -> tuple[dict[str, Headers], dict[str, str]]:
    """The headers of everybody who may come to a club, and what stands for each step of a path into it. `offer` has a
    definition of the steward's."""
    steward = {"Authorization": offer["steward"]}
    club = await founded(service, steward)
    deputy, member, shown = await club.newcomer(STEWARD), await club.newcomer(), await club.newcomer()
    left, removed = await club.newcomer(), await club.newcomer(STEWARD)
    client = service.client
    sent = await client.post(f"{club.address}/definitions", json={"definition_id": offer["first"]}, headers=steward)
    where = f"{club.address}/definitions/{sent.json()['id']}"
    await coin(service, shown, denomination="crown", grade=30)
    photo = await club.photographed(shown, where.removeprefix(club.address))
    assert (await client.delete(f"{club.address}/membership", headers=left)).status_code == 204
    gone = f"{club.address}/members/{club.id_of(removed)}"
    assert (await client.delete(gone, headers=deputy)).status_code == 204
    past, dead = datetime.now(UTC) - timedelta(seconds=1), service.another_token(deputy)
    tokens = (await client.get("/v1/account/tokens", headers=dead)).json()["items"]
    mine = next(entry["id"] for entry in tokens if entry["is_this"])
    assert (await client.delete(f"/v1/account/tokens/{mine}", headers=dead)).status_code == 204
    people = {
        "no token": {},
        "expired": service.another_token(deputy, expires_at=past),
        "revoked": dead,
        "wrong scope": service.another_token(deputy, scopes=[EVALUATE]),
        "stranger": service.collector(),
        "who left": left,
        "who was removed": removed,
        MEMBER: member,
        STEWARD: steward,
    }
    swap = await club.proposed(steward, member, where.removeprefix(club.address))
    steps = {
        "{club_id}": club.address.rsplit("/", 1)[1],
        "{id}": sent.json()["id"],
        "{member_id}": club.id_of(shown),
        "{photo}": photo.rsplit("/", 1)[1],
        "{invitation_id}": (await club.invitation())["id"],
        "{swap_id}": swap.rsplit("/", 1)[1],
    }
    return people, steps


def everything(service: Running, club: str) -> list[list[str]]:
    """Every row of the club, and how many definitions there are at all."""

    def look(connection: Connection) -> list[list[str]]:
        inside = [(table, table.c.club_id) for table in metadata.sorted_tables if "club_id" in table.c]
        rows = [
            sorted(map(str, connection.execute(select(table).where(column == club))))
            for table, column in [(club_table, club_table.c.id), *inside]
            if table.name != "club_standing"
        ]
        counts = connection.execute(select(func.count()).select_from(metadata.tables["definition"]))
        return [*rows, [str(counts.scalar_one())]]

    return service.app.state.database.read(look)


def may(role: str, declared: Mapping[str, Any]) -> bool:
    return ROLES.index(role) >= ROLES.index(declared["x-access"])


async def matrix(service: Running, whom: Collection[str] = (*REFUSED, MEMBER, STEWARD)) -> list[tuple[str, str, int]]:
    """Every (operation, who, status) that is not as it should be."""
    steward = service.collector()
    offer = {"steward": steward["Authorization"], "first": await published(service, steward)}
    offer["newer"] = await published(service, steward, NEWER)
    bodies = {"offer_definition": offer["first"], "offer_revision": offer["newer"]}
    wrong, tried, reading = [], 0, await a_full_club(service, offer)
    for method, path, declared in operations():
        if not path.startswith(INSIDE):
            continue
        # Reading changes nothing, so one club does for all of it.
        people, steps = reading if method == "get" else await a_full_club(service, offer)
        for step, value in steps.items():
            path = path.replace(step, value)
        name, club = declared["operationId"], steps["{club_id}"]
        asked = with_body(declared, bodies.get(name))
        if name == "propose_swap":
            asked = with_body(declared, steps["{id}"], swap=await proposable(service, people[MEMBER], steps))
        before = everything(service, club)
        for who in whom:
            expected = REFUSED.get(who) or (None if may(who, declared) else 403)
            answer = await send(service, method, path, asked, people[who])
            documented = str(answer.status_code) in declared["responses"]
            well = 200 <= answer.status_code < 300 or ((name, who) in IN_THE_WAY and answer.status_code == 409)
            fine = answer.status_code == expected if expected else well
            if not documented or not fine:
                wrong.append((name, who, answer.status_code))
            if expected is not None and (after := everything(service, club)) != before:
                wrong.append((name, f"{who} changed something", answer.status_code))
                before = after
            tried += 1
    assert tried == 34 * len(whom)
    return wrong


async def proposable(service: Running, member: Headers, steps: Mapping[str, str]) -> str:
    """The key of the swap that stands proposed, once somebody said no to it."""
    club, headers = f"/v1/clubs/{steps['{club_id}']}", {**member, "If-Match": "*"}
    where = f"{club}/swaps/{steps['{swap_id}']}/answer"
    assert (await service.client.put(where, json={"accepts": False}, headers=headers)).status_code == 200
    found = await service.client.get(f"{club}/definitions/{steps['{id}']}/swaps", headers=member)
    key: str = found.json()["items"][0]["key"]
    return key


def with_body(declared: dict[str, Any], definition: str | None, **more: str) -> dict[str, Any]:
    """The operation with a definition in its example that is there."""
    if definition is None:
        return declared
    (kind, content), *_ = declared["requestBody"]["content"].items()
    example = {**content["example"], "definition_id": definition, **more}
    return {**declared, "requestBody": {"content": {kind: {**content, "example": example}}}}


async def test_each_operation_with_everybody_who_may_come(service: Running) -> None:
    assert await matrix(service) == []


async def test_a_door_that_does_not_look_at_roles_is_seen(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    # A control: roles are looked at nowhere.
    monkeypatch.setattr(Membership, "ensure", lambda seat, role: None)
    wrong = await matrix(service, [MEMBER])
    stewards = {declared["operationId"] for _, _, declared in operations() if declared["x-access"] == STEWARD}
    assert {name for name, who, _ in wrong if who == MEMBER} >= stewards - {"delete_club"}
    assert f"{MEMBER} changed something" in {who for _, who, _ in wrong}


async def test_a_door_that_lets_strangers_in_is_seen(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    # A control: whoever has no seat is shown to somebody else's.
    real = members.admit

    def careless(connection: Connection, club: str, owner: Owner, role: str, *, hold: bool = False) -> Membership:
        try:
            return real(connection, club, owner, role, hold=hold)
        except Exception:
            row = connection.execute(select(club_table).where(club_table.c.id == club)).one()
            return Membership(row.id, owner, str(uuid4()), STEWARD, "nobody", row.created_at)

    monkeypatch.setattr(dependencies, "admit", careless)
    # Whoever has a seat still is no side of somebody's swap.
    strangers = ("stranger", "who left", "who was removed")
    wrong = await matrix(service, strangers)
    reading = {declared["operationId"] for method, path, declared in operations() if method == "get" and INSIDE in path}
    reading -= {"get_swap"}
    for who in strangers:
        assert {name for name, seen, _ in wrong if seen == who} >= reading


async def test_a_strangers_answer_is_that_for_no_club_at_all(service: Running) -> None:
    club, stranger = await founded(service), service.collector()
    identity = club.address.rsplit("/", 1)[1]
    nowhere = str(uuid4())
    for method, path, declared in operations():
        if path.startswith(INSIDE):
            there = path.replace("{club_id}", identity)
            here = await send(service, method, with_steps(there), declared, stranger)
            none = await send(service, method, with_steps(path.replace("{club_id}", nowhere)), declared, stranger)
            assert here.status_code == none.status_code == 404
            assert here.text.replace(identity, nowhere) == none.text


def with_steps(path: str) -> str:
    for step in ("{id}", "{member_id}", "{invitation_id}", "{swap_id}"):
        path = path.replace(step, "01939f6e-0000-7000-8000-00000000000c")
    return path


async def watched_removal(service: Running, club: Clubhouse, member: Headers) -> list[int]:
    """The statuses of requests that the member began after the removal was answered, while many were under way."""
    offer = await club.offered()
    paths = ["", "/members", "/audit", "/announcements", offer, f"{offer}/standings", f"{offer}/consent"]
    removed, late, begun = asyncio.Event(), [], 0

    async def knock(path: str) -> None:
        nonlocal begun
        for _ in range(200):
            after = removed.is_set()
            begun += 1
            answer = await service.client.get(club.address + path, headers=member)
            if after:
                late.append(answer.status_code)
                return
            assert answer.status_code in (200, 404)

    async def remove() -> None:
        while begun < 3 * len(paths):
            await asyncio.sleep(0)
        where = f"{club.address}/members/{club.id_of(member)}"
        assert (await service.client.delete(where, headers=club.steward)).status_code == 204
        removed.set()

    await asyncio.gather(remove(), *map(knock, paths))
    assert len(late) == len(paths)
    return late


async def test_a_removal_holds_from_its_answer_on(service: Running) -> None:
    club = await founded(service)
    member = await club.newcomer()
    assert set(await watched_removal(service, club, member)) == {404}


async def test_a_door_that_remembers_is_seen(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    # The control of the test above.
    club = await founded(service)
    member = await club.newcomer()

    @cache
    def seat_of(club: str, owner: Owner) -> Membership:
        return service.app.state.database.read(lambda connection: members.admit(connection, club, owner, MEMBER))

    def remembering(_: Connection, club: str, owner: Owner, role: str) -> Membership:
        return replace(seat_of(club, owner))

    await club.get("", club.steward)
    with monkeypatch.context() as patched:
        patched.setattr(dependencies, "admit", remembering)
        patched.setattr(Membership, "ensure", lambda seat, role: None)
        assert 200 in await watched_removal(service, club, member)
