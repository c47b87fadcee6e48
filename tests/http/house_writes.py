"""Every write of the service to one of the things in a crowded house, and what it may change.

An operation that `writes` does not know fails the tests that go through all of them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from service.accounts.model import token_digest
from service.accounts.recovery import make_reset
from service.holdings.photos.images import PNG
from tests.http import doors
from tests.http.crowded_house import DOCUMENT, Headers, House, Person, Row, Rows
from tests.pictures import picture

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
            steps |= {"{sha256}": who.one("file", 4)}
            steps["{name}"] = who.one("vocabulary")
        if "/origin/" in address:
            steps["{number}"] = "3"
        if address.startswith("/docs"):
            steps["{name}"] = "swagger-ui.css"
        if "{club_id}" in address:
            steps |= {
                "{club_id}": self.club,
                "{member_id}": self.house.members[self.club, self.cem.id],
                "{id}": self.offer,
            }
            if "{photo}" in address:
                steps["{member_id}"] = self.house.members[self.club, self.ada.id]
                (steps["{photo}"],) = self.house.of_clubs[self.club, f"photo of {self.offer}"]
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
    "/v1/jobs/{id}": "job",
    "/v1/shares/{id}": "share",
    "/v1/imports/{id}": "definition import",
}


def writes(at: Neighbours, rows: Rows) -> dict[str, list[Write]]:
    """Every operation that is no GET, by its id; those that only compute add, change and remove nothing."""
    house, ada, ben, cem = at.house, at.ada, at.ben, at.cem
    mine = {"owner_id": ada.id}
    holding, definition, draft, copy = (ada.one(kind) for kind in ("holding", "definition", "draft", "copy"))
    of_definition, of_copy = {**mine, "definition_id": definition}, {**mine, "definition_id": copy}
    words = {**mine, "name": ada.one("vocabulary")}
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

    calculations = (
        "evaluate",
        "explain_holding",
        "check_definition",
        "preview_definition",
        "consider_candidates",
        "allocate_holdings",
    )
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
        "replace_presumptions": [
            Write(ada, changes={"presumption": mine, "catalogue": mine}),
            Write(ada, changes={"presumption": mine, "catalogue": mine}, body={"presume": [], "identify": []}),
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
        "add_photo": [
            Write(
                ada,
                adds={"photo": {**mine, "holding_id": holding}, "photo_file": mine} | changed,
                changes=account | {"holding": this["holding"]},
                query="?side=edge",
            )
        ],
        "delete_photo": [
            Write(
                ada,
                adds=changed,
                changes=account | {"holding": this["holding"]},
                removes={"photo": {**mine, "id": identity}} | files,
                path={"{photo_id}": identity},
            )
            # The first picture of a holding is the same as that of every other.
            for identity, files in (
                (ada.ids["photo"][3], {}),
                (ada.ids["photo"][4], {"photo_file": {**mine, "sha256": ada.one("file", 4)}}),
            )
        ],
        "put_photo": [
            Write(ada, adds={"photo_file": {**mine, "sha256": sent}}, path={"{sha256}": sent})
            for sent in (hashlib.sha256(picture(PNG)).hexdigest(),)
        ],
        # Jobs
        "cancel_job": [Write(ada, removes={"job": this["job"]})],
        # Issues
        "create_issue": [Write(ada, adds={"issue": mine}, changes={"catalogue": mine})],
        "replace_issue": [Write(ada, changes={"catalogue": mine, "issue": this["issue"]})],
        "delete_issue": [Write(ada, changes={"catalogue": mine}, removes={"issue": this["issue"]})],
        "import_issues": [Write(ada, adds={"issue": mine}, changes={"catalogue": mine})],
        # Vocabularies
        "create_vocabulary": [Write(ada, adds={"vocabulary": mine}, changes={"catalogue": mine})],
        "replace_vocabulary": [Write(ada, changes={"catalogue": mine, "vocabulary": words})],
        "delete_vocabulary": [Write(ada, changes={"catalogue": mine}, removes={"vocabulary": words})],
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
        "reset_password": [
            Write(
                ada,
                changes=account | {"token": mine, "device_pairing": mine},
                body=partial(a_reset, at, name_of(rows, ada)),
                first=passwords,
            ),
        ],
        "delete_account": [
            Write(
                ada,
                adds={"club_audit": {"club_id": set(house.clubs), "what": "left"}},
                changes={"swap_proposal": {"id": proposals_of(rows, ada)}},
                removes=everything_of(ada, rows),
                body={"name": name_of(rows, ada)},
            ),
        ],
        "log_in": [
            Write(ada, adds={"token": mine}, first=passwords, body={"name": name_of(rows, ada)} | LOG_IN),
        ],
        "log_out": [
            Write(ada, changes={"token": {**mine, "digest": token_digest(ada.headers["Authorization"].split()[1])}})
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


def everything_of(owner: Person, rows: Rows) -> dict[str, Columns]:
    """What goes with an account: all that is its own, and clubs in which nobody else is."""
    alone = {"club_id": set(owner.ids["club"][2:])}
    found: dict[str, Columns] = {
        name: {"owner_id": owner.id}
        for name, table in rows.items()
        if any(row.get("owner_id") == owner.id for row in table.values())
    }
    of_clubs = {"club": {"id": alone["club_id"]}, "club_audit": alone, "club_invitation": alone}
    return {**found, "account": {"id": owner.id}, **of_clubs}


async def a_reset(at: Neighbours, name: str) -> dict[str, Any]:
    """What sets a new password with a text that the operator has just made."""
    database, now = at.house.service.app.state.database, at.house.now
    reset = database.write(lambda connection: make_reset(connection, name, now))
    return {"name": name, "reset": reset, "password": doors.PASSWORD}


def name_of(rows: Rows, owner: Person) -> str:
    name: str = rows["account"][owner.id,]["name"]
    return name


def sides(rows: Rows, swap: str) -> list[str]:
    return [row["owner_id"] for row in rows["swap_answer"].values() if row["proposal_id"] == swap]


async def the_swap_found(at: Neighbours) -> dict[str, Any]:
    """What proposes the swap that Ada finds."""
    found = await at.house.done("GET", f"/v1/clubs/{at.club}/definitions/{at.offer}/swaps", at.ada)
    return {"definition_id": at.offer, "swap": found.json()["items"][0]["key"]}


def proposals_of(rows: Rows, person: Person, club: str | None = None) -> set[str]:
    """The swaps that somebody is a side of, in one club or in all."""
    answers = some(rows, "swap_answer", {"owner_id": person.id} | ({"club_id": club} if club else {}))
    return {row["proposal_id"] for row in answers}


def some(rows: Rows, table: str, columns: Columns) -> Iterator[Row]:
    """The rows that have these columns."""
    return (row for row in rows[table].values() if has(row, columns))


def has(row: Row, columns: Columns) -> bool:
    return all(row[name] in value if isinstance(value, set) else row[name] == value for name, value in columns.items())


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
            row["owner_id"] == owner and name.split("/")[-1].startswith(row["digest"])
            for row in rows["photo_file"].values()
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
