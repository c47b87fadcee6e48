"""Slots, free choices and whole groups as the check of a definition sees them, and which of them may share a coin at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.evaluation.clauses import clauses_of, grouped_by_attribute, negation_normal_form
from service.evaluation.column_index import Interval, interval_of, texts_of
from service.evaluation.places import key_test
from service.rules.definition import Definition, OnePer
from service.rules.predicates import (
    IsNull,
    Not,
    OneOf,
    Or,
    Predicate,
    both,
    reads,
)
from service.rules.terms import Const, Ref

_MOST_COMPARED_KEYS = 60
_MOST_KEYS_IN_A_RULE = 400


@dataclass(frozen=True, slots=True)
class PlaceGroup:
    """A slot, a free choice or a group: what a coin must fit for one of its places, without the scope. `places` is how many
    there are for certain: none for an open group. `compared`: whether it is held against other posts."""

    id: str
    label: str
    rule: Predicate
    pointer: str
    tier: str
    places: int
    compared: bool = True


def place_groups_of(definition: Definition, keys: Mapping[str, Sequence[str]]) -> list[PlaceGroup]:
    """Every post, in the order of the document; `keys` are those of the closed groups. A group whose keys are too many for
    one rule is left out."""
    posts = [
        PlaceGroup(slot.id, slot.label, slot.accepts.predicate, f"/slots/{at}", slot.tier, 1)
        for at, slot in enumerate(definition.slots)
    ]
    for at, choice in enumerate(definition.free_choice):
        rule = choice.accepts.predicate
        posts.append(PlaceGroup(choice.id, choice.label, rule, f"/free_choice/{at}", choice.tier, choice.places))
    for at, group in enumerate(definition.one_per):
        post = _of_group(definition, group, f"/one_per/{at}", keys.get(group.id, ()))
        if post is not None:
            posts.append(post)
    return posts


def _of_group(definition: Definition, group: OnePer, pointer: str, keys: Sequence[str]) -> PlaceGroup | None:
    accepts = group.accepts.predicate if group.accepts is not None else None
    if group.keys.is_open:
        # A coin that is known to show no key has no place there, whatever else it is.
        rule = both(accepts, Not(IsNull(Ref(group.attribute))))
        return PlaceGroup(group.id, group.id, rule, pointer, group.tier, 0, accepts is not None)
    if group.keys.source != "vocabulary" and not definition.attributes[group.attribute].many:
        one_of_them: Predicate = OneOf(Ref(group.attribute), tuple(Const(key) for key in keys))
    elif len(keys) > _MOST_KEYS_IN_A_RULE:
        return None
    else:
        one_of_them = Or(tuple(key_test(definition, group, key)[1] for key in keys))
    is_compared = 0 < len(keys) <= _MOST_COMPARED_KEYS
    return PlaceGroup(group.id, group.id, both(accepts, one_of_them), pointer, group.tier, len(keys), is_compared)


def place_group_of_key(definition: Definition, group: OnePer, at: int, key: str) -> PlaceGroup:
    """One place of a group."""
    accepts = group.accepts.predicate if group.accepts is not None else None
    address = f"{group.id}/{key}"
    rule = both(accepts, key_test(definition, group, key)[1])
    return PlaceGroup(address, address, rule, f"/one_per/{at}", group.tier, 1)


# -- which can share a coin

Reach = dict[str, frozenset[str] | Interval]


def reach_of(rule: Predicate) -> Reach:
    """What the clauses that every fitting coin must fit allow of single attributes: texts, or an interval."""
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
    """Whether the clause stands in the outermost and, so that every fitting coin fits it."""
    return whole == clause or clause in getattr(whole, "items", ())


def are_disjoint(first: Reach, second: Reach) -> bool:
    """Whether no coin can fit both, as far as single attributes tell."""
    return any(are_disjoint_on(name, first, second) for name in first.keys() & second.keys())


def are_disjoint_on(name: str, first: Reach, second: Reach) -> bool:
    """Whether coins that fit the one and the other can never agree in the attribute."""
    mine, its = first.get(name), second.get(name)
    if isinstance(mine, frozenset) and isinstance(its, frozenset):
        return mine.isdisjoint(its)
    return isinstance(mine, Interval) and isinstance(its, Interval) and mine.meet(its).is_empty


def may_meet(reaches: Sequence[Reach]) -> Iterator[tuple[int, int]]:
    """The numbers of every two that single attributes do not keep apart, in order. Those that share no text of the attribute
    that most of them name are passed over without a look, so that hundreds of places cost little."""
    named = Counter(name for reach in reaches for name, allowed in reach.items() if isinstance(allowed, frozenset))
    name = max(sorted(named), key=lambda one: named[one], default=None)
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
