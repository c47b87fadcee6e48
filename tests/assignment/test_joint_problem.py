"""Several problems solved as one, against every way of answering each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import product
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.assignment.joint_problem import SetProblem, join_problems, solution_of, without_pieces
from service.assignment.preference_costs import CostScale
from service.assignment.problem import AssignmentProblem, Basis, Edge, EdgeKeys, SetRule, Solution
from service.assignment.solve import solve
from service.errors import OverLimit
from service.rules.constraints import NOT_ELSEWHERE
from tests.assignment.brute import answers, levels, rank, truth
from tests.assignment.instances import a_rule
from tests.strategies import examples

FIRM = Basis.FIRM
NAMES = ("a", "b", "c", "d", "e")
COUNTS = (
    *("pins", "required", "places", "unknown", "alternatives", "to_check", "presumed", "shortfall"),
    "moved",
)


def a_share(random: Random, quantity: dict[str, int], *, most_places: int) -> SetProblem:
    """A small problem over some of the holdings, in an order of its own numbers."""
    names = tuple(sorted(random.sample(NAMES, random.randint(1, len(NAMES)))))
    places, preferences = random.randint(1, most_places), random.randint(0, 2)
    bases = random.choice(((FIRM,), (FIRM, FIRM, Basis.ALTERNATIVES, Basis.UNKNOWN)))
    edges = tuple(
        Edge(
            place,
            holding,
            random.choice(bases),
            tuple(random.randint(0, 3) for _ in range(preferences)),
            stays=random.random() < 0.2,
            pinned=random.random() < 0.15,
        )
        for place in range(places)
        for holding in range(len(names))
        if random.random() < 0.7
    )
    rules = tuple(a_rule(random, "rule", places, len(names)) for _ in range(random.choice((0, 0, 1, 2))))
    required = tuple(random.random() < 0.6 for _ in range(places))
    problem = AssignmentProblem(required, tuple(quantity[name] for name in names), edges, rules, preferences)
    scales = tuple(
        CostScale(steps, Fraction(random.randint(-4, 4), steps))
        for steps in (random.choice((1, 2, 3)) for _ in range(preferences))
    )
    return SetProblem(problem, names, scales)


def some_shares(random: Random) -> list[SetProblem]:
    quantity = {name: random.choice((1, 1, 1, 2, 3)) for name in NAMES}
    number = random.choice((2, 2, 3))
    return [a_share(random, quantity, most_places=3 if number == 2 else 2) for _ in range(number)]


def in_own_numbers(
    share: SetProblem, values: dict[str, int], placed: int, preferences: int
) -> tuple[Fraction | int, ...]:
    """The levels of one share with its preferences in the criteria's own numbers: least + cost / steps a placement."""
    own = [
        values[f"prefer-{i + 1}"] * Fraction(1, share.scales[i].steps) + placed * share.scales[i].least
        if i < share.problem.preference_levels
        else 0
        for i in range(preferences)
    ]
    head = rank({name: values[name] for name in COUNTS[:-1]})
    return (*head, *own, -values["moved"])


def best_of_all(shares: Sequence[SetProblem], quantity: dict[str, int]) -> tuple[Fraction | int, ...]:
    """Every answer to every share, where no holding is used more often than it has pieces."""
    preferences = max(share.problem.preference_levels for share in shares)
    ways: list[dict[tuple[int, ...], tuple[Fraction | int, ...]]] = []
    for share in shares:
        best: dict[tuple[int, ...], tuple[Fraction | int, ...]] = {}
        for answer in answers(share.problem):
            used = tuple(sum(share.holdings[e.holding] == name for e in answer) for name in NAMES)
            worth = in_own_numbers(share, levels(share.problem, answer), len(answer), preferences)
            best[used] = min(best.get(used, worth), worth)
        ways.append(best)
    return min(
        tuple(map(sum, zip(*(worth for _, worth in row), strict=True)))
        for row in product(*(way.items() for way in ways))
        if all(sum(used[n] for used, _ in row) <= quantity.get(name, 0) for n, name in enumerate(NAMES))
    )


