"""The core attributes against the project's attribute vocabulary (tests/data/attribute_vocabulary.json, 64 terms)."""

import json
from pathlib import Path

from service.facts.attributes import TYPES
from service.facts.core_attributes import CORE

_FILE = Path(__file__).parent.parent / "data" / "attribute_vocabulary.json"
TERMS = {term["name"]: term for term in json.loads(_FILE.read_text(encoding="utf-8"))["attributes"]}

# What is compound in the vocabulary becomes these typed attributes; every other term keeps its name.
FLATTENED = {
    "date_as_written": ("date_as_written", "calendar", "era", "year_as_written", "regnal_year"),
    "edge": ("edge", "edge_legend"),
    "layers": ("core_material", "cladding_material", "ring_material", "centre_material"),
    "variety_markers": ("features",),
    "obverse": ("obverse_design", "obverse_legend", "obverse_motifs"),
    "reverse": ("reverse_design", "reverse_legend", "reverse_motifs"),
    "motifs": (
        "motifs",
        "main_motifs",
        "supporting_motifs",
        "arms_motifs",
        "privy_mark_motifs",
        "background_motifs",
    ),
    "design_id": ("design",),
    "designer": ("designers",),
    "commemorative": ("commemorative", "occasion", "series"),
    "countermark": ("countermark", "countermark_authority"),
    "grade": ("grade", "grade_words"),
    "weight_legal": ("weight_legal", "weight_least"),
}
LEFT_OUT = {
    *("owner", "lent_to", "holder", "location", "acquired", "provenance", "value_estimate", "photos"),
    *("quantity", "status", "issue_id", "issue_ref", "pinned_to", "keep_out_of"),
    "certainty",
}
# Enumerations that differ from the file on purpose: term -> (dropped there, added here).
CHANGED_VALUES = {
    "object_kind": ({"unknown"}, set()),
    "authenticity": ({"not examined"}, set()),
    "strike": ({"business"}, {"circulation"}),
}
# Names that collectors declare in their own definitions: the core must leave them free.
FREE_NAMES = (
    *("reverse", "obverse", "metal", "reign", "year", "kind", "legend", "species", "animal"),
    *("problem_count", "countermark_issuer", "issuer_defunct"),
)


def targets(term: str) -> tuple[str, ...]:
    return FLATTENED.get(term, (term,))


def test_every_term_of_the_vocabulary_is_an_attribute_or_left_out_on_purpose():
    missing = {term: targets(term) for term in TERMS if term not in LEFT_OUT and not set(targets(term)) <= set(CORE)}
    assert missing == {}
    assert set(TERMS) >= LEFT_OUT | set(FLATTENED)
    assert not LEFT_OUT & set(CORE)


def test_every_attribute_comes_from_a_term_of_the_vocabulary():
    known = {name for term in TERMS if term not in LEFT_OUT for name in targets(term)}
    assert set(CORE) == known


def test_enumerations_are_those_of_the_vocabulary():
    enumerated = {name: term["allowed"] for name, term in TERMS.items() if isinstance(term["allowed"], list)}
    for name, allowed in enumerated.items():
        if name in LEFT_OUT:
            continue
        dropped, added = CHANGED_VALUES.get(name, (set(), set()))
        assert dropped <= set(allowed), name
        assert set(CORE[name].values) == (set(allowed) - dropped) | added, name
        assert len(set(CORE[name].values)) == len(CORE[name].values), name
    others = {name for name, attribute in CORE.items() if attribute.values} - set(enumerated)
    assert others == set(), "an enumeration that the vocabulary leaves open"


def test_every_attribute_has_a_label_a_help_a_place_to_look_and_a_source():
    bare = [name for name, a in CORE.items() if not (a.label and a.help and a.look_at and a.source)]
    assert bare == []
    assert all(name == attribute.name for name, attribute in CORE.items())


def test_types_are_those_of_the_language_and_only_texts_are_many():
    assert {attribute.type for attribute in CORE.values()} <= set(TYPES)
    assert [name for name, a in CORE.items() if a.many and a.type != "text"] == []
    assert [name for name, a in CORE.items() if (a.low is not None or a.unit) and not a.is_number] == []


def test_synonyms_lead_to_a_value_that_is_kept():
    assert CORE["strike"].synonyms["business"] == "circulation"
    for name, attribute in CORE.items():
        assert set(attribute.synonyms.values()) <= set(attribute.values), name
        assert not set(attribute.synonyms) & set(attribute.values), name


def test_numbers_keep_to_their_bounds():
    assert (CORE["grade"].low, CORE["grade"].high) == (1, 70)  # Sheldon 1949
    assert (CORE["die_axis"].low, CORE["die_axis"].high) == (1, 12)
    assert (CORE["fineness"].low, CORE["fineness"].high) == (0, 1)
    assert CORE["year_on_coin"].low is None, "a coin may be older than the common era"


def test_motifs_and_issuers_take_their_terms_from_the_shipped_vocabularies():
    assert CORE["issuer"].vocabulary == "issuers"
    assert {name for name, a in CORE.items() if a.vocabulary == "motifs"} == {
        *FLATTENED["motifs"],
        "obverse_motifs",
        "reverse_motifs",
    }


def test_names_that_collectors_declare_themselves_stay_free():
    assert [name for name in FREE_NAMES if name in CORE] == []
