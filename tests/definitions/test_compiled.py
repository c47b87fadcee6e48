"""Definitions that are read once: the same as read anew, by document, vocabularies and edition, and only so many."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from service.app import create_app
from service.errors import Invalid
from service.facts.own_vocabularies import OwnVocabulary, with_own
from service.facts.vocabulary import Concept
from service.reference import compiled, shipped
from service.reference.compiled import known_rules, read_kept
from service.rules.document import read_definition
from service.rules.predicates import EvaluationContext
from tests.conftest import settings_for


@pytest.fixture(autouse=True)
def nothing_kept() -> Iterator[None]:
    compiled._KEPT.clear()
    yield
    compiled._KEPT.clear()


def a_document(text: str = "28.5", title: str = "Broad coins") -> dict[str, Any]:
    rule = f"diameter >= {text}"
    slots = [{"id": "broad", "accepts": rule}]
    groups = [{"id": "wide", "attribute": "diameter", "band": "BAND", "keys": {"from": "holdings"}}]
    document = {"format": "set-definition/1", "title": title, "slots": slots, "one_per": groups}
    read: dict[str, Any] = json.loads(json.dumps(document).replace('"BAND"', text), parse_float=Decimal)
    return read


def test_what_was_read_is_what_reading_anew_gives_and_the_same_object() -> None:
    schemes = shipped.vocabularies()
    first = read_kept(a_document(), schemes)
    assert first == read_definition(a_document(), vocabularies=schemes)
    assert read_kept(a_document(), schemes) is first


def test_documents_that_differ_in_a_trailing_zero_alone_are_kept_apart() -> None:
    schemes = shipped.vocabularies()
    first, second = read_kept(a_document("28.5"), schemes), read_kept(a_document("28.50"), schemes)
    assert first.digest != "" and first is not second
    assert [str(d.document["one_per"][0]["band"]) for d in (first, second)] == ["28.5", "28.50"]


def test_other_vocabularies_or_another_edition_are_read_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    schemes = shipped.vocabularies()
    own = with_own(schemes, [OwnVocabulary("beasts", (Concept("quagga", "quagga"),), "motifs")])
    first = read_kept(a_document(), schemes)
    other = read_kept(a_document(), own)
    assert other is not first
    assert (first.vocabularies["motifs"], other.vocabularies["motifs"]) == (schemes["motifs"], own["motifs"])
    monkeypatch.setattr(shipped, "edition", lambda: "next")
    assert read_kept(a_document(), schemes) is not first


def test_an_id_that_other_vocabularies_had_before_is_no_mistake(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiled, "id", lambda _: 1, raising=False)
    schemes = shipped.vocabularies()
    own = with_own(schemes, [OwnVocabulary("beasts", (Concept("quagga", "quagga"),), "motifs")])
    for each in (schemes, own, schemes):
        assert read_kept(a_document(), each).vocabularies["motifs"] is each["motifs"]


def test_what_was_found_about_rules_is_kept_with_the_definition_for_one_day() -> None:
    definition, day = read_kept(a_document(), shipped.vocabularies()), date(2026, 1, 2)
    counts = compiled.RULE_COUNTS
    hits, misses = counts.hits, counts.misses
    known = known_rules(definition, day)
    assert known is not None and known.is_for(definition, EvaluationContext(day, definition.vocabularies))
    assert known_rules(definition, day) is known
    assert (counts.hits, counts.misses) == (hits + 1, misses + 1)
    later = known_rules(definition, day + timedelta(days=1))
    assert later is not None and later is not known
    # Another definition, although it is written alike.
    assert known_rules(replace(definition), day) is None


def test_what_was_found_about_rules_goes_with_the_definition(monkeypatch: pytest.MonkeyPatch) -> None:
    schemes, day = shipped.vocabularies(), date(2026, 1, 2)
    first = read_kept(a_document(title="1"), schemes)
    assert known_rules(first, day) is not None
    monkeypatch.setattr(compiled, "MOST_BYTES", 10)
    read_kept(a_document(title="2"), schemes)
    assert known_rules(first, day) is None
    assert compiled.rule_bytes() == 0


def test_of_what_was_found_about_rules_so_many_bytes_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    schemes, day, evictions = shipped.vocabularies(), date(2026, 1, 2), compiled.RULE_COUNTS.evictions
    found = {}
    for title in ("1", "2", "3"):
        definition = read_kept(a_document(title=title), schemes)
        known = found[title] = known_rules(definition, day)
        assert known is not None
        known.plans.of(definition.slots[0].accepts.predicate)
        # What it takes is looked at when it is asked for.
        assert known_rules(definition, day) is known
    whole = compiled.rule_bytes()
    assert whole > 0
    monkeypatch.setattr(compiled, "MOST_RULE_BYTES", whole - 1)
    # It is the one that was asked for last now, and the second the one of longest ago.
    definition = read_kept(a_document(title="1"), schemes)
    assert known_rules(definition, day) is found["1"]
    assert compiled.rule_bytes() < whole
    assert compiled.RULE_COUNTS.evictions == evictions + 1
    assert known_rules(read_kept(a_document(title="3"), schemes), day) is found["3"]
    assert known_rules(read_kept(a_document(title="2"), schemes), day) is not found["2"]


def test_the_service_keeps_as_much_as_its_settings_say(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(compiled, "MOST_BYTES", compiled.MOST_BYTES)
    monkeypatch.setattr(compiled, "MOST_RULE_BYTES", compiled.MOST_RULE_BYTES)
    create_app(settings_for(f"sqlite:///{tmp_path}/some.sqlite3", definitions_bytes=100))
    assert (compiled.MOST_BYTES, compiled.MOST_RULE_BYTES) == (100, 1_200)
    first = read_kept(a_document(title="1"), shipped.vocabularies())
    assert read_kept(a_document(title="1"), shipped.vocabularies()) is not first
    assert compiled._KEPT == {}


def test_a_refusal_is_not_kept() -> None:
    wrong = {**a_document(), "slots": [{"id": "broad", "accepts": "no_such = 1"}]}
    for _ in range(2):
        with pytest.raises(Invalid):
            read_kept(wrong, shipped.vocabularies())
    assert compiled._KEPT == {}


def test_what_was_asked_for_longest_ago_is_let_go_of(monkeypatch: pytest.MonkeyPatch) -> None:
    schemes = shipped.vocabularies()
    first = read_kept(a_document(title="1"), schemes)
    ((text, _),) = compiled._KEPT
    monkeypatch.setattr(compiled, "MOST_BYTES", 3 * len(text))
    second = read_kept(a_document(title="2"), schemes)
    read_kept(a_document(title="3"), schemes)
    assert read_kept(a_document(title="1"), schemes) is first
    read_kept(a_document(title="4"), schemes)
    assert len(compiled._KEPT) == 3
    assert read_kept(a_document(title="1"), schemes) is first
    assert read_kept(a_document(title="2"), schemes) is not second
