"""The solver against slow truth and against others' solvers, on problems that nobody thought of."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from service.assignment import cp_sat
from service.assignment.problem import AssignmentProblem, Basis, Edge, EdgeKeys, Placement, SetRule, Solution
from service.assignment.solve import most_filled, solve
from service.rules.constraints import AT_MOST, NOT_ELSEWHERE, SAME
from tests.assignment.brute import KINDS, Truth, keeps_possible, keeps_settled, truth
from tests.assignment.instances import a_problem, a_rule, like_places
from tests.strategies import examples


def said(solution: Solution) -> Truth:
    return Truth(
        {level.name: level.value for level in solution.levels},
        tuple((p.place, p.holding, p.basis, p.forced, p.instead) for p in solution.placements),
        solution.certain,
        solution.possible,
    )


def is_proven(solution: Solution) -> bool:
    levels = all(level.proven and level.bound == level.value for level in solution.levels)
    counts = solution.certain_proven and solution.possible_proven
    return levels and solution.proven and counts and all(p.instead_proven for p in solution.placements if is_firm(p))


def is_firm(placement: Placement) -> bool:
    return placement.basis is Basis.FIRM


def a_sparse_problem(random: Random, places: int, holdings: int, largest_cost: int = 60) -> AssignmentProblem:
    """Each coin fits one to three places."""
    edges = tuple(
        Edge(place, holding, Basis.FIRM, (random.randint(0, largest_cost),))
        for holding in range(holdings)
        for place in random.sample(range(places), random.randint(1, 3))
    )
    return AssignmentProblem((True,) * places, (1,) * holdings, edges, (), 1)


@pytest.mark.parametrize("start", range(0, 1000, 100))
def test_every_level_placement_and_certainty_is_what_brute_force_finds(start: int) -> None:
    for seed in range(start, start + 100):
        problem = a_problem(Random(seed))
        solution = solve(problem)
        assert said(solution) == truth(problem), f"seed {seed}"
        assert is_proven(solution), f"seed {seed}"


@pytest.mark.parametrize("start", range(0, 700, 100))
def test_who_must_be_in_a_free_choice_and_who_would_do_is_what_brute_force_finds(start: int) -> None:
    for seed in range(start, start + 100):
        random = Random(seed)
        problem = like_places(random, a_problem(random, largest_cost=random.choice((0, 1, 3)), most_rules=seed % 3))
        solution = solve(problem)
        assert said(solution) == truth(problem), f"seed {seed}"
        assert is_proven(solution), f"seed {seed}"


@settings(max_examples=examples(150), deadline=None)
@given(st.randoms(use_true_random=False))
def test_what_hypothesis_draws_agrees_with_brute_force_too(random: Random) -> None:
    problem = a_problem(random, most_rules=4)
    assert said(solve(problem)) == truth(problem)


def test_how_much_can_be_filled_is_what_the_whole_solution_has() -> None:
    for seed in range(150):
        problem = a_problem(Random(seed))
        levels = {level.name: level.value for level in solve(problem).levels}
        assert most_filled(problem) == (levels["pins"], levels["required"], levels["places"]), f"seed {seed}"


def test_costs_up_to_two_to_the_sixtieth_stay_exact() -> None:
    for seed in range(150):
        problem = a_problem(Random(seed), largest_cost=2**60)
        assert said(solve(problem)) == truth(problem), f"seed {seed}"


def test_the_order_of_edges_and_rules_never_changes_the_answer() -> None:
    for seed in range(200):
        random = Random(seed)
        problem = a_problem(random)
        shuffled = replace(
            problem,
            edges=tuple(random.sample(problem.edges, len(problem.edges))),
            rules=tuple(random.sample(problem.rules, len(problem.rules))),
        )
        assert solve(problem) == solve(shuffled), f"seed {seed}"


def test_without_budget_the_answer_still_keeps_every_rule_and_bounds_the_truth() -> None:
    unproven = 0
    for seed in range(300):
        problem = a_problem(Random(seed))
        solution, best = solve(problem, budget_seconds=0), truth(problem)
        edges = {(edge.place, edge.holding): edge for edge in problem.edges}
        taken = tuple(edges[p.place, p.holding] for p in solution.placements)
        firm = tuple(edges[p.place, p.holding] for p in solution.placements if p.basis is Basis.FIRM)
        assert len({p.place for p in solution.placements}) == len(taken)
        assert all(sum(e.holding == h for e in taken) <= q for h, q in enumerate(problem.quantity))
        assert all(keeps_settled(rule, taken) and keeps_possible(rule, firm) for rule in problem.rules)
        assert all(level.proven == (level.value == level.bound) for level in solution.levels)
        assert solution.proven == all(level.proven for level in solution.levels)
        # A bound holds given the values before it, so it speaks of the truth as long as those are the true ones.
        for level in solution.levels:
            true = best.levels[level.name]
            assert min(level.value, level.bound) <= true <= max(level.value, level.bound), f"seed {seed} {level}"
            if level.value != true:
                break
        if solution.proven:
            assert [(p.place, p.holding, p.basis) for p in solution.placements] == [p[:3] for p in best.placements]
        else:
            unproven += 1
        always = {(place, holding) for place, holding, _, forced, _ in best.placements if forced}
        assert {(p.place, p.holding) for p in solution.placements if p.forced} <= always
        assert solution.certain == best.certain or (not solution.certain_proven and solution.certain < best.certain)
    assert unproven > 20


def test_bounds_hold_wherever_the_budget_ends() -> None:
    unproven = 0
    for seed in range(100, 200):
        problem = a_problem(Random(seed), most_rules=4)
        best = truth(problem)
        for budget in (5e-6, 2e-5, 1e-4):
            solution = solve(problem, budget_seconds=budget)
            unproven += not solution.proven
            for level in solution.levels:
                true = best.levels[level.name]
                # It holds given the values before it.
                assert min(level.value, level.bound) <= true <= max(level.value, level.bound), f"seed {seed} {level}"
                if level.value != true:
                    break
    assert unproven > 10


def test_as_many_places_are_filled_as_networkx_matches() -> None:
    for seed in range(5):
        problem = a_sparse_problem(Random(seed), 300, 320)
        graph = nx.Graph()
        graph.add_nodes_from(("place", place) for place in range(300))
        graph.add_edges_from((("place", edge.place), ("holding", edge.holding)) for edge in problem.edges)
        top = [("place", place) for place in range(300)]
        matching = nx.bipartite.hopcroft_karp_matching(graph, top_nodes=top)
        solution = solve(problem)
        assert len(solution.placements) == solution.certain == len(matching) // 2
        assert is_proven(solution)


def test_the_total_cost_is_that_of_scipy() -> None:
    for seed in range(5):
        random = Random(seed)
        costs = np.array([[random.randint(0, 10**6) for _ in range(90)] for _ in range(60)])
        edges = tuple(Edge(p, h, Basis.FIRM, (int(costs[p, h]),)) for p in range(60) for h in range(90))
        solution = solve(AssignmentProblem((False,) * 60, (1,) * 90, edges, (), 1))
        rows, columns = linear_sum_assignment(costs)
        levels = {level.name: level.value for level in solution.levels}
        assert (levels["places"], levels["prefer-1"]) == (60, costs[rows, columns].sum())


@pytest.mark.parametrize("largest_cost", [0, 3, 60])
def test_the_search_gives_what_the_flow_gives_under_a_rule_that_costs_nothing(
    monkeypatch: pytest.MonkeyPatch, largest_cost: int
) -> None:
    for seed in range(2):
        problem = a_sparse_problem(Random(seed), 40, 42, largest_cost)
        free = solve(problem)
        assert len(free.placements) < 40
        alike = {holding: EdgeKeys(frozenset({1}), frozenset({1})) for holding in range(42)}
        no_more = SetRule("no more", AT_MOST, frozenset(range(40)), alike, len(free.placements))
        ruled = replace(problem, rules=(no_more,))
        assert solve(ruled) == free
        # Without the short cut through the flow the solver finds every level, the order and the forced ones itself.
        with monkeypatch.context() as patched:
            patched.setattr("service.assignment.solve.is_feasible", lambda layout, component, taken: False)
            assert solve(ruled) == free


def test_sixty_places_under_rules_over_everything_are_proven() -> None:
    random = Random(5)
    problem = a_sparse_problem(random, 60, 500)
    everywhere = frozenset(range(60))
    keys = {h: EdgeKeys(frozenset({h % 25}), frozenset({h % 25})) for h in range(500)}
    keys |= {h: EdgeKeys(frozenset({h % 25, (h + 1) % 25}), frozenset(), Basis.ALTERNATIVES) for h in range(0, 500, 20)}
    keys |= {h: EdgeKeys(None, frozenset(), Basis.UNKNOWN) for h in range(7, 500, 50)}
    rules = (
        SetRule("spread", AT_MOST, everywhere, keys, 3),
        SetRule("pair", SAME, frozenset({0, 1, 2}), keys),
        SetRule("new", NOT_ELSEWHERE, frozenset({5, 6, 7}), keys),
    )
    solution = solve(replace(problem, rules=rules))
    assert is_proven(solution)
    assert solution == solve(replace(problem, rules=rules[::-1], edges=problem.edges[::-1]))
    edges = {(edge.place, edge.holding): edge for edge in problem.edges}
    taken = tuple(edges[p.place, p.holding] for p in solution.placements)
    firm = tuple(edges[p.place, p.holding] for p in solution.placements if p.basis is Basis.FIRM)
    assert all(keeps_settled(rule, taken) and keeps_possible(rule, firm) for rule in rules)


def test_two_thousand_places_without_rules_are_proven() -> None:
    solution = solve(a_sparse_problem(Random(1), 2000, 5000))
    assert is_proven(solution)
    assert len(solution.placements) > 1900


def test_the_maker_makes_every_kind_of_rule_and_key() -> None:
    rules = [a_rule(Random(seed), "r", 5, 6) for seed in range(200)]
    keys = [keys for rule in rules for keys in rule.keys.values()]
    assert {rule.kind for rule in rules} == set(KINDS)
    assert {keys.possible is None for keys in keys} == {True, False}
    assert {keys.possible == keys.settled for keys in keys} == {True, False}


def test_small_models_are_answered_alike_as_they_are_and_simplified(monkeypatch: pytest.MonkeyPatch) -> None:
    problems = [a_problem(Random(seed), most_rules=4) for seed in range(120)]
    before = cp_sat.COUNTS.proven
    as_they_are = [solve(problem) for problem in problems]
    searched = cp_sat.COUNTS.proven - before
    monkeypatch.setattr(cp_sat, "_SMALL", 0)
    assert [solve(problem) for problem in problems] == as_they_are
    assert searched > 100


def test_a_model_that_is_not_small_enough_is_simplified_with_what_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    problems = [a_problem(Random(seed), most_rules=4) for seed in range(40)]
    known = [solve(problem) for problem in problems]
    # Nothing is solved within so little.
    monkeypatch.setattr(cp_sat, "_SMALL_SECONDS", 1e-9)
    assert [solve(problem) for problem in problems] == known


def test_who_sits_where_is_the_same_when_it_is_not_asked_how_firmly() -> None:
    for seed in range(150):
        random = Random(seed)
        problem = like_places(random, a_problem(random)) if seed % 2 else a_problem(random, most_rules=4)
        whole, seats = solve(problem), solve(problem, with_standings=False)
        assert seats.levels == whole.levels and (seats.certain, seats.possible) == (whole.certain, whole.possible)
        where = [[(p.place, p.holding, p.basis) for p in one.placements] for one in (whole, seats)]
        assert where[0] == where[1], f"seed {seed}"


def test_counts_that_are_known_are_not_looked_for_and_told_as_proven() -> None:
    for seed in range(60):
        problem = a_problem(Random(seed), most_rules=4)
        whole = solve(problem)
        assert solve(problem, counts=(whole.certain, whole.possible)) == whole, f"seed {seed}"
