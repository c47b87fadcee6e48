"""Names of terms: against Unicode CLDR (through Babel) and ISO 3166-1 (through pycountry)."""

from __future__ import annotations

import pycountry
import pytest
from babel import Locale
from hypothesis import given
from hypothesis import strategies as st

from service.facts.attributes import Attribute
from service.facts.core_attributes import CORE
from service.notation.terms import Candidates, Terms, Understood, Unknown, existed
from service.reference.shipped import vocabularies

TERMS = Terms(vocabularies())
ISSUER = CORE["issuer"]
DENOMINATION = Attribute("denomination", "text", vocabulary="denominations")
MOTIFS = CORE["motifs"]


def _value(attribute: Attribute, written: str, **more: object) -> str | None:
    found = TERMS.resolve(attribute, written, **more)  # type: ignore[arg-type]
    return found.value if isinstance(found, Understood) else None


def test_three_letter_codes_of_iso_3166_1_name_the_country() -> None:
    """Source: ISO 3166-1 through pycountry."""
    issuers = vocabularies()["issuers"].concepts
    asked = [country for country in pycountry.countries if country.alpha_2 in issuers]
    assert len(asked) > 200
    assert [c.alpha_3 for c in asked if _value(ISSUER, c.alpha_3) != c.alpha_2] == []


@pytest.mark.parametrize("language", ["en", "de", "fr", "es", "it", "ru", "ja"])
def test_names_of_countries_in_other_languages(language: str) -> None:
    """Source: Unicode CLDR. A name that former issuers bear too gives candidates with the country among them."""
    issuers = vocabularies()["issuers"].concepts
    missed = []
    for code, name in Locale.parse(language).territories.items():
        if len(code) != 2 or code not in issuers:
            continue
        found = TERMS.resolve(ISSUER, name)
        terms = [found.value] if isinstance(found, Understood) else [c.value for c in getattr(found, "terms", ())]
        if code not in terms:
            missed.append((code, name, found))
    assert missed == []


@pytest.mark.parametrize(
    ("written", "year", "term"),
    [
        ("USA", None, "US"),
        ("United States", None, "US"),
        ("us", None, "US"),
        ("Südafrika", None, "ZA"),
        ("DDR", None, "DDDE"),
        ("Germany", 1905, "x-german-empire"),
        ("Germany", 1930, "x-german-reich"),
        ("Germany", 1970, "DE"),
        ("Kingdom of Serbia", None, "x-serbia-kingdom"),
        ("Korea", 1905, "x-korean-empire"),
    ],
)  # fmt: skip
def test_what_an_issuer_is_called(written: str, year: int | None, term: str) -> None:
    assert _value(ISSUER, written, year=year) == term


def test_a_name_of_a_former_and_a_present_issuer_is_never_guessed() -> None:
    found = TERMS.resolve(ISSUER, "Germany")
    assert isinstance(found, Candidates)
    assert {candidate.value for candidate in found.terms} == {"DE", "x-german-empire", "x-german-reich"}
    assert isinstance(TERMS.resolve(ISSUER, "Korea", year=1975), Candidates)


@pytest.mark.parametrize(
    ("written", "issuer", "term"),
    [
        ("1d", "GB", "penny"),
        ("6d", None, "sixpence"),
        ("1/-", None, "shilling"),
        ("2/6", None, "half crown"),
        ("Half-Crown", None, "half crown"),
        ("Shillings", None, "shilling"),
        ("nickel", "US", "5 cents"),
        ("quarter", "US", "quarter dollar"),
    ],
)
def test_denominations_by_short_names(written: str, issuer: str | None, term: str) -> None:
    assert _value(DENOMINATION, written, issuer=issuer) == term


def test_a_short_name_of_some_issuers_is_asked_without_one() -> None:
    assert isinstance(TERMS.resolve(DENOMINATION, "nickel"), Candidates)


@pytest.mark.parametrize(
    ("written", "term"), [("Horses", "horse"), ("wolves", "wolf"), ("FOX", "fox"), ("foxes", "fox")]
)
def test_motifs_in_the_plural(written: str, term: str) -> None:
    assert _value(MOTIFS, written) == term


def test_what_is_not_near_is_not_proposed() -> None:
    assert TERMS.resolve(MOTIFS, "unicron") == Unknown("unicorn")
    assert TERMS.resolve(ISSUER, "Untied Kingdom") == Unknown("GB")
    assert TERMS.resolve(ISSUER, "Bananaland") == Unknown(None)
    assert TERMS.resolve(CORE["problems"], "stained") == Unknown(None)


def test_texts_without_a_vocabulary_are_compared_with_those_in_use() -> None:
    terms = Terms({}, {"reverse_design": ["English lion", "wren"]})
    design = CORE["reverse_design"]
    assert terms.resolve(design, "english-lions") == Understood("English lion", "English lion", "name")
    assert terms.resolve(design, "Wren") == Understood("wren", "wren", "name")
    assert terms.resolve(design, "wrens") == Understood("wren", "wren", "name")
    assert terms.resolve(design, "wran") == Unknown(None)
    assert terms.resolve(design, "English lyon") == Unknown("English lion")
    assert terms.resolve(CORE["obverse_legend"], "GEORGIVS VI").value == "GEORGIVS VI"  # type: ignore[union-attr]


def test_every_id_is_its_own_term_and_every_label_leads_to_it() -> None:
    """The naive way: one by one through the concepts."""
    for name, attribute in (("issuers", ISSUER), ("motifs", MOTIFS), ("denominations", DENOMINATION)):
        scheme = vocabularies()[name]
        for concept in scheme.concepts.values():
            assert _value(attribute, concept.id) == concept.id
            for label in (concept.label, concept.label.upper()):
                found = TERMS.resolve(attribute, label)
                terms = [found.value] if isinstance(found, Understood) else [c.value for c in found.terms]  # type: ignore[union-attr]
                assert concept.id in terms


@given(st.text(max_size=40), st.none() | st.integers(0, 2100))
def test_any_text_has_an_answer_and_a_term_that_is_one(written: str, year: int | None) -> None:
    found = TERMS.resolve(ISSUER, written, year)
    issuers = vocabularies()["issuers"].concepts
    if isinstance(found, Understood):
        assert found.value in issuers
        assert written == found.value or year is None or existed(issuers[found.value], year)
    if isinstance(found, Unknown):
        assert found.nearest is None or found.nearest in issuers
