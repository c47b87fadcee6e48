"""Which term of a vocabulary a text names: by id, label, other name, code, short name of an issuer, or the name of a country in
another language (Unicode CLDR); whatever the letter case, the accents, hyphens, blanks or the plural. Pure.

One resolver for rules, holdings, filters and imports. Where a name fits several issuers, the year of the coin decides when only
one existed in it; else there are candidates, never a guess.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, lru_cache
from types import MappingProxyType

from service.facts.attributes import Attribute, Attributes
from service.facts.vocabulary import Concept, Vocabulary
from service.facts.words import folded, nearest_folded, singulars

LANGUAGES = (
    "en",
    "de",
    "fr",
    "es",
    "it",
    "nl",
    "pt",
    "pl",
    "sv",
    "da",
    "nb",
    "fi",
    "cs",
    "hu",
    "ru",
    "uk",
    "tr",
    "el",
    "ja",
    "zh",
    "ar",
    "he",
)
_MOST_KEPT = 20_000
_WORDS = re.compile(r"[^\W_]+(?:[-'\u2019][^\W_]+)*")
# Terms are looked for among so many letters, and have so many words.
_LONGEST_TEXT = 500
_LONGEST_TERM = 4
_ISO = re.compile(r"[A-Z]{2}")
_BARE = re.compile(
    r"^(?:Kingdom|Republic|Sultanate|Grand Duchy|Duchy|Principality|Free City|Empire|Protectorate|State|Electorate|"
    r"Independent State) of (?:the )?|\s*\([^()]*\)$"
)
_SHARED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "DE": ("Germany",), "x-german-empire": ("Germany",), "x-german-reich": ("Germany",),
        "KR": ("Korea",), "KP": ("Korea",), "x-joseon": ("Korea",), "x-korean-empire": ("Korea",),
        "CG": ("Congo",), "CD": ("Congo",), "x-belgian-congo": ("Congo",),
        "VN": ("Vietnam",), "VDVN": ("Vietnam",), "x-south-vietnam": ("Vietnam",), "x-state-of-vietnam": ("Vietnam",),
        "IN": ("India",), "x-british-india": ("India",), "YE": ("Yemen",), "YDYE": ("Yemen", "South Yemen"),
        "RU": ("Russia",), "x-rsfsr": ("Russia",),
    }
)  # fmt: skip
"""Names that several issuers were called by, one after the other or side by side (common usage, no source)."""


@dataclass(frozen=True, slots=True)
class Understood:
    """The text names this term. `why`: in a few words, how."""

    value: str
    label: str
    why: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A term that the text may name."""

    value: str
    label: str
    why: str


@dataclass(frozen=True, slots=True)
class Candidates:
    """The text names several terms, or one that did not exist in the year of the coin."""

    terms: tuple[Candidate, ...]


@dataclass(frozen=True, slots=True)
class Unknown:
    """No term is named so. `nearest`: the id of the term whose name looks most like it, or None where none is near."""

    nearest: str | None = None


Resolution = Understood | Candidates | Unknown

# The year of a coin, or the first and the last that it may have.
Years = int | tuple[int, int]


