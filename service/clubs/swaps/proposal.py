"""A swap as it is proposed, answered, and over. Pure. An accepted one moves nothing: the members hand the coins over
themselves, and each records it in his own collection."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from service.clubs.swaps.model import NOBODY, Leg
from service.errors import Conflict, Fault, Invalid, NotFound

PROPOSED, ACCEPTED, DECLINED, EXPIRED, OVERTAKEN = "proposed", "accepted", "declined", "expired", "overtaken"
STATES = (PROPOSED, ACCEPTED, DECLINED, EXPIRED, OVERTAKEN)
ACCEPT, ACCEPT_LAST, DECLINE, EXPIRE, OVERTAKE = "accept", "accept_last", "decline", "expire", "overtake"

# Whatever is not in the table cannot happen: what is over stays over.
TRANSITIONS: Mapping[tuple[str, str], str] = {
    (PROPOSED, ACCEPT): PROPOSED,
    (PROPOSED, ACCEPT_LAST): ACCEPTED,
    (PROPOSED, DECLINE): DECLINED,
    (PROPOSED, EXPIRE): EXPIRED,
    (PROPOSED, OVERTAKE): OVERTAKEN,
}

# Why a proposal was overtaken.
COIN_USED = "another accepted swap uses a coin of it"
PLACE_FILLED = "another accepted swap fills a place of it"
COIN_GONE = "a coin of it left its collection"
CONSENT_REVOKED = "a side no longer shares spares of the set"
OFFER_WITHDRAWN = "the club no longer offers the set"
SET_CHANGED = "a coin of it is no longer to spare, or its place no longer empty"
ACCOUNT_DELETED = "the account of a side was deleted"
REASONS = (COIN_USED, PLACE_FILLED, COIN_GONE, CONSENT_REVOKED, OFFER_WITHDRAWN, SET_CHANGED, ACCOUNT_DELETED)

LASTING = timedelta(days=30)
PROMISED_FOR = timedelta(days=60)
"""How long an accepted swap keeps its coins and places out of new ones; by then the coins have changed hands, or not."""

Coin = tuple[str, str]
"""(owner, holding id)"""
PlaceKey = tuple[str, str, str]
"""(owner, definition, place)"""


@dataclass(frozen=True, slots=True)
class Proposal:
    """`definition_id` is that of the set in the club. `answers` has every side, with the time at which it accepted or None.
    `decided_at` is when it was over; `reason` says why it was overtaken; `version` is another after each change that was kept.
    """

    id: str
    club_id: str
    definition_id: str
    legs: tuple[Leg, ...]
    proposed_by: str
    created_at: datetime
    expires_at: datetime
    answers: Mapping[str, datetime | None] = field(default_factory=dict)
    state: str = PROPOSED
    decided_at: datetime | None = None
    reason: str | None = None
    version: str = field(default="", compare=False)

    @property
    def sides(self) -> tuple[str, ...]:
        """Who gives and takes, in the order of the legs; of those whose account was deleted nothing is left."""
        return tuple(leg.giver for leg in self.legs if leg.giver != NOBODY)

    @property
    def coins(self) -> Counter[Coin]:
        """How many pieces of which coins it would take."""
        return Counter((leg.giver, leg.holding) for leg in self.legs)

    @property
    def places(self) -> frozenset[PlaceKey]:
        """What it would fill."""
        return frozenset((leg.receiver, self.definition_id, leg.place) for leg in self.legs)

    def ensure_seen_by(self, owner: str) -> None:
        """Nobody but its sides knows of a proposal. Raises NotFound."""
        if owner not in self.sides:
            raise NotFound("swap", self.id)

    def as_of(self, now: datetime) -> Proposal:
        """What it is by now: one that nobody decided in time is expired, since then."""
        if self.state == PROPOSED and now >= self.expires_at:
            return self._moved(EXPIRE, self.expires_at)
        return self

    def accepted_by(self, owner: str, now: datetime) -> Proposal:
        """With the side's yes; accepted with the last one. Again the same changes nothing. Raises NotFound for whoever is
        no side, Conflict when it is over."""
        current = self._for_answer(owner, now)
        if current.state == ACCEPTED or (current.state == PROPOSED and current.answers[owner] is not None):
            return current
        answers = {**current.answers, owner: now}
        last = all(answers.values())
        return replace(current._moved(ACCEPT_LAST if last else ACCEPT, now), answers=answers)

    def declined_by(self, owner: str, now: datetime) -> Proposal:
        """Over by the side's no, given before all said yes. Raises NotFound for whoever is no side, Conflict when it is over."""
        current = self._for_answer(owner, now)
        answers = {**current.answers, owner: None}
        return replace(current._moved(DECLINE, now), answers=answers)

    def overtaken(self, reason: str, now: datetime) -> Proposal:
        """Over by what happened elsewhere; what was over before stays as it was."""
        current = self.as_of(now)
        return replace(current._moved(OVERTAKE, now), reason=reason) if current.state == PROPOSED else current

    def without(self, owner: str, now: datetime) -> Proposal | None:
        """What is left of it when the owner's account is deleted: to the other sides it tells that it is over, and why, and
        has nothing of the owner in it. None where nobody has to be told: it was over before, or is long done."""
        if self.as_of(now).state != PROPOSED and not is_promised(self, now):
            return None
        legs = tuple(leg.without(owner) for leg in self.legs)
        answers = {side: at for side, at in self.answers.items() if side != owner}
        by = NOBODY if self.proposed_by == owner else self.proposed_by
        over = replace(self, legs=legs, answers=answers, proposed_by=by, state=OVERTAKEN, decided_at=now)
        return replace(over, reason=ACCOUNT_DELETED)

    def _for_answer(self, owner: str, now: datetime) -> Proposal:
        self.ensure_seen_by(owner)
        return self.as_of(now)

    def _moved(self, event: str, now: datetime) -> Proposal:
        state = TRANSITIONS.get((self.state, event))
        if state is None:
            raise Conflict("the swap is {state} already", state=self.state)
        return replace(self, state=state, decided_at=None if state == PROPOSED else now)


