"""SKOS as it is written and read, held against rdflib, which shares no code with either."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rdflib.compare import isomorphic

from service.errors import Invalid
from service.facts.own_vocabularies import OwnVocabulary
from service.facts.vocabulary import Abbreviation, Concept, TaggedName
from service.reference.model import KeptVocabulary
from service.reference.skos import JSON_LD, MOST_PREFIXES, TURTLE, as_json_ld, as_turtle, read_skos
from service.rules.vocabularies import concept_of_json
from tests.graphs import read_graph
from tests.strategies import examples

HERE = "http://setwright.test/v1/vocabularies"
# Letters of several scripts, quotes, blanks, and what has a meaning in Turtle, in IRIs or in JSON.
_TEXT = st.text("aZé北ß \"'\\<>{}#%/?:;,.@^|`[]()&\t\n", min_size=1, max_size=12)
_TAGS = st.sampled_from(("en", "de", "fr-ch", "zh-hant", "x-own"))
_DAYS = st.dates(date(1000, 1, 1), date(2020, 1, 1))


@st.composite
def vocabularies(draw: st.DrawFn) -> KeptVocabulary:
    ids = draw(st.lists(_TEXT, min_size=1, max_size=4, unique=True))
    concepts = []
    for number, identity in enumerate(ids):
        started, ended = sorted(draw(st.tuples(_DAYS, _DAYS)))
        is_over = draw(st.booleans())
        # One preferred label for each language (SKOS, S14).
        tags = draw(st.lists(_TAGS, max_size=2, unique=True))
        names = {TaggedName(draw(_TEXT), tag, "preferred") for tag in tags}
        kinds = st.sampled_from(("alternative", "hidden"))
        names |= set(draw(st.lists(st.builds(TaggedName, _TEXT, _TAGS, kinds), max_size=2)))  # type: ignore[arg-type]
        concepts.append(
            Concept(
                id=identity,
                label=draw(_TEXT),
                broader=tuple(draw(st.lists(st.sampled_from(ids[:number]), max_size=2, unique=True)) if number else ()),
                alternative_labels=tuple(sorted(set(draw(st.lists(_TEXT, max_size=2))))),
                note=draw(st.just("") | _TEXT),
                started=draw(st.none() | st.just(started)),
                ended=ended if is_over else None,
                current=draw(st.booleans()) and not is_over,
                matches=draw(st.sampled_from(((), ("iso3166-1:FR",), ("http://example.org/a", "iso3166-3:DDDE")))),
                abbreviations=tuple(Abbreviation(text) for text in sorted(set(draw(st.lists(_TEXT, max_size=2))))),
                names=tuple(
                    sorted(
                        names, key=lambda n: (("preferred", "alternative", "hidden").index(n.kind), n.language, n.text)
                    )
                ),
                iri=draw(st.sampled_from(("", f"http://example.org/{number}"))),
            )
        )
    concepts.sort(key=lambda concept: concept.id)
    own = OwnVocabulary("words", tuple(concepts), None, draw(_TEXT))
    return KeptVocabulary(own, draw(st.just("") | _TEXT), draw(st.just("") | _TEXT))


@given(vocabularies())
@settings(max_examples=examples(60), deadline=None)
def test_what_is_written_is_read_as_the_same(kept: KeptVocabulary) -> None:
    document = as_json_ld(kept, HERE)
    plain, turtle = json.dumps(document).encode(), as_turtle(document)
    assert isomorphic(read_graph(plain, "json-ld"), read_graph(turtle, "turtle"))
    for kind, raw, value in ((JSON_LD, plain, document), (TURTLE, turtle, None)):
        found = read_skos(kind, raw, value, HERE, "words")
        assert not found.not_kept
        assert (found.fields["label"], found.fields["iri"]) == (kept.own.label, "")
        read = tuple(concept_of_json(entry) for entry in found.fields["concepts"])
        assert [_loose(concept) for concept in read] == [_loose(concept) for concept in kept.own.concepts]


def _loose(concept: Concept) -> Any:
    """Without what SKOS keeps no order of; of several labels one is to show."""
    names = {(name.text, name.language, name.kind) for name in concept.names}
    return (
        concept.id,
        concept.label,
        set(concept.broader),
        concept.alternative_labels,
        concept.note,
        (concept.started, concept.ended, concept.current),
        concept.matches,
        concept.abbreviations,
        names,
        concept.iri,
    )


def refused(kind: str, text: str) -> list[tuple[str, str]]:
    value = json.loads(text) if kind == JSON_LD else None
    with pytest.raises(Invalid) as told:
        read_skos(kind, text.encode(), value, HERE, "words")
    return [(fault.code, fault.pointer) for fault in told.value.faults]


def test_contexts_from_elsewhere_and_past_the_limit_are_refused_by_their_place() -> None:
    deep = {"@graph": [{"a": {"@context": ["http://example.org/c", {"@import": "http://example.org/d"}]}}]}
    assert sorted(refused(JSON_LD, json.dumps(deep))) == [
        ("remote-context", "/@graph/0/a/@context/0"),
        ("remote-context", "/@graph/0/a/@context/1/@import"),
    ]
    many = {"@context": {f"t{n}": f"t{n + 1}:x" for n in range(MOST_PREFIXES + 1)}}
    assert refused(JSON_LD, json.dumps(many)) == [("over-limit", "/@context")]
    # As many as are allowed, one through another.
    chain = {"@context": {f"t{n}": f"t{n + 1}:x" for n in range(MOST_PREFIXES)}, "t0": 1}
    assert refused(JSON_LD, json.dumps(chain)) == [("skos", "")]


def test_a_fault_of_turtle_says_the_line() -> None:
    with pytest.raises(Invalid) as told:
        read_skos(TURTLE, b"@prefix a: <urn:a> .\na:b a:c\n", None, HERE, "words")
    (fault,) = told.value.faults
    assert fault.line in (2, 3)


def test_languages_decide_which_label_is_shown() -> None:
    text = """
    @prefix s: <http://www.w3.org/2004/02/skos/core#> .
    <urn:x/plain> a s:Concept ; s:prefLabel "z", "a"@de, "b"@en .
    <urn:x/english> a s:Concept ; s:prefLabel "a"@de, "b"@en-GB .
    <urn:x/first> a s:Concept ; s:prefLabel "z"@de, "a"@fr .
    <urn:x/none> a s:Concept .
    """
    fields = read_skos(TURTLE, text.encode(), None, HERE, "words").fields
    assert {c["id"]: c.get("label") for c in fields["concepts"]} == {
        "plain": "z",
        "english": "b",
        "first": "z",
        "none": None,
    }
