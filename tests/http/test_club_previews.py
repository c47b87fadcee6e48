"""What a member is told that the club would see, beside what the club then sees; and what changed between two offers."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import Running
from tests.http.club_consent import NOTHING, told_beyond
from tests.http.clubhouse import coin, founded, published
from tests.http.examples import DOCUMENT
from tests.http.test_club_display import SET, crown, holding, two_lenders

pytestmark = pytest.mark.anyio


async def test_a_preview_is_what_others_see_with_each_consent(service: Running) -> None:
    club, offer, ada, _, _ = await two_lenders(service)
    # A third one has two of a year; of the second, its own number and note stay at home.
    cleo = await club.newcomer(name="Cleo Reed")
    for grade in (40, 50):
        await holding(
            service, cleo, facts={**crown(1887, grade), "mint": "hidden"}, number=f"secret {grade}", note="secret"
        )
    before = await club.get(f"{offer}/consent/preview", cleo)
    assert await club.get(f"{offer}/consent", cleo) == NOTHING
    counts = before["standing"]["counts"]
    assert (counts["filled"], counts["empty"]) == (1, 2)
    assert [(spare["pieces"], spare["places"]) for spare in before["spares"]] == [(1, ["1887"])]
    assert [coin["description"] for coin in before["display"]] == ["1887 crown", "1887 crown"]
    assert "secret" not in str(before)
    where, cleo_id = f"{offer}/standings/{club.id_of(cleo)}", club.id_of(cleo)
    spares = f"{offer}/spares/{cleo_id}"
    for path in (where, spares):
        await club.get(path, ada, 404)
    await club.shows(cleo, offer, standing=True)
    assert told_beyond(before, standing=await club.get(where, ada)) == []
    await club.get(spares, ada, 404)
    await club.shows(cleo, offer, spares=True)
    await club.get(where, ada, 404)
    assert told_beyond(before, spares=await club.get(spares, ada)) == []
    assert "Cleo" not in str(await club.get(f"{offer}/display", ada))
    await club.shows(cleo, offer, display=True)
    seen = await club.get(f"{offer}/display", ada)
    mine = [exhibit for exhibit in seen["exhibits"] if exhibit["owner"] == "Cleo Reed"]
    assert [exhibit["place"] for exhibit in mine] == ["1887"]
    assert told_beyond(before, exhibits=mine) == []
    # Asked again it says the same, whatever is consented to.
    assert await club.get(f"{offer}/consent/preview", cleo) == before
    # The controls: each thing that was not said is seen.
    assert told_beyond(before, exhibits=[{**mine[0], "facts": {**mine[0]["facts"], "note": "secret"}}]) == [
        "facts note"
    ]
    assert told_beyond(before, exhibits=[{**mine[0], "coin": "0" * 32}]) == ["a coin in the display"]
    assert told_beyond(before, standing={"places": [{"place": "1892", "label": "x", "status": "filled"}]}) == [
        "the place 1892 is filled"
    ]
    assert told_beyond(before, spares={"items": [{"id": "0" * 32, "pieces": 1, "places": []}]}) == ["a spare coin"]


async def test_a_preview_says_what_the_sides_of_a_swap_are_told(service: Running) -> None:
    club = await founded(service)
    one, other, offer = await club.newcomer(), await club.newcomer(), await club.offered()
    # Before anything is shared.
    for grade in (10, 20):
        await coin(service, one, denomination="crown", grade=grade)
    before = await club.get(f"{offer}/consent/preview", one)
    for grade in (45, 60):
        await coin(service, other, denomination="crown", grade=grade)
    for who in (one, other):
        await club.shows(who, offer, spares=True)
    (swap,) = (await club.get(f"{offer}/swaps", other))["items"]
    (leg,) = [leg for leg in swap["legs"] if leg["giver"]["member_id"] == club.id_of(one)]
    told = {spare["id"]: spare["told_in_swaps"] for spare in before["spares"]}
    assert leg["coin"] == told[leg["spare"]]
    assert "holding" not in leg


async def test_a_preview_is_the_members_own(service: Running) -> None:
    club, offer, ada, ben, _ = await two_lenders(service)
    mine, theirs = [await club.get(f"{offer}/consent/preview", who) for who in (ada, ben)]
    assert {coin["coin"] for coin in mine["display"]}.isdisjoint(coin["coin"] for coin in theirs["display"])
    # Whatever others do.
    await club.shows(ben, offer)
    assert await club.get(f"{offer}/consent/preview", ada) == mine
    await club.get(f"{offer}/consent/preview", service.collector(), 404)


async def test_changes_between_what_the_club_offers_are_told_to_members(service: Running) -> None:
    club = await founded(service)
    member, offer = await club.newcomer(), await club.offered(SET)
    assert (await club.get(f"{offer}/changes", member))["changes"] == []
    later: dict[str, Any] = {
        **SET,
        "slots": [*SET["slots"], {**SET["slots"][0], "id": "1893", "label": "Another crown"}],
    }
    newer = await published(service, club.steward, later)
    sent = await service.client.post(
        f"{club.address}{offer}/revisions", json={"definition_id": newer}, headers=club.steward
    )
    assert sent.status_code == 201
    found = await club.get(f"{offer}/changes", member)
    assert (found["from"]["revision"], found["to"]["revision"]) == (1, 2)
    assert any("Another crown" in change["words"] for change in found["changes"])
    back = await club.get(f"{offer}/changes?from=2&to=1", member)
    assert len(back["changes"]) == len(found["changes"])
    await club.get(f"{offer}/changes?to=3", member, 404)
    where = f"{club.address}{offer}/changes"
    tag = (await service.client.get(where, headers=member)).headers["etag"]
    assert (await service.client.get(where, headers={**member, "If-None-Match": tag})).status_code == 304
    await club.get(f"{offer}/changes", service.collector(), 404)
    # What the document of the examples says has nothing to do with it.
    assert DOCUMENT["title"] not in str(found)
