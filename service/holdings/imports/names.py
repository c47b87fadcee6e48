"""The terms that a cell may mean: names, other names and short names of a vocabulary's concepts, whatever the letter case, the
accents, hyphens, blanks or the plural; of countries also in the languages of Unicode CLDR. Pure."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cache

from babel import Locale

from service.facts.vocabulary import Concept, Vocabulary

# Of the languages whose headings are understood.
_LANGUAGES = ("en", "de", "fr", "es", "it", "nl")
_WORDS = re.compile(r"[^\W_]+(?:[-'\u2019][^\W_]+)*")
_LONGEST_TERM = 4
_LETTERS = str.maketrans({"ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE"})
_ISO = re.compile(r"[A-Z]{2}")


def folded(text: str) -> str:
    """Letters and figures in small letters without accents; hyphens and blanks are alike."""
    plain = unicodedata.normalize("NFKD", text[:2_000].translate(_LETTERS)).replace("\u2044", "/")
    kept = "".join(
        " " if letter in "-_\u2010\u2011'\u2019." else letter for letter in plain if not unicodedata.combining(letter)
    )
    return " ".join(kept.casefold().split())


def singulars(word: str) -> Iterable[str]:
    """What the word may be the plural of, in English."""
    if word.endswith("ies") and len(word) > 4:
        yield f"{word[:-3]}y"
    if word.endswith("ves") and len(word) > 4:
        yield f"{word[:-3]}f"
    if word.endswith(("ses", "xes", "zes", "ches", "shes")) and len(word) > 4:
        yield word[:-2]
    if word.endswith("s") and not word.endswith("ss") and len(word) > 3:
        yield word[:-1]
    if word.endswith("men"):
        yield f"{word[:-3]}man"


@dataclass(frozen=True)
class TermIndex:
    """The terms of one vocabulary by what people write. `by_issuer`: short names that hold for one issuer only."""

    vocabulary: Vocabulary
    terms: Mapping[str, tuple[str, ...]]
    by_issuer: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)

    def named(self, text: str, issuer: str | None = None) -> tuple[str, ...]:
        """The terms that the text names as a whole."""
        if text in self.vocabulary.concepts:
            return (text,)
        word = folded(text)
        if issuer is not None and (word, issuer) in self.by_issuer:
            return self.by_issuer[word, issuer]
        found = self.terms.get(word) or next(filter(None, (self.terms.get(one) for one in singulars(word))), ())
        return tuple(found)

    def within(self, text: str) -> tuple[str, ...]:
        """The terms that stand in the text as whole words, the longest first taken; of a term and one above it the narrower."""
        words = [folded(word) for word in _WORDS.findall(text[:500])]
        found: dict[str, None] = {}
        at = 0
        while at < len(words):
            for size in range(min(_LONGEST_TERM, len(words) - at), 0, -1):
                phrase = " ".join(words[at : at + size])
                terms = self.terms.get(phrase) or next(filter(None, map(self.terms.get, singulars(phrase))), None)
                if terms:
                    found |= dict.fromkeys(terms)
                    at += size - 1
                    break
            at += 1
        above = {upper for term in found for upper in self.vocabulary.above.get(term, ())}
        return tuple(term for term in found if term not in above)

    def like(self, text: str, most: int = 5) -> tuple[str, ...]:
        """The terms that look most like the text."""
        near = get_close_matches(folded(text)[:80], self.terms, n=most, cutoff=0.72)
        return tuple(dict.fromkeys(term for word in near for term in self.terms[word]))[:most]

    def label(self, term: str) -> str:
        concept = self.vocabulary.concepts.get(term)
        return term if concept is None else concept.label


def index_of(vocabulary: Vocabulary) -> TermIndex:
    """The index of a vocabulary."""
    terms: dict[str, dict[str, None]] = {}
    by_issuer: dict[tuple[str, str], dict[str, None]] = {}
    names = _country_names() if vocabulary.name == "issuers" else {}
    for concept in vocabulary.concepts.values():
        for text in (concept.id, concept.label, *concept.alternative_labels, *names.get(concept.id, ())):
            terms.setdefault(folded(text), {})[concept.id] = None
        for short in concept.abbreviations:
            if short.issuer is None:
                terms.setdefault(folded(short.text), {})[concept.id] = None
            else:
                by_issuer.setdefault((folded(short.text), short.issuer), {})[concept.id] = None
    return TermIndex(
        vocabulary,
        {word: tuple(found) for word, found in terms.items() if word},
        {key: tuple(found) for key, found in by_issuer.items()},
    )


def existed(concept: Concept, years: tuple[int, int] | None) -> bool:
    """Whether it may have existed in one of these years, as far as the vocabulary knows."""
    if years is None:
        return True
    started = concept.started.year if concept.started is not None else -10_000
    ended = concept.ended.year if concept.ended is not None else 10_000
    return started <= years[1] and years[0] <= ended


@cache
def _country_names() -> Mapping[str, Sequence[str]]:
    """Names of countries by their ISO 3166-1 codes (Unicode CLDR, through Babel)."""
    found: dict[str, list[str]] = {}
    for language in _LANGUAGES:
        for code, name in Locale.parse(language).territories.items():
            if _ISO.fullmatch(code):
                found.setdefault(code, []).append(name)
    return found
