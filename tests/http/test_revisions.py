"""Revisions over HTTP: what changed, withdrawing, and which one the owner's set follows."""

from __future__ import annotations

import asyncio
import copy
from typing import Any

import httpx
import pytest

from service.definitions import actions
from service.definitions.model import Decisions
from service.definitions.store import DefinitionStore
from service.rules.messages import MESSAGES
from service.schema import metadata
from tests.conftest import Running
from tests.factories import places_of, seats_of
from tests.messages import ensure_worded

pytestmark = pytest.mark.anyio

FIRST: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Pence",
    "slots": [
        {"id": "old", "label": "Old penny", "accepts": "denomination = 'penny' AND year_on_coin < 1900"},
        {"id": "new", "label": "New penny", "accepts": "denomination = 'penny' AND year_on_coin >= 1900"},
        {"id": "crown", "label": "Crown", "accepts": "denomination = 'crown'"},
        {"id": "florin", "label": "Florin", "accepts": "denomination = 'florin'"},
    ],
    "free_choice": [{"id": "any", "label": "Any farthing", "places": 2, "accepts": "denomination = 'farthing'"}],
}
CROWNS = [
    {"id": "crown-early", "label": "Crown, early", "accepts": "denomination = 'crown' AND year_on_coin < 1900"},
    {"id": "crown-late", "label": "Crown, late", "accepts": "denomination = 'crown' AND year_on_coin >= 1900"},
]
# The new penny under another id, the old one narrowed, the crown split, the florin gone, one farthing less, a new shilling.
SECOND: dict[str, Any] = {
    **FIRST,
    "slots": [
        {"id": "old", "label": "Old penny", "accepts": "denomination = 'penny' AND year_on_coin < 1880"},
        {"id": "newer", "label": "New penny", "accepts": "denomination = 'penny' AND year_on_coin >= 1900"},
        *CROWNS,
        {"id": "shilling", "label": "Shilling", "accepts": "denomination = 'shilling'"},
    ],
    "free_choice": [{"id": "any", "label": "Any farthing", "places": 1, "accepts": "denomination = 'farthing'"}],
}
COINS: dict[str, dict[str, Any]] = {
    "old": {"denomination": "penny", "year_on_coin": 1890},
    "new": {"denomination": "penny", "year_on_coin": 1910},
    "crown": {"denomination": "crown", "year_on_coin": 1890},
    "florin": {"denomination": "florin", "year_on_coin": 1905},
    "shilling": {"denomination": "shilling", "year_on_coin": 1905},
    "farthing-1": {"denomination": "farthing", "year_on_coin": 1850},
    "farthing-2": {"denomination": "farthing", "year_on_coin": 1851},
}


class Kept:
    """A collector with a definition, and coins by name."""

    def __init__(self, service: Running) -> None:
        self.service, self.owner = service, service.collector()
        self.where, self.coins = "", dict[str, str]()

    async def begin(self, *documents: dict[str, Any], coins: dict[str, dict[str, Any]] | None = None) -> Kept:
        """Each document as a published revision."""
        made = await self.service.client.post("/v1/definitions", json={"document": documents[0]}, headers=self.owner)
        self.where = made.headers["location"]
        await self.publish()
        for document in documents[1:]:
            await self.draft(document)
            await self.publish()
        for name, facts in (coins or {}).items():
            sent = {"facts": facts, "number": name}
            held = await self.service.client.post("/v1/holdings", json=sent, headers=self.owner)
            self.coins[name] = held.json()["id"]
        return self

    async def get(self, path: str = "", **headers: str) -> httpx.Response:
        return await self.service.client.get(f"{self.where}{path}", headers={**self.owner, **headers})

    async def shown(self, path: str) -> Any:
        answer = await self.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    async def put(self, path: str, body: Any, tag: str | None = None) -> httpx.Response:
        """With the line's tag, unless another is said."""
        sent = {**self.owner, "If-Match": tag or (await self.get()).headers["etag"]}
        return await self.service.client.put(f"{self.where}{path}", json=body, headers=sent)

    async def draft(self, document: dict[str, Any]) -> None:
        assert (await self.put("", {"document": document})).status_code == 200

    async def publish(self) -> None:
        headers = {**self.owner, "If-Match": "*"}
        answer = await self.service.client.post(f"{self.where}/revisions?acknowledged=true", headers=headers)
        assert answer.status_code == 201, answer.text

    async def adopt(self, number: int | None) -> Any:
        answer = await self.put("/adoption", {"revision": number})
        assert answer.status_code == 200, answer.text
        assert answer.headers["etag"] == (await self.get()).headers["etag"]
        return answer.json()

    async def withdraw(self, number: int, **body: Any) -> httpx.Response:
        return await self.put(f"/revisions/{number}/withdrawal", body)

    async def pin(self, pins: dict[str, str], nevers: dict[str, str] | None = None) -> None:
        sent = [
            [{"holding": self.coins[coin], "place": place} for coin, place in pairs.items()]
            for pairs in (pins, nevers or {})
        ]
        answer = await self.put("/pins", {"pins": sent[0], "nevers": sent[1]}, "*")
        assert answer.status_code == 200, answer.text

    def named(self, entries: list[dict[str, Any]], *members: str) -> list[tuple[Any, ...]]:
        """The entries by the names of their coins."""
        names = {identity: name for name, identity in self.coins.items()}
        return [(names[e["holding"]], *(e[member] for member in members)) for e in entries]

    async def seats(self, path: str = "/evaluation") -> dict[str, str]:
        names = {identity: name for name, identity in self.coins.items()}
        return {place: names[coin] for place, coin in seats_of(await self.shown(path)).items()}

    def dump(self) -> list[Any]:
        """Everything that is stored."""
        tables = metadata.sorted_tables
        return self.service.app.state.database.read(
            lambda c: [sorted(map(repr, c.execute(table.select()))) for table in tables]
        )


