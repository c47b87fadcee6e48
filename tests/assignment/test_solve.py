"""What an assignment is, one plain example at a time."""

from __future__ import annotations

import pytest

from service.assignment.problem import AssignmentProblem, Basis, Edge, EdgeKeys, SetRule, Solution
from service.assignment.solve import solve
from service.rules.constraints import AT_MOST, DIFFERENT, NOT_ELSEWHERE, SAME, ConstraintKind

FIRM, ALTERNATIVES, UNKNOWN = Basis.FIRM, Basis.ALTERNATIVES, Basis.UNKNOWN


def known(key: int) -> EdgeKeys:
    return EdgeKeys(frozenset({key}), frozenset({key}))


def one_of(*keys: int) -> EdgeKeys:
    return EdgeKeys(frozenset(keys), frozenset(), ALTERNATIVES)


WHOLLY_UNKNOWN = EdgeKeys(None, frozenset(), UNKNOWN)


def a_set(
    *edges: Edge, places: int = 2, holdings: int = 3, quantity: int = 1, rules: tuple[SetRule, ...] = ()
) -> AssignmentProblem:
    levels = len(edges[0].cost) if edges else 0
    return AssignmentProblem((True,) * places, (quantity,) * holdings, edges, rules, levels)


def rule(kind: ConstraintKind, *keys: EdgeKeys, places: tuple[int, ...] = (0, 1), count: int = 0) -> SetRule:
    return SetRule("rule", kind, frozenset(places), dict(enumerate(keys)), count)


def seats(solution: Solution) -> dict[int, int]:
    return {placement.place: placement.holding for placement in solution.placements}


def bases(solution: Solution) -> dict[int, Basis]:
    return {placement.place: placement.basis for placement in solution.placements}


def value(solution: Solution, name: str) -> int:
    return next(level.value for level in solution.levels if level.name == name)


def test_nothing_to_place_is_an_empty_answer_and_proven() -> None:
    solution = solve(AssignmentProblem((True, False), (), ()))
    assert (solution.placements, solution.certain, solution.proven) == ((), 0, True)
    assert [level.name for level in solution.levels] == [
        *("pins", "required", "places", "unknown", "alternatives", "to_check", "presumed", "shortfall"),
        *("moved", "order"),
    ]


def test_a_coin_of_several_pieces_fills_several_places_but_no_more_than_it_has() -> None:
    edges = tuple(Edge(place, 0, FIRM) for place in range(3))
    assert seats(solve(a_set(*edges, places=3, holdings=1, quantity=2))) == {0: 0, 1: 0}


def test_a_pin_outweighs_a_filled_place() -> None:
    # Holding 0 pinned to place 0 leaves place 1, which nothing else fits, empty.
    edges = (Edge(0, 0, FIRM, pinned=True), Edge(1, 0, FIRM), Edge(0, 1, FIRM))
    solution = solve(a_set(*edges, holdings=2))
    assert seats(solution) == {0: 0}
    assert (value(solution, "pins"), value(solution, "places"), solution.certain) == (1, 1, 1)


def test_a_required_place_comes_before_an_optional_one() -> None:
    problem = AssignmentProblem((False, True), (1,), (Edge(0, 0, FIRM), Edge(1, 0, FIRM)))
    assert seats(solve(problem)) == {1: 0}


def test_plain_ignorance_is_avoided_before_declared_alternatives() -> None:
    solution = solve(a_set(Edge(0, 0, UNKNOWN), Edge(0, 1, ALTERNATIVES), places=1))
    assert (seats(solution), bases(solution), solution.certain) == ({0: 1}, {0: ALTERNATIVES}, 0)


def test_the_first_preference_outweighs_any_sum_of_the_second() -> None:
    solution = solve(a_set(Edge(0, 0, FIRM, (1, 0)), Edge(0, 1, FIRM, (0, 2**60)), places=1))
    assert seats(solution) == {0: 1}


