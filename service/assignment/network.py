"""The part of a problem that no set-level rule reaches, as arrays: a flow network, with what each edge loses on each level.

All levels of a component are packed into whole numbers below 2^50, which doubles hold exactly: in one *stage* where they fit,
else in several, each decided among the optima of those before it. Over the whole set they would seldom fit, so each
component has weights of its own (`service.assignment.levels`: a weight exceeds all that later levels of its stage can make
up).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.disjoint_sets import DisjointSets
from service.assignment.edges import Edges, Flags, Integers
from service.assignment.problem import AssignmentProblem, Basis, GroupPin

LARGE = 2_000
"""From this number of edges on scipy's functions on graphs are used; they take some 0.1 s to load."""
ROOM = 2**50
"""What the losses of a stage may add up to."""

Losses = npt.NDArray[np.int64] | int
"""What each edge loses on a level, shape (edges,), or all of them alike."""


@dataclass(frozen=True)
class Network:
    """`edges` are ordered, and all have a piece. A *row* is a place with edges: `places[row]` is its number, `start[row]` its
    first edge, `row[edge]` the row of an edge; `component[row]` is a number that places share which hang together.
    `losses[level]`, less is better: an empty place loses nothing. `pieces[holding]` is how many there are, `quantity` the
    same as an array."""

    edges: Edges
    pieces: Sequence[int]
    quantity: Integers
    losses: tuple[Losses, ...]
    alike: tuple[frozenset[int], ...] = ()

    @cached_property
    def start(self) -> Integers:
        return np.flatnonzero(np.diff(self.edges.place, prepend=-1))

    @cached_property
    def places(self) -> Integers:
        return self.edges.place[self.start]

    @cached_property
    def sizes(self) -> Integers:
        """How many edges each row has."""
        return np.diff(self.start, append=len(self.edges))

    @cached_property
    def row(self) -> Integers:
        return np.repeat(np.arange(len(self.start)), self.sizes)

    @cached_property
    def component(self) -> Integers:
        return components_of(self.edges, self.start, self.row, self.alike)

    def total(self, level: int, chosen: Integers) -> int:
        """What these edges lose together."""
        losses = self.losses[level]
        return losses * len(chosen) if isinstance(losses, int) else sum(losses[chosen].tolist())

    def at_edges(self, by_row: npt.NDArray[Any], chosen: Integers | None = None) -> npt.NDArray[Any]:
        """For the chosen edges, or all, what their rows have."""
        return np.repeat(by_row, self.sizes) if chosen is None else by_row[self.row[chosen]]


