"""The places of a set: slots, the places of one-per groups (one for each key), the places of free choices."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.errors import Fault, OverLimit
from service.evaluation.verdicts import judge_views
from service.facts.holding import Facts, View
from service.facts.knowledge import Among, Subsets, Value
from service.facts.truth import NO, YES
from service.rules.binding import CONCEPT
from service.rules.definition import MOST_PLACES, Definition, OnePer
from service.rules.predicates import (
    Comparison,
    EvaluationContext,
    Narrower,
    Predicate,
    SetComparison,
    all_of,
)
from service.rules.preferences import Preference
from service.rules.rule import Rule
from service.rules.terms import Const, Ref

SLOT, ONE_PER, FREE_CHOICE = "slots", "one_per", "free_choice"

RulePart = tuple[Rule | str, Predicate]
"""A rule of the definition, or the words for one that the service makes, with its predicate."""


@dataclass(frozen=True, slots=True)
class Place:
    """One place. `address` identifies it: a slot's id, `group/key`, or `choice/number`. `predicate` is everything that a
    coin must fit: the scope, what the place accepts, and its key; `parts` are the same one by one. `group` and `key` are
    empty for slots. `is_open`: a place of an open-ended group, which exists only because a coin shows its key."""

    address: str
    label: str
    kind: str
    tier: str
    predicate: Predicate
    parts: tuple[RulePart, ...]
    prefer: tuple[Preference, ...]
    group: str = ""
    key: str = ""
    look_at: str = ""
    is_open: bool = False


@dataclass(frozen=True, slots=True)
class Collection:
    """What a definition is evaluated against: the views of every holding, and the catalogue of issues by id."""

    views: Sequence[tuple[View, ...]]
    catalogue: Mapping[str, Facts]
    context: EvaluationContext


def places_of(definition: Definition, collection: Collection) -> tuple[Place, ...]:
    """Every place, in the order of the document: slots, then groups, then free choices. The keys of a group may depend on
    the collection. Raises OverLimit past 2,000 places."""
    places: list[Place] = []
    scope = _parts(definition.scope)
    for slot in definition.slots:
        parts = (*scope, *_parts(slot.accepts))
        prefer = slot.prefer or definition.prefer
        places.append(Place(slot.id, slot.label, SLOT, slot.tier, _joined(parts), parts, prefer, look_at=slot.look_at))
    for group in definition.one_per:
        places.extend(_of_group(definition, group, collection, scope))
    for choice in definition.free_choice:
        parts = (*scope, *_parts(choice.accepts))
        joined, prefer = _joined(parts), choice.prefer or definition.prefer
        places.extend(
            Place(f"{choice.id}/{n + 1}", choice.label, FREE_CHOICE, choice.tier, joined, parts, prefer, choice.id)
            for n in range(choice.places)
        )
    if len(places) > MOST_PLACES:
        raise OverLimit([Fault("over-limit", f"the set has {len(places)} places; at most {MOST_PLACES} are taken")])
    return tuple(places)


def _parts(rule: Rule | None) -> tuple[RulePart, ...]:
    return () if rule is None else ((rule, rule.predicate),)


def _joined(parts: Iterable[RulePart]) -> Predicate:
    return all_of(*(predicate for _, predicate in parts))


def _of_group(
    definition: Definition, group: OnePer, collection: Collection, scope: tuple[RulePart, ...]
) -> list[Place]:
    base = (*scope, *_parts(group.accepts))
    attribute = definition.attributes[group.attribute]
    scheme = definition.vocabularies.get(group.keys.vocabulary or attribute.vocabulary or "")
    places = []
    for key in keys_of(definition, group, collection, _joined(base) if base else None):
        concept = scheme.concepts.get(key) if scheme else None
        label = concept.label if concept else key
        parts = (*base, key_test(definition, group, key))
        places.append(
            Place(
                address=f"{group.id}/{key}",
                label=group.label.replace("{key}", label),
                kind=ONE_PER,
                tier=group.tier,
                predicate=_joined(parts),
                parts=parts,
                prefer=group.prefer or definition.prefer,
                group=group.id,
                key=key,
                look_at=group.look_at or attribute.look_at,
                is_open=group.keys.is_open,
            )
        )
    return places


def key_test(definition: Definition, group: OnePer, key: str) -> tuple[str, Predicate]:
    """The rule for a coin of the key, as text and as a predicate: the key is its value, or one of its values; for keys
    from a vocabulary, the value or a broader term of it."""
    quoted = key.replace("'", "''")
    if group.keys.source == "vocabulary":
        return f"narrower({group.attribute}, '{quoted}')", Narrower(group.attribute, key, group.keys.vocabulary)
    if definition.attributes[group.attribute].many:
        fits = SetComparison("a_contains", Ref(group.attribute), Const(frozenset((key,))))
        return f"A_CONTAINS({group.attribute}, ('{quoted}'))", fits
    return f"{group.attribute} = '{quoted}'", Comparison("=", Ref(group.attribute), Const(key))


def keys_of(definition: Definition, group: OnePer, collection: Collection, base: Predicate | None) -> list[str]:
    """The keys of a one-per group: in the order of the list or vocabulary, else sorted. `base` is what the group accepts
    within the scope (None: anything); it matters for keys that are taken from the holdings."""
    keys = group.keys
    if keys.source == "list":
        return list(keys.values)
    if keys.source == "vocabulary":
        return _keys_of_vocabulary(definition, group, collection.context)
    if keys.source == "catalogue":
        return sorted(_values_of(_selected_issues(definition, keys.where, collection), group.attribute))
    fitting = (views for views in collection.views if base is None or _may_fit(definition, base, views, collection))
    return sorted(_values_of(fitting, group.attribute))


def _may_fit(definition: Definition, base: Predicate, views: tuple[View, ...], collection: Collection) -> bool:
    return judge_views(base, views, definition.attributes, collection.context).verdict is not NO


def _selected_issues(definition: Definition, where: Rule | None, collection: Collection) -> Iterable[tuple[View, ...]]:
    for facts in collection.catalogue.values():
        views = (View(facts),)
        if (
            where is None
            or judge_views(where.predicate, views, definition.attributes, collection.context).verdict is YES
        ):
            yield views


def _values_of(many_views: Iterable[tuple[View, ...]], attribute: str) -> set[str]:
    """Every value of the attribute that one of the coins has or may have."""
    keys: set[str] = set()
    for views in many_views:
        for view in views:
            knowledge = view.facts.get(attribute)
            values: tuple[Value, ...] = knowledge.values if isinstance(knowledge, Among) else ()
            for value in (knowledge.every,) if isinstance(knowledge, Subsets) else values:
                if isinstance(value, frozenset):
                    keys |= value
                elif isinstance(value, str):
                    keys.add(value)
    return keys


def _keys_of_vocabulary(definition: Definition, group: OnePer, context: EvaluationContext) -> list[str]:
    scheme = definition.vocabularies[group.keys.vocabulary]
    where, many = group.keys.where, definition.attributes[group.attribute].many
    picked = []
    for term in scheme.concepts:
        facts: Facts = {CONCEPT: Among((term,)), group.attribute: Among((frozenset((term,)) if many else term,))}
        if where is None or judge_views(where.predicate, (View(facts),), definition.attributes, context).verdict is YES:
            picked.append(term)
    level = group.keys.level
    if isinstance(level, tuple):
        children = set(scheme.children(level[1]))
        return [term for term in picked if term in children]
    if level == "narrowest":
        return [term for term in picked if not scheme.below[term].intersection(picked)]
    return picked