def test_what_sat_there_before_stays_among_equals() -> None:
    assert seats(solve(a_set(Edge(0, 0, FIRM), Edge(0, 1, FIRM, stays=True), places=1))) == {0: 1}


def test_among_equals_the_first_place_takes_the_first_holding_that_leaves_the_rest_as_good() -> None:
    # Place 0 may have 0 only if place 1 then still has a coin: it has 2.
    edges = (Edge(0, 1, FIRM), Edge(0, 0, FIRM), Edge(1, 0, FIRM), Edge(1, 2, FIRM))
    assert seats(solve(a_set(*edges))) == {0: 0, 1: 2}


def test_a_place_is_forced_when_every_best_assignment_has_the_same_coin_there() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 0, FIRM), Edge(1, 1, FIRM), Edge(2, 2, FIRM), Edge(2, 3, FIRM))
    solution = solve(a_set(*edges, places=3, holdings=4))
    assert [(p.place, p.holding, p.forced) for p in solution.placements] == [(0, 0, True), (1, 1, True), (2, 2, False)]


def test_same_keeps_coins_of_different_years_out_of_a_pair() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 1, FIRM), Edge(1, 2, FIRM))
    solution = solve(a_set(*edges, rules=(rule(SAME, known(1), known(2), known(1)),)))
    assert (seats(solution), solution.certain) == ({0: 0, 1: 2}, 2)
    assert all(placement.forced for placement in solution.placements)


def test_same_makes_the_coin_of_an_unsure_year_tentative_beside_another() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 1, FIRM))
    solution = solve(a_set(*edges, rules=(rule(SAME, known(1), one_of(1, 2)),)))
    assert (seats(solution), bases(solution)) == ({0: 0, 1: 1}, {0: FIRM, 1: ALTERNATIVES})
    assert solution.certain == 1


def test_same_lets_a_coin_of_an_unsure_year_be_firm_alone() -> None:
    solution = solve(a_set(Edge(0, 0, FIRM), rules=(rule(SAME, one_of(1, 2)),)))
    assert (bases(solution), solution.certain) == ({0: FIRM}, 1)


def test_same_lets_two_pieces_of_one_unsure_coin_be_firm_together() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 0, FIRM))
    solution = solve(a_set(*edges, quantity=2, rules=(rule(SAME, one_of(1, 2)),)))
    assert (bases(solution), solution.certain) == ({0: FIRM, 1: FIRM}, 2)


def test_of_two_unsure_coins_the_one_in_the_earlier_place_is_firm() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 1, FIRM))
    solution = solve(a_set(*edges, rules=(rule(SAME, one_of(1, 2), one_of(1, 2)),)))
    assert bases(solution) == {0: FIRM, 1: ALTERNATIVES}


def test_a_wholly_unknown_key_is_tentative_even_alone() -> None:
    solution = solve(a_set(Edge(0, 0, FIRM), rules=(rule(SAME, WHOLLY_UNKNOWN),)))
    assert (bases(solution), solution.certain, value(solution, "unknown")) == ({0: UNKNOWN}, 0, 1)


def test_different_refuses_two_pieces_of_one_coin_whatever_its_key_is() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 0, FIRM))
    for keys in (known(1), one_of(1, 2), WHOLLY_UNKNOWN):
        assert len(solve(a_set(*edges, quantity=2, rules=(rule(DIFFERENT, keys),))).placements) == 1


def test_different_makes_tentative_only_what_may_really_clash() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 1, FIRM))
    clash = solve(a_set(*edges, rules=(rule(DIFFERENT, known(1), one_of(1, 2)),)))
    clear = solve(a_set(*edges, rules=(rule(DIFFERENT, known(1), one_of(2, 3)),)))
    assert bases(clash) == {0: FIRM, 1: ALTERNATIVES}
    assert bases(clear) == {0: FIRM, 1: FIRM}


