"""The edges of an assignment problem as arrays, one entry for each edge: a hundred thousand coins have no object for each
place that they fit."""

from __future__ import annotations

from collections.abc import ItemsView, Iterable, Iterator, Mapping, Sequence, ValuesView
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from operator import attrgetter
from typing import Any, overload

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
        every = edges if isinstance(edges, Sequence) else list(edges)

        count = len(every)

        def column(name: str, kind: type[np.generic]) -> npt.NDArray[Any]:
            return np.fromiter(map(attrgetter(name), every), kind, count)

        costs = list(map(attrgetter("cost"), every))
        if not {levels}.issuperset(map(len, costs)):
            raise ValueError(f"an edge has not {levels} costs")
        cost = np.fromiter(chain.from_iterable(costs), np.int64, count * levels)
        return cls(
            place=column("place", np.int64),
            holding=column("holding", np.int64),
            basis=column("basis", np.int8),
            cost=np.ascontiguousarray(cost.reshape(count, levels).T),
            stays=column("stays", np.bool_),
            pinned=column("pinned", np.bool_),
            to_check=column("to_check", np.int64),
            presumed=column("presumed", np.bool_),
        )

    def __len__(self) -> int:
        return len(self.place)

    @property
    def nbytes(self) -> int:
        """The bytes of the arrays."""
        flags = self.basis.nbytes + self.stays.nbytes + self.pinned.nbytes + self.presumed.nbytes
        return self.place.nbytes + self.holding.nbytes + self.cost.nbytes + self.to_check.nbytes + flags

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
        if not isinstance(chosen, slice) and chosen.dtype == np.bool_:
            chosen = np.flatnonzero(chosen)
        return Edges(
            self.place[chosen],
            self.holding[chosen],
            self.basis[chosen],
            self.cost[:, chosen] if isinstance(chosen, slice) else np.take(self.cost, chosen, axis=1),
            self.stays[chosen],
            self.pinned[chosen],
            self.to_check[chosen],
            self.presumed[chosen],
        )

    def plain(self) -> Edges:
        """The same as firm edges that cost nothing; pins stay."""
        count = len(self)
        return Edges(
            self.place,
            self.holding,
            np.zeros(count, np.int8),
            np.zeros((0, count), np.int64),
            np.zeros(count, bool),
            self.pinned,
            np.zeros(count, np.int64),
            np.zeros(count, bool),
        )

    def positions(self, pairs: Iterable[tuple[int, int]]) -> list[int]:
        """Where the edges of these pairs (place, holding) are, as far as there are any; for ordered edges."""
        found = []
        for place, holding in pairs:
            there = self.of_place(place)
            at = there.start + int(np.searchsorted(self.holding[there], holding))
            if at < there.stop and self.holding[at] == holding:
                found.append(at)
        return found

    @cached_property
    def first_of_place(self) -> Integers:
        """Where the edges of each place begin, up to the last that has any, and where they end; for ordered edges."""
        after_last = int(self.place[-1]) + 1 if len(self) else 0
        return np.searchsorted(self.place, np.arange(after_last + 1))

    @cached_property
    def is_ordered(self) -> bool:
        """Whether they are ordered by place, then holding, and none is there twice."""
        place, before = self.place[1:], self.place[:-1]
        return bool(((place > before) | ((place == before) & (self.holding[1:] > self.holding[:-1]))).all())

    def ordered(self) -> Edges:
        """The same by place, then holding."""
        return self if self.is_ordered else self.at(self._order())

    def _order(self) -> Integers:
        count, span = len(self), int(self.holding.max()) + 1
        bits = count.bit_length()
        if min(int(self.place.min()), int(self.holding.min())) < 0 or int(self.place.max() + 1) * span >> (63 - bits):
            return np.lexsort((self.holding, self.place))
        # Sorting numbers that have their position in them takes a fifth of the time.
        return np.sort((self.place * span + self.holding << bits) | np.arange(count)) & ((1 << bits) - 1)

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

    def items(self) -> ItemsView[int, Edge]:
        return _Items(self)

    def values(self) -> ValuesView[Edge]:
        return _Values(self)

    def __getitem__(self, holding: int) -> Edge:
        first: int = self.there.start
        at = first + int(np.searchsorted(self.edges.holding[self.there], holding))
        if at >= self.there.stop or self.edges.holding[at] != holding:
            raise KeyError(holding)
        return self.edges[at]


class _Items(ItemsView[int, Edge]):
    _mapping: PlaceEdges

    def __iter__(self) -> Iterator[tuple[int, Edge]]:
        return ((edge.holding, edge) for edge in self._mapping.edges.at(self._mapping.there))


class _Values(ValuesView[Edge]):
    _mapping: PlaceEdges

    def __iter__(self) -> Iterator[Edge]:
        return iter(self._mapping.edges.at(self._mapping.there))


def joined(parts: Sequence[Edges], levels: int) -> Edges:
    """The edges of all parts, which have a cost on each of so many levels, one part after the other."""
    every = parts or [Edges.of((), levels)]
    return Edges(
        np.concatenate([part.place for part in every]),
        np.concatenate([part.holding for part in every]),
        np.concatenate([part.basis for part in every]),
        np.concatenate([part.cost for part in every], axis=1),
        np.concatenate([part.stays for part in every]),
        np.concatenate([part.pinned for part in every]),
        np.concatenate([part.to_check for part in every]),
        np.concatenate([part.presumed for part in every]),
    )
