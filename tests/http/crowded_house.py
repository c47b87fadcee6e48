"""A crowded house: every kind of thing three times, for two owners in two clubs, all made through the service.

Both owners' holdings, definitions and issues have the same ids, so that only the owner tells them apart. Two more members of
each club have swaps of their own, of which neither owner is a side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from service.clubs.standings import displayed_photo_id
from service.database.ids import new_id
from service.holdings.photos.images import PNG
from service.schema import metadata
from tests.conftest import Running
from tests.http import doors
from tests.owners import recognise
from tests.pictures import coin as a_coin
from tests.pictures import picture

Headers = dict[str, str]
Row = Mapping[str, Any]
Rows = dict[str, dict[tuple[Any, ...], dict[str, Any]]]
"""The rows of each table by their keys."""

KINDS = ("worn", "sharp", "florin", "mark")
DOCUMENT: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Four coins",
    "slots": [
        {"id": "worn", "accepts": "denomination = 'crown' AND grade < 40"},
        {"id": "sharp", "accepts": "denomination = 'crown' AND grade >= 40"},
        {"id": "florin", "accepts": "denomination = 'florin'"},
        {"id": "mark", "accepts": "denomination = 'mark'"},
    ],
}
PENNY = {"facts": {"denomination": "penny"}}
THREE = range(3)


@dataclass(eq=False)
class Person:
    """Somebody with an account, and the ids of what is theirs, by kind, in the order in which it was made."""

    name: str
    id: str
    headers: Headers
    ids: dict[str, list[str]] = field(default_factory=dict)
    texts: dict[str, list[str]] = field(default_factory=dict)
    """Secrets by kind: of invitations, pairings, shares."""

    def one(self, kind: str, which: int = 1) -> str:
        return self.ids[kind][which]


@dataclass(eq=False)
class House:
    """`people` are the two owners and the two other members; `clubs` the ids of the two clubs that all of them are in."""

    service: Running
    now: datetime
    people: list[Person] = field(default_factory=list)
    clubs: list[str] = field(default_factory=list)
    of_clubs: dict[tuple[str, str], list[str]] = field(default_factory=dict)
    """The ids of what a club has, by club and kind: offers, invitations, swaps."""
    members: dict[tuple[str, str], str] = field(default_factory=dict)
    """Members' ids by club and owner."""

    async def ask(self, method: str, address: str, who: Headers, **more: Any) -> Any:
        headers = {**who, "If-Match": "*", **more.pop("headers", {})}
        return await self.service.client.request(method, address, headers=headers, **more)

    async def done(self, method: str, address: str, who: Person, **more: Any) -> Any:
        """The answer to what must succeed."""
        answer = await self.ask(method, address, who.headers, **more)
        assert answer.is_success, (method, address, answer.text)
        return answer

    def rows(self) -> Rows:
        """Everything that the database has."""
        return self.service.app.state.database.read(_all_rows)

    def blobs(self) -> dict[tuple[str, str], bytes]:
        """Every stored file, by owner and name."""
        store = self.service.app.state.blobs
        return {(owner, name): store.get(owner, name) for owner in store.owners() for name in store.names(owner)}

    def restore(self, rows: Rows, blobs: Mapping[tuple[str, str], bytes]) -> None:
        """Makes the database and the files what they were."""
        self.service.app.state.database.write(lambda connection: _put_back(connection, rows))
        store, there = self.service.app.state.blobs, self.blobs()
        for owner, name in there.keys() - blobs.keys():
            store.remove(owner, name)
        for owner, name in blobs.keys() - there.keys():
            store.put(owner, name, blobs[owner, name])


@dataclass(frozen=True)
class Deserted:
    """A crowded house without its service, to be moved into again."""

    url: str
    photos: Path
    house: House
    rows: Rows
    blobs: Mapping[tuple[str, str], bytes]


def _all_rows(connection: Connection) -> Rows:
    return {
        table.name: {
            tuple(row._mapping[column.name] for column in table.primary_key): dict(row._mapping)
            for row in connection.execute(select(table))
        }
        for table in metadata.sorted_tables
    }


