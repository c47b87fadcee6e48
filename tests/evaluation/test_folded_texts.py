"""Unrecorded texts under folds, against Unicode's own data (the `unicodedata` of Python, and its full case folding, which
is that of Unicode's CaseFolding.txt): every text that exists is among the worlds."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from functools import cache
from itertools import product
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.facts.truth import NO, UNDECIDED
from service.rules.characters import alphabet, changed
from service.rules.text_samples import sample_texts
from tests import reference
from tests.factories import OUTSIDE, a_case, verdict_of
from tests.strategies import examples, op, ref

QUIETLY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)
CHAINS = ((), ("casei",), ("accenti",), ("casei", "accenti"), ("accenti", "casei"), ("casei", "accenti", "casei"))
# Letters that folds make several of or that several become, combining marks, Hangul whole and in parts, vowel signs.
RICH = "aeiozAEIsStTufkKåÅß\u1e9eſŉǰﬀﬁﬃﬅﬆıİςσΣΐΰᾳͅÄäéñŁłÜü\u0301\u0307\u0308'ʼ-_% 한하한각각\u09c7\u09be\u09cb\U0001d15e漢豈\ufb2c"


def folded(text: str, chain: tuple[str, ...]) -> str:
    for fold in chain:
        text = text.casefold() if fold == "casei" else reference.without_accents(text)
    return text


def chained(chain: tuple[str, ...]) -> Any:
    node = ref("mint")
    for fold in chain:
        node = op(fold, node)
    return node


@cache
def every_character() -> tuple[str, ...]:
    """All of Unicode that has a name for it: no surrogates, nothing unassigned."""
    return tuple(c for c in map(chr, range(0x110000)) if unicodedata.category(c) not in ("Cs", "Cn", "Co"))


@cache
def preimages(chain: tuple[str, ...]) -> dict[str, list[str]]:
    """Which characters become something that contains this one."""
    found: dict[str, list[str]] = defaultdict(list)
    for character in every_character():
        for one in set(folded(character, chain)):
            found[one].append(character)
    return found


def changes(character: str) -> bool:
    return character.casefold() != character or reference.without_accents(character) != character


def test_every_character_that_a_fold_changes_is_known() -> None:
    assert sorted(changed()) == [character for character in every_character() if changes(character)]


def is_reordered(character: str) -> bool:
    return unicodedata.combining(character) != 0 and unicodedata.category(character) != "Mn"


@st.composite
def texts_of_unicode(draw: st.DrawFn) -> str:
    anything = st.one_of(st.sampled_from(RICH), st.sampled_from(RICH), st.sampled_from(changed()), st.characters())
    return draw(st.text(anything.filter(lambda c: c not in "\0\\" and not "\ud800" <= c <= "\udfff"), max_size=4))


@st.composite
def leaves_about(draw: st.DrawFn, text: str) -> Any:
    """A clause that the text makes true."""
    chain = draw(st.sampled_from(CHAINS))
    seen = folded(text, chain)
    form = draw(st.sampled_from(("=", "<>", "<=", ">=", "<", ">", "like", "like")))
    if form == "like":
        places = draw(st.lists(st.sampled_from("c__%"), min_size=len(seen), max_size=len(seen)))
        kept = (f"\\{one}" if one in "%_" else one for one in seen)
        pattern = "".join(one if place == "c" else place for one, place in zip(kept, places, strict=True))
        return op("like", chained(chain), pattern)
    other = seen if form in ("=", "<=", ">=") else draw(texts_of_unicode())
    leaf = op(form, chained(chain), other)
    return leaf if reference.holds(leaf, {"mint": reference.Thing(text)}, OUTSIDE) else op("not", leaf)


@settings(QUIETLY, max_examples=examples(200))
@given(st.data(), texts_of_unicode())
def test_what_some_text_fits_is_never_told_as_impossible(data: st.DataObject, text: str) -> None:
    leaves = data.draw(st.lists(leaves_about(text), min_size=1, max_size=4))
    rule = op("and", *leaves) if len(leaves) > 1 else leaves[0]
    assert reference.holds(rule, {"mint": reference.Thing(text)}, OUTSIDE)
    case = a_case(rule, {})
    judgement = case.judge()
    assert judgement.verdict is not NO, text
    if judgement.limit is not None:
        assert any(is_reordered(c) for c in str(rule))
    elif judgement.verdict is UNDECIDED:
        # Both answers have a text that shows them.
        values = [value for split in case.splits for choice in split.choices for value in choice.values]
        shown = {reference.holds(rule, {"mint": reference.Thing(value)}, OUTSIDE) for value in values}
        assert shown == {True, False}


@settings(QUIETLY, max_examples=examples(10))
@given(st.data(), st.text(st.sampled_from(RICH), min_size=1, max_size=2))
def test_an_unknown_text_is_judged_as_by_trying_all_characters_that_become_those_of_the_rule(
    data: st.DataObject, text: str
) -> None:
    leaves = data.draw(st.lists(leaves_about(text), min_size=1, max_size=2))
    again = data.draw(st.lists(st.sampled_from(leaves).map(lambda leaf: op("not", leaf)), max_size=1))
    rule = op("and", *leaves, *again, True)
    named = {c for node in reference.nodes(rule) if isinstance(node, str) for c in node if node not in ("mint",)}
    found = {c for chain in CHAINS for one in named for c in preimages(chain).get(one, ())}
    near = {chr(ord(c) + step) for c in named for step in (-1, 1) if 32 < ord(c) < 0xD000}
    characters = data.draw(st.permutations(sorted(found)))[:30] + sorted(near | {"q", "\u0301", *text})
    seen = set()
    for length in (0, 1, 2):
        for picked in product(characters, repeat=length):
            seen.add(reference.holds(rule, {"mint": reference.Thing("".join(picked))}, OUTSIDE))
        if len(seen) == 2:
            break
    judgement = a_case(rule, {}).judge()
    assert judgement.verdict is UNDECIDED or seen == {judgement.verdict.value == "yes"}


@pytest.mark.parametrize(
    ("rule", "fits"),
    [
        ("ACCENTI(mint) = 'Zurich' AND mint <> 'Zurich' AND mint LIKE 'Z_rich'", "Zürich"),
        ("CASEI(mint) = 'strasse' AND mint LIKE 'Stra_e'", "Straße"),
        ("CASEI(mint) = 'office' AND mint LIKE 'o__e'", "oﬃce"),
        ("CASEI(mint) = 'first' AND mint LIKE '___'", "ﬁrﬆ"),
        ("CASEI(mint) = 'first' AND mint LIKE '__'", None),
        ("ACCENTI(CASEI(mint)) = 'izmir' AND mint LIKE 'İ%'", "İzmir"),
        ("CASEI(mint) = 'izmir' AND mint LIKE 'İ%'", None),
        ("CASEI(mint) LIKE '%σ' AND mint LIKE '%ς'", "Ναός"),
        ("ACCENTI(mint) = 'Zurich' AND mint LIKE 'Zu_rich'", "Zu\u0308rich"),
        ("ACCENTI(mint) = 'Zurich' AND mint LIKE 'Z____________h'", "Zu" + "\u0308" * 8 + "rich"),
        ("ACCENTI(mint) = 'Zürich'", None),
        ("ACCENTI(mint) = '한국' AND mint LIKE '_____'", "한" + unicodedata.normalize("NFD", "국")[:1] + "ᅮᆨ\u0301"),
        ("ACCENTI(mint) = '한국' AND mint LIKE '______'", unicodedata.normalize("NFD", "한국")),
        ("ACCENTI(mint) = '한국' AND mint LIKE '_'", None),
        ("ACCENTI(mint) LIKE '_국' AND mint LIKE '_국' AND ACCENTI(mint) <> mint", "À국"),
        ("ACCENTI(mint) LIKE '__' AND mint LIKE '_'", "\U0001d15e"),
        ("ACCENTI(mint) = 'ক\u09cb' AND mint LIKE '___'", "ক\u09c7\u09be"),
        ("CASEI(mint) = 'ʼn' AND mint LIKE '_'", "ŉ"),
        ("CASEI(mint) < 'm' AND mint > 'z'", "\u212a"),
        ("ACCENTI(mint) < 'b' AND mint > 'z'", "à"),
        ("ACCENTI(mint) = 'Lodz' AND mint <> 'Lodz' AND mint LIKE 'L__z'", "Lódz"),
        ("ACCENTI(mint) = 'Lodz' AND mint = 'Łódź'", None),
    ],
)
def test_texts_that_only_folds_make_fit(rule: str, fits: str | None) -> None:
    if fits is None:
        assert verdict_of(rule, {}) == "no"
    else:
        assert verdict_of(rule, {"mint": fits}) == "yes"
        assert verdict_of(rule, {}) == "undecided"
        assert verdict_of(f"NOT ({rule})", {}) == "undecided"


def test_an_alphabet_stays_small() -> None:
    """A character for each class, not all of a thousand accented letters."""
    word = "strassburg"
    chains = dict.fromkeys(CHAINS, word)
    found = alphabet(chains, chains)
    assert found is not None and len(found) < 150
    assert len(found) == len(set(found))


def test_signs_that_taking_off_accents_puts_in_another_order_are_left_undecided() -> None:
    # Tone marks of Hangul: combining, and no accents to Unicode (category Mc).
    assert sample_texts([("like", ("accenti",), "\u302e_")]).texts is None
    assert verdict_of("ACCENTI(mint) = '\u302e' AND mint LIKE 'a%'", {}) == "undecided"
