"""What work costs, estimated from sizes alone before any of it is done.

The unit is milliseconds of CPU on the reference machine (one core of 2026; `python -m tests.benchmarks.estimates` prints what is
estimated beside what is measured). An estimate is right within a factor of four over the sizes of that table: so work is
refused only when a quarter of its estimate exceeds the limit, and what ends in time is never refused. Whatever lies between
is ended at its deadline by whoever runs it.

What the search under set-level rules may take is not estimated but granted: `budget_seconds` of the request, most often far
from used up. It never refuses anything.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from typing import Final

from service.errors import TooHeavy

_REMEDY: Final = "ask about fewer coins or fewer places at once"
_MOST_PAIRS_CHECKED, _MOST_OF_A_CHECK, _MOST_DOUBTS, _MOST_RULES_COUNTED = 4_000, 6_000.0, 500, 5
# What of a larger one is not looked at (analysis/findings.py, analysis/questions.py, progress/information.py).
ACCURACY: Final = 4.0
"""The factor within which an estimate is right."""


_SECONDS_ALLOWED: ContextVar[float | None] = ContextVar("seconds_allowed", default=None)


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
class Cost:
    """What some work costs. `milliseconds` are expected at most, `at_least` what it cannot do without, `solver_seconds` what
    the search under set-level rules may take besides. `doing` and `sizes` say in words what it is."""

    doing: str
    milliseconds: float
    at_least: float
    solver_seconds: float = 0.0
    sizes: Mapping[str, int] = field(default_factory=dict)
    remedy: str = _REMEDY

    def is_within(self, milliseconds: float) -> bool:
        """Whether it takes no longer than that. A search under set-level rules may take what it was granted, but for problems as
        small as this it ends at once."""
        return self.milliseconds <= milliseconds

    def ensure_ends_within(self, seconds: float) -> None:
        """Raises TooHeavy, naming the limit and the sizes, where it cannot end within so many seconds."""
        if self.at_least > 1_000 * seconds:
            raise TooHeavy(self.doing, seconds_in_words(seconds), self.sizes, self.remedy)

    def ensure_allowed(self) -> None:
        """The same for the seconds of `allowed`, inside of which this is asked; outside nothing is refused."""
        seconds = _SECONDS_ALLOWED.get()
        if seconds is not None:
            self.ensure_ends_within(seconds)

    def times(self, count: int, what: str) -> Cost:
        """The same so many times; `what` is counted."""
        return replace(
            self,
            milliseconds=self.milliseconds * count,
            at_least=self.at_least * count,
            solver_seconds=self.solver_seconds * count,
            sizes={what: count, **self.sizes},
        )


@contextmanager
def allowed(seconds: float | None) -> Iterator[None]:
    """Work inside that is judged and then turns out to be more than can end within so many seconds is refused (TooHeavy). They
    are those of the caller's class, never what is left of them, so that a refusal does not depend on the load."""
    token = _SECONDS_ALLOWED.set(seconds)
    try:
        yield
    finally:
        _SECONDS_ALLOWED.reset(token)


def together(doing: str, costs: Sequence[Cost], counted: str) -> Cost:
    """Several pieces of work one after the other, which share what the search may take; `counted` says what they are."""
    return Cost(
        doing,
        sum(cost.milliseconds for cost in costs),
        sum(cost.at_least for cost in costs),
        max((cost.solver_seconds for cost in costs), default=0.0),
        {counted: len(costs)},
    )


def seconds_in_words(seconds: float) -> str:
    """The limit of time as a refusal names it.

    >>> seconds_in_words(30)
    'the 30 seconds that one request may take'
    """
    return f"the {seconds:g} seconds that one request may take"


def cost_of_evaluation(sizes: Sizes) -> Cost:
    """Judging all coins, placing them, and telling the result."""
    return _cost("evaluating the set", sizes, _evaluation(sizes, _most(sizes)), _evaluation(sizes, _least(sizes)))


