"""Coins that are not owned yet, against an evaluated set: what each would do there. Pure.

Gains are exact: the figures of the evaluation with the coin, minus those without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Annotated, Any, Literal

from msgspec import UNSET, Meta, Struct, UnsetType, field
from msgspec.structs import asdict, replace

from service.assignment.build import Instance
from service.assignment.problem import Basis
from service.evaluation.cost import cost_of_changes, in_turn
from service.evaluation.settling import DecidingFact, SettlingFacts, settle_places
from service.evaluation.table import Table
from service.facts.holding import Holding
from service.facts.knowledge import plain_number
from service.facts.truth import YES
from service.progress.budget import Purchase
from service.progress.description import MessageNames
from service.progress.named import Named
from service.progress.preference_words import preference_words
from service.progress.result import ClosestPlace, Criterion, DefinitionStamp, criterion_of, doubt_name
from service.progress.unplaced import Closest, addresses
from service.progress.whatif import Evaluated, Occupant, Part
from service.rules.messages import CoinPart, Message, message, some
from service.rules.predicates import ReferenceGap
from service.rules.preferences import Preference
from service.rules.wording import RuleWording

MOST_COINS = 500
_DOING = "trying the coins in the set"

Effect = Literal["fills", "betters", "frees", "helps_constraint", "spare", "outside", "undecided"]

# --- answers -------------------------------------------------------------------------------------------------------------


class FreedCoin(Struct, frozen=True):
    """A coin that leaves its place."""

    holding: str
    from_: Annotated[str, Meta(description="The place that it leaves.")] = field(name="from")
    to: Annotated[str | None, Meta(description="The place that it goes to; null: none.")]


class ImprovedCriterion(Criterion, frozen=True):
    """What a filled place is better by: a preference of the definition, or one of `certain`, `doubt`, `to_check`,
    `presumed`, `goal`."""

    certain: Annotated[Literal[True] | UnsetType, Meta(description="One more place is filled for certain.")] = UNSET
    doubt: Annotated[Literal[True] | UnsetType, Meta(description="The coin that was there only may fit.")] = UNSET
    to_check: Annotated[Literal[True] | UnsetType, Meta(description="Fewer facts are to be looked up.")] = UNSET
    presumed: Annotated[Literal[True] | UnsetType, Meta(description="It fits without what is presumed.")] = UNSET
    goal: Annotated[
        Literal[True] | UnsetType, Meta(description="The goals (`at_least`) lack fewer coins: `to`, not `from`.")
    ] = UNSET


# msgspec knows no union of texts and exact decimals.
_VALUE = Meta(extra_json_schema={"type": ["string", "number", "boolean", "null"]})


class Improvement(Struct, frozen=True):
    """A filled place that is better with the coin, and by what."""

    place: Annotated[str | None, Meta(description="null: the set as a whole.")]
    criterion: ImprovedCriterion
    from_: Annotated[
        Any, _VALUE, Meta(description="The value before; of a preference null: not recorded, of a doubt null: certain.")
    ] = field(name="from")
    to: Annotated[Any, _VALUE, Meta(description="The value after.")]


class Candidate(Message, frozen=True, kw_only=True):
    """What one coin would do in one set."""

    coin: str
    effect: Annotated[
        Effect,
        Meta(
            description="fills: it fills an empty place. frees: a coin that it replaces fills one. helps_constraint: coins that "
            "a rule over several places kept out are placed. betters: a filled place gets better. spare: it fits and "
            "changes nothing. undecided: it may fit. outside: it fits nowhere."
        ),
    ]
    certain_gain: int
    possible_gain: int
    required_gain: int
    fits: list[str]
    may_fit: list[str]
    places: Annotated[list[str], Meta(description="The places that are empty without it and filled with it.")]
    frees: Annotated[list[FreedCoin], Meta(description="The coins that leave their place, from where and to where.")]
    proven: Annotated[bool, Meta(description="Whether both evaluations are proven to be the best.")]
    closest: Annotated[
        ClosestPlace | UnsetType | None, Meta(description="With `outside`; null: the set has no place.")
    ] = UNSET
    betters: Annotated[Improvement | UnsetType, Meta(description="With `betters`.")] = UNSET
    settle: Annotated[
        list[DecidingFact] | UnsetType, Meta(description="With `undecided`: the facts that would decide.")
    ] = UNSET
    limit: Annotated[str | UnsetType, Meta(description="Why the list of facts may not be the shortest.")] = UNSET


class IgnoredInputFact(Message, frozen=True, kw_only=True):
    """A recorded fact of a holding, or of a coin in the request, that was left out."""

    holding: str | UnsetType = UNSET
    coin: str | UnsetType = UNSET
    pointer: Annotated[str, Meta(description="A JSON pointer into the holding or the coin.")]


class SetCandidates(Struct, frozen=True, kw_only=True):
    """The coins tried on one set."""

    definition: DefinitionStamp
    title: str
    candidates: list[Candidate]
    named: Named
    purchase: Annotated[Purchase | UnsetType, Meta(description="With a budget.")] = UNSET
    ignored_facts: list[IgnoredInputFact] | UnsetType = UNSET


class CandidatesResult(Struct, frozen=True, kw_only=True):
    """The coins tried on each set."""

    evaluated_on: date
    sets: list[SetCandidates]
    reference_edition: str
    engine_version: str


# --- trying coins on a set -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class JudgedCandidate:
    """One coin on an instance: where it fits, and where it may."""

    instance: Instance
    coin: int

    @cached_property
    def places(self) -> list[int]:
        return [at for at, fits in enumerate(self.instance.fits) if self.coin in fits]

    @property
    def sure(self) -> list[int]:
        return [at for at in self.places if self.instance.fits[at][self.coin].verdict is YES]


def candidates(evaluated: Evaluated, coins: Sequence[Holding]) -> list[Candidate]:
    """What each coin would do, in the order of `coins`. Their ids differ from each other and from those of the
    collection."""
    order = sorted(coins, key=lambda coin: coin.id)
    tray = evaluated.judge(order)
    judged_coins = [JudgedCandidate(tray, number) for number in range(len(order))]
    opening = [evaluated.opens_places(coin) for coin in order]
    again = evaluated.cost_again
    ahead = [(number, again if opens else None) for number, opens in enumerate(opening)]
    tries = [
        evaluated.touched(judged.places)
        for judged, opens in zip(judged_coins, opening, strict=True)
        if judged.places and not opens
    ]
    cost_of_changes(_DOING, "coins to try", [evaluated.reach_of(touched) for touched in tries]).ensure_allowed()
    found = {}
    for number in in_turn(_DOING, "coins that open places", ahead):
        coin, judged = order[number], judged_coins[number]
        if opening[number]:
            anew = evaluated.anew([coin])
            place = anew.instance.coins.ids.index(coin.id)
            found[coin.id] = _candidate(evaluated, JudgedCandidate(anew.instance, place), evaluated.whole, anew.whole)
            continue
        if not judged.places:
            found[coin.id] = _candidate(evaluated, judged, None, None)
            continue
        touched = evaluated.touched(judged.places)
        after = evaluated.with_coins(touched, [coin], tray)
        found[coin.id] = _candidate(evaluated, judged, evaluated.as_is(touched), after)
    return [found[coin.id] for coin in coins]


def _candidate(evaluated: Evaluated, judged: JudgedCandidate, before: Part | None, after: Part | None) -> Candidate:
    """`before` and `after` are the places that the coin can reach without and with it; None where it reaches none."""
    instance, coin = judged.instance, judged.instance.holdings[judged.coin].id
    sure, places = judged.sure, judged.places
    may_fit = [at for at in places if at not in set(sure)]
    fits: dict[str, Any] = {"fits": addresses(instance, sure), "may_fit": addresses(instance, may_fit)}
    if before is None or after is None or not places:
        closest = Closest(instance, evaluated.table).of([judged.coin]).get(judged.coin)
        return Candidate(
            coin=coin,
            effect="outside",
            certain_gain=0,
            possible_gain=0,
            required_gain=0,
            **fits,
            places=[],
            frees=[],
            proven=True,
            closest=closest,
            **_outside(MessageNames(instance, evaluated.table), coin, closest).members(),
        )
    change, certain_gain = PlacementChange(coin, before, after), after.certain - before.certain
    effect, improvement = change.effect(sure=bool(sure), certain_gain=certain_gain)
    settled = _settled(evaluated, judged) if effect == "undecided" else None
    candidate = Candidate(
        coin=coin,
        effect=effect,
        certain_gain=certain_gain,
        possible_gain=after.possible - before.possible,
        required_gain=after.required - before.required,
        **fits,
        places=change.newly,
        frees=change.frees(),
        proven=before.proven and after.proven,
        betters=UNSET if improvement is None else improvement,
        settle=UNSET if settled is None else settled.facts,
        limit=UNSET if settled is None or settled.limit is None else settled.limit,
        message="",
        code="",
        parts={},
    )
    gaps = () if settled is None else settled.gaps
    return replace(candidate, **_message(candidate, change, evaluated.table, gaps).members())


def _settled(evaluated: Evaluated, judged: JudgedCandidate) -> SettlingFacts:
    """The facts that decide which of the places the coin fits."""
    instance, table = judged.instance, evaluated.table
    rules = {addresses(instance, [at])[0]: instance.places[at].predicate for at in judged.places}
    return settle_places(rules, instance.views[judged.coin], table.attributes, table.context)


_TO_CHECK, _PRESUMED, _OWN_LEVELS = 2, 3, 4
"""Before the preferences: placements on unknown facts, on alternatives, facts to look up, placements on presumptions."""


class PlacementChange:
    """Two answers for the same places, without and with a coin."""

    def __init__(self, coin: str, before: Part, after: Part) -> None:
        self.coin, self.after = coin, after
        self.shortfalls = [
            next(level.value for level in part.solution.levels if level.name == "shortfall") for part in (before, after)
        ]
        self.old, self.new = before.seats(), after.seats()
        self.numbers = {place.address: at for at, place in enumerate(after.instance.places)}
        self.holdings = {identity: number for number, identity in enumerate(after.instance.coins.ids)}
        self.newly = [address for address in self.numbers if address in self.new and address not in self.old]

    def frees(self) -> list[FreedCoin]:
        """The coins that leave their place, in the order of the places."""
        left = [address for address in self.numbers if self.moved(address) and address in self.old]
        arrivals = {
            (self.new[address].holding, address)
            for address in self.new
            if address not in self.old or self.old[address].holding != self.new[address].holding
        }
        freed = []
        for address in left:
            holding = self.old[address].holding
            to = next((place for place in self.numbers if (holding, place) in arrivals), None)
            arrivals.discard((holding, to or ""))
            freed.append(FreedCoin(holding, address, to))
        return freed

    def moved(self, address: str) -> bool:
        """Whether another coin sits there, or none."""
        old, new = self.old.get(address), self.new.get(address)
        return (old and old.holding) != (new and new.holding)

    def effect(self, *, sure: bool, certain_gain: int) -> tuple[Effect, Improvement | None]:
        """The effect, and with `betters` the improvement."""
        if not sure:
            return "undecided", None
        if self.newly:
            sat = {seat.holding for seat in self.old.values()}
            sitting = {self.new[address].holding for address in self.newly}
            if sitting - sat - {self.coin}:
                return "helps_constraint", None
            return ("fills" if self.coin in sitting else "frees"), None
        own = [address for address, seat in self.new.items() if seat.holding == self.coin]
        # One that sits nowhere may still change what a missing fact counts: that is not its merit.
        improvement = self.betters() if own else None
        if improvement is None and certain_gain > 0:
            improvement = Improvement(own[0] if own else None, ImprovedCriterion(certain=True), False, True)
        return ("spare", None) if improvement is None else ("betters", improvement)

    def betters(self) -> Improvement | None:
        """The first criterion on which the whole is better now, at the place that is better by it."""
        changed = [address for address in self.numbers if address in self.old and address in self.new]
        changed = [address for address in changed if self.old[address] != self.new[address]]
        for level in range(_OWN_LEVELS + self.after.instance.problem.preference_levels):
            steps = {a: self._loss(a, self.old[a], level) - self._loss(a, self.new[a], level) for a in changed}
            if sum(steps.values()) > 0:
                better = [address for address in changed if steps[address] > 0]
                place = next((a for a in better if self.new[a].holding == self.coin), better[0])
                return self._by(place, level)
            if sum(steps.values()) < 0:
                return None
            if level == _PRESUMED and self.shortfalls[0] != self.shortfalls[1]:
                lacked, lacks = self.shortfalls
                own = next((a for a in changed if self.new[a].holding == self.coin), None)
                return Improvement(own, ImprovedCriterion(goal=True), lacked, lacks) if lacks < lacked else None
        return None

    def _loss(self, address: str, seat: Occupant, level: int) -> int:
        edge = self.after.instance.edges_at(self.numbers[address])[self.holdings[seat.holding]]
        is_firm = seat.basis is Basis.FIRM
        if level < 2:
            return int(seat.basis.counted is (Basis.UNKNOWN, Basis.ALTERNATIVES)[level])
        if level == _TO_CHECK:
            return 0 if is_firm else edge.to_check
        if level == _PRESUMED:
            return int(is_firm and edge.presumed)
        return edge.cost[level - _OWN_LEVELS]

    def _by(self, address: str, level: int) -> Improvement:
        old, new = self.old[address], self.new[address]
        if level < 2:
            return Improvement(address, ImprovedCriterion(doubt=True), doubt_name(old.basis), doubt_name(new.basis))
        if level == _TO_CHECK:
            facts = [self._loss(address, seat, level) for seat in (old, new)]
            return Improvement(address, ImprovedCriterion(to_check=True), *facts)
        if level == _PRESUMED:
            return Improvement(address, ImprovedCriterion(presumed=True), True, False)
        at = self.numbers[address]
        preference = self.after.instance.places[at].prefer[level - _OWN_LEVELS]
        worth = self.after.instance.worth[level - _OWN_LEVELS, at]
        values = [worth[self.holdings[seat.holding]] for seat in (old, new)]
        shown = [None if value is None else plain_number(value) for value in values]
        return Improvement(address, _improved(preference), shown[0], shown[1])


def _outside(names: MessageNames, coin: str, closest: ClosestPlace | None) -> Message:
    if closest is None:
        return message("candidate-outside", coin=names.by_id(coin))
    told = {"place": names.place(closest.place), "needs": closest.failing}
    return message("candidate-outside-closest", coin=names.by_id(coin), **told)


def _message(candidate: Candidate, change: PlacementChange, table: Table, gaps: tuple[ReferenceGap, ...]) -> Message:
    names = MessageNames(change.after.instance, table)
    coin, effect, places = names.by_id(candidate.coin), candidate.effect, names.places(candidate.places)
    if effect == "fills":
        # Where it counts most it may sit on a doubt; what it fits for certain is said beside.
        seats = [change.new[address] for address in candidate.places]
        if any(seat.holding == candidate.coin and seat.basis is not Basis.FIRM for seat in seats):
            return message("candidate-may-fill", coin=coin, places=places, certain=names.places(candidate.fits))
        return message("candidate-fills", coin=coin, places=places)
    if effect == "frees":
        moves = some(
            [
                message("candidate-moves", coin=names.by_id(freed.holding), place=names.place(freed.to))
                for freed in candidate.frees
                if freed.to
            ]
        )
        if {freed.to for freed in candidate.frees} >= set(candidate.places):
            return message("candidate-frees", coin=coin, moves=moves)
        return message("candidate-frees-and-fills", coin=coin, moves=moves, places=places)
    if effect == "helps_constraint":
        return message("candidate-helps-rules", coin=coin, places=places)
    if candidate.betters is not UNSET:
        return _upgrade(coin, candidate.betters, change, names, table)
    if candidate.settle is not UNSET:
        settled = SettlingFacts(candidate.settle, gaps=gaps)
        return names.what_settles("candidate-undecided", settled, coin=coin, places=names.places(candidate.may_fit))
    return message("candidate-duplicate", coin=coin, places=names.places(candidate.fits))


def _upgrade(
    coin: CoinPart, improvement: Improvement, change: PlacementChange, names: MessageNames, table: Table
) -> Message:
    """The improvement in words: "Upgrade for 'Shilling': problem-free, yours is holed"."""
    address, criterion = improvement.place, improvement.criterion
    if criterion.goal is True:
        return message("candidate-goal", coin=coin, lacks=improvement.to, lacked=improvement.from_)
    if address is None or criterion.certain is True:
        return message("candidate-certain", coin=coin)
    place = names.place(address)
    if criterion.doubt is True:
        told = {"this": _surety(improvement.to), "yours": _surety(improvement.from_)}
        return message("candidate-upgrade", place=place, **told)
    if criterion.to_check is True:
        return message("candidate-less-to-check", place=place, this=improvement.to, yours=improvement.from_)
    if criterion.presumed is True:
        return message("candidate-not-presumed", place=place)
    at, instance = change.numbers[address], change.after.instance
    speak = RuleWording(table.attributes, table.context.vocabularies)
    level = next(level for level, one in enumerate(instance.places[at].prefer) if _improved(one) == criterion)
    words = []
    for occupant in (change.new[address], change.old[address]):
        number = change.holdings[occupant.holding]
        value = instance.worth[level, at][number]
        words.append(preference_words(instance.places[at].prefer[level], value, instance.views[number], speak))
    code = "candidate-upgrade-not-recorded" if words[1].endswith("not recorded") else "candidate-upgrade"
    return message(code, place=place, this=words[0], yours=words[1])


def _improved(preference: Preference) -> ImprovedCriterion:
    return ImprovedCriterion(**asdict(criterion_of(preference)))


def _surety(doubt: str | None) -> str:
    return {None: "certain", "unknown": "possible (facts not recorded)"}.get(doubt, "possible")
