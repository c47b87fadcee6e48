"""A newer revision of the origin comes into a copy: three-way, with conflicts; the set goes on as it was until it is adopted."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest

from tests.conftest import Running
from tests.http import clubhouse, doors

pytestmark = pytest.mark.anyio
Headers = dict[str, str]

FIRST: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Three crowns",
    "slots": [
        {"id": "old", "label": "An old one", "accepts": "denomination = 'crown' AND year_on_coin < 1850"},
        {"id": "late", "label": "A late one", "accepts": "denomination = 'crown' AND year_on_coin >= 1850"},
    ],
}


def with_rules(document: dict[str, Any], **rules: str) -> dict[str, Any]:
    """The document with other rules for these slots; new slots at the end."""
    made = deepcopy(document)
    known = {slot["id"]: slot for slot in made["slots"]}
    for name, rule in rules.items():
        if name in known:
            known[name]["accepts"] = rule
        else:
            made["slots"].append({"id": name, "label": name, "accepts": rule})
    return made


class Copied:
    """A copy of somebody's definition and its original."""

    def __init__(self, service: Running, owner: Headers, where: str, original: str) -> None:
        self.client, self.service, self.owner, self.where = service.client, service, owner, where
        self.original = original

    async def revised(self, document: dict[str, Any]) -> None:
        await doors.publish(self.service, self.owner, self.original, document)
        assert (await self.client.post(f"{self.where}/origin/checks", headers=self.owner)).json()["outcome"] == "newer"

    async def edited(self, document: dict[str, Any]) -> None:
        await doors.publish(self.service, self.owner, self.where.rpartition("/")[2], document)

    async def pull(self, **body: Any) -> Any:
        headers = {**self.owner, "If-Match": "*"}
        return await self.client.post(f"{self.where}/pulls", json=body, headers=headers)

    async def get(self, path: str) -> Any:
        answer = await self.client.get(self.where + path, headers=self.owner)
        assert answer.status_code == 200, answer.text
        return answer.json()


@pytest.fixture
async def copy(service: Running) -> Copied:
    owner = service.collector()
    original = await doors.published(service, owner, FIRST)
    made = await service.client.post(f"/v1/definitions/{original}/copies", json={}, headers=owner)
    where = made.headers["location"]
    await doors.publish(service, owner, where.rpartition("/")[2])
    return Copied(service, owner, where, original)


async def test_what_each_side_changed_comes_together(copy: Copied) -> None:
    mine = with_rules(FIRST, old="denomination = 'crown' AND year_on_coin < 1840")
    theirs = with_rules(FIRST, proof="denomination = 'crown' AND strike = 'proof'")
    await copy.edited(mine)
    await copy.revised(theirs)
    answer = await copy.pull()
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["conflicts"] == []
    assert told["pulled"]["revision"] == 2
    rules = {slot["id"]: slot["accepts"] for slot in told["draft"]["document"]["slots"]}
    assert rules == {
        "old": "denomination = 'crown' AND year_on_coin < 1840",
        "late": "denomination = 'crown' AND year_on_coin >= 1850",
        "proof": "denomination = 'crown' AND strike = 'proof'",
    }
    assert told["draft"]["revision"] == 3


@pytest.mark.parametrize("keep", ["mine", "theirs"])
async def test_a_conflict_tells_all_three_and_either_side_may_be_kept(copy: Copied, keep: str) -> None:
    rules = [f"denomination = 'crown' AND year_on_coin < {year}" for year in (1850, 1840, 1860)]
    await copy.edited(with_rules(FIRST, old=rules[1]))
    await copy.revised(with_rules(FIRST, old=rules[2]))
    told = (await copy.pull(keep=keep, revision=2)).json()
    assert told["kept"] == keep
    (conflict,) = told["conflicts"]
    assert (conflict["base"], conflict["mine"], conflict["theirs"]) == tuple(rules)
    assert conflict["path"] == "/slots/old/accepts"
    assert conflict["pointer"] == "/slots/0/accepts"
    assert told["draft"]["document"]["slots"][0]["accepts"] == rules[1 if keep == "mine" else 2]


