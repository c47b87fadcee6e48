"""What one request will certainly do is known, and refused, before it is done: changes that are tried, decisions and rules that
are priced, sets that share coins."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

import service.progress.allocations as allocating
from service.assignment import build
from service.database.types import written
from service.errors import TooHeavy
from service.evaluation.cost import allowed
from service.facts.holding import read_holdings
from service.holdings.model import with_defaults
from service.progress.actions.stored_set import LoadedRequest, stored_holdings
from service.progress.allocations import IN_ORDER, JOINTLY, SetRequest, allocate
from service.progress.candidates import candidates
from service.progress.costs import costs_of_decisions, prices_of_rules
from service.progress.evaluate import EvaluationRequest, build_instance, evaluate
from service.progress.whatif import Evaluated
from tests.factories import a_document, a_holding, a_measurement
from tests.holdings.columns.rows import in_columns
from tests.promises.plugin import Promise

COINS, PLACES, TRAY = 40, 12, 25
MEBIBYTE = 1024 * 1024


class Begun(Exception):
    """What was to be refused has begun."""


def begins(*_: Any, **__: Any) -> Any:
    raise Begun


def a_request(coins: int = COINS, places: int = PLACES, **more: Any) -> EvaluationRequest:
    """All coins fit all places."""
    held = [a_holding(f"coin-{n:03}", grade=1 + n % 60, mint=f"m{n % 3}") for n in range(coins)]
    document = a_document({f"place-{n:02}": f"grade < {100 + n}" for n in range(places)}, **more.pop("document", {}))
    return a_measurement(document, held, **more)


def tried(evaluated: Evaluated) -> Any:
    tray = [a_holding(f"new-{n:03}", grade=5) for n in range(TRAY)]
    return candidates(evaluated, read_holdings(tray, evaluated.request.definition.attributes, strict=True))


PINNED = {"pins": [(f"coin-{n:03}", f"place-{n:02}") for n in range(PLACES)]}
RULED = {
    "document": {"constraints": [{"id": f"r{n}", "kind": "at_most", "per": ["mint"], "count": 40} for n in range(3)]}
}
# What is asked of an evaluation, what is not to begin, and what is told.
CHANGES: dict[str, tuple[dict[str, Any], Callable[[Evaluated], Any], str, str]] = {
    "coins to try": ({}, tried, "with_coins", f"trying the coins in the set ({TRAY} coins to try"),
    "decisions": (
        PINNED,
        costs_of_decisions,
        "with_wishes",
        f"working out what pins and nevers cost ({PLACES} pins and nevers",
    ),
    "rules": (
        RULED,
        prices_of_rules,
        "with_rules",
        "working out what rules cost (6 rules left out or loosened",
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_changes_that_cannot_all_be_tried_in_time_are_refused_before_the_first(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    more, ask, method, told = CHANGES[name]
    evaluated = Evaluated(a_request(**more))
    assert evaluated.whole.proven
    with allowed(3_600) as allowance:
        ask(evaluated)
    needed = allowance.certain / 1_000
    assert needed > 0
    monkeypatch.setattr(Evaluated, method, begins)
    with allowed(0.9 * needed), pytest.raises(TooHeavy) as refusal:
        ask(evaluated)
    assert str(refusal.value).startswith(told)
    assert "seconds that one request may take" in str(refusal.value)
    # The control: where there is time for all of them the first begins, and so it does for whoever is not asked.
    with allowed(1.1 * needed), pytest.raises(Begun):
        ask(evaluated)
    with pytest.raises(Begun):
        ask(evaluated)


@pytest.mark.parametrize("mode", [IN_ORDER, JOINTLY])
def test_sets_that_share_coins_are_all_judged_before_the_first_is_solved(
    mode: Any, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    sets = [SetRequest(a_request(400, 60)) for _ in range(6)]
    with allowed(3_600) as alone:
        build_instance(sets[0].request)
    each = alone.certain / 1_000
    monkeypatch.setattr(allocating, "solve", begins)
    with allowed(5.5 * each), pytest.raises(TooHeavy) as refusal:
        allocate(sets, mode, 1.0)
    assert "5 pieces of work of this request besides" in str(refusal.value)
    # The controls: each of them by itself is allowed, and so are all where there is time for them.
    with allowed(6.5 * each), pytest.raises(Begun):
        allocate(sets, mode, 1.0)
    for one in sets:
        with allowed(5.5 * each):
            build_instance(one.request)
    promise(
        10,
        "what cannot end in time together",
        kept="6 sets that share coins: refused before the first is solved",
        control="each by itself is begun",
    )


def test_what_the_sets_before_leave_is_known_before_it_is_evaluated_again(monkeypatch: pytest.MonkeyPatch) -> None:
    sets = [SetRequest(a_request(200, 40)) for _ in range(4)]
    with allowed(3_600) as once:
        for one in sets:
            build_instance(one.request)
    with allowed(3_600) as allowance:
        found = allocate(sets, IN_ORDER, 1.0)
    assert [one.summary.filled for one in found.sets] == [40] * 4
    # The first is not evaluated again.
    assert once.certain < allowance.certain < 2 * once.certain
    built: list[int] = []
    laid_out = allocating.build_instance

    def counted(request: EvaluationRequest) -> Any:
        built.append(len(request.holdings))
        return laid_out(request)

    monkeypatch.setattr(allocating, "build_instance", counted)
    with allowed(1.01 * once.certain / 1_000), pytest.raises(TooHeavy, match="sharing the coins out"):
        allocate(sets, IN_ORDER, 1.0)
    assert built == [200] * 4


def stored(coins: int = 30) -> LoadedRequest:
    """A set kept here, of coins kept in columns."""
    asked = a_request(1)
    day = "2026-11-01 10:00:00.000000"
    facts = [written(with_defaults({"facts": {"grade": 1 + n}})) for n in range(coins)]
    rows = [(f"coin-{n:03}", n + 1, n + 1, False, data, day, day, "[]") for n, data in enumerate(facts)]
    held, _ = stored_holdings(in_columns(rows), asked.definition.attributes, {}, asked.vocabularies)
    return LoadedRequest(replace(asked, holdings=held), version=("1",))


def test_what_is_kept_costs_nothing_ahead() -> None:
    mine = stored()
    before = mine.cost_ahead(tries=1)
    assert before is not None
    assert before.sizes == {"coins": 30, "places": PLACES}
    assert before.at_least > 0
    with allowed(3_600) as first:
        mine.evaluated(tries=1).whole  # noqa: B018 - it is solved when it is asked for
    assert before.at_least < first.certain
    assert mine.cost_ahead(tries=1) is None
    with allowed(3_600) as again:
        mine.evaluated(tries=1)
    assert again.certain == 0
    # The control: of other coins, or for other changes, it is not kept.
    assert stored().cost_ahead(tries=1) is not None
    assert mine.cost_ahead(tries=50) is not None


def test_more_pairs_than_memory_holds_are_refused_before_anything_is_made_for_them(
    monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    """They are told of while coins are judged, before all are there."""
    request = a_request(4_000, 300)
    told: list[int] = []
    take = build.Cost.ensure_possible
    monkeypatch.setattr(build.Cost, "ensure_possible", lambda cost: (told.append(1), take(cost))[1])
    monkeypatch.setattr(build, "assembled", begins)
    with allowed(3_600, 48 * MEBIBYTE), pytest.raises(TooHeavy) as refusal:
        evaluate(request)
    assert len(told) == 1
    assert "evaluating the set (4,000 coins, 300 places, 1,000,000 pairs" in str(refusal.value)
    assert "the 48 MiB of memory that one request may take" in str(refusal.value)
    # The controls: with room for them, or none named, the work begins.
    for memory in (512 * MEBIBYTE, None):
        with allowed(3_600, memory), pytest.raises(Begun):
            evaluate(request)
    promise(
        19,
        "memory by pairs",
        kept="1,200,000 pairs of a coin and a place in 48 MiB: refused at the first million, the memory and the sizes named",
        control="without a limit of memory the work begins",
    )
