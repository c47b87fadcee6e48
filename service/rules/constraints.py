"""TABLE of set-level constraints: rules over several places of a definition.

One entry carries a kind's members in the document, the side constraints that it means for the assignment, and
what the check of a definition asks about it. A new kind is one entry here, one case file in tests/cases, and its part of
tests/reference.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from service.rules.messages import Message
from service.rules.rule import Rule
from service.rules.side_constraints import (
    KeyedEdges,
    SideConstraint,
    at_most_of_each_key,
    no_key_inside_and_outside,
    nothing_more,
    one_key_for_all,
    one_of_each_key,
)

CONSTRAINT_MEMBERS: Mapping[str, str] = {
    "places": "places",
    "place": "place",
    "by": "names",
    "per": "names",
    "where": "rule",
    "count": "count",
}
"""Every member that a constraint can have besides its id and kind, with its type (document.MEMBER_TYPES)."""


MUST_DIFFER, FEW_MAY_AGREE = "must-differ", "few-may-agree"


class Feasibility(Protocol):
    """What the check of a definition knows of the places of a constraint, all of them filled. Each answer is the reason why
    that cannot be, or None where it can be or is not known."""

    def never_agree(self, by: tuple[str, ...]) -> Message | None:
        """Two of the places can never agree in one of these attributes."""

    def never_match(self, by: tuple[str, ...]) -> Message | None:
        """A coin in the bound slot can never agree with one in any of the places in one of these attributes."""

    def too_few_fit(self, where: Rule, least: int) -> Message | None:
        """Fewer than `least` of the places can take a coin that fits the rule."""

    def too_few_keys(self, by: tuple[str, ...], most: int, demand: str) -> Message | None:
        """Too few keys occur for the places when each may come `most` times; `demand` is the code of the message."""

    def too_many_fit(self, where: Rule, most: int) -> Message | None:
        """More than `most` of the places take only coins that fit the rule."""


@dataclass(frozen=True, slots=True)
class ConstraintKind:
    """One kind of constraint.

    `needs` lists the members that it takes, each entry one way to write it. `side_constraints` are its demands on the
    assignment, from the edges by key and the constraint's `count`. `impossible` is why it can never hold with all its
    places filled.

    `looks_outside`: coins in other places matter as well. `bounds_equal_keys`: several pieces of one holding may break it,
    since they share the key, whatever it is. `is_goal`: it is aimed at, and keeps nothing out. `binds_one`: it binds the
    coin in one place only, its `place`. `never` is the code of the message that says what `impossible` means for it.
    """

    name: str
    meaning: str
    example: Mapping[str, object] = field(compare=False)
    needs: tuple[tuple[str, ...], ...]
    side_constraints: Callable[[KeyedEdges, int], Iterator[SideConstraint]]
    impossible: Callable[[Constraint, Feasibility], Message | None]
    looks_outside: bool = False
    bounds_equal_keys: bool = False
    is_goal: bool = False
    binds_one: bool = False
    never: str = "rule-never-holds"

    @property
    def counts_fitting(self) -> bool:
        """Whether a coin may have no key: one that does not fit `where`."""
        return any("where" in way for way in self.needs)

    @property
    def has_count(self) -> bool:
        """Whether it has a `count` that can be raised."""
        return not self.is_goal and all("count" in way for way in self.needs)


@dataclass(frozen=True, slots=True)
class Constraint:
    """One constraint of a definition. `places` are addresses of slots, groups or single places; empty is the whole set.
    `by` are the attributes of the key (`by` or `per`); `place` is the slot that a kind which `binds_one` binds. `at` is its
    JSON pointer in the document. `label` is what people call it: its id where the author gave no other name."""

    id: str
    kind: ConstraintKind
    places: tuple[str, ...] = ()
    by: tuple[str, ...] = ()
    where: Rule | None = None
    count: int = 0
    at: str = ""
    place: str = ""
    label: str = ""
    note: str = ""


def _agree_never(constraint: Constraint, places: Feasibility) -> Message | None:
    return places.never_agree(constraint.by)


def _too_few_to_differ(constraint: Constraint, places: Feasibility) -> Message | None:
    return places.too_few_keys(constraint.by, 1, MUST_DIFFER)


def _more_than_may(constraint: Constraint, places: Feasibility) -> Message | None:
    if constraint.where is not None:
        return places.too_many_fit(constraint.where, constraint.count)
    return places.too_few_keys(constraint.by, constraint.count, FEW_MAY_AGREE)


def _fewer_than_wanted(constraint: Constraint, places: Feasibility) -> Message | None:
    assert constraint.where is not None
    return places.too_few_fit(constraint.where, constraint.count)


def _agrees_with_none(constraint: Constraint, places: Feasibility) -> Message | None:
    return places.never_match(constraint.by)


def _not_known(_: Constraint, _places: Feasibility) -> Message | None:
    return None


SAME = ConstraintKind(
    "same",
    "the coins of those places agree on all of `by` together",
    example={"id": "pair", "kind": "same", "by": ["year_on_coin"], "places": ["crown-1", "crown-2"]},
    needs=(("by",),),
    side_constraints=one_key_for_all,
    impossible=_agree_never,
)
DIFFERENT = ConstraintKind(
    "different",
    "no two coins of those places agree on all of `by` together",
    example={"id": "makers", "kind": "different", "by": ["mint"], "places": ["a", "b", "c"]},
    needs=(("by",),),
    side_constraints=one_of_each_key,
    impossible=_too_few_to_differ,
    bounds_equal_keys=True,
)
AT_MOST = ConstraintKind(
    "at_most",
    "no more than `count` coins of those places share a key (`per`) or fit a rule (`where`)",
    example={"id": "spread", "kind": "at_most", "per": ["issuer"], "count": 3},
    needs=(("per", "count"), ("where", "count")),
    side_constraints=at_most_of_each_key,
    impossible=_more_than_may,
    bounds_equal_keys=True,
)
NOT_ELSEWHERE = ConstraintKind(
    "not_elsewhere",
    "no coin outside those places shares the key of one inside",
    example={"id": "new", "kind": "not_elsewhere", "by": ["issuer"], "places": ["siege"]},
    needs=(("by", "places"),),
    side_constraints=no_key_inside_and_outside,
    impossible=_not_known,
    looks_outside=True,
    bounds_equal_keys=True,
)
AT_LEAST = ConstraintKind(
    "at_least",
    "`count` coins of those places or more should fit a rule (`where`); no place stays empty for it",
    example={
        "id": "silver",
        "kind": "at_least",
        "where": "fineness >= 0.9",
        "count": 2,
        "places": ["crown-1", "siege"],
    },
    needs=(("where", "count"),),
    side_constraints=nothing_more,
    impossible=_fewer_than_wanted,
    is_goal=True,
    never="goal-never-reached",
)
MATCHES = ConstraintKind(
    "matches",
    "the coin of `place` agrees on all of `by` together with one of the coins of those places",
    example={"id": "partner", "kind": "matches", "by": ["issuer"], "place": "crown-1", "places": ["siege"]},
    needs=(("by", "place"),),
    side_constraints=nothing_more,
    impossible=_agrees_with_none,
    binds_one=True,
    never="rule-keeps-place-empty",
)
CONSTRAINT_KINDS: dict[str, ConstraintKind] = {
    kind.name: kind for kind in (SAME, DIFFERENT, AT_MOST, NOT_ELSEWHERE, AT_LEAST, MATCHES)
}
