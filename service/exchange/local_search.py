"""Large neighbourhood search by ruin and recreate: cycles among many parties improved step by step.

A few cycles near one party are given up, and what is left is filled again by short cycles, others each time; what fills
fewer places than before is taken back (P. Shaw, "Using constraint programming and local search methods to solve vehicle
routing problems", CP 1998; G. Schrimpf and others, "Record breaking optimization results using the ruin and recreate
principle", 2000; both from memory). Coins and places outside of the circulation are used as well.
"""

from __future__ import annotations

from random import Random

from service.assignment.cp_sat import SEED, SolverBudget
from service.exchange.circulation import Circulation
from service.exchange.reduction import LinkCycle, ReducedExchange
from service.exchange.remainder import Remainder

_MOST_GIVEN_UP = 3
_MOST_FAILURES = 20_000
"""Tries in a row without improvement after which the search ends."""
SECONDS_PER_STEP = 1e-5
"""The deterministic seconds of a step of `Remainder`, about as long as real ones; a try without one costs as much."""


def improve(
    reduced: ReducedExchange,
    flow: Circulation,
    start: list[LinkCycle],
    longest: int,
    budget: SolverBudget,
    seconds: float,
) -> list[LinkCycle]:
    """Cycles of up to `longest` parties (four at most) that fill at least as many places as those of `start`. Ends at the
    flow's bound, at the end of the budget (`seconds`, deterministic), or after 20,000 tries in a row without improvement.
    No optimality is claimed."""
    remainder, random = Remainder(reduced, start), Random(SEED)  # noqa: S311  # the same choices each time are wanted
    stop, failures, tries = budget.left - seconds, 0, 0
    charged = 0.0

    def charge() -> None:
        nonlocal charged
        due = (remainder.steps + tries) * SECONDS_PER_STEP
        budget.spend(due - charged)
        charged = due

    for position in range(len(reduced.parties)):
        if budget.left <= stop:
            break
        _fill(remainder, (position,), longest, random)
        charge()
    while failures < _MOST_FAILURES and remainder.filled < flow.value and budget.left > stop:
        tries += 1
        before = remainder.filled
        _try(remainder, random.randrange(len(reduced.parties)), longest, random)
        failures = 0 if remainder.filled > before else failures + 1
        charge()
    return list(remainder.cycles.values())


def _try(remainder: Remainder, centre: int, longest: int, random: Random) -> None:
    """Give up cycles near a party and fill again; take it back where that fills fewer places."""
    before, near = remainder.filled, centre
    old: list[LinkCycle] = []
    touched = {centre: None}
    for _ in range(random.randint(1, _MOST_GIVEN_UP)):
        there = remainder.cycles_at(near)
        if not there:
            break
        old.append(remainder.remove(random.choice(there)))
        parties = remainder.parties_of(old[-1])
        touched |= dict.fromkeys(parties)
        if random.random() < 0.5:
            near = random.choice(parties)
    order = list(touched)
    random.shuffle(order)
    new = _fill(remainder, order, longest, random)
    if remainder.filled < before:
        for number in new:
            remainder.remove(number)
        for cycle in old:
            remainder.add(cycle)


def _fill(remainder: Remainder, positions: list[int] | tuple[int, ...], longest: int, random: Random) -> list[int]:
    """Take cycles through these parties while there are some."""
    taken: list[int] = []
    for position in positions:
        while (number := remainder.take(position, longest, random.getrandbits(16))) is not None:
            taken.append(number)
    return taken
