"""Side constraints: what a set-level rule demands of edges, each of which puts one coin into one place.

Edges and keys are whole numbers here; nothing of coins. The assignment keeps `Limit`, `Exclusion` and `Support` beside its flow.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Limit:
    """No more than `count` of `edges` are selected (of the firm ones, when `firm_only`)."""

    edges: tuple[int, ...]
    count: int
    firm_only: bool


@dataclass(frozen=True, slots=True)
class Exclusion:
    """At most one of `groups` has a selected edge (a firm one, when `firm_only`)."""

    groups: tuple[tuple[int, ...], ...]
    firm_only: bool


@dataclass(frozen=True, slots=True)
class Support:
    """`edge` is selected only with one of `supporters`; `reading`: it is firm only with a firm one of them, or its doubt is
    no more than declared only with one of which that is so."""

    edge: int
    supporters: tuple[int, ...]
    reading: Literal["selected", "declared", "firm"]


SideConstraint = Limit | Exclusion | Support


@dataclass(frozen=True, slots=True)
class KeyedEdges:
    """The edges that a rule looks at, in one reading of their keys.

    `inside` and `outside` are the edges into its places and into others, by key; an edge may have several keys.
    `agreeing` gives the edges inside whose keys certainly agree, group by group.
    """

    inside: Mapping[int, tuple[int, ...]]
    outside: Mapping[int, tuple[int, ...]]
    agreeing: Callable[[], tuple[tuple[int, ...], ...]]
    firm_only: bool


def nothing_more(_edges: KeyedEdges, _count: int) -> Iterator[SideConstraint]:
    """No limit on keys."""
    return iter(())


def at_most_of_each_key(edges: KeyedEdges, count: int) -> Iterator[SideConstraint]:
    """No more than `count` edges share a key."""
    for group in edges.inside.values():
        yield Limit(group, count, edges.firm_only)


def one_of_each_key(edges: KeyedEdges, _: int) -> Iterator[SideConstraint]:
    """No two edges share a key."""
    return at_most_of_each_key(edges, 1)


def one_key_for_all(edges: KeyedEdges, _: int) -> Iterator[SideConstraint]:
    """All edges share one key."""
    yield Exclusion(edges.agreeing(), edges.firm_only)


def no_key_inside_and_outside(edges: KeyedEdges, _: int) -> Iterator[SideConstraint]:
    """No edge outside shares the key of one inside."""
    for key, group in edges.inside.items():
        yield Exclusion((group, edges.outside.get(key, ())), edges.firm_only)
