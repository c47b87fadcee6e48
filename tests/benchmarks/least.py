"""`python -m tests.benchmarks.least`: what work is said to take at least, by its sizes, beside what it takes.

Refusals go by these figures (`service.evaluation.cost`), so none may be above what is measured: such a row is marked, and the
command ends with 1. The sets are the easiest of their sizes: rules that every coin fits, coins that are all alike, one rule
for all places, limits that bind nothing, and holdings and rules that are known already. `--memory` measures memory instead, each
size in a process of its own: by how much the largest resident set grows.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from random import Random
from typing import Any

import psutil

from service.assignment.build import FixedPlacements, Instance
from service.assignment.solve import solve
from service.database.types import written
from service.evaluation.cost import (
    Cost,
    Sizes,
    cost_of_changes,
    cost_of_decisions,
    cost_of_evaluation,
    cost_of_judging,
    cost_of_solving,
)
from service.evaluation.known_rules import KnownRules
from service.facts.holding import read_holdings
from service.holdings.model import with_defaults
from service.progress.actions.stored_set import stored_holdings
from service.progress.evaluate import EvaluationRequest, build_instance, evaluate
from service.progress.whatif import Evaluated
from service.rules.document import read_definition
from tests.benchmarks.estimates import RULED, SEED
from tests.factories import a_document, a_holding
from tests.holdings.columns.rows import in_columns
from tests.process_memory import forget_most, most_resident
from tests.strategies import TODAY, VOCABULARIES

MEBIBYTE = 1024 * 1024
_NEVER_BINDS = 2_000


@dataclass(frozen=True)
class Easy:
    """A set and coins: `kind` says which rules and coins, `rules` how many limits over several places, which bind nothing."""

    kind: str
    coins: int
    places: int
    rules: int = 0

    @property
    def name(self) -> str:
        return f"{self.coins:,} coins, {self.places:,} places, {self.kind}" + f", {self.rules} rules" * bool(self.rules)

    def document(self) -> dict[str, Any]:
        """`alike`, `one rule`: all places have one rule, and all coins fit. `all fit`: each place a rule of its own that all
        coins fit. `some fit`: half of them do. `few fit`: a coin fits one place at most. `in parts`: twelve parts of the set
        share no coin."""
        constraints = [
            {"id": f"rule-{n}", "kind": "at_most", "per": [name], "count": _NEVER_BINDS}
            for n, name in enumerate(RULED[: self.rules])
        ]
        if self.kind in ("alike", "one rule"):
            choice = {"id": "any", "places": self.places, "accepts": "TRUE"}
            return a_document(constraints=constraints, free_choice=[choice])
        accepts: Callable[[int], str] = {
            "all fit": lambda n: f"year_on_coin < {5000 + n}",
            "some fit": lambda n: f"grade >= {n % 60 + 1}",
            "few fit": lambda n: f"year_on_coin = {1000 + n}",
            "in parts": lambda n: f"mint = 'm{n % 12}'",
        }[self.kind]
        return a_document({f"place-{n:04}": accepts(n) for n in range(self.places)}, constraints=constraints)

    def holdings(self) -> Iterator[dict[str, Any]]:
        chance = Random(SEED)
        for n in range(self.coins):
            facts: dict[str, Any] = {
                "grade": chance.randint(1, 70),
                "year_on_coin": 1000 + chance.randrange(self.places + 30),
                "mint": f"m{chance.randrange(12)}",
                "denomination": f"d{chance.randrange(12)}",
                "struck": 1800 + chance.randrange(12),
                "die_axis": chance.randrange(12) + 1,
            }
            yield a_holding(f"coin-{n:06}", **({"grade": 30, "mint": "m"} if self.kind == "alike" else facts))

    def request(self) -> EvaluationRequest:
        """Of holdings that are kept in columns."""
        definition = read_definition(self.document(), vocabularies=VOCABULARIES)
        day = "2026-11-01 10:00:00.000000"
        rows = [
            (coin["id"], n + 1, n + 1, False, _written(coin["facts"]), day, day, "[]")
            for n, coin in enumerate(self.holdings())
        ]
        held = in_columns(rows, 5_000)
        coins, _ = stored_holdings(held, definition.attributes, {}, definition.vocabularies)
        asked = EvaluationRequest(definition, coins, TODAY, definition.vocabularies, budget_seconds=0.1)
        return replace(asked, known_rules=KnownRules(definition, TODAY))


def _written(facts: dict[str, Any]) -> str:
    return written(with_defaults({"facts": facts}))


SIZES = [
    *(Easy(kind, 20, 30) for kind in ("alike", "one rule", "all fit", "some fit", "few fit")),
    *(Easy(kind, 1_000, 200) for kind in ("alike", "one rule", "all fit", "some fit", "few fit")),
    *(Easy("few fit", 200, places) for places in (500, 2_000)),
    *(Easy(kind, 10_000, 200) for kind in ("alike", "one rule", "all fit", "some fit")),
    *(Easy(kind, 200, 2_000) for kind in ("alike", "one rule", "all fit", "some fit")),
    *(Easy(kind, 200, 100, 5) for kind in ("alike", "one rule", "all fit", "some fit", "few fit")),
    *(Easy(kind, 200, 100, 1) for kind in ("one rule", "all fit", "in parts")),
    *(Easy("in parts", coins, 120) for coins in (200, 2_000, 20_000)),
]
LARGE = [
    *(Easy(kind, 20_000, 500) for kind in ("alike", "all fit")),
    Easy("alike", 5_000, 2_000),
    Easy("in parts", 60_000, 600),
    *(Easy(kind, 1_000, 200, 5) for kind in ("alike", "one rule")),
]


@dataclass(frozen=True)
class Work:
    """A piece of work: what it is said to take at least, and how it is done."""

    name: str
    cost: Cost
    run: Callable[[], Any]


def sizes_of(instance: Instance) -> Sizes:
    """As they are when a set was judged."""
    rules = len([one for one in instance.constraints if not one.kind.is_goal])
    pairs = len(instance.problem.edges)
    sizes = Sizes(coins=len(instance.coins), places=len(instance.places), pairs=pairs, rules=rules)
    return replace(sizes, ruled_pairs=pairs if rules else 0)


def pieces(easy: Easy) -> Iterator[Work]:
    request = easy.request()
    evaluated = Evaluated(request)
    instance = evaluated.instance
    found = sizes_of(instance)
    coin = read_holdings([a_holding("new", grade=70, year_on_coin=1000)], request.definition.attributes, strict=True)
    tray = evaluated.judge(coin)
    places = [at for at, fits in enumerate(tray.fits) if 0 in fits]
    touched = evaluated.touched(places)
    reach = [evaluated.reach_of(touched)] if touched else []
    wishes = FixedPlacements(nevers=frozenset([("coin-000000", "elsewhere")]))
    evaluated.as_is(touched)

    def solved(built: Instance) -> Any:
        return solve(built.problem, budget_seconds=0.1, with_standings=False)

    yield Work("evaluating", cost_of_evaluation(found), lambda: solved(build_instance(request)[0]))
    yield Work("judging", cost_of_judging(found), lambda: build_instance(request, is_solved=False))
    yield Work("solving again", cost_of_solving("", "", [found]), lambda: solved(instance))
    if reach:
        change = cost_of_changes("", "", reach)
        yield Work("a coin to try", change, lambda: evaluated.with_coins(touched, coin, tray))
        decision = cost_of_decisions("", "", reach)
        yield Work("a decision", decision, lambda: evaluated.with_wishes(touched, wishes, frozenset()))


def measured(run: Callable[[], Any]) -> float:
    """Milliseconds of CPU, the least of three for what is short."""
    found = []
    while not found or (len(found) < 3 and found[0] < 1_000):
        begun = time.process_time()
        run()
        found.append(1_000 * (time.process_time() - begun))
    return min(found)


def times(sizes: list[Easy]) -> bool:
    """Prints the table; whether something was said to take more than it took."""
    is_wrong = False
    print(f"{'milliseconds of CPU':<66}{'at least':>12}{'measured':>12}{'ratio':>8}")
    for easy in sizes:
        for one in pieces(easy):
            took = measured(one.run)
            above = one.cost.at_least > took
            is_wrong = is_wrong or above
            name = f"{one.name}: {easy.name}"
            print(
                f"{name:<66}{one.cost.at_least:>12,.2f}{took:>12,.2f}{took / max(one.cost.at_least, 1e-9):>8.1f}"
                + "  above" * above,
                flush=True,
            )
    return is_wrong


def grown(easy: Easy, what: str) -> tuple[int, int]:
    """Pairs, and by how many bytes the largest resident set grows. To be asked in a process of its own."""
    request = easy.request()
    evaluate(Easy("some fit", 20, 10).request())
    forget_most()
    before = psutil.Process().memory_info().rss
    instance, _ = build_instance(request, is_solved=what != "judging")
    if what != "judging":
        solve(instance.problem, budget_seconds=0.1, with_standings=False)
    return len(instance.problem.edges), most_resident() - before


def memory(sizes: list[Easy]) -> bool:
    """The same of memory."""
    is_wrong = False
    print(f"{'MiB':<66}{'pairs':>12}{'at least':>12}{'measured':>12}{'bytes a pair':>14}")
    for easy in sizes:
        for what, cost_of in (("judging", cost_of_judging), ("evaluating", cost_of_evaluation)):
            asked = [sys.executable, "-m", __name__ if __name__ != "__main__" else "tests.benchmarks.least"]
            one = ["--one", what, easy.kind, str(easy.coins), str(easy.places), str(easy.rules)]
            told = subprocess.run([*asked, *one], capture_output=True, text=True, check=True).stdout
            pairs, growth = map(int, told.split())
            least = cost_of(Sizes(coins=easy.coins, places=easy.places, pairs=pairs)).bytes_at_least
            above = least > growth
            is_wrong = is_wrong or above
            name = f"{what}: {easy.name}"
            print(
                f"{name:<66}{pairs:>12,}{least / MEBIBYTE:>12,.1f}{growth / MEBIBYTE:>12,.1f}{growth / max(pairs, 1):>14,.1f}"
                + "  above" * above,
                flush=True,
            )
    return is_wrong


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.least", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("--quick", action="store_true", help="leave out what takes long")
    parser.add_argument("--memory", action="store_true", help="measure memory")
    parser.add_argument("--one", nargs=5, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        what, kind, coins, places, rules = asked.one
        print(*grown(Easy(kind, int(coins), int(places), int(rules)), what))
        return 0
    sizes = SIZES if asked.quick else [*SIZES, *LARGE]
    return int(memory(sizes) if asked.memory else times(sizes))


if __name__ == "__main__":
    sys.exit(main())