def reached(shares: Sequence[SetProblem], parts: Sequence[Solution]) -> tuple[Fraction | int, ...]:
    preferences = max(share.problem.preference_levels for share in shares)
    each = [
        in_own_numbers(share, {level.name: level.value for level in part.levels}, len(part.placements), preferences)
        for share, part in zip(shares, parts, strict=True)
    ]
    return tuple(map(sum, zip(*each, strict=True)))


def solved(shares: Sequence[SetProblem]) -> tuple[Solution, list[Solution]]:
    joint = join_problems(shares)
    solution = solve(joint.problem)
    return solution, [solution_of(joint, number, solution, budget_seconds=5) for number in range(len(shares))]


@settings(max_examples=examples(80), deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_joint_answer_is_the_best_of_all_on_every_level(random: Random) -> None:
    shares = some_shares(random)
    quantity = {n: q for share in shares for n, q in zip(share.holdings, share.problem.quantity, strict=True)}
    solution, parts = solved(shares)
    assert solution.proven
    assert reached(shares, parts) == best_of_all(shares, quantity)
    found = {level.name: level.value for level in solution.levels}
    for name in COUNTS:
        assert found[name] == sum(level.value for part in parts for level in part.levels if level.name == name)


@settings(max_examples=examples(80), deadline=None)
@given(st.randoms(use_true_random=False))
def test_each_part_is_the_best_of_its_share_for_what_the_others_leave(random: Random) -> None:
    shares = some_shares(random)
    _, parts = solved(shares)
    used = [[share.holdings[p.holding] for p in part.placements] for share, part in zip(shares, parts, strict=True)]
    for number, (share, part) in enumerate(zip(shares, parts, strict=True)):
        others = [name for n, names in enumerate(used) if n != number for name in names]
        gone = {coin: others.count(name) for coin, name in enumerate(share.holdings)}
        best = truth(without_pieces(share.problem, gone))
        assert {level.name: level.value for level in part.levels} == best.levels
        assert all(level.proven for level in part.levels)
        assert [(p.place, p.holding, p.basis) for p in part.placements] == [p[:3] for p in best.placements]
        assert (part.certain, part.certain_proven) == (best.certain, True)
        assert (part.possible, part.possible_proven) == (best.possible, True)
        # What holds in every joint best holds here at least as often as among the bests of this share.
        always = {(place, holding) for place, holding, _, forced, _ in best.placements if forced}
        assert {(p.place, p.holding) for p in part.placements if p.forced} <= always


@settings(max_examples=examples(100), deadline=None)
@given(st.randoms(use_true_random=False))
def test_one_share_alone_is_solved_as_it_stands(random: Random) -> None:
    share = some_shares(random)[0]
    _, (part,) = solved([share])
    assert part == solve(share.problem)


def test_without_budget_each_part_keeps_its_rules_and_its_bounds_hold() -> None:
    unproven = 0
    for seed in range(120):
        shares = some_shares(Random(seed))
        joint = join_problems(shares)
        solution = solve(joint.problem, budget_seconds=0)
        for number, share in enumerate(shares):
            part = solution_of(joint, number, solution, budget_seconds=0)
            others = [
                joint.holdings[p.holding]
                for p in solution.placements
                if not 0 <= p.place - joint.first_place[number] < len(share.problem.required)
            ]
            gone = {coin: others.count(name) for coin, name in enumerate(share.holdings)}
            best = truth(without_pieces(share.problem, gone))
            assert part.proven == all(level.proven for level in part.levels)
            for level in part.levels:
                assert level.proven == (level.value == level.bound)
                true = best.levels[level.name]
                assert min(level.value, level.bound) <= true <= max(level.value, level.bound), f"seed {seed} {level}"
                if level.value != true:
                    break
            unproven += not part.proven
    assert unproven > 5


def test_places_stand_in_the_order_of_the_shares_and_holdings_in_that_of_their_ids() -> None:
    one = SetProblem(AssignmentProblem((True, False), (1, 2), (Edge(1, 1, FIRM),)), ("b", "d"))
    two = SetProblem(AssignmentProblem((True,), (1, 1), (Edge(0, 0, FIRM), Edge(0, 1, FIRM))), ("a", "b"))
    joint = join_problems([one, two])
    assert (joint.holdings, joint.first_place) == (("a", "b", "d"), (0, 2))
    assert (joint.problem.required, joint.problem.quantity) == ((True, False, True), (1, 1, 2))
    assert [(e.place, e.holding) for e in joint.problem.edges] == [(1, 2), (2, 0), (2, 1)]


def test_preferences_of_several_sets_are_compared_in_the_criterions_own_numbers() -> None:
    # The one coin, of grade 60, loses 10 against the best of the first set (grade 70), nothing in the second; in grades it
    # is worth the same in both, so the earlier set has it. A second level that only one share has counts 0 in the other.
    first = SetProblem(
        AssignmentProblem((True,), (1, 0), (Edge(0, 0, FIRM, (10,)),), (), 1), ("coin", "gone"), (CostScale(1, -70),)
    )
    second = SetProblem(
        AssignmentProblem((True,), (1,), (Edge(0, 0, FIRM, (0,)),), (), 1), ("coin",), (CostScale(1, -60),)
    )
    halves = SetProblem(
        AssignmentProblem((True,), (1,), (Edge(0, 0, FIRM, (1,)),), (), 1),
        ("coin",),
        (CostScale(2, Fraction(-121, 2)),),
    )
    for shares, seat in (((first, second), 0), ((second, first), 0), ((halves, second), 0), ((second, halves), 0)):
        assert [p.place for p in solve(join_problems(shares).problem).placements] == [seat]
    better = replace(halves, problem=replace(halves.problem, edges=(Edge(0, 0, FIRM, (0,)),)))
    assert [p.place for p in solve(join_problems([second, better]).problem).placements] == [1]
    bare = SetProblem(AssignmentProblem((True,), (1,), (Edge(0, 0, FIRM),)), ("coin",))
    assert [p.place for p in solve(join_problems([bare, second]).problem).placements] == [1]


def test_not_elsewhere_speaks_of_its_own_set_only() -> None:
    key = EdgeKeys(frozenset({1}), frozenset({1}))
    rule = SetRule("new", NOT_ELSEWHERE, frozenset({0}), {0: key, 1: key})
    one = SetProblem(AssignmentProblem((True, True), (1, 1), (Edge(0, 0, FIRM), Edge(1, 1, FIRM)), (rule,)), ("a", "b"))
    two = SetProblem(AssignmentProblem((True,), (1,), (Edge(0, 0, FIRM),)), ("b",))
    solution, parts = solved([one, two])
    assert [len(part.placements) for part in parts] == [1, 1]
    assert solution.certain == 2


def test_shares_that_disagree_on_pieces_and_costs_past_all_bounds_are_refused() -> None:
    one = SetProblem(AssignmentProblem((True,), (1,), ()), ("a",))
    with pytest.raises(ValueError, match="holding 'a' has 2 pieces in one set and 1 in another"):
        join_problems([one, SetProblem(AssignmentProblem((True,), (2,), ()), ("a",))])
    dear = SetProblem(
        AssignmentProblem((True,), (1,), (Edge(0, 0, FIRM, (2**60,)),), (), 1), ("a",), (CostScale(1, 0),)
    )
    fine = SetProblem(AssignmentProblem((True,), (1,), (Edge(0, 0, FIRM, (0,)),), (), 1), ("a",), (CostScale(7, 0),))
    with pytest.raises(OverLimit, match="2\\^60"):
        join_problems([dear, fine])
