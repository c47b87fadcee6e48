"""Swaps over HTTP: found, proposed, answered; what is no longer so; and that nothing is ever moved."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, select

from service.account_data.deletion import delete_account
from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.clubs.actions import members
from service.clubs.model import MEMBER
from service.clubs.store.members import ClubStore
from service.clubs.swaps.actions import collections, proposals, search
from service.clubs.swaps.guard import SetGuard
from service.clubs.swaps.proposal import (
    ACCOUNT_DELETED,
    COIN_GONE,
    CONSENT_REVOKED,
    LASTING,
    OFFER_WITHDRAWN,
    SET_CHANGED,
)
from service.clubs.swaps.reevaluation import Reevaluation
from service.clubs.swaps.tables import swap_answer, swap_proposal
from tests.conftest import Running
from tests.http.clubhouse import Clubhouse, Headers, coin, founded, published

pytestmark = pytest.mark.anyio


@pytest.fixture(autouse=True)
def nothing_kept() -> None:
    search.KEPT.clear()


NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def years(*wanted: int, **more: Any) -> dict[str, Any]:
    """A set with a place for each year."""
    slots = [{"id": f"y{year}", "label": f"Year {year}", "accepts": f"year_on_coin = {year}"} for year in wanted]
    return {"format": "set-definition/1", "title": "Years", "language": "en", "slots": slots, **more}


YEARS = years(1901, 1902, 1903)


@dataclass
class Table:
    """A club whose members share their spares of one set."""

    club: Clubhouse
    offer: str
    coins: dict[str, list[str]] = field(default_factory=dict)

    async def member(self, *dated: int, spares: bool = True, **facts: Any) -> Headers:
        """A member with a coin of each of these years."""
        who = await self.club.newcomer()
        made = [await coin(self.club.service, who, year_on_coin=year, **facts) for year in dated]
        self.coins[who["Authorization"]] = made
        if spares:
            await self.club.shows(who, self.offer, spares=True)
        return who

    async def found(self, who: Headers) -> Any:
        return await self.club.get(f"{self.offer}/swaps", who)

    async def items(self, who: Headers) -> list[Any]:
        items: list[Any] = (await self.found(who))["items"]
        return items

    async def propose(self, who: Headers, status: int = 201, key: str | None = None, **headers: str) -> Any:
        key = key or (await self.items(who))[0]["key"]
        body = {"definition_id": self.offer.rsplit("/", 1)[1], "swap": key}
        sent = {**who, **headers}
        answer = await self.club.service.client.post(f"{self.club.address}/swaps", json=body, headers=sent)
        assert answer.status_code == status, answer.text
        return answer

    async def answers(self, made: Any, who: Headers, accepts: bool, status: int = 200, tag: str = "*") -> Any:
        answer = await self.club.service.client.put(
            f"{made.headers['location']}/answer", json={"accepts": accepts}, headers={**who, "If-Match": tag}
        )
        assert answer.status_code == status, answer.text
        return answer.json()

    async def get(self, made: Any, who: Headers, status: int = 200) -> Any:
        answer = await self.club.service.client.get(made.headers["location"], headers=who)
        assert answer.status_code == status, answer.text
        return answer.json()

    async def held(self, *members: Headers) -> list[Any]:
        client = self.club.service.client
        return [(await client.get("/v1/holdings", headers=who)).json() for who in members]


async def a_table(service: Running, document: dict[str, Any] = YEARS) -> Table:
    service.app.state.clock = lambda: NOW
    club = await founded(service)
    return Table(club, await club.offered(document))


async def a_pair(service: Running) -> tuple[Table, Headers, Headers]:
    """Ada lacks 1902, which Ben has twice; Ben lacks 1901, which Ada has twice."""
    table = await a_table(service)
    return table, await table.member(1901, 1901), await table.member(1902, 1902)


def legs_of(swap: Any) -> set[tuple[str, str, str]]:
    return {(leg["giver"]["member_id"], leg["receiver"]["member_id"], leg["place"]) for leg in swap["legs"]}


def states(made: Any) -> tuple[str, str | None]:
    return made["state"], made["reason"]


async def test_a_pair_from_the_search_to_the_last_yes(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    before, (a, b) = await table.held(ada, ben), map(table.club.id_of, (ada, ben))
    found = await table.found(ada)
    assert (found["sharing"], found["proven"], found["next"]) == (True, True, None)
    assert [legs_of(swap) for swap in found["items"]] == [{(a, b, "y1901"), (b, a, "y1902")}]
    (mine,) = (leg for leg in found["items"][0]["legs"] if leg["giver"]["member_id"] == a)
    (theirs,) = (leg for leg in found["items"][0]["legs"] if leg["giver"]["member_id"] == b)
    assert mine["holding"] in table.coins[ada["Authorization"]]
    assert theirs.keys() == {"giver", "receiver", "spare", "coin", "place", "place_label"}
    assert theirs["coin"] == {"label": "1902 coin", "issue": None, "grade": None}
    spares = await table.club.get(f"{table.offer}/spares/{b}", ada)
    assert theirs["spare"] in {spare["id"] for spare in spares["items"]}
    assert [swap["key"] for swap in await table.items(ben)] == [found["items"][0]["key"]]

    made = await table.propose(ada)
    seen = await table.get(made, ben)
    assert {(side["member"]["member_id"], side["accepted"], side["is_you"]) for side in seen["sides"]} == {
        (a, True, False),
        (b, None, True),
    }
    for nobody in (table.club.steward, await table.member(1903)):
        await table.get(made, nobody, 404)
        await table.answers(made, nobody, True, 404)
    after = await table.answers(made, ben, True)
    assert states(after) == ("accepted", None)
    assert await table.held(ada, ben) == before, "nothing is moved"
    assert [(await table.items(who)) for who in (ada, ben)] == [[], []], "what is promised is not offered"
    listed = await table.club.get("/swaps", ada)
    assert [(swap["id"], swap["state"]) for swap in listed["items"]] == [(made.json()["id"], "accepted")]
    assert (await table.club.get("/swaps", table.club.steward))["items"] == []


async def test_what_is_promised_comes_back_when_the_time_is_over(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    await table.answers(await table.propose(ada), ben, True)
    assert await table.items(ada) == []
    service.app.state.clock = lambda: NOW + timedelta(days=61)
    assert len(await table.items(ada)) == 1


async def test_three_that_no_two_of_could_swap(service: Running) -> None:
    table = await a_table(service)
    ring = [await table.member(1901, 1901, 1902), await table.member(1902, 1902, 1903)]
    ring.append(await table.member(1903, 1903, 1901))
    a, b, c = map(table.club.id_of, ring)
    for who in ring:
        assert [legs_of(swap) for swap in await table.items(who)] == [ring_of(a, b, c)]
    made = await table.propose(ring[2])
    assert states(await table.answers(made, ring[0], True)) == ("proposed", None)
    assert states(await table.answers(made, ring[1], True)) == ("accepted", None)


def ring_of(a: str, b: str, c: str) -> set[tuple[str, str, str]]:
    """Ada has 1901 twice and lacks 1903, Ben 1902 and 1901, Cem 1903 and 1902."""
    return {(a, b, "y1901"), (b, c, "y1902"), (c, a, "y1903")}


async def test_one_no_ends_it_and_it_may_be_proposed_again(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    made = await table.propose(ada)
    await table.propose(ben, 409)
    over = await table.answers(made, ben, False)
    assert states(over) == ("declined", None)
    assert [side["accepted"] for side in over["sides"] if side["is_you"]] == [None]
    await table.answers(made, ben, True, 409)
    assert (await table.propose(ben)).json()["id"] != made.json()["id"]


async def test_time_ends_it(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    made = await table.propose(ada)
    tag = made.headers["etag"]
    service.app.state.clock = lambda: NOW + LASTING
    assert states(await table.get(made, ben)) == ("expired", None)
    client, headers = service.client, {**ada, "If-None-Match": tag}
    assert (await client.get(made.headers["location"], headers=headers)).status_code == 200
    await table.answers(made, ben, True, 409)


async def test_a_change_unseen_is_refused(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    made = await table.propose(ada)
    where, client = made.headers["location"], service.client
    seen = await client.get(where, headers=ben)
    assert (await client.get(where, headers={**ben, "If-None-Match": seen.headers["etag"]})).status_code == 304
    bare = await client.put(f"{where}/answer", json={"accepts": True}, headers=ben)
    assert bare.status_code == 428
    await table.answers(made, ada, False)
    await table.answers(made, ben, True, 412, seen.headers["etag"])


async def test_a_coin_that_is_gone_meanwhile(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    swap = (await table.items(ben))[0]
    made = await table.propose(ada)
    (gone,) = (leg["holding"] for leg in swap["legs"] if "holding" in leg)
    answer = await service.client.delete(f"/v1/holdings/{gone}", headers={**ben, "If-Match": "*"})
    assert answer.status_code == 204
    assert states(await table.answers(made, ben, True)) == ("overtaken", COIN_GONE)
    await table.propose(ada, 409, swap["key"])


async def test_a_place_that_is_filled_meanwhile(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    made = await table.propose(ada)
    await coin(service, ben, year_on_coin=1901)
    assert states(await table.answers(made, ben, True)) == ("overtaken", SET_CHANGED)


async def test_who_shares_no_longer_is_gone_with_the_next_request(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    made = await table.propose(ada)
    assert len(await table.items(ada)) == 1
    await table.club.shows(ben, table.offer, standing=True)
    assert states(await table.get(made, ada)) == ("overtaken", CONSENT_REVOKED)
    assert (await table.found(ada))["items"] == []
    theirs = await table.found(ben)
    assert (theirs["items"], theirs["sharing"]) == ([], False)
    await table.club.shows(ben, table.offer, spares=True)
    assert states(await table.get(made, ada)) == ("overtaken", CONSENT_REVOKED), "what is over stays over"
    assert len(await table.items(ada)) == 1


async def test_who_leaves_or_is_removed_takes_proposals_along(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    made = await table.propose(ada)
    assert (await service.client.delete(f"{table.club.address}/membership", headers=ben)).status_code == 204
    await table.get(made, ada, 404)
    cem = await table.member(1902, 1902)
    made = await table.propose(cem)
    where = f"{table.club.address}/members/{table.club.id_of(cem)}"
    assert (await service.client.delete(where, headers=table.club.steward)).status_code == 204
    await table.get(made, ada, 404)
    assert (await table.club.get("/swaps", ada))["items"] == []


async def test_a_club_that_ends_takes_proposals_along(service: Running, taken: list[Lock]) -> None:
    table, ada, ben = await a_pair(service)
    made = await table.propose(ada)
    database, client, club = service.app.state.database, service.client, table.club.address
    owner = Owner((await client.get("/v1/account", headers=ben)).json()["id"])
    state = service.app.state
    delete_account(database, state.blobs, state.job_files, owner, NOW)
    assert states(await table.get(made, ada)) == ("overtaken", ACCOUNT_DELETED)
    patch = {**table.club.steward, "If-Match": "*", "Content-Type": "application/merge-patch+json"}
    promoted = await client.patch(
        f"{club}/members/{table.club.id_of(ada)}", content=b'{"role": "steward"}', headers=patch
    )
    assert promoted.status_code == 200, promoted.text
    assert (await client.delete(f"{club}/membership", headers=table.club.steward)).status_code == 204
    assert (await client.delete(club, headers={**ada, "If-Match": "*"})).status_code == 204
    for kept in (swap_proposal, swap_answer):
        left = select(kept).where(kept.c.club_id == club.rsplit("/", 1)[1])
        assert database.read(lambda c, left=left: c.execute(left).all()) == []
    assert breaches(taken) == []


async def test_an_offer_withdrawn_ends_what_is_open_and_leaves_what_is_accepted(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    accepted = await table.propose(ada)
    await table.answers(accepted, ben, True)
    cem, dot = await table.member(1903, 1903), await table.member(1901, 1901)
    still_open = await table.propose(cem)
    where, headers = table.club.address + table.offer, {**table.club.steward, "If-Match": "*"}
    assert (await service.client.delete(where, headers=headers)).status_code == 204
    assert states(await table.get(still_open, dot)) == ("overtaken", OFFER_WITHDRAWN)
    assert states(await table.get(accepted, ada)) == ("accepted", None)
    await table.propose(cem, 404, "any")


async def test_a_coin_that_sits_in_another_set_is_not_given_away(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, ada, _ = await a_pair(service)
    # Both coins of 1901 sit in a set of her own.
    slots = [{"id": name, "accepts": "year_on_coin = 1901"} for name in ("one", "two")]
    await published(service, ada, {**years(), "title": "Two of a year", "slots": slots})
    assert await table.items(ada) == []
    # The control: a check that looks at the club's set alone.
    with monkeypatch.context() as patched:
        search.KEPT.clear()
        patched.setattr(SetGuard, "_others_hold", lambda *_: True)
        assert len(await table.items(ada)) == 1
    await coin(service, ada, year_on_coin=1901)
    assert len(await table.items(ada)) == 1, "a third one is to spare"


async def test_a_search_is_kept_until_something_of_it_changes(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, ada, ben = await a_pair(service)
    searched, real = [], search.find_swaps

    def noted(*asked: Any, **more: Any) -> Any:
        searched.append(asked)
        return real(*asked, **more)

    monkeypatch.setattr(search, "find_swaps", noted)
    for who in (ada, ben, ada):
        assert len(await table.items(who)) == 1
    assert len(searched) == 1
    own = await published(service, ada, years(1901))
    assert len(await table.items(ben)) == 1
    assert len(searched) == 2, "another set of a side"
    draft = {"document": {**years(1901), "title": "Again"}}
    where, headers = f"/v1/definitions/{own}", {**ada, "If-Match": "*"}
    assert (await service.client.put(where, json=draft, headers=headers)).status_code == 200
    assert len(await table.items(ben)) == 1
    assert len(searched) == 2, "a draft is no set yet"
    pins = {"pins": [], "nevers": [{"holding": table.coins[ada["Authorization"]][1], "place": "y1901"}]}
    assert (await service.client.put(f"{where}/pins", json=pins, headers=headers)).status_code == 200
    await table.items(ben)
    assert len(searched) == 3, "a decision about it"
    await coin(service, ben, year_on_coin=1903)
    await table.items(ada)
    assert len(searched) == 4, "a coin"
    made = await table.propose(ben)
    assert len(searched) == 4, "what was searched just before"
    await table.answers(made, ada, True)
    await table.items(ada)
    assert len(searched) == 5, "a promise"
    await table.member(1902)
    await table.items(ada)
    assert len(searched) == 6, "a member"


async def test_the_copy_of_the_set_itself_and_a_draft_are_in_nobodys_way(service: Running) -> None:
    table, ada, _ = await a_pair(service)
    taken = await service.client.post(f"{table.club.address}{table.offer}/copies", json={}, headers=ada)
    assert taken.status_code == 201
    slots = [{"id": name, "accepts": "year_on_coin = 1901"} for name in ("one", "two")]
    draft = {**years(), "title": "Two of a year", "slots": slots}
    assert (await service.client.post("/v1/definitions", json={"document": draft}, headers=ada)).status_code == 201
    assert len(await table.items(ada)) == 1


async def test_what_is_promised_counts_as_gone(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    table, ada, ben = await a_pair(service)
    made = await table.propose(ada)
    (leg,) = (leg for leg in made.json()["legs"] if "holding" in leg)
    await table.answers(made, ben, True)
    # The promised coin is pinned, so that it is the other one that sits nowhere now; Cem would take it.
    taken = await service.client.post(f"{table.club.address}{table.offer}/copies", json={}, headers=ada)
    pins = {"pins": [{"holding": leg["holding"], "place": "y1901"}], "nevers": []}
    headers = {**ada, "If-Match": "*"}
    where = f"{taken.headers['location']}/pins"
    assert (await service.client.put(where, json=pins, headers=headers)).status_code == 200
    cem = await table.member(1903, 1903)
    for who in (ada, cem):
        assert await table.items(who) == []
    # The control: a search that thinks the promised coin stays.
    search.KEPT.clear()
    monkeypatch.setattr(collections.Collections, "_without_promised", lambda _, owner, request: request)
    assert len(await table.items(cem)) == 1


async def test_a_rule_over_several_places_bars_a_coin_that_would_not_sit(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    rule = {"id": "marks", "kind": "different", "by": ["mintmark"], "places": ["y1901", "y1902"]}
    table = await a_table(service, years(1901, 1902, constraints=[rule]))
    ada = await table.member(1901, 1901, mintmark="D")
    await table.member(1902, 1902, mintmark="D")
    assert await table.items(ada) == []
    with monkeypatch.context() as patched:
        search.KEPT.clear()
        patched.setattr(Reevaluation, "holds", lambda *_: True)
        assert len(await table.items(ada)) == 1
    await table.member(1902, 1902, mintmark="S")
    assert len(await table.items(ada)) == 1


async def test_who_does_not_share_sees_nothing_and_nobody_is_looked_at(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, _, _ = await a_pair(service)
    eve = await table.member(1901, 1901, spares=False)

    def never(*_: Any, **__: Any) -> Any:
        raise AssertionError("somebody was looked at")

    monkeypatch.setattr(search, "find_swaps", never)
    monkeypatch.setattr(search.ShownStore, "whole", never)
    found = await table.found(eve)
    assert (found["items"], found["sharing"], found["proven"]) == ([], False, False)


async def test_nobody_proposes_the_swaps_of_others(service: Running) -> None:
    table, ada, _ = await a_pair(service)
    key = (await table.items(ada))[0]["key"]
    for other in (await table.member(1903), await table.member(spares=False), table.club.steward):
        await table.propose(other, 409, key)


async def test_a_proposal_sent_again_happens_once(service: Running) -> None:
    table, ada, _ = await a_pair(service)
    key = (await table.items(ada))[0]["key"]
    first = await table.propose(ada, key=key, **{"Idempotency-Key": "one"})
    again = await table.propose(ada, key=key, **{"Idempotency-Key": "one"})
    assert first.content == again.content
    assert len((await table.club.get("/swaps", ada))["items"]) == 1


async def test_many_standings_are_evaluated_some_at_a_time(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    table, ada, _ = await a_pair(service)
    for _ in range(3):
        await table.member()
    monkeypatch.setattr(search, "MOST_NEW", 2)
    where, told = f"{table.club.address}{table.offer}/swaps", []
    for _ in range(3):
        answer = await service.client.get(where, headers=ada)
        told.append((answer.status_code, answer.headers.get("retry-after"), answer.json().get("detail", "")[:35]))
    assert [status for status, *_ in told] == [503, 503, 200]
    assert told[0][1:] == ("1", "the sets of 2 of 5 members are eval")
    assert told[1][2] == "the sets of 4 of 5 members are eval"
    assert len(answer.json()["items"]) == 1


async def test_whoever_ceases_to_share_during_the_search_is_not_shown(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    table, ada, ben = await a_pair(service)
    real, loop = search.find_swaps, asyncio.get_running_loop()

    def slow(*asked: Any, **more: Any) -> Any:
        asyncio.run_coroutine_threadsafe(table.club.shows(ben, table.offer), loop).result(10)
        return real(*asked, **more)

    await table.items(ben)
    search.KEPT.clear()
    monkeypatch.setattr(search, "find_swaps", slow)
    assert await table.items(ada) == []


async def test_two_that_answer_at_once(service: Running) -> None:
    """On PostgreSQL these are transactions side by side; however they come, one order of locks lets all of them through."""
    for _ in range(4):
        table = await a_table(service)
        ring = [await table.member(1901, 1901, 1902), await table.member(1902, 1902, 1903)]
        ring.append(await table.member(1903, 1903, 1901))
        made = await table.propose(ring[0])
        both = await asyncio.gather(*(table.answers(made, who, True) for who in ring[1:]))
        assert sorted(answer["state"] for answer in both) == ["accepted", "proposed"]
        assert states(await table.get(made, ring[0])) == ("accepted", None)


async def test_a_yes_and_a_thought_better_of_at_once(service: Running) -> None:
    for _ in range(4):
        table, ada, ben = await a_pair(service)
        made = await table.propose(ada)
        where, headers = f"{made.headers['location']}/answer", {**ben, "If-Match": "*"}
        yes = service.client.put(where, json={"accepts": True}, headers=headers)
        done, _ = await asyncio.gather(yes, table.club.shows(ada, table.offer))
        after = states(await table.get(made, ada))
        assert after in [("accepted", None), ("overtaken", CONSENT_REVOKED)]
        # A yes that came last is told so, or comes back overtaken.
        assert (done.status_code, after[0]) in [(200, "accepted"), (200, "overtaken"), (409, "overtaken")]
        assert done.status_code == 409 or states(done.json()) == after


async def test_both_sides_propose_at_once(service: Running) -> None:
    table, ada, ben = await a_pair(service)
    key, client = (await table.items(ada))[0]["key"], service.client
    body = {"definition_id": table.offer.rsplit("/", 1)[1], "swap": key}
    sent = [client.post(f"{table.club.address}/swaps", json=body, headers=who) for who in (ada, ben, ada, ben)]
    assert sorted(answer.status_code for answer in await asyncio.gather(*sent)) == [201, 409, 409, 409]


Lock = tuple[Connection, str, str]


def breaches(taken: list[Lock]) -> list[list[tuple[str, str]]]:
    """Transactions that take an account after the club, or accounts in another order than that of their ids. What is held
    already may be taken again."""
    wrong = []
    for transaction in dict.fromkeys(connection for connection, *_ in taken):
        mine = list(dict.fromkeys((kind, key) for connection, kind, key in taken if connection is transaction))
        if mine != sorted(mine):
            wrong.append(mine)
    return wrong


@pytest.fixture
def taken(monkeypatch: pytest.MonkeyPatch) -> list[Lock]:
    """Every lock that is taken, in order."""
    found: list[Lock] = []
    real_lock, real_get = AccountStore.lock, ClubStore.get

    def lock(store: AccountStore, owner: Owner) -> Any:
        found.append((store._connection, "account", owner.id))
        return real_lock(store, owner)

    def get(store: ClubStore, identity: str, *, hold: bool = False) -> Any:
        if hold:
            found.append((store._connection, "club", identity))
        return real_get(store, identity, hold=hold)

    monkeypatch.setattr(AccountStore, "lock", lock)
    monkeypatch.setattr(ClubStore, "get", get)
    return found


async def test_locks_are_taken_in_one_order(service: Running, taken: list[Lock]) -> None:
    table, ada, ben = await a_pair(service)
    for by, other in ((ben, ada), (ada, ben)):
        made = await table.propose(by)
        await table.answers(made, other, False)
    await table.answers(await table.propose(ben), ada, True)
    cem, dot = await table.member(1903, 1903), await table.member(1901, 1901)
    await table.propose(dot)
    await table.club.shows(cem, table.offer)
    client, steward = service.client, table.club.steward
    where = f"{table.club.address}/members/{table.club.id_of(dot)}"
    assert (await client.delete(where, headers=steward)).status_code == 204
    assert (await client.delete(f"{table.club.address}/membership", headers=ada)).status_code == 204
    headers = {**steward, "If-Match": "*"}
    assert (await client.delete(table.club.address + table.offer, headers=headers)).status_code == 204
    assert len({kind for _, kind, _ in taken}) == 2
    assert any(len({key for c, kind, key in taken if c is one and kind == "account"}) == 2 for one, *_ in taken)
    assert breaches(taken) == []


async def test_a_lock_out_of_order_is_seen(service: Running, taken: list[Lock]) -> None:
    # The control: whoever holds the club asks for an account.
    table, ada, _ = await a_pair(service)
    club = table.club.address.rsplit("/", 1)[1]
    owner = Owner((await service.client.get("/v1/account", headers=ada)).json()["id"])

    def act(connection: Connection) -> None:
        members.admit(connection, club, owner, MEMBER, hold=True)
        proposals.forget(connection, owner, club)

    service.app.state.database.write(act)
    assert breaches(taken) == [[("club", club), ("account", owner.id)]]
