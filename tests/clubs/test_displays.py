"""A display of several members' coins: as good as one collection of all of them, and telling nothing that is not shown."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from service.clubs.displays import Display, Lender, as_lent, display, useful_in
from service.errors import OverLimit
from service.facts.holding import Holding
from service.progress import evaluate as measuring
from service.progress.evaluate import evaluate
from service.progress.exhibition import Exhibition, TitledDefinition, exhibition_text
from service.progress.result import Summary
from tests.factories import (
    a_document,
    a_measurement,
    as_sent,
    bytes_of,
    evaluated,
    measured,
    some_holdings,
    some_knowledge,
)
from tests.strategies import examples

YEARS = a_document(
    {"a": "year_on_coin = 1901", "b": "year_on_coin = 1902", "c": "year_on_coin = 1903"},
    layout=[{"page": "Front", "slots": ["b", "c"]}, {"page": "Back", "slots": ["a"]}],
)
Coins = Mapping[str, Mapping[str, Any]]


def a_lender(owner: str, coins: Coins, name: str = "", **more: Any) -> Lender:
    recorded = {
        identity: {"facts": dict(facts), "note": f"secret {identity}", "number": "X-9", "values": [{"amount": 770077}]}
        for identity, facts in coins.items()
    }
    held = some_holdings([{"id": identity, "facts": dict(facts)} for identity, facts in coins.items()])
    return Lender(owner, name or owner.title(), held, recorded, **more)


def displayed(lenders: Sequence[Lender], document: Mapping[str, Any] = YEARS, **more: Any) -> Display:
    return display(
        a_measurement(document, []), lenders, lambda recorded: f"of {recorded['facts']['year_on_coin']}", **more
    )


def shown(lenders: Sequence[Lender], document: Mapping[str, Any] = YEARS, **more: Any) -> dict[str, Any]:
    made: dict[str, Any] = as_sent(displayed(lenders, document, **more))
    return made


ADA = a_lender("ada", {"1": {"year_on_coin": 1901, "grade": 10}, "2": {"year_on_coin": 1902}})
BEN = a_lender("ben", {"1": {"year_on_coin": 1903, "grade": 50}, "2": {"year_on_coin": 1902}, "3": {"year_on_coin": 7}})


def test_the_coins_of_several_make_one_display() -> None:
    made = shown([BEN, ADA])
    assert [(e["page"], e["place"], e["holding"], e["owner"]) for e in made["exhibits"]] == [
        ("Front", "b", "ada/2", "Ada"),
        ("Front", "c", "ben/1", "Ben"),
        ("Back", "a", "ada/1", "Ada"),
    ]
    assert [(loan["owner"], loan["place"], loan["label"]) for loan in made["loans"]] == [
        ("Ada", "a", "of 1901"),
        ("Ada", "b", "of 1902"),
        ("Ben", "c", "of 1903"),
    ]
    assert made["lenders"] == [{"owner": "Ada", "coins": 2}, {"owner": "Ben", "coins": 1}]
    assert made["summary"]["filled"] == 3


def test_the_order_of_the_lenders_never_matters() -> None:
    assert bytes_of(shown([ADA, BEN])) == bytes_of(shown([BEN, ADA]))


def test_nothing_is_told_but_of_the_coins_that_are_shown() -> None:
    text = json.dumps(shown([ADA, BEN]), default=str)
    for hidden in ("secret", "X-9", "770077", "ben/2", "ben/3", "unplaced", "alternates"):
        assert hidden not in text
    # The control: what is looked for is there to be told.
    assert "secret" in json.dumps(BEN.recorded)
    assert "ben/1" in text


def test_coins_are_called_as_the_club_calls_them() -> None:
    made = shown([ADA, BEN], named=lambda owner, holding: f"coin-{owner[0]}{holding}")
    assert {exhibit["holding"] for exhibit in made["exhibits"]} == {"coin-a1", "coin-a2", "coin-b1"}


def test_an_issue_of_the_lenders_own_goes_along() -> None:
    own = {"own": some_knowledge({"year_on_coin": 1903})}
    lender = Lender("cem", "Cem", (Holding("1", {}, ("own",)),), {"1": {"facts": {"year_on_coin": 1}}}, own)
    assert [exhibit["place"] for exhibit in shown([lender])["exhibits"]] == ["c"]
    unclear = replace(lender, holdings=(Holding("1", {}, ("own", "other")),), issues={**own, "other": {}})
    assert shown([unclear])["exhibits"] == []


@pytest.mark.parametrize(
    ("issue", "facts", "told"),
    [
        (None, {"grade": 10}, None),
        ("shipped", {"grade": 10}, "shipped"),
        # The lender's own: what it says goes along, a fact of the coin's own before it; its id stays at home.
        ("own", {"grade": 10, "mint": "here"}, None),
        ({"one_of": ["own"]}, {"grade": 10, "mint": "here"}, None),
        ({"one_of": ["shipped", "own"]}, {"grade": 10}, None),
        ({"one_of": ["shipped", "other"]}, {"grade": 10}, {"one_of": ["shipped", "other"]}),
        ("in no catalogue", {"grade": 10}, None),
    ],
)
def test_what_is_told_of_a_coin_that_is_lent(issue: Any, facts: Any, told: Any) -> None:
    data = {"facts": {"grade": 10, "cost_me": 770077}, "issue": issue, "note": "secret", "number": "X-9"}
    own = {"own": {"grade": 20, "mint": "here", "cost_me": 1}}
    made = as_lent(data, own, {"shipped", "other"}, {"grade", "mint"})
    assert made == {"facts": facts, "issue": told}


def test_a_display_reads_as_an_exhibition() -> None:
    made = displayed([ADA, BEN])
    summary = Summary(**structs.asdict(made.summary), unplaced=0)
    text = exhibition_text(
        Exhibition(
            id="x",
            title="Club night",
            on=made.evaluated_on,
            created_at=datetime(2026, 11, 25, tzinfo=UTC),
            summary=summary,
            note=None,
            definition=TitledDefinition(None, None, made.definition.digest, "Years"),
            holdings_state="1",
            reference_edition="e",
            engine_version="1",
            proven_optimal=True,
            exhibits=made.exhibits,
            loans=made.loans,
            unused_loans=[],
            evaluation=evaluate(a_measurement(YEARS, [])),
        )
    )
    assert "3 of 3 places shown" in text
    assert "lent by Ben" in text
    assert "Offered and not shown" not in text


def test_more_coins_than_an_evaluation_takes_are_refused_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measuring, "MOST_HOLDINGS", 4)
    with pytest.raises(OverLimit, match="at most 4"):
        shown([ADA, BEN])
    # Without those that fit nothing it is few enough.
    useful = useful_in(evaluated(YEARS, [{"id": c.id, "facts": BEN.recorded[c.id]["facts"]} for c in BEN.holdings]))
    assert useful == {"1", "2"}
    few = tuple(held for held in BEN.holdings if held.id in useful)
    assert shown([ADA, replace(BEN, holdings=few)])["summary"]["filled"] == 3


coin = st.fixed_dictionaries(
    {"grade": st.sampled_from([5, 10, 20])}, optional={"year_on_coin": st.integers(1900, 1905)}
)


@given(st.lists(st.lists(coin, min_size=1, max_size=4), min_size=1, max_size=3), st.booleans())
@settings(max_examples=examples(60), deadline=None)
def test_it_is_as_good_as_one_collection_of_all(members: list[list[dict[str, Any]]], ruled: bool) -> None:
    rule = {"id": "r", "kind": "at_most", "per": ["grade"], "count": 1, "places": ["a", "b"]}
    document = a_document(
        {"a": "year_on_coin = 1901", "b": "year_on_coin >= 1902", "c": "grade >= 10"},
        one_per=[{"id": "grades", "attribute": "species", "label": "{key}", "keys": {"from": "holdings"}}],
        constraints=[rule] if ruled else [],
        prefer=[{"highest": "grade"}],
    )
    everything = {f"m{m}/{n}": facts for m, coins in enumerate(members) for n, facts in enumerate(coins)}
    whole = measured(document, [{"id": name, "facts": facts} for name, facts in everything.items()])
    lenders = []
    for m, coins in enumerate(members):
        lender = a_lender(f"m{m}", {str(n): facts for n, facts in enumerate(coins)})
        own = evaluate(replace(a_measurement(document, []), holdings=lender.holdings))
        useful = useful_in(own)
        lenders.append(replace(lender, holdings=tuple(held for held in lender.holdings if held.id in useful)))
    made = as_sent(display(a_measurement(document, []), lenders, lambda recorded: "a coin"))
    for name, figure in made["summary"].items():
        assert figure == whole["summary"][name]
    seats = {place["place"]: place["holding"] for place in whole["slots"] if place["holding"] is not None}
    assert {exhibit["place"]: exhibit["holding"] for exhibit in made["exhibits"]} == seats
