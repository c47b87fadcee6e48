"""Small problems of every shape, from a seed or drawn by Hypothesis (both feed the same maker)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random

from service.assignment.problem import AssignmentProblem, Basis, Edge, EdgeKeys, GroupPin, SetRule
from service.rules.constraints import AT_LEAST, AT_MOST, MATCHES
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
            to_check=random.randint(0, 2),
            presumed=random.random() < 0.2,
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
        tuple(
            GroupPin(random.randrange(holdings), frozenset(random.sample(range(places), random.randint(1, places))))
            for _ in range(random.choice((0, 0, 0, 1, 2)))
        ),
    )


def like_places(random: Random, problem: AssignmentProblem) -> AssignmentProblem:
    """The same where some places are a free choice: as coins go they do not differ, but for pins, nevers and what was there
    before."""
    places = len(problem.required)
    group = frozenset(random.sample(range(places), random.randint(min(2, places), places)))
    model = min(group)
    kept = [edge for edge in problem.edges if edge.place not in group]
    for edge in (edge for edge in problem.edges if edge.place == model):
        for place in sorted(group):
            if random.random() < 0.9:
                stays, pinned = random.random() < 0.1, random.random() < 0.05
                kept.append(replace(edge, place=place, stays=stays, pinned=pinned))
    required = tuple(problem.required[model if at in group else at] for at in range(places))
    return replace(problem, edges=tuple(kept), required=required, alike=(group,))


def a_rule(random: Random, name: str, places: int, holdings: int) -> SetRule:
    kind = random.choice(KINDS)
    covered = frozenset(random.sample(range(places), random.randint(1, places)))
    several = (kind is AT_MOST and random.random() < 0.5) or kind is AT_LEAST
    maker: Callable[[Random], EdgeKeys] = many_keys if several else one_key
    bound = random.randrange(places) if kind is MATCHES else None
    return SetRule(name, kind, covered, {h: maker(random) for h in range(holdings)}, random.randint(0, 2), bound=bound)


def one_key(random: Random) -> EdgeKeys:
    basis = random.choice((Basis.ALTERNATIVES, Basis.UNKNOWN))
    draw, facts = random.random(), frozenset(random.sample(range(3), random.randint(1, 2)))
    if draw < 0.6:
        key = frozenset({random.randint(1, 3)})
        return EdgeKeys(key, key)
    if draw < 0.85:
        return EdgeKeys(frozenset(random.sample((1, 2, 3), 2)), frozenset(), basis, facts)
    return EdgeKeys(None, frozenset(), basis, facts)


def many_keys(random: Random) -> EdgeKeys:
    possible = frozenset(random.sample((1, 2, 3), random.randint(0, 3)))
    settled = frozenset(key for key in possible if random.random() < 0.7)
    return EdgeKeys(possible, settled, *_why(random, settled == possible))


def _why(random: Random, is_settled: bool) -> tuple[Basis, frozenset[int]]:
    if is_settled:
        return Basis.FIRM, frozenset()
    return random.choice((Basis.ALTERNATIVES, Basis.UNKNOWN)), frozenset({random.randrange(3)})
