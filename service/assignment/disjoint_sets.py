"""Things by number that are joined into groups one pair at a time."""

from __future__ import annotations


class DisjointSets:
    """The numbers from 0 to below `count`, each in a group of its own at first. Near constant time for each call."""

    def __init__(self, count: int) -> None:
        self._leader = list(range(count))

    def leader(self, one: int) -> int:
        """The least number of its group."""
        leader = self._leader
        while leader[one] != one:
            leader[one] = leader[leader[one]]
            one = leader[one]
        return one

    def join(self, one: int, other: int) -> None:
        """Make the groups of both one group."""
        low, high = sorted((self.leader(one), self.leader(other)))
        self._leader[high] = low
