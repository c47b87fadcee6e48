"""What a draft does while it is written: the coins of each place against the slow second implementation, rules in both forms."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings

from service.errors import Invalid
from service.progress.check import CheckedDefinition
from service.progress.preview import MOST_COINS_NAMED, preview_of, read_rules
from service.rules.cql2.expression import parse
from service.rules.document import read_definition
from tests import reference
from tests.factories import OUTSIDE, VOCABULARIES, a_document, a_holding, a_measurement, as_sent
from tests.strategies import ISSUES, definitions, examples, holdings, rules

EDITIONS = {"reference_edition": "r", "engine_version": "e"}


def previewed(document: dict[str, Any], coins: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    request = a_measurement(document, coins, **more)
    which = CheckedDefinition(None, None, request.definition.digest)
    told: dict[str, Any] = as_sent(preview_of(request, document, [], which, **EDITIONS))
    return told


def test_a_place_has_the_coins_that_fit_that_may_and_that_fit_elsewhere_too() -> None:
    document = a_document({"crown": "denomination = 'crown'", "fine": "grade >= 40", "none": "denomination = 'groat'"})
    coins = [
        a_holding("a", denomination="crown", grade=50),
        a_holding("b", denomination="crown", grade=10),
        a_holding("c", grade=60, denomination="florin"),
        a_holding("d", grade=12, denomination="florin"),
        a_holding("e", denomination="crown"),
    ]
    told = previewed(document, coins)
    assert told["holdings"] == {"coins": 5, "fit": 4, "may_fit": 0, "fit_nowhere": 1}
    crown, fine, none = told["places"]
    assert crown["fit"] == {"coins": 3, "some": ["a", "b", "e"]}
    assert fine["may_fit"] == {"coins": 1, "some": ["e"]}
    assert crown["fit_elsewhere"] == {"coins": 1, "some": [{"holding": "a", "places": ["fine"]}]}
    assert none["fit"] == none["may_fit"] == {"coins": 0, "some": []}
    assert set(told["named"]) == {"a", "b", "c", "e"}
    assert told["places_in_words"]["crown"] == "a crown"


def test_few_coins_are_named_and_all_are_counted() -> None:
    coins = [a_holding(f"c{n:02}", denomination="crown") for n in range(MOST_COINS_NAMED + 4)]
    (place,) = previewed(a_document({"crown": "denomination = 'crown'"}), coins)["places"]
    assert (place["fit"]["coins"], len(place["fit"]["some"])) == (MOST_COINS_NAMED + 4, MOST_COINS_NAMED)


@settings(max_examples=examples(30), deadline=None)
@given(definitions(), holdings())
def test_the_coins_of_each_place_are_those_of_the_second_implementation(
    document: dict[str, Any], coins: list[dict[str, Any]]
) -> None:
    told = previewed(document, coins, issues=ISSUES)
    held = [coin for coin in coins if coin.get("status", "held") == "held"]
    counting = sorted((reference.a_coin(coin, ISSUES, document, OUTSIDE) for coin in held), key=lambda coin: coin.id)
    spots = reference.spots(document, counting, OUTSIDE)
    assert [place["place"] for place in told["places"]] == [spot.address for spot in spots]
    verdicts = [
        {coin.id: reference.verdict_of_views(spot.rule, coin.views, OUTSIDE) for coin in counting} for spot in spots
    ]
    for place, of_place in zip(told["places"], verdicts, strict=True):
        sure = [coin for coin, verdict in of_place.items() if verdict == "yes"]
        assert place["fit"] == {"coins": len(sure), "some": sure[:MOST_COINS_NAMED]}
        doubtful = [coin for coin, verdict in of_place.items() if verdict == "undecided"]
        assert place["may_fit"] == {"coins": len(doubtful), "some": doubtful[:MOST_COINS_NAMED]}
        both = [coin for coin in sure if sum(other[coin] == "yes" for other in verdicts) > 1]
        assert place["fit_elsewhere"]["coins"] == len(both)
        for one in place["fit_elsewhere"]["some"]:
            assert one["holding"] in both
            assert place["place"] not in one["places"] != []


@settings(max_examples=examples(100), deadline=None)
@given(rules())
def test_the_text_of_a_rule_reads_as_its_tree(rule: Any) -> None:
    (told,) = read_rules({"slots": [{"id": "a", "accepts": rule}]}, ())
    assert told.json == parse(rule).json
    assert told.text is not None
    (again,) = read_rules({"slots": [{"id": "a", "accepts": told.text}]}, ())
    assert (again.json, again.text) == (told.json, told.text)


def test_a_rule_has_its_own_faults_with_line_and_column() -> None:
    document = a_document({"a": "grade = 1", "b": "denomination = 'x' AND\n finess > 1", "c": "grade >"})
    with pytest.raises(Invalid) as refused:
        read_definition(document, vocabularies=VOCABULARIES)
    sound, unknown, cut = read_rules(document, refused.value.faults)
    assert sound.faults == []
    ((fault,), (other,)) = unknown.faults, cut.faults
    assert (fault.code, fault.line, fault.column, fault.pointer) == ("unknown-attribute", 2, 2, "")
    # What is wrong with its sense does not keep a rule from being written in the other form.
    assert unknown.text == "denomination = 'x' AND finess > 1"
    assert (other.code, cut.json, cut.text) == ("syntax", None, None)


def test_rules_are_found_wherever_a_document_has_them() -> None:
    rule = "grade > 1"
    document = a_document(
        {"a": rule},
        scope=rule,
        presume=[{"where": rule, "facts": {"where": "no rule"}}],
        identify=[{"where": rule}],
        prefer=[{"where": rule}, {"highest": "grade"}],
        one_per=[
            {"id": "o", "attribute": "issuer", "accepts": rule, "keys": {"from": "catalogue", "where": rule}},
        ],
        free_choice=[{"id": "f", "places": 1, "accepts": rule, "at_most": [{"where": rule, "count": 1}]}],
        constraints=[{"id": "k", "kind": "at_most", "where": rule, "count": 1}],
        examples=[{"facts": {"accepts": "no rule"}}],
    )
    assert sorted(one.pointer for one in read_rules(document, ())) == [
        "/constraints/0/where",
        "/free_choice/0/accepts",
        "/free_choice/0/at_most/0/where",
        "/identify/0/where",
        "/one_per/0/accepts",
        "/one_per/0/keys/where",
        "/prefer/0/where",
        "/presume/0/where",
        "/scope",
        "/slots/0/accepts",
    ]


def test_a_rule_whose_text_would_be_too_long_has_its_tree_alone() -> None:
    values = [f"{n:020}" for n in range(900)]
    tree = {"op": "in", "args": [{"property": "denomination"}, values]}
    (told,) = read_rules(a_document({"a": tree}), ())
    assert (told.json, told.text, told.faults) == (tree, None, [])
