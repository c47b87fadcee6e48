"""Reference data on the wire."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.facts.attributes import Attribute
from service.facts.vocabulary import Concept, Vocabulary
from service.http.wire import OldOut, OldPageOut


class AttributeOut(OldOut):
    """One thing that can be known of a coin."""

    name: str
    type: str
    many: bool
    unit: str | None
    vocabulary: str | None
    values: list[str]
    synonyms: dict[str, str]
    low: int | None
    high: int | None
    label: str
    help: str
    look_at: str
    source: str


class AttributeListOut(OldPageOut):
    """All core attributes."""

    items: list[AttributeOut]


class FunctionOut(OldOut):
    """One function of the rule language."""

    name: str
    signature: str
    meaning: str
    example: str


class FunctionListOut(OldPageOut):
    """All functions."""

    items: list[FunctionOut]


class VocabularySummaryOut(OldOut):
    """A vocabulary in a list."""

    name: str
    label: str
    edition: str
    source: str
    notice: str
    size: int


class VocabularyListOut(OldPageOut):
    """All vocabularies."""

    items: list[VocabularySummaryOut]


class ConceptOut(OldOut):
    """One term."""

    id: str
    label: str
    broader: list[str]
    alternative_labels: list[str]
    note: str
    ended: str | None
    current: bool
    matches: list[str]


class VocabularyOut(VocabularySummaryOut):
    """A vocabulary with its terms."""

    concepts: list[ConceptOut]


def shown_attribute(attribute: Attribute) -> dict[str, Any]:
    names = ("name", "type", "many", "unit", "vocabulary", "low", "high", "label", "help", "look_at", "source")
    lists = {"values": list(attribute.values), "synonyms": dict(attribute.synonyms)}
    return {**{name: getattr(attribute, name) for name in names}, **lists}


def shown_function(operator: Any) -> dict[str, Any]:
    return {name: getattr(operator, name) for name in ("name", "signature", "meaning", "example")}


def shown_vocabulary(vocabulary: Vocabulary) -> dict[str, Any]:
    names = ("name", "label", "edition", "source", "notice")
    return {**{name: getattr(vocabulary, name) for name in names}, "size": len(vocabulary.concepts)}


def shown_concept(concept: Concept) -> dict[str, Any]:
    return {
        "id": concept.id,
        "label": concept.label,
        "broader": list(concept.broader),
        "alternative_labels": list(concept.alternative_labels),
        "note": concept.note,
        "ended": concept.ended,
        "current": concept.current,
        "matches": list(concept.matches),
    }


def as_skos(vocabulary: Vocabulary, address: str) -> dict[str, Any]:
    """The scheme as JSON-LD in SKOS (W3C Recommendation, 18 August 2009). Terms are fragments of the scheme's
    address."""
    scheme: Mapping[str, Any] = {
        "@id": address,
        "@type": "skos:ConceptScheme",
        "skos:prefLabel": vocabulary.label or vocabulary.name,
        "skos:note": vocabulary.notice,
        "skos:hasTopConcept": [_term(address, c.id) for c in vocabulary.concepts.values() if not c.broader],
    }
    return {
        "@context": {"skos": "http://www.w3.org/2004/02/skos/core#"},
        "@graph": [scheme, *(_as_skos(concept, address) for concept in vocabulary.concepts.values())],
    }


def _as_skos(concept: Concept, address: str) -> dict[str, Any]:
    parts = {
        "skos:broader": [_term(address, upper) for upper in concept.broader],
        "skos:altLabel": list(concept.alternative_labels),
        "skos:note": concept.note,
    }
    known = {name: part for name, part in parts.items() if part}
    return {
        "@id": f"{address}#{concept.id}",
        "@type": "skos:Concept",
        "skos:notation": concept.id,
        "skos:prefLabel": concept.label,
        "skos:inScheme": {"@id": address},
        **known,
    }


def _term(address: str, identity: str) -> dict[str, str]:
    return {"@id": f"{address}#{identity}"}
