"""A hostile definition ends within its budget, and the limit is named."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from random import Random
from string import ascii_lowercase
from typing import Any

import pytest

from service.analysis.findings import check_definition
from service.assignment import build
from service.assignment.cp_sat import SolverBudget
from service.errors import Invalid, OverLimit, TooHeavy
from service.evaluation.cost import allowed
from service.progress import evaluate as progress_evaluate
from service.progress import information
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.explain import explain
from service.progress.information import weigh_facts
from service.progress.whatif import Evaluated
from service.rules.document import read_definition
from tests.factories import (
    AROUND,
    a_document,
    a_holding,
    a_measurement,
    as_sent,
    judged,
    measured,
    result_of,
    some_holdings,
)
from tests.promises.plugin import Promise

# Far above what each takes here, and far below what an exponential would take.
SECONDS = 25.0


def ended(run: Callable[[], Any]) -> Any:
    begun = time.process_time()
    answer = run()
    assert time.process_time() - begun < SECONDS
    return answer


def test_a_parity_of_many_facts_is_undecided_long_before_all_its_worlds_are_tried() -> None:
    # A parity of many unknown facts: no branch is decided before the last of them is known.
    names = ("year_on_coin", "grade", "die_axis", "struck", "mintage", "weight_measured", "diameter", "thickness")
    rule = " OR ".join(
        "("
        + " AND ".join(f"{name} {'>' if (row >> at) & 1 else '<='} {10 + at}" for at, name in enumerate(names))
        + ")"
        for row in range(0, 256, 7)
    )
    judgement = ended(lambda: judged(rule[:4090].rsplit(" OR ", 1)[0], {}))
    assert judgement.verdict.value == "undecided"
    # A yes and a no were both seen, so no budget kept an exact answer away.
    assert judgement.limit is None


def test_many_terms_of_a_list_past_the_budget_are_named_too() -> None:
    terms = [f"t{n}" for n in range(25)]
    rule = " AND ".join(f"NOT A_CONTAINS(traits, ('{term}'))" for term in terms) + " OR count(traits) >= 0"
    judgement = ended(lambda: judged(rule, {}))
    assert judgement.verdict.value in ("yes", "undecided")
    assert judgement.verdict.value == "yes" or judgement.limit == "budget"


def test_a_thousand_alternatives_in_several_facts() -> None:
    many = {"one_of": list(range(1, 1001))}
    facts = {"year_on_coin": many, "struck": many, "mintage": many}
    document = a_document({"a": "year_on_coin < struck AND struck < mintage", "b": "year_on_coin + struck = mintage"})
    result = ended(lambda: measured(document, [{"id": "x", "facts": facts}]))
    assert result["summary"]["places"] == 2
    request = a_measurement(document, [])
    (holding,) = some_holdings([{"id": "x", "facts": facts}], request.definition.attributes)
    told = ended(lambda: as_sent(explain(request, holding, None)))
    assert [place["verdict"] for place in told["places"]] == ["undecided", "undecided"]
    assert {place.get("limit") for place in told["places"]} <= {None, "budget", "arithmetic"}
    assert any(place.get("limit") for place in told["places"])


def test_a_matching_with_nothing_but_ties() -> None:
    document = a_document({f"place-{n:03}": "grade >= 1" for n in range(200)}, prefer=[{"highest": "grade"}])
    coins = [a_holding(f"coin-{n:03}", grade=20) for n in range(200)]
    result = ended(lambda: measured(document, coins))
    assert result["proven_optimal"] is True
    assert [slot["holding"] for slot in result["slots"]] == [coin["id"] for coin in coins]


def test_rules_that_cannot_be_proven_in_the_budget_say_which_level_and_the_bound() -> None:
    # Five rules over chosen keys without any pattern: with one of them, or with regular keys, a linear program proves everything.
    chance = Random(7)
    places = {f"place-{n:02}": f"grade >= {n % 7 + 1}" for n in range(24)}
    constraints = [
        {"id": f"rule-{n}", "kind": "at_most", "per": [name], "count": 2}
        for n, name in enumerate(("mint", "year_on_coin", "denomination", "struck", "die_axis"))
    ]
    coins = [
        a_holding(
            f"coin-{n:03}",
            grade=chance.randint(1, 70),
            mint=f"m{chance.randrange(12)}",
            year_on_coin=1800 + chance.randrange(12),
            denomination=f"d{chance.randrange(12)}",
            struck=1800 + chance.randrange(12),
            die_axis=chance.randrange(12) + 1,
        )
        for n in range(60)
    ]
    document = a_document(places, constraints=constraints, prefer=[{"highest": "grade"}, {"lowest": "year_on_coin"}])
    request = replace(a_measurement(document, coins), budget_seconds=0.1)
    result = ended(lambda: result_of(request))
    unproven = [level for level in result["levels"] if not level["proven"]]
    assert result["proven_optimal"] is (not unproven)
    assert unproven, "the budget was enough: this instance is too easy to show anything"
    assert all("bound" in level for level in unproven)
    per_mint: dict[str, int] = {}
    for slot in result["slots"]:
        if slot["holding"]:
            mint = next(coin["facts"]["mint"] for coin in coins if coin["id"] == slot["holding"])
            per_mint[mint] = per_mint.get(mint, 0) + 1
    assert max(per_mint.values()) <= 2, "an answer that is not proven still keeps every rule"


def test_more_places_than_can_be_served_are_refused_with_the_limit() -> None:
    keys = {"from": "holdings"}
    document = a_document(one_per=[{"id": "mints", "attribute": "mint", "keys": keys}])
    coins = [a_holding(f"coin-{n}", mint=f"mint {n}") for n in range(2_001)]
    with pytest.raises(OverLimit) as refusal:
        measured(document, coins)
    assert "2000" in refusal.value.faults[0].message.replace(",", "")


def test_a_rule_past_its_limits_is_refused_with_the_limit() -> None:
    with pytest.raises(Invalid) as refusal:
        judged("grade = 1" + " OR grade = 1" * 400, {})
    assert "4,096" in refusal.value.faults[0].message


def test_a_dnf_over_fourteen_unknown_facts_says_that_it_was_the_budget() -> None:
    # Each part is a circle of comparisons, which nothing can fulfil; only all worlds together tell.
    names = [f"n{number}" for number in range(14)]
    circles = [names[turn:] + names[:turn] for turn in (0, 5, 9)]
    rule = " OR ".join(
        "(" + " AND ".join(f"{a} < {b}" for a, b in pairwise([*circle, circle[0]])) + ")" for circle in circles
    )
    document = {
        "format": "set-definition/1",
        "title": "Circles",
        "attributes": [{"name": name, "type": "integer"} for name in names],
        "slots": [{"id": f"slot-{n}", "accepts": rule} for n in range(3)],
    }
    result = ended(lambda: measured(document, [{"id": "x", "facts": {}}]))
    assert (result["summary"]["filled"], result["summary"]["certain"]) == (0, 0)
    (doubt,) = [conflict for conflict in result["conflicts"] if conflict["kind"] == "undecided"]
    assert doubt["limit"] == "budget"
    assert {fact["attribute"] for fact in doubt["settle"]} == set(names)
    request = a_measurement(document, [])
    (holding,) = some_holdings([{"id": "x", "facts": {}}], request.definition.attributes)
    told = ended(lambda: as_sent(explain(request, holding, None)))
    assert [(place["verdict"], place["limit"]) for place in told["places"]] == [("undecided", "budget")] * 3


def vague(places: int, coins: int, clauses: int) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    chance = Random(1)
    names = [f"a{n}" for n in range(8)]
    document = {
        "format": "set-definition/1",
        "title": "Vague coins",
        "attributes": [{"name": name, "type": "text", "values": ["p", "q", "r"]} for name in names],
        "slots": [
            {
                "id": f"slot-{n}",
                "accepts": " AND ".join(f"{name} = '{chance.choice('pqr')}'" for name in chance.sample(names, clauses)),
            }
            for n in range(places)
        ],
    }
    options = ("p", "q", "r", {"one_of": ["p", "q"]})
    facts = [{name: chance.choice(options) for name in names if chance.random() < 0.3} for _ in range(coins)]
    return document, [{"id": f"coin-{n:03}", "facts": one} for n, one in enumerate(facts)]


@pytest.mark.parametrize(("places", "coins", "clauses"), [(200, 500, 8), (400, 100, 4)])
def test_hundreds_of_vague_coins_that_may_fit_hundreds_of_places(places: int, coins: int, clauses: int) -> None:
    # Once every list of facts was tried on every place: half a second for each coin.
    document, held = vague(places, coins, clauses)
    result = ended(lambda: measured(document, held))
    doubts = [conflict for conflict in result["conflicts"] if conflict["kind"] == "undecided"]
    assert len(doubts) > 50
    assert all(doubt["settle"] for doubt in doubts)
    limited = [doubt for doubt in doubts if doubt.get("limit")]
    assert {doubt["limit"] for doubt in limited} == {"budget"}, "the budget was enough: this shows nothing"
    assert all(fact["outcomes"] == [] for doubt in limited for fact in doubt["settle"])


def test_twenty_five_rules_over_several_places_with_one_second() -> None:
    chance = Random(1)
    ids = [f"slot-{n:02}" for n in range(60)]
    constraints = []
    for number in range(25):
        kind = chance.choice(("at_most", "different", "same", "not_elsewhere"))
        by = chance.choice((["mint"], ["year_on_coin"], ["mint", "year_on_coin"]))
        entry = {"id": f"rule-{number}", "kind": kind, "places": chance.sample(ids, 15)}
        constraints.append(entry | ({"per": by, "count": chance.randint(1, 3)} if kind == "at_most" else {"by": by}))
    places = {name: f"year_on_coin >= {1800 + n % 50} AND grade > {n % 30}" for n, name in enumerate(ids)}
    coins = [
        a_holding(
            f"coin-{n:03}",
            grade=chance.randint(1, 70),
            year_on_coin=chance.randint(1800, 1900),
            mint=chance.choice("ABCDE"),
        )
        for n in range(120)
    ]
    document = a_document(places, constraints=constraints, prefer=[{"highest": "grade"}, {"lowest": "year_on_coin"}])
    result = ended(lambda: result_of(replace(a_measurement(document, coins), budget_seconds=1.0)))
    unproven = [level for level in result["levels"] if not level["proven"]]
    assert unproven, "the budget was enough: this shows nothing"
    assert all(level["bound"] != level["value"] for level in unproven)
    assert result["proven_optimal"] is False
    kept = [conflict for conflict in result["conflicts"] if conflict["kind"] == "constraint"]
    assert kept
    assert all(conflict["limit"] == "budget" for conflict in kept), "25 rules are more than are tried one by one"


def test_a_chain_in_which_every_coin_moves_on_when_one_is_added() -> None:
    places = {f"slot-{n:03}": f"year_on_coin = {1000 + n} OR year_on_coin = {1001 + n}" for n in range(200)}
    coins = [a_holding(f"coin-{n:03}", year_on_coin=1000 + n) for n in range(1, 200)]
    without = ended(lambda: measured(a_document(places), coins))
    assert without["summary"]["filled"] == 199
    (contest,) = [conflict for conflict in without["conflicts"] if conflict["kind"] == "contested"]
    assert len(contest["places"]) == 200
    last = ended(lambda: measured(a_document(places), [*coins, a_holding("coin-200", year_on_coin=1200)]))
    assert last["summary"]["filled"] == 200
    assert last["conflicts"] == []


def test_a_many_valued_fact_under_twenty_five_constants_in_a_whole_evaluation() -> None:
    terms = [f"t{n}" for n in range(25)]
    rule = " OR ".join(f"(A_CONTAINS(traits, ('{a}')) AND NOT A_CONTAINS(traits, ('{b}')))" for a, b in pairwise(terms))
    document = a_document({"a": rule, "b": f"NOT ({rule})"})
    result = ended(lambda: measured(document, [{"id": "x", "facts": {}}, {"id": "y", "facts": {"traits": terms}}]))
    assert result["summary"]["certain"] == 1
    (doubt,) = [conflict for conflict in result["conflicts"] if conflict["kind"] == "undecided"]
    assert [fact["attribute"] for fact in doubt["settle"]] == ["traits"]


def crowded(places: int, coins: int, count: int = 25) -> EvaluationRequest:
    """Half of all coins fit each place, and five rules over chosen keys hold everything together."""
    chance = Random(1)
    constraints = [
        {"id": f"rule-{n}", "kind": "at_most", "per": [name], "count": count}
        for n, name in enumerate(("mint", "year_on_coin", "denomination", "struck", "die_axis"))
    ]
    held = [
        a_holding(
            f"coin-{n:04}",
            grade=chance.randint(1, 70),
            mint=f"m{chance.randrange(12)}",
            year_on_coin=1800 + chance.randrange(12),
            denomination=f"d{chance.randrange(12)}",
            struck=1800 + chance.randrange(12),
            die_axis=chance.randrange(12) + 1,
        )
        for n in range(coins)
    ]
    document = a_document(
        {f"place-{n:03}": f"grade >= {n % 60 + 1}" for n in range(places)},
        constraints=constraints,
        prefer=[{"highest": "grade"}],
    )
    return replace(a_measurement(document, held), budget_seconds=0.1)


class Placed(Exception):
    """The coins were about to be placed."""


def test_what_cannot_be_placed_in_time_is_refused_before_it_is_tried(
    monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    request = crowded(200, 3_000)

    def assembled(*_: Any) -> Any:
        raise Placed

    monkeypatch.setattr(build, "assembled", assembled)
    begun = time.process_time()
    with allowed(5), pytest.raises(TooHeavy) as refusal:
        evaluate(request)
    assert time.process_time() - begun < 2
    told = str(refusal.value)
    assert "the 5 seconds that one request may take" in told
    assert "3,000 coins, 200 places" in told
    assert "5 rules" in told
    # The controls: with the estimate off, and for one who has more time, the work begins.
    with pytest.raises(Placed):
        evaluate(request)
    with allowed(60), pytest.raises(Placed):
        evaluate(request)
    # What ends in time is never refused.
    with allowed(5), pytest.raises(Placed):
        evaluate(crowded(100, 200))
    promise(
        10,
        "what cannot end in time",
        kept="3,000 coins, 200 places, five at_most: refused in under 2 s, the limit and the sizes named",
        control="without the estimate the work begins",
    )


def seconds_asked(request: EvaluationRequest, monkeypatch: pytest.MonkeyPatch) -> float:
    """The deterministic seconds of the solver that one evaluation uses, over all that it tries."""
    spent: list[float] = []
    with monkeypatch.context() as counting:
        counting.setattr(
            SolverBudget,
            "spend",
            lambda self, seconds: (spent.append(seconds), setattr(self, "left", self.left - seconds))[0],
        )
        evaluate(request)
    return sum(spent)


def test_the_seconds_of_the_solver_are_those_of_the_whole_request(
    monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    request = replace(crowded(26, 60, 2), budget_seconds=0.4)
    shared = seconds_asked(request, monkeypatch)
    assert 0.1 < shared < 0.4 * 1.25, "the solver looks at the limit from time to time only"
    # The control: each step with the seconds of the whole request.
    for name in ("SOLVING_SHARE", "_PINS_SHARE", "_RULES_SHARE"):
        monkeypatch.setattr(progress_evaluate, name, 3.0)
    alone = seconds_asked(request, monkeypatch)
    assert alone > 1.5 * shared
    promise(
        10,
        "the solver's seconds",
        kept=f"{shared:.2f} deterministic seconds where 0.4 are allowed",
        control=f"each step with all of them: {alone:.2f}",
    )


@pytest.mark.parametrize(
    ("rules", "is_limited"),
    [
        ([" OR ".join(f"motto LIKE '%{letter}____'" for letter in ascii_lowercase[:20])], True),
        (["motto LIKE '" + "%a" * 2_000 + "'"], False),
        (["motto LIKE '" + f"%{letter}_" * 1_000 + "'" for letter in ascii_lowercase[:4]], True),
    ],
    ids=["twenty that count letters", "two thousand pairs", "long ones that meet"],
)
def test_patterns_are_checked_in_steps(rules: list[str], is_limited: bool) -> None:
    document = {
        "format": "set-definition/1",
        "title": "Patterns",
        "attributes": [{"name": "motto", "type": "text"}],
        "slots": [{"id": f"slot-{n}", "accepts": rule} for n, rule in enumerate(rules)],
    }
    definition = read_definition(document, vocabularies={})
    findings = ended(lambda: check_definition(definition, {}, AROUND.today))
    assert ("limit" in {finding.code for finding in findings}) is is_limited


def test_the_doubts_of_many_coins_say_how_many_were_not_weighed(monkeypatch: pytest.MonkeyPatch) -> None:
    document, held = vague(30, 60, 4)
    request = replace(a_measurement(document, held), budget_seconds=1.0)
    told = ended(lambda: weigh_facts([Evaluated(request)]))
    assert told.facts
    # The control: with less work allowed fewer are weighed, and the others are counted.
    monkeypatch.setattr(information, "MOST_EDGES", 200)
    fewer = weigh_facts([Evaluated(request)])
    assert fewer.left_out > told.left_out
    assert len(fewer.facts) < len(told.facts)
