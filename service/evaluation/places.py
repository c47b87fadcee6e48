"""The places of a set: slots, the places of one-per groups (one for each key), the places of free choices."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.errors import Fault, OverLimit
from service.evaluation.keys import Collection, GroupKeys, keys_of
from service.facts.attributes import Attribute
from service.facts.knowledge import NONE, Value
from service.rules.definition import MOST_PLACES, PLACEHOLDER, Definition, OnePer
from service.rules.keys import Key, key_address, key_at, key_in_words
from service.rules.predicates import IsNull, Not, Or, Predicate
from service.rules.preferences import Preference
from service.rules.rule import RulePart, joined, rule_parts
from service.rules.terms import Ref

SLOT, ONE_PER, FREE_CHOICE = "slots", "one_per", "free_choice"


@dataclass(frozen=True, slots=True)
class Place:
    """One place. `address` identifies it: a slot's id, `group/key`, or `choice/number`. `predicate` is everything that a
    coin must fit: the scope, what the place accepts, and its key; `parts` are the same one by one. `group` and `key` are
    empty for slots. `is_open`: a place of an open-ended group, which exists only because a coin shows its key.
    `note` is the author's to the place or its group, `group_label` what the group is called."""

    address: str
    label: str
    kind: str
    tier: str
    predicate: Predicate
    parts: tuple[RulePart, ...]
    prefer: tuple[Preference, ...]
    group: str = ""
    key: Key = ()
    look_at: str = ""
    is_open: bool = False
    note: str = ""
    group_label: str = ""


def places_of(definition: Definition, collection: Collection) -> tuple[Place, ...]:
    """Every place, in the order of the document: slots, then groups, then free choices. The keys of a group may depend on
    the collection. Raises OverLimit past 2,000 places."""
    places: list[Place] = []
    scope = rule_parts(definition.scope)
    for slot in definition.slots:
        parts = (*scope, *rule_parts(slot.accepts))
        places.append(
            Place(
                address=slot.id,
                label=slot.label,
                kind=SLOT,
                tier=slot.tier,
                predicate=joined(parts),
                parts=parts,
                prefer=slot.prefer or definition.prefer,
                look_at=slot.look_at,
                note=slot.note,
            )
        )
    for group in definition.one_per:
        places.extend(_of_group(definition, group, collection))
    for choice in definition.free_choice:
        parts = (*scope, *rule_parts(choice.accepts))
        predicate, prefer = joined(parts), choice.prefer or definition.prefer
        places.extend(
            Place(
                f"{choice.id}/{n + 1}",
                choice.label,
                FREE_CHOICE,
                choice.tier,
                predicate,
                parts,
                prefer,
                choice.id,
                note=choice.note,
                group_label=choice.label,
            )
            for n in range(choice.places)
        )
    if len(places) > MOST_PLACES:
        raise OverLimit(
            [
                Fault.of(
                    "over-limit",
                    "the set has {count} places; at most {most} are taken",
                    count=len(places),
                    most=MOST_PLACES,
                )
            ]
        )
    return tuple(places)


def _of_group(definition: Definition, group: OnePer, collection: Collection) -> list[Place]:
    base = group_base(definition, group)
    found = keys_of(definition, group, collection, joined(base) if base else None)
    labels = key_labels(definition, group, found.keys)
    look_at = where_to_look(definition, group)
    places = []
    for key, label in zip(found.keys, labels, strict=True):
        parts = (*base, *key_tests(definition, group, key, found))
        places.append(
            Place(
                address=f"{group.id}/{key_address(key)}",
                label=label,
                kind=ONE_PER,
                tier=group.tier,
                predicate=joined(parts),
                parts=parts,
                prefer=group.prefer or definition.prefer,
                group=group.id,
                key=key,
                look_at=look_at,
                is_open=group.keys.is_open,
                note=group.note,
                group_label=group.name,
            )
        )
    return places


def group_base(definition: Definition, group: OnePer) -> tuple[RulePart, ...]:
    """What every place of a group asks besides its key: the scope, and what the group accepts."""
    return (*rule_parts(definition.scope), *rule_parts(group.accepts))


def shows_a_key(group: OnePer, attributes: Mapping[str, Attribute]) -> list[Predicate]:
    """What a coin must be to show a key of an open-ended group, whichever that is: a value in one of the bands, else any value;
    none too where it is a key."""
    tests: list[Predicate] = []
    for part in group.parts:
        if part.bands:
            keys: list[Value] = [*(band.key for band in part.bands), *([NONE] if part.none else [])]
            tests.append(Or(tuple(part.test(key, attributes[part.attribute])[1] for key in keys)))
        elif not part.none:
            tests.append(Not(IsNull(Ref(part.attribute))))
    return tests


def where_to_look(definition: Definition, group: OnePer) -> str:
    """Where a coin shows the key of a group: in the author's words, else in those of its attributes."""
    hints = (definition.attributes[name].look_at for name in group.attributes)
    return group.look_at or "; ".join(dict.fromkeys(filter(None, hints)))


def key_tests(definition: Definition, group: OnePer, key: Key, keys: GroupKeys | None = None) -> tuple[RulePart, ...]:
    """What a coin of the key must be, attribute by attribute, as text and as predicates: the key is its value, or one of
    its values, or the span that has it; for keys from a vocabulary, the value or a broader term of it."""
    return tuple(
        part.test(value, definition.attributes[part.attribute], () if keys is None else keys.also(at, value))
        for at, (part, value) in enumerate(zip(group.parts, key, strict=True))
    )


def key_labels(definition: Definition, group: OnePer, keys: Sequence[Key]) -> list[str]:
    """The labels of the places of these keys: the group's label with `{key}`, or `{name}` of one of its attributes, replaced.
    Labels that would be the same tell the key."""
    labels = []
    for key in keys:
        words = [
            part.label(value, definition.attributes[part.attribute], definition.vocabularies)
            for part, value in zip(group.parts, key, strict=True)
        ]
        filled = dict(zip(group.attributes, words, strict=True)) | {"key": ", ".join(words)}
        labels.append(PLACEHOLDER.sub(lambda found, filled=filled: filled.get(found[1], found[0]), group.label))  # type: ignore[misc]
    often = Counter(labels)
    return [
        f"{label} ({key_in_words(key)})" if often[label] > 1 else label for key, label in zip(keys, labels, strict=True)
    ]


def label_of(definition: Definition, name: str) -> str:
    """The label of a place by its address, of a group by its id; the name itself of what the definition does not have."""
    group, _, key = name.partition("/")
    one_per = next((one for one in definition.one_per if one.id == group), None)
    if one_per is not None and key:
        known = key_at(key, one_per.parts, definition.attributes)
        return name if known is None else key_labels(definition, one_per, [known])[0]
    names = definition.names()
    return names.get(name) or names.get(group) or name
