"""The reference data that comes with the service, against the outside checks that it was made from."""

from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from service.facts.core_attributes import CORE
from service.facts.holding import read_facts
from service.reference import shipped

TODAY = date(2026, 11, 25)

# Whether each issuer of the scenario "Gone from the map" is gone: its field `issuer_defunct` (outside checks,
# scenarios/scenario_3.json). Its one fictional issuer, x-skarholm, is not shipped: nothing is known of its end.
GONE = {
    **dict.fromkeys(("DDDE", "SUHH", "CSHH", "YUCS", "CSXX", "ZRCD", "YDYE", "RHZW", "NHVU", "ANHH", "TPTL"), True),
    **dict.fromkeys(("x-soviet-zone", "x-rsfsr", "x-slovak-1939", "x-bohemia-moravia", "x-rhod-nyasa"), True),
    **dict.fromkeys(("x-austria-hungary", "x-danzig", "x-saar", "x-newfoundland", "x-straits"), True),
    **dict.fromkeys(("x-brit-east-africa", "x-indochine", "x-zanzibar", "x-uar", "x-biafra", "x-ottoman"), True),
    **dict.fromkeys(("x-hejaz",), True),
    **dict.fromkeys(("RU", "AT", "BUMM"), False),
}

# Weight (g) and diameter (mm) of the eight coins: Regulation (EU) 729/2014, Annex I, as given in euro_specs.json.
EURO = {
    "1 euro cent": ("2.30", "16.25"),
    "2 euro cent": ("3.06", "18.75"),
    "5 euro cent": ("3.92", "21.25"),
    "10 euro cent": ("4.10", "19.75"),
    "20 euro cent": ("5.74", "22.25"),
    "50 euro cent": ("7.80", "24.25"),
    "1 euro": ("7.50", "23.25"),
    "2 euro": ("8.50", "25.75"),
}


EURO_ISSUES = tuple(issue for issue in shipped.issues() if issue["id"].startswith("euro-"))


def gone(term: str) -> bool | None:
    """What `defunct(issuer)` will see: True, False, or None where neither an end nor a life is known."""
    concept = shipped.vocabularies()["issuers"].concepts[term]
    if concept.ended is not None:
        return concept.ended < TODAY
    return False if concept.current else None


@pytest.mark.parametrize(("issuer", "expected"), GONE.items())
def test_issuers_are_gone_or_alive_as_the_outside_check_says(issuer, expected):
    assert gone(issuer) is expected


def test_renamed_and_still_existing_issuers_count_as_alive():
    assert [gone(term) for term in ("BUMM", "BQAQ", "FXFR")] == [False, False, False]


def test_an_issuer_whose_end_nobody_dated_is_undecided():
    assert {term for term in shipped.vocabularies()["issuers"].concepts if gone(term) is None} == {
        *("CTKI", "FQHH", "JTUM", "MIUM", "NQAQ", "NTHH", "PUUM", "WKUM"),
    }


def test_no_issuer_is_both_ended_and_current():
    both = [c.id for c in shipped.vocabularies()["issuers"].concepts.values() if c.ended and c.current]
    assert both == []


def test_a_year_without_a_day_ends_on_its_last_day():
    assert shipped.vocabularies()["issuers"].concepts["x-tibet"].ended == date(1951, 12, 31)


def test_all_249_living_and_31_former_iso_entries_are_there():
    matches = [match for c in shipped.vocabularies()["issuers"].concepts.values() for match in c.matches]
    assert sum(match.startswith("iso3166-1:") for match in matches) == 249  # ISO 3166-1, since South Sudan (2011)
    assert sum(match.startswith("iso3166-3:") for match in matches) == 31  # ISO 3166-3, outside check


def test_a_kiwi_is_a_bird_and_pegasus_is_no_horse():
    motifs = shipped.vocabularies()["motifs"]
    assert motifs.is_at_or_below("kiwi", "bird")
    assert not motifs.is_at_or_below("pegasus", "horse")
    assert motifs.is_at_or_below("pegasus", "imaginary_being")


def test_all_motifs_of_the_outside_check_are_there():
    # motifs_skos.json has 114 (its README). A stag is mended: any male deer (wn31:02433205-n), and no elk.
    motifs = shipped.vocabularies()["motifs"]
    assert list(motifs.concepts).index("goat") == 114
    assert not motifs.is_at_or_below("stag", "elk")
    assert motifs.is_at_or_below("stag", "deer")


@pytest.mark.parametrize(
    ("motif", "offset", "broader"),
    [
        # WordNet 3.1, data.noun: the offset of the animal's synset and one that stands above it there.
        *(("goat", "02419165", "bovid"), ("sheep", "02414351", "bovid"), ("tiger", "02132256", "feline")),
        *(("leopard", "02131037", "feline"), ("fox", "02120985", "canine"), ("rabbit", "02326697", "mammal")),
        *(("frog", "01642406", "vertebrate"), ("dove", "01814978", "bird"), ("falcon", "01613596", "bird_of_prey")),
        *(("parrot", "01819528", "bird"), ("penguin", "02058457", "seabird"), ("duck", "01848972", "aquatic_bird")),
        *(
            ("seal", "02078848", "aquatic_mammal"),
            ("bison", "02413155", "bovid"),
            ("scorpion", "01773034", "arthropod"),
        ),
    ],
)
def test_motifs_match_wordnet(motif, offset, broader):
    motifs = shipped.vocabularies()["motifs"]
    assert motifs.concepts[motif].matches == (f"wn31:{offset}-n",)
    assert motifs.is_at_or_below(motif, broader)


