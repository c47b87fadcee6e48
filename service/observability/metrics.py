"""Metrics for Prometheus, of one process or of all that serve together.

Requests are counted as they end. Everything else is counted where it happens, in plain objects that know nothing of this;
their numbers are read when somebody asks (`publish`), and every few seconds where several processes share a folder
(`PROMETHEUS_MULTIPROC_DIR`), which any of them then sums up. The number of series is bounded: routes are templates.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    ProcessCollector,
    disable_created_metrics,
    generate_latest,
)
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead

PREFIX = "setwright_"
MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"
NO_ROUTE = "(no route)"
FOLDER = "PROMETHEUS_MULTIPROC_DIR"
# How often a process brings what it shares up to date.
PUBLISH_SECONDS = 5.0
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT"})
_BUCKETS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
_OF_A_LIVE_PROCESS = re.compile(r"gauge_live[a-z]+_(\d+)\.db")

# When a series began is not told: a series of its own for each would double them.
disable_created_metrics()  # type: ignore[no-untyped-call]


@dataclass(frozen=True, slots=True)
class Family:
    """What a number means. `over`: what the number of all processes together is, where it is no count."""

    kind: Literal["counter", "gauge"]
    meaning: str
    labels: tuple[str, ...] = ()
    over: Literal["livesum", "max"] = "livesum"


@dataclass(frozen=True, slots=True)
class Reading:
    """A number that was read from where it is counted. `name` is one of FAMILIES."""

    name: str
    value: float
    labels: tuple[str, ...] = ()


def _counter(meaning: str, *labels: str) -> Family:
    return Family("counter", meaning, labels)


def _gauge(meaning: str, *labels: str, over: Literal["livesum", "max"] = "livesum") -> Family:
    return Family("gauge", meaning, labels, over)


# Counters are shown with `_total` at the end.
FAMILIES: dict[str, Family] = {
    "processes": _gauge("Processes that serve."),
    "info": _gauge("1 for each process that runs this version.", "version"),
    "resident_memory_bytes": _gauge("Memory that the processes that serve have now."),
    "open_files": _gauge("Open files and sockets of the processes that serve."),
    "cpu_seconds": _counter("Processor time of the processes that serve, of all their threads."),
    "requests_in_flight": _gauge("Requests that are being answered, this one and open streams of events among them."),
    "connections": _gauge("Open connections."),
    "connections_ended": _counter(
        "Connections that the service ended: a deadline (timed_out), to make room (displaced), no room (refused).",
        "why",
    ),
    "gate_inside": _gauge("Requests that have a place to be worked on."),
    "gate_waiting": _gauge("Requests that wait for such a place."),
    "gate_refused": _counter(
        "Requests that got none: the queue was full, their turn came too late, or their caller had gone.", "why"
    ),
    "quota_refused": _counter(
        "Requests that were refused because their caller had made too many (account, anonymous), or has too many that take long "
        "(heavy).",
        "limit",
    ),
    "event_streams": _gauge("Open streams of events."),
    "limiter_running": _gauge("Pieces of work that run now, by what bounds them.", "limiter"),
    "limiter_waiting": _gauge("Pieces of work that wait for their turn.", "limiter"),
    "limiter_refused": _counter("Pieces of work that were refused because too many waited.", "limiter"),
    "work_running": _gauge("Requests that a process of its own works on now, by who asks.", "room"),
    "work_waiting": _gauge("Requests that wait for such a process.", "room"),
    "work_ended": _counter(
        "What became of them: done, refused (too many waited), over_time, over_memory, left (the caller went away).",
        "room",
        "outcome",
    ),
    "database_connections": _gauge("Connections to the database that are in use.", "pool"),
    "database_connections_limit": _gauge("How many connections to the database there may be.", "pool"),
    "database_writers_waiting": _gauge("SQLite: changes that wait to be written."),
    "database_writers_refused": _counter("SQLite: changes that were refused, or given up, because too many waited."),
    "cache_requests": _counter(
        "What became of questions to a cache (answers, columns, definitions, rules): hit, patch, wait or miss.",
        "cache",
        "outcome",
    ),
    "cache_evictions": _counter("What a cache let go of to make room.", "cache"),
    "cache_bytes": _gauge("What a cache takes.", "cache"),
    "solver_runs": _counter("Runs of the solver, by whether it proved its answer within its budget.", "outcome"),
    "solver_deterministic_seconds": _counter("Work of the solver, in its own seconds, which do not depend on load."),
    "jobs_running": _gauge("Jobs, requests that are answered later, that this is at work on now."),
    "jobs_ended": _counter(
        "Attempts at jobs: done, failed, or left (given back, cancelled, or taken over by another process).", "outcome"
    ),
    "jobs_seconds": _counter("How long attempts at jobs took."),
    "job_runs": _counter("Runs of background jobs.", "job", "outcome"),
    "job_last_success_timestamp_seconds": _gauge("When a background job last ended well.", "job", over="max"),
    "job_last_duration_seconds": _gauge("How long a background job last took.", "job", over="max"),
}


class _Series:
    """The series of requests with one method, route and class of status."""

    def __init__(self, metrics: Metrics, method: str, route: str, status: str) -> None:
        self.count = metrics.requests.labels(method, route, status)
        self.seconds = metrics.seconds.labels(method, route)
        self.sent = metrics.sent.labels(method, route)
        self.received = metrics.received.labels(method, route)


class Metrics:
    """The metrics of this process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.folder = os.environ.get(FOLDER)
        self.in_flight = 0
        of_a_route = ("method", "route")
        self.requests = Counter(
            f"{PREFIX}requests", "Requests, by route template.", ("method", "route", "status"), registry=self.registry
        )
        self.seconds = Histogram(
            f"{PREFIX}request_seconds",
            "From the head of a request to the end of its answer; streams of events are left out.",
            ("method", "route"),
            registry=self.registry,
            buckets=_BUCKETS,
        )
        self.sent = Counter(f"{PREFIX}sent_bytes", "Bytes of bodies of answers.", of_a_route, registry=self.registry)
        self.received = Counter(
            f"{PREFIX}received_bytes", "Bytes of bodies of requests that were read.", of_a_route, registry=self.registry
        )
        self._series: dict[tuple[str, str, int], _Series] = {}
        self._instruments = {name: self._instrument(name, family) for name, family in FAMILIES.items()}
        self._counted: dict[tuple[str, tuple[str, ...]], float] = {}
        self._process = ProcessCollector(registry=None)

    def _instrument(self, name: str, family: Family) -> Counter | Gauge:
        if family.kind == "counter":
            return Counter(PREFIX + name, family.meaning, family.labels, registry=self.registry)
        return Gauge(
            PREFIX + name, family.meaning, family.labels, registry=self.registry, multiprocess_mode=family.over
        )

    def count(self, method: str, route: str, status: int, seconds: float | None, sent: int, received: int) -> None:
        """Counts a request that has ended. `status` 0: its caller left before there was one; `seconds` None: a stream."""
        key = (method, route, status)
        series = self._series.get(key)
        if series is None:
            # A method that the route does not take is no further pair of both.
            named = (method if method in _METHODS else "other", NO_ROUTE if status == 405 else route)
            series = _Series(self, *named, f"{status // 100}xx" if status else "none")
            if method in _METHODS:
                self._series[key] = series
        series.count.inc()
        if seconds is not None:
            series.seconds.observe(seconds)
        series.sent.inc(sent)
        if received:
            series.received.inc(received)

    def publish(self, readings: Iterable[Reading]) -> None:
        """Brings the metrics up to what was read."""
        for reading in (*readings, *self._of_the_process()):
            instrument = self._instruments[reading.name]
            series = instrument.labels(*reading.labels) if reading.labels else instrument
            if isinstance(series, Gauge):
                series.set(reading.value)
                continue
            key = (reading.name, reading.labels)
            before = self._counted.get(key, 0.0)
            # What counts from zero again was replaced.
            series.inc(reading.value - before if reading.value >= before else reading.value)
            self._counted[key] = reading.value

    def _of_the_process(self) -> Iterator[Reading]:
        yield Reading("processes", 1)
        yield Reading("requests_in_flight", self.in_flight)
        told = {sample.name: sample.value for family in self._process.collect() for sample in family.samples}
        for name, of_it in (
            ("resident_memory_bytes", "process_resident_memory_bytes"),
            ("open_files", "process_open_fds"),
            ("cpu_seconds", "process_cpu_seconds_total"),
        ):
            if of_it in told:
                yield Reading(name, told[of_it])

    def text(self) -> bytes:
        """All metrics in Prometheus' text format: of this process, or of all that share the folder."""
        if self.folder is None:
            return generate_latest(self.registry)
        for file in Path(self.folder).iterdir():
            found = _OF_A_LIVE_PROCESS.fullmatch(file.name)
            if found is not None and not _is_alive(int(found[1])):
                mark_process_dead(int(found[1]), self.folder)  # type: ignore[no-untyped-call]
        together = CollectorRegistry()
        MultiProcessCollector(together, self.folder)  # type: ignore[no-untyped-call]
        return generate_latest(together)


def _is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass
    return True


@contextmanager
def shared_folder(processes: int) -> Iterator[None]:
    """Where processes that are started in the block share their metrics, if there are several: a new folder, inside of the one
    that the environment names or else of the system's for temporary files, removed at the end."""
    if processes == 1:
        os.environ.pop(FOLDER, None)
        yield
        return
    inside = os.environ.get(FOLDER)
    with tempfile.TemporaryDirectory(prefix="setwright-metrics-", dir=inside) as folder:
        os.environ[FOLDER] = folder
        try:
            yield
        finally:
            os.environ.pop(FOLDER)
            if inside is not None:
                os.environ[FOLDER] = inside