@dataclass(frozen=True, eq=False)
class TermIndex:
    """One vocabulary by what people write. `names`: folded name -> ids; `by_issuer`: short names that hold for one issuer."""

    vocabulary: Vocabulary
    names: Mapping[str, tuple[str, ...]]
    by_issuer: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))

    def named(
        self, written: str, year: Years | None = None, issuer: str | None = None
    ) -> Understood | Candidates | None:
        """What the text names; None where no term is named so (the nearest is dear to find: `like`). `year`: the year of the
        coin, for issuers; `issuer`: its issuer, for short names."""
        concepts = self.vocabulary.concepts
        if written in concepts:
            return Understood(written, concepts[written].label, "term")
        word = folded(written)
        if not word:
            return None
        if issuer is not None and (word, issuer) in self.by_issuer:
            return self._told(self.by_issuer[word, issuer], "short name", year)
        found = self._named(word)
        if found:
            return self._told(found, "name", year)
        short = () if issuer is not None else self._short.get(word, ())
        if short:
            return self._told(short, "short name of some issuers", year, is_sure=False)
        if self.vocabulary.name == "issuers":
            known = tuple(code for code in _countries().get(word, ()) if code in concepts)
            if known:
                return self._told(known, "name in another language", year)
        return None

    @cached_property
    def issuers(self) -> frozenset[str]:
        """Those that have short names of their own for some term."""
        return frozenset(issuer for _, issuer in self.by_issuer)

    @cached_property
    def _short(self) -> Mapping[str, tuple[str, ...]]:
        """The terms of short names, whatever the issuer."""
        found: dict[str, set[str]] = {}
        for (word, _), terms in self.by_issuer.items():
            found.setdefault(word, set()).update(terms)
        return {word: tuple(sorted(terms)) for word, terms in found.items()}

    def _named(self, word: str) -> tuple[str, ...]:
        found = self.names.get(word)
        if found is not None:
            return found
        return next((self.names[single] for single in singulars(word) if single in self.names), ())

    def _told(
        self, terms: Sequence[str], why: str, year: Years | None, *, is_sure: bool = True
    ) -> Understood | Candidates:
        concepts = [self.vocabulary.concepts[term] for term in terms]
        then = [concept for concept in concepts if existed(concept, year)]
        if len(then) == 1 and is_sure:
            how = why if len(concepts) == 1 else f"{why}; the only one of it in the year of the coin"
            return Understood(then[0].id, then[0].label, how)
        return Candidates(tuple(Candidate(concept.id, concept.label, why) for concept in then or concepts))

    def within(self, written: str) -> tuple[str, ...]:
        """The terms that are in the text as whole words, the longest taken first; of a term and one above it the narrower."""
        words = [folded(word) for word in _WORDS.findall(written[:_LONGEST_TEXT])]
        found: dict[str, None] = {}
        at = 0
        while at < len(words):
            for size in range(min(_LONGEST_TERM, len(words) - at), 0, -1):
                terms = self._named(" ".join(words[at : at + size]))
                if terms:
                    found |= dict.fromkeys(terms)
                    at += size - 1
                    break
            at += 1
        above = {upper for term in found for upper in self.vocabulary.above.get(term, ())}
        return tuple(term for term in found if term not in above)

    def like(self, written: str, most: int = 5) -> tuple[str, ...]:
        """The terms of which a name is near enough to be meant, the nearest first."""
        places = nearest_folded(folded(written), self._words, 2 * most)
        terms = dict.fromkeys(term for place in places for term in self.names[self._words[place]])
        return tuple(terms)[:most]

    def label(self, term: str) -> str:
        """What the term is called; its id where it is none."""
        concept = self.vocabulary.concepts.get(term)
        return term if concept is None else concept.label

    @cached_property
    def _words(self) -> tuple[str, ...]:
        return tuple(self.names)


def existed(concept: Concept, year: Years | None) -> bool:
    """Whether it may have existed in the year, or in one of the years from the first to the last of a pair, as far as the
    vocabulary knows."""
    if year is None:
        return True
    first, last = (year, year) if isinstance(year, int) else year
    started = concept.started is None or concept.started.year <= last
    return started and (concept.ended is None or first <= concept.ended.year)


@lru_cache(maxsize=256)
def _index_of(holder: _Same) -> TermIndex:
    vocabulary = holder.vocabulary
    names: dict[str, dict[str, None]] = {}
    by_issuer: dict[tuple[str, str], dict[str, None]] = {}
    is_issuers = vocabulary.name == "issuers"
    for concept in vocabulary.concepts.values():
        bare = _BARE.sub("", concept.label) if is_issuers else concept.label
        shared = _SHARED.get(concept.id, ()) if is_issuers else ()
        for text in (concept.id, concept.label, bare, *shared, *concept.other_names):
            names.setdefault(folded(text), {})[concept.id] = None
        for short in concept.abbreviations:
            if short.issuer is None:
                names.setdefault(folded(short.text), {})[concept.id] = None
            else:
                by_issuer.setdefault((folded(short.text), short.issuer), {})[concept.id] = None
    for alias, term in _codes().items() if is_issuers else ():
        # A code of three letters that a former state is called by (DDR) stays its name.
        if term in vocabulary.concepts:
            names.setdefault(folded(alias), {term: None})
    return TermIndex(
        vocabulary,
        {word: tuple(terms) for word, terms in names.items() if word},
        {word: tuple(terms) for word, terms in by_issuer.items()},
    )


