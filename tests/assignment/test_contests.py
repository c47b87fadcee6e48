"""Contests are real and minimal: fewer fitting pieces than places, and no smaller group inside has that.

Hall's theorem (P. Hall, On Representatives of Subsets, Journal of the London Mathematical Society, 1935) is checked by trying
every subset; whether a place can be filled at all, by networkx's maximum matching.
"""

from __future__ import annotations

import random
from itertools import chain, combinations

import networkx as nx
import pytest

from service.assignment.contests import contests
from service.assignment.problem import AssignmentProblem, Basis, Edge
from service.assignment.solve import solve


def an_instance(seed: int) -> tuple[list[list[int]], list[int], AssignmentProblem]:
    chance = random.Random(seed)
    places, holdings = chance.randint(2, 8), chance.randint(1, 7)
    fitting = [sorted(h for h in range(holdings) if chance.random() < chance.choice((0.2, 0.4))) for _ in range(places)]
    quantity = [chance.choice((1, 1, 1, 2)) for _ in range(holdings)]
    edges = tuple(Edge(place, h, Basis.FIRM) for place, fits in enumerate(fitting) for h in fits)
    return fitting, quantity, AssignmentProblem((True,) * places, tuple(quantity), edges)


def shortage(places: tuple[int, ...], fitting: list[list[int]], quantity: list[int]) -> int:
    return len(places) - sum(quantity[h] for h in {h for place in places for h in fitting[place]})


def most_filled(fitting: list[list[int]], quantity: list[int]) -> int:
    graph = nx.Graph()
    tops = [("place", place) for place in range(len(fitting))]
    graph.add_nodes_from(tops)
    for place, fits in enumerate(fitting):
        graph.add_edges_from((("place", place), ("piece", h, n)) for h in fits for n in range(quantity[h]))
    return len(nx.bipartite.hopcroft_karp_matching(graph, tops)) // 2


@pytest.mark.parametrize("block", range(4))
def test_every_contest_is_a_smallest_shortage_of_one(block: int) -> None:
    met = 0
    for seed in range(block * 150, block * 150 + 150):
        fitting, quantity, problem = an_instance(seed)
        solution = solve(problem)
        assert len(solution.placements) == most_filled(fitting, quantity)
        seats = {placement.place: placement.holding for placement in solution.placements}
        empty = [place for place in range(len(fitting)) if place not in seats]
        found = contests(empty, fitting, seats, quantity)
        assert [contest.empty for contest in found] == [place for place in empty if fitting[place]]
        for contest in found:
            met += 1
            group = contest.places
            assert contest.empty in group
            assert contest.holdings == tuple(sorted({h for place in group for h in fitting[place]}))
            assert shortage(group, fitting, quantity) == 1
            smaller = chain.from_iterable(combinations(group, size) for size in range(1, len(group)))
            assert all(shortage(part, fitting, quantity) <= 0 for part in smaller)
    assert met > 30


def test_a_coin_that_is_left_over_means_another_reason() -> None:
    # Place 1 could take holding 1, which sits nowhere: no contest, something else keeps it empty.
    assert contests([1], [[0], [0, 1]], {0: 0}, [1, 1]) == []


def test_a_place_that_nothing_fits_is_a_hole_and_no_contest() -> None:
    assert contests([0], [[]], {}, []) == []