def _put_back(connection: Connection, rows: Rows) -> None:
    for table in reversed(metadata.sorted_tables):
        connection.execute(delete(table))
    for table in metadata.sorted_tables:
        if rows[table.name]:
            connection.execute(insert(table), list(rows[table.name].values()))


def coins_of(kind: str) -> list[dict[str, Any]]:
    """What a collection has: four worn or four sharp crowns, of which one is enough, a florin and a mark."""
    grade = {"worn": 10, "sharp": 50}[kind]
    crowns = [{"denomination": "crown", "grade": grade + number} for number in range(4)]
    return [*crowns, {"denomination": "florin", "grade": 20}, {"denomination": "mark", "grade": 20}]


async def a_crowded_house(service: Running) -> House:
    house = House(service, datetime.now(UTC))
    service.app.state.clock = lambda: house.now
    # The same ids for both owners; those of the other members are their own.
    shared_ids = [new_id() for _ in range(6)]
    for name, kind, ids in (
        ("Ada", "worn", shared_ids),
        ("Ben", "sharp", shared_ids),
        ("Cem", "worn", None),
        ("Dot", "sharp", None),
    ):
        headers = service.collector(is_admin=True)
        person = Person(name, _owner_id(service, headers), headers)
        house.people.append(person)
        await _collect(house, person, coins_of(kind), ids or [new_id() for _ in range(6)])
    same = {kind: [new_id() for _ in THREE] for kind in ("definition", "draft", "copy")}
    for person in house.people:
        # What the others have of their own is there to be asked for by somebody else.
        own = same if person in house.people[:2] else {kind: [new_id()] for kind in same}
        await _furnish(house, person, own)
    await _found_clubs(house)
    # Each token is noted as used once a minute: from here on none is.
    for person in house.people:
        await house.done("GET", "/v1/account", person)
    return house


def _owner_id(service: Running, headers: Headers) -> str:
    token = headers["Authorization"].removeprefix("Bearer ")
    identity: str = service.app.state.database.read(lambda connection: recognise(connection, token)).id
    return identity


async def _collect(house: House, person: Person, coins: Sequence[Row], ids: Sequence[str]) -> None:
    mutations = [
        {"mutation_id": new_id(), "op": "create", "id": identity, "patch": coin, "edited_at": house.now.isoformat()}
        for identity, coin in zip(ids, coins, strict=True)
    ]
    await house.done("POST", "/v1/holdings/sync", person, json={"client_id": person.name, "mutations": mutations})
    person.ids["holding"] = list(ids)


