"""Vocabularies that a definition carries: what they mean, against the slow reference; and every fault with its place."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import Invalid
from service.facts.attributes import Attribute
from service.facts.own_vocabularies import OwnVocabulary, united, with_own, with_several
from service.facts.vocabulary import Concept, Vocabulary
from service.rules.document import read_definition
from service.rules.vocabularies import concept_as_json, read_concept
from tests import reference
from tests.factories import OUTSIDE, a_definition, a_document, a_holding, measured, places_of
from tests.strategies import DECLARED, MOTIFS, VOCABULARIES, examples

BEASTS = {"name": "beasts", "extends": "motifs", "concepts": [{"id": "wyvern", "broader": ["griffin"]}]}


def of_document(**more: Any) -> Any:
    return read_definition(a_document({"a": "grade > 1"}, **more), vocabularies=VOCABULARIES)


# --- what they mean ------------------------------------------------------------------------------------------------------


def test_additions_hold_under_both_names() -> None:
    schemes = of_document(vocabularies=[BEASTS]).vocabularies
    assert schemes["motifs"] is schemes["beasts"]
    assert schemes["motifs"].above["wyvern"] == {"griffin", "bird", "beast", "animal"}
    assert MOTIFS.concepts.keys() == schemes["motifs"].concepts.keys() - {"wyvern"}


def test_a_coin_with_an_own_term_takes_the_place_of_the_term_above() -> None:
    attributes = [*DECLARED, {"name": "beast", "type": "text", "vocabulary": "beasts"}]
    document = a_document(
        {"core": "narrower(main_motifs, 'bird')", "own": "narrower(beast, 'animal')"},
        vocabularies=[BEASTS],
        attributes=attributes,
    )
    coins = [a_holding("one", main_motifs=["wyvern"], beast="tree"), a_holding("two", main_motifs=[], beast="Wyvern")]
    placed = {place["place"]: place["holding"] for place in places_of(measured(document, coins))}
    assert placed == {"core": "one", "own": "two"}


def test_an_issuer_of_ones_own_has_its_days() -> None:
    moon = {"id": "x-moon", "label": "Lunar republic", "started": "1900-01-01", "ended": "1950-12-31"}
    document = a_document(
        {"gone": "defunct(issuer)"},
        vocabularies=[{"name": "more", "extends": "issuers", "concepts": [moon, {"id": "AA", "ended": "1980-01-01"}]}],
    )
    for issuer in ("x-moon", "lunar republic", "AA"):
        (place,) = places_of(measured(document, [a_holding(issuer=issuer)]))
        assert (place["holding"], place["status"]) == ("coin", "filled"), issuer


def test_an_entry_of_an_id_that_is_there_adds_to_it() -> None:
    more = Concept("owl", "Minerva's bird", ("beast",), ("strix",))
    owl = with_own(VOCABULARIES, [OwnVocabulary("b", (more,), "motifs")])["motifs"].concepts["owl"]
    assert (owl.label, owl.broader, owl.alternative_labels) == ("owl", ("bird", "beast"), ("Minerva's bird", "strix"))


def test_a_broader_term_may_be_told_by_another_name() -> None:
    known = {"motifs": Vocabulary("motifs", {"equine": Concept("equine", "equine", (), ("equid",))})}
    made = with_own(known, [OwnVocabulary("b", (Concept("quagga", "quagga", ("Equid",)),), "motifs")])
    assert made["motifs"].concepts["quagga"].broader == ("equine",)


def test_what_is_kept_and_lost_its_hold_does_no_harm() -> None:
    lost = (Concept("a", "a", ("gone",)), Concept("b", "b", ("a",)))
    entries = [OwnVocabulary("own", lost), OwnVocabulary("x", lost, "motifs"), OwnVocabulary("y", lost, "no more")]
    entries.append(OwnVocabulary("z", (Concept("animal", "animal", ("owl",)),), "motifs"))
    made = with_own(VOCABULARIES, entries, strict=False)
    assert made["own"].above == {"a": frozenset(), "b": {"a"}}
    assert made["motifs"] is MOTIFS, "z makes a circle, so that nothing is added"
    assert "y" not in made


# --- as the reference has it ---------------------------------------------------------------------------------------------

_IDS = ("wyvern", "hydra", "roc", "owl", "bird")


@st.composite
def own_vocabularies(draw: st.DrawFn) -> list[dict[str, Any]]:
    """One or two entries; terms stand below earlier ones or terms of the extended vocabulary that are below none of theirs."""
    entries = []
    for number in range(draw(st.integers(1, 2))):
        ids = draw(st.lists(st.sampled_from(_IDS), min_size=1, max_size=3, unique=True))
        alone = draw(st.integers(0, 3)) == 0
        known = [] if alone else ["animal", "beast", "tree"]
        concepts = []
        for identity in ids:
            concept: dict[str, Any] = {"id": identity, "label": identity.title()}
            if known:
                concept["broader"] = draw(st.lists(st.sampled_from(known), max_size=2, unique=True))
            concepts.append(concept)
            known = [*known, identity] if identity not in ("owl", "bird") else known
        entry = {"name": f"own-{number}", "concepts": concepts}
        entries.append(entry if alone else {**entry, "extends": "motifs"})
    return entries


@given(own_vocabularies(), st.data())
@settings(max_examples=examples(60), deadline=None)
def test_sets_with_own_vocabularies_are_as_the_reference_has_them(
    entries: list[dict[str, Any]], data: st.DataObject
) -> None:
    own = [(e["name"] if "extends" not in e else "motifs", [c["id"] for c in e["concepts"]]) for e in entries]
    terms = [t for name, ids in own if name == "motifs" for t in ids] + list(MOTIFS.concepts)
    name, alone = next(((n, ids) for n, ids in own if n != "motifs"), ("motifs", terms))
    attributes = [*DECLARED, {"name": "theme", "type": "text", "vocabulary": name}]
    slots = {
        "a": f"narrower(species, '{data.draw(st.sampled_from(terms))}')",
        "b": f"NOT narrower(theme, '{data.draw(st.sampled_from(alone))}')",
    }
    document = a_document(slots, vocabularies=entries, attributes=attributes)
    values = [*terms, "phoenix"]
    coins = [
        a_holding(
            f"coin-{number}",
            species=data.draw(
                st.sampled_from([*values, {"one_of": ["owl", terms[0]]} if terms[0] != "owl" else "owl"])
            ),
            theme=data.draw(st.sampled_from([*alone, "phoenix"])),
        )
        for number in range(2)
    ]
    theme = a_definition({"a": "TRUE"}, attributes=attributes[:-1]).attributes
    outside = replace(OUTSIDE, attributes={**theme, "theme": Attribute("theme", "text", vocabulary=name)})
    slow = reference.evaluate(document, coins, outside)
    found = {
        place["place"]: (place["holding"], place.get("basis", "firm"))
        for place in places_of(measured(document, coins))
        if place["holding"]
    }
    assert found == {place: (coin, basis) for place, (coin, basis, _) in slow.seats.items()}


@given(own_vocabularies(), own_vocabularies())
@settings(max_examples=examples(60), deadline=None)
def test_two_tables_united_have_the_terms_of_both(one: list[dict[str, Any]], other: list[dict[str, Any]]) -> None:
    tables = [of_document(vocabularies=entries).vocabularies for entries in (one, other)]
    both = united(*tables)
    for table in tables:
        for name, scheme in table.items():
            if name in ("motifs", "issuers") or table is tables[0]:
                assert scheme.concepts.keys() <= both[name].concepts.keys()
                assert all(scheme.above[term] <= both[name].above[term] for term in scheme.concepts)


def test_layers_of_strangers_add_to_one_another_as_far_as_no_circle_comes_of_it() -> None:
    def lands(*concepts: Concept) -> list[OwnVocabulary]:
        return [OwnVocabulary("lands", concepts)]

    north, south = Concept("north", "North", ("world",)), Concept("south", "South")
    layers = [
        lands(north, Concept("world", "World")),
        lands(south, Concept("north", "Norden")),
        lands(Concept("world", "World", ("north",)), Concept("north", "North")),
    ]
    made = with_several(VOCABULARIES, layers)
    assert list(made["lands"].concepts) == ["north", "world", "south"]
    assert made["lands"].above["north"] == {"world"}
    assert made["lands"].concept_named("norden") == "north"
    assert made["motifs"] is VOCABULARIES["motifs"]


def test_a_concept_is_written_as_it_is_read() -> None:
    full = {
        "id": "DD",
        "label": "Dorn",
        "alternative_labels": ["Thorn"],
        "names": [{"text": "Épine", "language": "fr", "kind": "preferred"}],
        "abbreviations": [{"text": "D."}, {"text": "Dn", "issuer": "AA"}],
        "note": "A note.",
        "started": "1900-01-01",
        "ended": "2001-02-03",
        "matches": ["iso3166-3:DDBB"],
        "iri": "http://example.org/dd",
        "broader": ["north"],
    }
    shape = {"current": False, **full, "abbreviations": [{"text": "D.", "issuer": None}, full["abbreviations"][1]]}  # type: ignore[index]
    concept = read_concept(shape, [], "")
    assert concept_as_json(concept) == full
    assert concept.ended == date(2001, 2, 3)
    assert concept.other_names == ("Thorn", "Épine")


# --- what is refused -----------------------------------------------------------------------------------------------------


def faults(*entries: dict[str, Any]) -> list[tuple[str, str]]:
    with pytest.raises(Invalid) as told:
        of_document(vocabularies=list(entries))
    return [(fault.code, fault.pointer) for fault in told.value.faults]


def beasts(*concepts: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"name": "beasts", "extends": "motifs", "concepts": list(concepts), **more}


@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        ([beasts(extends="motif")], [("unknown-vocabulary", "/vocabularies/0/extends")]),
        ([beasts(), beasts()], [("clashing-id", "/vocabularies/1/name")]),
        ([beasts({"id": "x"}, {"id": "x"})], [("clashing-id", "/vocabularies/0/concepts/1/id")]),
        ([beasts({"id": "x", "broader": ["owl", "y"]})], [("unknown-term", "/vocabularies/0/concepts/0/broader/1")]),
        ([beasts({"id": "animal", "broader": ["owl"]})], [("circle", "/vocabularies/0/concepts/0/broader")]),
        ([beasts({"id": "x", "ended": "1990-02-30"})], [("value", "/vocabularies/0/concepts/0/ended")]),
        (
            [beasts({"id": "x", "started": "1990-01-01", "ended": "1980-01-01"})],
            [("value", "/vocabularies/0/concepts/0/ended")],
        ),
        (
            [beasts({"id": "x", "current": True, "ended": "1980-01-01"})],
            [("value", "/vocabularies/0/concepts/0/current")],
        ),
        ([beasts({"id": ""})], [("shape", "/vocabularies/0/concepts/0/id")]),
        ([beasts({"id": "x", "colour": "red"})], [("shape", "/vocabularies/0/concepts/0/colour")]),
        (
            [beasts(extends="other"), {"name": "other", "extends": "beasts", "concepts": []}],
            [("circle", "/vocabularies/0/extends"), ("circle", "/vocabularies/1/extends")],
        ),
        ([beasts(*({"id": str(n)} for n in range(501)))], [("shape", "/vocabularies/0/concepts")]),
        ([{"name": str(n), "concepts": []} for n in range(21)], [("over-limit", "/vocabularies")]),
        (
            [{"name": "own", "concepts": [{"id": "x", "broader": ["y"]}, {"id": "y", "broader": ["x"]}]}],
            [("circle", "/vocabularies/0/concepts/0/broader")],
        ),
    ],
)
def test_every_fault_says_where(entries: list[dict[str, Any]], expected: list[tuple[str, str]]) -> None:
    assert faults(*entries) == expected


def test_a_vocabulary_that_is_not_sound_does_not_make_rules_look_wrong() -> None:
    document = a_document(
        {"a": "narrower(species, 'wyvern')", "b": "species ="},
        vocabularies=[beasts({"id": "wyvern", "broader": ["?"]})],
    )
    with pytest.raises(Invalid) as told:
        read_definition(document, vocabularies=VOCABULARIES)
    assert [(fault.code, fault.pointer) for fault in told.value.faults] == [
        ("unknown-term", "/vocabularies/0/concepts/0/broader/0"),
        ("syntax", "/slots/1/accepts"),
    ]
