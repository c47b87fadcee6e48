"""What work costs: estimates from sizes alone, and refusals that name the limit."""

from __future__ import annotations

import pickle

import pytest

from service.errors import TooHeavy
from service.evaluation.cost import Cost, Sizes, allowed, cost_of_evaluation, hold, in_turn, together
from tests.timing import is_within

HOUSEHOLD = Sizes(coins=20, places=30, characters=600, pairs=40)
HUGE = Sizes(coins=100_000, places=2_000, characters=60_000, pairs=100_000_000)


def test_small_work_stays_where_it_is_and_large_work_does_not() -> None:
    assert cost_of_evaluation(HOUSEHOLD).milliseconds < cost_of_evaluation(HUGE).milliseconds
    assert not cost_of_evaluation(HUGE).is_within(5.0)
    assert Cost("work", 5.0, 0.0).is_within(5.0)
    assert not Cost("work", 5.1, 0.0).is_within(5.0)


def test_a_refusal_names_the_limit_what_was_done_the_sizes_and_what_would_help() -> None:
    cost = Cost("evaluating the set", 9_000.0, 5_001.0, 0.0, {"coins": 100_000}, "ask about fewer coins")
    with pytest.raises(TooHeavy) as refusal:
        cost.ensure_ends_within(5)
    assert str(refusal.value) == (
        "evaluating the set (100,000 coins) exceeds the 5 seconds that one request may take; ask about fewer coins"
    )
    assert refusal.value.code == "too-heavy"
    cost.ensure_ends_within(5.1)


def test_a_refusal_comes_whole_from_another_process() -> None:
    refusal = TooHeavy("evaluating the set", "the limit", {"coins": 3}, "ask about fewer")
    again = pickle.loads(pickle.dumps(refusal))
    assert (str(again), again.sizes, again.limit) == (str(refusal), {"coins": 3}, "the limit")


def test_asking_costs_well_under_a_millisecond() -> None:
    assert is_within(0.5, lambda: [cost_of_evaluation(HUGE) for _ in range(1_000)])


PIECE = Cost("evaluating the set", 8_000.0, 2_000.0, sizes={"coins": 500, "places": 40})
MEBIBYTE = 1024 * 1024


def test_what_one_request_does_adds_up() -> None:
    with allowed(5) as allowance:
        PIECE.ensure_allowed()
        PIECE.ensure_allowed()
        with pytest.raises(TooHeavy) as refusal:
            PIECE.ensure_allowed()
        assert (allowance.certain, allowance.pieces) == (4_000, 2)
    assert str(refusal.value) == (
        "evaluating the set (500 coins, 40 places, 2 pieces of work of this request besides) exceeds the 5 seconds that one "
        "request may take; ask about fewer coins or fewer places at once"
    )
    # The control: in requests of their own they are all done, and outside of any.
    for _ in range(3):
        with allowed(5):
            PIECE.ensure_allowed()
        PIECE.ensure_allowed()


def test_what_will_certainly_be_done_is_refused_before_the_first_of_it() -> None:
    done: list[int] = []
    with allowed(5), pytest.raises(TooHeavy) as refusal:
        done.extend(in_turn("weighing the doubts", "sets", [(number, PIECE) for number in range(3)]))
    assert not done
    assert str(refusal.value).startswith(
        "weighing the doubts (3 sets, 500 coins, 120 places) exceeds the 5 seconds that one request may take"
    )
    # The controls: what is kept, or may not be done, costs nothing; and outside of a request nothing is refused.
    with allowed(5):
        assert list(in_turn("weighing the doubts", "sets", [(0, PIECE), (1, None), (2, PIECE)])) == [0, 1, 2]
    assert list(in_turn("weighing the doubts", "sets", [(number, PIECE) for number in range(3)])) == [0, 1, 2]


def test_what_turns_out_to_be_more_takes_the_place_of_what_was_foreseen() -> None:
    foreseen, found = Cost("x", 0.0, 1_000.0), Cost("x", 0.0, 2_000.0)
    done = []
    with allowed(5) as allowance:
        for number in in_turn("x", "sets", [(number, foreseen) for number in range(2)]):
            found.ensure_allowed()
            done.append(number)
        assert (allowance.certain, allowance.pieces) == (4_000, 2)
    # The third is foreseen when the second turns out to be too much beside it.
    with allowed(5), pytest.raises(TooHeavy):
        for number in in_turn("x", "sets", [(number, foreseen) for number in range(4)]):
            found.ensure_allowed()
            done.append(number)
    assert done == [0, 1, 0]


def test_what_is_not_done_after_an_error_does_not_count() -> None:
    with allowed(5) as allowance:
        with pytest.raises(ValueError, match="odd"):
            for _ in in_turn("x", "sets", [(number, PIECE) for number in range(2)]):
                raise ValueError("odd")
        assert (allowance.certain, allowance.pieces) == (0, 0)


def test_what_is_not_known_to_be_done_is_not_certain() -> None:
    assert (PIECE.times(4, "evaluations").at_least, PIECE.times(4, "evaluations", certain=1).at_least) == (8_000, 2_000)
    assert PIECE.times(4, "evaluations", certain=0).at_least == 0
    assert (PIECE.if_not_kept().at_least, PIECE.if_not_kept().milliseconds) == (0, 8_000)
    assert together("x", [PIECE, PIECE.if_not_kept()], "sets").at_least == 2_000


def test_what_does_not_fit_into_memory_is_refused_and_the_memory_named() -> None:
    cost = cost_of_evaluation(HUGE)
    with allowed(3_600, 512 * MEBIBYTE), pytest.raises(TooHeavy) as refusal:
        cost.ensure_allowed()
    assert "the 512 MiB of memory that one request may take" in str(refusal.value)
    assert "100,000 coins, 2,000 places, 100,000,000 pairs of them that may fit" in str(refusal.value)
    # The controls: with more memory, where no limit is known, and of a household.
    for memory in (cost.bytes_at_least, None):
        with allowed(3_600, memory):
            cost.ensure_allowed()
    assert cost_of_evaluation(HOUSEHOLD).bytes_at_least == 0


def test_memory_that_is_held_is_not_there_for_what_comes_after() -> None:
    cost = Cost("evaluating the set", 0.0, 0.0, sizes={"coins": 500}, bytes_at_least=300 * MEBIBYTE)
    with allowed(5, 512 * MEBIBYTE):
        cost.ensure_allowed()
        hold(212 * MEBIBYTE)
        cost.ensure_allowed()
        hold(1 * MEBIBYTE)
        with pytest.raises(TooHeavy) as refusal:
            cost.ensure_allowed()
    assert "evaluating the set (500 coins, 213 MiB held by what was done before) exceeds the 512 MiB" in str(
        refusal.value
    )
    # The control: in another request it is there, and nothing is held outside of any.
    hold(213 * MEBIBYTE)
    with allowed(5, 512 * MEBIBYTE):
        cost.ensure_allowed()
