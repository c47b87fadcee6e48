"""What work costs, estimated from sizes alone before any of it is done.

The unit is milliseconds of CPU on the reference machine (one core of 2026; `python -m tests.benchmarks.estimates` prints what is
estimated beside what is measured). What is expected is right within a factor of four for most of that table. What work
takes at least, in time and in memory, is less than everything that was measured, the easiest sets of every size included: only
where that exceeds a limit work is refused, so that what ends in time never is. Whatever lies between is ended at its deadline,
or by the limit of its memory, by whoever runs it.

What one request does one after the other adds up (`Allowance`), and so does what it will certainly do: that is refused before
the first of it is done.

What the search under set-level rules may take is not estimated but granted: `budget_seconds` of the request, most often far
from used up. It never refuses anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from typing import Final, TypeVar

from service.errors import Sentence, TooHeavy

_REMEDY: Final = "ask about fewer coins or fewer places at once"
_MOST_PAIRS_CHECKED, _MOST_OF_A_CHECK, _MOST_DOUBTS, _MOST_RULES_COUNTED = 4_000, 6_000.0, 500, 5
# What of a larger one is not looked at (analysis/findings.py, analysis/questions.py, progress/information.py).
ACCURACY: Final = 4.0
"""The factor within which what is expected is right, most often."""
_MEBIBYTE: Final = 1024 * 1024
_COINS: Final = Sentence("coins")
_HELD: Final = "MiB held by what was done before"
_BEFORE: Final = "pieces of work of this request besides"

Piece = TypeVar("Piece")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """How large the inputs of some work are. `characters` are those of all rules of the definition, `pairs` the pairs of a coin
    and a place that it fits or may fit (None: not known yet), `uncertain` the coins of which a fact is missing or has
    alternatives, `rules` the set-level rules and `ruled` the places that they reach, `ruled_pairs` the pairs there, where that
    is known. `solver_seconds` is what the search under them may take."""

    coins: int = 0
    places: int = 0
    characters: int = 0
    pairs: int | None = None
    uncertain: int = 0
    rules: int = 0
    ruled: int = 0
    ruled_pairs: int | None = None
    solver_seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class _Least:
    """Milliseconds that work takes at least: always, for each place, each pair, and each pair under set-level rules, as often as
    there are rules and once more."""

    always: float
    place: float
    pair: float
    ruled: float = 0.0

    def of(self, sizes: Sizes) -> float:
        ruled = (sizes.ruled_pairs or 0) * (1 + min(sizes.rules, _MOST_RULES_COUNTED)) if sizes.rules else 0
        return self.always + self.place * sizes.places + self.pair * (sizes.pairs or 0) + self.ruled * ruled


# Each less than half of all that `python -m tests.benchmarks.least` measures.
_LEAST_EVALUATION: Final = _Least(always=0.5, place=0.002, pair=0.00008, ruled=0.003)
_LEAST_JUDGING: Final = _Least(always=0.2, place=0.002, pair=0.000004)
_LEAST_CHANGE: Final = _Least(always=0.2, place=0.1, pair=0.00001)
_LEAST_DECISION: Final = _Least(always=0.1, place=0.1, pair=0.0001)
_LEAST_SOLVING: Final = _Least(always=0.2, place=0.0003, pair=0.00006, ruled=0.003)
_BYTES_A_PAIR: Final = 100
_BYTES_A_PAIR_JUDGED: Final = 12
# What was free before serves first.
_BYTES_THERE: Final = 32 * _MEBIBYTE


@dataclass(frozen=True, slots=True)
class Cost:
    """What some work costs. `milliseconds` are expected at most, `at_least` what it cannot do without, `solver_seconds` what
    the search under set-level rules may take besides, `bytes_at_least` the memory that it cannot do without at its largest.
    `doing` and `sizes` say in words what it is."""

    doing: str
    milliseconds: float
    at_least: float
    solver_seconds: float = 0.0
    sizes: Mapping[str, int] = field(default_factory=dict)
    remedy: str = _REMEDY
    bytes_at_least: int = 0

    def is_within(self, milliseconds: float) -> bool:
        """Whether it takes no longer than that. A search under set-level rules may take what it was granted, but for problems as
        small as this it ends at once."""
        return self.milliseconds <= milliseconds

    def ensure_ends_within(self, seconds: float) -> None:
        """Raises TooHeavy, naming the limit and the sizes, where it cannot end within so many seconds."""
        if self.at_least > 1_000 * seconds:
            raise TooHeavy(self.doing, seconds_in_words(seconds), self.sizes, self.remedy)

    def ensure_fits_into(self, memory_bytes: int, held: int = 0) -> None:
        """The same where it does not fit into so much memory, of which so much is held by what was done before."""
        if self.bytes_at_least + held > memory_bytes:
            sizes = {**self.sizes, _HELD: held // _MEBIBYTE} if held else self.sizes
            raise TooHeavy(self.doing, memory_in_words(memory_bytes), sizes, self.remedy)

    def ensure_allowed(self) -> None:
        """Counts it among what the request takes, inside of whose `allowed` this is asked: it is begun now, and done once. Raises
        TooHeavy where the request cannot do it besides all else that it is known to do. Outside nothing is refused."""
        allowance = _ALLOWANCE.get()
        if allowance is not None:
            allowance.take(self)

    def ensure_possible(self) -> None:
        """The same without counting it: it goes on, and more of it will be known."""
        allowance = _ALLOWANCE.get()
        if allowance is not None:
            allowance.take(self)
            allowance.give_back(self)

    def times(self, count: int, what: str, certain: int | None = None) -> Cost:
        """The same so many times, of which so many are certain (None: all of them); `what` is counted."""
        return replace(
            self,
            milliseconds=self.milliseconds * count,
            at_least=self.at_least * (count if certain is None else certain),
            solver_seconds=self.solver_seconds * count,
            sizes={what: count, **self.sizes} if count > 1 else self.sizes,
            bytes_at_least=0 if certain == 0 else self.bytes_at_least,
        )

    def if_not_kept(self) -> Cost:
        """The same of work whose answer may be kept where it is done: then it costs nothing."""
        return replace(self, at_least=0.0, bytes_at_least=0)


@dataclass(slots=True)
class Allowance:
    """What one request may take: the seconds of its caller's class, never what is left of them, so that a refusal does not
    depend on the load; and the memory of a process for work (None: no limit of it is known). `certain` are the milliseconds that
    it needs at least for so many `pieces` of work, done or certainly to be done; `held` the bytes that are not let go of before
    the request ends."""

    seconds: float
    memory_bytes: int | None = None
    certain: float = 0.0
    pieces: int = 0
    held: int = 0

    def take(self, cost: Cost) -> None:
        """Counts a piece of work. Raises TooHeavy, and does not count it, where it is too much by itself or with the others."""
        cost.ensure_ends_within(self.seconds)
        if self.memory_bytes is not None:
            cost.ensure_fits_into(self.memory_bytes, self.held)
        if self.certain + cost.at_least > 1_000 * self.seconds:
            sizes = {**cost.sizes, _BEFORE: self.pieces}
            raise TooHeavy(cost.doing, seconds_in_words(self.seconds), sizes, cost.remedy)
        self.certain, self.pieces = self.certain + cost.at_least, self.pieces + 1

    def give_back(self, cost: Cost) -> None:
        """The piece is not counted any more: it counts itself, or is not done."""
        self.certain, self.pieces = self.certain - cost.at_least, self.pieces - 1


_ALLOWANCE: ContextVar[Allowance | None] = ContextVar("allowance", default=None)


@contextmanager
def allowed(seconds: float, memory_bytes: int | None = None) -> Iterator[Allowance]:
    """All work inside is that of one request, which may take so much (see `Allowance`): what turns out to be more is refused
    (TooHeavy)."""
    token = _ALLOWANCE.set(allowance := Allowance(seconds, memory_bytes))
    try:
        yield allowance
    finally:
        _ALLOWANCE.reset(token)


def hold(size: int) -> None:
    """So many bytes are there until the request ends, inside of whose `allowed` this is said."""
    allowance = _ALLOWANCE.get()
    if allowance is not None:
        allowance.held += size


def in_turn(doing: str, counted: str, pieces: Iterable[tuple[Piece, Cost | None]]) -> Iterator[Piece]:
    """The pieces one after the other, each of which will be done, and counts itself (`ensure_allowed`) when it is begun and more
    is known of it. Raises TooHeavy before the first where all of them are too much; `counted` says what they are. A piece without
    a cost is done already, or may turn out not to be."""
    every = list(pieces)
    allowance = _ALLOWANCE.get()
    if allowance is None:
        yield from (piece for piece, _ in every)
        return
    costs = [cost for _, cost in every if cost is not None]
    allowance.take(together(doing, costs, counted))
    allowance.pieces += len(costs) - 1
    try:
        while every:
            piece, cost = every.pop(0)
            if cost is not None:
                allowance.give_back(cost)
            yield piece
    finally:
        for _, cost in every:
            if cost is not None:
                allowance.give_back(cost)


def together(doing: str, costs: Sequence[Cost], counted: str) -> Cost:
    """Several pieces of work one after the other, which share what the search may take; `counted` says what they are."""
    return Cost(
        doing,
        sum(cost.milliseconds for cost in costs),
        sum(cost.at_least for cost in costs),
        max((cost.solver_seconds for cost in costs), default=0.0),
        _added_sizes(counted, costs),
        bytes_at_least=max((cost.bytes_at_least for cost in costs), default=0),
    )


def _added_sizes(counted: str, costs: Sequence[Cost]) -> dict[str, int]:
    """How many they are, and what all of them have; the coins are often the same."""
    sizes = {counted: len(costs)}
    for cost in costs:
        for what, count in cost.sizes.items():
            sizes[what] = max(sizes.get(what, 0), count) if what == _COINS else sizes.get(what, 0) + count
    return sizes


def seconds_in_words(seconds: float) -> Sentence:
    """The limit of time as a refusal names it.

    >>> seconds_in_words(30)
    'the 30 seconds that one request may take'
    """
    return Sentence("the {seconds} seconds that one request may take", seconds=f"{seconds:g}")


def memory_in_words(memory_bytes: int) -> Sentence:
    """The limit of memory as a refusal names it.

    >>> memory_in_words(512 * 1024 * 1024)
    'the 512 MiB of memory that one request may take'
    """
    return Sentence("the {most} MiB of memory that one request may take", most=memory_bytes // _MEBIBYTE)


def cost_of_evaluation(sizes: Sizes) -> Cost:
    """Judging all coins, placing them, and telling the result."""
    return _cost("evaluating the set", sizes, _evaluation(sizes, _most(sizes)), _LEAST_EVALUATION.of(sizes))


def cost_of_judging(sizes: Sizes) -> Cost:
    """Judging all coins, placing none."""
    return _cost(
        "judging the coins",
        sizes,
        _evaluation(replace(sizes, rules=0), _most(sizes)),
        _LEAST_JUDGING.of(sizes),
        bytes_a_pair=_BYTES_A_PAIR_JUDGED,
    )


def cost_of_changes(doing: str, counted: str, reaches: Sequence[Sizes]) -> Cost:
    """Laying parts of a set out with a coin that it does not have, and solving them, once for each; `reaches` are the places that
    are laid out, and the pairs there. `counted` says what the changes are."""
    return _repeated(doing, counted, _LEAST_CHANGE, reaches)


def cost_of_decisions(doing: str, counted: str, reaches: Sequence[Sizes]) -> Cost:
    """The same with all coins, under other decisions."""
    return _repeated(doing, counted, _LEAST_DECISION, reaches)


def cost_of_solving(doing: str, counted: str, reaches: Sequence[Sizes]) -> Cost:
    """Solving again what is laid out already, once for each of these."""
    return _repeated(doing, counted, _LEAST_SOLVING, reaches)


def _repeated(doing: str, counted: str, least: _Least, reaches: Sequence[Sizes]) -> Cost:
    """What is not certain besides is not asked for."""
    total = sum(map(least.of, reaches))
    sizes = {
        counted: len(reaches),
        "places that they reach": sum(reach.places for reach in reaches),
        "pairs there": sum(reach.pairs or 0 for reach in reaches),
    }
    return Cost(doing, ACCURACY * total, total, sizes={what: count for what, count in sizes.items() if count})


def cost_of_explanation(sizes: Sizes) -> Cost:
    """Explaining one coin against every place; `coins` is not looked at. A coin of which something is not known has worlds."""
    most = 0.3 + (0.25 if sizes.uncertain else 0.015) * sizes.places + 0.003 * sizes.characters
    return _cost("explaining the coin", replace(sizes, coins=1, rules=0), most, 0.0)


def cost_of_check(sizes: Sizes) -> Cost:
    """Checking a definition: counted in steps, so it ends whatever the sizes are."""
    pairs = min(sizes.places * (sizes.places - 1) // 2, _MOST_PAIRS_CHECKED)
    # Rules that overlap take ten times of those that do not, which sizes do not tell: what lies between.
    each = 0.05 + 0.0015 * sizes.characters / max(sizes.places, 1)
    most = min(1.0 + 0.02 * sizes.places + each * (pairs + sizes.places), _MOST_OF_A_CHECK)
    return _cost("checking the definition", sizes, most, 0.0, "check fewer places or shorter rules at once")


def cost_of_preview(sizes: Sizes) -> Cost:
    """Judging all coins, placing none, and checking the definition."""
    judging, checking = cost_of_judging(replace(sizes, rules=0)), cost_of_check(sizes)
    return replace(
        judging, doing="previewing the definition", milliseconds=judging.milliseconds + checking.milliseconds
    )


def cost_of_candidates(sizes: Sizes, tray: int) -> Cost:
    """Trying coins that the collection does not have; `sizes` are those of the set and the collection."""
    base = cost_of_evaluation(sizes)
    most = 1.0 + 0.01 * sizes.places + 0.0025 * _most(sizes)
    return Cost(
        "trying the coins in the set",
        base.milliseconds + most * tray,
        base.at_least,
        2 * base.solver_seconds,
        {"coins to try": tray, **base.sizes},
        "ask about fewer coins at once",
        base.bytes_at_least,
    )


def cost_of_doubts(sizes: Sizes) -> Cost:
    """Weighing what is worth looking at: counted in steps, so it ends whatever the sizes are."""
    base = cost_of_evaluation(sizes)
    doubts = min(sizes.uncertain or sizes.coins // 3, _MOST_DOUBTS)
    most = base.milliseconds + doubts * (3.0 + 0.001 * sizes.characters)
    return replace(base, doing="weighing the doubts", milliseconds=most)


def _cost(
    doing: str,
    sizes: Sizes,
    most: float,
    least: float,
    remedy: str = _REMEDY,
    bytes_a_pair: int = _BYTES_A_PAIR,
) -> Cost:
    solver_seconds = sizes.solver_seconds if sizes.rules else 0.0
    # What the arrays of the pairs take at least.
    at_least = max(0, bytes_a_pair * (sizes.pairs or 0) - _BYTES_THERE)
    return Cost(doing, most, least, solver_seconds, _told(sizes), remedy, at_least)


def _most(sizes: Sizes) -> int:
    return sizes.coins * sizes.places if sizes.pairs is None else sizes.pairs


def _evaluation(sizes: Sizes, pairs: int) -> float:
    ruled = pairs * sizes.ruled // max(sizes.places, 1) if sizes.ruled_pairs is None else sizes.ruled_pairs
    return (
        1.0
        + 0.05 * sizes.coins
        + 0.1 * sizes.places
        + 0.001 * sizes.characters
        + 0.001 * pairs
        + 0.0002 * sizes.uncertain * sizes.characters
        + 0.02 * ruled * (1 + min(sizes.rules, _MOST_RULES_COUNTED) if sizes.rules else 0)
    )


def _told(sizes: Sizes) -> Mapping[str, int]:
    counts = {
        _COINS: sizes.coins,
        Sentence("places"): sizes.places,
        Sentence("pairs of them that may fit"): sizes.pairs or 0,
        Sentence("rules over several places"): sizes.rules,
        Sentence("characters of rules"): sizes.characters,
    }
    return {what: count for what, count in counts.items() if count}
