"""Larger instances against independent solvers: networkx for how many places are filled, CP-SAT on the whole problem, modelled
anew here from the contract in assignment/problem.py, for the value of every level."""

from __future__ import annotations

import random
from collections.abc import Iterable
from typing import Any

import networkx as nx
import pytest
from ortools.sat.python import cp_model

from service.assignment.problem import AssignmentProblem, Basis, Edge, EdgeKeys, SetRule
from service.assignment.solve import solve
from service.evaluation.places import Collection, places_of
from service.evaluation.table import Table
from service.facts.truth import NO
from service.rules.constraints import AT_MOST, DIFFERENT, NOT_ELSEWHERE, SAME
from tests.benchmarks.data import a_case
from tests.factories import result_of


@pytest.mark.parametrize(("holdings", "places", "hard"), [(2_000, 200, False), (400, 300, False), (600, 150, True)])
def test_as_many_places_are_filled_as_a_maximum_matching_fills(holdings: int, places: int, hard: bool) -> None:
    case = a_case(holdings, places, hard=hard)
    result = result_of(case.request)
    views = [(row,) for row in case.rows]
    laid = places_of(case.definition, Collection(views, {}, case.context))
    table = Table(case.definition.attributes, case.context)
    graph = nx.Graph()
    tops = [("place", place.address) for place in laid]
    graph.add_nodes_from(tops)
    for place in laid:
        fitting = (c for c, seen in enumerate(views) if table.verdict(place.predicate, seen) is not NO)
        graph.add_edges_from((("place", place.address), ("coin", coin)) for coin in fitting)
    most = len(nx.bipartite.hopcroft_karp_matching(graph, tops)) // 2
    assert result["summary"]["possible"] == most
    assert result["proven_optimal"] is True


# --- CP-SAT on the whole problem ---------------------------------------------------------------------------------------


class Whole:
    """The problem as one model: `taken` and `firm` for every edge, the levels as sums, optimised one after another."""

    def __init__(self, problem: AssignmentProblem) -> None:
        self.problem, self.model = problem, cp_model.CpModel()
        self.taken = [self.model.new_bool_var(f"taken {n}") for n in range(len(problem.edges))]
        self.firm = [self.model.new_bool_var(f"firm {n}") for n in range(len(problem.edges))]
        for n, edge in enumerate(problem.edges):
            self.model.add_implication(self.firm[n], self.taken[n])
            wild = any(self.covers(rule, edge) and rule.keys[edge.holding].possible is None for rule in problem.rules)
            if edge.basis is not Basis.FIRM or wild:
                self.model.add(self.firm[n] == 0)
            elif self.doubt(n) is Basis.FIRM:
                # Nothing unsettled about it: taken, it is firm.
                self.model.add(self.firm[n] == self.taken[n])
        for place in range(len(problem.required)):
            self.model.add(sum(self.of(lambda e, p=place: e.place == p)) <= 1)
        for holding, quantity in enumerate(problem.quantity):
            self.model.add(sum(self.of(lambda e, h=holding: e.holding == h)) <= quantity)
        for rule in problem.rules:
            self.add_rule(rule, self.taken, lambda keys: keys.settled)
            self.add_rule(rule, self.firm, lambda keys: keys.possible or frozenset())

    def of(self, wanted: Any) -> list[Any]:
        return [x for x, edge in zip(self.taken, self.problem.edges, strict=True) if wanted(edge)]

    @staticmethod
    def covers(rule: SetRule, edge: Edge) -> bool:
        return edge.place in rule.places or rule.kind is NOT_ELSEWHERE

    def add_rule(self, rule: SetRule, used: list[Any], keys_of: Any) -> None:
        edges = [(n, edge) for n, edge in enumerate(self.problem.edges) if self.covers(rule, edge)]
        keys = {n: keys_of(rule.keys[edge.holding]) for n, edge in edges}
        if rule.kind is AT_MOST:
            for key in {key for found in keys.values() for key in found}:
                self.model.add(sum(used[n] for n, _ in edges if key in keys[n]) <= rule.count)
            return
        for at, (n, edge) in enumerate(edges):
            for m, other in edges[at + 1 :]:
                if self.clash(rule, edge, other, keys[n], keys[m]):
                    self.model.add_at_most_one(used[n], used[m])

    @staticmethod
    def clash(rule: SetRule, edge: Edge, other: Edge, mine: frozenset[int], its: frozenset[int]) -> bool:
        if not mine or not its:
            return False
        alike = edge.holding == other.holding
        may_share = alike or bool(mine & its)
        if rule.kind is DIFFERENT:
            return may_share
        if rule.kind is SAME:
            return not alike and not (mine == its and len(mine) == 1)
        return (edge.place in rule.places) != (other.place in rule.places) and may_share

    def doubt(self, n: int) -> Basis:
        edge = self.problem.edges[n]
        if edge.basis is not Basis.FIRM:
            return edge.basis
        keys = [rule.keys[edge.holding] for rule in self.problem.rules if self.covers(rule, edge)]
        return max((k.basis for k in keys if k.possible != k.settled), default=Basis.FIRM)

    def levels(self) -> Iterable[tuple[str, Any, bool]]:
        """(name, sum, whether more is better)."""
        problem, every = self.problem, range(len(self.problem.edges))
        yield "pins", sum(self.taken[n] for n in every if problem.edges[n].pinned), True
        yield "required", sum(self.taken[n] for n in every if problem.required[problem.edges[n].place]), True
        yield "places", sum(self.taken), True
        for name, basis in (("unknown", Basis.UNKNOWN), ("alternatives", Basis.ALTERNATIVES)):
            yield name, sum(self.taken[n] - self.firm[n] for n in every if self.doubt(n) is basis), False
        # These edges ask for no facts and rest on no presumptions, and there are no goals.
        yield from ((name, 0, False) for name in ("to_check", "presumed", "shortfall"))
        for level in range(problem.preference_levels):
            yield f"prefer-{level + 1}", sum(problem.edges[n].cost[level] * self.taken[n] for n in every), False
        yield "moved", sum(self.taken[n] for n in every if problem.edges[n].stays), True

    def values(self) -> dict[str, int]:
        found = {}
        for name, total, more in self.levels():
            if isinstance(total, int):
                found[name] = total
                continue
            self.model.maximize(total) if more else self.model.minimize(total)
            solver = cp_model.CpSolver()
            solver.parameters.num_workers = 1
            assert solver.solve(self.model) == cp_model.OPTIMAL
            found[name] = round(solver.objective_value)
            self.model.add(total == found[name])
        return found