# --- changes ---------------------------------------------------------------------------------------------------------


async def test_changes_are_told_by_meaning_in_json_and_in_words(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND)
    found = await kept.shown("/changes?from=1&to=2")
    kinds = [(change["kind"], *change["old"], *change["new"]) for change in found["changes"]]
    assert sorted(kinds) == [
        ("group-size-changed", "any", "any"),
        ("place-added", "shilling"),
        ("place-id-changed", "new", "newer"),
        ("place-removed", "florin"),
        ("place-split", "crown", "crown-early", "crown-late"),
        ("rule-narrowed", "old", "old"),
    ]
    (narrowed,) = (change for change in found["changes"] if change["kind"] == "rule-narrowed")
    assert narrowed["no_longer_accepted"] == {"denomination": "penny", "year_on_coin": 1880}
    assert (found["from"]["revision"], found["to"]["revision"]) == (1, 2)
    text = await kept.get("/changes?from=1&to=2", Accept="text/plain")
    assert text.headers["content-type"] == "text/plain; charset=utf-8"
    assert text.text.splitlines()[:2] == ["Pence: from revision 1 to revision 2", ""]
    assert text.text.splitlines()[2:] == [f"- {change['words']}" for change in found["changes"]]
    assert (await kept.get("/changes?from=1&to=2&format=text")).text == text.text
    same = await kept.get("/changes?from=2&to=2&format=text")
    assert same.text.splitlines()[-1] == "- Nothing changed."


