"""The assignment problem as whole numbers: places, holdings, edges, rules over several places. It knows nothing of coins.

The objective is lexicographic: each level is optimised in turn, and its value is kept while the next is optimised.

1. `pins`          the largest number of pinned edges selected
2. `required`      the largest number of required places filled
3. `places`        the largest number of places filled
4. `unknown`       the smallest number of tentative edges of basis UNKNOWN
5. `alternatives`  the smallest number of tentative edges of basis ALTERNATIVES
6. `prefer-0` ...  the smallest sum of `cost[i]` over the selected edges, for i = 0, 1, ...
7. `moved`         the largest number of `stays` edges selected
8. `order`         among equals: in order of places, each takes the first holding that still allows all of the above
                   (empty comes last)

A place takes at most one holding; a holding fills at most `quantity` places, with one piece each.

A key is *settled* for a holding when the facts leave one value for it. Each set-level rule holds over all selected edges
as far as their keys are settled (`EdgeKeys.settled`), and over the firm ones for every key that is possible
(`EdgeKeys.possible`). An edge of basis FIRM with an unsettled key under some rule is tentative exactly when counting it
as firm would break a rule in some world; with a wholly unknown key (`EdgeKeys.possible` is None) it is always tentative.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

from service.rules.constraints import ConstraintKind

LARGEST_COST = 2**60
"""The largest cost of an edge on a preference level."""


class Basis(IntEnum):
    """What a placement rests on: certain facts, declared alternatives, or facts that are not recorded. A FIRM edge may
    still become tentative because of an unsettled key (see the module)."""

    FIRM = 0
    ALTERNATIVES = 1
    UNKNOWN = 2


@dataclass(frozen=True, slots=True)
class Edge:
    """Holding `holding` may be placed in `place`. `cost` has one whole number from 0 to LARGEST_COST for each preference
    level; `stays`: the holding was there before; `pinned`: the owner wants it there."""

    place: int
    holding: int
    basis: Basis
    cost: tuple[int, ...] = ()
    stays: bool = False
    pinned: bool = False


@dataclass(frozen=True, slots=True)
class EdgeKeys:
    """The key of one holding under one rule. `possible` lists every key that it may have (None: wholly unknown, any key,
    including keys of no other holding); `basis` says why, when it is not settled. A rule `at_most ... where` has the one
    key 1 for a coin that fits and no key at all (an empty set) for one that does not; a coin that may fit has possible
    {1} with `settled` empty."""

    possible: frozenset[int] | None
    settled: frozenset[int]
    basis: Basis = Basis.FIRM


@dataclass(frozen=True, slots=True)
class SetRule:
    """A rule over several places. `keys` has an entry for every holding with an edge to one of `places` (for a kind that
    `looks_outside`: with any edge at all). `count` is for the kinds that have one. Unless the kind `counts_fitting`, a
    settled holding has exactly one key ("known to be none" is a key of its own). `among`: the places at which a kind that
    `looks_outside` looks (those of one set, where several are solved together); None: all."""

    name: str
    kind: ConstraintKind
    places: frozenset[int]
    keys: Mapping[int, EdgeKeys]
    count: int = 0
    among: frozenset[int] | None = None


@dataclass(frozen=True, slots=True)
class AssignmentProblem:
    """The whole input. `required` has one entry for each place, in the order of the document; `quantity` one for each
    holding, in the order of their ids: places and holdings are numbered by these positions."""

    required: tuple[bool, ...]
    quantity: tuple[int, ...]
    edges: tuple[Edge, ...]
    rules: tuple[SetRule, ...] = ()
    preference_levels: int = 0


@dataclass(frozen=True, slots=True)
class Level:
    """One level of the answer: its value, whether that is proven optimal, and the proven bound (equal to the value when
    proven). Both hold given the values of the levels before it. The last level, `order`, counts the places whose choice
    among equals is not proven to be the first: 0 when all is proven."""

    name: str
    value: int
    proven: bool
    bound: int


@dataclass(frozen=True, slots=True)
class Placement:
    """`holding` is placed in `place`. `basis` is FIRM for a filled place, else the reason why it is tentative. `forced`:
    every assignment as good as this one on the levels 1 to 7 has the same holding here."""

    place: int
    holding: int
    basis: Basis
    forced: bool


@dataclass(frozen=True, slots=True)
class Solution:
    """`placements` in order of places; `levels` in order: on `pins`, `required`, `places` and `moved` more is better, on
    the others less. `certain` is the largest number of places that firm edges alone can fill with every possible key
    counted; `certain_proven`: whether that is proven."""

    placements: tuple[Placement, ...]
    levels: tuple[Level, ...]
    certain: int
    certain_proven: bool

    @property
    def proven(self) -> bool:
        """Whether every level is proven optimal."""
        return all(level.proven for level in self.levels)
