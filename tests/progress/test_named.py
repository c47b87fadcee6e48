"""Number and title of the coins that an answer names."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from service.definitions.model import RevisionStamp
from service.evaluation.coins import Coins
from service.facts.core_attributes import CORE
from service.facts.holding import Holding, View
from service.progress import evaluate
from service.progress.allocations import IN_ORDER, SetRequest, allocate
from service.progress.description import NOTHING
from service.progress.impact import ImpactStamp, impact
from service.progress.named import NamedHolding, named_holdings, named_in_columns
from service.reference import actions as reference
from service.rules.predicates import EvaluationContext
from tests.factories import (
    TODAY,
    a_document,
    a_holding,
    a_measurement,
    candidate_views,
    measured,
    places_of,
    some_knowledge,
)
from tests.progress.one_by_one.named import named_one_by_one
from tests.strategies import examples

VOCABULARIES = reference.vocabularies()
DIME = {"denomination": "dime", "year_on_coin": 1965, "issuer": "US"}


def titles_of(*coins: dict[str, Any]) -> list[str]:
    """The titles of coins of which these facts are recorded."""
    known = [some_knowledge(facts, CORE) for facts in coins]
    held = [(Holding(str(number), facts), (View(facts),)) for number, facts in enumerate(known)]
    return [one.title for one in named_holdings(held, CORE, VOCABULARIES).values()]


@pytest.mark.parametrize(
    ("facts", "title"),
    [
        ({"denomination": "threepence", "year_on_coin": 1920, "issuer": "GB"}, "1920 threepence, United Kingdom"),
        ({"denomination": "20 cents", "issuer": "US"}, "20 cents, United States"),
        ({"denomination": "20 cents", "issuer": "US", "year_on_coin": 1875}, "20 cents 1875, United States"),
        ({"denomination": "crown", "struck": 1951}, "crown struck 1951"),
        ({"denomination": "crown", "year_on_coin": {"none": True}}, "undated crown"),
        ({"denomination": "crown", "year_on_coin": {"one_of": [1892, 1893]}}, "1892 or 1893 crown"),
        ({"object_kind": "medal", "issuer": "GB"}, "medal, United Kingdom"),
        ({"year_on_coin": 1892}, "1892 coin"),
        ({"issuer": "GB"}, "coin, United Kingdom"),
        # A coin alone of its kind needs nothing to tell it apart.
        ({**DIME, "material": "clad", "grade": 30}, "1965 dime, United States"),
        ({"grade": 30}, NOTHING),
        ({}, NOTHING),
    ],
)
def test_a_title_is_year_denomination_and_issuer(facts: dict[str, Any], title: str) -> None:
    assert titles_of(facts) == [title]


@pytest.mark.parametrize(
    ("coins", "details"),
    [
        ([{"material": "clad"}, {"material": "silver"}], ["clad", "silver"]),
        ([{"material": "clad"}, {}], ["clad", ""]),
        ([{"mintmark": "D"}, {"mintmark": {"none": True}}], ["mintmark D", "no mintmark"]),
        ([{"grade": 30}, {"grade": {"from": 40, "to": 50}}], ["grade 30", "grade 40 to 50"]),
        ([{"problems": ["holed"]}, {"problems": []}], ["holed", "no problems"]),
        ([{"material": {"one_of": ["clad", "silver"]}}, {"material": "clad"}], ["clad or silver", "clad"]),
        # As many facts as it takes, two at most, and none in which all agree.
        ([{"strike": "proof", "grade": 30}, {"strike": "proof", "grade": 20}], ["grade 30", "grade 20"]),
        (
            [{"material": "clad", "mintmark": "D"}, {"material": "clad", "mintmark": "S"}, {"material": "silver"}],
            ["clad, mintmark D", "clad, mintmark S", "silver"],
        ),
        (
            [
                {"mintmark": m, "strike": s, "grade": g}
                for m, s, g in (("D", "proof", 1), ("S", "proof", 2), ("S", "cast", 3), ("S", "cast", 4))
            ],
            ["mintmark D, proof", "mintmark S, proof", "mintmark S, cast", "mintmark S, cast"],
        ),
        ([{"grade": 30}, {"grade": 30}], ["", ""]),
    ],
)
def test_coins_of_one_kind_are_told_apart_by_what_differs(coins: list[dict[str, Any]], details: list[str]) -> None:
    kind = "1965 dime, United States"
    wanted = [f"{kind}; {detail}" if detail else kind for detail in details]
    assert titles_of(*({**DIME, **facts} for facts in coins)) == wanted


def test_an_issue_speaks_where_the_coins_own_facts_are_silent() -> None:
    issues = {name: some_knowledge({**DIME, "year_on_coin": year}, CORE) for name, year in (("a", 1965), ("b", 1966))}
    holding = Holding("one", some_knowledge({"grade": 30}, CORE), ("a", "b"), number="8")
    named = named_holdings([(holding, candidate_views(holding, issues))], CORE, VOCABULARIES)
    assert named == {"one": NamedHolding("8", "1965 or 1966 dime, United States")}


some_facts = st.fixed_dictionaries(
    {},
    optional={
        "denomination": st.sampled_from(["dime", "penny"]),
        "year_on_coin": st.sampled_from([1965, {"one_of": [1965, 1966]}, {"none": True}]),
        "material": st.sampled_from(["clad", "silver", {"none": True}]),
        "mintmark": st.sampled_from(["D", {"none": True}]),
        "grade": st.integers(1, 3),
        "problems": st.sampled_from([[], ["holed"], {"has": [], "perhaps": ["holed"]}]),
    },
)


@settings(deadline=None, max_examples=examples(60), database=None)
@given(st.lists(some_facts, min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_titles_do_not_depend_on_the_order_and_differ_only_where_facts_do(
    coins: list[dict[str, Any]], random: Any
) -> None:
    titles = titles_of(*coins)
    order = list(range(len(coins)))
    random.shuffle(order)
    assert titles_of(*(coins[at] for at in order)) == [titles[at] for at in order]
    for facts, title in zip(coins, titles, strict=True):
        assert all(other == title for known, other in zip(coins, titles, strict=True) if known == facts)


def test_an_evaluation_names_every_holding_once() -> None:
    document = a_document({"a": "denomination = 'penny'"})
    coins = [
        {"id": "h1", "number": "8", "facts": {"denomination": "penny", "year_on_coin": 1889}},
        {"id": "h2", "facts": {"denomination": "crown"}},
        {"id": "h3", "number": "12", "facts": {"denomination": "penny"}, "status": "sold"},
    ]
    found = measured(document, coins)
    assert found["named"] == {
        "h1": {"number": "8", "title": "1889 penny"},
        "h2": {"number": None, "title": "crown"},
        "h3": {"number": "12", "title": "penny"},
    }
    assert {place["holding"] for place in places_of(found)} == {"h1"}


def test_names_are_made_only_for_answers_that_give_them_and_once(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []

    def counting(coins: Any, *more: Any) -> dict[str, NamedHolding]:
        every = list(coins)
        made.append(len(every))
        return named_holdings(every, *more)

    def counting_columns(coins: Any, columns: Any, others: Any, *more: Any) -> dict[str, NamedHolding]:
        made.append(len(coins) + len(others))
        return named_in_columns(coins, columns, others, *more)

    monkeypatch.setattr(evaluate, "named_holdings", counting)
    monkeypatch.setattr(evaluate, "named_in_columns", counting_columns)
    request = a_measurement(
        a_document({"a": "grade > 0", "b": "grade > 5"}), [a_holding(f"h{n}", grade=n + 1) for n in range(9)]
    )
    whole = evaluate.evaluate(request)
    assert (made, len(whole.named)) == ([9], 9)
    made.clear()
    assert structs.replace(evaluate.evaluate_unnamed(request), named=whole.named) == whole
    stamps = (RevisionStamp(1, "published", "-", "A"), RevisionStamp(2, "draft", "-", "A"))
    fewer = a_measurement(a_document({"a": "grade > 0"}), []).definition
    told = impact(request, replace(request, definition=fewer), {}, ImpactStamp("d", *stamps, "1", "e"))
    assert (made, set(told.named)) == ([1], {"h5"})
    made.clear()
    # Three sets of the same coins: one list of names.
    sets = [SetRequest(request) for _ in range(3)]
    assert len(allocate(sets, IN_ORDER, 9).named) == 9
    assert made == [9]


SAID = {
    "denomination": ("penny", "crown"),
    "object_kind": ("medal", "coin"),
    "year_on_coin": (1889, 1890, {"one_of": [1889, 1890]}, {"from": 1880, "to": 1889}, {"none": True}),
    "struck": (1951, {"from": 1951}),
    "issuer": ("GB", {"one_of": ["GB", "US"]}),
    "material": ("silver", "clad", {"one_of": ["silver", "clad"]}),
    "mintmark": ("H", {"none": True}),
    "grade": (20, 30, {"one_of": [20, 30]}),
    "problems": ([], ["holed"], {"has": ["holed"], "perhaps": ["cleaned"]}),
}
A_VIEW = st.fixed_dictionaries({}, optional={name: st.sampled_from(said) for name, said in SAID.items()})
A_COIN = st.tuples(st.lists(A_VIEW, min_size=1, max_size=2), st.sampled_from([None, "", "7", "8"]))


@settings(max_examples=examples(300))
@given(st.lists(A_COIN, max_size=9), st.integers(0, 9))
def test_names_in_columns_are_those_that_coins_have_one_by_one(
    coins: list[tuple[list[dict[str, Any]], str | None]], counted: int
) -> None:
    every = [
        (Holding(f"{at:02}", {}, number=number), tuple(View(some_knowledge(facts, CORE)) for facts in views))
        for at, (views, number) in enumerate(coins)
    ]
    expected = named_one_by_one(every, CORE, VOCABULARIES)
    assert list(named_holdings(every, CORE, VOCABULARIES).items()) == list(expected.items())
    inside = every[:counted]
    held = Coins([holding for holding, _ in inside], [views for _, views in inside])
    columns = held.columns(CORE, EvaluationContext(TODAY, VOCABULARIES))
    found = named_in_columns(held, columns, every[counted:], VOCABULARIES)
    assert list(found.items()) == list(expected.items())
