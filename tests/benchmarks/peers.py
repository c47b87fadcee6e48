"""Peers and floors: other ways to the same answer, from the registries or as plain as can be, each checked to agree."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.problem import AssignmentProblem
from service.facts.holding import View
from service.facts.knowledge import Among, Between
from service.rules.predicates import (
    And,
    Comparison,
    Not,
    OneOf,
    Predicate,
    SetComparison,
    Within,
)
from service.rules.terms import Const, Ref

Bits = npt.NDArray[np.uint8]


def plain(row: View, name: str) -> Any:
    """What a two-valued engine can be told: the plain value, else nothing."""
    knowledge = row.facts.get(name)
    return knowledge.values[0] if isinstance(knowledge, Among) and knowledge.is_plain else None


def python_source(predicate: Predicate) -> str:
    """The rule as a Python expression over `r`, as a careful programmer would generate it (nothing recorded: false)."""
    if isinstance(predicate, And):
        return "(" + " and ".join(python_source(item) for item in predicate.items) + ")"
    if isinstance(predicate, Not):
        return f"(not {python_source(predicate.item)})"
    if isinstance(predicate, Comparison) and isinstance(predicate.left, Ref) and isinstance(predicate.right, Const):
        return f"(r[{predicate.left.name!r}] == {predicate.right.constant!r})"
    if isinstance(predicate, Within) and isinstance(predicate.term, Ref):
        low, high = predicate.low.value({}), predicate.high.value({})
        name = predicate.term.name
        return f"(r[{name!r}] is not None and {low!r} <= r[{name!r}] <= {high!r})"
    if isinstance(predicate, SetComparison) and isinstance(predicate.left, Ref):
        wanted = predicate.right.value({})
        return f"(r[{predicate.left.name!r}] is not None and r[{predicate.left.name!r}] >= {wanted!r})"
    if isinstance(predicate, OneOf) and isinstance(predicate.term, Ref):
        values = tuple(item.value({}) for item in predicate.items)
        return f"(r[{predicate.term.name!r}] in {values!r})"
    raise NotImplementedError(type(predicate).__name__)


def row_by_row(predicates: Sequence[Predicate], rows: Sequence[View]) -> Callable[[], int]:
    """Generated Python, one call a row and rule: the usual way of a rules engine at its best. Counts fitting pairs."""
    names = ("issuer", "denomination", "year_on_coin", "grade", "problems")
    records = [{name: plain(row, name) for name in names} for row in rows]
    rules = [eval(f"lambda r: {python_source(predicate)}") for predicate in predicates]

    def run() -> int:
        return sum(1 for rule in rules for record in records if rule(record))

    return run


def polars_lazy(predicates: Sequence[Predicate], rows: Sequence[View]) -> Callable[[], int]:
    """polars, all rules as one lazy select of counts (two-valued)."""
    import polars as pl

    frame = pl.DataFrame(
        {
            "issuer": [plain(row, "issuer") for row in rows],
            "denomination": [plain(row, "denomination") for row in rows],
            "year_on_coin": [plain(row, "year_on_coin") for row in rows],
            "holed": ["holed" in (plain(row, "problems") or ()) for row in rows],
        }
    ).with_columns(pl.col("issuer").cast(pl.Categorical), pl.col("denomination").cast(pl.Categorical))
    expressions = [_expression(predicate).sum().alias(str(n)) for n, predicate in enumerate(predicates)]

    def run() -> int:
        counts = frame.lazy().select(expressions).collect()
        return int(sum(counts.row(0)))

    return run


def _expression(predicate: Predicate) -> Any:
    import polars as pl

    if isinstance(predicate, And):
        first, *others = (_expression(item) for item in predicate.items)
        for other in others:
            first = first & other
        return first
    if isinstance(predicate, Not):
        return ~_expression(predicate.item)
    if isinstance(predicate, Comparison) and isinstance(predicate.left, Ref) and isinstance(predicate.right, Const):
        return (pl.col(predicate.left.name) == predicate.right.constant).fill_null(False)
    if isinstance(predicate, Within) and isinstance(predicate.term, Ref):
        column = pl.col(predicate.term.name)
        return column.is_between(predicate.low.value({}), predicate.high.value({})).fill_null(False)
    if isinstance(predicate, SetComparison):
        return pl.col("holed")
    raise NotImplementedError(type(predicate).__name__)


def uncertain(rows: Sequence[View]) -> int:
    """How many rows a two-valued engine gets wrong or cannot tell."""
    return sum(
        1
        for row in rows
        if "year_on_coin" not in row.facts
        or isinstance(row.facts["year_on_coin"], Between)
        or not plain(row, "year_on_coin")
    )


# --- assignment --------------------------------------------------------------------------------------------------------


def packed(problem: AssignmentProblem) -> tuple[list[int], int]:
    """Each edge's cost as one number over unknown, alternatives and the preferences, and what an empty place costs."""
    places = len(problem.required)
    spans = [
        2,
        2,
        *(max((edge.cost[i] for edge in problem.edges), default=0) + 1 for i in range(problem.preference_levels)),
    ]
    weights = [1] * len(spans)
    for level in range(len(spans) - 2, -1, -1):
        weights[level] = weights[level + 1] * spans[level + 1] * places
    costs = []
    for edge in problem.edges:
        digits = (int(edge.basis == 2), int(edge.basis == 1), *edge.cost)
        costs.append(sum(digit * weight for digit, weight in zip(digits, weights, strict=True)))
    return costs, weights[0] * spans[0] * places


