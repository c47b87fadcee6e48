"""A proposed swap: only its sides know of it, what is over stays over, and nothing is moved, whatever is answered."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from threading import Barrier
from time import sleep
from typing import Any

import pytest
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.clubs.actions import members as clubs
from service.clubs.model import MEMBER, Membership
from service.clubs.store.members import ClubStore
from service.clubs.swaps.actions import proposals as actions
from service.clubs.swaps.model import Leg
from service.clubs.swaps.proposal import (
    ACCEPTED,
    COIN_GONE,
    COIN_USED,
    CONSENT_REVOKED,
    DECLINED,
    EXPIRED,
    LASTING,
    OVERTAKEN,
    PLACE_FILLED,
    PROMISED_FOR,
    PROPOSED,
    SET_CHANGED,
    STATES,
    TRANSITIONS,
    Present,
    Proposal,
    coins_promised,
    places_promised,
    proposed,
    what_overtakes,
)
from service.clubs.swaps.store import SwapStore
from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import upgrade
from service.errors import Conflict, Invalid, NotFound, Stale
from service.facts.core_attributes import CORE
from service.holdings import actions as holdings
from service.holdings.store import HoldingStore
from tests.owners import open_account
from tests.strategies import examples

NOW = datetime(2026, 11, 25, tzinfo=UTC)
CLUB, SET = (f"00000000-0000-7000-8000-{number:012}" for number in (1, 2))


def a_leg(giver: str, receiver: str, holding: str = "", place: str = "", pieces: int = 1) -> Leg:
    told = {"label": "a coin", "issue": None, "grade": 40}
    return Leg(giver, holding or f"{giver}-1", receiver, place or f"of-{giver}", "A place", told, pieces)


def a_ring(*owners: str) -> tuple[Leg, ...]:
    return tuple(a_leg(giver, receiver) for giver, receiver in zip(owners, (*owners[1:], owners[0]), strict=True))


def a_proposal(*owners: str, identity: str = "p", legs: tuple[Leg, ...] = ()) -> Proposal:
    return proposed(identity, CLUB, SET, legs or a_ring(*owners), owners[0], NOW)


def all_held(*proposals: Proposal) -> Present:
    sides = frozenset(side for proposal in proposals for side in proposal.sides)
    return Present({coin: 1 for proposal in proposals for coin in proposal.coins}, sides)


def test_the_last_yes_accepts() -> None:
    once = a_proposal("ada", "ben", "cem")
    assert (once.state, once.answers["ada"]) == (PROPOSED, NOW)
    twice = once.accepted_by("ben", NOW)
    assert twice.state == PROPOSED
    assert twice.accepted_by("ben", NOW + timedelta(days=1)) == twice
    assert twice.accepted_by("cem", NOW + timedelta(days=1)).state == ACCEPTED


def test_one_no_is_enough_also_after_a_yes() -> None:
    declined = a_proposal("ada", "ben", "cem").accepted_by("ben", NOW).declined_by("ada", NOW)
    assert (declined.state, declined.decided_at, declined.answers["ada"]) == (DECLINED, NOW, None)


def test_nobody_but_its_sides_knows_of_it() -> None:
    made = a_proposal("ada", "ben")
    for ask in (made.accepted_by, made.declined_by):
        with pytest.raises(NotFound):
            ask("eve", NOW)
    with pytest.raises(NotFound):
        made.ensure_seen_by("eve")
    with pytest.raises(NotFound):
        a_proposal("eve", legs=a_ring("ada", "ben"))


@pytest.mark.parametrize("owners", [("ada",), ("ada", "ben", "ada", "ben"), ("ada", "ben", "cem", "dot", "eve")])
def test_a_swap_goes_round_among_two_to_four(owners: tuple[str, ...]) -> None:
    with pytest.raises(Invalid):
        a_proposal(*owners)
    with pytest.raises(Invalid):
        a_proposal("ada", legs=(a_leg("ada", "ben"), a_leg("cem", "ada")))


def test_in_time_is_before_the_end() -> None:
    made = a_proposal("ada", "ben")
    end = NOW + LASTING
    assert made.as_of(end - timedelta(seconds=1)).state == PROPOSED
    assert made.as_of(end).state == EXPIRED
    with pytest.raises(Conflict):
        made.accepted_by("ben", end)


def test_what_was_decided_in_time_does_not_expire() -> None:
    for decided in (a_proposal("ada", "ben").accepted_by("ben", NOW), a_proposal("ada", "ben").declined_by("ben", NOW)):
        assert decided.as_of(NOW + 2 * LASTING) == decided


def test_what_is_over_stays_over() -> None:
    assert {before for before, _ in TRANSITIONS} == {PROPOSED}
    for state, event in product(STATES, {event for _, event in TRANSITIONS}):
        made = replace(a_proposal("ada", "ben"), state=state)
        if (state, event) in TRANSITIONS:
            assert made._moved(event, NOW).state == TRANSITIONS[state, event]
        else:
            with pytest.raises(Conflict):
                made._moved(event, NOW)
    over = a_proposal("ada", "ben").declined_by("ben", NOW)
    assert over.overtaken(COIN_GONE, NOW) == over


def test_what_overtakes() -> None:
    made = a_proposal("ada", "ben")
    other = a_proposal("ada", "cem", identity="q", legs=(a_leg("ada", "cem"), a_leg("cem", "ada", place="else")))
    third = a_proposal("ada", "dot", identity="r", legs=(a_leg("ada", "dot", "x"), a_leg("dot", "ada", place="of-ben")))
    here = all_held(made)
    assert what_overtakes(made, here, [], NOW) is None
    assert what_overtakes(made, replace(here, consenting=frozenset({"ada"})), [], NOW) == CONSENT_REVOKED
    assert what_overtakes(made, replace(here, pieces={("ada", "ada-1"): 1}), [], NOW) == COIN_GONE
    assert what_overtakes(made, here, [other.accepted_by("cem", NOW)], NOW) == COIN_USED
    assert what_overtakes(made, here, [third.accepted_by("dot", NOW)], NOW) == PLACE_FILLED
    # One that is only proposed takes nothing, nor one that was accepted long ago, nor itself.
    assert what_overtakes(made, here, [other, third], NOW) is None
    assert what_overtakes(made, here, [other.accepted_by("cem", NOW)], NOW + PROMISED_FOR) is None
    assert what_overtakes(made, here, [made.accepted_by("ben", NOW)], NOW) is None


def test_of_two_like_pieces_each_swap_takes_one() -> None:
    def with_pieces(identity: str, partner: str) -> Proposal:
        legs = (a_leg("ada", partner, pieces=2), a_leg(partner, "ada", place=f"from-{partner}"))
        return a_proposal("ada", partner, identity=identity, legs=legs)

    one, two, three = (with_pieces(*names) for names in (("1", "ben"), ("2", "cem"), ("3", "dot")))
    first = one.accepted_by("ben", NOW)
    here = Present({("ada", "ada-1"): 2, ("cem", "cem-1"): 1, ("dot", "dot-1"): 1}, frozenset({"ada", "cem", "dot"}))
    assert what_overtakes(two, here, [first], NOW) is None
    assert what_overtakes(three, here, [first, two.accepted_by("cem", NOW)], NOW) == COIN_USED
    assert coins_promised([first, two], NOW)["ada", "ada-1"] == 1
    assert places_promised([first], NOW) == {("ben", SET, "of-ada"), ("ada", SET, "from-ben")}


# In the database ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def database(database_url: str) -> Any:
    opened = Database(database_url)
    upgrade(opened)
    yield opened
    opened.close()


class Story:
    """Members with a coin or two each, proposals among them, and what ought to be so."""

    def __init__(self, database: Database, members: int, coins: int, quantity: int = 1) -> None:
        self.database, self.now = database, NOW
        self.club = new_id()
        self.shy: set[str] = set()
        self.owners: list[str] = []
        self.coins: dict[tuple[str, int], str] = {}

        def open_all(connection: Connection) -> None:
            for _ in range(members):
                owner, _ = open_account(connection, f"a member {new_id()}")
                self.owners.append(owner.id)
                for number in range(coins):
                    kept = holdings.record(connection, owner, None, {"quantity": quantity}, CORE, NOW)
                    self.coins[owner.id, number] = kept.id

        database.write(open_all)

    def consents(self, owner: str, club: str, definition: str) -> bool:
        return owner not in self.shy

    def legs(self, members: list[int], coins: list[int]) -> tuple[Leg, ...]:
        owners = [self.owners[number] for number in members]
        onwards = [*owners[1:], owners[0]]
        return tuple(
            a_leg(giver, receiver, self.coins[giver, coin], f"place-{at % 2}")
            for at, (giver, receiver, coin) in enumerate(zip(owners, onwards, coins, strict=True))
        )

    def propose(self, members: list[int], coins: list[int]) -> Proposal:
        by, legs = Owner(self.owners[members[0]]), self.legs(members, coins)
        return self.database.write(lambda c: actions.propose(c, by, self.club, SET, legs, self.consents, self.now))

    def answer(self, made: Proposal, owner: str, accepts: bool, **more: Any) -> Proposal:
        return self.database.write(
            lambda c: actions.answer(c, Owner(owner), self.club, made.id, accepts, self.consents, self.now, **more)
        )

    def get(self, made: Proposal, owner: str | None = None) -> Proposal:
        by = Owner(owner or made.sides[0])
        return self.database.read(lambda c: actions.get(c, by, self.club, made.id, self.now))

    def lose(self, owner: str, coin: str) -> None:
        self.database.write(lambda c: holdings.destroy(c, Owner(owner), coin, NOW, expect=lambda _: None))

    def held(self) -> dict[str, list[Any]]:
        def read(connection: Connection) -> dict[str, list[Any]]:
            return {
                owner: [
                    (kept.id, kept.modseq, dict(kept.data)) for kept in HoldingStore(connection, Owner(owner)).all()
                ]
                for owner in self.owners
            }

        return self.database.read(read)


def test_a_swap_is_kept_as_it_was_made(database: Database) -> None:
    story = Story(database, 3, 1)
    made = story.propose([0, 1, 2], [0, 0, 0])
    assert story.get(made, story.owners[2]) == made
    assert made.legs == story.legs([0, 1, 2], [0, 0, 0])
    assert made.answers == {story.owners[0]: NOW, story.owners[1]: None, story.owners[2]: None}
    pages = database.read(lambda c: actions.page(c, Owner(story.owners[1]), story.club, NOW, None, 10))
    assert pages == (made,)
    stranger = Story(database, 1, 0).owners[0]
    assert database.read(lambda c: actions.page(c, Owner(stranger), story.club, NOW, None, 10)) == ()
    for ask in (lambda: story.get(made, stranger), lambda: story.answer(made, stranger, True)):
        with pytest.raises(NotFound):
            ask()


def test_the_same_swap_is_not_proposed_twice(database: Database) -> None:
    story = Story(database, 2, 1)
    made = story.propose([0, 1], [0, 0])
    with pytest.raises(Conflict):
        story.propose([0, 1], [0, 0])
    story.answer(made, story.owners[1], False)
    assert story.propose([0, 1], [0, 0]).id != made.id


def test_an_accepted_swap_overtakes_what_needs_its_coins_in_other_clubs_too(database: Database) -> None:
    story = Story(database, 3, 2)
    one, other = story.propose([0, 1], [0, 0]), story.propose([2, 0], [0, 0])
    free = story.propose([1, 2], [1, 1])
    elsewhere = story.propose([2, 0], [1, 0])
    before = story.held()
    story.club, club = new_id(), story.club
    in_other_club = story.propose([0, 2], [0, 1])
    story.club = club
    assert story.answer(one, story.owners[1], True).state == ACCEPTED
    assert [story.get(p).reason for p in (other, elsewhere)] == [COIN_USED, COIN_USED]
    assert story.get(free).state == PROPOSED
    assert database.read(lambda c: SwapStore(c).get(in_other_club.club_id, in_other_club.id)).reason == COIN_USED
    with pytest.raises(Conflict):
        story.propose([0, 2], [0, 0])
    pieces, places = database.read(lambda c: actions.promised(c, story.owners, SET, NOW))
    assert pieces == {(owner, story.coins[owner, 0]): 1 for owner in story.owners[:2]}
    assert places == {story.owners[0]: {"place-1"}, story.owners[1]: {"place-0"}}
    assert story.held() == before


def test_what_is_between_others_is_not_looked_at(database: Database) -> None:
    story = Story(database, 4, 1)
    theirs, ours = story.propose([2, 3], [0, 0]), story.propose([0, 1], [0, 0])
    # It cannot come about any more, which nobody has looked at yet.
    story.lose(story.owners[2], story.coins[story.owners[2], 0])
    assert story.answer(ours, story.owners[1], True).state == ACCEPTED
    assert database.read(lambda c: SwapStore(c).get(story.club, theirs.id)) == theirs
    known = database.read(lambda c: SwapStore(c).of(story.owners[:1]))
    assert [found.id for found in known] == [ours.id]


def test_a_yes_to_what_cannot_come_about_does_not_count(database: Database) -> None:
    story = Story(database, 2, 3)
    gone, shy, changed = (story.propose([0, 1], [number, number]) for number in range(3))
    story.lose(story.owners[0], story.coins[story.owners[0], 0])
    assert story.answer(gone, story.owners[1], True).reason == COIN_GONE
    assert story.answer(changed, story.owners[1], True, changed=[story.owners[0]]).reason == SET_CHANGED
    story.shy.add(story.owners[0])
    assert story.answer(shy, story.owners[1], True).reason == CONSENT_REVOKED
    assert story.get(gone).answers[story.owners[1]] is None


def test_a_change_unseen_is_stale(database: Database) -> None:
    story = Story(database, 3, 1)
    made = story.propose([0, 1, 2], [0, 0, 0])
    after = story.answer(made, story.owners[1], True)
    assert after.version != made.version

    def expect(now: Proposal) -> None:
        if now.version != made.version:
            raise Stale("it changed")

    with pytest.raises(Stale):
        story.answer(made, story.owners[2], True, expect=expect)


def test_consent_revoked_overtakes_and_leaving_takes_all_along(database: Database) -> None:
    story = Story(database, 2, 2)
    open_one, accepted = story.propose([0, 1], [0, 0]), story.propose([0, 1], [1, 1])
    story.answer(accepted, story.owners[1], False)
    story.shy.add(story.owners[1])
    seen = database.read(lambda c: actions.get(c, Owner(story.owners[0]), story.club, open_one.id, NOW, story.consents))
    assert (seen.state, seen.reason) == (OVERTAKEN, CONSENT_REVOKED)
    assert story.get(open_one).state == PROPOSED, "it is not written down yet"
    pages = database.read(lambda c: actions.page(c, Owner(story.owners[0]), story.club, NOW, None, 9, story.consents))
    assert [found.state for found in pages] == [OVERTAKEN, DECLINED]
    database.write(lambda c: actions.revoke(c, Owner(story.owners[1]), story.club, SET, NOW))
    assert story.get(open_one).reason == CONSENT_REVOKED
    assert story.get(accepted).state == DECLINED
    database.write(lambda c: actions.forget(c, Owner(story.owners[1]), story.club))
    with pytest.raises(NotFound):
        story.get(open_one)


def both_at_once(story: Story) -> list[str]:
    """The states of two swaps that need one coin, after the last yes to each came at the same time."""
    made = [story.propose([0, other], [0, 0]) for other in (1, 2)]
    start = Barrier(2)

    def accept(number: int) -> None:
        start.wait()
        with suppress(Conflict):
            story.answer(made[number], story.owners[number + 1], True)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(accept, (0, 1)))
    return sorted(story.get(proposal).state for proposal in made)


def slowly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaves time for another between looking at what there is and saying yes."""
    real = actions._present

    def present(*asked: Any) -> Present:
        found = real(*asked)
        sleep(0.2)
        return found

    monkeypatch.setattr(actions, "_present", present)


