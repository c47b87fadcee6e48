"""A coin that is not owned yet: every answer equals evaluating twice, with and without."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import chain, combinations
from random import Random
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.evaluation import places as set_places
from service.evaluation.table import Table
from service.facts.holding import Holding, read_holdings
from service.facts.truth import YES
from service.progress import budget
from service.progress.budget import purchase
from service.progress.candidates import candidates
from service.progress.evaluate import EvaluationRequest
from service.progress.whatif import Evaluated
from service.rules.predicates import EvaluationContext
from tests.benchmarks.data import a_case, a_coin
from tests.factories import (
    a_document,
    a_holding,
    a_measurement,
    as_sent,
    candidate_views,
    exact_json,
    places_of,
    result_of,
    seats_of,
    some_holdings,
)
from tests.progress.instances import a_tight_set
from tests.set_definitions import FOLDER, NAMES, a_set
from tests.strategies import ISSUES, definitions, examples, holdings, simple_facts

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(60))


def tried(evaluated: Evaluated, coins: Sequence[Holding]) -> list[dict[str, Any]]:
    """What each coin would do, as it is sent."""
    sent: list[dict[str, Any]] = as_sent(candidates(evaluated, coins))
    return sent


def purchased(evaluated: Evaluated, coins: Sequence[Holding], prices: Mapping[str, Decimal], budget: Decimal) -> Any:
    """Which coins to buy, as it is sent."""
    return as_sent(purchase(evaluated, coins, prices, budget))


def asked(document: dict[str, Any], held: list[dict[str, Any]], tray: list[dict[str, Any]]) -> list[dict[str, Any]]:
    request = a_measurement(document, held, issues=ISSUES)
    return tried(Evaluated(request), some_holdings(tray, request.definition.attributes))


def one(document: dict[str, Any], held: list[dict[str, Any]], **facts: Any) -> dict[str, Any]:
    return asked(document, held, [a_holding("new", **facts)])[0]


def twice(request: EvaluationRequest, coin: Holding) -> tuple[dict[str, Any], dict[str, Any]]:
    return result_of(request), result_of(replace(request, holdings=(*request.holdings, coin)))


def gains(before: dict[str, Any], after: dict[str, Any]) -> tuple[int, int, int]:
    required = [result["summary"]["required"] for result in (before, after)]
    return (
        after["summary"]["certain"] - before["summary"]["certain"],
        after["summary"]["possible"] - before["summary"]["possible"],
        sum(required[1][k] - required[0][k] for k in ("filled", "tentative")),
    )


def told(answer: dict[str, Any]) -> tuple[int, int, int]:
    return answer["certain_gain"], answer["possible_gain"], answer["required_gain"]


# --- equals evaluating twice -------------------------------------------------------------------------------------------


@SOME
@given(definitions(), holdings(), simple_facts(), st.sampled_from(("coin-00", "zz")))
def test_a_candidate_does_what_an_evaluation_with_it_says(
    document: dict[str, Any], coins: list[dict[str, Any]], facts: dict[str, Any], name: str
) -> None:
    request = a_measurement(document, coins, issues=ISSUES)
    (coin,) = some_holdings([{"id": name, "facts": facts}], request.definition.attributes)
    (answer,) = tried(Evaluated(request), [coin])
    before, after = twice(request, coin)
    assert told(answer) == gains(before, after)
    old, new = seats_of(before), seats_of(after)
    assert answer["places"] == [
        place["place"] for place in places_of(after) if place["place"] in new.keys() - old.keys()
    ]
    entries = {entry["holding"]: entry for entry in after["unplaced"]}
    if name in entries:
        reason = entries[name]["reason"]
        assert (answer["effect"] == "outside") == (reason == "outside")
        if reason == "outside":
            assert answer["closest"] == entries[name]["closest"]
        assert answer["effect"] not in ("fills", "frees")
    else:
        assert answer["effect"] != "outside"


def test_under_rules_over_several_places_it_equals_evaluating_twice_as_well() -> None:
    met: Counter[str] = Counter()
    for seed in range(120):
        chance = Random(seed)
        document, coins = a_tight_set(chance)
        new = {**coins.pop(chance.randrange(len(coins))), "status": "held"}
        request = a_measurement(document, coins)
        (coin,) = some_holdings([new], request.definition.attributes)
        (answer,) = tried(Evaluated(request), [coin])
        before, after = twice(request, coin)
        assert told(answer) == gains(before, after), f"seed {seed}"
        met[answer["effect"]] += 1
    assert min(met["fills"], met["betters"], met["spare"]) > 5, met


@pytest.mark.parametrize("hard", [False, True])
def test_among_many_coins_that_fit_a_place_it_equals_evaluating_twice(hard: bool) -> None:
    # More coins than could ever sit: most of them are left aside, and nothing may come of that.
    case, chance = a_case(260, 24, hard=hard), Random(7)
    raw = [{**a_coin(chance, number, 171), "id": f"coin-{number:07}x"} for number in range(24)]
    for number, entry in enumerate(raw):
        if number % 4 == 0:
            entry["facts"].pop(("grade", "problems")[number // 4 % 2])
        elif number % 4 == 1:
            entry["facts"]["grade"] = chance.choice((1, 70))
    held = [replace(h, facts={n: v for n, v in h.facts.items() if n != "grade"}) for h in case.holdings[::9]]
    holdings = {holding.id: holding for holding in (*case.holdings, *held)}
    request = replace(case.request, holdings=tuple(holdings.values()))
    tray = read_holdings(raw, case.definition.attributes, strict=True)
    before = result_of(request)
    for answer, coin in zip(tried(Evaluated(request), tray), tray, strict=True):
        after = result_of(replace(request, holdings=(*request.holdings, coin)))
        assert told(answer) == gains(before, after)
        old, new = seats_of(before), seats_of(after)
        assert set(answer["places"]) == new.keys() - old.keys()
        if coin.id in new.values():
            left = {old[place] for place in old if new.get(place) != old[place]}
            assert {step["holding"] for step in answer["frees"]} == left
            assert answer["effect"] in ("fills", "frees", "betters") or not answer["fits"]
        else:
            assert answer["effect"] in ("spare", "outside", "undecided")


@pytest.mark.parametrize("name", NAMES)
def test_the_offers_of_the_shipped_sets_gain_what_was_counted_elsewhere(name: str) -> None:
    request = a_set(name)
    offers = exact_json((FOLDER / f"{name}.offers.json").read_text(encoding="utf-8"))
    raw = [{key: offer[key] for key in ("id", "issue", "facts") if key in offer} for offer in offers]
    tray = read_holdings(raw, request.definition.attributes, strict=True)
    for answer, offer in zip(tried(Evaluated(request), tray), offers, strict=True):
        wanted = offer["expected"]
        found = {"certain": answer["certain_gain"], "possible": answer["possible_gain"]}
        assert found == wanted["gain"], offer["id"]
        assert answer["fits"] == wanted["fits"], offer["id"]
        assert answer["may_fit"] == wanted["may_fit"], offer["id"]


@SOME
@given(
    definitions(),
    holdings(),
    st.lists(simple_facts(), min_size=1, max_size=3),
    st.sampled_from((3, 40, 300_000)),
    st.data(),
)
def test_what_was_tried_before_changes_no_answer(
    document: dict[str, Any],
    coins: list[dict[str, Any]],
    offers: list[dict[str, Any]],
    trials: int,
    data: st.DataObject,
) -> None:
    # Also where few trials are left for the facts to look up: each caller has those that the collection left.
    with patch("service.evaluation.table._MOST_TRIALS", trials):
        request = a_measurement(document, coins, issues=ISSUES)
        raw = [{"id": f"new-{number}", "facts": facts} for number, facts in enumerate(offers)]
        tray = some_holdings(raw, request.definition.attributes)
        kept = Evaluated(request, tries=len(tray))
        for _ in range(2):
            some = data.draw(st.lists(st.sampled_from(tray), min_size=1, unique_by=lambda coin: coin.id))
            assert tried(kept.branch(), some) == tried(Evaluated(request, tries=len(tray)), some)


# --- each effect by name -----------------------------------------------------------------------------------------------

PAIR = a_document({"old": "year_on_coin < 1900", "any": "year_on_coin < 2000"}, prefer=[{"highest": "grade"}])


def test_it_fills_an_empty_place() -> None:
    answer = one(PAIR, [a_holding("a", year_on_coin=1880)], year_on_coin=1950)
    assert (answer["effect"], answer["places"], told(answer)) == ("fills", ["any"], (1, 1, 1))
    assert answer["message"] == "new (1950 coin) fills 'any'."


def test_it_frees_a_coin_that_fills_another_place() -> None:
    document = a_document({"old": "year_on_coin < 1900", "sharp": "year_on_coin < 2000 AND grade > 50"})
    answer = one(document, [a_holding("a", year_on_coin=1880, grade=60)], year_on_coin=1870, grade=10)
    assert (answer["effect"], answer["places"]) == ("frees", ["sharp"])
    assert answer["frees"] == [{"holding": "a", "from": "old", "to": "sharp"}]
    assert answer["message"] == "new (1870 coin) frees a (1880 coin) for 'sharp'."


def test_it_betters_a_filled_place_and_says_by_what() -> None:
    document = a_document({"old": "year_on_coin < 1900"}, prefer=[{"highest": "grade"}])
    answer = one(document, [a_holding("a", year_on_coin=1880, grade=20)], year_on_coin=1880, grade=45)
    better = {"place": "old", "criterion": {"highest": "grade"}, "from": 20, "to": 45}
    assert (answer["effect"], answer["betters"], told(answer)) == ("betters", better, (0, 0, 0))
    assert answer["frees"] == [{"holding": "a", "from": "old", "to": None}]
    assert answer["message"] == "Upgrade for 'old': grade 45, yours is grade 20."


@pytest.mark.parametrize(
    ("held", "message"),
    [
        ({"problems": ["holed"]}, "Upgrade for 'old': problem-free, yours is holed."),
        ({"problems": ["cleaned", "holed"]}, "Upgrade for 'old': problem-free, yours is cleaned, holed."),
        (
            {"problems": {"one_of": [[], ["holed"]]}},
            "Upgrade for 'old': problem-free, yours is perhaps holed.",
        ),
        ({}, "Upgrade for 'old': problem-free, yours: problems not recorded."),
    ],
)
def test_an_upgrade_says_what_the_coin_is_and_what_yours_is(held: dict[str, Any], message: str) -> None:
    document = a_document({"old": "year_on_coin < 1900"}, prefer=[{"where": "count(problems) = 0"}])
    answer = one(document, [a_holding("a", year_on_coin=1880, **held)], year_on_coin=1880, problems=[])
    assert answer["message"] == message


def test_what_is_recorded_as_a_range_is_told_as_one() -> None:
    document = a_document({"old": "year_on_coin < 1900"}, prefer=[{"highest": "grade"}])
    held = a_holding("a", year_on_coin=1880, grade={"from": 20, "to": 35})
    assert one(document, [held], year_on_coin=1880, grade=45)["message"] == (
        "Upgrade for 'old': grade 45, yours is grade 20 to 35."
    )


def test_a_coin_that_may_only_fit_the_place_that_is_filled_is_not_said_to_fill_it() -> None:
    document = a_document({"crown": "denomination = 'crown'", "old": "year_on_coin < 1900"})
    answer = one(document, [a_holding("a", denomination="penny")], year_on_coin=1880)
    assert (answer["effect"], answer["places"], answer["fits"]) == ("fills", ["crown"], ["old"])
    assert answer["message"].endswith("may fill 'crown', and fits 'old' for certain.")
    sure = one(document, [a_holding("a", denomination="penny")], year_on_coin=1880, denomination="crown")
    assert sure["message"].endswith("fills 'crown'.")


def test_a_surer_coin_betters_a_tentative_place() -> None:
    document = a_document({"old": "year_on_coin < 1900"})
    answer = one(document, [a_holding("a")], year_on_coin=1880)
    assert (answer["effect"], told(answer)) == ("betters", (1, 0, 0))
    assert answer["betters"] == {"place": "old", "criterion": {"doubt": True}, "from": "unknown", "to": None}
    assert answer["message"] == "Upgrade for 'old': certain, yours is possible (facts not recorded)."


def test_betters_follows_the_levels_before_the_preferences() -> None:
    presume = [{"facts": {"restrike": False}}]
    document = a_document({"old": "restrike = FALSE"}, prefer=[{"highest": "grade"}], presume=presume)
    answer = one(document, [a_holding("a", grade=60)], restrike=False, grade=4)
    assert answer["betters"] == {"place": "old", "criterion": {"presumed": True}, "from": True, "to": False}
    assert answer["message"] == "Upgrade for 'old': recorded, yours is presumed."
    two = a_document({"old": "grade >= 40 AND mint = 'Tower'"}, prefer=[{"lowest": "year_on_coin"}])
    sure = {"old": "grade >= 40", "new": "year_on_coin > 1950"}
    goal = {"id": "silver", "kind": "at_least", "where": "fineness >= 0.9", "count": 1}
    wanted = a_document(sure, prefer=[{"highest": "grade"}], constraints=[goal])
    answer = one(
        wanted, [a_holding("a", grade=60, fineness=0.5, year_on_coin=1900)], grade=45, fineness=0.925, year_on_coin=1900
    )
    assert answer["betters"] == {"place": "old", "criterion": {"goal": True}, "from": 1, "to": 0}
    assert answer["message"].endswith("brings the set nearer to its goals: 0 coins short, now 1.")
    # A coin that only may fit is told as undecided, whatever it spares to look up.
    assert one(two, [a_holding("a")], grade=50)["effect"] == "undecided"


def test_a_doubt_of_the_reference_data_counts_as_one_of_unknown_facts() -> None:
    document = a_document({"gone": "defunct(issuer)"})
    answer = one(document, [a_holding("a", issuer="CC")], issuer="BB")
    assert answer["betters"] == {"place": "gone", "criterion": {"doubt": True}, "from": "reference", "to": None}
    answer = one(document, [], issuer="CC")
    assert (answer["effect"], answer["settle"]) == ("undecided", [])
    assert answer["message"].endswith(
        "Nothing on the coin can tell: the vocabulary 'issuers' has no end date for Castle Coombe."
    )


def test_a_missing_fact_counts_as_the_worst_of_the_whole_set_not_of_the_part_that_is_solved_again() -> None:
    document = a_document({"old": "year_on_coin < 1900", "new": "year_on_coin >= 1900"}, prefer=[{"highest": "grade"}])
    held = [a_holding("ungraded", year_on_coin=1880), a_holding("low", year_on_coin=1950, grade=10)]
    (answer,) = asked(document, held, [a_holding("zz", year_on_coin=1880, grade=20)])
    better = {"place": "old", "criterion": {"highest": "grade"}, "from": None, "to": 20}
    assert (answer["effect"], answer["betters"]) == ("betters", better)


def test_a_spare_that_is_worse_than_all_lowers_what_a_missing_fact_counts() -> None:
    document = a_document({"one": "year_on_coin < 1900", "two": "year_on_coin < 1890"})
    document["slots"][0]["prefer"], document["slots"][1]["prefer"] = (
        [{"highest": "grade"}],
        [{"lowest": "year_on_coin"}],
    )
    held = [a_holding("graded", year_on_coin=1877, grade=10), a_holding("ungraded", year_on_coin=1880)]
    (answer,) = asked(document, held, [a_holding("zz", year_on_coin=1895, grade=5)])
    # Without a grade it counts 9, one below the 10: 9 and the year 1877 are better than 10 and the year 1880.
    assert seats_of(result_of(a_measurement(document, held))) == {"one": "ungraded", "two": "graded"}
    # Now it counts 4, and the other way round is better by 2.
    assert answer["effect"] == "spare"
    assert [(step["holding"], step["to"]) for step in answer["frees"]] == [("ungraded", "two"), ("graded", "one")]


def test_it_lets_a_pair_sit_that_a_rule_kept_apart() -> None:
    rule = {"id": "pair", "kind": "same", "by": ["mint"]}
    document = a_document({"old": "year_on_coin < 1900", "new": "year_on_coin >= 1900"}, constraints=[rule])
    coins = [a_holding("a", year_on_coin=1880, mint="Tower")]
    assert one(document, coins, year_on_coin=1950, mint="Tower")["effect"] == "fills"
    # Two places stand against one mint; the second coin of the other mint brings a coin in that sat nowhere.
    three = a_document({"one": "grade = 1", "two": "grade = 2", "three": "grade = 3"}, constraints=[rule])
    held = [a_holding("a", grade=1, mint="Tower"), a_holding("b", grade=2, mint="Tower")]
    held += [a_holding("c", grade=3, mint="Heaton"), a_holding("d", grade=1, mint="Heaton")]
    both = asked(three, held, [a_holding("x", grade=3, mint="Tower"), a_holding("y", grade=2, mint="Heaton")])
    assert [answer["effect"] for answer in both] == ["fills", "helps_constraint"]


def test_it_is_a_spare_or_outside_or_cannot_be_told() -> None:
    held = [a_holding("a", year_on_coin=1880, grade=60), a_holding("b", year_on_coin=1980, grade=60)]
    assert one(PAIR, held, year_on_coin=1880, grade=5)["effect"] == "spare"
    outside = one(PAIR, held, year_on_coin=2010)
    assert (outside["effect"], outside["closest"]["place"]) == ("outside", "old")
    doubtful = one(PAIR, held[:1], grade=5)
    assert (doubtful["effect"], told(doubtful)) == ("undecided", (0, 1, 1))
    assert [fact["attribute"] for fact in doubtful["settle"]] == ["year_on_coin"]


def test_a_new_key_opens_a_place_of_an_open_ended_group() -> None:
    group = {"id": "mints", "attribute": "mint", "keys": {"from": "holdings"}}
    document = a_document(one_per=[group])
    held = [a_holding("a", mint="Tower")]
    answer = one(document, held, mint="Heaton")
    assert (answer["effect"], answer["places"], told(answer)) == ("fills", ["mints/Heaton"], (1, 1, 1))
    assert one(document, held, mint="Tower")["effect"] == "spare"


# --- what to buy -------------------------------------------------------------------------------------------------------


def reached(request: EvaluationRequest, coins: tuple[Holding, ...]) -> tuple[int, int]:
    """Required places and all places filled, where a coin that is bought sits only where it fits for certain."""
    context = EvaluationContext(request.today, request.vocabularies)
    table = Table(request.definition.attributes, context)
    places = set_places.places_of(request.definition, set_places.Collection((), {}, context))
    nevers = [
        (coin.id, place.address)
        for coin in coins
        for place in places
        if table.verdict(place.predicate, candidate_views(coin, request.issues)) is not YES
    ]
    found = result_of(replace(request, holdings=(*request.holdings, *coins), nevers=tuple(nevers)))
    levels = {level["level"]: level["value"] for level in found["levels"]}
    return levels["required"], levels["places"]


def test_a_coin_that_only_may_fit_is_not_bought() -> None:
    tray = some_holdings(
        [a_holding("vague", year_on_coin={"one_of": [1880, 1950]}), a_holding("sure", year_on_coin=1880)]
    )
    request = a_measurement(a_document({"old": "year_on_coin < 1900"}), [])
    found = purchase(Evaluated(request), tray, {"vague": Decimal(1), "sure": Decimal(5)}, Decimal(6))
    assert (found.buy, found.required_gain) == (["sure"], 1)
    found = purchase(Evaluated(request), tray, {"vague": Decimal(1), "sure": Decimal(5)}, Decimal(2))
    assert (found.buy, found.required_gain, found.possible_gain) == ([], 0, 0)


@pytest.mark.parametrize("rules", [False, True])
def test_the_choice_within_a_budget_equals_brute_force(rules: bool) -> None:
    bought = 0
    for seed in range(25):
        chance = Random(seed)
        document, coins = a_tight_set(chance)
        if not rules:
            document = {**document, "constraints": []}
        for slot in document["slots"]:
            slot["tier"] = chance.choice(("required", "optional"))
        cut = chance.randint(0, 2)
        request = a_measurement(document, coins[:cut])
        tray = some_holdings([{**coin, "status": "held"} for coin in coins[cut:][:5]], request.definition.attributes)
        prices = {coin.id: Decimal(chance.choice(("0", "1.50", "2", "2.25", "4"))) for coin in tray}
        sum_of_money = Decimal(chance.choice(("0", "2", "4", "6.50")))
        found = purchased(Evaluated(request), tray, prices, sum_of_money)
        subsets = chain.from_iterable(combinations(tray, size) for size in range(len(tray) + 1))
        ranks = {}
        for subset in subsets:
            cost = sum((prices[coin.id] for coin in subset), Decimal(0))
            if cost <= sum_of_money:
                ranks[tuple(coin.id for coin in subset)] = (*reached(request, subset), -cost, -len(subset))
        assert ranks[tuple(found["buy"])] == max(ranks.values()), f"seed {seed}"
        assert found["proven"] is True
        bought += len(found["buy"])
    assert bought > 10


@pytest.mark.parametrize(
    ("most", "bought", "cost"),
    [("100", ["dear", "cheap"], "100"), ("99.99", ["cheap"], "40"), ("60", ["cheap"], "40"), ("40", ["cheap"], "40"),
     ("39.99", [], "0")],
)  # fmt: skip
def test_a_budget_may_be_spent_to_the_last_penny(most: str, bought: list[str], cost: str) -> None:
    tray = some_holdings([a_holding("dear", year_on_coin=1880), a_holding("cheap", year_on_coin=1990)])
    request = a_measurement(PAIR, [])
    found = purchase(Evaluated(request), tray, {"dear": Decimal(60), "cheap": Decimal(40)}, Decimal(most))
    assert (found.buy, found.cost, found.proven) == (bought, Decimal(cost), True)
    assert (found.required_gain, found.possible_gain) == (len(bought), len(bought))


def test_a_coin_that_costs_the_whole_budget_is_worth_it_when_it_alone_fits_a_required_place() -> None:
    slots = a_document({"old": "year_on_coin < 1900", "new": "year_on_coin >= 1900"})
    slots["slots"][1]["tier"] = "optional"
    tray = some_holdings([a_holding("required", year_on_coin=1880), a_holding("optional", year_on_coin=1990)])
    prices = {"required": Decimal(50), "optional": Decimal(1)}
    found = purchase(Evaluated(a_measurement(slots, [])), tray, prices, Decimal(50))
    assert (found.buy, found.required_gain, found.possible_gain) == (["required"], 1, 1)


def test_a_search_that_was_cut_short_says_that_its_choice_is_not_proven(monkeypatch: pytest.MonkeyPatch) -> None:
    tray = some_holdings([a_holding("a", year_on_coin=1880), a_holding("b", year_on_coin=1990)])
    prices, request = {"a": Decimal(1), "b": Decimal(1)}, a_measurement(PAIR, [])
    taken = purchase(Evaluated(request), tray, prices, Decimal(2))
    assert (taken.buy, taken.proven) == (["a", "b"], True)
    # How many choices are tried is counted from nothing taken on.
    needed = next(most for most in range(1, 20) if _proven_with(monkeypatch, most, tray, prices, request))
    assert needed > 1
    assert _proven_with(monkeypatch, needed + 1, tray, prices, request)


def _proven_with(monkeypatch: pytest.MonkeyPatch, most: int, tray: Any, prices: Any, request: Any) -> bool:
    monkeypatch.setattr(budget, "MOST_TRIED", most)
    return purchase(Evaluated(request), tray, prices, Decimal(2)).proven is True


def test_more_coins_than_can_be_weighed_are_told_of() -> None:
    tray = some_holdings([a_holding(f"c{n:02}", year_on_coin=1880) for n in range(21)])
    request = a_measurement(PAIR, [])
    prices = {coin.id: Decimal(1) for coin in tray}
    assert "up to 20" in purchased(Evaluated(request), tray, prices, Decimal(5))["limit"]
    found = purchased(Evaluated(request), tray[:20], prices, Decimal(5))
    assert (len(found["buy"]), found["cost"], found["proven"]) == (2, 2, True)
    assert json.dumps(found["buy"]) == '["c00", "c01"]'
