"""Which places of a problem hang together: what is decided in one group of them changes nothing in another."""

from __future__ import annotations

import numpy as np

from service.assignment.disjoint_sets import DisjointSets
from service.assignment.edges import Edges
from service.assignment.network import components_of
from service.assignment.problem import AssignmentProblem


def leaders_of(problem: AssignmentProblem) -> list[int]:
    """For every place the first of those that hang together with it, by coins or by a rule that speaks of both."""
    groups = DisjointSets(len(problem.required))
    for place, leader in enumerate(_by_coins(problem)):
        groups.join(place, leader)
    for rule in problem.rules:
        # Coins outside of its places matter to `not_elsewhere` too.
        covered = list(range(len(problem.required))) if rule.kind.looks_outside else sorted(rule.places)
        covered += [] if rule.bound is None else [rule.bound]
        for place in covered:
            groups.join(place, covered[0])
    return [groups.leader(place) for place in range(len(problem.required))]


def _by_coins(problem: AssignmentProblem) -> list[int]:
    edges = Edges.of(problem.edges, problem.preference_levels).ordered()
    leader = np.arange(len(problem.required))
    if len(edges):
        start = np.flatnonzero(np.diff(edges.place, prepend=-1))
        row = np.repeat(np.arange(len(start)), np.diff(start, append=len(edges)))
        component, places = components_of(len(start), row, edges.holding), edges.place[start]
        # Components are numbered in the order of their first rows, which are in that of the places.
        _, first = np.unique(component, return_index=True)
        leader[places] = places[first][component]
    found: list[int] = leader.tolist()
    return found
