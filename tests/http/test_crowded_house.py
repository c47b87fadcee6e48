"""Whatever is written to one of three leaves the other two as they were, and every list in pages of one is the whole list.

The tables below name every operation of the OpenAPI document: one that they do not know fails the tests.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import anyio
import pytest

from service.accounts.model import token_digest
from service.holdings.photos.images import PNG
from tests.conftest import own_database, running, settings_for
from tests.http import doors
from tests.http.crowded_house import DOCUMENT, Headers, House, Person, Row, Rows, a_crowded_house
from tests.openapi import operations
from tests.pictures import picture

pytestmark = pytest.mark.anyio

Columns = Mapping[str, Any]
"""What a row must have: a value of a column, or one of a set of values."""
NEWEST = {**DOCUMENT, "title": "Four coins, changed once more"}
# Attempts are counted by name and address, which belong to no one.
BESIDES = {"attempt"}
# It goes on for a quarter of an hour.
STREAMS = {"watch_holdings"}


@dataclass(frozen=True)
class Request:
    """One request; without a `body` the operation's example is sent, where it has one."""

    method: str
    address: str
    who: Person
    body: Any = None
    headers: Headers = field(default_factory=dict)
    query: str = ""


@dataclass(frozen=True)
class Write:
    """A write, and the rows that it may add, change and remove: in exactly these tables, with these columns."""

    who: Person
    adds: Mapping[str, Columns] = field(default_factory=dict)
    changes: Mapping[str, Columns] = field(default_factory=dict)
    removes: Mapping[str, Columns] = field(default_factory=dict)
    body: Any = None
    path: Mapping[str, str] = field(default_factory=dict)
    """What stands in the path where it is not the second of three of the owner's own."""
    query: str = ""
    first: Sequence[Request] = ()
    """What is done before the others are looked at."""
    headers: Headers = field(default_factory=dict)


@dataclass(frozen=True)
class Listing:
    """A list, and the keys that its items have, in order."""

    who: Person
    item: Callable[[Any], Any]
    keys: Sequence[Any]
    path: Mapping[str, str] = field(default_factory=dict)
    query: str = ""


