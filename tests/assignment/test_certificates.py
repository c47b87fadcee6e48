"""The flow's answer proves itself by prices (complementary slackness), whichever way it was found."""

from __future__ import annotations

import random

import pytest

from service.assignment import flow
from service.assignment.components import components, lay_out
from service.assignment.problem import AssignmentProblem, Basis, Edge

SPANS = (1, 5, 69, 10**9, 10**15)


def is_proven(state: flow.FlowState) -> bool:
    """The certificate, on all levels at once: every place is on an option of the least cost plus price, no price is negative,
    and only a holding that is used up has one."""
    for place, costs in state.options.items():
        here = state.holding_of[place]
        if costs[here] + state.price[here] > min(cost + state.price[holding] for holding, cost in costs.items()):
            return False
    return all(
        price == 0 or (price > 0 and holding != flow.EMPTY and not state.has_capacity(holding))
        for holding, price in state.price.items()
    )


def some_problem(seed: int, holdings: int = 12, places: int = 8) -> AssignmentProblem:
    chance = random.Random(seed)
    span = chance.choice(SPANS)
    edges = []
    for holding in range(chance.randint(1, holdings)):
        for place in chance.sample(range(places), chance.randint(1, 4)):
            basis = chance.choice((Basis.FIRM,) * 8 + (Basis.ALTERNATIVES, Basis.UNKNOWN))
            cost = (chance.randint(0, 1), chance.randint(0, span))
            stays, pinned = chance.random() < 0.1, chance.random() < 0.1
            edges.append(Edge(place, holding, basis, cost, stays, pinned))
    required = tuple(chance.random() < 0.7 for _ in range(places))
    return AssignmentProblem(required, tuple(chance.randint(1, 3) for _ in range(holdings)), tuple(edges), (), 2)


@pytest.mark.parametrize("block", range(8))
def test_the_solver_and_the_paths_give_the_same_proven_answer(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    by_solver = 0
    for seed in range(block * 50, block * 50 + 50):
        layout = lay_out(some_problem(seed))
        for component in components(layout):
            monkeypatch.setattr(flow, "LARGE", 10**9)
            slow = flow.solve_flow(layout, component)
            monkeypatch.setattr(flow, "LARGE", 0)
            quick = flow.solve_flow(layout, component)
            by_solver += flow._by_matching(layout, component) is not None
            assert is_proven(slow)
            assert is_proven(quick)
            assert quick.holding_of == slow.holding_of
            assert quick.tight.keys() == slow.tight.keys()
    assert by_solver > 25, "the solver's way was hardly taken"


def test_a_wrong_answer_has_no_proof() -> None:
    edges = (Edge(0, 0, Basis.FIRM, (0,)), Edge(0, 1, Basis.FIRM, (5,)), Edge(1, 0, Basis.FIRM, (0,)))
    layout = lay_out(AssignmentProblem((True, True), (1, 1), edges, (), 1))
    (component,) = components(layout)
    state = flow.solve_flow(layout, component)
    assert is_proven(state)
    state.assign(1, flow.EMPTY)
    state.assign(0, 0)
    assert not is_proven(state), "one place less is filled, and the prices still vouch for it"


def test_a_price_on_what_is_not_used_up_is_no_proof() -> None:
    layout = lay_out(AssignmentProblem((True,), (2,), (Edge(0, 0, Basis.FIRM, (0,)),), (), 1))
    (component,) = components(layout)
    state = flow.solve_flow(layout, component)
    state.price[0] = 1
    assert not is_proven(state)