def scipy_dense(problem: AssignmentProblem) -> Callable[[], int]:
    """scipy.optimize.linear_sum_assignment on a dense matrix with a column of emptiness for each place."""
    from scipy.optimize import linear_sum_assignment

    def run() -> int:
        costs, empty = packed(problem)
        places, holdings = len(problem.required), len(problem.quantity)
        far = float(empty) * 4
        matrix = np.full((places, holdings + places), far)
        matrix[:, holdings:] = float(empty)
        for edge, cost in zip(problem.edges, costs, strict=True):
            matrix[edge.place, edge.holding] = cost
        _, columns = linear_sum_assignment(matrix)
        return int((columns < holdings).sum())

    return run


def cp_sat_whole(problem: AssignmentProblem, seconds: float) -> Callable[[], int]:
    """CP-SAT on the whole problem with one packed objective; -1 when it ran out of time, -2 when the objective is past its 64
    bits."""
    from ortools.sat.python import cp_model

    def run() -> int:
        costs, empty = packed(problem)
        model = cp_model.CpModel()
        taken = [model.new_bool_var("") for _ in problem.edges]
        by_place: dict[int, list[Any]] = {}
        by_holding: dict[int, list[Any]] = {}
        for edge, variable in zip(problem.edges, taken, strict=True):
            by_place.setdefault(edge.place, []).append(variable)
            by_holding.setdefault(edge.holding, []).append(variable)
        for group in (*by_place.values(), *by_holding.values()):
            model.add_at_most_one(group)
        model.minimize(sum((cost - empty) * variable for cost, variable in zip(costs, taken, strict=True)))
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.max_time_in_seconds = seconds
        status = solver.solve(model)
        if status != cp_model.OPTIMAL:
            return -2 if status == cp_model.MODEL_INVALID else -1
        return sum(solver.value(variable) for variable in taken)

    return run


def networkx_matching(problem: AssignmentProblem) -> Callable[[], int]:
    """networkx.max_weight_matching, exact whole numbers."""
    import networkx as nx

    def run() -> int:
        costs, empty = packed(problem)
        graph = nx.Graph()
        for edge, cost in zip(problem.edges, costs, strict=True):
            graph.add_edge(("p", edge.place), ("h", edge.holding), weight=empty - cost)
        return len(nx.max_weight_matching(graph, maxcardinality=True))

    return run