def components_of(edges: Edges, start: Integers, row: Integers, alike: Sequence[frozenset[int]]) -> Integers:
    """A number from 0 for each row, the same for those that share holdings or are alike, directly or over others."""
    rows = len(start)
    row_of = {place: at for at, place in enumerate(edges.place[start].tolist())} if alike else {}
    bonds: list[tuple[int, int]] = []
    for group in alike:
        leader, *followers = sorted(row_of[place] for place in group if place in row_of) or [0]
        bonds.extend((leader, follower) for follower in followers)
    if len(edges) >= LARGE:
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import connected_components

        present = np.zeros(int(edges.holding.max(initial=-1)) + 1, bool)
        present[edges.holding] = True
        number = np.cumsum(present) + (rows - 1)
        joined = np.array(bonds, np.int64).reshape(-1, 2)
        ends = np.concatenate((row, joined[:, 0])), np.concatenate((number[edges.holding], joined[:, 1]))
        count = rows + int(present.sum())
        graph = csr_array((np.ones(len(ends[0]), np.int8), ends), shape=(count, count))
        found = connected_components(graph, directed=False)[1][:rows].astype(np.int64)
    else:
        found = np.array(_joined(rows, edges.holding.tolist(), row.tolist(), bonds), np.int64)
    # Numbered by their first rows, whatever way they were found.
    _, first, number = np.unique(found, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[number.reshape(-1)]


def by_component(component: Integers, rows: Integers) -> Iterator[list[int]]:
    """The rows, ascending, of each component that has some of them."""
    order = rows[np.argsort(component[rows], kind="stable")]
    parts = np.split(order, np.flatnonzero(np.diff(component[order])) + 1)
    return (part.tolist() for part in parts if len(part))


def _joined(rows: int, holdings: Sequence[int], row_of: Sequence[int], bonds: Sequence[tuple[int, int]]) -> list[int]:
    groups = DisjointSets(rows)
    first: dict[int, int] = {}
    for holding, row in zip(holdings, row_of, strict=True):
        groups.join(row, first.setdefault(holding, row))
    for one, other in bonds:
        groups.join(one, other)
    return [groups.leader(row) for row in range(rows)]


# --- what edges lose ------------------------------------------------------------------------------------------------


def pins_of(edges: Edges, group_pins: Sequence[GroupPin]) -> Losses:
    """The level `pins`: -1 for the pin of an edge, and for each pin to a group that it honours."""
    losses = -edges.pinned.astype(np.int64)
    for pin in group_pins:
        here = np.flatnonzero(edges.holding == pin.holding)
        losses[[n for n in here.tolist() if int(edges.place[n]) in pin.places]] -= 1
    return losses if losses.any() else 0


def all_losses(problem: AssignmentProblem, edges: Edges) -> Mapping[str, Losses]:
    """Every level of `service.assignment.problem` but `order`, for firm edges as firm and others as tentative."""
    required = np.array(problem.required, bool)[edges.place]
    doubt, tentative = edges.basis, edges.basis != Basis.FIRM
    return {
        "pins": pins_of(edges, problem.group_pins),
        "required": -1 if required.all() else -required.astype(np.int64),
        "places": -1,
        "unknown": _counted((doubt == Basis.UNKNOWN) | (doubt == Basis.REFERENCE)),
        "alternatives": _counted(doubt == Basis.ALTERNATIVES),
        "to_check": _counted(np.where(tentative, edges.to_check, 0)),
        "presumed": _counted(edges.presumed & ~tentative),
        "shortfall": 0,
        **{f"prefer-{level + 1}": _counted(edges.cost[level]) for level in range(problem.preference_levels)},
        "moved": _counted(edges.stays, -1),
    }


def _counted(each: npt.NDArray[np.generic], sign: int = 1) -> Losses:
    return each.astype(np.int64) * sign if each.any() else 0


# --- stages ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stage:
    """Some consecutive levels of each component that has any left: `weights[level, component]`, 0 for those of other
    stages. `is_wide`: one level by itself adds up to more than ROOM somewhere, so that only Python's integers are exact."""

    weights: Integers
    has_levels: Flags
    is_wide: bool


def stages_of(network: Network) -> Iterator[Stage]:
    """The levels in order, in as few stages as ROOM allows. A level on which nothing differs is left out, and so is `places`
    where all places of a component have one tier: then it repeats another level."""
    component, count = network.component, int(network.component.max(initial=-1)) + 1
    spreads = np.array([_spread(network, losses, component, count) for losses in network.losses]).reshape(-1, count)
    _drop_repeated(network, spreads)
    stage, size = np.zeros(count, np.int64), np.ones(count)
    stage_of = np.full(spreads.shape, -1)
    for level, spread in enumerate(spreads):
        differs = spread > 0
        begins = differs & (size > 1) & (size * (spread + 1) > ROOM)
        stage[begins] += 1
        size = np.where(differs, np.where(begins, 1, size) * (spread + 1), size)
        stage_of[level, differs] = stage[differs]
    for number in range(int(stage_of.max(initial=-1)) + 1):
        own = stage_of == number
        weights, weight = np.zeros(spreads.shape, np.int64), np.ones(count)
        for level in reversed(range(len(spreads))):
            weights[level, own[level]] = weight[own[level]]
            weight = np.where(own[level], np.minimum(weight * (spreads[level] + 1), 2.0**62), weight)
        yield Stage(weights, own.any(axis=0), bool((spreads[own] >= ROOM).any()))


def _spread(network: Network, losses: Losses, component: Integers, count: int) -> npt.NDArray[np.float64]:
    """The most by which the losses of all places of each component can differ; exact up to 2^53."""
    if isinstance(losses, int):
        return np.bincount(component, minlength=count).astype(np.float64) * abs(losses)
    least = np.minimum(np.minimum.reduceat(losses, network.start), 0)
    most = np.maximum(np.maximum.reduceat(losses, network.start), 0)
    return np.bincount(component, (most - least).astype(np.float64), minlength=count).astype(np.float64)


def _drop_repeated(network: Network, spreads: npt.NDArray[np.float64]) -> None:
    """A level that is -1 throughout a component repeats an earlier one that is."""
    rows = np.bincount(network.component, minlength=spreads.shape[1])
    counted = np.zeros(spreads.shape[1], bool)
    for level, losses in enumerate(network.losses):
        if isinstance(losses, int):
            here = np.full(spreads.shape[1], losses == -1)
        elif int(losses.min(initial=0)) < -1 or not losses.any():
            continue
        else:
            all_lose = np.logical_and.reduceat(losses == -1, network.start)
            here = np.bincount(network.component, all_lose, minlength=spreads.shape[1]) == rows
        spreads[level, here & counted] = 0
        counted |= here


def packed(network: Network, stage: Stage, chosen: Integers | None) -> Integers:
    """What the chosen edges, or all, lose in the stage, as one number; exact Python integers where the stage is wide."""
    total: Integers = np.zeros(
        len(network.edges) if chosen is None else len(chosen), object if stage.is_wide else np.int64
    )
    for losses, weights in zip(network.losses, stage.weights, strict=True):
        if isinstance(losses, int) and (losses == 0 or not weights.any()):
            continue
        weight: Any = int(weights[0])
        if (weights != weight).any():
            weight = network.at_edges(weights[network.component], chosen)
        elif weight == 0:
            continue
        own = losses if chosen is None or isinstance(losses, int) else losses[chosen]
        total += own * weight
    return total
