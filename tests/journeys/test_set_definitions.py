"""The four shipped set definitions, each against the numbers that were worked out without this engine
(set_definitions/README.md says how)."""

from __future__ import annotations

import pytest

from tests.factories import candidate_views, places_of, result_of
from tests.set_definitions import NAMES, a_set, expected, result


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_set_comes_out_as_counted_elsewhere_and_is_proven(name: str) -> None:
    summary, wanted = result(name)["summary"], expected(name)["summary"]
    assert {key: summary[key] for key in wanted} == wanted
    assert result(name)["proven_optimal"] is True


@pytest.mark.parametrize("name", NAMES)
def test_what_the_author_presumes_changes_the_numbers_as_said(name: str) -> None:
    """Only one coin of the four collections has nothing written of its problems or kind that a place asks for: the README
    says which."""
    summary, wanted = result(name, presume=True)["summary"], expected(name)["with_presumptions"]
    assert {key: summary[key] for key in wanted} == wanted
    assert result(name, presume=True)["proven_optimal"] is True


@pytest.mark.parametrize("name", NAMES)
def test_the_coins_that_fit_each_place_are_those_counted_elsewhere(name: str) -> None:
    from service.evaluation.places import Collection, places_of
    from service.evaluation.table import Table
    from service.rules.predicates import EvaluationContext

    request = a_set(name)
    context = EvaluationContext(request.today, request.vocabularies)
    held = [holding for holding in request.holdings if holding.status == "held"]
    seen = tuple(candidate_views(holding, request.issues) for holding in held)
    table = Table(request.definition.attributes, context)
    found: dict[str, dict[str, list[str]]] = {}
    for place in places_of(request.definition, Collection(seen, request.issues, context)):
        verdicts = {h.id: table.fit(place.predicate, v).verdict.value for h, v in zip(held, seen, strict=True)}
        found[place.group if place.kind == "free_choice" else place.address] = {
            "certain": sorted(h for h, verdict in verdicts.items() if verdict == "yes"),
            "possible": sorted(h for h, verdict in verdicts.items() if verdict == "undecided"),
        }
    wanted = expected(name)["candidates"]
    none: dict[str, list[str]] = {"certain": [], "possible": []}
    # For one_per groups only the places that some coin may take are listed.
    assert {address: fits for address, fits in found.items() if fits != none or address in wanted} == wanted


@pytest.mark.parametrize("name", NAMES)
def test_every_coin_stands_exactly_once_and_those_that_fit_nowhere_are_outside(name: str) -> None:
    placed = [place["holding"] for place in places_of(result(name)) if place["holding"]]
    left = [entry["holding"] for entry in result(name)["unplaced"]]
    assert sorted([*placed, *left]) == sorted(holding.id for holding in a_set(name).holdings)
    outside = [entry["holding"] for entry in result(name)["unplaced"] if entry["reason"] == "outside"]
    assert sorted(outside) == sorted(expected(name)["fit_nowhere"])


@pytest.mark.parametrize("name", NAMES)
def test_without_its_set_level_rules_a_set_fills_as_counted_elsewhere(name: str) -> None:
    from dataclasses import replace

    request = a_set(name)
    definition = request.definition
    bare = replace(
        definition, constraints=(), free_choice=tuple(replace(choice, rules=()) for choice in definition.free_choice)
    )
    summary = result_of(replace(request, definition=bare))["summary"]
    wanted = expected(name)["without_set_rules"]
    assert {key: summary[key] for key in wanted} == wanted
