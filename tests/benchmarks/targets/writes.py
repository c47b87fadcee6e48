"""Writing many holdings: tests/benchmarks/writing.py measures both, and looks at every answer."""

from __future__ import annotations

from tests.benchmarks import writing
from tests.benchmarks.target import Measurement, Scale, Target

THERE = {Scale.QUICK: 500, Scale.USUAL: 5_000, Scale.FULL: 100_000}
ROWS = {Scale.QUICK: 500, Scale.USUAL: 5_000, Scale.FULL: 5_000}


def batch(scale: Scale) -> Measurement:
    found = writing.batches(None, THERE[scale], 3 if scale == Scale.QUICK else 7)
    others = {"new ones by a request": found.request, "edits": found.edits, "edits by a request": found.edits_request}
    told = ", ".join(f"{name} {one.cpu / found.floor.cpu:.1f}x" for name, one in others.items())
    size = f"{writing.BATCH} new, {THERE[scale]:,} there"
    return Measurement(size, found.batch.cpu, found.floor.cpu, note=f"{told} (requests with their client)")


def imported(scale: Scale) -> Measurement:
    found = writing.imports(None, ROWS[scale], 3)
    told = ", ".join(
        f"{name} {one.cpu / found.sync.cpu:.2f}x"
        for name, one in {"JSON": found.json, "dry run": found.dry_run, "a second time": found.again}.items()
    )
    return Measurement(f"{ROWS[scale]:,} rows of CSV, a row", found.csv.cpu, found.sync.cpu, note=told)


TARGETS = (
    Target(
        "sync-batch", "writes", "a batch of sync", "the driver's executemany of the same holding and log rows", "at most", 5,
        batch, quick=True,
    ),
    Target("import-row", "writes", "a row of an import", "a row sent by sync", "at most", 1.5, imported, quick=True),
)  # fmt: skip
