"""Whatever is written to one of three leaves the other two as they were, and every list in pages of one is the whole list.

The tables name every operation of the OpenAPI document: one that they do not know fails the tests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import pytest

from tests.http.crowded_house import Deserted, House, Person, Rows
from tests.http.house_writes import (
    STREAMS,
    Columns,
    Neighbours,
    Write,
    difference,
    faults_of,
    has,
    images_lost,
    proposals_of,
    send,
    some,
    writes,
)
from tests.openapi import operations

pytestmark = pytest.mark.anyio


@dataclass(frozen=True)
class Listing:
    """A list, and the keys that its items have, in order."""

    who: Person
    item: Callable[[Any], Any]
    keys: Sequence[Any]
    path: Mapping[str, str] = field(default_factory=dict)
    query: str = ""


def lists(at: Neighbours, rows: Rows) -> dict[str, list[Listing]]:
    """Every operation that gives a list page by page, by its id."""
    ada, house = at.ada, at.house
    own, club = {"owner_id": ada.id}, {"club_id": at.club}
    definition = {**own, "definition_id": ada.one("definition")}
    by_id, by_member = partial(Listing, ada, lambda item: item["id"]), partial(Listing, ada, member_of)
    by_number = partial(Listing, ada, lambda item: item["revision"])
    members = sorted(row["id"] for row in some(rows, "club_member", club))
    seat_of_cem = {"{member_id}": house.members[at.club, at.cem.id]}
    fillings = sorted(some(rows, "filling", definition), key=lambda row: -row["number"])
    crowns, numbers = ada.ids["holding"][:4], [row["number"] for row in some(rows, "definition_revision", definition)]

    def ids(table: str, columns: Columns) -> list[Any]:
        return sorted(row["id"] for row in some(rows, table, columns))

    living = ids("holding", {**own, "destroyed": False})
    sitting = [min(crowns), *ada.ids["holding"][4:]]
    ungraded = [identity for identity in living if identity not in ada.ids["holding"]]

    def places(columns: Columns) -> list[str]:
        return [row["place"] for row in fillings if has(row, columns)]

    issues = ids("issue", own)
    vocabularies = sorted(row["name"] for row in some(rows, "vocabulary", own))
    return {
        "list_holdings": [
            by_id(living),
            by_id(sorted(crowns), query="filter=denomination='crown'"),
            by_id(crowns, query="filter=denomination='crown'&sort=grade"),
            by_id(crowns[::-1], query="filter=denomination='crown'&sort=-grade"),
            # What is not recorded comes last, whichever way.
            by_id([*crowns, *sorted(ada.ids["holding"][4:]), *ungraded], query="sort=grade"),
            by_id([*sorted(ada.ids["holding"][4:]), *crowns[::-1], *ungraded], query="sort=-grade"),
            # All of one value, so that the ids alone say which come after.
            by_id(sorted(crowns), query="filter=denomination='crown'&sort=denomination"),
        ],
        # The florin, the mark and the first of equal crowns sit in the set.
        "list_unplaced": [
            Listing(ada, lambda item: item["holding"], [one for one in living if one not in sitting]),
        ],
        # Of no coin here it is open where it fits; test_evaluation_parts.py has pages of some.
        "list_undecided": [Listing(ada, lambda item: item["holding"], [], query="revision=1")],
        "list_jobs": [by_id(ids("job", own)[::-1])],
        "list_imports": [by_id(ids("holding_import", own)[::-1])],
        "list_issues": [by_id(issues, query="private=true"), by_id(issues, query="contains=of ada")],
        "list_vocabularies": [Listing(ada, lambda item: item["name"], vocabularies, query="private=true")],
        "list_definitions": [by_id(ids("definition", own))],
        "list_revisions": [by_number(numbers)],
        "get_history": [
            Listing(ada, lambda item: item["place"], places({})),
            Listing(ada, lambda item: item["place"], places({"place": "worn"}), query="place=worn"),
        ],
        "list_exhibitions": [by_id(ids("exhibition", definition))],
        "list_tokens": [by_id(ids("token", {**own, "revoked_at": None}))],
        "list_devices": [by_id(ids("token", {**own, "revoked_at": None, "is_device": True}))],
        "list_invitations": [by_id(ids("invitation", own))],
        "list_shares": [by_id(ids("share", own))],
        "list_shared_revisions": [by_number(numbers)],
        "list_definition_imports": [by_id(ids("definition_import", own))],
        "list_clubs": [by_id(sorted(row["club_id"] for row in some(rows, "club_member", own)))],
        "list_members": [by_id(members)],
        "list_deeds": [by_id(ids("club_audit", club))],
        "list_club_invitations": [by_id(ids("club_invitation", club))],
        "list_offers": [by_id(ids("club_definition", club))],
        "list_announcements": [by_id(ids("club_announcement", club))],
        "list_standings": [by_member(members)],
        "list_spares": [by_member(members), by_member(members, query="place=worn")],
        "list_member_spares": [
            Listing(ada, lambda item: item["places"], [["worn"]] * 3, seat_of_cem),
        ],
        "list_swaps": [by_id(ids("swap_proposal", {**club, "id": proposals_of(rows, ada)}))],
    }


def member_of(item: Mapping[str, Any]) -> str:
    identity: str = item["member"]["id"]
    return identity


def elsewhere(at: Neighbours) -> dict[str, list[dict[str, str]]]:
    """Steps in the place of the second of three, by the last step of the path: what is not the owner's or not in this place."""
    ada, ben, cem, house = at.ada, at.ben, at.cem, at.house
    other = at.other_club
    exhibitions, photos, swaps = (ada.ids["exhibition"], ada.ids["photo"], house.of_clubs)
    third = swaps[other, "offer"][1]
    return {
        "/v1/definitions/{id}": [{"{id}": cem.one("definition", 0)}],
        "/v1/definitions/{id}/exhibitions/{exhibition_id}": [
            {"{exhibition_id}": identity} for identity in (exhibitions[0], exhibitions[-1], ben.ids["exhibition"][4])
        ],
        "/v1/holdings/{id}": [{"{id}": cem.one("holding")}],
        "/v1/holdings/{id}/photos/{photo_id}": [
            {"{photo_id}": identity} for identity in (photos[0], photos[-1], ben.ids["photo"][4])
        ],
        "/v1/holdings/imports/{import_id}": [{"{import_id}": ben.one("import")}],
        "/v1/issues/{id}": [{"{id}": "of-cem-0"}],
        "/v1/vocabularies/{name}": [{"{name}": "of-cem-0"}],
        "/v1/account/tokens/{id}": [{"{id}": ben.one("token")}, {"{id}": ben.one("device")}],
        "/v1/account/invitations/{id}": [
            {"{id}": ben.one("invitation")},
            {"{id}": house.of_clubs[at.club, "invitation"][1]},
        ],
        "/v1/devices/{id}": [{"{id}": ben.one("device")}, {"{id}": ada.one("token")}],
        "/v1/jobs/{id}": [{"{id}": ben.one("job")}],
        "/v1/shares/{id}": [{"{id}": ben.one("share")}],
        "/v1/imports/{id}": [{"{id}": ben.one("definition import")}],
        "/v1/clubs/{club_id}": [{"{club_id}": ben.ids["club"][-1]}],
        "/v1/clubs/{club_id}/members/{member_id}": [{"{member_id}": house.members[other, cem.id]}],
        "/v1/clubs/{club_id}/invitations/{invitation_id}": [
            {"{invitation_id}": house.of_clubs[other, "invitation"][1]},
            {"{invitation_id}": ada.one("invitation")},
        ],
        "/v1/clubs/{club_id}/definitions/{id}": [{"{id}": third}, {"{id}": ada.one("definition")}],
        "/v1/clubs/{club_id}/definitions/{id}/standings/{member_id}": [{"{member_id}": house.members[other, cem.id]}],
        "/v1/clubs/{club_id}/definitions/{id}/display/{member_id}/photos/{photo}": [
            {"{member_id}": house.members[other, cem.id]},
            {"{photo}": swaps[other, f"photo of {third}"][0]},
        ],
        "/v1/clubs/{club_id}/definitions/{id}/spares/{member_id}": [{"{member_id}": house.members[other, cem.id]}],
        "/v1/clubs/{club_id}/swaps/{swap_id}": [
            {"{swap_id}": identity}
            for identity in (at.others_swap, *swaps[other, f"swaps of {third}"], swaps[other, f"swaps of {third}"][0])
        ],
    }


