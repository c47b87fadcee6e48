"""Where the numbers of the metrics are counted, and how they are read there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, replace
from typing import Any

from service.http.answers import Answers
from service.http.connections import ConnectionTable
from service.http.gate import Gate
from service.http.job_runs import OUTCOMES
from service.observability.metrics import Reading
from service.observability.work_counts import Tally, worked
from service.reference import compiled
from service.runtime import Context
from service.settings import engine_version


def readings(state: Any, context: Context) -> Iterator[Reading]:
    """What is counted in this process now. `state` is the app's. To be called in the event loop, whose things these are."""
    yield Reading("info", 1, (engine_version(),))
    yield from _connections(state.connections)
    yield from _gate(state.gate)
    for limit in ("account", "anonymous", "heavy"):
        yield Reading("quota_refused", state.quotas.refusals[limit], (limit,))
    yield from _answers(state.answers)
    yield from _common(context, state.work_counts)


def worker_readings(context: Context) -> Iterator[Reading]:
    """The same for a process that does jobs and serves nobody."""
    yield Reading("info", 1, (engine_version(),))
    yield from _common(context, Counter())


def _common(context: Context, elsewhere: Tally) -> Iterator[Reading]:
    yield from _limiters(context)
    yield from _work(context)
    yield from _database(context)
    yield from _cache_sizes(context)
    jobs = context.job_tally
    for reading in worked(context):
        key = reading.name, reading.labels
        yield replace(reading, value=reading.value + elsewhere[key] + jobs.counts[key])
    yield Reading("jobs_running", jobs.running)
    for outcome in OUTCOMES:
        yield Reading("jobs_ended", jobs.outcomes[outcome], (outcome,))
    yield Reading("jobs_seconds", jobs.seconds)
    for job, runs in context.job_runs.items():
        yield Reading("job_runs", runs.succeeded, (job, "success"))
        yield Reading("job_runs", runs.failed, (job, "failure"))
        if runs.succeeded:
            yield Reading("job_last_success_timestamp_seconds", runs.last_success, (job,))
        yield Reading("job_last_duration_seconds", runs.last_seconds, (job,))


def _connections(table: ConnectionTable) -> Iterator[Reading]:
    yield Reading("connections", table.count)
    yield Reading("event_streams", table.streams.count)
    for why in ("timed_out", "displaced", "refused"):
        yield Reading("connections_ended", getattr(table.counts, why), (why,))


def _gate(gate: Gate) -> Iterator[Reading]:
    yield Reading("gate_inside", gate.inside)
    yield Reading("gate_waiting", gate.waiting)
    for why in ("full", "late", "gone"):
        yield Reading("gate_refused", getattr(gate.counts, why), (why,))


def _limiters(context: Context) -> Iterator[Reading]:
    limiters = {
        "work": context.limiter,
        "photos": context.photo_limiter,
        "passwords": context.password_limiter,
        "passwords_of_known_devices": context.known_device_limiter,
        "exports": context.export_limiter,
        "fetches": context.fetch_limiter,
    }
    for name, limiter in limiters.items():
        yield Reading("limiter_running", limiter.running, (name,))
        yield Reading("limiter_waiting", limiter.waiting, (name,))
        yield Reading("limiter_refused", limiter.refused, (name,))


def _work(context: Context) -> Iterator[Reading]:
    for room, processes in (("accounts", context.members), ("strangers", context.strangers)):
        if processes is not None:
            yield Reading("work_running", processes.running, (room,))
            yield Reading("work_waiting", processes.waiting, (room,))
            for outcome, count in asdict(processes.tally).items():
                yield Reading("work_ended", count, (room, outcome))


def _database(context: Context) -> Iterator[Reading]:
    use = context.database.use
    for pool, (in_use, limit) in use.pools.items():
        yield Reading("database_connections", in_use, (pool,))
        yield Reading("database_connections_limit", limit, (pool,))
    yield Reading("database_writers_waiting", use.writers_waiting)
    yield Reading("database_writers_refused", use.writers_refused)


def _answers(answers: Answers) -> Iterator[Reading]:
    counts = answers.counts
    for outcome, count in (("hit", counts.hits), ("wait", counts.waits), ("miss", counts.misses)):
        yield Reading("cache_requests", count, ("answers", outcome))
    yield Reading("cache_evictions", counts.evictions, ("answers",))
    yield Reading("cache_bytes", counts.bytes, ("answers",))


def _cache_sizes(context: Context) -> Iterator[Reading]:
    yield Reading("cache_bytes", context.database.warm.counts.nbytes, ("columns",))
    yield Reading("cache_bytes", compiled.kept_bytes(), ("definitions",))
    yield Reading("cache_bytes", compiled.rule_bytes(), ("rules",))
