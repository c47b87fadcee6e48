"""The edges of an assignment problem as arrays, one entry for each edge: a hundred thousand coins have no object for each
place that they fit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import overload

import numpy as np
import numpy.typing as npt

from service.assignment.problem import Basis, Edge

Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_BASES = tuple(Basis)


@dataclass(frozen=True, eq=False)
class Edges(Sequence[Edge]):
    """The members of `problem.Edge`, each as an array of shape (edges,); `cost` has shape (levels, edges). As a sequence
    they are `Edge` objects, made when they are asked for."""

    place: Integers
    holding: Integers
    basis: npt.NDArray[np.int8]
    cost: Integers
    stays: Flags
    pinned: Flags
    to_check: Integers
    presumed: Flags

    @classmethod
    def of(cls, edges: Iterable[Edge], levels: int) -> Edges:
        """Edges that have a cost on each of so many levels."""
        if isinstance(edges, Edges):
            return edges
        every = list(edges)
        count = len(every)
        costs = np.fromiter((one for edge in every for one in edge.cost), np.int64, count * levels)
        return cls(
            place=np.fromiter((edge.place for edge in every), np.int64, count),
            holding=np.fromiter((edge.holding for edge in every), np.int64, count),
            basis=np.fromiter((edge.basis for edge in every), np.int8, count),
            cost=np.ascontiguousarray(costs.reshape(count, levels).T),
            stays=np.fromiter((edge.stays for edge in every), bool, count),
            pinned=np.fromiter((edge.pinned for edge in every), bool, count),
            to_check=np.fromiter((edge.to_check for edge in every), np.int64, count),
            presumed=np.fromiter((edge.presumed for edge in every), bool, count),
        )

    def __len__(self) -> int:
        return len(self.place)

    @overload
    def __getitem__(self, at: int) -> Edge: ...

    @overload
    def __getitem__(self, at: slice) -> Edges: ...

    def __getitem__(self, at: int | slice) -> Edge | Edges:
        if isinstance(at, slice):
            return self.at(at)
        return Edge(
            int(self.place[at]),
            int(self.holding[at]),
            _BASES[self.basis[at]],
            tuple(self.cost[:, at].tolist()),
            bool(self.stays[at]),
            bool(self.pinned[at]),
            int(self.to_check[at]),
            bool(self.presumed[at]),
        )

    def __iter__(self) -> Iterator[Edge]:
        columns = self.place, self.holding, self.basis, self.stays, self.pinned, self.to_check, self.presumed
        lists = [column.tolist() for column in columns]
        for cost, place, holding, basis, *others in zip(self.cost.T.tolist(), *lists, strict=True):
            stays, pinned, to_check, presumed = others
            yield Edge(place, holding, _BASES[basis], tuple(cost), stays, pinned, to_check, presumed)

    def __eq__(self, other: object) -> bool:
        return tuple(self) == tuple(other) if isinstance(other, Sequence) else NotImplemented

    __hash__ = None  # type: ignore[assignment]

    def at(self, chosen: slice | Integers | Flags) -> Edges:
        """Some of the edges, by position or by whether they are chosen."""
        return Edges(
            self.place[chosen],
            self.holding[chosen],
            self.basis[chosen],
            self.cost[:, chosen],
            self.stays[chosen],
            self.pinned[chosen],
            self.to_check[chosen],
            self.presumed[chosen],
        )

    @cached_property
    def is_ordered(self) -> bool:
        """Whether they are ordered by place, then holding."""
        step = np.diff(self.place)
        return bool((step >= 0).all() and (np.diff(self.holding)[step == 0] >= 0).all())

    def ordered(self) -> Edges:
        """The same by place, then holding."""
        return self if self.is_ordered else self.at(np.lexsort((self.holding, self.place)))

    def of_place(self, place: int) -> slice:
        """Where the edges of a place are; for ordered edges."""
        first, after = np.searchsorted(self.place, (place, place + 1))
        return slice(int(first), int(after))


@dataclass(frozen=True, eq=False)
class PlaceEdges(Mapping[int, Edge]):
    """The edges of one place by holding, ascending: the ordered `edges` at `there`."""

    edges: Edges
    there: slice

    def __len__(self) -> int:
        return int(self.there.stop - self.there.start)

    def __iter__(self) -> Iterator[int]:
        return iter(self.edges.holding[self.there].tolist())

    def __getitem__(self, holding: int) -> Edge:
        first: int = self.there.start
        at = first + int(np.searchsorted(self.edges.holding[self.there], holding))
        if at >= self.there.stop or self.edges.holding[at] != holding:
            raise KeyError(holding)
        return self.edges[at]