async def test_a_write_to_one_leaves_the_others_as_they_were(at: Neighbours, deserted: Deserted) -> None:
    table, wrong, tried = writes(at, deserted.rows), [], set()
    for method, path, declared in operations():
        name = declared["operationId"]
        if method == "get":
            continue
        tried.add(name)
        for write in table.get(name, ()):
            for request in write.first:
                more = {} if request.body is None else {"json": request.body}
                await at.house.done(request.method, request.address + request.query, request.who, **more)
            before = at.house.rows()
            answer = await send(at, method, path, declared, write)
            after = at.house.rows()
            faults = [] if answer.is_success else [answer.text]
            faults += faults_of(write, difference(before, after)) + images_lost(at, deserted.blobs, after)
            wrong += [(name, fault) for fault in faults]
            at.house.restore(deserted.rows, deserted.blobs)
    assert not wrong, "\n".join(map(str, wrong))
    assert tried == set(table), "an operation that the table does not know, or one that is no more"


async def test_reading_changes_nothing(at: Neighbours, deserted: Deserted) -> None:
    wrong, tried = [], 0
    for method, path, declared in operations():
        name = declared["operationId"]
        if method != "get" or name in STREAMS | FOR_THE_OPERATOR:
            continue
        # A link that counts its uses is the only thing that reading spends.
        spent = {"share": {"owner_id": at.ada.id, "id": at.ada.one("share")}} if name in SPENDING else {}
        answer = await send(at, method, path, declared, Write(at.ada, changes=spent))
        found = difference(deserted.rows, at.house.rows())
        faults = faults_of(Write(at.ada, changes=spent), found) + ([] if answer.is_success else [answer.text])
        wrong += [(name, fault) for fault in faults]
        if any(found.values()):
            at.house.restore(deserted.rows, deserted.blobs)
        tried += 1
    assert not wrong, "\n".join(map(str, wrong))
    assert tried > 60