async def test_the_set_stays_as_it_is_until_the_revision_is_adopted(copy: Copied) -> None:
    coin = {"facts": {"denomination": "crown", "year_on_coin": 1900, "strike": "proof"}}
    assert (await copy.client.post("/v1/holdings", json=coin, headers=copy.owner)).status_code == 201
    await copy.revised(with_rules(FIRST, proof="denomination = 'crown' AND strike = 'proof'"))
    before = await copy.get("/evaluation")
    assert (await copy.pull()).status_code == 200
    assert await copy.get("/evaluation") == before
    impact = await copy.get("/impact")
    assert [place["place"] for place in impact["places"]["gained"]] == ["proof"], impact
    await doors.publish(copy.service, copy.owner, copy.where.rpartition("/")[2])
    assert await copy.get("/evaluation") == before
    adopting = {**copy.owner, "If-Match": "*"}
    adopted = await copy.client.put(f"{copy.where}/adoption", json={"revision": 2}, headers=adopting)
    assert adopted.status_code == 200, adopted.text
    assert (await copy.get("/evaluation"))["summary"]["places"] == 3


async def test_the_next_merge_goes_back_to_what_was_taken_in_last(copy: Copied) -> None:
    second = with_rules(FIRST, proof="strike = 'proof'")
    await copy.revised(second)
    assert [one["revision"] for one in (await copy.get("/origin"))["available"]] == [2]
    assert (await copy.pull()).status_code == 200
    await doors.publish(copy.service, copy.owner, copy.where.rpartition("/")[2])
    again = await copy.pull()
    assert again.status_code == 409
    assert "pulled already" in again.json()["detail"]
    # Mine drops what the second brought, and the third does not touch it: it stays dropped.
    await copy.edited(FIRST)
    await copy.revised(with_rules(second, late="year_on_coin >= 1870"))
    told = (await copy.pull()).json()
    assert told["conflicts"] == []
    assert [slot["id"] for slot in told["draft"]["document"]["slots"]] == ["old", "late"]
    assert told["draft"]["document"]["slots"][1]["accepts"] == "year_on_coin >= 1870"
    assert (await copy.get("/origin"))["available"] == []


async def test_what_comes_of_it_has_to_be_sound(copy: Copied) -> None:
    rule = {"id": "pair", "kind": "different", "by": ["mint"], "places": ["old", "late"]}
    await copy.edited({**FIRST, "constraints": [rule]})
    await copy.revised({**FIRST, "slots": FIRST["slots"][:1]})
    before = await copy.get("")
    answer = await copy.pull()
    assert answer.status_code == 422, answer.text
    assert all(fault["pointer"].startswith("/draft/constraints") for fault in answer.json()["errors"])
    assert await copy.get("") == before


async def test_nothing_is_pulled_where_nothing_newer_is_known_or_the_line_changed(copy: Copied) -> None:
    nothing = await copy.pull()
    assert nothing.status_code == 409
    assert "ask it first" in nothing.json()["detail"]
    await copy.revised(with_rules(FIRST, proof="strike = 'proof'"))
    stale = {**copy.owner, "If-Match": '"old"'}
    assert (await copy.client.post(f"{copy.where}/pulls", json={}, headers=stale)).status_code == 412
    assert (await copy.client.post(f"{copy.where}/pulls", json={}, headers=copy.owner)).status_code == 428
    assert (await copy.pull(revision=9)).status_code == 404
    own = f"/v1/definitions/{copy.original}/pulls"
    assert (await copy.client.post(own, json={}, headers={**copy.owner, "If-Match": "*"})).status_code == 404


async def test_a_member_pulls_what_the_club_offers_anew_until_leaving(service: Running) -> None:
    club = await clubhouse.founded(service)
    member, offer = await club.newcomer(), await club.offered(FIRST)
    taken = await service.client.post(f"{club.address}{offer}/copies", json={}, headers=member)
    where = f"/v1/definitions/{taken.json()['definition_id']}"
    mine = Copied(service, member, where, "")
    assert (await mine.pull()).status_code == 409
    await mine.edited(with_rules(FIRST, old="year_on_coin < 1840"))
    newer = await clubhouse.published(service, club.steward, with_rules(FIRST, proof="strike = 'proof'"))
    offered = await service.client.post(
        f"{club.address}{offer}/revisions", json={"definition_id": newer}, headers=club.steward
    )
    assert offered.status_code == 201, offered.text
    told = (await mine.pull()).json()
    assert [slot["id"] for slot in told["draft"]["document"]["slots"]] == ["old", "late", "proof"]
    assert told["draft"]["document"]["slots"][0]["accepts"] == "year_on_coin < 1840"
    assert (await club.get(offer, member))["copy"]["revision"] == 2
    assert (await service.client.delete(f"{club.address}/membership", headers=member)).status_code == 204
    assert (await mine.pull()).status_code == 404
