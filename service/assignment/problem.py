"""The assignment problem as whole numbers: places, holdings, edges, rules over several places. It knows nothing of coins.

The objective is lexicographic: each level is optimised in turn, and its value is kept while the next is optimised.

1. `pins`          the largest number of pins honoured
2. `required`      the largest number of required places filled
3. `places`        the largest number of places filled
4. `unknown`       the smallest number of tentative placements of basis UNKNOWN or REFERENCE
5. `alternatives`  the smallest number of tentative placements of basis ALTERNATIVES
6. `to_check`      the smallest sum of facts to look up over the tentative placements
7. `presumed`      the smallest number of firm placements that rest on presumptions
8. `shortfall`     the smallest sum of what the goals lack
9. `prefer-1` ...  the smallest sum of `cost[i]` over the selected edges, for i = 0, 1, ...
10. `moved`        the largest number of `stays` edges selected
11. `order`        among equals: in order of places, each takes the first holding that still allows all of the above
                   (empty comes last)

A place takes at most one holding; a holding fills at most `quantity` places, with one piece each.

A key is *settled* for a holding when the facts leave one value for it. Each set-level rule holds over all selected edges
as far as their keys are settled (`EdgeKeys.settled`), and over the firm ones for every key that is possible
(`EdgeKeys.possible`). An edge of basis FIRM with an unsettled key under some rule is tentative exactly when counting it
as firm would break a rule in some world; with a wholly unknown key (`EdgeKeys.possible` is None) it is always tentative.
A tentative placement has its own basis, else the strongest among the rules under which its key is unsettled (REFERENCE only
where it is that under all of them).

A rule that `binds_one` place asks of the holding there that it shares a key with a holding in `places` (which the rule
does not bind): without a placement that may share it the place stays empty; the placement there is firm only where a firm
one surely shares its key, else its basis is that of the least doubtful match, the stronger of the other placement's and of
the keys'. A rule that `is_goal` keeps nothing out: it lacks `count` less the firm placements in `places` that surely have
the key 1.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum

from service.rules.constraints import ConstraintKind

LARGEST_COST = 2**60
"""The largest cost of an edge on a preference level."""


class Basis(IntEnum):
    """What a placement rests on: certain facts, declared alternatives, facts that are not recorded, or vocabularies that do
    not say enough of what is recorded. A FIRM edge may still become tentative because of an unsettled key (see the
    module)."""

    FIRM = 0
    ALTERNATIVES = 1
    UNKNOWN = 2
    REFERENCE = 3

    @property
    def counted(self) -> Basis:
        """The basis as which the levels count it: REFERENCE as UNKNOWN."""
        return Basis.UNKNOWN if self is Basis.REFERENCE else self


def together(bases: Iterable[Basis]) -> Basis:
    """What a doubt for several reasons rests on: the strongest, REFERENCE only where there is no other."""
    found = set(bases)
    return max(found - {Basis.REFERENCE} or found, default=Basis.FIRM)


@dataclass(frozen=True, slots=True)
class Edge:
    """Holding `holding` may be placed in `place`. `cost` has one whole number from 0 to LARGEST_COST for each preference
    level; `stays`: the holding was there before; `pinned`: the owner wants it there. `to_check` is the number of facts to
    look up for an edge that is tentative by itself; `presumed`: it would not be firm without presumptions."""

    place: int
    holding: int
    basis: Basis
    cost: tuple[int, ...] = ()
    stays: bool = False
    pinned: bool = False
    to_check: int = 0
    presumed: bool = False


@dataclass(frozen=True, slots=True)
class EdgeKeys:
    """The key of one holding under one rule. `possible` lists every key that it may have (None: wholly unknown, any key,
    including keys of no other holding); `basis` says why, when it is not settled. A rule `at_most ... where` has the one
    key 1 for a coin that fits and no key at all (an empty set) for one that does not; a coin that may fit has possible
    {1} with `settled` empty. `to_check` are the facts that leave it unsettled, each by a number that all rules share."""

    possible: frozenset[int] | None
    settled: frozenset[int]
    basis: Basis = Basis.FIRM
    to_check: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class SetRule:
    """A rule over several places. `keys` has an entry for every holding with an edge to one of `places` (for a kind that
    `looks_outside`: with any edge at all). `count` is for the kinds that have one. Unless the kind `counts_fitting`, a
    settled holding has exactly one key ("known to be none" is a key of its own). `among`: the places at which a kind that
    `looks_outside` looks (those of one set, where several are solved together); None: all. `bound` is the place of a kind
    that `binds_one`; the holdings there have keys as well."""

    name: str
    kind: ConstraintKind
    places: frozenset[int]
    keys: Mapping[int, EdgeKeys]
    count: int = 0
    among: frozenset[int] | None = None
    bound: int | None = None

    def covers(self, place: int) -> bool:
        """Whether the rule looks at the place: at its own places, and for a kind that `looks_outside` at those outside as
        well; for one that `binds_one` at that place too."""
        if place == self.bound or place in self.places:
            return True
        return self.kind.looks_outside and (self.among is None or place in self.among)


@dataclass(frozen=True, slots=True)
class GroupPin:
    """The owner wants the holding in any of these places: one pin, honoured by at least one piece there."""

    holding: int
    places: frozenset[int]


@dataclass(frozen=True, slots=True)
class AssignmentProblem:
    """The whole input. `edges` may be `service.assignment.edges.Edges`, arrays without an object for each. `required` has
    one entry for each place, in the order of the document; `quantity` one for each holding, in the order of their ids:
    places and holdings are numbered by these positions. `alike` are disjoint groups of places that count as one where it is
    asked whether a holding must be there; every other place stands for itself."""

    required: tuple[bool, ...]
    quantity: tuple[int, ...]
    edges: Sequence[Edge]
    rules: tuple[SetRule, ...] = ()
    preference_levels: int = 0
    group_pins: tuple[GroupPin, ...] = ()
    alike: tuple[frozenset[int], ...] = ()


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
    every assignment as good as this one on all levels but `order` has the same holding here, or where places are alike
    somewhere among them. `instead` are up to five holdings, ascending, in none of the like places, each of which is there
    in some assignment as good without this one; `instead_proven`: whether fewer than five are all that there are, and none
    before the last is left out. Neither is told of a tentative placement."""

    place: int
    holding: int
    basis: Basis
    forced: bool
    instead: tuple[int, ...] = ()
    instead_proven: bool = True


@dataclass(frozen=True, slots=True)
class Solution:
    """`placements` in order of places; `levels` in order: on `pins`, `required`, `places` and `moved` more is better, on
    the others less. Under the pins that are honoured `certain` is the largest number of firm placements of any assignment,
    `possible` that of all placements, whatever the tier; each with whether that is proven (else it is a lower bound)."""

    placements: tuple[Placement, ...]
    levels: tuple[Level, ...]
    certain: int
    certain_proven: bool
    possible: int
    possible_proven: bool

    @property
    def proven(self) -> bool:
        """Whether every level is proven optimal."""
        return all(level.proven for level in self.levels)