def test_at_most_counts_known_keys_for_all_and_possible_keys_for_what_is_firm() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 1, FIRM), Edge(2, 2, FIRM))
    one = rule(AT_MOST, known(1), known(1), one_of(1, 2), places=(0, 1, 2), count=1)
    solution = solve(a_set(*edges, places=3, rules=(one,)))
    assert (seats(solution), bases(solution)) == ({0: 0, 2: 2}, {0: FIRM, 2: ALTERNATIVES})
    assert solution.certain == 1


def test_at_most_none_of_a_kind_keeps_every_such_coin_out() -> None:
    fits, may_fit = known(1), EdgeKeys(frozenset({1}), frozenset(), UNKNOWN)
    edges = (Edge(0, 0, FIRM), Edge(1, 1, FIRM))
    solution = solve(a_set(*edges, rules=(rule(AT_MOST, fits, may_fit, count=0),)))
    assert bases(solution) == {1: UNKNOWN}


def test_not_elsewhere_keeps_the_key_of_an_inner_place_out_of_the_others() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 1, FIRM), Edge(1, 2, FIRM))
    inner = rule(NOT_ELSEWHERE, known(1), known(1), known(2), places=(0,))
    assert seats(solve(a_set(*edges, rules=(inner,)))) == {0: 0, 1: 2}


def test_not_elsewhere_makes_what_may_clash_tentative_on_either_side() -> None:
    edges = (Edge(0, 0, FIRM), Edge(1, 1, FIRM))
    inner = rule(NOT_ELSEWHERE, known(1), one_of(1, 2), places=(0,))
    assert bases(solve(a_set(*edges, rules=(inner,)))) == {0: FIRM, 1: ALTERNATIVES}


def test_a_doubt_of_the_coin_itself_comes_before_that_of_its_key() -> None:
    solution = solve(a_set(Edge(0, 0, ALTERNATIVES), rules=(rule(SAME, WHOLLY_UNKNOWN),)))
    assert (bases(solution), value(solution, "unknown"), value(solution, "alternatives")) == ({0: ALTERNATIVES}, 0, 1)


def test_every_fault_of_a_problem_is_named_at_once() -> None:
    edges = (Edge(0, 0, FIRM, (2**60 + 1,)), Edge(0, 0, FIRM, (1, 2)), Edge(5, 0, FIRM, (0,)))
    unexplained = EdgeKeys(frozenset({1, 2}), frozenset())
    with pytest.raises(ValueError, match="names a place or holding that does not exist") as refusal:
        solve(AssignmentProblem((True,), (1,), edges, (rule(SAME, unexplained, places=(0,)),), 1))
    for part in ("2**60", "listed twice", "2 costs, not 1", "does not exist", "no basis"):
        assert part in str(refusal.value)


def test_a_rule_without_keys_for_a_holding_is_refused() -> None:
    with pytest.raises(ValueError, match="holding 1 has no keys"):
        solve(a_set(Edge(0, 1, FIRM), rules=(rule(SAME, known(1)),)))


def test_kuhns_qualified_individuals_fill_three_of_four_jobs() -> None:
    # H. W. Kuhn, "The Hungarian Method for the assignment problem", 1955, the simple assignment problem of section 2
    # (from memory): individuals 1 to 4 qualify for jobs {1, 2, 3}, {3, 4}, {4} and {4}; no more than three are assigned.
    qualified = ((0, 1, 2), (2, 3), (3,), (3,))
    edges = tuple(Edge(job, person, FIRM) for person, jobs in enumerate(qualified) for job in jobs)
    assert len(solve(a_set(*edges, places=4, holdings=4)).placements) == 3


def test_kuhns_rating_matrix_has_its_best_sum() -> None:
    # The same paper's general assignment problem (from memory): ratings, of which the best sum of four is 27.
    ratings = ((8, 7, 9, 9), (5, 2, 7, 8), (6, 1, 4, 9), (2, 3, 2, 6))
    edges = tuple(
        Edge(job, person, FIRM, (9 - rating,)) for person, row in enumerate(ratings) for job, rating in enumerate(row)
    )
    assert 4 * 9 - value(solve(a_set(*edges, places=4, holdings=4)), "prefer-1") == 27
