"""What an answer says of coins and places, found on arrays, is what looking at each pair by itself says."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.assignment.solve import solve
from service.progress.alternates import RunnersUp
from service.progress.evaluate import build_instance, names_of, not_counted
from service.progress.undecided import doubts
from service.progress.unplaced import unplaced
from tests.factories import a_measurement
from tests.progress.one_by_one.alternates import alternates_of
from tests.progress.one_by_one.named import named_one_by_one
from tests.progress.one_by_one.undecided import doubts as doubts_one_by_one
from tests.progress.one_by_one.unplaced import unplaced as unplaced_one_by_one
from tests.progress.test_evaluate import wishes
from tests.strategies import ISSUES, PRESUMED, definitions, examples, holdings


@settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(300))
@given(definitions(), holdings(), st.sampled_from(PRESUMED), st.data())
def test_arrays_tell_what_pairs_tell(
    document: dict[str, Any], coins: list[dict[str, Any]], account: dict[str, Any], data: st.DataObject
) -> None:
    for coin in coins:
        coin["quantity"] = data.draw(st.sampled_from([1, 1, 2]))
        coin["status"] = data.draw(st.sampled_from(["held", "held", "for trade", "sold"]))
    request = a_measurement(document, coins, issues=ISSUES, account=account, **data.draw(wishes(document, coins)))
    instance, table = build_instance(request)
    seats = {seat.place: seat for seat in solve(instance.problem).placements}
    runners_up = RunnersUp(instance, seats)
    for at in range(len(instance.places)):
        assert runners_up.of(at) == alternates_of(instance, at, seats)
    assert unplaced(instance, table, seats, not_counted(request)) == unplaced_one_by_one(
        instance, table, seats, request.holdings
    )
    assert doubts(instance, table, seats) == doubts_one_by_one(instance, table, seats)
    every = [(holding, request.views_of(holding)) for holding in request.holdings]
    named = named_one_by_one(every, request.definition.attributes, request.vocabularies)
    assert list(names_of(request, instance).items()) == list(named.items())
