"""The shipped vocabularies of denominations, materials and rulers. Symbols of elements: IUPAC; words of the trade: no source."""

import importlib.util
import json
import sys
from pathlib import Path

import pytest

from service.reference import shipped

SCHEMES = shipped.vocabularies()
SCRIPT = Path(__file__).parent.parent / "data" / "terms.py"
TERMS = ("denominations", "materials", "rulers")


def term_of(scheme, text, issuer=None):
    """The term that a text names for coins of this issuer: the issuer's own short names first, then ids, other labels and
    short names that hold everywhere."""
    concepts = SCHEMES[scheme].concepts.values()
    text = text.casefold()
    ways = (
        [c.id for c in concepts for a in c.abbreviations if issuer and (a.text.casefold(), a.issuer) == (text, issuer)],
        [c.id for c in concepts if c.id.casefold() == text],
        [c.id for c in concepts if text in map(str.casefold, c.alternative_labels)],
        [c.id for c in concepts for a in c.abbreviations if a.issuer is None and a.text.casefold() == text],
    )
    found = next((way for way in ways if way), [None])
    assert len(found) == 1, (text, found)
    return found[0]


@pytest.mark.parametrize(
    ("text", "issuer", "expected"),
    [
        *(("1d", "GB", "penny"), ("3d", "GB", "threepence"), ("6d", "AU", "sixpence"), ("1/-", None, "shilling")),
        *(("2/-", "GB", "florin"), ("2/6", "NZ", "half crown"), ("10/-", "GB", "ten shillings")),
        *(("5/-", "GB", "crown"), ("4d", "GB", "fourpence"), ("1s", "GB", "shilling"), ("½d", "GB", "halfpenny")),
        *(("nickel", "US", "5 cents"), ("dime", "US", "dime"), ("quarter", "US", "quarter dollar")),
        *(("half", "US", "half dollar"), ("10 cents", "US", "dime"), ("10 cents", "NL", "10 cents")),
        *(("quarter", "CA", "25 cents"), ("penny", "US", "cent"), ("penny", "GB", "penny"), ("quarter", "GB", None)),
        *(("half eagle", "US", "5 dollars"), ("double eagle", "US", "20 dollars"), ("1 cent", None, "cent")),
        *(("5 pf", "DDDE", "5 pfennig"), ("5 Pf.", None, "5 pfennig"), ("2 M", "x-prussia", "2 mark")),
        *(
            ("50 c", "CH", "50 centimes"),
            ("50 c", "AU", "50 cents"),
            ("50 c", "FR", None),
            ("20 kr.", None, "20 kreuzer"),
        ),
        *(
            ("5p", "GB", "five new pence"),
            ("5p", "IE", "5 pence"),
            ("1 mark", None, "mark"),
            ("franc", None, "1 franc"),
        ),
        *(("10 øre", "DK", "10 ore"), ("10 öre", "SE", "10 ore"), ("15 copecks", "RU", "15 kopeks")),
        *(
            ("1 cent", "DE", "1 euro cent"),
            ("five francs", "FR", "5 francs"),
            ("Half Penny", "GB", "halfpenny"),
            ("50 c.", "CH", "50 centimes"),
            ("¼ dollar", "US", "quarter dollar"),
            ("20 Fr.", "FR", "20 francs"),
        ),
    ],
)
def test_a_collectors_word_for_a_denomination(text, issuer, expected):
    assert term_of("denominations", text, issuer) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # IUPAC symbols.
        *(("Au", "gold"), ("Ag", "silver"), ("Cu", "copper"), ("Ni", "nickel"), ("Zn", "zinc"), ("Al", "aluminium")),
        *(("Fe", "iron"), ("Sn", "tin"), ("Pb", "lead"), ("Pt", "platinum"), ("Pd", "palladium"), ("Ti", "titanium")),
        *(("aluminum", "aluminium"), ("copper-nickel", "cupro-nickel"), ("Cu-Ni", "cupro-nickel")),
        *(
            ("aluminum-bronze", "aluminium-bronze"),
            ("bi-metallic", "bimetallic"),
            ("AR", "silver"),
            ("Sterling silver", "silver"),
        ),
        ("galvanized steel", "zinc-coated steel"),
    ],
)
def test_a_collectors_word_for_a_metal(text, expected):
    assert term_of("materials", text) == expected


@pytest.mark.parametrize(
    ("text", "issuer", "expected"),
    [
        *(("Geo V", "GB", "George V"), ("King George VI", "AU", "George VI"), ("QEII", None, "Elizabeth II")),
        *(("George I", "GB", "George I"), ("George I", "GR", "George I of Greece"), ("Vic", "IN", "Victoria")),
        *(
            ("William II", "x-prussia", "Wilhelm II"),
            ("William II", "NL", "Willem II"),
            ("Franz Josef", None, "Franz Joseph I"),
        ),
    ],
)
def test_a_collectors_word_for_a_ruler(text, issuer, expected):
    assert term_of("rulers", text, issuer) == expected


@pytest.mark.parametrize("name", TERMS)
def test_no_name_means_two_things(name):
    labels, shorts = [], []
    for concept in SCHEMES[name].concepts.values():
        labels += [concept.id.casefold(), *map(str.casefold, concept.alternative_labels)]
        shorts += [(a.text.casefold(), a.issuer) for a in concept.abbreviations]
    assert len(labels) == len(set(labels))
    assert len(shorts) == len(set(shorts))
    assert not {text for text, issuer in shorts if issuer is None} & set(labels)
    assert {issuer for _, issuer in shorts if issuer} <= set(SCHEMES["issuers"].concepts)


def test_whatever_the_catalogue_says_is_a_term():
    of = {"denomination": "denominations", "authority": "rulers"} | dict.fromkeys(
        ("material", "core_material", "cladding_material", "ring_material", "centre_material"), "materials"
    )
    for issue in shipped.issues():
        for attribute, scheme in of.items():
            said = issue["facts"].get(attribute)
            assert said is None or said in SCHEMES[scheme].concepts, (issue["id"], attribute, said)


def test_the_words_of_the_core_attribute_for_metals_are_terms():
    # The outside attribute vocabulary (attribute_vocabulary.json) lists these for `material`; "other" is no metal.
    listed = "gold, silver, platinum, palladium, copper, bronze, brass, cupro-nickel, nickel, steel, zinc, aluminium"
    assert set(f"{listed}, bimetallic, clad, plated, billon".split(", ")) <= set(SCHEMES["materials"].concepts)


def test_the_shipped_files_are_what_the_script_makes():
    spec = importlib.util.spec_from_file_location("terms", SCRIPT)
    script = importlib.util.module_from_spec(spec)
    sys.modules["terms"] = script
    spec.loader.exec_module(script)
    for name, made in script.term_vocabularies().items():
        assert json.loads(shipped._content(name)) == made, name
    assert set(script.term_vocabularies()) == {f"{name}.json" for name in TERMS}


@pytest.mark.parametrize("name", TERMS)
def test_what_is_from_memory_says_so(name):
    assert "from memory" in SCHEMES[name].source
