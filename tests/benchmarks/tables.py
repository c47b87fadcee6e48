"""`python -m tests.benchmarks.tables`: longer tables of what the engine costs at several sizes, beside peers and floors of the
same run. The targets are measured by `python -m tests.benchmarks`.

Needs '.[tests,benchmarks]'. `--quick` leaves out the largest sizes. Nothing here asserts a time; agreement of the answers is
asserted, so that no ratio compares different work.
"""

from __future__ import annotations

import argparse
import random
import resource
import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from rich.console import Console
from rich.table import Table

from service.assignment.solve import solve
from service.evaluation.columns import of_views
from service.facts.holding import read_holding
from service.progress.candidates import candidates
from service.progress.evaluate import evaluate, evaluate_unnamed
from service.progress.whatif import Evaluated
from tests.benchmarks import clubs, listing, peers, swaps, syncing
from tests.benchmarks.data import Case, a_case, a_coin, a_problem
from tests.benchmarks.race import Side, median
from tests.benchmarks.targets.assignment import worth
from tests.benchmarks.targets.verdicts import rules
from tests.factories import as_sent

ROW_BY_ROW_PAIRS = 5_000_000
PEER_SECONDS = 60.0
TRAY = 40


def timed(run: Callable[[], Any], repeats: int = 3) -> tuple[float, Any]:
    """The median of the times in seconds on the clock, and the last answer."""
    return median(Side(run, time.perf_counter), repeats)


def show(console: Console, title: str, columns: list[str], rows: list[list[str]]) -> None:
    table = Table(title=title, title_justify="left", show_edge=False)
    for column in columns:
        table.add_column(column, justify="left" if column in ("size", "regime", "engine") else "right")
    for row in rows:
        table.add_row(*row)
    console.print(table)
    console.print()


def ratio(other: float | None, ours: float) -> str:
    return "-" if other is None else f"{other / ours:,.2f}x" if other < 100 * ours else f"{other / ours:,.0f}x"


