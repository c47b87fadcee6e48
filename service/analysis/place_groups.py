"""Slots, free choices and one-per groups as the check and the comparison of definitions see them, and which of them may
share a coin at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.evaluation.clauses import clauses_of, grouped_by_attribute, negation_normal_form
from service.evaluation.column_index import Interval, interval_of, texts_of
from service.evaluation.keys import Collection, GroupKeys, keys_of
from service.evaluation.places import key_tests
from service.facts.holding import Facts
from service.facts.knowledge import NONE
from service.rules.definition import Definition, OnePer
from service.rules.keys import Key, key_address
from service.rules.predicates import Always, EvaluationContext, IsNull, Not, OneOf, Or, Predicate, all_of, reads
from service.rules.rule import joined
from service.rules.terms import Const, Ref

_MOST_COMPARED_KEYS = 60
_MOST_KEYS_IN_A_RULE = 400
_NO_KEYS = GroupKeys(())


@dataclass(frozen=True, slots=True)
class PlaceGroup:
    """A slot, a free choice or a one-per group. `rule` is what a coin must fit for one of its places, without the scope.
    `places` is the number of places that exist for certain: none for an open-ended group. `compared`: whether it is
    compared with other groups."""

    id: str
    label: str
    rule: Predicate
    pointer: str
    tier: str
    places: int
    compared: bool = True


def place_groups_of(definition: Definition, keys: Mapping[str, GroupKeys]) -> list[PlaceGroup]:
    """The place groups in the order slots, free choices, one-per groups. `keys` are those of the closed one-per groups,
    by id (`closed_keys`). A group with too many keys for one rule is left out."""
    groups = [
        PlaceGroup(slot.id, slot.label, slot.accepts.predicate, f"/slots/{at}", slot.tier, 1)
        for at, slot in enumerate(definition.slots)
    ]
    for at, choice in enumerate(definition.free_choice):
        rule = choice.accepts.predicate
        groups.append(PlaceGroup(choice.id, choice.label, rule, f"/free_choice/{at}", choice.tier, choice.places))
    for at, one_per in enumerate(definition.one_per):
        group = _of_one_per(definition, one_per, f"/one_per/{at}", keys.get(one_per.id, _NO_KEYS))
        if group is not None:
            groups.append(group)
    return groups


def closed_keys(definition: Definition, catalogue: Mapping[str, Facts], today: date) -> dict[str, GroupKeys]:
    """The keys of every one-per group that is not open-ended, by its id."""
    collection = Collection((), catalogue, EvaluationContext(today, definition.vocabularies))
    closed = (one_per for one_per in definition.one_per if not one_per.keys.is_open)
    return {one_per.id: keys_of(definition, one_per, collection, None) for one_per in closed}


def _of_one_per(definition: Definition, one_per: OnePer, pointer: str, found: GroupKeys) -> PlaceGroup | None:
    accepts = one_per.accepts.predicate if one_per.accepts is not None else None
    if one_per.keys.is_open:
        # A coin known to have no key has no place there, whatever else it is.
        tests = (Not(IsNull(Ref(part.attribute))) for part in one_per.parts if not part.none)
        rule = all_of(accepts, *tests) if not all(part.none for part in one_per.parts) else accepts or Always(True)
        return PlaceGroup(one_per.id, one_per.name, rule, pointer, one_per.tier, 0, accepts is not None)
    keys, (part, *others) = found.keys, one_per.parts
    is_listed = not others and part.is_plain and part.terms is None and not definition.attributes[part.attribute].many
    if is_listed and not any(NONE in key for key in keys):
        texts = dict.fromkeys(text for (key,) in keys for text in (key, *found.also(0, key)))
        has_key: Predicate = OneOf(Ref(part.attribute), tuple(map(Const, texts)))
    elif len(keys) > _MOST_KEYS_IN_A_RULE:
        return None
    else:
        has_key = Or(tuple(key_predicate(definition, one_per, key, found) for key in keys))
    is_compared = 0 < len(keys) <= _MOST_COMPARED_KEYS
    return PlaceGroup(one_per.id, one_per.name, all_of(accepts, has_key), pointer, one_per.tier, len(keys), is_compared)


def place_group_of_key(
    definition: Definition, one_per: OnePer, at: int, key: Key, keys: GroupKeys | None = None
) -> PlaceGroup:
    """The place of one key as a group of its own; `at` is the position of the one-per group in the definition."""
    accepts = one_per.accepts.predicate if one_per.accepts is not None else None
    address = f"{one_per.id}/{key_address(key)}"
    rule = all_of(accepts, key_predicate(definition, one_per, key, keys))
    return PlaceGroup(address, address, rule, f"/one_per/{at}", one_per.tier, 1)


def key_predicate(definition: Definition, one_per: OnePer, key: Key, keys: GroupKeys | None = None) -> Predicate:
    """What a coin of the key must be."""
    return joined(key_tests(definition, one_per, key, keys))


# -- which can share a coin

Reach = dict[str, frozenset[str] | Interval]
"""What a rule allows of single attributes: texts, or an interval. Attributes that it does not limit are absent."""


def reach_of(rule: Predicate) -> Reach:
    """The limits on single attributes that every coin that fits the rule meets. Sufficient only: a coin within them need
    not fit."""
    found: Reach = {}
    whole = grouped_by_attribute(negation_normal_form(rule))
    for clause in clauses_of(whole) if not isinstance(whole, Or) else ():
        names = reads(clause)
        if len(names) != 1 or not _must(whole, clause):
            continue
        (name,) = names
        texts = texts_of(clause)
        interval = interval_of(clause)
        if texts is not None:
            found[name] = frozenset(texts)
        elif interval is not None:
            found[name] = interval
    return found


def _must(whole: Predicate, clause: Predicate) -> bool:
    """Whether the clause is an operand of the outermost `and`, so that every coin that fits the rule fits it."""
    return whole == clause or clause in getattr(whole, "items", ())


def are_disjoint(first: Reach, second: Reach) -> bool:
    """Whether some single attribute shows that no coin can fit both."""
    return any(are_disjoint_on(name, first, second) for name in first.keys() & second.keys())


def are_disjoint_on(name: str, first: Reach, second: Reach) -> bool:
    """Whether no coin of the one and no coin of the other can have the same value of the attribute."""
    mine, its = first.get(name), second.get(name)
    if isinstance(mine, frozenset) and isinstance(its, frozenset):
        return mine.isdisjoint(its)
    return isinstance(mine, Interval) and isinstance(its, Interval) and mine.meet(its).is_empty


def may_meet(reaches: Sequence[Reach]) -> Iterator[tuple[int, int]]:
    """The positions of every two that no single attribute shows to be disjoint, in order. Pairs that share no text of the
    attribute that most of them limit are skipped without a look, so hundreds of places cost little."""
    named = Counter(name for reach in reaches for name, allowed in reach.items() if isinstance(allowed, frozenset))
    name = max(sorted(named), key=named.__getitem__, default=None)
    sharing: dict[str, list[int]] = {}
    anywhere: list[int] = []
    texts = [reach.get(name) if name is not None else None for reach in reaches]
    for at, allowed in enumerate(texts):
        if isinstance(allowed, frozenset):
            for text in allowed:
                sharing.setdefault(text, []).append(at)
        else:
            anywhere.append(at)
    for first, allowed in enumerate(texts):
        if isinstance(allowed, frozenset):
            others = set(anywhere).union(*(sharing[text] for text in allowed))
        else:
            others = set(range(len(reaches)))
        for second in sorted(other for other in others if other > first):
            if not are_disjoint(reaches[first], reaches[second]):
                yield first, second
