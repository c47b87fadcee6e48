"""What cycles leave of an exchange, as bits: who still has a coin for whom, and the short cycles that are left.

Bit p of a set stands for the party at position p, bit k for a kind of place. Who may give to a party is then the union of a
few whole numbers, so that all cycles of up to four parties through one are looked for in as many steps as it has
neighbours: the halves of a cycle meet in the middle.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator

from service.exchange.reduction import Condition, Link, LinkCycle, ReducedExchange

_MOST_CANDIDATES = 30
"""Cycles tried at a time, where limits or barred receivers forbid them."""


class Remainder:
    """The cycles taken so far, by number, and what they leave. `filled` is the number of places that they fill. `steps`
    counts the sets of neighbours worked out, which is where the time goes."""

    def __init__(self, reduced: ReducedExchange, cycles: Iterable[LinkCycle] = ()) -> None:
        self._reduced = reduced
        self.cycles: dict[int, LinkCycle] = {}
        self.filled = self.steps = 0
        position = {party: at for at, party in enumerate(reduced.parties)}
        self._giver = [position[supply.giver] for supply in reduced.supplies]
        self._receiver = [position[demand.receiver] for demand in reduced.demands]
        self._coins = [len(supply.coins) for supply in reduced.supplies]
        self._places = [len(demand.places) for demand in reduced.demands]
        self._supplies: dict[tuple[int, int], list[int]] = defaultdict(list)
        for number, supply in enumerate(reduced.supplies):
            for kind in supply.kinds:
                self._supplies[self._giver[number], kind].append(number)
        for supplies in self._supplies.values():
            # The least flexible first.
            supplies.sort(key=lambda number: (len(reduced.supplies[number].kinds), number))
        self._demand = {(self._receiver[n], demand.kind): n for n, demand in enumerate(reduced.demands)}
        kinds = 1 + max((kind for supply in reduced.supplies for kind in supply.kinds), default=-1)
        self._has, self._lacks = [0] * len(position), [0] * len(position)
        self._givers, self._receivers, self._wanted = [0] * kinds, [0] * kinds, 0
        self._counts: Counter[Condition] = Counter()
        self._at: list[dict[int, None]] = [{} for _ in position]
        self._next = 0
        for number in range(len(self._coins)):
            self._note_supply(number)
        for number in range(len(self._places)):
            self._note_demand(number)
        for cycle in cycles:
            self.add(cycle)

    def add(self, cycle: LinkCycle) -> int:
        """Take a cycle; returns its number."""
        for link in cycle:
            self._use(link)
        return self._enter(cycle)

    def remove(self, number: int) -> LinkCycle:
        """Give a cycle up."""
        cycle = self.cycles.pop(number)
        self.filled -= len(cycle)
        for link in cycle:
            self._use(link, -1)
            del self._at[self._giver[link[0]]][number]
        return cycle

    def cycles_at(self, position: int) -> tuple[int, ...]:
        """The numbers of the cycles that the party takes part in."""
        return tuple(self._at[position])

    def parties_of(self, cycle: LinkCycle) -> tuple[int, ...]:
        """The positions of its parties, in its order."""
        return tuple(self._giver[supply] for supply, _ in cycle)

    def take(self, position: int, longest: int, turn: int) -> int | None:
        """Take one of the shortest cycles of up to `longest` parties (four at most) through this one, and tell its number;
        None where nothing is left. Of several it is another one each `turn`."""
        for tried, parties in enumerate(self._cycles_through(position, longest, turn)):
            if tried >= _MOST_CANDIDATES:
                return None
            links = self._links(parties, turn)
            if links is not None:
                first = parties.index(min(parties))
                return self._enter((*links[first:], *links[:first]))
        return None

    # What is left -----------------------------------------------------------------------------------------------------

    def _receivers_from(self, position: int) -> int:
        """Those to whom the party may give a coin."""
        self.steps += 1
        kinds, found = self._has[position] & self._wanted, 0
        while kinds:
            lowest = kinds & -kinds
            found |= self._receivers[lowest.bit_length() - 1]
            kinds ^= lowest
        return found & ~(1 << position)

    def _givers_to(self, position: int) -> int:
        """Those who may give the party a coin."""
        self.steps += 1
        kinds, found = self._lacks[position], 0
        while kinds:
            lowest = kinds & -kinds
            found |= self._givers[lowest.bit_length() - 1]
            kinds ^= lowest
        return found & ~(1 << position)

    def _cycles_through(self, first: int, longest: int, turn: int) -> Iterator[tuple[int, ...]]:
        """Cycles by what the bits say, short ones first: a supply may be barred from a receiver, or a limit be in the
        way."""
        after = self._receivers_from(first)
        before = self._givers_to(first) if after else 0
        if not before:
            return
        shift = turn % len(self._has)
        yield from ((first, second) for second in _members(after & before, shift))
        if longest < 3:
            return
        not_first = ~(1 << first)
        reached, beyond = [], 0
        for second in _members(after, shift):
            thirds = self._receivers_from(second) & not_first
            yield from ((first, second, third) for third in _members(thirds & before, shift))
            reached.append((second, thirds))
            beyond |= thirds
        if longest < 4:
            return
        for last in _members(before, shift):
            middle = beyond & self._givers_to(last)
            for second, thirds in reached if middle else ():
                if second != last:
                    for third in _members(middle & thirds, shift):
                        yield first, second, third, last

    def _links(self, parties: tuple[int, ...], turn: int) -> list[Link] | None:
        """Use a link from each party to the next; None, with nothing used, where some two of them have none."""
        links: list[Link] = []
        for giver, receiver in zip(parties, (*parties[1:], parties[0]), strict=True):
            link = self._link(giver, receiver, turn)
            if link is None:
                for used in links:
                    self._use(used, -1)
                return None
            self._use(link)
            links.append(link)
        return links

    def _link(self, giver: int, receiver: int, turn: int) -> Link | None:
        common = self._has[giver] & self._lacks[receiver]
        for kind in _members(common, turn % common.bit_length() if common else 0):
            demand = self._demand[receiver, kind]
            for supply in self._supplies[giver, kind]:
                if self._coins[supply] and self._is_allowed((supply, demand)):
                    return supply, demand
        return None

    def _is_allowed(self, link: Link) -> bool:
        """Whether the receiver is not barred, and with this link every limit still has a condition that holds."""
        supply = self._reduced.supplies[link[0]]
        if self._reduced.demands[link[1]].receiver in supply.barred:
            return False
        if not supply.conditions:
            return True
        counted = set(self._reduced.conditions(link))
        return all(
            any(
                self._counts[number, at] + ((number, at) in counted) <= condition.count
                for at, condition in enumerate(self._reduced.limits[number])
            )
            for number in {number for number, _ in counted}
        )

    def _enter(self, cycle: LinkCycle) -> int:
        number, self._next = self._next, self._next + 1
        self.cycles[number] = cycle
        self.filled += len(cycle)
        for supply, _ in cycle:
            self._at[self._giver[supply]][number] = None
        return number

    def _use(self, link: Link, pieces: int = 1) -> None:
        supply, demand = link
        self._coins[supply] -= pieces
        self._note_supply(supply)
        self._places[demand] -= pieces
        self._note_demand(demand)
        if self._reduced.supplies[supply].conditions:
            for condition in self._reduced.conditions(link):
                self._counts[condition] += pieces

    def _note_supply(self, number: int) -> None:
        party = self._giver[number]
        bit = 1 << party
        for kind in self._reduced.supplies[number].kinds:
            if self._coins[number] or any(self._coins[other] for other in self._supplies[party, kind]):
                self._has[party] |= 1 << kind
                self._givers[kind] |= bit
            else:
                self._has[party] &= ~(1 << kind)
                self._givers[kind] &= ~bit

    def _note_demand(self, number: int) -> None:
        party, kind = self._receiver[number], self._reduced.demands[number].kind
        if self._places[number]:
            self._lacks[party] |= 1 << kind
            self._receivers[kind] |= 1 << party
            self._wanted |= 1 << kind
        else:
            self._lacks[party] &= ~(1 << kind)
            self._receivers[kind] &= ~(1 << party)
            if not self._receivers[kind]:
                self._wanted &= ~(1 << kind)


def _members(bits: int, shift: int) -> Iterator[int]:
    """The numbers of the bits that are set, from `shift` on and then those before it, ascending."""
    high = bits >> shift
    for part, base in ((high, shift), (bits ^ (high << shift), 0)):
        rest = part
        while rest:
            lowest = rest & -rest
            yield lowest.bit_length() - 1 + base
            rest ^= lowest
