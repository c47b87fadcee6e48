"""A run in Markdown."""

from __future__ import annotations

from collections.abc import Mapping

from tests.soak.measured import Memory
from tests.soak.run import Result

_MOST_COMPLAINTS = 10


def report(result: Result, conditions: Mapping[str, str]) -> str:
    """What a run measured: its load, its kills, what was lost, memory and latency."""
    requests, ends = result.requests, result.requests.by_end()
    told = "; ".join(f"{name}: {value}" for name, value in conditions.items())
    busy = ends.get("503", 0)
    lines = [
        f"{told}.",
        "",
        f"{result.minutes:.1f} minutes, {result.devices} devices and {result.browsers} browsers of {result.accounts} accounts on "
        f"PostgreSQL, two web workers; killed: {_counts(result.kills)}. {sum(ends.values()):,} requests, "
        f"{len(requests.unforeseen)} unforeseen errors, {busy} answered busy. "
        f"{'Nothing was lost.' if not result.complaints else f'{len(result.complaints)} complaints.'}",
        "",
        "| what | figure |",
        "| --- | --- |",
        *(
            f"| {name} | {value:,} |" if isinstance(value, int) else f"| {name} | {value} |"
            for name, value in _figures(result)
        ),
        "",
        "Latency of answers in milliseconds:",
        "",
        "| what | answers | 50 % | 95 % | 99 % | longest |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for kind, (count, *at) in requests.milliseconds().items():
        lines.append(f"| {kind} | {count:,} | {' | '.join(f'{value:,.0f}' for value in at)} |")
    lines += [
        "",
        "Memory of the processes after their warm-up, the longest-lived of each kind, without pages of files:",
        "",
        "| process | minutes | mean, MiB | growth, MiB a minute |",
        "| --- | --- | --- | --- |",
    ]
    lines += [
        f"| {one.role} | {one.minutes:.1f} | {one.mean:.0f} | {one.slope:+.2f} |" for one in _longest(result.memory)
    ]
    if result.complaints:
        lines += [
            "",
            "What must not be:",
            "",
            *(f"- {complaint}" for complaint in result.complaints[:_MOST_COMPLAINTS]),
        ]
    return "\n".join(lines) + "\n"


def _figures(result: Result) -> list[tuple[str, object]]:
    sizes = [size for _, size in result.total_mib]
    return [
        *(item for item in result.figures.items() if not item[0].startswith("_")),
        ("how requests ended", _counts(result.requests.by_end())),
        ("memory of all processes together, most, MiB", round(max(sizes, default=0))),
    ]


def _longest(memory: list[Memory]) -> list[Memory]:
    found: list[Memory] = []
    for one in memory:
        if sum(other.role == one.role for other in found) < 2:
            found.append(one)
    return found


def _counts(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name}: {count:,}" for name, count in counts.items()) or "none"
