"""Several sets of one owner at once: each piece of a holding is placed in one of them. Pure; "today" is in the requests.

`in_order`: the first set is evaluated alone; the pieces that it places are gone for the next, and so on. `jointly`: the
best for all sets together, level by level (`service.assignment.joint_problem`). A set that is not exclusive borrows: it is
evaluated by itself on all holdings, and takes nothing from the others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from msgspec import structs

from service.assignment.build import Instance
from service.assignment.joint_problem import join_problems, set_problem_of, solution_of, without_pieces
from service.assignment.problem import Level, Placement, Solution
from service.assignment.solve import solve
from service.errors import Fault, OverLimit, Sentence
from service.evaluation.coins import Coins
from service.evaluation.cost import Cost, Sizes, cost_of_evaluation, cost_of_solving, hold, in_turn
from service.evaluation.table import Table
from service.progress.allocated import AllocatedSets, AllocationSummary, AloneFigures, Mode, allocated_set, totals
from service.progress.claims import Claim, claimed, pins_not_kept, unplaced_here
from service.progress.evaluate import (
    EvaluationRequest,
    build_instance,
    figures_of,
    names_of,
    result_from,
    sizes_before,
)
from service.progress.result import Evaluation, IgnoredFact, LevelResult

IN_ORDER: Final = "in_order"
JOINTLY: Final = "jointly"
MOST_ALLOCATED_SETS = 100
_DOING = "sharing the coins out"
MOST_PAIRS = 500_000
"""Holdings times sets."""
MOST_FITS = 2_000_000
"""Fits of coins to places, over all sets that are solved together."""


@dataclass(frozen=True)
class SetRequest:
    """One of the sets; all are of the same holdings. `exclusive` sets share no piece. `ignored` are recorded facts that do not
    fit the set's definition."""

    request: EvaluationRequest
    exclusive: bool = True
    ignored: tuple[IgnoredFact, ...] = ()


@dataclass(frozen=True)
class SolvedSet:
    """A set laid out and solved for some holdings."""

    request: EvaluationRequest
    instance: Instance
    table: Table
    solution: Solution

    @property
    def proven(self) -> bool:
        return self.solution.proven and self.solution.certain_proven

    def seats(self) -> list[tuple[str, str, Placement]]:
        """(address of the place, id of the holding, placement), in the order of the places."""
        return [
            (self.instance.places[seat.place].address, self.instance.holdings[seat.holding].id, seat)
            for seat in self.solution.placements
        ]


def allocate(sets: Sequence[SetRequest], mode: Mode, budget_seconds: float) -> AllocatedSets:
    """The best allocation of the pieces to the sets.

    In an exclusive set `conflicts` may have the kind `claimed` (see `service.progress.claims`): in_order by sets before it,
    jointly by any other. Coins that sit in another set only have the reason `elsewhere` in `unplaced`. `certain` of a set
    counts, in_order, what the sets before it left to it; jointly, what all others leave to it. In the summary it is, jointly,
    the most places that can be filled for certain over all sets together; in_order the sum over the sets.

    `budget_seconds` of the solver are shared: a quarter for the sets alone, half for the allocation, a quarter for what
    set-level rules keep empty. Raises OverLimit or Invalid.
    """
    ensure_within(sets)
    share = budget_seconds / (4 * max(1, len(sets)))
    requests = [replace(one.request, budget_seconds=share) for one in sets]
    # All are judged before the first of them is solved: then it is known what they take together.
    ahead = [(request, cost_of_evaluation(sizes_before(request))) for request in requests]
    built: list[tuple[EvaluationRequest, Instance, Table]] = []
    fits = 0
    for one, request in zip(sets, in_turn(_DOING, "sets", ahead), strict=True):
        instance, table = build_instance(request)
        hold(instance.edges.nbytes)
        if mode == JOINTLY and one.exclusive:
            fits += len(instance.problem.edges)
            # At once: all sets' fits, each below its own limit, may be more than there is memory for.
            _ensure_solvable_together(fits, len(built) + 1)
        built.append((request, instance, table))
    alone = [_solved(*one, share) for one in built]
    exclusive = [number for number, one in enumerate(sets) if one.exclusive]
    levels: tuple[Level, ...] | None = None
    if mode == JOINTLY:
        here, joint = _jointly(alone, exclusive, budget_seconds / 2)
        levels, certain, possible = joint.levels, joint.certain, joint.possible
        proven = joint.proven and joint.certain_proven and joint.possible_proven
    else:
        here = _in_order(alone, exclusive, 2 * share)
        certain, proven = sum(here[number].solution.certain for number in exclusive), True
        possible = sum(here[number].solution.possible for number in exclusive)
    placed = _placed(here, exclusive)
    answers = []
    for number, one in enumerate(sets):
        lone = alone[number]
        found = (
            _result_among(number, lone, here[number], placed, in_order=mode == IN_ORDER)
            if one.exclusive
            else _result(lone)
        )
        figures = AloneFigures(**structs.asdict(figures_of(lone.instance, lone.solution)), proven_optimal=lone.proven)
        result = found.with_ignored(list(one.ignored))
        answers.append(allocated_set(number, one.request.definition.title, one.exclusive, figures, result))
        proven = proven and result.proven_optimal
    shared, borrowing = ([answer for answer in answers if answer.exclusive is kind] for kind in (True, False))
    pieces = {holding.id: holding.quantity for holding in sets[0].request.holdings} if sets else {}
    left = sum(1 for name, owned in pieces.items() if owned > len(placed.get(name, ())))
    return AllocatedSets(
        mode=mode,
        proven_optimal=proven,
        levels=None if levels is None else [LevelResult(v.name, v.value, v.proven, v.bound) for v in levels],
        summary=AllocationSummary(
            **{**structs.asdict(totals(shared)), "certain": certain, "possible": possible}, unplaced=left
        ),
        borrowing=totals(borrowing) if borrowing else None,
        sets=answers,
        # All sets are of the same holdings.
        named=names_of(alone[0].request, alone[0].instance) if alone else {},
    )


