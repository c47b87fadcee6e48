"""The coins that count in one evaluation, in the order of their ids: each with all that it may be, and columns of those that
are one thing only. Pure.

Whatever reads all coins reads `ids`, `quantity` and the columns; a coin by itself is `holdings[coin]` and `views[coin]`,
which may be made when they are asked for.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from service.evaluation.attribute_column import AttributeColumn, column_of
from service.evaluation.columns import Columns, of_views
from service.evaluation.views import bare
from service.facts.attributes import Attribute
from service.facts.holding import Holding, View
from service.rules.predicates import EvaluationContext


@dataclass(frozen=True)
class Coins:
    """`holdings` sorted by id; `views[coin]` is everything that the coin may be, at least one view. `known_clashing`: `clashing`,
    where that is known."""

    holdings: Sequence[Holding]
    views: Sequence[tuple[View, ...]]
    known_clashing: Sequence[int] | None = field(default=None, kw_only=True, repr=False)

    def __len__(self) -> int:
        return len(self.holdings)

    @cached_property
    def ids(self) -> Sequence[str]:
        """The id of every coin."""
        return [holding.id for holding in self.holdings]

    def position(self, identity: str) -> int | None:
        """The coin with this id."""
        at = bisect_left(self.ids, identity)
        return at if at < len(self) and self.ids[at] == identity else None

    @cached_property
    def numbers(self) -> Sequence[str | None]:
        """The owner's number of every coin."""
        return [holding.number for holding in self.holdings]

    @cached_property
    def quantity(self) -> npt.NDArray[np.int64]:
        """How many like pieces, shape (coins,)."""
        return np.fromiter((holding.quantity for holding in self.holdings), np.int64, len(self.holdings))

    @cached_property
    def single(self) -> npt.NDArray[np.int64]:
        """The coins that are one thing only, ascending: those that columns have a row for, in this order."""
        return np.flatnonzero(np.fromiter((len(seen) == 1 for seen in self.views), bool, len(self.views)))

    @cached_property
    def several(self) -> Sequence[int]:
        """The coins that may be several things, ascending."""
        found: list[int] = np.delete(np.arange(len(self)), self.single).tolist()
        return found

    @cached_property
    def row_of(self) -> Mapping[int, int]:
        """The row of every coin that is one thing only."""
        return dict(zip(self.single.tolist(), range(len(self.single)), strict=True))

    @cached_property
    def has_presumed(self) -> bool:
        """Whether anything is presumed of any coin."""
        return any(view.presumed for seen in self.views for view in seen)

    @cached_property
    def clashing(self) -> Sequence[int]:
        """The coins of which something recorded may contradict an issue (`Seen`), ascending: no others do."""
        return range(len(self)) if self.known_clashing is None else self.known_clashing

    def recorded_column(self, name: str) -> AttributeColumn:
        """What is recorded of an attribute, a row for each coin, without what its issue says or what is presumed."""
        return column_of(self.holdings, name)

    def columns(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> Columns:
        """Columns with a row for each of `single`; the same ones each time, with what was worked out on them."""
        key = id(attributes), id(context)
        if key not in self._columns_made:
            self._columns_made[key] = self._columns(attributes, context)
        return self._columns_made[key]

    @cached_property
    def _columns_made(self) -> dict[tuple[int, int], Columns]:
        # Columns hold what they are made of, so no other comes to have its identity.
        return {}

    def _columns(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> Columns:
        return of_views([self.views[coin][0] for coin in self.single.tolist()], attributes, context)

    def bare_columns(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> Columns | None:
        """The same without what is presumed; None where nothing is."""
        if not self.has_presumed:
            return None
        return of_views([bare(self.views[coin])[0] for coin in self.single.tolist()], attributes, context)
