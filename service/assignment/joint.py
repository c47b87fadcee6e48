"""Several sets solved as one: each piece of a holding sits in one of them.

`join` puts the problems of the sets one after the other into one problem, so that the solver's levels (see
`service.assignment.problem`) speak of all sets together: first as many pins as can be over all sets, then as many required
places over all sets, and so on. Of equals the last level prefers, place by place in the order of the sets, the holding that
comes first. `part_of` takes one set's part out of the answer again.

Nothing but the holdings ties the sets together, so for what the others hold each part is the best of its set on every
level: a better one would make the whole better. The cost of joining is linear in edges and rules.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import lcm

from service.assignment.build import CostScale, Instance
from service.assignment.certainty import certain_places
from service.assignment.components import lay_out_certain
from service.assignment.problem import LARGEST_COST, AssignmentProblem, Basis, Edge, Level, Placement, SetRule, Solution
from service.assignment.search import SolverBudget
from service.errors import Fault, OverLimit
from service.facts.knowledge import Number

_UNSCALED = CostScale()


@dataclass(frozen=True, slots=True)
class SetProblem:
    """The problem of one set, with the id of each of its holdings and what its costs mean level by level."""

    problem: AssignmentProblem
    holdings: tuple[str, ...]
    scales: tuple[CostScale, ...] = ()

    def scale(self, level: int) -> CostScale:
        """Where nothing is said a cost stands for itself."""
        return self.scales[level] if level < len(self.scales) else _UNSCALED


@dataclass(frozen=True, slots=True)
class JointProblem:
    """The shares as one problem. Share n has the places from `first[n]` on; `holdings` are the ids in the joint numbering
    (sorted); `steps` says for each preference level how many joint cost units one of the criterion's own numbers is."""

    problem: AssignmentProblem
    shares: tuple[SetProblem, ...]
    holdings: tuple[str, ...]
    first: tuple[int, ...]
    steps: tuple[int, ...]


def set_problem_of(board: Instance) -> SetProblem:
    """The share of a set that is laid out."""
    return SetProblem(board.problem, tuple(holding.id for holding in board.holdings), board.scales)


def join_problems(shares: Sequence[SetProblem]) -> JointProblem:
    """One problem of all the shares.

    Places stand in the order of the shares, holdings in that of their ids; one that several shares know is one holding, and
    has the same quantity in each (else ValueError). Rules keep to the places of their own share (`SetRule.among`) and are
    named `<number of the share>:<name>`. Costs of a preference level add up over all shares in the criteria's own numbers:
    each is put on one scale and one nought, and a share without that level loses 0 there. Raises OverLimit when a level
    then spans more than 2^60 units.
    """
    quantity: dict[str, int] = {}
    for share in shares:
        for name, pieces in zip(share.holdings, share.problem.quantity, strict=True):
            if quantity.setdefault(name, pieces) != pieces:
                raise ValueError(f"holding {name!r} has {pieces} pieces in one share and {quantity[name]} in another")
    holdings = tuple(sorted(quantity))
    number_of = {name: number for number, name in enumerate(holdings)}
    levels = max((share.problem.preference_levels for share in shares), default=0)
    scales = [_common(shares, level) for level in range(levels)]
    first: list[int] = []
    required: list[bool] = []
    edges: list[Edge] = []
    rules: list[SetRule] = []
    for number, share in enumerate(shares):
        start, coins = len(required), [number_of[name] for name in share.holdings]
        first.append(start)
        required.extend(share.problem.required)
        for edge in share.problem.edges:
            cost = tuple(_rescaled(share, edge, level, scale) for level, scale in enumerate(scales))
            edges.append(replace(edge, place=start + edge.place, holding=coins[edge.holding], cost=cost))
        own = frozenset(range(start, len(required)))
        rules.extend(_moved(rule, f"{number}:{rule.name}", start, coins, own) for rule in share.problem.rules)
    problem = AssignmentProblem(
        tuple(required), tuple(quantity[name] for name in holdings), tuple(edges), tuple(rules), levels
    )
    _ensure_small(edges, levels)
    return JointProblem(problem, tuple(shares), holdings, tuple(first), tuple(scale.steps for scale in scales))


def _common(shares: Sequence[SetProblem], level: int) -> CostScale:
    """The scale on which the costs of all shares are whole numbers from nought on."""
    own = [share.scale(level) if level < share.problem.preference_levels else _UNSCALED for share in shares]
    steps = lcm(*(scale.steps for scale in own), *(scale.least.denominator for scale in own))
    return CostScale(steps, min((scale.least for scale in own), default=0))


