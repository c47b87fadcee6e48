"""What each member brings to a search for swaps, and what comes out of it. Pure."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from service.assignment.problem import Level
from service.progress.description import Describer

CoinsByOwner = tuple[tuple[str, str], ...]
"""Coins by (owner, holding id); one that comes in several pieces stands there as often."""
Tell = Callable[[str, str], Mapping[str, Any]]
"""What the sides of a swap are told of a coin, by owner and holding id: {"label", "issue", "grade"}."""


@dataclass(frozen=True)
class Side:
    """A consenting member's set, and what of it may be swapped.

    `places` are (address, label, status) in the order of the document, `spares` (holding id, pieces, places that it fits, a
    free choice by its group or place by place): both as the evaluation has them. `most` says of coins how many pieces
    may be given at most, because of other sets or accepted swaps; `expected` are places that accepted swaps will fill.
    """

    owner: str
    places: Sequence[Sequence[Any]]
    spares: Sequence[Sequence[Any]]
    most: Mapping[str, int] = field(default_factory=dict)
    expected: frozenset[str] = frozenset()


class SwapCheck(Protocol):
    """Whether sets hold with what is given and taken."""

    def holds(self, owner: str, gone: CoinsByOwner, come: CoinsByOwner) -> bool:
        """Whether the member's set keeps what it has and fills a place for each coin that comes, when these are gone."""

    def alike(self, owner: str, holding: str) -> Hashable:
        """Equal for coins of which the same is known."""


# Stands in a proposal for a side whose account was deleted: nothing of that side is kept, not even its id.
NOBODY = "00000000-0000-0000-0000-000000000000"
_COIN_OF_NOBODY = {"label": "a coin of an account that was deleted", "issue": None, "grade": None}


@dataclass(frozen=True, slots=True)
class Leg:
    """One coin from one member to another, for a place of his. `coin` is all that is told of it: {"label", "issue",
    "grade"}. `pieces` is how many of the holding its owner can spare."""

    giver: str
    holding: str
    receiver: str
    place: str
    place_label: str
    coin: Mapping[str, Any]
    pieces: int = 1

    def without(self, owner: str) -> Leg:
        """The leg with nothing of the owner in it: neither a coin that he gives, nor a place that he would fill."""
        leg = self
        if leg.giver == owner:
            leg = replace(leg, giver=NOBODY, holding=NOBODY, coin=_COIN_OF_NOBODY, pieces=1)
        if leg.receiver == owner:
            leg = replace(leg, receiver=NOBODY, place="", place_label="")
        return leg


Swap = tuple[Leg, ...]
"""Two to four legs: each receiver is the giver of the next, the last one's the giver of the first."""


@dataclass(frozen=True, slots=True)
class FoundSwap:
    """`levels` as in `service.exchange.problem`. `dropped` counts cycles that were given up because a set would not have
    held and the rounds were used up: then nothing is proven."""

    swaps: tuple[Swap, ...]
    levels: tuple[Level, ...]
    proven: bool
    rounds: int
    dropped: int = 0

    def seen_by(self, owner: str) -> tuple[Swap, ...]:
        """The swaps that the owner is a side of: nobody sees others'."""
        return tuple(swap for swap in self.swaps if any(leg.giver == owner for leg in swap))


def coin_told(recorded: Mapping[str, Any], describe: Describer) -> dict[str, Any]:
    """What is told of a coin to the sides of a swap, of all that is recorded."""
    grade = (recorded.get("facts") or {}).get("grade")
    return {"label": describe(recorded), "issue": recorded.get("issue"), "grade": grade}