SPENDING = {"get_shared", "get_shared_revision"}
# No account may read them.
FOR_THE_OPERATOR = {"get_metrics"}


async def test_whatever_is_somewhere_else_is_not_found_and_stays_as_it_was(at: Neighbours, deserted: Deserted) -> None:
    strange, table, wrong, used = elsewhere(at), writes(at, deserted.rows), [], set[str]()
    for method, path, declared in operations():
        beginnings = [start for start in strange if (path == start or path.startswith(start + "/"))]
        usual = table.get(declared["operationId"], [Write(at.ada)])[0]
        if declared["operationId"] in STREAMS:
            continue
        for start in beginnings:
            used.add(start)
            for steps in strange[start]:
                write = replace(usual, who=at.ada, path={**usual.path, **steps})
                answer = await send(at, method, path, declared, write)
                found = difference(deserted.rows, at.house.rows())
                where = (declared["operationId"], steps)
                if answer.status_code != 404:
                    wrong.append((where, answer.status_code, answer.text))
                if any(found.values()):
                    wrong.append((where, found))
                    at.house.restore(deserted.rows, deserted.blobs)
    assert not wrong, "\n".join(map(str, wrong))
    assert used == strange.keys()


async def test_pages_of_one_are_the_whole_list(at: Neighbours, deserted: Deserted) -> None:
    table, wrong, tried = lists(at, deserted.rows), [], set()
    for method, path, declared in operations():
        name = declared["operationId"]
        if not {"limit", "cursor"} <= {parameter.get("name") for parameter in declared.get("parameters", ())}:
            continue
        assert method == "get"
        tried.add(name)
        for listing in table.get(name, ()):
            address = path
            for step, value in {**at.path(listing.who, path), **listing.path}.items():
                address = address.replace(step, value)
            ask = partial(pages, at.house, listing, address)
            whole, one_by_one = await ask(200), await ask(1)
            keys = [listing.item(item) for item in whole]
            if keys != list(listing.keys):
                wrong.append((name, listing.query, "the whole list", keys, list(listing.keys)))
            if one_by_one != whole:
                wrong.append((name, listing.query, "pages of one", len(one_by_one), len(whole)))
            assert len(keys) > 2 or listing.query, name
    assert not wrong, "\n".join(map(str, wrong))
    assert tried == set(table), "a list that the table does not know, or one that is no more"


async def pages(house: House, listing: Listing, address: str, limit: int) -> list[Any]:
    """All items, page by page; one page more than there can be at most."""
    found: list[Any] = []
    following: str | None = f"{address}?limit={limit}&{listing.query}"
    for _ in range(len(listing.keys) + 2):
        answer = await house.ask("GET", following, listing.who.headers)
        assert answer.status_code == 200, answer.text
        found += answer.json()["items"]
        following = answer.json()["next"]
        if following is None:
            break
    return found


async def test_changes_one_by_one_are_all_changes(at: Neighbours) -> None:
    """Sync has a list of its own kind: by states, not by cursors."""
    whole = await changes(at, 500)
    assert len(whole) > 6
    assert sorted(record["id"] for record in whole) == sorted({record["id"] for record in whole})
    assert await changes(at, 1) == whole


async def changes(at: Neighbours, limit: int) -> list[Any]:
    found, since = [], ""
    for _ in range(100):
        address = f"/v1/holdings/changes?limit={limit}{since}"
        answer = (await at.house.done("GET", address, at.ada)).json()
        found += answer["list"]
        since = f"&since={answer['new_state']}"
        if not answer["has_more_changes"]:
            break
    return found