def ensure_within(sets: Sequence[SetRequest]) -> None:
    """Refuses too many sets, and too many holdings for so many sets."""
    if len(sets) > MOST_ALLOCATED_SETS:
        raise OverLimit(
            [Fault.of("over-limit", "up to {most} sets are allocated at once", "/sets", most=MOST_ALLOCATED_SETS)]
        )
    ensure_pairs_within(max((len(one.request.holdings) for one in sets), default=0), len(sets))


def ensure_pairs_within(holdings: int, sets: int) -> None:
    """Refuses so many holdings for so many sets."""
    if holdings * sets > MOST_PAIRS:
        message = Sentence(
            "{holdings} holdings in {sets} sets; up to {most} holdings times sets are allocated at once",
            holdings=holdings,
            sets=sets,
            most=MOST_PAIRS,
        )
        raise OverLimit([Fault("over-limit", message, "/sets", "name fewer sets")])


def _ensure_solvable_together(fits: int, sets: int) -> None:
    if fits > MOST_FITS:
        message = Sentence(
            "the first {sets} sets have {fits} fits of coins to places; up to {most} are solved together over all sets",
            sets=sets,
            fits=fits,
            most=MOST_FITS,
        )
        raise OverLimit([Fault("over-limit", message, "/sets", "name fewer sets, or allocate in_order")])


def _solved(request: EvaluationRequest, instance: Instance, table: Table, budget_seconds: float) -> SolvedSet:
    return SolvedSet(request, instance, table, solve(instance.problem, budget_seconds=budget_seconds))


def _result(one: SolvedSet) -> Evaluation:
    return result_from(one.request, one.instance, one.table, one.solution)


def _in_order(alone: Sequence[SolvedSet], exclusive: Sequence[int], budget_seconds: float) -> dict[int, SolvedSet]:
    """Every set evaluated on what the sets before it left. Costs of preferences are anew those of the coins left."""
    gone: Counter[str] = Counter()
    here = {}
    for number in in_turn(_DOING, "sets", _again(alone, exclusive)):
        one = alone[number]
        if gone:
            left = replace(one.request, holdings=_left(one.request, gone))
            one = _solved(left, *build_instance(left), budget_seconds)
        here[number] = one
        gone.update(holding for _, holding, _ in one.seats())
    return here


def _again(alone: Sequence[SolvedSet], exclusive: Sequence[int]) -> list[tuple[int, Cost | None]]:
    """Each set, and what it takes at least to evaluate it on what the sets before it left: each of their places takes one coin at
    most. The first that places anything is the last of which nothing is evaluated again."""
    found: list[tuple[int, Cost | None]] = []
    taken, is_again = 0, False
    for number in exclusive:
        one = alone[number].instance
        pairs = sum(max(0, len(fits) - taken) for fits in one.fits)
        sizes = Sizes(coins=max(0, len(one.coins) - taken), places=len(one.places), pairs=pairs)
        found.append((number, cost_of_evaluation(sizes) if is_again else None))
        taken += len(one.places)
        is_again = is_again or bool(alone[number].solution.placements)
    return found


def _left(request: EvaluationRequest, gone: Mapping[str, int]) -> tuple[Any, ...]:
    counted = ((holding, holding.quantity - gone.get(holding.id, 0)) for holding in request.holdings)
    return tuple(replace(holding, quantity=left) for holding, left in counted if left > 0)


