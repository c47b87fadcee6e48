"""The keys of one-per groups: as listed, from a vocabulary, from the catalogue, or from what the coins show."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice, product

import numpy as np

from service.errors import Fault, OverLimit, Sentence
from service.evaluation.coins import Coins
from service.evaluation.grouping import grouped
from service.evaluation.table import Table
from service.facts.holding import Facts, View
from service.facts.knowledge import NONE, Among, Value
from service.facts.truth import NO, YES
from service.facts.vocabulary import Vocabulary
from service.rules.binding import CONCEPT
from service.rules.definition import MOST_PLACES, Definition, OnePer
from service.rules.keys import Key, KeyPart, in_key_order
from service.rules.predicates import EvaluationContext, Predicate
from service.rules.rule import Rule


@dataclass(frozen=True, slots=True)
class Collection:
    """What a definition is evaluated against: the views of every holding, and the catalogue of issues by id. `coins`, where there
    are any: the same holdings, whose columns are read in place of the views."""

    views: Sequence[tuple[View, ...]]
    catalogue: Mapping[str, Facts]
    context: EvaluationContext
    coins: Coins | None = None


@dataclass(frozen=True)
class GroupKeys:
    """The keys of a group in their order. `spellings`: for a text that its vocabulary takes for one concept with others that
    occur, those others."""

    keys: tuple[Key, ...]
    spellings: Mapping[tuple[int, Value], tuple[str, ...]] = field(default_factory=dict)

    def also(self, part: int, value: Value) -> tuple[str, ...]:
        """The other texts for this value of the key's attribute number `part`."""
        return self.spellings.get((part, value), ())


def keys_of(definition: Definition, group: OnePer, collection: Collection, base: Predicate | None) -> GroupKeys:
    """The keys of a one-per group: listed ones in the order given, else sorted by value with none last. `base` is what the
    group accepts within the scope (None: anything); it matters for keys that are taken from the holdings. Raises OverLimit
    past 2,000 keys."""
    source, parts = group.keys.source, group.parts
    table = Table(definition.attributes, collection.context)
    if source == "list":
        return _one_for_each_concept(group.keys.values, definition, group)
    if source == "vocabulary":
        found: set[Key] = {(term,) for term in _terms_of(definition, group, table)}
        if parts[0].none:
            found.add((NONE,))
        return GroupKeys(tuple(in_key_order(found, parts)))
    if source == "catalogue":
        where = group.keys.where
        seen = _selected_issues(where, collection, table)
    elif collection.coins is None:
        seen = (views for views in collection.views if base is None or table.verdict(base, views) is not NO)
    else:
        seen = _unlike(group, collection.coins, base, table)
    shown = _shown(seen, group)
    return _one_for_each_concept(in_key_order(shown, parts), definition, group)


def _selected_issues(where: Rule | None, collection: Collection, table: Table) -> Iterator[tuple[View, ...]]:
    for facts in collection.catalogue.values():
        views = (View(facts),)
        if where is None or table.verdict(where.predicate, views) is YES:
            yield views


def _unlike(group: OnePer, coins: Coins, base: Predicate | None, table: Table) -> Iterator[tuple[View, ...]]:
    """The coins that may fit the rule: of those that are one thing only, what is known of the attributes of the group, once for
    each combination."""
    columns = coins.columns(table.attributes, table.context)
    rows = np.arange(columns.rows)
    if base is not None:
        fits = columns.fits(base)
        rows = np.concatenate((fits.certain, *fits.doubtful().values()))
    here = [columns.column(part.attribute) for part in group.parts]
    first, _ = grouped([column.codes[rows] for column in here], len(rows))
    for row in rows[first].tolist():
        known = {
            part.attribute: column.entries[column.codes[row]] for part, column in zip(group.parts, here, strict=True)
        }
        yield (View({name: knowledge for name, knowledge in known.items() if knowledge is not None}),)
    for coin in coins.several:
        views = coins.views[coin]
        if base is None or table.verdict(base, views) is not NO:
            yield views


def _shown(many_views: Iterable[tuple[View, ...]], group: OnePer) -> set[Key]:
    """Every key that one of the coins has or may have, by what is recorded."""
    keys: set[Key] = set()
    for views in many_views:
        for view in views:
            shown = product(*(part.shown_by(view.facts.get(part.attribute)) for part in group.parts))
            # One coin that may be many things shows more keys than there is memory for.
            keys.update(islice(shown, MOST_PLACES + 1))
            if len(keys) > MOST_PLACES:
                message = Sentence(
                    "'{id}' has more than {most} keys; at most {most} places are taken", id=group.id, most=MOST_PLACES
                )
                raise OverLimit([Fault("over-limit", message)])
    return keys


def _one_for_each_concept(keys: Iterable[Key], definition: Definition, group: OnePer) -> GroupKeys:
    """The keys without those that a vocabulary takes for one concept with an earlier one (a code and a name)."""
    schemes = [_scheme_of(part, definition) for part in group.parts]
    if not any(schemes):
        return GroupKeys(tuple(keys))
    found: dict[Key, Key] = {}
    texts: dict[tuple[int, Value], dict[str, None]] = {}
    for key in keys:
        meant = tuple(
            scheme.concept_named(value) or value if scheme is not None and isinstance(value, str) else value
            for scheme, value in zip(schemes, key, strict=True)
        )
        found.setdefault(meant, key)
        for at, (value, concept) in enumerate(zip(key, meant, strict=True)):
            if isinstance(value, str) and isinstance(concept, str):
                texts.setdefault((at, concept), {}).update({value: None, concept: None})
    # A key from a list keeps the author's spelling; one that coins show is the concept, as the vocabulary names it.
    kept = {meant: key if group.keys.source == "list" else meant for meant, key in found.items()}
    ordered = list(kept.values())
    spellings = {
        (at, value): tuple(texts[at, concept])
        for meant, key in kept.items()
        for at, (value, concept) in enumerate(zip(key, meant, strict=True))
        if (at, concept) in texts and len(texts[at, concept]) > 1
    }
    return GroupKeys(tuple(ordered if group.keys.source == "list" else in_key_order(ordered, group.parts)), spellings)


def _scheme_of(part: KeyPart, definition: Definition) -> Vocabulary | None:
    if not part.is_plain:
        return None
    return definition.vocabularies.get(definition.attributes[part.attribute].vocabulary or "")


def _terms_of(definition: Definition, group: OnePer, table: Table) -> list[str]:
    scheme = definition.vocabularies[group.keys.vocabulary]
    (name,) = group.attributes
    where, many = group.keys.where, definition.attributes[name].many
    picked = []
    for term in scheme.concepts:
        facts: Facts = {CONCEPT: Among((term,)), name: Among((frozenset((term,)) if many else term,))}
        if where is None or table.verdict(where.predicate, (View(facts),)) is YES:
            picked.append(term)
    level = group.keys.level
    if isinstance(level, tuple):
        children = set(scheme.children(level[1]))
        return [term for term in picked if term in children]
    if level == "narrowest":
        return [term for term in picked if not scheme.below[term].intersection(picked)]
    return picked
