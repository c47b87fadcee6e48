"""Peers and floors: other ways to the same answer, from the registries or as plain as can be, each checked to agree."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.edges import Edges
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


# --- verdicts: generated Python, CEL in Rust, DuckDB, dispatch by hash -------------------------------------------------


_NAMES = ("issuer", "denomination", "year_on_coin", "problems")


def _records(rows: Sequence[View]) -> list[tuple[Any, ...]]:
    """The plain values of `_NAMES`, a tuple a row."""
    return [tuple(plain(row, name) for name in _NAMES) for row in rows]


def fused_python(predicates: Sequence[Predicate], rows: Sequence[View]) -> Callable[[], int]:
    """One generated function that puts all rules to a row whose values are local variables: no call a rule."""
    lines = ["def fitting(records):", "    found = 0", f"    for {', '.join(_NAMES)} in records:"]
    for predicate in predicates:
        source = python_source(predicate)
        for name in _NAMES:
            source = source.replace(f"r[{name!r}]", name)
        lines.append(f"        if {source}: found += 1")
    scope: dict[str, Any] = {}
    exec("\n".join([*lines, "    return found"]), scope)
    records = _records(rows)
    return lambda: scope["fitting"](records)


def cel_rust(predicates: Sequence[Predicate], rows: Sequence[View]) -> Callable[[], int]:
    """The Common Expression Language in Rust, each rule compiled once, each row a context made once."""
    import cel

    contexts = []
    for record in _records(rows):
        values = {name: sorted(v) if isinstance(v, frozenset) else v for name, v in zip(_NAMES, record, strict=True)}
        contexts.append(cel.Context(variables=values))
    programs = [cel.compile(_cel_source(predicate)) for predicate in predicates]

    def run() -> int:
        return sum(program.execute(context) for program in programs for context in contexts)

    return run


def _cel_source(predicate: Predicate) -> str:
    if isinstance(predicate, And):
        return " && ".join(_cel_source(item) for item in predicate.items)
    if isinstance(predicate, Not):
        return f"!({_cel_source(predicate.item)})"
    if isinstance(predicate, Comparison) and isinstance(predicate.left, Ref) and isinstance(predicate.right, Const):
        return f"{predicate.left.name} == {predicate.right.constant!r}"
    if isinstance(predicate, Within) and isinstance(predicate.term, Ref):
        name, low, high = predicate.term.name, predicate.low.value({}), predicate.high.value({})
        return f"{name} != null && {name} >= {low} && {name} <= {high}"
    if isinstance(predicate, SetComparison) and isinstance(predicate.left, Ref):
        wanted = sorted(predicate.right.value({}))
        return " && ".join(f"{term!r} in {predicate.left.name}" for term in wanted)
    raise NotImplementedError(type(predicate).__name__)


@dataclass(frozen=True)
class Row:
    """A rule of the benchmarks as a row of a table: equalities, an interval of years, and the problems it excludes."""

    equal: dict[str, str]
    low: int
    high: int


def as_row(predicate: Predicate) -> Row:
    """The rule as a row; raises NotImplementedError for a rule of another shape."""
    equal: dict[str, str] = {}
    span: tuple[int, int] | None = None
    for item in predicate.items if isinstance(predicate, And) else (predicate,):
        if isinstance(item, Comparison) and isinstance(item.left, Ref) and isinstance(item.right, Const):
            equal[item.left.name] = item.right.constant
        elif isinstance(item, Within):
            span = item.low.value({}), item.high.value({})
        elif not (isinstance(item, Not) and python_source(item.item).endswith(">= frozenset({'holed'}))")):
            raise NotImplementedError(type(item).__name__)
    if span is None:
        raise NotImplementedError("no interval")
    return Row(equal, *span)


def duckdb_join(predicates: Sequence[Predicate], rows: Sequence[View]) -> Callable[[], int]:
    """DuckDB, the rules as one table, the coins as another, all verdicts as one join (two-valued). Counts fitting pairs."""
    import duckdb

    rules = [as_row(predicate) for predicate in predicates]
    names = sorted(rules[0].equal)
    assert all(sorted(rule.equal) == names for rule in rules)
    connection = duckdb.connect(":memory:")
    _fill(
        connection,
        "coin",
        {name: [plain(row, name) for row in rows] for name in names}
        | {"year": [plain(row, "year_on_coin") for row in rows]}
        | {"holed": ["holed" in (plain(row, "problems") or ()) for row in rows]},
    )
    _fill(
        connection,
        "rule",
        {name: [rule.equal[name] for rule in rules] for name in names}
        | {"low": [rule.low for rule in rules], "high": [rule.high for rule in rules]},
    )
    equal = " AND ".join(f"coin.{name} = rule.{name}" for name in names)
    query = f"SELECT count(*) FROM coin JOIN rule ON {equal} AND coin.year BETWEEN rule.low AND rule.high WHERE NOT coin.holed"

    def run() -> int:
        answer = connection.execute(query).fetchone()
        assert answer is not None
        return int(answer[0])

    return run


def _fill(connection: Any, table: str, columns: dict[str, list[Any]]) -> None:
    kinds = {str: "VARCHAR", int: "BIGINT", bool: "BOOLEAN"}
    types = {
        name: kinds[type(next(value for value in values if value is not None))] for name, values in columns.items()
    }
    connection.execute(f"CREATE TABLE {table} ({', '.join(f'{name} {kind}' for name, kind in types.items())})")
    # A list of columns is unnested, so no data frame library stands between.
    unnested = ", ".join(f"unnest(?::{kind}[])" for kind in types.values())
    connection.execute(f"INSERT INTO {table} SELECT {unnested}", list(columns.values()))


def memcpy(holdings: int, places: int) -> Callable[[], int]:
    """A copy of the answer of all verdicts, certainly and possibly, a bit each: what the memory takes at least."""
    answer = np.ones((2, places, (holdings + 7) // 8), np.uint8)
    return lambda: answer.copy().nbytes


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


def scipy_dense(problem: AssignmentProblem, *, from_arrays: bool = False) -> Callable[[], int]:
    """scipy.optimize.linear_sum_assignment on a dense matrix with a column of emptiness for each place, from the same edges as
    ours: objects, whose costs are packed one by one, or arrays, packed by numpy. The answer is the sum of the packed costs."""
    from scipy.optimize import linear_sum_assignment

    places, holdings = len(problem.required), len(problem.quantity)
    costs, empty = packed(problem)
    whole = {(edge.place, edge.holding): cost for edge, cost in zip(problem.edges, costs, strict=True)}
    edges = Edges.of(problem.edges, problem.preference_levels)

    def run() -> int:
        if from_arrays:
            rows, columns, values = edges.place, edges.holding, packed_arrays(edges, places)
        else:
            values = np.array(packed(problem)[0], np.float64)
            rows, columns = np.array([(edge.place, edge.holding) for edge in problem.edges]).T
        matrix = np.full((places, holdings + places), float(empty) * 4)
        matrix[:, holdings:] = float(empty)
        matrix[rows, columns] = values
        chosen = linear_sum_assignment(matrix)
        # Floats round such sums, so they are added up as whole numbers.
        return sum(whole.get(pair, empty) for pair in zip(*(one.tolist() for one in chosen), strict=True))

    return run


def packed_arrays(edges: Edges, places: int) -> npt.NDArray[np.float64]:
    """`packed` of arrays, shape (edges,)."""
    digits = [edges.basis == 2, edges.basis == 1, *edges.cost]
    spans = [2, 2, *(int(cost.max(initial=0)) + 1 for cost in edges.cost)]
    found, weight = np.zeros(len(edges)), 1
    for digit, span in zip(reversed(digits), reversed(spans), strict=True):
        found += digit * float(weight)
        weight *= span * places
    return found


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
