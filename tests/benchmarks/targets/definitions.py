"""The check of a definition, and the doubts of a shipped set."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from service.progress.actions.check import findings_on
from service.progress.information import WeighedFacts, weigh_facts
from service.progress.whatif import Evaluated
from service.reference import shipped
from service.rules.document import read_definition
from tests.benchmarks.data import TODAY
from tests.benchmarks.race import Disagreement, Side, median, race
from tests.benchmarks.reference_work import SUM, work
from tests.benchmarks.servers import a_document
from tests.benchmarks.target import Measurement, Scale, Target
from tests.set_definitions import a_set

PLACES = {Scale.QUICK: 100, Scale.USUAL: 500, Scale.FULL: 500}
# The check's time in November in that of the reference work, and what it found, by the number of places.
NOVEMBER = {100: (3.1, 44), 500: (34.0, 719)}
STERLING = "from-sterling-to-cupro-nickel"
TRIES = 20


def check(scale: Scale) -> Measurement:
    places = PLACES[scale]
    definition = read_definition(a_document(places), vocabularies=shipped.vocabularies())
    quotient, findings = NOVEMBER[places]
    times = race(
        Side(lambda: len(findings_on(definition, TODAY))),
        Side(work),
        lambda ours, theirs: (ours, theirs) == (findings, SUM),
    )
    return Measurement(f"{places} places", times.ours, times.theirs * quotient)


def doubts(coins: int) -> Callable[[Scale], Measurement]:
    def measure(scale: Scale) -> Measurement:
        asked = a_set(STERLING)
        # Past the set's own coins the same ones again, as other pieces.
        held = tuple(
            replace(asked.holdings[n % len(asked.holdings)], id=f"{asked.holdings[n % len(asked.holdings)].id}-{n}")
            for n in range(coins)
        )

        def run() -> WeighedFacts:
            return weigh_facts([Evaluated(replace(asked, holdings=held), tries=TRIES)])

        seconds, found = median(Side(run), 3)
        if not found.facts:
            raise Disagreement("no fact was weighed")
        return Measurement(f"{coins} coins", seconds, note=f"{len(found.facts)} facts, {found.left_out} left out")

    return measure


TARGETS = (
    Target(
        "check", "definitions", "check of a definition of 500 places", "the same in November, by reference work", "at most",
        1 / 5, check, quick=True,
    ),
    Target("doubts-42", "definitions", "doubts of the sterling set, its 42 coins", "", "at most", 1, doubts(42), unit="s"),
    Target("doubts-172", "definitions", "doubts of the sterling set, 172 coins", "", "at most", 5, doubts(172), unit="s"),
)  # fmt: skip
