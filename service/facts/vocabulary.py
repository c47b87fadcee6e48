"""Concept schemes: terms with broader and narrower ones (SKOS, W3C Recommendation 2009). Cycles are refused."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Literal

from service.errors import Fault, Invalid, Sentence
from service.facts.words import nearest

Kind = Literal["preferred", "alternative", "hidden"]


@dataclass(frozen=True, slots=True)
class Abbreviation:
    """A short or popular name of a term that holds for coins of one issuer only (a quarter), or everywhere (2/6)."""

    text: str
    issuer: str | None = None


@dataclass(frozen=True, slots=True)
class TaggedName:
    """A name of a term in one language (a BCP 47 tag): `skos:prefLabel`, `altLabel` or `hiddenLabel`."""

    text: str
    language: str
    kind: Kind = "alternative"


@dataclass(frozen=True, slots=True)
class Concept:
    """One term. `started` and `ended` are the first and the last day on which an issuer existed; `current` says that it is
    known to exist still. An abbreviation with an issuer comes before labels of other terms: in the United States 10 cents
    are a dime. `names` are those with a language; `matches` are IRIs of the same concept elsewhere (`skos:exactMatch`), `iri` is
    its own where it came from elsewhere."""

    id: str
    label: str
    broader: tuple[str, ...] = ()
    alternative_labels: tuple[str, ...] = ()
    note: str = ""
    ended: date | None = None
    current: bool = False
    matches: tuple[str, ...] = ()
    started: date | None = None
    abbreviations: tuple[Abbreviation, ...] = ()
    names: tuple[TaggedName, ...] = ()
    iri: str = ""

    @property
    def other_names(self) -> tuple[str, ...]:
        """All names besides id and label that hold whatever the issuer, short ones left out."""
        return (*self.alternative_labels, *(name.text for name in self.names))


@dataclass(frozen=True)
class Vocabulary:
    """A concept scheme. `above[t]` and `below[t]` are the transitive broader and narrower terms of t, t left out."""

    name: str
    concepts: Mapping[str, Concept]
    label: str = ""
    edition: str = ""
    source: str = ""
    notice: str = ""
    above: Mapping[str, frozenset[str]] = field(init=False, repr=False)
    below: Mapping[str, frozenset[str]] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        above = _closure(self.concepts)
        below: dict[str, set[str]] = {term: set() for term in self.concepts}
        for term, broader in above.items():
            for upper in broader:
                below[upper].add(term)
        object.__setattr__(self, "above", above)
        object.__setattr__(self, "below", {term: frozenset(lower) for term, lower in below.items()})

    def is_at_or_below(self, term: str, top: str) -> bool:
        """`skos:narrowerTransitive`, or the term itself."""
        return term == top or top in self.above.get(term, frozenset())

    def concept_named(self, text: str) -> str | None:
        """The term of this id, name, alternative label or general abbreviation, in any letter case; None where there is
        none, or more than one."""
        if text in self.concepts:
            return text
        return self._by_name.get(text.casefold())

    @cached_property
    def _by_name(self) -> Mapping[str, str | None]:
        names: dict[str, str | None] = {}
        for concept in self.concepts.values():
            short = (one.text for one in concept.abbreviations if one.issuer is None)
            for name in {text.casefold() for text in (concept.id, concept.label, *concept.other_names, *short)}:
                names[name] = None if names.get(name, concept.id) != concept.id else concept.id
        # An id comes before the labels of other terms.
        return names | {term.casefold(): term for term in self.concepts}

    def children(self, term: str) -> tuple[str, ...]:
        """The terms directly below, in the order of the scheme."""
        return tuple(c.id for c in self.concepts.values() if term in c.broader)


def unknown_vocabulary(name: str, known: Collection[str]) -> Fault:
    """The complaint about a name that no vocabulary has, with the nearest one that there is."""
    near = nearest(name, known)
    question = Sentence(": did you mean '{near}'?", near=near) if near else ""
    hint = Sentence("known ones: {listed}", listed=", ".join(sorted(known)) or Sentence("none"))
    return Fault.of(
        "unknown-vocabulary", "unknown vocabulary '{name}'{question}", hint=hint, name=name[:80], question=question
    )


def build_vocabulary(name: str, concepts: Iterable[Concept], **about: str) -> Vocabulary:
    """A scheme from its concepts; two concepts of one id are refused."""
    table: dict[str, Concept] = {}
    for place, concept in enumerate(concepts):
        if concept.id in table:
            raise Invalid(
                [
                    Fault.of(
                        "clashing-id",
                        "the term '{id}' stands twice in '{name}'",
                        f"/concepts/{place}/id",
                        id=concept.id,
                        name=name,
                    )
                ]
            )
        table[concept.id] = concept
    return Vocabulary(name, table, **about)


def _closure(concepts: Mapping[str, Concept]) -> dict[str, frozenset[str]]:
    faults = []
    places = {term: place for place, term in enumerate(concepts)}
    for term, concept in concepts.items():
        for at, upper in enumerate(concept.broader):
            if upper not in concepts:
                pointer = f"/concepts/{places[term]}/broader/{at}"
                faults.append(
                    Fault.of(
                        "unknown-term",
                        "'{term}' stands below '{upper}', which is no term here",
                        pointer,
                        term=term,
                        upper=upper,
                    )
                )
    if faults:
        raise Invalid(faults)
    # Kahn's order from the top down; what is left over stands in a circle.
    waiting = {term: len(set(concept.broader)) for term, concept in concepts.items()}
    lower: dict[str, list[str]] = {term: [] for term in concepts}
    for term, concept in concepts.items():
        for upper in set(concept.broader):
            lower[upper].append(term)
    ready = [term for term, count in waiting.items() if count == 0]
    above: dict[str, frozenset[str]] = {}
    while ready:
        term = ready.pop()
        uppers = concepts[term].broader
        above[term] = frozenset(uppers).union(*(above[upper] for upper in uppers))
        for below in lower[term]:
            waiting[below] -= 1
            if waiting[below] == 0:
                ready.append(below)
    stuck = sorted(term for term in concepts if term not in above)
    if stuck:
        circle = _circle(stuck[0], above, concepts)
        named = ", ".join(f"'{term}'" for term in circle[:5])
        raise Invalid(
            [
                Fault.of(
                    "circle",
                    "these terms stand below each other in a circle: {named}",
                    f"/concepts/{places[circle[0]]}/broader",
                    hint="take one `broader` of the circle away",
                    named=named,
                )
            ]
        )
    return above


def _circle(term: str, above: Mapping[str, object], concepts: Mapping[str, Concept]) -> list[str]:
    """A circle above a term that has no end upwards, from its first term in the order of ids."""
    path: list[str] = []
    while term not in path:
        path.append(term)
        term = min(upper for upper in concepts[term].broader if upper not in above)
    return sorted(path[path.index(term) :])
