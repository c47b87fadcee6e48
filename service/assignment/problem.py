"""The assignment as whole numbers: places, holdings, edges, rules over several places. Pure; nothing of coins in it.

What is asked, in strict order (each level is optimised, its value kept, then the next):

1. `pins`          as many of the pinned edges taken as can be
2. `required`      as many required places filled as can be
3. `places`        as many places filled as can be
4. `unknown`       as few tentative edges of basis UNKNOWN taken as can be
5. `alternatives`  as few tentative edges of basis ALTERNATIVES taken as can be
6. `prefer-0` ...  the least sum of `cost[i]` over the taken edges, i = 0, 1, ...
7. `moved`         as many `stays` edges taken as can be
8. `order`         places in order, each with the first holding in order that still allows the above (empty is last)

One place takes at most one holding; a holding takes at most `quantity` places, at most one piece to a place.

An edge is *settled* when its verdict is yes. Each set-level rule holds over all that is taken for what is *settled* of
the keys (`Keys.settled`), and over the part that is not tentative for every key that may be (`Keys.possible`). An edge
whose verdict is yes but whose keys are unsettled in some rule is tentative exactly when counting it as firm would break
a rule in some world; an edge with a wholly unknown key (`Keys.possible is None`) under a rule is always tentative.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, IntEnum

LARGEST_COST = 2**60


class Basis(IntEnum):
    """What a placement rests on. FIRM edges may still be made tentative by an unsettled key (see the module)."""

    FIRM = 0
    ALTERNATIVES = 1
    UNKNOWN = 2


@dataclass(frozen=True, slots=True)
class Edge:
    """Holding `holding` may sit in place `place`; `cost` has one non-negative number a preference level."""

    place: int
    holding: int
    basis: Basis
    cost: tuple[int, ...] = ()
    stays: bool = False
    pinned: bool = False


class SetRuleKind(Enum):
    """SAME and DIFFERENT: all coins of `places` share, or pairwise differ in, the key. AT_MOST: no more than `count` coins
    share a key. NOT_ELSEWHERE: no coin outside `places` shares the key of one inside."""

    SAME = "same"
    DIFFERENT = "different"
    AT_MOST = "at_most"
    NOT_ELSEWHERE = "not_elsewhere"


@dataclass(frozen=True, slots=True)
class EdgeKeys:
    """The key of one holding under one rule: `possible` lists every key that it may have (None: wholly unknown, any key,
    ones that nobody else shows too); `basis` says why, when it is not settled. An `at_most ... where` rule has the one key 1
    for a coin that fits and no key at all (an empty set) for one that does not; a coin that may fit has possible {1} with
    `settled` empty."""

    possible: frozenset[int] | None
    settled: frozenset[int]
    basis: Basis = Basis.FIRM


@dataclass(frozen=True, slots=True)
class SetRule:
    """A rule over several places. `keys` maps every holding that has an edge to one of `places` (for NOT_ELSEWHERE: any
    edge at all) to its keys. `count` is used by AT_MOST only. For SAME, DIFFERENT and NOT_ELSEWHERE a settled holding has
    exactly one key; one whose key does not exist cannot occur (known to be none is a key of its own). `among`: the places
    that NOT_ELSEWHERE looks at (those of one set, where several are solved together); None: all."""

    name: str
    kind: SetRuleKind
    places: frozenset[int]
    keys: Mapping[int, EdgeKeys]
    count: int = 0
    among: frozenset[int] | None = None


@dataclass(frozen=True, slots=True)
class AssignmentProblem:
    """A whole instance. Holdings are numbered in the order of their ids, places in the order of the document."""

    required: tuple[bool, ...]
    quantity: tuple[int, ...]
    edges: tuple[Edge, ...]
    rules: tuple[SetRule, ...] = ()
    preference_levels: int = 0


@dataclass(frozen=True, slots=True)
class Level:
    """One level of the answer: its value, whether that is proven best, and the bound that was proven (equal when proven).
    Both hold given the values of the levels before it. The last level, `order`, counts the places whose choice among
    equals is not proven to be the first: 0 when all is proven."""

    name: str
    value: int
    proven: bool
    bound: int


@dataclass(frozen=True, slots=True)
class Placement:
    """`holding` sits in `place`; `basis` is FIRM for a filled place, else why it is tentative. `forced`: in every assignment
    as good as this one on the levels 1 to 7 the same holding sits here."""

    place: int
    holding: int
    basis: Basis
    forced: bool


@dataclass(frozen=True, slots=True)
class Solution:
    """`placements` by place; `levels` in order, whole numbers where smaller is better except where the name counts filled
    places (pins, required, places, moved count what is wanted, so more is better). `certain` is the most places that firm
    edges alone can fill with every possible key counted; `certain_proven` whether that is proven."""

    placements: tuple[Placement, ...]
    levels: tuple[Level, ...]
    certain: int
    certain_proven: bool
    proven: bool = field(default=True)
