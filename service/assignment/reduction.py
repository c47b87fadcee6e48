"""What a bound component can do without: edges that no best assignment uses, found from the prices of the flow.

The flow without bonds costs no more than any answer, and an answer with edge e costs at least what that edge is above the
least of its place (its reduced cost) more. So with any answer in hand that keeps the bonds, every edge which alone would
cost more than that answer is out, exactly, on all levels at once. What is left is far less, and falls into pieces.
"""

from __future__ import annotations

from service.assignment.components import Component, Layout, split
from service.assignment.flow import FlowState, level_weights, selected_edges, solve_flow
from service.assignment.search import Assignment, greedy_assignment, loss

_MOST_ROUNDS = 12


def first_incumbent(board: Layout, component: Component, filling: FlowState) -> Assignment:
    """A good answer that keeps every bond: what the bonds refuse of the flow's answer is taken away, and it flows anew."""
    best: tuple[int, Assignment] | None = None
    allowed = component.edges
    for _ in range(_MOST_ROUNDS):
        wanted = selected_edges(board, component, filling)
        answer = greedy_assignment(board, component, wanted)
        cost = _packed(board, component, answer)
        if best is None or cost < best[0]:
            best = cost, answer
        refused = (wanted - answer.edges) | (wanted & answer.tentative)
        if not refused:
            break
        allowed = tuple(edge for edge in allowed if edge not in refused)
        filling = solve_flow(board, Component(component.places, allowed, ()))
    assert best is not None
    return best[1]


def fix_by_reduced_cost(
    board: Layout, component: Component, filling: FlowState, answer: Assignment
) -> tuple[Component, ...]:
    """The pieces that are left of the component. `filling` is its flow without bonds, `answer` keeps them; every
    assignment at least as good as the answer, ties among them included, is still there."""
    room = _packed(board, component, answer) - _packed(
        board, component, Assignment(selected_edges(board, component, filling))
    )

    def is_worth_it(number: int) -> bool:
        edge = board.edges[number]
        costs, chosen = filling.options[edge.place], filling.chosen[edge.place]
        least = costs[chosen] + filling.price[chosen]
        return costs[edge.holding] + filling.price[edge.holding] - least <= room

    return split(board, [number for number in component.edges if is_worth_it(number)], component.bonds)


def _packed(board: Layout, component: Component, taken: Assignment) -> int:
    weights = level_weights(board, component)
    return sum(loss(board, level, taken) * weight for level, weight in enumerate(weights))
