"""The part of a problem that no set-level rule reaches, as arrays: a flow network, with what each edge loses on each level.

All levels are packed into whole numbers (`service.assignment.levels`: a weight exceeds all that later levels can make up): in one
*stage* where they fit, else in several, each decided among the optima of those before it.
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
Losses = npt.NDArray[np.signedinteger[Any]] | int
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
        return self.edges.first_of_place[self.places]

    @cached_property
    def places(self) -> Integers:
        return np.flatnonzero(np.diff(self.edges.first_of_place))

    @cached_property
    def sizes(self) -> Integers:
        """How many edges each row has."""
        return np.diff(self.start, append=len(self.edges))

    @cached_property
    def row(self) -> Integers:
        return np.repeat(np.arange(len(self.start)), self.sizes)

    @cached_property
    def component(self) -> Integers:
        return components_of(len(self.start), self.row, self.edges.holding, self.bonds)

    @cached_property
    def alike_rows(self) -> list[list[int]]:
        """Of each group of like places that has several rows, those."""
        row_of = {place: at for at, place in enumerate(self.places.tolist())} if self.alike else {}
        groups = [sorted(row_of[place] for place in group if place in row_of) for group in self.alike]
        return [group for group in groups if len(group) > 1]

    @property
    def bonds(self) -> list[tuple[int, int]]:
        """Pairs of rows that join those which are alike."""
        return [(group[0], other) for group in self.alike_rows for other in group[1:]]

    @cached_property
    def ranges(self) -> list[tuple[int, int]]:
        """By level the least and the most that an edge, or an empty place, loses."""
        found = []
        for losses in self.losses:
            low, high = (losses, losses) if isinstance(losses, int) else (losses.min(initial=0), losses.max(initial=0))
            found.append((min(int(low), 0), max(int(high), 0)))
        return found

    def is_alike(self, level: int) -> bool:
        """Whether all edges lose the same on the level."""
        losses = self.losses[level]
        return isinstance(losses, int) or bool((losses == losses[0]).all())

    def total(self, level: int, chosen: Integers) -> int:
        """What these edges lose together."""
        losses = self.losses[level]
        return losses * len(chosen) if isinstance(losses, int) else sum(losses[chosen].tolist())

    def at_edges(self, by_row: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """For each edge what its row has."""
        return np.repeat(by_row, self.sizes)


def load_graphs() -> None:
    """Imports scipy's graphs now."""
    import scipy.sparse.csgraph  # noqa: F401


def components_of(rows: int, row: Integers, holding: Integers, bonds: Sequence[tuple[int, int]] = ()) -> Integers:
    """A number from 0 for each of so many rows, the same for those that share holdings or are bound, directly or over others.
    `row` and `holding` have an entry for each pair."""
    if len(row) >= LARGE:
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import connected_components

        present = np.zeros(int(holding.max(initial=-1)) + 1, bool)
        present[holding] = True
        number = np.cumsum(present) + (rows - 1)
        joined = np.array(bonds, np.int64).reshape(-1, 2)
        ends = np.concatenate((row, joined[:, 0])), np.concatenate((number[holding], joined[:, 1]))
        count = rows + int(present.sum())
        graph = csr_array((np.ones(len(ends[0]), np.int8), ends), shape=(count, count))
        found = connected_components(graph, directed=False)[1][:rows].astype(np.int64)
    else:
        found = np.array(_joined(rows, holding.tolist(), row.tolist(), bonds), np.int64)
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
    if not group_pins and not edges.pinned.any():
        return 0
    losses = -edges.pinned.astype(np.int64)
    for pin in group_pins:
        here = np.flatnonzero(edges.holding == pin.holding)
        losses[[n for n in here.tolist() if int(edges.place[n]) in pin.places]] -= 1
    return losses if losses.any() else 0


def all_losses(problem: AssignmentProblem, edges: Edges) -> Mapping[str, Losses]:
    """Every level of `service.assignment.problem` but `order`, for firm edges as firm and others as tentative."""
    doubt = edges.basis
    has_doubts = bool(doubt.any())
    tentative = doubt != Basis.FIRM
    return {
        "pins": pins_of(edges, problem.group_pins),
        "required": -1 if all(problem.required) else -np.array(problem.required, np.int8)[edges.place],
        "places": -1,
        "unknown": _counted((doubt == Basis.UNKNOWN) | (doubt == Basis.REFERENCE)) if has_doubts else 0,
        "alternatives": _counted(doubt == Basis.ALTERNATIVES) if has_doubts else 0,
        "to_check": edges.to_check * tentative if has_doubts and edges.to_check.any() else 0,
        "presumed": _counted(edges.presumed & ~tentative) if edges.presumed.any() else 0,
        "shortfall": 0,
        **{f"prefer-{level + 1}": edges.cost[level] for level in range(problem.preference_levels)},
        "moved": _counted(edges.stays, -1),
    }


def _counted(each: Flags, sign: int = 1) -> Losses:
    return each.view(np.int8) * np.int8(sign) if each.any() else 0


# --- stages ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stage:
    """Some consecutive levels, each by its number with its weight. `is_wide`: it is one level that by itself adds up to more than
    there is room, so that only Python's integers are exact."""

    weights: tuple[tuple[int, int], ...]
    is_wide: bool


def stages_of(network: Network, room: int) -> list[Stage]:
    """The levels in order, in as few stages as the `room` allows: what the losses of a stage may add up to. A level on which
    nothing differs is left out, and so is one that is -1 throughout where an earlier one is: it repeats that."""
    rows = len(network.start)
    stages: list[list[tuple[int, int]]] = [[]]
    size, counts_all = 1, False
    for level, (least, most) in enumerate(network.ranges):
        spread = rows * (most - least)
        if least == -1 and most == 0 and network.is_alike(level):
            spread, counts_all = 0 if counts_all else spread, True
        if spread == 0:
            continue
        if stages[-1] and size * (spread + 1) > room:
            stages.append([])
            size = 1
        stages[-1].append((level, spread))
        size *= spread + 1
    return [_weighed(stage, room) for stage in stages if stage]


def _weighed(stage: Sequence[tuple[int, int]], room: int) -> Stage:
    found: list[tuple[int, int]] = []
    weight = 1
    for level, spread in reversed(stage):
        found.append((level, weight))
        weight *= spread + 1
    return Stage(tuple(found), weight > room)


def packed(network: Network, stage: Stage, chosen: Integers | None) -> Integers:
    """What the chosen edges, or all, lose in the stage, as one number; exact Python integers where the stage is wide."""
    kind: Any = object if stage.is_wide else np.int64
    count = len(network.edges) if chosen is None else len(chosen)
    total: Integers = np.zeros(count, kind)
    weighed: Integers = np.empty(count, kind)
    of_all = 0
    for level, weight in stage.weights:
        losses = network.losses[level]
        if isinstance(losses, int):
            of_all += losses * weight
            continue
        losses = losses if chosen is None else losses[chosen]
        if losses.dtype == np.int8:
            # Of what is counted most edges have nothing.
            some = np.flatnonzero(losses.view(np.bool_))
            total[some] += losses[some].astype(kind) * weight
        else:
            np.multiply(losses, weight, out=weighed, dtype=kind)
            total += weighed
    total += of_all
    return total
