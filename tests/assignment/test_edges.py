"""Edges as arrays are the sequence of the objects that they were made of."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from service.assignment import network
from service.assignment.edges import Edges, PlaceEdges, joined
from service.assignment.neighbours import leaders_of
from service.assignment.problem import Basis, Edge
from tests.assignment.by_objects.neighbours import leaders_of as leaders_by_objects
from tests.assignment.instances import a_problem

SOME = (
    Edge(2, 1, Basis.UNKNOWN, (3, 2**60), to_check=2),
    Edge(0, 4, Basis.FIRM, (0, 1), stays=True, presumed=True),
    Edge(0, 1, Basis.REFERENCE, (5, 0), pinned=True),
)


def test_a_sequence_of_edges() -> None:
    edges = Edges.of(SOME, 2)
    assert tuple(edges) == SOME
    assert [edges[at] for at in range(3)] == list(SOME)
    assert edges[1:] == SOME[1:]
    assert edges != SOME[1:]
    assert len(Edges.of((), 2)) == 0
    assert Edges.of(edges, 2) is edges
    assert tuple(edges.ordered()) == (SOME[2], SOME[1], SOME[0])
    assert not edges.is_ordered
    with pytest.raises(IndexError):
        edges[3]


def test_edges_of_one_place() -> None:
    edges = Edges.of(SOME, 2).ordered()
    at_place = PlaceEdges(edges, edges.of_place(0))
    assert dict(at_place) == {1: SOME[2], 4: SOME[1]}
    assert list(at_place.items()) == [(1, SOME[2]), (4, SOME[1])]
    assert list(at_place.values()) == [SOME[2], SOME[1]]
    assert 2 not in at_place
    assert len(PlaceEdges(edges, edges.of_place(1))) == 0
    assert edges.positions([(0, 4), (0, 2), (1, 1), (2, 1), (7, 1)]) == [1, 2]


def test_edges_without_what_they_cost() -> None:
    plain = tuple(Edges.of(SOME, 2).plain())
    assert plain == tuple(Edge(one.place, one.holding, Basis.FIRM, pinned=one.pinned) for one in SOME)
    assert tuple(joined([Edges.of(SOME[:1], 2), Edges.of(SOME[1:], 2)], 2)) == SOME
    assert tuple(Edges.of(SOME, 2).at(np.array([2, 0]))) == (SOME[2], SOME[0])


@pytest.mark.parametrize("large", (0, 10**9))
def test_what_hangs_together_is_what_objects_say(large: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(network, "LARGE", large)
    for seed in range(400):
        problem = a_problem(Random(seed))
        assert leaders_of(problem) == leaders_by_objects(problem)
        some = replace(problem, edges=Edges.of(problem.edges, problem.preference_levels).at(slice(None, None, -1)))
        assert leaders_of(some) == leaders_by_objects(problem)