class _Same:
    """A vocabulary by its identity: its concepts have no hash, and an index is made once for each."""

    def __init__(self, vocabulary: Vocabulary) -> None:
        self.vocabulary = vocabulary

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.vocabulary is self.vocabulary

    def __hash__(self) -> int:
        return id(self.vocabulary)


def index_of(vocabulary: Vocabulary) -> TermIndex:
    """The index of a vocabulary; made once for each."""
    return _index_of(_Same(vocabulary))


@dataclass(frozen=True, eq=False)
class Terms:
    """The one resolver: by attribute. `used`: the values in use (constants and keys of the owner's definitions, values of the
    catalogue): the terms of a text attribute without a vocabulary, and what else counts as one beside a vocabulary."""

    vocabularies: Mapping[str, Vocabulary]
    used: Mapping[str, Collection[str]] = field(default_factory=dict)
    _words_in_use: dict[str, _Words] = field(default_factory=dict, init=False, repr=False)

    def resolve(
        self, attribute: Attribute, written: str, year: Years | None = None, issuer: str | None = None
    ) -> Resolution:
        """What the text names as a value of the attribute. A text attribute without vocabulary, enumeration or known use takes
        any text as it is. Never raises for any text."""
        scheme = self.vocabularies.get(attribute.vocabulary or "")
        used = self._in_use(attribute.name)
        if scheme is not None:
            index = index_of(scheme)
            found = index.named(written, year, issuer) or (used.resolve(written) if used else None)
            if found is not None and not (isinstance(found, Unknown) and found.nearest is None):
                return found
            return Unknown(next(iter(index.like(written, 1)), None))
        if attribute.values:
            return _words_of(attribute.values, attribute.synonyms).resolve(written)
        return used.resolve(written) if used else Understood(written, written, "as written")

    def named_in_use(self, name: str, written: str) -> Understood | Candidates | None:
        """Which of the values in use of the attribute of this name the text is, None where it is none: the nearest is dear to
        find."""
        used = self._in_use(name)
        return used.named(written) if used else None

    def _in_use(self, name: str) -> _Words | None:
        if name not in self._words_in_use and self.used.get(name):
            self._words_in_use[name] = _words_of(self.used[name])
        return self._words_in_use.get(name)


@dataclass(frozen=True, eq=False)
class _Words:
    """Words that are values by themselves. `names`: folded name -> values; `plurals`: what a name may be the plural of -> the
    first such name."""

    values: frozenset[str]
    names: Mapping[str, tuple[str, ...]]
    plurals: Mapping[str, str]

    def resolve(self, written: str) -> Resolution:
        found = self.named(written)
        if found is not None:
            return found
        words = tuple(self.names)
        like = nearest_folded(folded(written), words, 1)
        return Unknown(self.names[words[like[0]]][0] if like else None)

    def named(self, written: str) -> Understood | Candidates | None:
        """The value that the text is, but for letter case, plural and the like."""
        if written in self.values:
            return Understood(written, written, "term")
        word = folded(written)
        known = next((name for name in (word, *singulars(word)) if name in self.names), self.plurals.get(word))
        if known is None:
            return None
        values = self.names[known]
        if len(values) == 1:
            return Understood(values[0], values[0], "name")
        return Candidates(tuple(Candidate(value, value, "name") for value in values))


