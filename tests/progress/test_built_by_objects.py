"""Fits, costs and edges as arrays are those that one object for each of them says."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.evaluation.keys import Collection
from service.evaluation.places import places_of
from service.evaluation.table import Table
from service.progress.evaluate import build_instance, fixed_placements
from tests.assignment.by_objects.build import build as build_by_objects
from tests.factories import a_measurement
from tests.progress.test_evaluate import wishes
from tests.strategies import ISSUES, PRESUMED, definitions, examples, holdings


@settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(400))
@given(definitions(), holdings(), st.sampled_from(PRESUMED), st.data())
def test_arrays_say_what_objects_say(
    document: dict[str, Any], coins: list[dict[str, Any]], account: dict[str, Any], data: st.DataObject
) -> None:
    request = a_measurement(document, coins, issues=ISSUES, account=account, **data.draw(wishes(document, coins)))
    instance, _ = build_instance(request)
    table = Table(request.definition.attributes, request.context)
    collection = Collection(instance.coins.views, request.issues, request.context)
    places = places_of(request.definition, collection)
    assert [place.address for place in places] == [place.address for place in instance.places]
    slow = build_by_objects(request.definition, places, instance.coins, table, fixed_placements(request))
    assert [dict(fits) for fits in instance.fits] == [dict(fits) for fits in slow.fits]
    assert tuple(instance.problem.edges) == slow.problem.edges
    for name in ("required", "quantity", "rules", "preference_levels", "group_pins", "alike"):
        assert getattr(instance.problem, name) == getattr(slow.problem, name), name
    for place in range(len(places)):
        assert dict(instance.edges_at(place)) == dict(slow.edges_at(place))
        for coin in instance.fits[place]:
            for level in range(len(places[place].prefer)):
                assert instance.worth[level, place][coin] == slow.worth[level, place][coin]
    assert [(scale.steps, scale.least) for scale in instance.scales] == [(s.steps, s.least) for s in slow.scales]
    assert instance.barred == slow.barred