def test_motifs_have_other_names_and_plurals_and_no_name_twice():
    motifs = shipped.vocabularies()["motifs"].concepts
    for motif, name in (("goose", "geese"), ("wolf", "wolves"), ("butterfly", "butterflies"), ("fox", "foxes")):
        assert name in motifs[motif].alternative_labels
    assert "toad" in motifs["frog"].alternative_labels
    assert "panther" in motifs["jaguar"].alternative_labels
    for name in ("motifs", "issuers"):
        concepts = shipped.vocabularies()[name].concepts.values()
        names = [text.casefold() for c in concepts for text in {c.id, *c.alternative_labels}]
        assert len(names) == len(set(names))


def test_wordnet_keeps_its_notice():
    assert "WordNet 3.1 Copyright 2011 by Princeton University" in shipped.vocabularies()["motifs"].notice
    notice = (Path(shipped.__file__).parent / "data" / "NOTICE.md").read_text(encoding="utf-8")
    assert "Permission to use, copy, modify and distribute this software and" in notice
    assert "UNICODE LICENSE V3" in notice


def test_the_catalogue_holds_eight_euro_coins_for_each_of_25_issuers():
    seen = {(issue["facts"]["issuer"], issue["facts"]["denomination"]) for issue in EURO_ISSUES}
    issuers = {issuer for issuer, _ in seen}
    assert len(issuers) == 25
    assert seen == {(issuer, denomination) for issuer in issuers for denomination in EURO}
    assert len({issue["id"] for issue in EURO_ISSUES}) == len(EURO_ISSUES) == 200


def test_euro_weights_and_sizes_are_those_of_the_law():
    for issue in EURO_ISSUES:
        facts = issue["facts"]
        weight, diameter = EURO[facts["denomination"]]
        assert (facts["weight_legal"], facts["diameter"]) == (Decimal(weight), Decimal(diameter)), issue["id"]


def test_every_fact_of_the_euro_catalogue_is_a_plain_value_of_its_core_attribute():
    plain = {"text": str, "integer": int, "decimal": (int, Decimal), "boolean": bool}
    for issue in EURO_ISSUES:
        for name, fact in issue["facts"].items():
            attribute = CORE[name]
            if name in ("year_on_coin", "mintmark"):  # the only facts in which pieces of one issue differ
                assert fact.keys() == ({"from"} if name == "year_on_coin" else {"one_of"}), issue["id"]
                continue
            assert isinstance(fact, plain[attribute.type]), (issue["id"], name)
            assert not attribute.values or fact in attribute.values, (issue["id"], name)


def test_every_fact_of_every_catalogue_fits_its_core_attribute():
    issuers = shipped.vocabularies()["issuers"].concepts
    for issue in shipped.issues():
        facts, faults = read_facts(issue["facts"], CORE, strict=True)
        assert faults == [], issue["id"]
        # Only the thaler, struck with one date at many mints, names no issuer.
        assert "issuer" in facts or issue["id"] == "thaler-1780"
        assert {name for known in [facts.get("issuer")] if known for name in known.values} <= set(issuers), issue["id"]


def test_no_shipped_issue_says_how_its_pieces_were_struck():
    # Proofs were struck of nearly all of them.
    assert [
        issue["id"] for issue in shipped.issues() if {"strike", "finish", "problems", "grade"} & set(issue["facts"])
    ] == []


def test_first_years_on_euro_coins_are_those_of_the_outside_check():
    # euro_specs.json, `earliest_year_on_coins` (from memory there), and no coin before the issuer's adoption but for those
    # who struck ahead of the notes from 1999 on (adoption: European Commission, "EU countries and the euro").
    adopted = {
        "CY": 2008,
        "EE": 2011,
        "HR": 2023,
        "LT": 2015,
        "LV": 2014,
        "MT": 2008,
        "SI": 2007,
        "SK": 2009,
        "BG": 2026,
    }
    ahead = {"BE": 1999, "ES": 1999, "FI": 1999, "FR": 1999, "NL": 1999, "MC": 2001, "AD": 2014}
    for issue in EURO_ISSUES:
        issuer = issue["facts"]["issuer"]
        assert issue["facts"]["year_on_coin"] == {"from": (adopted | ahead).get(issuer, 2002)}, issue["id"]


def test_look_alikes_are_issues_and_look_alike_both_ways():
    alike = {issue["id"]: set(issue["look_alikes"]) for issue in shipped.issues()}
    assert len(alike) == len(shipped.issues())
    for one, others in alike.items():
        assert one not in others
        assert all(one in alike[other] for other in others), one


def test_the_edition_is_a_short_stamp_that_follows_the_bytes(monkeypatch):
    before = shipped.edition()
    assert len(before) == 12
    assert int(before, 16) >= 0
    kept = shipped._content
    monkeypatch.setattr(shipped, "_content", lambda name: kept(name) + b"\n")
    assert shipped.edition.__wrapped__() != before