def verdicts(console: Console, sizes: list[tuple[int, int]]) -> None:
    rows = []
    for holdings, places in sizes:
        case = rules(holdings, places)
        coins, predicates, kept = case.rows, case.predicates, case.columns
        encode, _ = timed(lambda: [of_views(coins, kept.attributes, kept.context).column(n) for n in case.names], 1)
        ours, fitting = timed(case.counted())
        pairs = holdings * places
        some = max(1, min(places, ROW_BY_ROW_PAIRS // holdings))
        slow, _ = timed(peers.row_by_row(predicates[:some], coins), 1)
        slow *= places / some
        lazy, told = (None, None) if holdings > 200_000 else timed(peers.polars_lazy(predicates, coins))
        # A two-valued engine knows nothing of doubts: it may find fewer, never more.
        assert told is None or told <= fitting, (told, fitting)
        copy, _ = timed(peers.memcpy(holdings, places), 5)
        rows.append(
            [
                f"{holdings:,} x {places:,}",
                f"{ours * 1e3:,.1f}",
                f"{pairs / ours:.2e}",
                f"{encode * 1e3:,.0f}",
                ratio(slow, ours),
                ratio(lazy, ours),
                ratio(ours, copy),
            ]
        )
    show(
        console,
        "Verdicts of all coins for all places (three-valued, counted)",
        ["size", "ms", "verdicts/s", "encode ms", "row by row / ours", "polars / ours", "ours / memcpy of answer"],
        rows,
    )


def assignment(console: Console, sizes: list[tuple[int, int]]) -> None:
    solve(a_problem(2_000, 100, (20, 30)))  # the solvers' libraries are loaded once, outside the times
    rows = []
    for holdings, places in sizes:
        for regime, fits in (("typical, 1-3", (1, 3)), ("hard, 20-30", (20, 30))):
            problem = a_problem(holdings, places, fits)
            ours, solution = timed(lambda: solve(problem), 3 if len(problem.edges) < 300_000 else 1)
            assert solution.proven
            filled = len(solution.placements)
            cells = places * (holdings + places)
            dense = timed(peers.scipy_dense(problem), 1) if cells <= 60_000_000 else (None, None)
            whole = (
                timed(peers.cp_sat_whole(problem, PEER_SECONDS), 1) if len(problem.edges) <= 250_000 else (None, filled)
            )
            graph = timed(peers.networkx_matching(problem), 1) if len(problem.edges) <= 3_000 else (None, filled)
            assert dense[1] in (None, worth(problem, solution.placements))
            assert whole[1] in (filled, -1, -2)
            assert graph[1] == filled
            rows.append(
                [
                    f"{holdings:,} x {places:,}",
                    regime,
                    f"{len(problem.edges):,}",
                    f"{ours * 1e3:,.0f}",
                    ratio(dense[0], ours),
                    {-1: f"gave up at {PEER_SECONDS:.0f} s", -2: "cannot: 64 bits"}.get(
                        whole[1], ratio(whole[0], ours)
                    ),
                    ratio(graph[0], ours),
                ]
            )
    show(
        console,
        "Assignment, all levels with proof, canonical and with certainty",
        ["size", "regime", "edges", "ms", "scipy dense / ours", "CP-SAT whole / ours", "networkx / ours"],
        rows,
    )


def whole_evaluations(console: Console, sizes: list[tuple[int, int]]) -> None:
    evaluate(a_case(100, 20).request)
    rows = []
    for holdings, places in sizes:
        for regime, hard in (("typical", False), ("hard", True)):
            case: Case = a_case(holdings, places, hard=hard)
            ours, result = timed(lambda: evaluate(case.request), 1)
            unnamed, _ = timed(lambda: evaluate_unnamed(case.request), 1)
            pairs = holdings * places
            summary = as_sent(result.summary)
            rows.append(
                [
                    f"{holdings:,} x {places:,}",
                    regime,
                    f"{ours:,.2f}",
                    f"{unnamed:,.2f}",
                    f"{ours / pairs * 1e9:,.1f}",
                    f"{summary['filled']} + {summary['tentative']}",
                    "yes" if result.proven_optimal else "no",
                ]
            )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    show(
        console,
        f"Whole evaluations (verdicts, assignment, contests, doubts, closest places); peak memory so far {peak:,.0f} MiB",
        ["size", "regime", "s", "without names s", "ns a pair", "filled + in doubt", "proven"],
        rows,
    )


def considering(console: Console, sizes: list[tuple[int, int]]) -> None:
    rows = []
    for holdings, places in sizes:
        for regime, hard in (("typical", False), ("hard", True)):
            case: Case = a_case(holdings, places, hard=hard)
            request = case.request
            chance, years = random.Random(7), 200
            raw = [{**a_coin(chance, number, years), "id": f"tray-{number:03}"} for number in range(TRAY)]
            tray = [read_holding(coin, request.definition.attributes, strict=True)[0] for coin in raw]
            assert all(coin is not None for coin in tray)
            cold, _ = timed(lambda: evaluate(request), 1)
            begun, evaluated = timed(lambda: Evaluated(request, tries=TRAY), 1)
            one_by_one = []
            for coin in tray:
                seconds, _ = timed(lambda coin=coin: candidates(evaluated, [coin]), 1)
                one_by_one.append(seconds)
            # Some coin for which the whole is evaluated twice: the answers must be the same.
            coin = tray[0]
            (candidate,) = candidates(evaluated, [coin])
            after = evaluate(replace(request, holdings=(*request.holdings, coin))).summary
            assert candidate.certain_gain == after.certain - evaluated.whole.certain
            usual, worst = statistics.median(one_by_one), max(one_by_one)
            rows.append(
                [
                    f"{holdings:,} x {places:,}",
                    regime,
                    f"{cold:,.2f}",
                    f"{begun:,.2f}",
                    f"{usual * 1e3:,.1f}",
                    f"{worst * 1e3:,.1f}",
                    f"{usual / cold:,.2%}",
                    f"{worst / cold:,.2%}",
                ]
            )
    show(
        console,
        f"One candidate against a collection already evaluated, {TRAY} coins one by one (aim: under 10 % of a cold evaluation)",
        ["size", "regime", "cold s", "evaluated once s", "median ms", "worst ms", "median / cold", "worst / cold"],
        rows,
    )


def synchronising(console: Console, holdings: int) -> None:
    firsts, days = [], []
    for engine, server_url in syncing.engines().items():
        first, daily = syncing.measured(server_url, holdings)
        firsts.append(
            [
                engine,
                f"{first.push:,.2f}",
                f"{first.push / holdings * 1e3:,.2f}",
                f"{first.bare_insert:,.2f}",
                ratio(first.push, first.bare_insert),
                f"{first.pull:,.2f}",
                f"{first.bare_select:,.2f}",
                ratio(first.pull, first.bare_select),
            ]
        )
        small = min(daily, key=lambda one: one.holdings)
        for one in daily:
            times = [f"{one.push * 1e3:,.1f}", f"{one.changes * 1e3:,.1f}"]
            against = [ratio(one.push, small.push), ratio(one.changes, small.changes)]
            days.append([engine, f"{one.holdings:,}", *times, *against])
    pushed = ["push s", "ms a holding", "bare INSERTs s", "push / bare"]
    show(
        console,
        f"First sync of {holdings:,} holdings, {syncing.BATCH} a batch and a page (bare: the same rows, one transaction)",
        ["engine", *pushed, "pull s", "bare SELECT s", "pull / bare"],
        firsts,
    )
    show(
        console,
        f"A day of {syncing.EDITS} edits, median of {syncing.DAYS} (aim: what changed costs the same at any size)",
        ["engine", "holdings", "push ms", "changes since ms", "push / smallest", "changes / smallest"],
        days,
    )
    sent = [
        [
            one.coding,
            "as little as can be asked for" if one.slim else "whole records",
            *(f"{part.up / 1e3:,.1f} / {part.down / 1e3:,.1f}" for part in (one.sent, one.day)),
            *(f"{part.down / 1e6:,.2f}" for part in (one.first, one.part)),
        ]
        for one in syncing.traffic_of(holdings)
    ]
    show(
        console,
        f"Bytes of sync, heads included: {syncing.EDITS} edits (aim: 15 kB down); a first sync of {holdings:,} holdings (aim for "
        "10,000 in part: 1.5 MB)",
        ["coding", "answers", "edits sent, kB up / down", "and changes taken, kB up / down", "all, MB", "in part, MB"],
        sent,
    )


def looking_through(console: Console, sizes: tuple[int, int]) -> None:
    rows = []
    for engine, server_url in syncing.engines().items():
        found = listing.measured(server_url, sizes)
        small = {one.asked: one for one in found if one.holdings == min(sizes)}
        for one in sorted(found, key=lambda one: (one.asked, one.holdings)):
            against = ratio(one.seconds, small[one.asked].seconds)
            rows.append([engine, one.asked, f"{one.holdings:,}", f"{one.seconds * 1e3:,.1f}", against])
    title = f"Looking through holdings, a page of 100, median of {listing.REPEATS}"
    show(console, title, ["engine", "asked", "holdings", "ms", "/ smallest"], rows)


def standings(console: Console, members: int, coins: int, places: int) -> None:
    rows = []
    for engine, server_url in syncing.engines().items():
        one = clubs.measured(server_url, members, coins, places)
        rows.append(
            [
                engine,
                f"{one.cold:,.1f}",
                f"{one.cold / members * 1e3:,.0f}",
                f"{one.cold_page:,.2f}",
                ratio(one.cold, one.evaluations),
                f"{one.warm * 1e3:,.0f}",
                f"{one.warm_page * 1e3:,.0f}",
                f"{one.changed_page * 1e3:,.0f}",
                f"{one.spares_for_a_place * 1e3:,.0f}",
                f"{one.one_member * 1e3:,.0f}",
            ]
        )
    cold = ["cold s", "ms a member", "slowest page s", "cold / bare evaluations"]
    warm = ["warm, all pages ms", "a page ms", "page after a coin ms", "spares for a place ms", "one's spares ms"]
    show(
        console,
        f"Standings of {members} members with {coins:,} coins each in a set of {places} places, all pages",
        ["engine", *cold, *warm],
        rows,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="leave out the largest sizes")
    parser.add_argument("--only-sync", action="store_true", help="sync alone")
    parser.add_argument("--only-holdings", action="store_true", help="looking through holdings alone")
    parser.add_argument("--only-clubs", action="store_true", help="clubs alone")
    asked = parser.parse_args()
    quick = asked.quick
    console = Console(width=150)
    if asked.only_sync:
        synchronising(console, 10_000)
        return
    sizes = (1_000, 10_000 if quick else 100_000)
    if asked.only_holdings:
        looking_through(console, sizes)
        return
    if asked.only_clubs:
        standings(console, *((20, 500, 100) if quick else (500, 2_000, 500)))
        swaps.run(quick, console)
        return
    small, middle, large = (1_000, 200), (10_000, 500), (100_000, 1_000)
    verdicts(console, [(5_000, 500), middle] if quick else [(5_000, 500), middle, large, (1_000_000, 2_000)])
    assignment(console, [small, middle] if quick else [small, middle, large])
    whole_evaluations(console, [small, middle] if quick else [small, middle, large])
    considering(console, [small, middle])
    synchronising(console, 1_000 if quick else 10_000)
    looking_through(console, sizes)
    standings(console, *((20, 500, 100) if quick else (500, 2_000, 500)))
    swaps.run(quick, console)


if __name__ == "__main__":
    main()