def proposed(
    identity: str,
    club: str,
    definition: str,
    legs: tuple[Leg, ...],
    by: str,
    now: datetime,
    lasting: timedelta = LASTING,
) -> Proposal:
    """A new proposal; whoever makes it is a side, and has said yes. Raises Invalid when the legs are no cycle."""
    givers = [leg.giver for leg in legs]
    is_cycle = [leg.receiver for leg in legs] == [*givers[1:], *givers[:1]]
    if not is_cycle or len(set(givers)) != len(givers) or not 2 <= len(legs) <= 4:
        raise Invalid(
            [Fault("swap", "a swap goes round among 2 to 4 members, each of whom gives to the next", "/legs")]
        )
    made = Proposal(identity, club, definition, legs, by, now, now + lasting, dict.fromkeys(givers))
    return made.accepted_by(by, now)


@dataclass(frozen=True, slots=True)
class Present:
    """What is so now: how many pieces of the coins are held, and which sides share their spares of the set."""

    pieces: Mapping[Coin, int]
    consenting: frozenset[str]


def what_overtakes(proposal: Proposal, present: Present, accepted: Iterable[Proposal], now: datetime) -> str | None:
    """Why the proposal can no longer come about, if so. `accepted` are others that were accepted, of any club and set."""
    if not present.consenting.issuperset(proposal.sides):
        return CONSENT_REVOKED
    needed = proposal.coins
    if any(present.pieces.get(coin, 0) < count for coin, count in needed.items()):
        return COIN_GONE
    binding = [other for other in accepted if other.id != proposal.id and is_promised(other, now)]
    promised = coins_promised(binding, now)
    to_spare = {
        (leg.giver, leg.holding): min(leg.pieces, present.pieces[leg.giver, leg.holding]) for leg in proposal.legs
    }
    if any(promised[coin] + count > to_spare[coin] for coin, count in needed.items()):
        return COIN_USED
    return PLACE_FILLED if places_promised(binding, now) & proposal.places else None


def is_promised(proposal: Proposal, now: datetime) -> bool:
    """Whether it was accepted, and so lately that its coins and places are not for others."""
    return proposal.state == ACCEPTED and proposal.decided_at is not None and now < proposal.decided_at + PROMISED_FOR


def coins_promised(proposals: Iterable[Proposal], now: datetime) -> Counter[Coin]:
    """How many pieces of which coins accepted swaps speak for."""
    return sum((proposal.coins for proposal in proposals if is_promised(proposal, now)), Counter[Coin]())


def places_promised(proposals: Iterable[Proposal], now: datetime) -> frozenset[PlaceKey]:
    """The places that accepted swaps will fill."""
    return frozenset[PlaceKey]().union(*(proposal.places for proposal in proposals if is_promised(proposal, now)))