async def test_changes_have_a_tag_of_their_own_in_each_form(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND)
    first = await kept.get("/changes?from=1&to=2")
    again = await kept.get("/changes?from=1&to=2", **{"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    tags = {first.headers["etag"]}
    for query in ("from=2&to=1", "from=1&to=1", "from=1&to=2&format=text", "from=1&to=2&today=2020-01-01"):
        tags.add((await kept.get(f"/changes?{query}")).headers["etag"])
    assert len(tags) == 5


async def test_left_out_it_is_from_what_the_set_follows_to_the_latest(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND)
    await kept.adopt(1)
    await kept.draft({**SECOND, "title": "Copper"})
    found = await kept.shown("/changes")
    assert (found["from"]["revision"], found["to"]["revision"], found["to"]["status"]) == (1, 3, "draft")
    assert "title-changed" in [change["kind"] for change in found["changes"]]


@pytest.mark.parametrize(
    "query", ["from=0", "to=x", "from=1&until=2", "format=xml", "today=yesterday", "to=99999999999"]
)
async def test_a_query_that_says_nothing_is_refused(service: Running, query: str) -> None:
    kept = await Kept(service).begin(FIRST)
    answer = await kept.get(f"/changes?{query}")
    assert (answer.status_code, answer.json()["type"].rpartition("/")[2]) == (422, "invalid-query")


async def test_a_revision_that_is_not_there_is_not_found(service: Running) -> None:
    kept = await Kept(service).begin(FIRST)
    for path in ("/changes?from=1&to=2", "/changes?from=7&to=1", "/impact?to=2"):
        assert (await kept.get(path)).status_code == 404
    # By its number, as people call it, and not by an id.
    assert (await kept.get("/impact?to=2")).json()["detail"] == "there is no revision '2'"
    assert (await kept.withdraw(2)).status_code == 404
    assert (await kept.put("/adoption", {"revision": 2})).status_code == 404


# --- withdrawn -------------------------------------------------------------------------------------------------------


async def test_a_withdrawn_revision_stays_readable_and_says_so(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND)
    before = await kept.get("/revisions/2")
    gone = await kept.withdraw(2, reason="The florin is to come back.")
    assert gone.status_code == 200
    after = await kept.get("/revisions/2")
    changed = {"status", "withdrawn_at", "withdrawn_because", "updated_at"}
    assert {name for name in after.json() if after.json()[name] != before.json()[name]} == changed
    assert (after.json()["status"], after.json()["withdrawn_because"]) == ("withdrawn", "The florin is to come back.")
    assert after.headers["etag"] != before.headers["etag"]
    listed = await kept.shown("/revisions")
    assert [entry["status"] for entry in listed["items"]] == ["published", "withdrawn"]
    assert gone.json() == listed["items"][1]
    assert (await kept.withdraw(2)).status_code == 409
    assert (await kept.withdraw(1)).json()["withdrawn_because"] is None


async def test_withdrawing_needs_the_version_that_was_read(service: Running) -> None:
    kept = await Kept(service).begin(FIRST)
    tag = (await kept.get()).headers["etag"]
    address = f"{kept.where}/revisions/1/withdrawal"
    assert (await service.client.put(address, json={}, headers=kept.owner)).status_code == 428
    assert (await kept.put("/revisions/1/withdrawal", {}, '"another"')).status_code == 412
    assert (await kept.put("/revisions/1/withdrawal", {}, tag)).status_code == 200
    assert (await kept.put("/revisions/1/withdrawal", {}, tag)).status_code == 412


async def test_a_withdrawn_revision_is_not_taken_while_there_is_another(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    stamp = (await kept.shown("/evaluation"))["definition"]
    assert stamp["revision"] == 2
    await kept.withdraw(2)
    assert (await kept.shown("/evaluation"))["definition"]["revision"] == 1
    assert (await kept.shown("/adoption"))["follows"]["revision"] == 1
    # Whoever asks for it by its number gets it.
    assert (await kept.shown("/evaluation?revision=2"))["definition"]["revision"] == 2
    await kept.withdraw(1)
    assert (await kept.shown("/evaluation"))["definition"]["revision"] == 2
    # The next one is published after all of them, and taken.
    await kept.draft({**FIRST, "title": "Third"})
    await kept.publish()
    assert (await kept.shown("/evaluation"))["definition"]["revision"] == 3


async def test_a_withdrawn_revision_cannot_be_adopted_and_one_that_was_is_kept(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND)
    await kept.adopt(1)
    await kept.withdraw(1)
    await kept.withdraw(2)
    assert (await kept.shown("/adoption"))["follows"] == {
        **(await kept.shown("/adoption"))["follows"],
        "revision": 1,
        "status": "withdrawn",
    }
    assert (await kept.put("/adoption", {"revision": 2})).status_code == 409
    assert (await kept.put("/adoption", {"revision": 1})).status_code == 200


# --- adoption --------------------------------------------------------------------------------------------------------


async def test_everything_that_asks_for_no_revision_follows_the_adopted_one(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    identity = kept.where.rpartition("/")[2]
    client, sent = service.client, {"headers": kept.owner}

    async def numbers() -> list[int]:
        """The revision that each answer rests on, where it was not said."""
        reference = {"definition": {"id": identity}}
        mine = {**reference, "holdings": "mine"}
        explained = {**reference, "holding": kept.coins["florin"]}
        evaluated = await client.post("/v1/evaluations", json=mine, **sent)
        told = await client.post("/v1/explanations", json=explained, **sent)
        noted = await client.post(f"{kept.where}/history", json={}, **sent)
        sets = {"sets": [{"definition": identity}], "mode": "in_order"}
        allocated = (await client.post("/v1/allocations", json=sets, **sent)).json()["sets"]
        coins = {"coins": [{"id": "c", "facts": COINS["florin"]}]}
        considered = (await client.post("/v1/candidates", json=coins, **sent)).json()["sets"]
        answers = [
            await kept.shown("/evaluation"),
            evaluated.json(),
            told.json(),
            noted.json(),
            *allocated,
            *considered,
        ]
        return [answer["definition"]["revision"] for answer in answers]

    async def wanted() -> list[str]:
        return [entry["place"] for entry in (await kept.shown("/want-list"))["wanted"]]

    assert await numbers() == [2] * 6
    assert "crown-late" in await wanted()
    tag = (await kept.get("/evaluation")).headers["etag"]
    await kept.adopt(1)
    assert await numbers() == [1] * 6
    assert "crown-late" not in await wanted()
    assert (await kept.get("/evaluation")).headers["etag"] != tag
    # A draft is what its author works on; the set goes on following what was adopted.
    await kept.draft({**SECOND, "title": "Work"})
    assert (await kept.shown("/evaluation"))["definition"]["revision"] == 1
    assert (await kept.shown("/evaluation?revision=3"))["definition"]["revision"] == 3
    assert (await kept.shown("/check"))["definition"]["revision"] == 3
    assert (await kept.shown(""))["status"] == "draft"
    await kept.adopt(None)
    assert (await kept.shown("/evaluation"))["definition"]["revision"] == 3


async def test_adopting_needs_the_version_that_was_read_and_a_published_revision(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND)
    first = await kept.get("/adoption")
    assert (first.json()["adopted"], first.json()["follows"]["revision"]) == (None, 2)
    tag = first.headers["etag"]
    assert tag == (await kept.get()).headers["etag"]
    address = f"{kept.where}/adoption"
    assert (await service.client.put(address, json={"revision": 1}, headers=kept.owner)).status_code == 428
    assert (await kept.put("/adoption", {"revision": 1}, tag)).status_code == 200
    assert (await kept.put("/adoption", {"revision": 1}, tag)).status_code == 412
    again = await kept.get("/adoption", **{"If-None-Match": tag})
    assert (again.status_code, again.json()["adopted"]) == (200, 1)
    known = await kept.get("/adoption", **{"If-None-Match": again.headers["etag"]})
    assert known.status_code == 304
    await kept.draft({**SECOND, "title": "Work"})
    refused = await kept.put("/adoption", {"revision": 3})
    assert (refused.status_code, "is a draft" in refused.json()["detail"]) == (409, True)
    assert (await kept.put("/adoption", {})).status_code == 422


async def test_of_those_that_adopt_at_once_one_succeeds(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    headers = {**kept.owner, "If-Match": (await kept.get()).headers["etag"]}
    sent = [
        service.client.put(f"{kept.where}/adoption", json={"revision": 1 + number % 2}, headers=headers)
        for number in range(6)
    ]
    statuses = sorted(answer.status_code for answer in await asyncio.gather(*sent))
    assert statuses == [200, *[412] * 5]


async def test_publishing_does_not_move_a_set_that_has_adopted_one(service: Running) -> None:
    kept = await Kept(service).begin(FIRST)
    await kept.adopt(1)
    await kept.draft(SECOND)
    await kept.publish()
    assert (await kept.shown("/adoption"))["adopted"] == 1
    assert (await kept.shown("/evaluation"))["definition"]["revision"] == 1


async def test_pins_go_along_where_their_place_survives_and_the_others_are_listed(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    await kept.adopt(1)
    pins = {"new": "new", "crown": "crown", "florin": "florin", "farthing-1": "any/1", "farthing-2": "any/2"}
    await kept.pin(pins, {"old": "new", "shilling": "crown"})
    notes = [
        {"place": "new", "note": "No holes."},
        {"place": "florin", "note": "Any."},
        {"place": "any", "note": "All."},
    ]
    assert (await kept.put("/want-notes", {"notes": notes}, "*")).status_code == 200
    answer = await kept.adopt(2)
    assert (answer["adopted"], answer["follows"]["revision"]) == (2, 2)
    assert kept.named(answer["pins"]["carried"], "place", "to") == [
        ("new", "new", "newer"),
        ("farthing-1", "any/1", "any/1"),
    ]
    assert kept.named(answer["pins"]["dropped"], "place", "reason", "into") == [
        ("crown", "crown", "place-split", ["crown-early", "crown-late"]),
        ("florin", "florin", "place-removed", []),
        ("farthing-2", "any/2", "no-such-place", []),
    ]
    assert kept.named(answer["nevers"]["carried"], "place", "to") == [("old", "new", "newer")]
    assert kept.named(answer["nevers"]["dropped"], "place", "reason") == [("shilling", "crown", "place-split")]
    assert answer["want_notes"]["carried"] == [{"place": "new", "to": "newer"}, {"place": "any", "to": "any"}]
    (left,) = answer["want_notes"]["dropped"]
    assert (left["place"], left["note"]) == ("florin", {"note": "Any."})
    stored = await kept.shown("/pins")
    assert kept.named(stored["pins"], "place") == [("new", "newer"), ("farthing-1", "any/1")]
    assert kept.named(stored["nevers"], "place") == [("old", "newer")]
    found = {note["place"]: note["note"] for note in (await kept.shown("/want-notes"))["notes"]}
    assert found == {"newer": "No holes.", "any": "All."}
    # Nothing is pinned to a place that is not there.
    assert not [c for c in (await kept.shown("/evaluation"))["conflicts"] if c["kind"] == "pin"]


async def test_pins_that_all_go_along_are_not_written_anew(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, {**FIRST, "title": "Other"}, coins=COINS)
    await kept.adopt(1)
    await kept.pin({"old": "old"})
    before = (await kept.get("/pins")).headers["etag"]
    await kept.adopt(2)
    assert (await kept.get("/pins")).headers["etag"] == before


async def test_a_pin_that_is_decided_meanwhile_is_not_lost(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    await kept.adopt(1)
    real = actions.adopt

    def late(connection: Any, owner: Any, identity: str, *rest: Any, **more: Any) -> Any:
        """Another request decides just before this one writes."""
        pins = ((kept.coins["florin"], "florin"),)
        DefinitionStore(connection, owner).decide(identity, Decisions(pins, (), "00000000-0000-7000-8000-000000000001"))
        return real(connection, owner, identity, *rest, **more)

    monkeypatch.setattr(actions, "adopt", late)
    assert (await kept.put("/adoption", {"revision": 2})).status_code == 412
    monkeypatch.undo()
    assert (await kept.shown("/adoption"))["adopted"] == 1


# --- impact ----------------------------------------------------------------------------------------------------------


async def test_the_impact_tells_what_becomes_of_places_coins_and_pins(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    await kept.adopt(1)
    await kept.pin({"crown": "crown", "new": "new", "farthing-1": "any/1", "farthing-2": "any/2"})
    found = await kept.shown("/impact?to=2")
    assert [place["place"] for place in found["places"]["gained"]] == ["crown-early", "crown-late", "shilling"]
    lost = [(place["place"], place["reason"], place["into"]) for place in found["places"]["lost"]]
    assert lost == [
        ("crown", "place-split", ["crown-early", "crown-late"]),
        ("florin", "place-removed", []),
        ("any/2", "no-such-place", []),
    ]
    assert [(place["from"], place["to"]) for place in found["places"]["renamed"]] == [("new", "newer")]
    assert kept.named(found["places"]["opened"], "place") == [("old", "old")]
    assert found["places"]["filled"] == []
    coins = found["coins"]
    assert kept.named(coins["moved"], "from", "to", "number") == [("crown", "crown", "crown-early", "crown")]
    assert kept.named(coins["coming_in"], "to") == [("shilling", "shilling")]
    assert sorted(kept.named(coins["falling_out"], "from")) == [
        ("farthing-2", "any/2"),
        ("florin", "florin"),
        ("old", "old"),
    ]
    assert (found["before"]["filled"], found["after"]["filled"]) == (6, 4)
    assert kept.named(found["pins"]["dropped"], "place") == [("crown", "crown"), ("farthing-2", "any/2")]
    assert found["in_words"][:3] == [
        "Places: 3 new, 3 gone, 1 emptied.",
        "Coins: 1 moves to another place, 1 comes in, 3 drop out.",
        "2 'keep here' decisions cannot be carried over, because their places are gone.",
    ]
    assert found["in_words"][:3] == [said["message"] for said in found["messages"]]
    assert [place["message"] for place in found["places"]["lost"]] == [
        "'Crown' was split into 'Crown, early' and 'Crown, late'.",
        "'Florin' is gone.",
        "'Any farthing' is gone; its group goes on without it.",
    ]
    named = {
        name for coin in (*coins["moved"], *coins["coming_in"], *coins["falling_out"]) for name in [coin["holding"]]
    }
    assert named <= found["named"].keys()
    assert ensure_worded(found, MESSAGES) >= 8
    assert found["in_words"][3:] == [change["words"] for change in found["changes"]]


async def test_the_impact_is_what_adopting_then_does(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    await kept.adopt(1)
    await kept.pin({"crown": "crown", "new": "new", "farthing-2": "any/1"}, {"farthing-1": "any/1"})
    before, told = await kept.shown("/evaluation"), await kept.shown("/impact?to=2")
    adopted = await kept.adopt(2)
    after = await kept.shown("/evaluation")
    assert (told["before"], told["after"]) == (before["summary"], after["summary"])
    assert {name: adopted[name] for name in ("pins", "nevers", "want_notes")} == {
        name: told[name] for name in ("pins", "nevers", "want_notes")
    }
    # The moves, carried out on the seats as they were, come to the seats as they are.
    names = {place["from"]: place["to"] for place in told["places"]["renamed"]}
    seats = {names.get(place, place): coin for place, coin in seats_of(before).items()}
    for entry in (*told["coins"]["moved"], *told["coins"]["falling_out"]):
        del seats[names.get(entry["from"], entry["from"])]
    seats |= {entry["to"]: entry["holding"] for entry in (*told["coins"]["moved"], *told["coins"]["coming_in"])}
    assert seats == seats_of(after)
    gone, there = ({place["place"] for place in places_of(result)} for result in (before, after))
    assert {names.get(place, place) for place in gone} - {p["place"] for p in told["places"]["lost"]} | {
        place["place"] for place in told["places"]["gained"]
    } == there


async def test_an_impact_stores_nothing(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    await kept.adopt(1)
    await kept.pin({"crown": "crown"})
    before = kept.dump()
    first = await kept.get("/impact?to=2")
    await kept.get("/changes?from=1&to=2")
    assert (first.status_code, kept.dump()) == (200, before)
    # The control: the dump sees what adopting stores.
    await kept.adopt(2)
    assert kept.dump() != before


async def test_the_impact_has_a_tag_that_changes_with_all_that_it_rests_on(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, SECOND, coins=COINS)
    await kept.adopt(1)
    first = await kept.get("/impact?to=2")
    assert (await kept.get("/impact?to=2", **{"If-None-Match": first.headers["etag"]})).status_code == 304
    tags = [first.headers["etag"], (await kept.get("/impact?to=1")).headers["etag"]]
    await kept.pin({"crown": "crown"})
    tags.append((await kept.get("/impact?to=2")).headers["etag"])
    await service.client.post("/v1/holdings", json={"facts": COINS["florin"]}, headers=kept.owner)
    tags.append((await kept.get("/impact?to=2")).headers["etag"])
    await kept.adopt(2)
    tags.append((await kept.get("/impact?to=2")).headers["etag"])
    assert len(set(tags)) == 5


async def test_the_impact_of_what_the_set_follows_is_none(service: Running) -> None:
    kept = await Kept(service).begin(FIRST, coins=COINS)
    await kept.pin({"crown": "crown"})
    found = await kept.shown("/impact")
    assert found["in_words"] == ["Both revisions say the same: nothing happens to your set."]
    assert not any(found["places"].values())
    assert not any(found["coins"].values())
    assert found["before"] == found["after"]
    assert (len(found["pins"]["carried"]), found["pins"]["dropped"]) == (1, [])


async def test_places_of_a_group_survive_by_their_keys(service: Running) -> None:
    keys = {"from": "list", "values": ["Tower", "Heaton"]}
    first = {**FIRST, "one_per": [{"id": "mints", "attribute": "mint", "label": "{key}", "keys": keys}]}
    second, third = copy.deepcopy(first), copy.deepcopy(first)
    second["one_per"][0]["id"] = third["one_per"][0]["id"] = "makers"
    third["one_per"][0]["keys"]["values"] = ["Heaton", "Melbourne"]
    kept = await Kept(service).begin(
        first, second, third, coins={"tower": {"mint": "Tower"}, "heaton": {"mint": "Heaton"}}
    )
    await kept.adopt(1)
    await kept.pin({"tower": "mints/Tower", "heaton": "mints/Heaton"})
    found = await kept.shown("/impact?to=2")
    assert [change["kind"] for change in found["changes"]] == ["place-id-changed"]
    assert (found["places"]["gained"], found["places"]["lost"], found["coins"]["moved"]) == ([], [], [])
    carried = [("tower", "mints/Tower", "makers/Tower"), ("heaton", "mints/Heaton", "makers/Heaton")]
    assert kept.named((await kept.adopt(2))["pins"]["carried"], "place", "to") == carried
    answer = await kept.adopt(3)
    assert kept.named(answer["pins"]["carried"], "to") == [("heaton", "makers/Heaton")]
    assert kept.named(answer["pins"]["dropped"], "place", "reason") == [("tower", "makers/Tower", "no-such-place")]
