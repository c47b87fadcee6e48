"""Which places of a problem hang together: what is decided in one group of them changes nothing in another."""

from __future__ import annotations

import numpy as np

from service.assignment.edges import Edges
from service.assignment.network import components_of
from service.assignment.problem import AssignmentProblem


def leaders_of(problem: AssignmentProblem) -> list[int]:
    """For every place the first of those that hang together with it, by coins or by a rule that speaks of both."""
    leader = _by_coins(problem)

    def find(place: int) -> int:
        while leader[place] != place:
            leader[place] = leader[leader[place]]
            place = leader[place]
        return place

    def join(one: int, other: int) -> None:
        low, high = sorted((find(one), find(other)))
        leader[high] = low

    for rule in problem.rules:
        # Coins outside of its places matter to `not_elsewhere` too.
        covered = list(range(len(leader))) if rule.kind.looks_outside else sorted(rule.places)
        covered += [] if rule.bound is None else [rule.bound]
        for place in covered:
            join(place, covered[0])
    return [find(place) for place in range(len(leader))]


def _by_coins(problem: AssignmentProblem) -> list[int]:
    edges = Edges.of(problem.edges, problem.preference_levels).ordered()
    leader = np.arange(len(problem.required))
    if len(edges):
        start = np.flatnonzero(np.diff(edges.place, prepend=-1))
        row = np.repeat(np.arange(len(start)), np.diff(start, append=len(edges)))
        component, places = components_of(edges, start, row, ()), edges.place[start]
        # Components are numbered in the order of their first rows, which are in that of the places.
        _, first = np.unique(component, return_index=True)
        leader[places] = places[first][component]
    found: list[int] = leader.tolist()
    return found
