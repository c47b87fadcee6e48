"""From the answers that a member can get nothing can be inferred about the coins of a member who did not opt in: every answer is
the same, byte for byte, with and without those coins and whatever else that member does (headers included).

Nothing is masked. The clock stands still, since a page of tokens would tell when they were last used.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pytest

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.clubs.model import Consent
from service.clubs.store.members import ClubStore
from service.clubs.store.offers import ShownDefinition, ShownStore
from service.clubs.swaps.store import SwapStore
from service.database.warm import Warm
from service.holdings.store import HoldingStore
from service.http import openapi
from service.http.api import standings
from tests.conftest import Running
from tests.http.clubhouse import Clubhouse, Headers, coin, founded, published
from tests.http.examples import DOCUMENT
from tests.http.requests import own_headers
from tests.openapi import openapi_document

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
CROWNS: list[dict[str, Any]] = [{"denomination": "crown", "grade": grade} for grade in (10, 20, 45, 60)]
# Only the hidden member has one, so it changes whatever may be made of all coins.
FLORIN: dict[str, Any] = {"denomination": "florin"}
FLORIN_TOO = {"id": "florin", "label": "Florin", "accepts": "denomination = 'florin'"}
SET = {**DOCUMENT, "slots": [*DOCUMENT["slots"], FLORIN_TOO]}
# It goes on for a quarter of an hour, and tells of one's own holdings alone.
STREAMS = {"watch_holdings"}
Answers = dict[tuple[str, str], tuple[int, dict[str, str], bytes]]


@dataclass
class Scene:
    """A club with a steward, a member who looks, one who shows something, and one who does not."""

    club: Clubhouse
    viewer: Headers
    shown: Headers
    hidden: Headers
    offer: str
    addresses: list[str]

    async def seen(self) -> Answers:
        """Every answer to every GET, by who asks (a member, a steward) and the address."""
        found: Answers = {}
        for who, headers in (("member", self.viewer), ("steward", self.club.steward)):
            for address in self.addresses:
                # What lies outside of the club is each one's own.
                if who == "steward" and not address.startswith(self.club.address):
                    continue
                answer = await self.club.service.client.get(address, headers=headers)
                found[who, address] = (answer.status_code, own_headers(answer), answer.content)
        return found


Doing = Callable[[Scene], Awaitable[None]]


async def a_scene(service: Running) -> Scene:
    service.app.state.clock = lambda: NOW
    club = await founded(service)
    viewer, shown, hidden = await club.newcomer(), await club.newcomer(), await club.newcomer()
    offer = await club.offered(SET)
    for facts in CROWNS:
        await coin(service, shown, **facts)
    await club.shows(shown, offer, standing=True, spares=True, display=True)
    own = await published(service, viewer)
    addresses = addresses_of(club, offer, own, [club.id_of(shown), club.id_of(hidden)])
    return Scene(club, viewer, shown, hidden, offer, addresses)


def addresses_of(club: Clubhouse, offer: str, own: str, members: Sequence[str]) -> list[str]:
    """The address of every GET that needs a token, from the OpenAPI document: in a club with its steps, outside of it as far as
    the address needs no step, or that of a definition of the one who looks."""
    found: list[str] = []
    for path, methods in openapi_document()["paths"].items():
        declared = methods.get("get", {})
        if declared.get("x-access") not in openapi.NEEDS_TOKEN or declared["operationId"] in STREAMS:
            continue
        address = path.replace("/v1/clubs/{club_id}/definitions/{id}", club.address + offer)
        address = address.replace("/v1/clubs/{club_id}", club.address).replace(
            "/v1/definitions/{id}", f"/v1/definitions/{own}"
        )
        if "{member_id}" in address:
            found += [address.replace("{member_id}", member) for member in members]
        elif "{" not in address:
            found.append(address)
        if declared["operationId"] == "list_spares":
            found += [f"{address}?place=worn", f"{address}?limit=1"]
        if declared["operationId"] == "get_club_display":
            found.append(f"{address}?format=html")
        if declared["operationId"] in ("list_standings", "list_members"):
            found.append(f"{address}?limit=1")
    return found


async def adds_coins(scene: Scene) -> None:
    for facts in [*CROWNS, FLORIN]:
        await coin(scene.club.service, scene.hidden, **facts)


async def takes_a_copy_and_pins(scene: Scene) -> None:
    client, held = scene.club.service.client, None
    taken = await client.post(f"{scene.club.address}{scene.offer}/copies", json={}, headers=scene.hidden)
    assert taken.status_code == 201
    held = (await client.get("/v1/holdings", headers=scene.hidden)).json()["items"][0]["id"]
    body = {"pins": [{"holding": held, "place": "worn"}], "nevers": []}
    headers = {**scene.hidden, "If-Match": "*"}
    assert (await client.put(f"{taken.headers['location']}/pins", json=body, headers=headers)).status_code == 200
    for what in ("evaluation", "want-list"):
        answer = await client.get(f"{taken.headers['location']}/{what}", headers=scene.hidden)
        assert answer.status_code == 200
    assert (await client.post(f"{taken.headers['location']}/history", json={}, headers=scene.hidden)).status_code < 300


async def looks_around(scene: Scene) -> None:
    for address in scene.addresses:
        if address.startswith(scene.club.address):
            await scene.club.service.client.get(address, headers=scene.hidden)
    await scene.club.get(f"{scene.offer}/consent", scene.hidden)


async def has_issues_of_its_own(scene: Scene) -> None:
    body = {
        "id": "ambria-crown-1",
        "label": "A crown",
        "facts": {"denomination": "crown"},
        "source": "own",
        "edition": "1",
    }
    answer = await scene.club.service.client.post("/v1/issues", json=body, headers=scene.hidden)
    assert answer.status_code == 201


async def says_no_again(scene: Scene) -> None:
    await scene.club.shows(scene.hidden, scene.offer)


async def parts_with_a_coin(scene: Scene) -> None:
    client = scene.club.service.client
    held = (await client.get("/v1/holdings", headers=scene.hidden)).json()["items"][-1]["id"]
    headers = {**scene.hidden, "If-Match": "*"}
    assert (await client.delete(f"/v1/holdings/{held}", headers=headers)).status_code == 204


DOINGS: list[Doing] = [
    adds_coins,
    takes_a_copy_and_pins,
    looks_around,
    has_issues_of_its_own,
    says_no_again,
    parts_with_a_coin,
]


def different(before: Answers, after: Answers) -> list[str]:
    assert before.keys() == after.keys()
    return [address for (who, address), answer in after.items() if before[who, address] != answer]


async def leaks(scene: Scene, doings: Sequence[Doing] = DOINGS) -> list[str]:
    """The addresses whose answers differ after anything that the hidden member does."""
    before = await scene.seen()
    found = []
    for do in doings:
        await do(scene)
        found += different(before, await scene.seen())
    return found


async def test_nothing_tells_of_the_coins_and_doings_of_a_member_who_did_not_opt_in(service: Running) -> None:
    scene = await a_scene(service)
    assert len([address for address in scene.addresses if address.startswith(scene.club.address)]) >= 19
    seen = await scene.seen()
    display = seen["member", f"{scene.club.address}{scene.offer}/display"]
    assert (display[0], display[2].count(b'"coin"')) == (200, 4), "two coins, each as an exhibit and as a loan"
    told = seen["member", f"{scene.club.address}{scene.offer}/standings"]
    assert told[0] == 200
    assert b'"filled":2' in told[2], "what is shown is seen"
    assert await leaks(scene) == []


async def test_a_list_that_asks_nobody_is_seen(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    # A control: everybody counts as having opted in.
    scene, yes = await a_scene(service), Consent(True, True, True)

    def everybody(
        store: Any, what: str, after: str | None, limit: int | None, *, whole: bool = False
    ) -> tuple[ShownDefinition, ...]:
        seats = ClubStore(store._connection).seats(store._club, after, limit or 100)
        return tuple(ShownDefinition(seat.id, seat.name, seat.owner, yes, None, None) for seat in seats)

    monkeypatch.setattr(ShownStore, "page", everybody)
    monkeypatch.setattr(ShownStore, "still", lambda store, what, owners: set(owners))
    assert {address.rsplit("/", 1)[1] for address in await leaks(scene, [adds_coins])} >= {
        "standings",
        "spares",
        "display",
        "display?format=html",
    }


async def test_a_tag_that_counts_everybody_is_seen(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    # A control: the entity tag follows from all that is kept here, as a version of the whole would.
    scene, real = await a_scene(service), standings._content_tag
    hidden = Owner((await service.client.get("/v1/account", headers=scene.hidden)).json()["id"])

    def careless(*values: Any) -> str:
        return real(*values, str(service.app.state.database.read(lambda c: AccountStore(c).state(hidden))))

    monkeypatch.setattr(standings, "_content_tag", careless)
    assert await leaks(scene, [adds_coins]) != []


async def test_whoever_shows_nothing_looks_like_nobody(service: Running) -> None:
    scene = await a_scene(service)
    await adds_coins(scene)
    hidden, nobody = scene.club.id_of(scene.hidden), "01939f6e-0000-7000-8000-00000000000c"
    for what in ("standings", "spares"):
        where = f"{scene.club.address}{scene.offer}/{what}"
        there = await service.client.get(f"{where}/{hidden}", headers=scene.viewer)
        absent = await service.client.get(f"{where}/{nobody}", headers=scene.viewer)
        assert there.status_code == absent.status_code == 404
        assert there.text.replace(hidden, nobody) == absent.text
        assert own_headers(there) == own_headers(absent)


async def test_nobodys_coins_are_read_but_those_that_are_shown(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene, read = await a_scene(service), set[str]()
    await adds_coins(scene)
    shown, viewer = [
        (await service.client.get("/v1/account", headers=who)).json()["id"] for who in (scene.shown, scene.viewer)
    ]
    every, kept = HoldingStore.all, Warm.value

    def noted(store: Any) -> Any:
        read.add(store._owner.id)
        return every(store)

    def noted_when_kept(warm: Any, owner: str, *others: Any) -> Any:
        read.add(owner)
        return kept(warm, owner, *others)

    # Coins are read by row, or as the columns that are kept of them.
    monkeypatch.setattr(HoldingStore, "all", noted)
    monkeypatch.setattr(Warm, "value", noted_when_kept)
    for address in scene.addresses:
        if address.startswith(scene.club.address):
            await service.client.get(address, headers=scene.viewer)
    # Their own are read where they ask what they would show themselves.
    assert read == {shown, viewer}


@pytest.mark.parametrize("shows", [{"standing"}, {"spares"}, {"display"}, {"standing", "spares", "display"}])
async def test_who_opts_in_and_out_again_was_never_seen(service: Running, shows: set[str]) -> None:
    scene = await a_scene(service)
    await adds_coins(scene)
    before = await scene.seen()
    await scene.club.shows(scene.hidden, scene.offer, **dict.fromkeys(shows, True))
    changed = different(before, await scene.seen())
    for what, consent in {"standings": "standing", "spares": "spares", "display": "display"}.items():
        where = f"{scene.club.address}{scene.offer}/{what}"
        assert (where in changed) is (consent in shows)
        if what != "display":
            assert (f"{where}/{scene.club.id_of(scene.hidden)}" in changed) is (consent in shows)
    assert all(re.search("/(standings|spares|display)", address) for address in changed)
    await scene.club.shows(scene.hidden, scene.offer)
    assert different(before, await scene.seen()) == []


async def test_a_consent_for_one_definition_tells_nothing_of_another(service: Running) -> None:
    scene = await a_scene(service)
    other = await scene.club.offered({**SET, "title": "Two crowns, again"})
    await scene.club.shows(scene.hidden, other, standing=True, spares=True)
    assert await leaks(scene, [adds_coins, takes_a_copy_and_pins]) == []


async def test_what_is_shown_of_the_standing_alone_tells_nothing_of_spares(service: Running) -> None:
    scene = await a_scene(service)
    await scene.club.shows(scene.shown, scene.offer, standing=True)
    before = await scene.seen()
    # One spare coin more changes no place, and no entity tag either.
    await coin(service, scene.shown, denomination="crown", grade=5)
    changed = different(before, await scene.seen())
    assert changed == []


async def adds_sharp_crowns(scene: Scene) -> None:
    """What the one who looks lacks, so that they could swap."""
    for grade in (45, 60):
        await coin(scene.club.service, scene.hidden, denomination="crown", grade=grade)


async def a_scene_of_swaps(service: Running) -> Scene:
    """The one who looks shares spares as well, and has a swap with a fifth member."""
    scene = await a_scene(service)
    other = await scene.club.newcomer()
    await scene.club.swappers(scene.viewer, other, scene.offer)
    where = f"{scene.club.address}{scene.offer}/swaps"
    seen = (await scene.seen())["member", where]
    assert (seen[0], seen[2].count(b'"key"')) == (200, 1)
    return scene


async def test_swaps_tell_nothing_of_a_member_who_did_not_opt_in(service: Running) -> None:
    scene = await a_scene_of_swaps(service)
    assert await leaks(scene, [adds_sharp_crowns, *DOINGS]) == []


async def test_a_search_that_asks_everybody_is_seen(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    # A control: everybody counts as sharing.
    scene, yes = await a_scene_of_swaps(service), Consent(True, True)

    def everybody(store: Any, what: str, owners: Any = None) -> tuple[ShownDefinition, ...]:
        seats = ClubStore(store._connection).seats(store._club, None, 100)
        return tuple(ShownDefinition(seat.id, seat.name, seat.owner, yes, None, None) for seat in seats)

    monkeypatch.setattr(ShownStore, "whole", everybody)
    monkeypatch.setattr(ShownStore, "still", lambda store, what, owners: set(owners))
    assert f"{scene.club.address}{scene.offer}/swaps" in await leaks(scene, [adds_sharp_crowns])


async def swapping(scene: Scene) -> list[str]:
    """The addresses whose answers differ once two others propose a swap to each other, and once they accept it."""
    one, other = await scene.club.newcomer(), await scene.club.newcomer()
    await scene.club.shows(scene.viewer, scene.offer, spares=True)
    body = await scene.club.swappers(one, other, scene.offer)
    before = await scene.seen()
    client = scene.club.service.client
    made = await client.post(f"{scene.club.address}/swaps", json=body, headers=one)
    assert made.status_code == 201
    found, where = different(before, await scene.seen()), made.headers["location"]
    done = await client.put(f"{where}/answer", json={"accepts": True}, headers={**other, "If-Match": "*"})
    assert done.json()["state"] == "accepted"
    nowhere = f"{where[:-12]}{'0' * 12}"
    for who in (scene.viewer, scene.club.steward):
        there, absent = await client.get(where, headers=who), await client.get(nowhere, headers=who)
        assert there.status_code == 404
        assert there.text.replace(where[-36:], nowhere[-36:]) == absent.text
    return [*found, *different(before, await scene.seen())]


async def test_what_two_others_propose_and_accept_is_not_seen(service: Running) -> None:
    assert await swapping(await a_scene(service)) == []


async def test_a_list_of_everybodys_swaps_is_seen(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    # The control of the test above.
    scene = await a_scene(service)

    def everybodys(store: Any, club: str, owner: Any, after: str | None, limit: int) -> Any:
        owners = [seat.owner.id for seat in ClubStore(store._connection).seats(club, None, 100)]
        return store.of(owners)

    monkeypatch.setattr(SwapStore, "page", everybodys)
    assert f"{scene.club.address}/swaps" in await swapping(scene)
