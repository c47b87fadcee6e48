"""Recorded words that are no term, and what they keep empty: rules.md, sections 6 and 10. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType
from typing import Annotated, Protocol

import numpy as np
from msgspec import Meta, Struct

from service.analysis.unknown_terms import unknown_term
from service.assignment.build import Instance
from service.evaluation.table import Table
from service.facts.attributes import Attribute
from service.facts.holding import Facts, Holding, View
from service.facts.knowledge import Among, Knowledge, Subsets
from service.facts.truth import NO
from service.facts.vocabulary import Vocabulary
from service.notation.terms import Terms, Understood, Unknown
from service.rules.definition import Definition
from service.rules.predicates import reads
from service.rules.used_terms import used_by_attribute

MOST_TOLD = 100
_MOST_COINS = 20
_MOST_VERDICTS = 20_000


class UnknownTermEntry(Struct, frozen=True):
    """A recorded word that its vocabulary does not know; of an attribute without one, a word that neither the definition nor the
    catalogue has."""

    attribute: str
    term: Annotated[str, Meta(description="As it is recorded.")]
    nearest: Annotated[list[str], Meta(description="Terms that may be meant, the nearest first; most have none.")]
    holdings: Annotated[list[str], Meta(description="The coins that are recorded so.")]
    places: Annotated[
        int,
        Meta(
            description="How many empty places one of these coins might fill if the nearest term were recorded, or, where none "
            "is near, if nothing were."
        ),
    ]


class _Asked(Protocol):
    """What of a request is needed."""

    @property
    def definition(self) -> Definition: ...

    @property
    def issues(self) -> Mapping[str, Facts]: ...

    def views_of(self, holding: Holding) -> tuple[View, ...]: ...


def unknown_terms_of(
    request: _Asked, instance: Instance, table: Table, seats: Mapping[int, object]
) -> list[UnknownTermEntry]:
    """Up to MOST_TOLD, those that keep most empty first. Places are counted from up to 20 coins of each word, and within a budget
    of judgements."""

    def said() -> _Said:
        return _Said(used_by_attribute([request.definition.document]))

    asked = _Words(request, (said() if table.known is None else table.known.once("said", said)).texts)
    found: dict[tuple[str, str], list[int]] = {}
    nearest: dict[tuple[str, str], tuple[str, ...]] = {}
    for name, near_of in asked.readers(instance):
        column = instance.coins.recorded_column(name)
        told: dict[int, list[tuple[str, tuple[str, ...]]]] = {}
        for code in np.unique(column.codes).tolist():
            known = column.entries[code]
            every = [(text, near_of(text)) for text in _texts(known)] if known is not None else []
            if unknown := [(text, terms) for text, terms in every if terms is not None]:
                told[code] = unknown
        for coin in np.flatnonzero(np.isin(column.codes, list(told))).tolist() if told else ():
            for text, terms in told[int(column.codes[coin])]:
                found.setdefault((name, text), []).append(coin)
                nearest[name, text] = terms
    empty: dict[int, tuple[int, int]] = {}
    for at, place in enumerate(instance.places) if found else ():
        if at not in seats:
            first, count = empty.get(id(place.predicate), (at, 0))
            empty[id(place.predicate)] = (first, count + 1)
    by_attribute = {
        name: [(at, count) for at, count in empty.values() if name in reads(instance.places[at].predicate)]
        for name in {name for name, _ in found}
    }
    left = [_MOST_VERDICTS]
    entries = []
    for (name, text), coins in found.items():
        near = nearest[name, text]
        places = _kept_empty(request, instance, table, name, text, near, coins, by_attribute[name], left)
        holdings = [instance.coins.ids[coin] for coin in coins]
        entries.append(UnknownTermEntry(name, text, list(near), holdings, places))
    entries.sort(key=lambda entry: (-entry.places, -len(entry.holdings), entry.attribute, entry.term))
    return entries[:MOST_TOLD]


@dataclass(frozen=True, slots=True)
class _Said:
    """The texts of a definition by attribute."""

    texts: Mapping[str, Sequence[str]]

    @property
    def nbytes(self) -> int:
        return sum(200 for texts in self.texts.values() for _ in texts)


class _Words:
    """Which texts are terms, by attribute."""

    def __init__(self, request: _Asked, used: Mapping[str, Sequence[str]]) -> None:
        """`used`: the texts that the definition has, by attribute."""
        self.definition, self.issues = request.definition, request.issues
        self.used = used

    def readers(self, instance: Instance) -> Iterator[tuple[str, _NearOf]]:
        """The attributes that decide about places and have terms; for each what tells of a text the nearest terms, or None of a
        text that is one."""
        names: dict[str, None] = {}
        for predicate in {id(place.predicate): place.predicate for place in instance.places}.values():
            names |= dict.fromkeys(reads(predicate))
        for name in names:
            attribute = self.definition.attributes.get(name)
            if attribute is None or attribute.type != "text" or attribute.values:
                continue
            scheme = self.definition.vocabularies.get(attribute.vocabulary or "")
            if scheme is not None:
                yield name, _NearOf(attribute, scheme, self.used.get(name, ()))
            elif name in self.used:
                yield name, _NearOf(attribute, None, self.used[name], self.issues)


class _NearOf:
    """The nearest terms of a text that is none; None of a term."""

    def __init__(
        self,
        attribute: Attribute,
        scheme: Vocabulary | None,
        said: Iterable[str],
        issues: Mapping[str, Facts] = MappingProxyType({}),
    ) -> None:
        """`scheme`: the attribute's vocabulary; the words that are `said`, and then those of the `issues`, count beside its
        terms, or without one as its terms."""
        self.attribute, self.scheme, self.said, self.issues = attribute, scheme, dict.fromkeys(said), issues

    def __call__(self, text: str) -> tuple[str, ...] | None:
        if text in self.said or (self.scheme is not None and text in self.scheme.concepts) or text in self.used:
            return None
        among = self.terms.resolve(self.attribute, text) if self.used else Unknown()
        if self.scheme is None:
            if not isinstance(among, Unknown):
                return None
            return () if among.nearest is None else (among.nearest,)
        unknown = unknown_term(self.attribute, text, self.scheme)
        near = () if unknown is None else unknown.nearest
        if isinstance(among, Unknown):
            near = (*near, *(() if among.nearest is None else (among.nearest,)))
        else:
            # A word of the rules, in other letters.
            near = (among.value, *near) if isinstance(among, Understood) else near
        return tuple(dict.fromkeys(near))

    @cached_property
    def used(self) -> Mapping[str, None]:
        """All words. Most coins say what the rules say, and the issues are many."""
        of_issues = (facts[self.attribute.name] for facts in self.issues.values() if self.attribute.name in facts)
        return dict.fromkeys([*self.said, *(text for known in of_issues for text in _texts(known))])

    @cached_property
    def terms(self) -> Terms:
        return Terms({}, {self.attribute.name: tuple(self.used)})


def _texts(known: Knowledge) -> Iterator[str]:
    if isinstance(known, Subsets):
        yield from sorted(known.every)
    elif isinstance(known, Among):
        for value in known.values:
            if isinstance(value, str):
                yield value
            elif isinstance(value, frozenset):
                yield from sorted(value)


def _kept_empty(
    request: _Asked,
    instance: Instance,
    table: Table,
    name: str,
    text: str,
    nearest: Sequence[str],
    coins: Sequence[int],
    empty: Sequence[tuple[int, int]],
    left: list[int],
) -> int:
    """How many of the empty places that these coins surely do not fit they might fit by another word. `empty` has the first
    place of each rule, and how many there are."""
    waiting = list(empty)
    total = 0
    for coin in coins[:_MOST_COINS]:
        if not waiting or left[0] <= 0:
            break
        holding = instance.holdings[coin]
        mended = request.views_of(replace(holding, facts=_mended(holding.facts, name, text, nearest)))
        still = []
        for at, count in waiting:
            left[0] -= 2
            fits_now = coin in instance.fits[at] or coin in instance.barred.get(at, ())
            if not fits_now and table.verdict(instance.places[at].predicate, mended) is not NO:
                total += count
            else:
                still.append((at, count))
        waiting = still
    return total


def _mended(facts: Facts, name: str, text: str, nearest: Sequence[str]) -> Facts:
    """The facts with one of the nearest terms for the text; without the fact where none is near."""
    if not nearest:
        return {other: known for other, known in facts.items() if other != name}
    known = facts[name]
    if isinstance(known, Subsets):
        has = known.has - {text} | ({nearest[0]} if text in known.has else frozenset())
        perhaps = known.perhaps - {text} | ({nearest[0]} if text in known.perhaps else frozenset())
        return {**facts, name: Subsets(frozenset(has), frozenset(perhaps) - frozenset(has))}
    values: dict[object, None] = {}
    for value in known.values if isinstance(known, Among) else ():
        if value == text:
            values |= dict.fromkeys(nearest)
        elif isinstance(value, frozenset) and text in value:
            values |= dict.fromkeys(value - {text} | {term} for term in nearest)
        else:
            values[value] = None
    return {**facts, name: Among(tuple(values))}  # type: ignore[arg-type]
