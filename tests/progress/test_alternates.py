"""Runners-up: the best first by the levels of the assignment, each with the first level on which it is worse than the coin
placed. What a coin is worth is read here from its facts, not from the engine."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest

from tests.factories import a_document, a_holding, measured

MINTS = ["Tower", "Heaton", "Soho"]
PREFER = [{"highest": "grade"}, {"lowest": "year_on_coin"}, {"order": "mint", "values": MINTS[:2]}]


def coins_of(chance: Random) -> list[dict[str, Any]]:
    """Each fits the one place for certain, by declared alternatives, or perhaps."""
    made = []
    for number in range(chance.randint(2, 9)):
        facts: dict[str, Any] = {
            "grade": chance.choice((10, 20, 30)),
            "year_on_coin": chance.choice((1881, 1882)),
            "mint": chance.choice(MINTS),
        }
        fits = chance.choice((True, True, {"one_of": [True, False]}, None))
        if fits is not None:
            facts["restrike"] = fits
        made.append(a_holding(f"coin-{number}", **facts))
    return made


def standing(coin: dict[str, Any], pinned: str | None, before: str | None) -> tuple[Any, ...]:
    facts = coin["facts"]
    basis = 2 if "restrike" not in facts else 0 if facts["restrike"] is True else 1
    order = MINTS.index(facts["mint"])
    return (
        coin["id"] != pinned,
        basis,
        -facts["grade"],
        facts["year_on_coin"],
        order,
        coin["id"] != before,
        int(coin["id"].split("-")[1]),
    )


@pytest.mark.parametrize("seed", range(150))
def test_runners_up_stand_in_order_and_say_the_first_level_on_which_they_lose(seed: int) -> None:
    chance = Random(seed)
    coins = coins_of(chance)
    pinned, before = (chance.choice([None, None, *(coin["id"] for coin in coins)]) for _ in range(2))
    found = measured(
        a_document({"one": "restrike"}, prefer=PREFER),
        coins,
        pins=[(pinned, "one")] if pinned else [],
        previous=[("one", before)] if before else [],
    )
    (place,) = found["slots"]
    best, *others = sorted(coins, key=lambda coin: standing(coin, pinned, before))
    assert place["holding"] == best["id"]
    assert [entry["holding"] for entry in place["alternates"]] == [coin["id"] for coin in others]
    for coin, entry in zip(others, place["alternates"], strict=True):
        mine, its = standing(coin, pinned, before), standing(best, pinned, before)
        level = next(at for at, (a, b) in enumerate(zip(mine, its, strict=True)) if a != b)
        lost = entry["loses_on"]
        if level == 0:
            assert lost == {"pin": True}
        elif level == 1:
            assert lost == {
                "doubt": ("", "alternatives", "unknown")[mine[1]],
                "placed": (None, "alternatives", "unknown")[its[1]],
            }
        elif level < 5:
            name = ("grade", "year_on_coin", "mint")[level - 2]
            worth = [MINTS.index(c["facts"]["mint"]) if name == "mint" else c["facts"][name] for c in (coin, best)]
            assert lost == {"prefer": level - 2, "criterion": PREFER[level - 2], "this": worth[0], "placed": worth[1]}
        else:
            assert lost == (
                {"stays": True} if level == 5 else {"order": "holding", "this": coin["id"], "placed": best["id"]}
            )


def test_a_coin_that_sits_elsewhere_is_no_runner_up_until_a_piece_is_left_over() -> None:
    document = a_document({"a": "grade >= 1", "b": "grade >= 1"})
    coins = [a_holding("x", grade=9), a_holding("y", grade=8)]
    assert [slot["alternates"] for slot in measured(document, coins)["slots"]] == [[], []]
    coins[0]["quantity"] = 2
    first, second = measured(document, coins)["slots"]
    assert (first["holding"], second["holding"]) == ("x", "x")
    assert [entry["holding"] for entry in second["alternates"]] == ["y"]


def test_at_most_twenty_runners_up_are_told() -> None:
    coins = [a_holding(f"coin-{n:02}", grade=n + 1) for n in range(30)]
    (place,) = measured(a_document({"a": "grade >= 1"}, prefer=[{"highest": "grade"}]), coins)["slots"]
    assert [entry["holding"] for entry in place["alternates"]] == [f"coin-{n:02}" for n in range(28, 8, -1)]


def test_a_better_coin_that_only_the_set_as_a_whole_turns_away_says_so() -> None:
    # The better coin's mint is taken by a place that has nothing else.
    document = a_document(
        {"only": "year_on_coin = 1881", "one": "year_on_coin >= 1882"},
        prefer=[{"highest": "grade"}],
        constraints=[{"id": "mints", "kind": "different", "by": ["mint"]}],
    )
    coins = [
        a_holding("fixed", year_on_coin=1881, mint="Tower", grade=5),
        a_holding("good", year_on_coin=1882, mint="Tower", grade=60),
        a_holding("poor", year_on_coin=1882, mint="Heaton", grade=6),
    ]
    _, place = measured(document, coins)["slots"]
    assert place["holding"] == "poor"
    assert place["alternates"] == [{"holding": "good", "loses_on": {"set": True}}]
