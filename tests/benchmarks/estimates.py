"""`python -m tests.benchmarks.estimates`: what work is estimated to cost from its sizes, beside what it takes.

Prints a row for each kind and size: milliseconds estimated (`service.evaluation.cost`), milliseconds of CPU measured, and the one
in the other. Estimates are promised to be right within a factor of four for work of a few milliseconds and more. `--quick` leaves
out what takes long.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from random import Random
from typing import Any

from service.analysis.findings import check_definition
from service.evaluation.cost import (
    ACCURACY,
    Cost,
    Sizes,
    cost_of_candidates,
    cost_of_check,
    cost_of_doubts,
    cost_of_evaluation,
    cost_of_explanation,
    cost_of_preview,
)
from service.evaluation.document_sizes import sizes_of_document
from service.progress.candidates import candidates
from service.progress.check import CheckedDefinition
from service.progress.evaluate import EvaluationRequest, build_instance, evaluate
from service.progress.explain import explain
from service.progress.information import weigh_facts
from service.progress.preview import DefinitionPreview, preview_of
from service.progress.want_list import want_list
from service.progress.whatif import Evaluated
from service.rules.partitions import has_plain_value
from tests.factories import AROUND, a_document, a_holding, a_measurement

RULED = ("mint", "year_on_coin", "denomination", "struck", "die_axis")
SEED = 1882
# Of what takes less the clock says little.
_SMALL_MILLISECONDS = 5.0


@dataclass(frozen=True)
class Work:
    """A piece of work: what it is estimated to cost, and how it is done."""

    size: str
    cost: Cost
    run: Callable[[], Any]


def a_set(places: int, kind: str, rules: int = 0) -> dict[str, Any]:
    """`narrow`: a coin fits one place or none, `wide`: half of them, `long`: rules of twenty clauses."""
    accepts = {
        "narrow": lambda n: f"year_on_coin = {1000 + n}",
        "wide": lambda n: f"grade >= {n % 60 + 1}",
        "long": lambda n: " OR ".join(f"(year_on_coin = {1000 + n + k} AND grade > {k})" for k in range(10)),
    }[kind]
    constraints = [
        {"id": f"rule-{n}", "kind": "at_most", "per": [name], "count": max(1, places // 8)}
        for n, name in enumerate(RULED[:rules])
    ]
    slots = {f"place-{n:04}": accepts(n) for n in range(places)}
    return a_document(slots, constraints=constraints, prefer=[{"highest": "grade"}])


def some_coins(count: int, places: int, vague: float = 0.0) -> list[dict[str, Any]]:
    """`vague`: the part of the coins of which the grade is not recorded, and as many of whose years there are two."""
    chance = Random(SEED)
    coins = []
    for n in range(count):
        facts: dict[str, Any] = {
            "grade": chance.randint(1, 70),
            "year_on_coin": 1000 + chance.randrange(places + 30),
            "mint": f"m{chance.randrange(12)}",
            "denomination": f"d{chance.randrange(12)}",
            "struck": 1800 + chance.randrange(12),
            "die_axis": chance.randrange(12) + 1,
        }
        if chance.random() < vague:
            del facts["grade"]
        if chance.random() < vague:
            facts["year_on_coin"] = {"one_of": [1000 + chance.randrange(places), 1000 + places]}
        coins.append(a_holding(f"coin-{n:06}", **facts))
    return coins


def sized(request: EvaluationRequest, document: dict[str, Any]) -> Sizes:
    """The sizes with the pairs counted, as a build counts them."""
    sizes = sizes_of_document(document, len(request.holdings), request.budget_seconds)
    uncertain = sum(
        "grade" not in coin.facts or not has_plain_value(coin.facts, "year_on_coin") for coin in request.holdings
    )
    return replace(sizes, pairs=len(build_instance(request)[0].problem.edges), uncertain=uncertain)


def work(quick: bool) -> Iterator[Work]:
    sizes: list[tuple[int, int, str, int, float]] = [
        (20, 30, "narrow", 0, 0.0),
        (100, 100, "narrow", 0, 0.0),
        (200, 100, "wide", 0, 0.0),
        (1_000, 500, "narrow", 0, 0.0),
        (1_000, 200, "wide", 0, 0.0),
        (500, 200, "long", 0, 0.0),
        (100, 30, "wide", 0, 0.3),
        (500, 100, "long", 0, 0.2),
        (60, 20, "wide", 1, 0.0),
        (200, 60, "wide", 1, 0.0),
        (200, 100, "wide", 5, 0.0),
    ]
    if not quick:
        sizes += [
            (10_000, 500, "narrow", 0, 0.0),
            (10_000, 200, "wide", 0, 0.0),
            (5_000, 1_000, "wide", 0, 0.0),
            (1_000, 200, "long", 0, 0.3),
            (500, 200, "wide", 1, 0.0),
            (500, 200, "wide", 5, 0.0),
            (1_000, 200, "wide", 5, 0.0),
        ]
    for count, places, kind, rules, vague in sizes:
        document = a_set(places, kind, rules)
        coins = some_coins(count, places, vague)
        # What the search may take is not estimated, so little is granted.
        request = replace(a_measurement(document, coins), budget_seconds=0.1)
        found = sized(request, document)
        name = (
            f"{count:,} coins, {places:,} places, {kind}" + f", {rules} rules" * bool(rules) + ", vague" * bool(vague)
        )
        yield Work(f"evaluation: {name}", cost_of_evaluation(found), lambda r=request: evaluate(r))
        if places <= 200 and count <= 1_000:
            holding = request.holdings[0]
            yield Work(
                f"explanation: {name}", cost_of_explanation(found), lambda r=request, h=holding: explain(r, h, None)
            )
            yield Work(f"want list: {name}", cost_of_evaluation(found), lambda r=request: want_list(r))
        if count <= 1_000 and not rules:
            tray = replace(request, holdings=request.holdings[20:])
            more = request.holdings[:20]
            yield Work(
                f"candidates: {name}",
                cost_of_candidates(found, len(more)),
                lambda r=tray, m=more: candidates(Evaluated(r, tries=len(m)), m),
            )
            yield Work(f"preview: {name}", cost_of_preview(found), lambda r=request: previewed(r))
        if vague:
            yield Work(f"doubts: {name}", cost_of_doubts(found), lambda r=request: weigh_facts([Evaluated(r)]))
    for places, kind in ((20, "narrow"), (200, "narrow"), (60, "wide"), (30, "long")) + (
        () if quick else ((200, "long"),)
    ):
        document = a_set(places, kind)
        definition = a_measurement(document, []).definition
        yield Work(
            f"check: {places} places, {kind}",
            cost_of_check(sizes_of_document(document, 0, 0)),
            lambda d=definition: check_definition(d, {}, AROUND.today),
        )


def previewed(request: EvaluationRequest) -> DefinitionPreview:
    """The preview of a draft, its check included."""
    found = check_definition(request.definition, {}, AROUND.today)
    which = CheckedDefinition(None, None, request.definition.digest)
    return preview_of(request, request.definition.document, found, which, reference_edition="", engine_version="")


def measured(run: Callable[[], Any]) -> float:
    """Milliseconds of CPU, the lesser of two for what is short."""
    found = []
    for _ in range(2):
        begun = time.process_time()
        run()
        found.append(1_000 * (time.process_time() - begun))
        if found[0] > 2_000:
            break
    return min(found)


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.estimates", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("--quick", action="store_true", help="leave out what takes long")
    parser.add_argument("--only", default="", help="kinds that begin like this")
    asked = parser.parse_args()
    print(f"{'milliseconds of CPU':<52}{'estimated':>12}{'measured':>12}{'ratio':>8}")
    for one in work(asked.quick):
        if not one.size.startswith(asked.only):
            continue
        taken = measured(one.run)
        ratio = one.cost.milliseconds / taken
        is_right = 1 / ACCURACY <= ratio <= ACCURACY or max(taken, one.cost.milliseconds) <= _SMALL_MILLISECONDS
        mark = "" if is_right else "  off"
        print(f"{one.size:<52}{one.cost.milliseconds:>12,.1f}{taken:>12,.1f}{ratio:>8.2f}{mark}", flush=True)


if __name__ == "__main__":
    main()
