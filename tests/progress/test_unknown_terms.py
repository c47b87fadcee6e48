"""The part `unknown_terms` of an evaluation, against the naive way: each coin judged again with the word changed."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.evaluation.table import Table
from service.facts.holding import View, read_facts, read_holdings
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.unknown_terms import UnknownTermEntry
from service.reference.shipped import vocabularies
from service.rules.document import read_definition
from service.rules.predicates import EvaluationContext

TODAY = date(2026, 11, 29)


def told(
    document: dict[str, Any], *facts: dict[str, Any], issues: dict[str, Any] | None = None
) -> list[UnknownTermEntry]:
    definition = read_definition({"format": "set-definition/1", "title": "t", **document}, vocabularies=vocabularies())
    coins = [{"id": f"c{number}", "facts": known} for number, known in enumerate(facts)]
    catalogue = {
        name: read_facts(known, definition.attributes, strict=True)[0] for name, known in (issues or {}).items()
    }
    holdings = read_holdings(coins, definition.attributes, strict=True)
    return evaluate(EvaluationRequest(definition, holdings, TODAY, vocabularies(), catalogue)).unknown_terms


COUNTRIES = {
    "one_per": [{"id": "c", "attribute": "issuer", "keys": {"from": "list", "values": ["PT", "ES", "FR"]}}],
    "slots": [{"id": "a", "accepts": "issuer = 'PT' AND year_on_coin < 1900"}, {"id": "b", "accepts": "grade > 60"}],
}


def test_a_word_that_is_no_term_keeps_the_places_of_the_nearest_term_empty() -> None:
    found = told(
        COUNTRIES,
        {"issuer": "Portugall", "year_on_coin": 1880, "grade": 4},
        {"issuer": "Portugall", "year_on_coin": 1980, "grade": 4},
        {"issuer": "Bananaland", "grade": 4},
        {"issuer": "España", "grade": 4},
    )
    assert found == [
        # Nothing is near: the places of Portugal and France are all that its issuer alone keeps it from, and slot a.
        UnknownTermEntry("issuer", "Bananaland", [], ["c2"], 3),
        UnknownTermEntry("issuer", "Portugall", ["PT"], ["c0", "c1"], 2),
    ]


def test_a_name_of_several_terms_has_them_as_the_nearest() -> None:
    (entry,) = told({"slots": [{"id": "a", "accepts": "issuer = 'DE'"}]}, {"issuer": "Germany"})
    assert (entry.term, set(entry.nearest), entry.places) == ("Germany", {"DE", "x-german-empire", "x-german-reich"}, 1)


def test_what_no_rule_reads_and_what_a_rule_says_in_the_same_words_is_not_told() -> None:
    slots = {"slots": [{"id": "a", "accepts": "denomination = '300 mark'"}]}
    assert told(slots, {"denomination": "300 mark", "issuer": "Bananaland"}) == []
    (entry,) = told(slots, {"denomination": "300 Mark"})
    assert (entry.nearest, entry.places) == (["300 mark"], 1)


def test_without_a_vocabulary_the_terms_are_those_of_the_rules_and_of_the_catalogue() -> None:
    slots = {"slots": [{"id": "a", "accepts": "reverse_design = 'English lion' OR mint LIKE 'L%'"}]}
    catalogue = {"i": {"reverse_design": "wren"}}
    assert told(slots, {"reverse_design": "Wrens", "mint": "Heaton"}, issues=catalogue) == []
    (entry,) = told(slots, {"reverse_design": "English lyon", "mint": "Heaton"}, issues=catalogue)
    assert (entry.attribute, entry.term, entry.nearest, entry.places) == (
        "reverse_design",
        "English lyon",
        ["English lion"],
        1,
    )
    (entry,) = told(slots, {"reverse_design": "ship", "mint": "Heaton"}, issues=catalogue)
    assert (entry.nearest, entry.places) == ([], 1)


def test_words_among_several_and_among_alternatives() -> None:
    slots = {"slots": [{"id": "a", "accepts": "A_CONTAINS(main_motifs, ('kangaroo'))"}]}
    for written in (
        ["lion", "kangeroo"],
        {"one_of": [["lion"], ["kangeroo"]]},
        {"has": ["lion"], "perhaps": ["kangeroo"]},
    ):
        (entry,) = told(slots, {"main_motifs": written})
        assert (entry.term, entry.nearest, entry.places) == ("kangeroo", ["kangaroo"], 1), written


def test_the_places_are_those_that_the_naive_way_finds() -> None:
    years = range(1850, 1950, 10)
    slots = [{"id": f"s{y}", "accepts": f"issuer = 'FR' AND year_on_coin BETWEEN {y} AND {y + 9}"} for y in years]
    coins = [{"issuer": "Frence", "year_on_coin": year} for year in range(1843, 1950, 13)]
    (entry,) = told({"slots": slots}, *coins)
    definition = read_definition(
        {"format": "set-definition/1", "title": "t", "slots": slots}, vocabularies=vocabularies()
    )
    table = Table(definition.attributes, EvaluationContext(TODAY, vocabularies()))
    fitting = set()
    for coin in coins:
        view = View(read_facts({**coin, "issuer": "FR"}, definition.attributes, strict=True)[0])
        fitting |= {s.id for s in definition.slots if table.verdict(s.accepts.predicate, (view,)).value == "yes"}
    assert entry.places == len(fitting) > 5
