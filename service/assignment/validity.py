"""Whether an assignment problem keeps its own contract."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from service.assignment.edges import Edges
from service.assignment.problem import LARGEST_COST, AssignmentProblem, Basis, SetRule


def ensure_valid(problem: AssignmentProblem) -> Edges:
    """The edges, ordered by place, then holding. Raises ValueError, naming every fault, when the problem violates its own
    contract (a number out of range, a duplicate edge, a cost outside 0 to LARGEST_COST, keys that are missing or
    inconsistent). Linear in edges, and in holdings times rules."""
    faults: list[str] = []
    if min(problem.quantity, default=0) < 0:
        faults.append("a quantity is negative")
    edges = _as_arrays(problem)
    if edges is None or not _is_sound(problem, edges):
        faults.extend(_faults_of_edges(problem))
    for rule in problem.rules:
        if edges is not None and not faults:
            covered = np.array([rule.covers(place) for place in range(len(problem.required))], bool)
            holdings = np.unique(edges.holding[covered[edges.place]]).tolist()
        else:
            holdings = sorted({edge.holding for edge in problem.edges if rule.covers(edge.place)})
        faults.extend(_faults_of_rule(rule, holdings))
    if len(problem.alike) != 0 and len(frozenset().union(*problem.alike)) != sum(map(len, problem.alike)):
        faults.append("groups of like places overlap")
    if faults or edges is None:
        raise ValueError("; ".join(faults))
    return edges


def _as_arrays(problem: AssignmentProblem) -> Edges | None:
    """The edges in order; None where an edge has too many costs or too few, or one that no array can have."""
    if isinstance(problem.edges, Edges):
        return problem.edges.ordered()
    try:
        return Edges.of(problem.edges, problem.preference_levels).ordered()
    except (ValueError, OverflowError):
        return None


def _is_sound(problem: AssignmentProblem, edges: Edges) -> bool:
    place, holding, cost = edges.place, edges.holding, edges.cost
    if len(cost) != problem.preference_levels:
        return False
    if not len(edges):
        return True
    is_known = place[0] >= 0 and place[-1] < len(problem.required)
    is_known = is_known and holding.min() >= 0 and holding.max() < len(problem.quantity)
    # Read without a sign a negative number is larger than any that is allowed.
    is_small = cost.view(np.uint64).max(initial=0) <= LARGEST_COST and edges.to_check.view(np.uint64).max() < 2**63
    return bool(is_known and edges.is_ordered and is_small)


def _faults_of_edges(problem: AssignmentProblem) -> Iterator[str]:
    places, holdings = len(problem.required), len(problem.quantity)
    seen: set[tuple[int, int]] = set()
    for edge in problem.edges:
        name = f"edge (place {edge.place}, holding {edge.holding})"
        if not (0 <= edge.place < places and 0 <= edge.holding < holdings):
            yield f"{name} names a place or holding that does not exist"
        if (edge.place, edge.holding) in seen:
            yield f"{name} is listed twice"
        seen.add((edge.place, edge.holding))
        if len(edge.cost) != problem.preference_levels:
            yield f"{name} has {len(edge.cost)} costs, not {problem.preference_levels}"
        if edge.to_check < 0:
            yield f"{name} has a negative number of facts to look up"
        if any(not 0 <= cost <= LARGEST_COST for cost in edge.cost):
            yield f"{name} has a cost outside 0 to 2**60: use ranks or a coarser unit"


def _faults_of_rule(rule: SetRule, holdings: Iterable[int]) -> Iterator[str]:
    for holding in holdings:
        name = f"rule {rule.name!r}, holding {holding}"
        keys = rule.keys.get(holding)
        if keys is None:
            yield f"{name} has no keys"
            continue
        if keys.possible is not None and not keys.settled <= keys.possible:
            yield f"{name} has a settled key that is not possible"
        if keys.possible != keys.settled and keys.basis is Basis.FIRM:
            yield f"{name} has an unsettled key and no basis for it"
        if not rule.kind.counts_fitting:
            settled = keys.possible == keys.settled
            if (settled and len(keys.settled) != 1) or (not settled and keys.settled):
                yield f"{name} must have exactly one key when it is settled, and no settled key when it is not"
    if rule.kind.binds_one and rule.bound is None:
        yield f"rule {rule.name!r} has no place that it binds"
    if rule.count < 0:
        yield f"rule {rule.name!r} has a negative count"
