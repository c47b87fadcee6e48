"""Which known word is near. Neighbours and strangers were chosen by hand, among the words of the trade that the service knows
(from memory: common slips of the pen; no published list)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts import words as words_module
from service.facts.core_attributes import CORE, PROBLEMS
from service.facts.words import NearWords, folded, nearest, singulars
from service.reference.shipped import vocabularies

ISSUERS = [concept.label for concept in vocabularies()["issuers"].concepts.values()]
ANIMALS = list(vocabularies()["motifs"].concepts)
METALS = list(vocabularies()["materials"].concepts)
DENOMINATIONS = list(vocabularies()["denominations"].concepts)


@pytest.mark.parametrize(
    ("written", "known", "meant"),
    [
        ("finess", CORE, "fineness"),
        ("grad", CORE, "grade"),
        ("year_on_cion", CORE, "year_on_coin"),
        ("isuer", CORE, "issuer"),
        ("cleanned", PROBLEMS, "cleaned"),
        ("scrached", PROBLEMS, "scratched"),
        ("verdigriss", PROBLEMS, "verdigris"),
        ("ex-jewelery", PROBLEMS, "ex-jewellery"),
        ("corodded", PROBLEMS, "corroded"),
        ("Portugall", ISSUERS, "Portugal"),
        ("Switserland", ISSUERS, "Switzerland"),
        ("Phillipines", ISSUERS, "Philippines"),
        ("kangeroo", ANIMALS, "kangaroo"),
        ("elefant", ANIMALS, "elephant"),
        ("nickle", METALS, "nickel"),
        ("alumnium", METALS, "aluminium"),
        ("shiling", DENOMINATIONS, "shilling"),
        ("10 pfening", DENOMINATIONS, "10 pfennig"),
    ],
)
def test_a_slip_of_the_pen_has_the_word_that_was_meant(written: str, known: list[str], meant: str) -> None:
    assert nearest(written, known) == meant


@pytest.mark.parametrize(
    ("written", "known"),
    [
        ("toned", PROBLEMS),
        ("stained", PROBLEMS),
        ("chopped", PROBLEMS),
        ("lacquered", PROBLEMS),
        ("toned", ("tooled",)),
        ("holed", ("tooled", "gilded")),
        ("stained", ("scratched", "cleaned")),
        ("brown", ("crown",)),
        ("1 pfennig", ("2 pfennig", "10 pfennig")),
        ("half crown", ("half brown",)),
        ("North Korea", ("South Korea",)),
        ("Niger", ("Nigeria",)),
        ("cat", ("bat", "cod", "rat", "cap")),
        ("horse", ("morse", "hoarser")),
        ("obverse_design", ("reverse_design",)),
        ("copper", ("cooler",)),
        ("zzz", CORE),
        ("", CORE),
        ("-", ("-", "a")),
        ("Bananaland", ISSUERS),
    ],
)
def test_a_stranger_has_none(written: str, known: list[str]) -> None:
    assert nearest(written, known) is None


def test_the_fewest_slips_win_and_then_the_first() -> None:
    assert nearest("corrodet", ("corrodeds", "corroded")) == "corroded"
    assert nearest("silve", ("silver", "sliver", "silves")) == "silver"


def test_every_word_is_nearest_to_itself_in_any_letter_case() -> None:
    for words in (PROBLEMS, tuple(METALS), tuple(ANIMALS)):
        assert [word for word in words if nearest(word.upper().replace("-", " "), words) != word] == []


@given(st.text(max_size=30), st.lists(st.text(max_size=30), max_size=5))
def test_any_texts_are_compared_and_a_near_one_is_among_the_known(word: str, known: list[str]) -> None:
    found = nearest(word, known)
    assert found is None or found in known
    if folded(word) and word in known:
        assert found is not None
        assert folded(found) == folded(word)


def test_what_is_folded_away() -> None:
    assert folded("  Südafrika\u2019s  Half-Crown & the Ægis ") == "sudafrika s half crown and the aegis"
    assert folded("Straße") == "strasse"
    assert folded("The Gambia") == "gambia"
    assert folded("the") == "the"


def test_what_a_word_is_the_plural_of() -> None:
    """A textbook's rules of English plurals, from memory."""
    for plural, single in (
        ("pennies", "penny"),
        ("wolves", "wolf"),
        ("foxes", "fox"),
        ("crosses", "cross"),
        ("ostriches", "ostrich"),
        ("horses", "horse"),
        ("horsemen", "horseman"),
    ):
        assert single in singulars(plural)
    assert not list(singulars("cross"))


@given(
    st.lists(st.text(max_size=30) | st.sampled_from(METALS), max_size=8), st.lists(st.sampled_from(METALS), max_size=8)
)
def test_many_words_have_the_nearest_that_each_has_by_itself(sought: list[str], known: list[str]) -> None:
    near = NearWords(known)
    assert [near.nearest(word) for word in sought] == [nearest(word, known) for word in sought]


def test_past_so_many_words_none_is_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(words_module, "MOST_SOUGHT", 2)
    near = NearWords(["shilling", "florin"])
    sought = ("shiling", "florn", "shiling", "shillling")
    assert [near.nearest(word) for word in sought] == ["shilling", "florin", "shilling", None]
