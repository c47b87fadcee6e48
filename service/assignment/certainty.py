"""What holds in every best assignment, and how many places are filled in every world.

Without bonds both follow from the prices of the flow: a place may sit elsewhere in some optimum exactly when a tight
option of it lies in the same strongly connected part of the graph of free moves (Berge 1957; Regin 1994). With bonds
the solver is asked, again and again, for an optimum that departs from the one in hand somewhere it never yet did.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from service.assignment.components import Component, Layout, components
from service.assignment.flow import EMPTY, FlowState, selected_edges, solve_flow
from service.assignment.search import Assignment, Search, SolverBudget


def forced_by_flow(filling: FlowState) -> frozenset[int]:
    """The places whose choice, a holding or none, is the same in every optimum of a component without bonds."""
    part = _parts(filling)
    return frozenset(
        place
        for place, here in filling.chosen.items()
        if all(there == here or part[there] != part[here] for there in filling.tight[place])
    )


def forced_by_search(search: Search, places: Iterable[int], meter: SolverBudget, seconds: float) -> frozenset[int]:
    """Those of the places whose choice is the same in every optimum of the levels that the search holds. What the
    budget leaves open is not among them."""
    unseen = set(places)
    stop = meter.left - seconds
    while unseen and meter.left > stop:
        other, proven = search.depart(sorted(unseen), meter, (meter.left - stop) / 2)
        if other is None:
            return frozenset(unseen) if proven else frozenset()
        unseen -= {place for place in unseen if search.choice(other, place) != search.choice(search.best, place)}
    return frozenset()


def certain_places(board: Layout, firm: frozenset[tuple[int, int]], meter: SolverBudget) -> tuple[int, bool]:
    """The most places of a `lay_out_certain` board that can be filled, and whether that is proven. `firm` is a set of
    (place, holding) known to obey every bond of it: where it fills what the flow can fill, nothing is searched."""
    total, proven = 0, True
    hard: list[tuple[Component, Assignment, Assignment]] = []
    for component in components(board):
        filled = selected_edges(board, component, solve_flow(board, component, in_order=False))
        known = frozenset(e for e in component.edges if (board.edges[e].place, board.edges[e].holding) in firm)
        if not component.bonds or len(known) == len(filled):
            total += len(filled)
        else:
            hard.append((component, Assignment(known), Assignment(filled)))
    for number, (component, start, floor) in enumerate(hard):
        search = Search(board, component, start)
        search.optimise(meter, meter.left / (len(hard) - number), floor)
        total += search.levels()[0].value
        proven = proven and search.levels()[0].proven
    return total, proven


def _parts(filling: FlowState) -> dict[int, int]:
    """A number for each holding and EMPTY, equal exactly within a strongly connected part of the free moves.
    Tarjan's algorithm (1972), without recursion."""
    index: dict[int, int] = {}
    low: dict[int, int] = {}
    part: dict[int, int] = {}
    stack: list[int] = []
    for root in filling.sitting:
        if root in index:
            continue
        walk: list[tuple[int, Iterator[int]]] = [(root, _moves(filling, root))]
        index[root] = low[root] = len(index)
        stack.append(root)
        while walk:
            here, moves = walk[-1]
            for there in moves:
                if there not in index:
                    index[there] = low[there] = len(index)
                    stack.append(there)
                    walk.append((there, _moves(filling, there)))
                    break
                if there not in part:
                    low[here] = min(low[here], index[there])
            else:
                walk.pop()
                if walk:
                    low[walk[-1][0]] = min(low[walk[-1][0]], low[here])
                if low[here] == index[here]:
                    while True:
                        member = stack.pop()
                        part[member] = index[here]
                        if member == here:
                            break
    return part


def _moves(filling: FlowState, here: int) -> Iterator[int]:
    if here == EMPTY:
        yield from (loose for loose, seated in filling.sitting.items() if seated and filling.is_loose(loose))
    elif filling.is_loose(here) and filling.has_spare(here):
        yield EMPTY
    for place in list(filling.sitting[here]):
        yield from filling.tight[place]