async def _furnish(house: House, person: Person, own: Mapping[str, Sequence[str]]) -> None:
    """Three of each kind that belongs to an owner, or one of some for who is no owner of the house; `own` are ids."""
    service, who = house.service, person.headers
    ids: dict[str, list[str]] = {kind: [] for kind in _OWN}
    texts: dict[str, list[str]] = {kind: [] for kind in ("invitation", "pairing", "approved", "share")}
    person.ids |= ids
    person.texts |= texts
    ids = person.ids
    numbers = range(len(own["definition"]))
    whose = "ambria" if len(numbers) > 1 else f"of-{person.name.lower()}"
    mine = {"presume": [{"where": "denomination = 'mark'", "facts": {"variety": {"none": True}}}], "identify": []}
    await house.done("PUT", "/v1/account/presumptions", person, json=mine)
    for number in numbers:
        ids["token"].append(await doors.own_id(service, service.another_token(who)))
        ids["device"].append((await doors.paired(service, who, name=f"phone {number}"))[1])
        invited = await doors.invited(service, who, note=f"note {number}")
        ids["invitation"].append(invited["id"])
        texts["invitation"].append(invited["invitation"])
        for kind in ("pairing", "approved"):
            begun = await doors.begun(service)
            texts[kind].append(begun["user_code" if kind == "pairing" else "device_code"])
            if kind == "approved":
                await doors.decide(service, who, begun["user_code"])
        await _photos(house, person, ids["holding"][number])
        issue = {
            "id": f"{whose}-{number}",
            "label": f"Issue {number} of {person.name}",
            "facts": {"denomination": "mark"},
        }
        await house.done("POST", "/v1/issues", person, json={**issue, "source": "a register", "edition": person.name})
        ids["issue"].append(issue["id"])
        words = {"name": issue["id"], "extends": "motifs", "concepts": [{"id": f"beast {number} of {person.name}"}]}
        await house.done("POST", "/v1/vocabularies", person, json=words)
        ids["vocabulary"].append(issue["id"])
        sheet = {"holdings": [{"number": f"S-{number}", "facts": {"denomination": "shilling"}}]}
        brought = await house.done("POST", "/v1/holdings/imports", person, json=sheet)
        ids["import"].append(brought.json()["import_id"])
        ids["job"].append(doors.job_done(service, who, number))
        document = {**DOCUMENT, "title": f"Imported {number}"}
        waiting = await house.done("POST", "/v1/imports", person, json={"document": document})
        ids["definition import"].append(waiting.json()["id"])
        # The same keys for both owners.
        await house.done("POST", "/v1/holdings", person, json=PENNY, headers={"Idempotency-Key": f"key-{number}"})
        ids["definition"].append(await _definition(house, person, own["definition"][number], f"Set {number}"))
        body = {"id": own["draft"][number], "document": {**DOCUMENT, "title": f"Draft {number}"}}
        await house.done("POST", "/v1/definitions", person, json=body)
        ids["draft"].append(body["id"])
    for number in numbers:
        shared = await doors.shared(
            service, who, ids["definition"][len(numbers) // 2], name=f"share {number}", follows=True, most_uses=5
        )
        ids["share"].append(shared["id"])
        texts["share"].append(shared["link"].rsplit("/", 1)[1])
        ids["copy"].append(await _copy(house, person, ids["definition"][number], own["copy"][number]))


_OWN = (
    "token", "device", "invitation", "issue", "vocabulary", "import", "definition import", "definition", "draft", "share", "copy",
    "photo", "exhibition", "club", "job",
)  # fmt: skip


async def _photos(house: House, person: Person, holding: str) -> None:
    for number, side in enumerate(("obverse", "reverse", "edge")):
        # Each has its own picture, but for the first of each holding, which all of the owner's holdings share.
        shade = 7 if number == 0 else len(person.ids["photo"]) + 30 * len(house.people)
        image = a_coin()
        image.putpixel((0, 0), (shade, number, 1))
        made = await house.done(
            "POST", f"/v1/holdings/{holding}/photos?side={side}", person,
            content=picture(PNG, image), headers={"Content-Type": PNG},
        )  # fmt: skip
        person.ids["photo"].append(made.json()["id"])
        person.ids.setdefault("file", []).append(made.json()["sha256"])


async def _definition(house: House, person: Person, identity: str, title: str) -> str:
    """A definition with three revisions, a draft, pins, want notes, three days of history and three exhibitions."""
    body = {"id": identity, "document": {**DOCUMENT, "title": title}}
    await house.done("POST", "/v1/definitions", person, json=body)
    where = f"/v1/definitions/{identity}"
    for number in (2, 3):
        await doors.publish(house.service, person.headers, identity)
        document = {**DOCUMENT, "title": f"{title}, {number}"}
        await house.done("PUT", where, person, json={"document": document})
    await doors.publish(house.service, person.headers, identity)
    await house.done("PUT", where, person, json={"document": {**DOCUMENT, "title": f"{title}, draft"}})
    pin = {"holding": person.ids["holding"][4], "place": "florin"}
    await house.done("PUT", f"{where}/pins", person, json={"pins": [pin], "nevers": []})
    await house.done("PUT", f"{where}/want-notes", person, json={"notes": [{"place": "mark", "min_grade": 50}]})
    for number in THREE:
        day = house.now.date() - timedelta(days=2 - number)
        await house.done("POST", f"{where}/history", person, json={"on": day.isoformat()})
        shown = await house.done(
            "POST", f"{where}/exhibitions", person, json={"title": f"Show {number}", "on": "2026-11-25"}
        )
        person.ids["exhibition"].append(shown.json()["id"])
    return identity


async def _copy(house: House, person: Person, original: str, identity: str) -> str:
    """A copy that took a newer revision of its original in."""
    body = {"id": identity, "revision": 1}
    await house.done("POST", f"/v1/definitions/{original}/copies", person, json=body)
    checked = await house.done("POST", f"/v1/definitions/{identity}/origin/checks", person)
    assert checked.json()["outcome"] == "newer", checked.text
    await house.done("POST", f"/v1/definitions/{identity}/pulls", person, json={})
    return identity


async def _found_clubs(house: House) -> None:
    ada, ben, *_ = house.people
    for steward in (ada, ben):
        house.clubs.append(await _club(house, steward, house.people))
    for person in (ada, ben):
        own = [await _club(house, person, [person]) for _ in THREE]
        person.ids["club"] += [*house.clubs, *own]


async def _displayed(house: House, person: Person, club: str, offer: str) -> str:
    """What the club calls a photo of a coin that the display may take; whether it takes it depends on what others lend."""
    found = await house.done("GET", f"/v1/clubs/{club}/definitions/{offer}/consent/preview", person)
    own: str = next(photo["image"] for coin in found.json()["display"] for photo in coin["photos"])
    digest = (await house.done("GET", own, person)).headers["ETag"].strip('"')
    return displayed_photo_id(club, offer, person.id, own.split("/")[5], digest)


async def _club(house: House, steward: Person, people: Sequence[Person]) -> str:
    """A club of these people, the first two of them stewards; with three offers, which all of them show, and open swaps."""
    body = {"name": f"Club of {steward.name}", "own_name": steward.name}
    made = await house.done("POST", "/v1/clubs", steward, json=body)
    club = made.json()["id"]
    where = f"/v1/clubs/{club}"
    house.members[club, steward.id] = made.json()["member_id"]
    house.of_clubs[club, "offer"], house.of_clubs[club, "invitation"] = [], []
    for person in people:
        if person is steward:
            continue
        role = "steward" if person in people[:2] else "member"
        invited = await house.done("POST", f"{where}/invitations", steward, json={"role": role})
        sent = {"invitation": invited.json()["invitation"], "name": person.name}
        joined = await house.done("POST", "/v1/club-memberships", person, json=sent)
        house.members[club, person.id] = joined.json()["member_id"]
    for _ in THREE:
        invited = await house.done("POST", f"{where}/invitations", steward, json={"role": "member"})
        house.of_clubs[club, "invitation"].append(invited.json()["id"])
        steward.texts.setdefault(f"into {club}", []).append(invited.json()["invitation"])
    if len(people) == 1:
        return club
    for number in THREE:
        own = steward.ids["definition"][number]
        offered = await house.done("POST", f"{where}/definitions", steward, json={"definition_id": own, "revision": 1})
        offer = offered.json()["id"]
        house.of_clubs[club, "offer"].append(offer)
        for person in people:
            consent = {"standing": True, "spares": True, "display": True, "photos": True}
            await house.done("PUT", f"{where}/definitions/{offer}/consent", person, json=consent)
            if number != 1 and person in people[:2]:
                await house.done("POST", f"{where}/definitions/{offer}/copies", person, json={})
        house.of_clubs[club, f"photo of {offer}"] = [await _displayed(house, steward, club, offer)]
        house.of_clubs[club, f"swaps of {offer}"] = []
        for person in people[0], people[2]:
            (swap,) = (await house.done("GET", f"{where}/definitions/{offer}/swaps", person)).json()["items"]
            sent = {"definition_id": offer, "swap": swap["key"]}
            proposed = await house.done("POST", f"{where}/swaps", person, json=sent)
            house.of_clubs[club, f"swaps of {offer}"].append(proposed.json()["id"])
    return club
