"""Collections and sets of any size, from a seed: real words, made-up coins."""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.assignment.problem import AssignmentProblem, Basis, Edge
from service.facts.holding import Holding, View, read_holdings
from service.progress.evaluate import EvaluationRequest
from service.reference import shipped
from service.rules.definition import Definition
from service.rules.document import read_definition
from service.rules.predicates import EvaluationContext
from tests.factories import candidate_views

SEED = 1882
TODAY = date(2026, 11, 25)
VALUES = ("farthing", "halfpenny", "penny", "threepence", "sixpence", "shilling", "florin", "half crown", "crown")
ISSUERS = ("GB", "IE", "NO", "CA", "AU", "NZ", "ZA", "IN", "FR", "DE", "IT", "ES")
PREFER = [{"where": "count(problems) = 0"}, {"highest": "grade"}]


@dataclass(frozen=True)
class Case:
    """A definition and the coins put to it."""

    definition: Definition
    holdings: tuple[Holding, ...]

    @property
    def rows(self) -> list[View]:
        return [candidate_views(holding, {})[0] for holding in self.holdings]

    @property
    def context(self) -> EvaluationContext:
        return EvaluationContext(TODAY, shipped.vocabularies())

    @property
    def request(self) -> EvaluationRequest:
        return EvaluationRequest(self.definition, self.holdings, TODAY, shipped.vocabularies())


def a_case(holdings: int, places: int, *, hard: bool = False) -> Case:
    """Typical: a coin fits one to three places (issuer, value, a span of years). Hard: twenty and more (value alone)."""
    chance = random.Random(SEED)
    # So many places share one kind of coin that a coin fits the wanted number of them on average.
    years = 171
    slots = [a_slot(chance, number, places, hard, years) for number in range(places)]
    document = {"format": "set-definition/1", "title": "benchmark", "prefer": PREFER, "slots": slots}
    definition = read_definition(document, vocabularies=shipped.vocabularies())
    raw = [a_coin(chance, number, years) for number in range(holdings)]
    return Case(definition, read_holdings(raw, definition.attributes, strict=True))


def a_slot(chance: random.Random, number: int, places: int, hard: bool, years: int) -> dict[str, Any]:
    value = VALUES[number % len(VALUES)]
    if hard:
        first = chance.randint(1800, 1800 + years // 3)
        span = years // 2
        rule = f"denomination = '{value}' AND year_on_coin BETWEEN {first} AND {first + span}"
    else:
        first = chance.randint(1800, 1970)
        # 108 pairs of value and issuer: this span lets a coin fit about two places.
        span = max(1, round(2 * years * len(VALUES) * len(ISSUERS) / places))
        rule = (
            f"issuer = '{chance.choice(ISSUERS)}' AND denomination = '{value}' "
            f"AND year_on_coin BETWEEN {first - span // 2} AND {first + span // 2}"
        )
    return {"id": f"place-{number:04}", "accepts": f"{rule} AND NOT a_contains(problems, ('holed'))"}


def a_coin(chance: random.Random, number: int, years: int) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "issuer": chance.choice(ISSUERS),
        "denomination": chance.choice(VALUES),
        "year_on_coin": chance.randrange(1800, 1800 + years),
        "grade": chance.randint(1, 70),
        "problems": ["cleaned"] if chance.random() < 0.2 else [],
    }
    doubt = chance.random()
    if doubt < 0.02:
        facts["year_on_coin"] = {"one_of": [facts["year_on_coin"], facts["year_on_coin"] + 1]}
    elif doubt < 0.03:
        facts["year_on_coin"] = {"from": facts["year_on_coin"], "to": facts["year_on_coin"] + 9}
    elif doubt < 0.05:
        del facts["year_on_coin"]
    return {"id": f"coin-{number:07}", "facts": facts}


def a_problem(holdings: int, places: int, fits: tuple[int, int]) -> AssignmentProblem:
    """An assignment in which a coin fits from `fits[0]` to `fits[1]` places, with two preferences and some doubts."""
    chance = random.Random(SEED)
    edges = []
    for holding in range(holdings):
        for place in chance.sample(range(places), min(places, chance.randint(*fits))):
            doubt = chance.random()
            basis = Basis.FIRM if doubt < 0.95 else Basis.ALTERNATIVES if doubt < 0.98 else Basis.UNKNOWN
            edges.append(Edge(place, holding, basis, (chance.randint(0, 1), chance.randint(0, 69))))
    return AssignmentProblem((True,) * places, (1,) * holdings, tuple(edges), (), 2)
