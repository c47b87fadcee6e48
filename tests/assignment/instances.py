"""Small problems of every shape, from a seed or drawn by Hypothesis (both feed the same maker)."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from service.assignment.problem import AssignmentProblem, Basis, Edge, EdgeKeys, SetRule
from service.rules.constraints import AT_MOST
from tests.assignment.brute import KINDS


def a_problem(random: Random, *, largest_cost: int = 3, most_rules: int = 3) -> AssignmentProblem:
    places, holdings = random.randint(1, 5), random.randint(1, 6)
    density = random.choice((0.35, 0.5, 0.7))
    levels = random.randint(0, 2)
    bases = random.choice(((Basis.FIRM,), (Basis.FIRM, Basis.FIRM, Basis.ALTERNATIVES, Basis.UNKNOWN)))
    edges = tuple(
        Edge(
            place,
            holding,
            random.choice(bases),
            tuple(random.randint(0, largest_cost) for _ in range(levels)),
            stays=random.random() < 0.2,
            pinned=random.random() < 0.1,
        )
        for place in range(places)
        for holding in range(holdings)
        if random.random() < density
    )
    return AssignmentProblem(
        tuple(random.random() < 0.6 for _ in range(places)),
        tuple(random.choice((1, 1, 1, 2, 3)) for _ in range(holdings)),
        edges,
        tuple(a_rule(random, f"rule-{i}", places, holdings) for i in range(random.randint(0, most_rules))),
        levels,
    )


def a_rule(random: Random, name: str, places: int, holdings: int) -> SetRule:
    kind = random.choice(KINDS)
    covered = frozenset(random.sample(range(places), random.randint(1, places)))
    several = kind is AT_MOST and random.random() < 0.5
    maker: Callable[[Random], EdgeKeys] = many_keys if several else one_key
    return SetRule(name, kind, covered, {h: maker(random) for h in range(holdings)}, random.randint(0, 2))


def one_key(random: Random) -> EdgeKeys:
    basis = random.choice((Basis.ALTERNATIVES, Basis.UNKNOWN))
    draw = random.random()
    if draw < 0.6:
        key = frozenset({random.randint(1, 3)})
        return EdgeKeys(key, key)
    if draw < 0.85:
        return EdgeKeys(frozenset(random.sample((1, 2, 3), 2)), frozenset(), basis)
    return EdgeKeys(None, frozenset(), basis)


def many_keys(random: Random) -> EdgeKeys:
    possible = frozenset(random.sample((1, 2, 3), random.randint(0, 3)))
    settled = frozenset(key for key in possible if random.random() < 0.7)
    return EdgeKeys(possible, settled, Basis.FIRM if settled == possible else Basis.ALTERNATIVES)
