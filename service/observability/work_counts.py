"""What is counted wherever the work of a request is done, which may be a process of its own: that one gives its counts back with
the answer. All of it counts up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from service.assignment import cp_sat
from service.observability.metrics import Reading
from service.reference import compiled
from service.runtime import Context

# Counts by name and labels.
Tally = Counter[tuple[str, tuple[str, ...]]]


def worked(context: Context) -> Iterator[Reading]:
    """What is counted in the process that does the work, which may be one of its own: all of it counts up."""
    warm, read, solver = context.database.warm.counts, compiled.COUNTS, cp_sat.COUNTS
    rules = compiled.RULE_COUNTS
    told = {
        "columns": {"hit": warm.hits, "patch": warm.patches, "miss": warm.misses},
        "definitions": {"hit": read.hits, "miss": read.misses},
        "rules": {"hit": rules.hits, "miss": rules.misses},
    }
    for cache, outcomes in told.items():
        for outcome, count in outcomes.items():
            yield Reading("cache_requests", count, (cache, outcome))
    for cache, evictions in (("columns", warm.evictions), ("definitions", read.evictions), ("rules", rules.evictions)):
        yield Reading("cache_evictions", evictions, (cache,))
    yield Reading("solver_runs", solver.proven, ("proven",))
    yield Reading("solver_runs", solver.unproven, ("unproven",))
    yield Reading("solver_deterministic_seconds", solver.seconds)


def tally(context: Context) -> Tally:
    """The same as one value, to be taken off a later one."""
    return Counter({(reading.name, reading.labels): reading.value for reading in worked(context)})