def _rescaled(share: SetProblem, edge: Edge, level: int, common: CostScale) -> int:
    lost: Number = 0
    if level < len(edge.cost):
        own = share.scale(level)
        return int((own.least - common.least) * common.steps) + edge.cost[level] * (common.steps // own.steps)
    return int((lost - common.least) * common.steps)


def _moved(rule: SetRule, name: str, start: int, coins: Sequence[int], own: frozenset[int]) -> SetRule:
    among = own if rule.among is None else frozenset(start + place for place in rule.among)
    return replace(
        rule,
        name=name,
        places=frozenset(start + place for place in rule.places),
        keys={coins[holding]: keys for holding, keys in rule.keys.items()},
        among=among,
    )


def _ensure_small(edges: Sequence[Edge], levels: int) -> None:
    for level in range(levels):
        if any(edge.cost[level] > LARGEST_COST for edge in edges):
            message = (
                f"the numbers of preference {level + 1} of all sets span more than 2^60 steps of their least difference"
            )
            raise OverLimit([Fault("over-limit", message, "/sets", "prefer a rule, or a rounder number")])


def solution_of(joint: JointProblem, number: int, solution: Solution, *, budget_seconds: float) -> Solution:
    """One share's part of the answer, in its own numbers.

    A level's value counts this share alone; it is proven, and its bound holds, for the holdings that the other shares leave
    to it. `forced`: in every answer as good on all shares together the same holding sits there. `certain` is the most
    places of this share that firm edges fill with what the others leave, counted within `budget_seconds` of the solver.
    """
    share, start = joint.shares[number], joint.first[number]
    places = range(start, start + len(share.problem.required))
    own = {name: coin for coin, name in enumerate(share.holdings)}
    seats = tuple(
        replace(seat, place=seat.place - start, holding=own[joint.holdings[seat.holding]])
        for seat in solution.placements
        if seat.place in places
    )
    elsewhere: dict[int, int] = {}
    for seat in solution.placements:
        coin = own.get(joint.holdings[seat.holding])
        if seat.place not in places and coin is not None:
            elsewhere[coin] = elsewhere.get(coin, 0) + 1
    left = without_pieces(share.problem, elsewhere)
    firm = frozenset((seat.place, seat.holding) for seat in seats if seat.basis is Basis.FIRM)
    certain, certain_proven = certain_places(lay_out_certain(left), firm, SolverBudget(budget_seconds))
    levels = tuple(_levels(joint, share, seats, solution))
    return Solution(seats, levels, certain, certain_proven, proven=all(level.proven for level in levels))


def without_pieces(problem: AssignmentProblem, gone: Mapping[int, int]) -> AssignmentProblem:
    """The problem with so many pieces of some holdings gone; a holding of which nothing is left loses its edges."""
    left = tuple(max(0, pieces - gone.get(coin, 0)) for coin, pieces in enumerate(problem.quantity))
    return replace(problem, quantity=left, edges=tuple(edge for edge in problem.edges if left[edge.holding]))


def _levels(joint: JointProblem, share: SetProblem, seats: Sequence[Placement], solution: Solution) -> list[Level]:
    edges = {(edge.place, edge.holding): edge for edge in share.problem.edges}
    taken = [edges[seat.place, seat.holding] for seat in seats]
    values = {
        "pins": sum(edge.pinned for edge in taken),
        "required": sum(share.problem.required[edge.place] for edge in taken),
        "places": len(taken),
        "unknown": sum(seat.basis is Basis.UNKNOWN for seat in seats),
        "alternatives": sum(seat.basis is Basis.ALTERNATIVES for seat in seats),
        "moved": sum(edge.stays for edge in taken),
    }
    values |= {f"prefer-{i}": sum(edge.cost[i] for edge in taken) for i in range(share.problem.preference_levels)}
    found = []
    for level in solution.levels:
        gap = level.bound - level.value
        if level.name == "order":
            # Which places are not in order is not told apart, so each share may have all of them.
            found.append(level)
        elif level.name in values:
            if level.name.startswith("prefer-"):
                at = int(level.name.removeprefix("prefer-"))
                gap = -(-gap // (joint.steps[at] // share.scale(at).steps))
            value = values[level.name]
            found.append(Level(level.name, value, gap == 0, value + gap))
    return found
