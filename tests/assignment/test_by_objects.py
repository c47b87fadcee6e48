"""The arrays give the same answer as one object for each edge, whatever the problem: every level, every place, how firmly each
coin stands and what would do instead."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from random import Random

import pytest

from service.assignment import network, optimum, unruled
from service.assignment.edges import Edges
from service.assignment.problem import AssignmentProblem, Basis, Edge, GroupPin
from service.assignment.solve import most_filled, solve
from tests.assignment.by_objects.solve import most_filled as most_filled_by_objects
from tests.assignment.by_objects.solve import solve as solve_by_objects
from tests.assignment.instances import a_problem, a_rule, like_places
from tests.strategies import examples

BLOCKS = 4
SPANS = (0, 1, 3, 69, 10**9, 2**50, 2**60)


def a_larger_problem(chance: Random) -> AssignmentProblem:
    """Several components of any size, with doubts, pins, places that are alike, and costs that seldom or often tie."""
    places, holdings = chance.randint(1, 14), chance.randint(1, 24)
    levels, span, most = chance.randint(0, 3), chance.choice(SPANS), chance.randint(1, 6)
    doubts = (Basis.FIRM,) * chance.choice((1, 8)) + tuple(Basis)
    width, edges = chance.randint(1, places), []
    for holding in range(holdings):
        first = chance.randrange(places)
        near = sorted({(first + step) % places for step in range(width)})
        # What a coin is worth is mostly the same wherever it is.
        worth = [chance.randint(0, span) for _ in range(levels)]
        for place in chance.sample(near, min(len(near), chance.randint(1, most))):
            own = chance.random() < 0.2
            edges.append(
                Edge(
                    place,
                    holding,
                    chance.choice(doubts),
                    tuple(chance.randint(0, span) if own else cost for cost in worth),
                    stays=chance.random() < 0.1,
                    pinned=chance.random() < 0.05,
                    to_check=chance.choice((0, 0, 1, 3)),
                    presumed=chance.random() < 0.1,
                )
            )
    every = list(range(places))
    chance.shuffle(every)
    sizes = (1, 1, 1, 1, 2, 3) if chance.random() < 0.5 else (0, 1, 2, 5)
    pins = (
        GroupPin(chance.randrange(holdings), frozenset(chance.sample(every, chance.randint(1, places))))
        for _ in range(chance.choice((0, 0, 0, 1, 2)))
    )
    problem = AssignmentProblem(
        tuple(chance.random() < chance.choice((0.5, 1.0)) for _ in range(places)),
        tuple(chance.choice(sizes) for _ in range(holdings)),
        tuple(edges),
        (),
        levels,
        tuple(pins),
        (frozenset(every[:3]), frozenset(every[3:5])) if places > 5 and chance.random() < 0.3 else (),
    )
    if chance.random() < 0.1:
        places_of_rule = frozenset(chance.sample(every, min(places, 3)))
        rule = replace(a_rule(chance, "rule", places, holdings), places=places_of_rule)
        problem = replace(problem, rules=(rule,))
    return problem


def problems(block: int, count: int) -> Iterator[AssignmentProblem]:
    for seed in range(block, count, BLOCKS):
        chance = Random(seed)
        kind = seed % 4
        if kind == 0:
            yield a_problem(chance, largest_cost=chance.choice((0, 1, 3)), most_rules=0)
        elif kind == 1:
            yield like_places(chance, a_problem(chance, largest_cost=chance.choice((0, 1, 3)), most_rules=0))
        else:
            yield a_larger_problem(chance)


@pytest.mark.parametrize("block", range(BLOCKS))
def test_arrays_and_objects_agree(block: int) -> None:
    for problem in problems(block, examples(2_000)):
        expected = solve_by_objects(problem)
        assert solve(problem) == expected, problem
        as_arrays = replace(problem, edges=Edges.of(problem.edges, problem.preference_levels))
        assert solve(as_arrays) == expected
        assert most_filled(as_arrays) == most_filled_by_objects(problem)


@pytest.mark.parametrize("block", range(BLOCKS))
def test_the_solver_and_the_stages_agree_with_objects(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    by_solver, stages = 0, 0

    def counted(contest: optimum._Contest) -> object:
        nonlocal by_solver
        found = cheapest(contest)
        by_solver += found is not None
        return found

    cheapest = optimum._cheapest
    monkeypatch.setattr(optimum, "_cheapest", counted)
    monkeypatch.setattr(optimum, "LARGE", 0)
    monkeypatch.setattr(network, "LARGE", 0)
    monkeypatch.setattr(optimum, "_MOST_STEPS", 0)
    for number, problem in enumerate(problems(block, examples(1_000))):
        room = (2**50, 2**12, 2)[number % 3]
        monkeypatch.setattr(optimum, "ROOM", room)
        monkeypatch.setattr(optimum, "ROOM_OF_SOLVER", room)
        assert solve(problem) == solve_by_objects(problem), problem
        stages += _has_stages(problem, room)
    assert by_solver > 25, "the solver's way was hardly taken"
    assert stages > 25, "hardly any problem had several stages"


@pytest.mark.parametrize("block", range(BLOCKS))
def test_the_paths_and_the_stages_agree_with_objects(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    stages = 0
    monkeypatch.setattr(optimum, "_CHUNK", 1)
    for number, problem in enumerate(problems(block, examples(1_000))):
        room = (2**60, 2**12, 2)[number % 3]
        monkeypatch.setattr(optimum, "ROOM", room)
        assert solve(problem) == solve_by_objects(problem), problem
        stages += _has_stages(problem, room)
    assert stages > 25, "hardly any problem had several stages"


def _has_stages(problem: AssignmentProblem, room: int) -> bool:
    part = unruled.parted(problem)
    losses = tuple(network.all_losses(problem, part.edges).values())
    return len(part.edges) > 0 and len(network.stages_of(part.network(losses), room)) > 1


def test_costs_past_what_the_solver_can_represent_go_to_it_in_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every place wants the same coins, so that paths are given up; the levels together are past 2^50."""
    chance = Random(5)
    edges = tuple(
        Edge(place, coin, Basis.FIRM, (chance.randint(0, 3), coin * 10**8, chance.randint(0, 9)), to_check=0)
        for place in range(40)
        for coin in range(60)
    )
    problem = AssignmentProblem((True,) * 40, (1,) * 60, edges, (), 3)
    rooms = []

    def counted(found: network.Network, room: int) -> list[network.Stage]:
        rooms.append(room)
        return stages_of(found, room)

    stages_of = optimum.stages_of
    monkeypatch.setattr(optimum, "stages_of", counted)
    monkeypatch.setattr(optimum, "_MOST_STEPS", 100)
    assert solve(problem) == solve_by_objects(problem)
    assert {optimum.ROOM, optimum.ROOM_OF_SOLVER} <= set(rooms)


def test_a_place_gives_way_to_two_that_share_two_coins() -> None:
    """All are as good. Place 1 comes before the others and could take coin 0, but then one of those were empty."""
    fits = {0: (3,), 1: (0, 2), 2: (0, 1), 3: (0, 1)}
    edges = tuple(Edge(place, coin, Basis.FIRM) for place, coins in fits.items() for coin in coins)
    solution = solve(AssignmentProblem((True,) * 4, (1,) * 4, edges))
    assert [(one.place, one.holding, one.forced) for one in solution.placements] == [
        (0, 3, True),
        (1, 2, True),
        (2, 0, False),
        (3, 1, False),
    ]