def _jointly(
    alone: Sequence[SolvedSet], exclusive: Sequence[int], budget_seconds: float
) -> tuple[dict[int, SolvedSet], Solution]:
    """Each set's part of the joint answer, on an instance of the pieces that the others leave to it."""
    instances = [alone[number].instance for number in exclusive]
    fits = sum(len(instance.problem.edges) for instance in instances)
    places = sum(len(instance.places) for instance in instances)
    cost_of_solving(_DOING, "sets solved together", [Sizes(places=places, pairs=fits)]).ensure_allowed()
    joint = join_problems([set_problem_of(instance) for instance in instances])
    solution = solve(joint.problem, budget_seconds=0.8 * budget_seconds)
    seconds = 0.2 * budget_seconds / max(1, len(exclusive))
    parts = [solution_of(joint, at, solution, budget_seconds=seconds) for at in range(len(exclusive))]
    taken: Counter[str] = Counter(joint.holdings[seat.holding] for seat in solution.placements)
    here = {}
    for number, instance, part in zip(exclusive, instances, parts, strict=True):
        own = Counter(instance.holdings[seat.holding].id for seat in part.placements)
        one = alone[number]
        gone = taken - own
        request = replace(one.request, holdings=_left(one.request, gone))
        here[number] = SolvedSet(request, _instance_without(instance, gone), one.table, part)
    return here, solution


def _instance_without(instance: Instance, gone: Mapping[str, int]) -> Instance:
    """The instance when so many pieces of some holdings are gone: what nothing is left of fits nowhere."""
    taken = {coin: gone[identity] for coin, identity in enumerate(instance.coins.ids) if identity in gone}
    if not taken:
        return instance
    problem = without_pieces(instance.problem, taken)
    holdings = tuple(
        replace(holding, quantity=left) for holding, left in zip(instance.holdings, problem.quantity, strict=True)
    )
    empty = {coin for coin in taken if not problem.quantity[coin]}
    # Places with one rule share one mapping, and go on doing so.
    cut = {id(fits): fits.without(empty) for fits in instance.fits}
    fits = tuple(cut[id(fits)] for fits in instance.fits)
    return replace(instance, coins=Coins(holdings, instance.views), problem=problem, fits=fits)


def _placed(here: Mapping[int, SolvedSet], exclusive: Sequence[int]) -> dict[str, list[Claim]]:
    """The places of every placed piece, by holding, in the order of the sets and their places."""
    found: dict[str, list[Claim]] = {}
    for number in exclusive:
        request = here[number].request
        definition = request.document_id or request.definition.digest
        labels = {place.address: place.label or place.address for place in here[number].instance.places}
        for place, holding, _ in here[number].seats():
            found.setdefault(holding, []).append(
                Claim(number, definition, request.definition.title, place, labels[place])
            )
    return found


def _result_among(
    number: int, alone: SolvedSet, here: SolvedSet, placed: Mapping[str, Sequence[Claim]], *, in_order: bool
) -> Evaluation:
    """The result of one exclusive set, with what the others hold."""
    request = alone.request
    # Pins are judged below, by all coins and not only by those left here.
    result = result_from(replace(here.request, pins=()), here.instance, here.table, here.solution)
    pieces = {holding.id: holding.quantity for holding in request.holdings}
    others = {
        name: [one for one in its_claims if one.set != number]
        for name, its_claims in placed.items()
        if any(one.set != number for one in its_claims)
    }
    claims = {}
    for name, its_claims in others.items():
        first = [one for one in its_claims if one.set < number] if in_order else its_claims
        # A coin that was left over here when its turn came was not taken from this set.
        before = len(placed[name]) - (len([one for one in its_claims if one.set > number]) if in_order else 0)
        if first and before == pieces[name]:
            claims[name] = first
    places = {place.address: at for at, place in enumerate(alone.instance.places)}
    coins = {identity: coin for coin, identity in enumerate(alone.instance.coins.ids)}
    seats = {
        places[address]: replace(seat, place=places[address], holding=coins[holding])
        for address, holding, seat in here.seats()
    }
    conflicts, left_out = claimed(alone.instance, alone.table, seats, claims)
    later = Counter(
        {name: sum(1 for one in its_claims if one.set > number) for name, its_claims in others.items()}
        if in_order
        else {}
    )
    in_place = {holding for _, holding, _ in here.seats()}
    left = unplaced_here(request, result.unplaced, in_place, +later, others)
    return structs.replace(
        result,
        summary=structs.replace(result.summary, unplaced=len(left)),
        conflicts=[
            *result.conflicts,
            *pins_not_kept(request, alone.instance, alone.table, seats, claims),
            *conflicts,
        ],
        conflicts_left_out=result.conflicts_left_out + left_out,
        unplaced=left,
    )
