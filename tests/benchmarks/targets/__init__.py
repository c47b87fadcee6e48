"""The table of targets, by group; docs/benchmarks/README.md says what each row means."""

from tests.benchmarks.targets import (
    answers,
    assignment,
    definitions,
    growth,
    holdings,
    machine,
    owners,
    standings,
    stored,
    verdicts,
    warm,
    writes,
)

GROUPS = (
    verdicts,
    answers,
    assignment,
    warm,
    stored,
    holdings,
    writes,
    standings,
    definitions,
    machine,
    growth,
    owners,
)
TARGETS = tuple(target for group in GROUPS for target in group.TARGETS)
