"""What a request costs with many owners on hash partitions, against the same with a hundred."""

from __future__ import annotations

from tests.benchmarks import owners
from tests.benchmarks.target import Measurement, Scale, Target
from tests.conftest import SERVER_URL

TURNS = 9


def many_owners(scale: Scale) -> Measurement:
    """The kind of request whose cost grows most."""
    sizes = owners.OWNERS if scale is Scale.FULL else owners.OWNERS[:2]
    costs, took, _ = owners.run(sizes, owners.PARTITIONS, TURNS)
    compared = owners.ratios(costs)
    fewest, most = sizes[0], sizes[-1]
    kind, _ = max(((kind, n) for kind, n in compared if n == most), key=lambda key: compared[key])
    few, many = (
        next(cost.ms for cost in costs if (cost.kind, cost.owners) == (kind, size)) / 1_000 for size in (fewest, most)
    )
    note = ", ".join(f"{of} {compared[of, most]:.2f}x" for of, size in compared if size == most)
    told = f"{note}; {took[most].owner:,.0f} bytes an owner, worst: {kind}"
    return Measurement(f"{most:,} owners x {owners.COINS}", many, few, note=told)


TARGETS = (
    Target(
        "owners",
        "owners",
        "HTTP: a request with 10,000 owners on 8 partitions, whichever grows most",
        "with 100 owners",
        "at most",
        1.1,
        many_owners if SERVER_URL else None,
        full=True,
        missing="" if SERVER_URL else "needs SETWRIGHT_TEST_DATABASE_URL",
    ),
)