def test_one_coin_is_not_promised_twice_at_the_same_time(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    slowly(monkeypatch)
    assert both_at_once(Story(database, 3, 1)) == [ACCEPTED, OVERTAKEN]


def test_without_holding_the_accounts_it_would_be(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    if database.is_sqlite:
        pytest.skip("SQLite has one writer, so nothing can come in between")
    slowly(monkeypatch)
    # Rivals that are overtaken at once would meet at their rows: without that only the accounts keep them apart.
    monkeypatch.setattr(actions, "_overtake", lambda *of: None)
    assert both_at_once(Story(database, 3, 1)) == [ACCEPTED, OVERTAKEN]
    monkeypatch.setattr(actions, "hold", lambda connection, owners: None)
    assert both_at_once(Story(database, 3, 1)) == [ACCEPTED, ACCEPTED]


def test_whoever_leaves_a_club_takes_his_proposals_along(database: Database) -> None:
    story = Story(database, 3, 1)

    def found(connection: Connection) -> tuple[str, list[Membership]]:
        club, first = clubs.found(connection, Owner(story.owners[0]), "The coin table", None, "One", NOW)
        store = ClubStore(connection)
        others = [
            Membership(club.id, Owner(owner), new_id(), MEMBER, f"Number {n}", NOW)
            for n, owner in enumerate(story.owners[1:], start=2)
        ]
        for seat in others:
            store.seat_in(seat)
        return club.id, [first, *others]

    story.club, seats = database.write(found)
    made = [story.propose([0, 1], [0, 0]), story.propose([0, 2], [0, 0]), story.propose([1, 2], [0, 0])]
    database.write(lambda c: clubs.leave(c, seats[1], NOW))
    database.write(lambda c: clubs.remove(c, seats[0], seats[2].id, NOW))
    for proposal in made:
        with pytest.raises(NotFound):
            story.get(proposal)


class SwapMachine(RuleBasedStateMachine):
    """Any story of proposing, answering, losing coins, thinking better of it, and time going by."""

    database: Database

    @initialize()
    def begin(self) -> None:
        self.story = Story(self.database, 3, 2)
        self.held = self.story.held()
        self.made: list[Proposal] = []
        self.over: dict[str, Proposal] = {}

    @rule(data=st.data(), size=st.sampled_from([2, 2, 3]))
    def propose(self, data: st.DataObject, size: int) -> None:
        members = data.draw(st.permutations([0, 1, 2]))[:size]
        coins = data.draw(st.lists(st.integers(0, 1), min_size=size, max_size=size))
        try:
            self.made.append(self.story.propose(list(members), coins))
        except Conflict:
            return

    @rule(data=st.data(), accepts=st.sampled_from([True, True, True, False]))
    def answer(self, data: st.DataObject, accepts: bool) -> None:
        if self.made:
            still_open = [made for made in self.made if self.story.get(made).state == PROPOSED]
            made = data.draw(st.sampled_from(still_open or self.made))
            asked = [side for side in made.sides if self.story.get(made).answers[side] is None]
            owner = data.draw(st.sampled_from(asked or self.story.owners))
            try:
                self.story.answer(made, owner, accepts)
            except (Conflict, NotFound):
                return

    @rule(data=st.data())
    def lose(self, data: st.DataObject) -> None:
        owner = data.draw(st.sampled_from(self.story.owners))
        if self.held[owner]:
            coin = self.held[owner][0][0]
            self.story.lose(owner, coin)
            self.held[owner] = self.held[owner][1:]

    @rule(member=st.integers(0, 2), shy=st.sampled_from([False, False, True]))
    def think_again(self, member: int, shy: bool) -> None:
        owner = self.story.owners[member]
        if shy:
            self.story.shy.add(owner)
            self.database.write(lambda c: actions.revoke(c, Owner(owner), self.story.club, SET, self.story.now))
        else:
            self.story.shy.discard(owner)

    @rule(days=st.sampled_from([1, 20, 40]))
    def wait(self, days: int) -> None:
        self.story.now += timedelta(days=days)

    @invariant()
    def no_holding_is_moved(self) -> None:
        assert self.story.held() == self.held

    @invariant()
    def what_is_over_stays_as_it_is(self) -> None:
        for made in self.made:
            now = self.story.get(made)
            assert self.over.get(made.id, now) == now
            if now.state != PROPOSED:
                self.over[made.id] = now
            if now.state == ACCEPTED:
                assert all(now.answers.values())
            assert (now.reason is not None) == (now.state == OVERTAKEN)

    @invariant()
    def no_coin_and_no_place_is_promised_twice(self) -> None:
        accepted = [now for now in map(self.story.get, self.made) if now.state == ACCEPTED]
        assert all(count <= 1 for count in coins_promised(accepted, self.story.now).values())
        lately = [p for p in accepted if p.decided_at and self.story.now < p.decided_at + PROMISED_FOR]
        assert all(count == 1 for count in Counter(place for p in lately for place in p.places).values())


def test_whatever_is_answered_no_holding_is_moved(database: Database) -> None:
    machine = type("Machine", (SwapMachine,), {"database": database})
    run_state_machine_as_test(
        machine, settings=settings(max_examples=examples(25), stateful_step_count=20, deadline=None)
    )


def test_the_machine_sees_a_coin_that_is_moved(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    # The control: an acceptance that takes the coins out of their collections.
    real = actions._overtake

    def moving(
        connection: Connection, store: SwapStore, others: Any, consents: Any, accepted: Any, now: datetime
    ) -> None:
        for leg in accepted[-1].legs:
            holdings.destroy(connection, Owner(leg.giver), leg.holding, NOW, expect=lambda _: None)
        real(connection, store, others, consents, accepted, now)

    monkeypatch.setattr(actions, "_overtake", moving)
    machine = type("Machine", (SwapMachine,), {"database": database})
    # The same steps each time: whether chance finds the coin is not what is tested.
    quickly = settings(
        max_examples=examples(200),
        stateful_step_count=20,
        deadline=None,
        phases=[Phase.generate],
        database=None,
        derandomize=True,
    )
    with pytest.raises(AssertionError):
        run_state_machine_as_test(machine, settings=quickly)
