"""TABLE of set-level constraints: rules over several places of a definition.

A new kind is one entry here, one in assignment/search, and one case file in tests/cases.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.rules.rule import Rule


@dataclass(frozen=True, slots=True)
class ConstraintKind:
    """One kind of constraint. `needs` lists the members that it takes, each entry one way to say it."""

    name: str
    meaning: str
    example: dict[str, object]
    needs: tuple[tuple[str, ...], ...]


KINDS: dict[str, ConstraintKind] = {
    kind.name: kind
    for kind in (
        ConstraintKind(
            "same",
            "the coins of those places agree on all of `by` together",
            {"id": "pair", "kind": "same", "by": ["year_on_coin"], "places": ["crown-1", "crown-2"]},
            (("by",),),
        ),
        ConstraintKind(
            "different",
            "no two coins of those places agree on all of `by` together",
            {"id": "makers", "kind": "different", "by": ["mint"], "places": ["a", "b", "c"]},
            (("by",),),
        ),
        ConstraintKind(
            "at_most",
            "no more than `count` coins of those places share a key (`per`) or fit a rule (`where`)",
            {"id": "spread", "kind": "at_most", "per": ["issuer"], "count": 3},
            (("per", "count"), ("where", "count")),
        ),
        ConstraintKind(
            "not_elsewhere",
            "no coin outside those places shares the key of one inside",
            {"id": "new", "kind": "not_elsewhere", "by": ["issuer"], "places": ["commemoratives"]},
            (("by", "places"),),
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Constraint:
    """One constraint of a definition. `places` are addresses of slots, groups or single places; empty is the whole set.
    `by` is the key (for at_most: `per`). `at` is its JSON pointer in the document."""

    id: str
    kind: str
    places: tuple[str, ...] = ()
    by: tuple[str, ...] = ()
    where: Rule | None = None
    count: int = 0
    at: str = ""