def cost_of_explanation(sizes: Sizes) -> Cost:
    """Explaining one coin against every place; `coins` is not looked at."""
    most = 0.3 + 0.015 * sizes.places + 0.003 * sizes.characters
    return _cost("explaining the coin", replace(sizes, coins=1, rules=0), most, most)


def cost_of_check(sizes: Sizes) -> Cost:
    """Checking a definition: counted in steps, so it ends whatever the sizes are."""
    pairs = min(sizes.places * (sizes.places - 1) // 2, _MOST_PAIRS_CHECKED)
    each = 0.01 + 0.001 * sizes.characters / max(sizes.places, 1)
    most = min(1.0 + 0.02 * sizes.places + each * (pairs + sizes.places), _MOST_OF_A_CHECK)
    return _cost("checking the definition", sizes, most, 0.0, "check fewer places or shorter rules at once")


def cost_of_preview(sizes: Sizes) -> Cost:
    """Judging all coins, placing none, and checking the definition."""
    judging, checking = cost_of_evaluation(replace(sizes, rules=0)), cost_of_check(sizes)
    return replace(
        judging, doing="previewing the definition", milliseconds=judging.milliseconds + checking.milliseconds
    )


def cost_of_candidates(sizes: Sizes, tray: int) -> Cost:
    """Trying coins that the collection does not have; `sizes` are those of the set and the collection."""
    base = cost_of_evaluation(sizes)
    most, least = (1.0 + 0.01 * sizes.places + 0.0025 * pairs for pairs in (_most(sizes), _least(sizes)))
    return Cost(
        "trying the coins in the set",
        base.milliseconds + most * tray,
        base.at_least + least * tray / ACCURACY,
        2 * base.solver_seconds,
        {"coins to try": tray, **base.sizes},
        "ask about fewer coins at once",
    )


def cost_of_want_list(sizes: Sizes) -> Cost:
    """What would fill the empty places, and better the weak ones."""
    base = cost_of_evaluation(sizes)
    return replace(base, doing="writing the want list")


def cost_of_doubts(sizes: Sizes) -> Cost:
    """Weighing what is worth looking at: counted in steps, so it ends whatever the sizes are."""
    base = cost_of_evaluation(sizes)
    doubts = min(sizes.uncertain or sizes.coins // 3, _MOST_DOUBTS)
    most = base.milliseconds + doubts * (3.0 + 0.001 * sizes.characters)
    return Cost("weighing the doubts", most, base.at_least, base.solver_seconds, base.sizes)


def _cost(doing: str, sizes: Sizes, most: float, least: float, remedy: str = _REMEDY) -> Cost:
    return Cost(doing, most, least / ACCURACY, sizes.solver_seconds if sizes.rules else 0.0, _told(sizes), remedy)


def _most(sizes: Sizes) -> int:
    return sizes.coins * sizes.places if sizes.pairs is None else sizes.pairs


def _least(sizes: Sizes) -> int:
    return 0 if sizes.pairs is None else sizes.pairs


def _evaluation(sizes: Sizes, pairs: int) -> float:
    ruled = pairs * sizes.ruled // max(sizes.places, 1) if sizes.ruled_pairs is None else sizes.ruled_pairs
    return (
        1.0
        + 0.05 * sizes.coins
        + 0.1 * sizes.places
        + 0.001 * sizes.characters
        + 0.001 * pairs
        + 0.0001 * sizes.uncertain * sizes.characters
        + 0.02 * ruled * (1 + min(sizes.rules, _MOST_RULES_COUNTED) if sizes.rules else 0)
    )


def _told(sizes: Sizes) -> dict[str, int]:
    counts = {
        "coins": sizes.coins,
        "places": sizes.places,
        "pairs of them that may fit": sizes.pairs or 0,
        "rules over several places": sizes.rules,
        "characters of rules": sizes.characters,
    }
    return {what: count for what, count in counts.items() if count}