class Neighbours:
    """What the tables speak of: Ada, who acts, and the second of everything that she or her club has."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.ada, self.ben, self.cem, self.dot = house.people
        self.club, self.other_club = house.clubs
        self.offer = house.of_clubs[self.club, "offer"][1]
        self.swap, self.others_swap = house.of_clubs[self.club, f"swaps of {self.offer}"]

    def path(self, who: Person, address: str) -> dict[str, str]:
        """The steps of an address: the second of three."""
        steps = {"{number}": "2", "{name}": "motifs", "{kind}": "stale"}
        if who in (self.ada, self.ben):
            kind = next((kind for part, kind in _KIND_OF_ID.items() if part in address), None)
            steps |= {} if kind is None else {"{id}": who.one(kind)}
            # Of the pictures and exhibitions each holding and definition has three.
            steps |= {"{photo_id}": who.one("photo", 4), "{exhibition_id}": who.one("exhibition", 4)}
            steps |= {"{import_id}": who.one("import"), "{secret}": who.texts["share"][1]}
        if "/origin/" in address:
            steps["{number}"] = "3"
        if "{club_id}" in address:
            steps |= {
                "{club_id}": self.club,
                "{member_id}": self.house.members[self.club, self.cem.id],
                "{id}": self.offer,
            }
            steps |= {"{invitation_id}": self.house.of_clubs[self.club, "invitation"][1], "{swap_id}": self.swap}
        return steps


_KIND_OF_ID = {
    "/origin": "copy",
    "/pulls": "copy",
    "/v1/definitions/{id}": "definition",
    "/v1/holdings/{id}": "holding",
    "/v1/issues/{id}": "issue",
    "/tokens/{id}": "token",
    "/v1/account/invitations/{id}": "invitation",
    "/v1/devices/{id}": "device",
    "/v1/shares/{id}": "share",
    "/v1/imports/{id}": "definition import",
}


def writes(at: Neighbours, rows: Rows) -> dict[str, list[Write]]:
    """Every operation that is no GET, by its id; those that only compute add, change and remove nothing."""
    house, ada, ben, cem = at.house, at.ada, at.ben, at.cem
    mine = {"owner_id": ada.id}
    holding, definition, draft, copy = (ada.one(kind) for kind in ("holding", "definition", "draft", "copy"))
    of_definition, of_copy = {**mine, "definition_id": definition}, {**mine, "definition_id": copy}
    this = {kind: {**mine, "id": ada.one(kind)} for kind in ada.ids}
    club, offer = {"club_id": at.club}, {"club_id": at.club, "club_definition_id": at.offer}
    deed, told = {"club_audit": club}, {"club_audit": club, "club_announcement": club}
    account, changed = {"account": {"id": ada.id}}, {"mutation": mine}
    wants = {"min_grade": 51, "place": "worn"}
    original = f"/v1/definitions/{definition}"
    publish = (
        Request("PUT", original, ada, {"document": NEWEST}),
        Request("POST", f"{original}/revisions", ada, query="?acknowledged=true"),
    )
    check = Request("POST", f"/v1/definitions/{copy}/origin/checks", ada)
    password, others = {"new_password": doors.PASSWORD}, {"revoke_other_tokens": True}
    passwords = [Request("PUT", "/v1/account/password", person, password) for person in (ada, ben)]
    swaps = f"/v1/clubs/{at.club}/swaps"

    def swaps_of(person: Person, club: str | None = None) -> set[str]:
        answers = rows["swap_answer"].values()
        return {
            row["proposal_id"]
            for row in answers
            if row["owner_id"] == person.id and row["club_id"] in (club or row["club_id"])
        }

    def leaves(person: Person, club: str) -> dict[str, Columns]:
        theirs, proposals = {"club_id": club, "owner_id": person.id}, swaps_of(person, club)
        shown = dict.fromkeys(("club_member", "club_consent", "club_standing"), theirs)
        return {
            **shown,
            "swap_proposal": {"club_id": club, "id": proposals},
            "swap_answer": {"club_id": club, "proposal_id": proposals},
        }

    def both_sides(offer: str) -> dict[str, Columns]:
        return {"swap_proposal": {"club_id": at.club, "definition_id": offer, "id": swaps_of(ada)}}

    calculations = ("evaluate", "explain_holding", "check_definition", "consider_candidates", "allocate_holdings")
    return {
        **{name: [Write(ada)] for name in calculations},
        "check_piece": [Write(ada)],
        # Definitions
        "create_definition": [Write(ada, adds={"definition": mine})],
        "replace_draft": [Write(ada, changes={"definition": this["definition"]}, body={"document": NEWEST})],
        "delete_definition": [Write(ada, removes={"definition": this["draft"]}, path={"{id}": draft})],
        "publish_revision": [
            Write(
                ada,
                adds={"definition_revision": of_definition},
                changes={"definition": this["definition"]},
                query="?acknowledged=true",
            )
        ],
        "withdraw_revision": [Write(
                ada,
                changes={"definition": this["definition"], "definition_revision": {**of_definition, "number": 2}},
            )
        ],
        "adopt_revision": [Write(ada, changes={"definition": this["definition"]}, body={"revision": 2})],
        "replace_pins": [
            Write(ada, changes={"definition_pins": of_definition}, body={"pins": [], "nevers": []}),
            Write(
                ada,
                changes={"definition_pins": of_definition},
                body={"pins": [{"holding": holding, "place": "worn"}], "nevers": []},
            ),
        ],
        "replace_want_notes": [
            Write(ada, changes={"want_notes": of_definition}, body={"notes": []}),
            Write(ada, changes={"want_notes": of_definition}, body={"notes": [wants]}),
        ],
        "note_history": [
            Write(
                ada,
                adds={"filling": of_definition},
                changes={"noted_day": of_definition, "filling": of_definition},
                first=[Request("DELETE", f"/v1/holdings/{seated(rows, of_definition)}", ada)],
            )
        ],
        "create_exhibition": [Write(ada, adds={"exhibition": of_definition})],
        "delete_exhibition": [Write(ada, removes={"exhibition": {**of_definition, "id": ada.one("exhibition", 4)}})],
        # Holdings
        "create_holding": [Write(ada, adds={"holding": mine} | changed, changes=account)],
        "change_holding": [Write(ada, adds=changed, changes=account | {"holding": this["holding"]})],
        "delete_holding": [
            # Its photos stay: the deletion may have to be undone.
            Write(ada, adds=changed, changes=account | {"holding": this["holding"]})
        ],
        "sync_holdings": [
            Write(
                ada,
                adds=changed,
                changes=account | {"holding": this["holding"]},
                body=a_batch({"op": "update", "id": holding, "patch": {"grade": 12}, "from": {"grade": None}}),
            )
        ],
        "import_holdings": [
            Write(ada, adds={"holding": mine, "holding_import": mine} | changed, changes=account),
            Write(
                ada,
                adds={"holding_import": mine} | changed,
                changes=account | {"holding": this["holding"]},
                body={"holdings": [{"id": holding, "facts": {"denomination": "crown", "grade": 13}}]},
            ),
        ],
        "undo_import": [
            Write(
                ada,
                adds=changed,
                changes=account | {"holding": {**mine, "id": made_by(rows, ada)}, "holding_import": this["import"]},
                            )
        ],
        "add_photo": [Write(ada, adds={"photo": {**mine, "holding_id": holding}}, query="?side=edge")],
        "delete_photo": [
            Write(ada, removes={"photo": {**mine, "id": identity}}, path={"{photo_id}": identity})
            # The first picture of a holding is the same as that of every other.
            for identity in ada.ids["photo"][3:5]
        ],
        # Issues
        "create_issue": [Write(ada, adds={"issue": mine}, changes={"catalogue": mine})],
        "replace_issue": [Write(ada, changes={"catalogue": mine, "issue": this["issue"]})],
        "delete_issue": [Write(ada, changes={"catalogue": mine}, removes={"issue": this["issue"]})],
        "import_issues": [Write(ada, adds={"issue": mine}, changes={"catalogue": mine})],
        # Accounts
        "set_password": [
            Write(ada, changes=account),
            Write(
                ada,
                changes=account | {"token": mine, "device_pairing": mine},
                body={**password, "old_password": doors.PASSWORD, **others},
                first=passwords,
            ),
        ],
        "log_in": [
            Write(ada, adds={"token": mine}, first=passwords, body={"name": name_of(rows, ada)} | LOG_IN),
        ],
        "revoke_token": [
            Write(ada, changes={"token": this[kind]}, path={"{id}": ada.one(kind)}) for kind in ("token", "device")
        ],
        "invite": [Write(ada, adds={"invitation": mine})],
        "revoke_invitation": [Write(ada, changes={"invitation": this["invitation"]})],
        "redeem_invitation": [
            Write(
                ada,
                adds={"account": {"name": "Eve"}},
                changes={"invitation": this["invitation"]},
                body={"invitation": ada.texts["invitation"][1], "name": "Eve", "password": doors.PASSWORD},
            )
        ],
        "rename_device": [Write(ada, changes={"token": this["device"]})],
        "revoke_device": [Write(ada, changes={"token": this["device"]})],
        "begin_pairing": [Write(ada, adds={"device_pairing": {"owner_id": None}})],
        "decide_pairing": [
            Write(
                ada,
                changes={"device_pairing": {"user_digest": token_digest(ada.texts["pairing"][1])}},
                body={"user_code": ada.texts["pairing"][1], "approve": approve, "device_name": "phone", "scopes": ["read"]},
            )
            for approve in (True, False)
        ],
        "fetch_device_token": [
            Write(
                ada,
                adds={"token": {**mine, "is_device": True}},
                changes={"device_pairing": {"device_digest": token_digest(ada.texts["approved"][1])}},
                body={"grant_type": doors.GRANT, "device_code": ada.texts["approved"][1]},
            )
        ],
        # Sharing
        "create_share": [Write(ada, adds={"share": of_definition}, body={"definition": definition, "revision": 1})],
        "revoke_share": [Write(ada, changes={"share": this["share"]})],
        "start_definition_import": [Write(ada, adds={"definition_import": mine})],
        "drop_definition_import": [Write(ada, removes={"definition_import": this["definition import"]})],
        "confirm_definition_import": [
            Write(
                ada,
                adds={"definition": mine, "definition_origin": mine, "definition_revision": mine},
                changes={"definition_import": this["definition import"]},
            )
        ],
        "copy_definition": [Write(ada, adds={"definition": mine, "definition_origin": mine}, body={"revision": 2})],
        "forget_origin": [
            Write(ada, removes=dict.fromkeys(("definition_origin", "origin_revision"), of_copy))
        ],
        "check_origin": [
            Write(
                ada,
                adds={"origin_revision": of_copy},
                changes={"definition_origin": of_copy},
                first=publish,
            )
        ],
        "pull_revision": [
            Write(
                ada,
                changes={"definition": this["copy"], "origin_pull": of_copy},
                first=[*publish, check],
            )
        ],
        # Clubs
        "create_club": [
            Write(ada, adds={"club": {"name": "Numismatists"}, "club_member": mine, "club_audit": {}}, body=FOUNDING)
        ],
        "change_club": [Write(ada, adds=deed, changes={"club": {"id": at.club}})],
        "delete_club": [
            Write(
                ada,
                removes={
                    "club": {"id": ada.ids["club"][3]},
                    "club_member": {**mine, "club_id": ada.ids["club"][3]},
                    **{table: {"club_id": ada.ids["club"][3]} for table in ("club_audit", "club_invitation")},
                },
                path={"{club_id}": ada.ids["club"][3]},
            )
        ],
        "change_member": [Write(ada, adds=deed, changes={"club_member": {**club, "owner_id": cem.id}})],
        "remove_member": [Write(ada, adds=deed, removes=leaves(cem, at.club))],
        "leave_club": [
            Write(cem, removes=leaves(cem, at.club)),
            Write(ada, adds=deed, removes=leaves(ada, at.club)),
        ],
        "invite_to_club": [Write(ada, adds={"club_invitation": club} | deed)],
        "revoke_club_invitation": [
            Write(ada, adds=deed, changes={"club_invitation": {**club, "id": house.of_clubs[at.club, "invitation"][1]}})
        ],
        "join_club": [
            Write(
                # In the clubs of others than the founder's own.
                ben,
                adds={"club_member": {"club_id": ada.ids["club"][3], "owner_id": ben.id}},
                changes={"club_invitation": {"club_id": ada.ids["club"][3]}},
                body={"invitation": ada.texts[f"into {ada.ids['club'][3]}"][1], "name": "Ben"},
            )
        ],
        "offer_definition": [
            Write(
                ada,
                adds={"club_definition": club, "club_revision": club} | told,
                body={"definition_id": ada.ids["definition"][0]},
            )
        ],
        "offer_revision": [
            Write(
                ada,
                adds={"club_revision": offer} | told,
                changes={"club_definition": {**club, "id": at.offer}},
                body={"definition_id": definition},
            )
        ],
        "withdraw_offer": [
            Write(
                ada,
                adds=told,
                changes={"swap_proposal": {**club, "definition_id": at.offer}},
                removes={
                    "club_definition": {**club, "id": at.offer},
                    **dict.fromkeys(("club_revision", "club_consent", "club_standing"), offer),
                },
            )
        ],
        "take_offer": [
            Write(
                ada,
                adds={"definition": mine, "definition_revision": mine, "club_copy": {**mine, **offer}},
                body={},
            )
        ],
        "set_consent": [
            Write(
                ada,
                changes={"club_consent": {**mine, **offer}, **both_sides(at.offer)},
                body={"standing": True, "spares": False, "display": True},
            ),
            Write(
                ada,
                changes={"club_consent": {**mine, **offer}, **both_sides(at.offer)},
                removes={"club_standing": {**mine, **offer}},
                body={"standing": False, "spares": False, "display": True},
            ),
            Write(
                ada,
                changes=both_sides(at.offer),
                removes={table: {**mine, **offer} for table in ("club_consent", "club_standing")},
                body={"standing": False, "spares": False},
            ),
        ],
        "propose_swap": [
            Write(
                ada,
                adds={
                    "swap_proposal": {**club, "definition_id": at.offer, "proposed_by": ada.id},
                    "swap_answer": {**club, "owner_id": set(sides(rows, at.swap))},
                },
                first=[Request("PUT", f"{swaps}/{at.swap}/answer", ada, {"accepts": False})],
                body=partial(the_swap_found, at),
            )
        ],
        "answer_swap": [
            Write(
                ada,
                changes={"swap_proposal": {**club, "id": at.swap}, "swap_answer": {**club, "proposal_id": at.swap}},
                body={"accepts": False},
            ),
            Write(
                next(person for person in house.people if person.id in sides(rows, at.swap) and person is not ada),
                # The others that need the same coins cannot come about any more.
                changes={
                    "swap_proposal": {"id": swaps_of(ada)},
                    "swap_answer": {**club, "proposal_id": at.swap, "owner_id": set(sides(rows, at.swap))},
                },
                body={"accepts": True},
            ),
        ],
    }  # fmt: skip


LOG_IN = {"password": doors.PASSWORD, "token_name": "desk", "scopes": ["read"]}
FOUNDING = {"name": "Numismatists", "own_name": "Ada"}


def a_batch(mutation: Mapping[str, Any]) -> dict[str, Any]:
    more = {"mutation_id": "01939f6e-0000-7000-8000-000000000001", "edited_at": "2026-11-25T10:00:00Z"}
    return {"client_id": "phone", "mutations": [{**more, **mutation}]}


def made_by(rows: Rows, owner: Person) -> set[str]:
    """The holdings that the second import of the owner made."""
    return set(rows["holding_import"][owner.id, owner.one("import")]["trace"]["created"])


def seated(rows: Rows, definition: Columns) -> str:
    """The holding that was in the place of worn crowns."""
    (filling,) = some(rows, "filling", {**definition, "place": "worn"})
    identity: str = filling["holding_id"]
    return identity


def name_of(rows: Rows, owner: Person) -> str:
    name: str = rows["account"][owner.id,]["name"]
    return name


def sides(rows: Rows, swap: str) -> list[str]:
    return [row["owner_id"] for row in rows["swap_answer"].values() if row["proposal_id"] == swap]


async def the_swap_found(at: Neighbours) -> dict[str, Any]:
    """What proposes the swap that Ada finds."""
    found = await at.house.done("GET", f"/v1/clubs/{at.club}/definitions/{at.offer}/swaps", at.ada)
    return {"definition_id": at.offer, "swap": found.json()["items"][0]["key"]}


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

    def places(columns: Columns) -> list[str]:
        return [row["place"] for row in fillings if has(row, columns)]

    issues = ids("issue", own)
    return {
        "list_holdings": [
            by_id(ids("holding", {**own, "destroyed": False})),
            by_id(sorted(crowns), query="filter=denomination='crown'"),
            by_id(crowns, query="filter=denomination='crown'&sort=grade"),
            by_id(crowns[::-1], query="filter=denomination='crown'&sort=-grade"),
            # All of one value, so that the ids alone say which come after.
            by_id(sorted(crowns), query="filter=denomination='crown'&sort=denomination"),
        ],
        "list_imports": [by_id(ids("holding_import", own)[::-1])],
        "list_issues": [by_id(issues, query="private=true"), by_id(issues, query="contains=of ada")],
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


def proposals_of(rows: Rows, person: Person, club: str | None = None) -> set[str]:
    """The swaps that somebody is a side of, in one club or in all."""
    answers = some(rows, "swap_answer", {"owner_id": person.id} | ({"club_id": club} if club else {}))
    return {row["proposal_id"] for row in answers}


def some(rows: Rows, table: str, columns: Columns) -> Iterator[Row]:
    """The rows that have these columns."""
    return (row for row in rows[table].values() if has(row, columns))


def has(row: Row, columns: Columns) -> bool:
    return all(row[name] in value if isinstance(value, set) else row[name] == value for name, value in columns.items())


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
        "/v1/account/tokens/{id}": [{"{id}": ben.one("token")}, {"{id}": ben.one("device")}],
        "/v1/account/invitations/{id}": [
            {"{id}": ben.one("invitation")},
            {"{id}": house.of_clubs[at.club, "invitation"][1]},
        ],
        "/v1/devices/{id}": [{"{id}": ben.one("device")}, {"{id}": ada.one("token")}],
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
        "/v1/clubs/{club_id}/definitions/{id}/spares/{member_id}": [{"{member_id}": house.members[other, cem.id]}],
        "/v1/clubs/{club_id}/swaps/{swap_id}": [
            {"{swap_id}": identity}
            for identity in (at.others_swap, *swaps[other, f"swaps of {third}"], swaps[other, f"swaps of {third}"][0])
        ],
    }


# The house ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Deserted:
    """A crowded house without its service, to be moved into again."""

    url: str
    photos: Path
    house: House
    rows: Rows
    blobs: Mapping[tuple[str, str], bytes]


@pytest.fixture(scope="module")
def deserted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Deserted]:
    """It takes some seconds to furnish, so it is done once."""
    folder = tmp_path_factory.mktemp("house")

    async def furnish(url: str) -> Deserted:
        async with running(settings_for(url, photos_dir=folder / "photos")) as service:
            house = await a_crowded_house(service)
            return Deserted(url, folder / "photos", house, house.rows(), house.blobs())

    with own_database(folder) as url:
        yield anyio.run(furnish, url)


@pytest.fixture
async def at(deserted: Deserted, anyio_backend: str) -> AsyncIterator[Neighbours]:
    async with running(settings_for(deserted.url, photos_dir=deserted.photos)) as service:
        service.app.state.clock = lambda: deserted.house.now
        house = replace(deserted.house, service=service)
        house.restore(deserted.rows, deserted.blobs)
        yield Neighbours(house)


# Writes ---------------------------------------------------------------------------------------------------------------

Difference = dict[str, dict[str, list[Row]]]
"""Rows that were added, changed (before and after) and removed, by table."""


def difference(before: Rows, after: Rows) -> Difference:
    added, changed, removed = dict[str, list[Row]](), dict[str, list[Row]](), dict[str, list[Row]]()
    for table, old in before.items():
        new = after[table]
        if new == old or table in BESIDES:
            continue
        sorts = {
            "adds": [new[key] for key in new.keys() - old.keys()],
            "removes": [old[key] for key in old.keys() - new.keys()],
            "changes": [row for key in old.keys() & new.keys() if old[key] != new[key] for row in (old[key], new[key])],
        }
        for kept, sort in ((added, "adds"), (changed, "changes"), (removed, "removes")):
            if sorts[sort]:
                kept[table] = sorts[sort]
    return {"adds": added, "changes": changed, "removes": removed}


def faults_of(write: Write, found: Difference) -> list[str]:
    """Tables that changed and should not have, that should have and did not, and rows that had no part in it."""
    faults = []
    for sort, tables in found.items():
        allowed: Mapping[str, Columns] = getattr(write, sort)
        if tables.keys() != allowed.keys():
            faults.append(f"{sort} rows of {sorted(tables)}, not of {sorted(allowed)}")
        for table in tables.keys() & allowed.keys():
            strange = [row for row in tables[table] if not has(row, allowed[table])]
            faults += [f"{sort} in {table}: {row}" for row in strange]
    return faults


def images_lost(at: Neighbours, before: Mapping[tuple[str, str], bytes], rows: Rows) -> list[str]:
    """Images of photos that there are, gone or changed."""
    after = at.house.blobs()
    return [
        f"{name} of {owner}"
        for (owner, name), image in before.items()
        if after.get((owner, name)) != image
        and any(
            row["owner_id"] == owner and name.split("/")[-1].startswith(row["digest"]) for row in rows["photo"].values()
        )
    ]


async def send(at: Neighbours, method: str, path: str, declared: Mapping[str, Any], write: Write) -> Any:
    """The answer to the operation, with its own example where no other body is said."""
    contents = declared.get("requestBody", {}).get("content", {})
    kind = next(iter(contents), None)
    sent: dict[str, Any] = {}
    if kind is not None and kind.startswith("image/"):
        sent = {"content": picture(PNG), "headers": {"Content-Type": PNG}}
    elif kind is not None:
        body = await write.body() if callable(write.body) else write.body
        sent = {"json": contents[kind]["example"] if body is None else body, "headers": {"Content-Type": kind}}
    sent["headers"] = {**sent.get("headers", {}), **write.headers}
    for step, value in {**at.path(write.who, path), **write.path}.items():
        path = path.replace(step, value)
    return await at.house.ask(method, path + write.query, write.who.headers, **sent)


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
        if method != "get" or name in STREAMS:
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


# Lists ----------------------------------------------------------------------------------------------------------------


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
