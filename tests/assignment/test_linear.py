"""What prices prove is true of every whole answer, tried one by one."""

from __future__ import annotations

from itertools import product
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from service.assignment.cp_sat import SolverBudget
from service.assignment.linear import LinearProgram, Priced, by_prices
from tests.strategies import examples


def a_program(random: Random) -> tuple[LinearProgram, list[dict[int, int]]]:
    """A few variables, rows that all of them at 0 satisfy, one to three objectives."""
    count = random.randint(1, 6)
    program = LinearProgram([random.choice((1, 1, 1, 2)) for _ in range(count)])
    for _ in range(random.randint(0, 6)):
        numbers = random.sample(range(count), random.randint(1, count))
        coefficients = None if random.random() < 0.5 else [random.choice((-1, 1, 1, 2)) for _ in numbers]
        program.rows.append((numbers, coefficients, random.randint(0, 3)))
    objectives = [
        {number: random.randint(-3, 2) for number in random.sample(range(count), random.randint(1, count))}
        for _ in range(random.randint(1, 3))
    ]
    return program, objectives


def answers(program: LinearProgram) -> list[tuple[int, ...]]:
    """Every way to satisfy the rows."""
    return [
        values
        for values in product(*(range(most + 1) for most in program.upper))
        if all(
            sum(c * values[n] for n, c in zip(numbers, given or [1] * len(numbers), strict=True)) <= most
            for numbers, given, most in program.rows
        )
    ]


def worth(values: tuple[int, ...] | list[int], objectives: list[dict[int, int]]) -> list[int]:
    return [sum(coefficient * values[number] for number, coefficient in terms.items()) for terms in objectives]


def priced(program: LinearProgram, objectives: list[dict[int, int]]) -> Priced:
    return by_prices(program, objectives, [0] * len(program.upper), SolverBudget(1), 1)


@given(st.randoms(use_true_random=False))
@settings(max_examples=examples(400), deadline=None)
def test_no_whole_answer_contradicts_the_prices(random: Random) -> None:
    program, objectives = a_program(random)
    found, every = priced(program, objectives), answers(program)
    assert tuple(found.values) in every
    proven = objectives[: found.reached]
    assert worth(found.values, proven) == min(worth(values, proven) for values in every)
    for values in every:
        if worth(values, objectives) <= worth(found.values, objectives):
            assert all(found.matters[number] for number, value in enumerate(values) if value)


def test_most_small_programs_are_decided_and_lose_variables() -> None:
    # The control of the comparison above: it is not true because nothing is ever proven.
    reached = lost = 0
    for seed in range(200):
        program, objectives = a_program(Random(seed))
        found = priced(program, objectives)
        reached += found.reached == len(objectives)
        lost += not found.matters.all()
    assert reached > 100
    assert lost > 100


def test_a_relaxation_that_is_not_whole_proves_nothing() -> None:
    # Of three, any two exclude each other: the relaxation has half of each, one and a half in all.
    program = LinearProgram([1, 1, 1], [([0, 1], None, 1), ([1, 2], None, 1), ([0, 2], None, 1)])
    found = priced(program, [{0: -1, 1: -1, 2: -1}])
    assert found.reached == 0
    assert found.values == [0, 0, 0]
    whole = LinearProgram([1, 1, 1], [([0, 1, 2], None, 1)])
    assert priced(whole, [{0: -1, 1: -1, 2: -1}, {2: -1}]).values == [0, 0, 1]


def test_without_time_nothing_is_proven() -> None:
    program = LinearProgram([1], [])
    found = by_prices(program, [{0: -1}], [0], SolverBudget(0), 0)
    assert (found.values, found.reached, found.matters.tolist()) == ([0], 0, [True])
