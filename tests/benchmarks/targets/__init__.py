"""The table of targets, by group; docs/benchmarks/README.md says what each row means."""

from tests.benchmarks.targets import answers, verdicts

TARGETS = (*verdicts.TARGETS, *answers.TARGETS)
