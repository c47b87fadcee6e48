"""Which problems under set-level rules are proven within the budget, and how much of it they take, from fixed seeds.

A row is a problem: what is proven, where not the first open level with its gap, and the solver's deterministic seconds
beside the wall's. The last column is a check word of the answer: the same in two runs is the same answer.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from random import Random
from unittest.mock import patch

from rich.console import Console

from service.assignment.cp_sat import SolverBudget
from service.assignment.problem import AssignmentProblem, Basis, Edge, EdgeKeys, SetRule, Solution
from service.assignment.solve import solve
from service.rules.constraints import AT_LEAST, AT_MOST, DIFFERENT, MATCHES, NOT_ELSEWHERE, SAME

SEEDS = range(20)
LARGE_SEEDS = range(8)
BUDGET = 10.0

_ISSUERS, _VALUES, _YEARS = 12, 9, 40


def several_rules(seed: int) -> AssignmentProblem:
    """60 places, 200 to 500 coins that fit up to 20 places each, three or four rules of different kinds over some or all
    places; in one problem of two some facts are in doubt."""
    random = Random(seed)
    places, holdings = 60, random.choice((200, 300, 500))
    doubt = random.choice((0.0, 0.04))
    coins = [_a_coin(random) for _ in range(holdings)]
    edges = _edges(random, places, holdings, 20, doubt)
    kinds = random.sample((AT_MOST, AT_MOST, DIFFERENT, SAME, NOT_ELSEWHERE, MATCHES, AT_LEAST), random.randint(3, 4))
    rules = []
    for number, kind in enumerate(kinds):
        covered = random.sample(
            range(places), {SAME: 5, NOT_ELSEWHERE: 6, MATCHES: 8}.get(kind, random.choice((30, 60)))
        )
        bound = random.randrange(places) if kind is MATCHES else None
        if kind is AT_LEAST or (kind is AT_MOST and random.random() < 0.5):
            one = random.randrange(3)
            keys = {h: _fits(random, coin[0] % 3 == one, doubt) for h, coin in enumerate(coins)}
            count = len(covered) // (2 if kind is AT_LEAST else 5)
        elif kind is DIFFERENT:
            keys = {h: _a_key(random, coin[0] * _YEARS + coin[2], _YEARS, doubt) for h, coin in enumerate(coins)}
            count = 0
        else:
            at = random.randrange(2)
            keys = {h: _a_key(random, coin[at], 2, doubt) for h, coin in enumerate(coins)}
            count = max(1, len(covered) // 12)
        rules.append(SetRule(f"rule-{number}", kind, frozenset(covered), keys, count, bound=bound))
    required = tuple(random.random() < 0.7 for _ in range(places))
    return AssignmentProblem(required, (1,) * holdings, tuple(edges), tuple(rules), 2)


def one_rule(seed: int) -> AssignmentProblem:
    """2,000 places, 6,000 coins that fit one to three places each, or up to 20; one `at_most`, by a key or by what fits a
    rule, over all places or half of them."""
    random = Random(seed)
    places, holdings = 2_000, 6_000
    most_fits, by_key, everywhere = (3, 20)[seed % 2], bool(seed // 2 % 2), not seed // 4 % 2
    coins = [_a_coin(random) for _ in range(holdings)]
    edges = _edges(random, places, holdings, most_fits, 0.0)
    covered = frozenset(range(places) if everywhere else random.sample(range(places), places // 2))
    if by_key:
        keys = {h: _a_key(random, coin[0] * _YEARS + coin[2], _YEARS, 0.0) for h, coin in enumerate(coins)}
        count = 3
    else:
        keys = {h: _fits(random, coin[0] < 3, 0.0) for h, coin in enumerate(coins)}
        count = len(covered) // 5
    rule = SetRule("rule", AT_MOST, covered, keys, count)
    return AssignmentProblem((True,) * places, (1,) * holdings, tuple(edges), (rule,), 2)


_Coin = tuple[int, int, int]
"""Issuer, value and year by number."""


def _a_coin(random: Random) -> _Coin:
    """Early issuers are common."""
    issuer = min(random.randrange(_ISSUERS), random.randrange(_ISSUERS))
    return issuer, random.randrange(_VALUES), random.randrange(_YEARS)


def _edges(random: Random, places: int, holdings: int, most_fits: int, doubt: float) -> list[Edge]:
    return [
        _an_edge(random, place, holding, doubt)
        for holding in range(holdings)
        for place in sorted(random.sample(range(places), random.randint(1, most_fits)))
    ]


def _an_edge(random: Random, place: int, holding: int, doubt: float) -> Edge:
    draw = random.random()
    basis = Basis.FIRM if draw >= 2 * doubt else Basis.ALTERNATIVES if draw < doubt else Basis.UNKNOWN
    to_check = 0 if basis is Basis.FIRM else random.randint(1, 2)
    return Edge(place, holding, basis, (random.randint(0, 1), random.randint(0, 69)), to_check=to_check)


def _a_key(random: Random, key: int, apart: int, doubt: float) -> EdgeKeys:
    """The key, or one that is this or another."""
    if random.random() < doubt:
        return EdgeKeys(frozenset({key, key + apart}), frozenset(), Basis.ALTERNATIVES, frozenset({0}))
    return EdgeKeys(frozenset({key}), frozenset({key}))


def _fits(random: Random, fits: bool, doubt: float) -> EdgeKeys:
    """The key 1 of a coin that fits a rule, or may."""
    if random.random() < doubt:
        return EdgeKeys(frozenset({1}), frozenset(), Basis.UNKNOWN, frozenset({1}))
    keys = frozenset({1}) if fits else frozenset[int]()
    return EdgeKeys(keys, keys)


def gap_of(solution: Solution) -> str:
    """The first level that is not proven, with its value and bound."""
    for level in solution.levels:
        if not level.proven:
            share = f", {abs(level.bound - level.value) / abs(level.value):.1%}" if level.value else ""
            return f"{level.name}: {level.value} (bound {level.bound}{share})"
    return ""


_WIDTHS = (5, 8, 58, 9, 48, 7, 7, 8, 6, 8)


def measure(
    console: Console, title: str, make: Callable[[int], AssignmentProblem], seeds: Iterable[int], budget: float
) -> None:
    """Each problem solved once, a line as it comes."""
    console.print(title)
    _line(
        console, ("seed", "edges", "rules", "levels", "first open level", "counts", "others", "det. s", "s", "answer")
    )
    proven = asked = 0
    for seed in seeds:
        problem = make(seed)
        begun = time.perf_counter()
        with _spending() as spent:
            solution = solve(problem, budget_seconds=budget)
        took = time.perf_counter() - begun
        proven, asked = proven + solution.proven, asked + 1
        counted = solution.certain_proven and solution.possible_proven
        others = all(placement.instead_proven for placement in solution.placements if placement.basis is Basis.FIRM)
        levels = [level.value for level in solution.levels]
        told = repr((solution.placements, levels, solution.certain, solution.possible))
        _line(
            console,
            (
                str(seed),
                f"{len(problem.edges):,}",
                " ".join(rule.kind.name for rule in problem.rules),
                f"{sum(level.proven for level in solution.levels)} of {len(levels)}",
                gap_of(solution),
                "proven" if counted else "open",
                "proven" if others else "open",
                f"{sum(spent):.2f}",
                f"{took:.1f}",
                sha256(told.encode()).hexdigest()[:8],
            ),
        )
    console.print(f"{proven} of {asked} proven\n")


def _line(console: Console, cells: Iterable[str]) -> None:
    console.print(" ".join(cell.ljust(width) for cell, width in zip(cells, _WIDTHS, strict=True)), highlight=False)


@contextmanager
def _spending() -> Iterator[list[float]]:
    """The deterministic seconds that searches spend meanwhile."""
    spent: list[float] = []
    spend = SolverBudget.spend

    def counted(self: SolverBudget, seconds: float) -> None:
        spent.append(seconds)
        spend(self, seconds)

    with patch.object(SolverBudget, "spend", counted):
        yield spent


def run(
    console: Console, budget: float = BUDGET, seeds: Iterable[int] = SEEDS, large: Iterable[int] = LARGE_SEEDS
) -> None:
    """Both lists."""
    measure(console, "60 places under three or four rules", several_rules, seeds, budget)
    measure(console, "2,000 places under one at_most", one_rule, large, budget)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--budget", type=float, default=BUDGET)
    parser.add_argument("--seeds", type=int, nargs="*", default=SEEDS)
    parser.add_argument("--large", type=int, nargs="*", default=LARGE_SEEDS)
    chosen = parser.parse_args()
    run(Console(width=200), chosen.budget, chosen.seeds, chosen.large)