def _words_of(values: Collection[str], synonyms: Mapping[str, str] = MappingProxyType({})) -> _Words:
    names: dict[str, dict[str, None]] = {}
    for name, value in (*((value, value) for value in values), *synonyms.items()):
        names.setdefault(folded(name), {})[value] = None
    plurals: dict[str, str] = {}
    for name in names:
        for single in singulars(name):
            plurals.setdefault(single, name)
    return _Words(frozenset(values), {name: tuple(found) for name, found in names.items()}, plurals)


@cache
def _countries() -> Mapping[str, tuple[str, ...]]:
    """ISO 3166-1 codes by the folded names of countries in LANGUAGES (Unicode CLDR, through Babel)."""
    from babel import Locale

    found: dict[str, dict[str, None]] = {}
    for language in LANGUAGES:
        for code, name in Locale.parse(language).territories.items():
            if _ISO.fullmatch(code):
                found.setdefault(folded(name), {})[code] = None
    return {word: tuple(codes) for word, codes in found.items()}


@cache
def _codes() -> Mapping[str, str]:
    """ISO 3166-1 alpha-2 codes by alpha-3 (CLDR territory aliases, through Babel)."""
    from babel.core import get_global

    aliases = get_global("territory_aliases").items()
    return {alias: codes[0] for alias, codes in aliases if len(alias) == 3 and alias.isalpha() and len(codes) == 1}


class TermNames(Mapping[str, str]):
    """The names of a vocabulary's terms as synonyms of an attribute: what is understood leads to the term, anything else is not
    in it. Iteration gives nothing: the names are too many to be listed."""

    def __init__(self, vocabulary: Vocabulary, issuer: str | None = None) -> None:
        self._vocabulary, self._issuer = vocabulary, issuer
        self._known: dict[str, str | None] = {}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, TermNames) and other._vocabulary is self._vocabulary and other._issuer == self._issuer

    def __hash__(self) -> int:
        return hash((id(self._vocabulary), self._issuer))

    def of_issuer(self, issuer: str) -> TermNames | None:
        """The names on coins of the issuer; None where it has no short names of its own."""
        has_own = issuer in index_of(self._vocabulary).issuers
        return TermNames(self._vocabulary, issuer) if has_own else None

    def __getitem__(self, written: str) -> str:
        term = self._term(written)
        if term is None:
            raise KeyError(written)
        return term

    def __iter__(self) -> Iterator[str]:
        return iter(())

    def __len__(self) -> int:
        return 0

    def _term(self, written: str) -> str | None:
        if written in self._vocabulary.concepts:
            return written
        # Other threads may clear the table meanwhile.
        term = self._known.get(written, "")
        if term == "":
            if len(self._known) >= _MOST_KEPT:
                self._known.clear()
            found = index_of(self._vocabulary).named(written, None, self._issuer)
            term = self._known[written] = found.value if isinstance(found, Understood) else None
        return term


def with_terms(attributes: Attributes, vocabularies: Mapping[str, Vocabulary]) -> Attributes:
    """The same table, in which facts and constants of an attribute with a vocabulary are read by the names of its terms. What
    fits several terms, or none, stays as it was written."""
    key = (id(attributes), id(vocabularies))
    known = _READ_BY_TERMS.get(key)
    # What is kept keeps its ids: no other table or vocabularies get them meanwhile.
    if known is not None and known[0] is attributes and known[1] is vocabularies:
        return known[2]
    made = _with_terms(attributes, vocabularies)
    if len(_READ_BY_TERMS) >= _MOST_READ_BY_TERMS:
        _READ_BY_TERMS.clear()
    _READ_BY_TERMS[key] = (attributes, vocabularies, made)
    return made


_READ_BY_TERMS: dict[tuple[int, int], tuple[Attributes, Mapping[str, Vocabulary], Attributes]] = {}
_MOST_READ_BY_TERMS = 16


def _with_terms(attributes: Attributes, vocabularies: Mapping[str, Vocabulary]) -> Attributes:
    found = [
        replace(attribute, synonyms=TermNames(vocabularies[attribute.vocabulary]))
        for attribute in attributes.values()
        if attribute.vocabulary in vocabularies and not attribute.values and attribute.vocabulary is not None
    ]
    return attributes.extended(found) if found else attributes