def a_bound_problem(seed: int) -> AssignmentProblem:
    chance = random.Random(seed)
    places, holdings = 12, 40
    bases = (Basis.FIRM,) * 6 + (Basis.ALTERNATIVES, Basis.UNKNOWN)
    edges = tuple(
        Edge(
            place, holding, chance.choice(bases), (chance.randint(0, 5),), chance.random() < 0.1, chance.random() < 0.03
        )
        for holding in range(holdings)
        for place in chance.sample(range(places), chance.randint(1, 3))
    )
    rules = tuple(a_rule(chance, n, places, holdings) for n in range(3))
    return AssignmentProblem(tuple(chance.random() < 0.7 for _ in range(places)), (1,) * holdings, edges, rules, 1)


def a_rule(chance: random.Random, number: int, places: int, holdings: int) -> SetRule:
    keys = {}
    for holding in range(holdings):
        draw = chance.random()
        first = frozenset((chance.randint(1, 4),))
        if draw < 0.8:
            keys[holding] = EdgeKeys(first, first)
        elif draw < 0.93:
            keys[holding] = EdgeKeys(frozenset(chance.sample(range(1, 5), 2)), frozenset(), Basis.ALTERNATIVES)
        else:
            keys[holding] = EdgeKeys(None, frozenset(), Basis.UNKNOWN)
    covered = frozenset(chance.sample(range(places), chance.randint(2, 6)))
    return SetRule(
        f"rule {number}", chance.choice((SAME, DIFFERENT, AT_MOST, NOT_ELSEWHERE)), covered, keys, chance.randint(1, 2)
    )


@pytest.mark.parametrize("seed", range(12))
def test_every_level_under_set_rules_equals_cp_sat_on_the_whole_problem(seed: int) -> None:
    problem = a_bound_problem(seed)
    solution = solve(problem, budget_seconds=60)
    assert solution.proven
    ours = {level.name: level.value for level in solution.levels if level.name != "order"}
    assert ours == Whole(problem).values()
