"""What work costs: estimates from sizes alone, and refusals that name the limit."""

from __future__ import annotations

import pickle
import time

import pytest

from service.errors import TooHeavy
from service.evaluation.cost import Cost, Sizes, cost_of_evaluation

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
    begun = time.process_time()
    for _ in range(1_000):
        cost_of_evaluation(HUGE)
    assert time.process_time() - begun < 0.5
