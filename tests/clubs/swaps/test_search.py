"""Swaps among members: no coin that leaves opens a place, each that comes fills one, and nobody sees others' swaps."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.clubs.swaps.model import FoundSwap, Leg, Side, coin_told
from service.clubs.swaps.reevaluation import Reevaluation, holds, standing_of
from service.clubs.swaps.search import _Club, failing_members, find_swaps
from service.exchange.problem import Exchange
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.result import Evaluation, Figures, PlaceCounts, TentativeCounts
from tests.clubs.swaps.sides import side_of
from tests.clubs.swaps.strategies import collections, rulebooks
from tests.exchange.brute import splits, ways
from tests.factories import a_document, a_measurement, as_sent
from tests.strategies import examples

Raw = Mapping[str, Any]


@dataclass(frozen=True)
class Member:
    """A member's collection and set."""

    owner: str
    request: EvaluationRequest
    result: Evaluation
    recorded: Mapping[str, Raw]

    def side(self, **more: Any) -> Side:
        return side_of(self.owner, self.result, **more)


def a_member(owner: str, document: Raw, coins: Mapping[str, Raw], issues: Any = None) -> Member:
    """A member with coins: facts by id, `quantity` and `issue` among them."""
    recorded = {
        name: {"facts": {k: v for k, v in facts.items() if k not in ("quantity", "issue")}}
        for name, facts in coins.items()
    }
    raw = [
        {"id": name, **recorded[name], **{k: facts[k] for k in ("quantity", "issue") if k in facts}}
        for name, facts in coins.items()
    ]
    request = a_measurement(document, raw, issues=issues)
    return Member(owner, request, evaluate(request), recorded)


def described(recorded: Raw) -> str:
    return "a coin of " + str(recorded["facts"].get("year_on_coin"))


def check_of(members: Sequence[Member]) -> Reevaluation:
    return Reevaluation({member.owner: member.request for member in members}.__getitem__)


def swaps_of(
    members: Sequence[Member], sides: Sequence[Side] | None = None, check: Any = None, **more: Any
) -> FoundSwap:
    known = {member.owner: member for member in members}

    def tell(owner: str, holding: str) -> dict[str, Any]:
        return coin_told(known[owner].recorded[holding], described)

    sides = sides or [member.side() for member in members]
    return find_swaps(sides, check or check_of(members), tell, **more)


class Says:
    """A check that says the same whatever is asked."""

    def __init__(self, *refusing: str) -> None:
        self.refusing = refusing

    def holds(self, owner: str, gone: object, come: object) -> bool:
        return owner not in self.refusing

    def alike(self, owner: str, holding: str) -> str:
        return holding


def moves(found: FoundSwap) -> list[tuple[str, str, str, str]]:
    return [(leg.giver, leg.holding, leg.receiver, leg.place) for swap in found.swaps for leg in swap]


YEARS = a_document({"a": "year_on_coin = 1901", "b": "year_on_coin = 1902", "c": "year_on_coin = 1903"})


def ada_and_ben() -> list[Member]:
    ada = a_member("ada", YEARS, {"a1": {"year_on_coin": 1901}, "a2": {"year_on_coin": 1901, "grade": 40}})
    ben = a_member("ben", YEARS, {"b1": {"year_on_coin": 1902}, "b2": {"year_on_coin": 1902}})
    return [ada, ben]


def test_two_members_swap_what_each_has_twice() -> None:
    found = swaps_of(ada_and_ben())
    assert moves(found) == [("ada", "a2", "ben", "a"), ("ben", "b2", "ada", "b")]
    assert found.proven
    assert found.rounds == 1


def test_a_leg_tells_of_one_coin_and_nothing_else() -> None:
    ada, ben = ada_and_ben()
    secret = {"facts": {**ada.recorded["a2"]["facts"], "problems": ["cleaned"]}, "note": "from my uncle", "values": [9]}
    found = swaps_of([replace(ada, recorded={**ada.recorded, "a2": secret}), ben])
    told = {"label": "a coin of 1901", "issue": None, "grade": 40}
    assert found.swaps[0][0] == Leg(giver="ada", holding="a2", receiver="ben", place="a", place_label="a", coin=told)


def test_nobody_sees_the_swaps_of_others() -> None:
    third = a_document({name: f"year_on_coin = {year}" for name, year in zip("abcd", range(1901, 1905), strict=True)})
    sides = [
        a_member(owner, third, {f"{owner}{n}": {"year_on_coin": year} for n, year in enumerate(years)})
        for owner, years in {
            "ada": [1901, 1901, 1903, 1904],
            "ben": [1902, 1902, 1903, 1904],
            "cem": [1903, 1903, 1901, 1902],
            "dot": [1904, 1904, 1901, 1902],
        }.items()
    ]
    found = swaps_of(sides)
    assert len(found.swaps) == 2
    for owner in ("ada", "ben", "cem", "dot"):
        (mine,) = found.seen_by(owner)
        assert owner in {leg.giver for leg in mine}
        assert {leg.giver for leg in mine} in ({"ada", "ben"}, {"cem", "dot"})
    assert found.seen_by("eve") == ()


def test_a_coin_that_sits_in_another_set_of_its_owner_is_not_given() -> None:
    ada, ben = ada_and_ben()
    assert swaps_of([ada, ben], [ada.side(most={"a1": 0, "a2": 0}), ben.side()]).swaps == ()
    assert swaps_of([ada, ben], [ada.side(most={"a1": 0}), ben.side()]).swaps != ()


def test_a_coin_that_is_only_called_spare_is_not_given() -> None:
    # Ada's one coin of 1901 sits in a place: that it is among the spares here is a lie.
    ada = a_member("ada", YEARS, {"a1": {"year_on_coin": 1901}})
    ben = ada_and_ben()[1]
    lying = [replace(ada.side(), spares=[("a1", 1, ["a"])]), ben.side()]
    assert swaps_of([ada, ben], lying).swaps == ()
    # The control: whoever believes it gives the coin away.
    assert moves(swaps_of([ada, ben], lying, check=Says()))[0][:2] == ("ada", "a1")


def test_a_place_that_an_accepted_swap_will_fill_is_not_filled_again() -> None:
    ada, ben = ada_and_ben()
    assert swaps_of([ada, ben], [ada.side(expected=frozenset({"b"})), ben.side()]).swaps == ()


def test_of_like_pieces_those_left_over_are_given() -> None:
    ada = a_member("ada", YEARS, {"a": {"year_on_coin": 1901, "quantity": 3}})
    ben = a_member("ben", YEARS, {f"b{n}": {"year_on_coin": 1902} for n in range(2)})
    cem = a_member("cem", YEARS, {f"c{n}": {"year_on_coin": 1903} for n in range(2)})
    found = swaps_of([ada, ben, cem])
    assert Counter(leg.holding for swap in found.swaps for leg in swap)["a"] == 2
    assert {leg.pieces for swap in found.swaps for leg in swap if leg.holding == "a"} == {2}


def test_places_of_a_free_choice_and_of_a_list_are_filled() -> None:
    document = a_document(
        free_choice=[{"id": "any", "label": "Any", "places": 3, "accepts": "grade > 50", "distinct": ["year_on_coin"]}],
        one_per=[
            {
                "id": "mints",
                "attribute": "mint",
                "label": "{key}",
                "keys": {"from": "list", "values": ["london", "paris"]},
            }
        ],
    )
    ada = a_member("ada", document, {"a1": {"mint": "london", "grade": 5}, "a2": {"mint": "london", "grade": 5}})
    ben = a_member(
        "ben", document, {f"b{n}": {"mint": "rome", "grade": 60, "year_on_coin": 1900 + n} for n in range(5)}
    )
    found = swaps_of([ada, ben])
    assert [(leg.giver, leg.place) for leg in found.swaps[0]] == [("ada", "mints/london"), ("ben", "any/1")]


def test_what_an_issue_says_of_a_coin_goes_along() -> None:
    ada = a_member(
        "ada",
        YEARS,
        {"a1": {"year_on_coin": 1901}, "a2": {"issue": "own"}},
        issues={"own": {"year_on_coin": 1901}},
    )
    found = swaps_of([ada, ada_and_ben()[1]])
    assert ("ben", "a") in {(leg.receiver, leg.place) for swap in found.swaps for leg in swap}


# Rules over several places --------------------------------------------------------------------------------------------

SPREAD = a_document(
    {"x": "year_on_coin > 0", "y": "year_on_coin > 0", "z": "year_on_coin < 0"},
    constraints=[{"id": "makers", "kind": "different", "by": ["year_on_coin"], "places": ["x", "y"]}],
)


def ruled() -> list[Member]:
    """Ada lacks x or y, but of the years that Ben can spare she has one already."""
    ada = a_member(
        "ada", SPREAD, {"a1": {"year_on_coin": 1903}, "a2": {"year_on_coin": -3}, "a3": {"year_on_coin": -4}}
    )
    ben = a_member("ben", SPREAD, {f"b{n}": {"year_on_coin": year} for n, year in enumerate([1901, 1902, 1903, 1901])})
    return [ada, ben]


def test_a_coin_that_a_rule_keeps_out_is_not_taken_for_one_that_fits() -> None:
    found = swaps_of(ruled())
    assert [leg.place for leg in found.swaps[0] if leg.receiver == "ben"] == ["z"]
    (come,) = [leg.holding for leg in found.swaps[0] if leg.receiver == "ada"]
    assert come == "b3"
    assert found.proven
    assert found.rounds == 2
    # The control: a search that trusts the fit proposes what the evaluation refuses.
    trusting = swaps_of(ruled(), check=Says())
    check = check_of(ruled())
    taken = [[(leg.giver, leg.holding) for leg in swap if leg.receiver == "ada"] for swap in trusting.swaps]
    gone = tuple((leg.giver, leg.holding) for leg in trusting.swaps[0] if leg.giver == "ada")
    assert not check.holds("ada", gone, tuple(taken[0])), "the fixture is to contain such a coin"


def test_coins_that_do_not_go_together_are_told_apart() -> None:
    # Ben's and Cem's coins of 1905 each fit one of Ada's holes, both together do not.
    ada = a_member("ada", SPREAD, {"a1": {"year_on_coin": -3}, "a2": {"year_on_coin": -4}, "a3": {"year_on_coin": -5}})
    ben = a_member("ben", SPREAD, {f"b{n}": {"year_on_coin": year} for n, year in enumerate([1901, 1902, 1905, 1906])})
    cem = a_member("cem", SPREAD, {f"c{n}": {"year_on_coin": year} for n, year in enumerate([1901, 1902, 1905])})
    found = swaps_of([ada, ben, cem])
    assert found.proven
    assert len(found.swaps) == 2
    years = [
        side.recorded[leg.holding]["facts"]["year_on_coin"]
        for swap in found.swaps
        for leg in swap
        for side in (ben, cem)
        if leg.giver == side.owner
    ]
    assert sorted(years) == [1905, 1906]
    assert found.rounds > 1


def test_when_the_rounds_are_used_up_what_does_not_hold_is_dropped_and_nothing_is_proven() -> None:
    sides = ruled()
    found = swaps_of(sides, check=Says("ada"), most_rounds=1)
    assert found.swaps == ()
    assert found.dropped == 1
    assert not found.proven
    assert [(level.name, level.value, level.proven, level.bound) for level in found.levels] == [
        ("places", 0, False, 2),
        ("people", 0, False, 0),
        ("cycles", 0, False, 1),
        ("order", 0, False, 0),
    ]


@st.composite
def members(draw: st.DrawFn) -> list[list[dict[str, Any]]]:
    """Each has most coins of a year of his own, so that there are swaps."""
    random = draw(st.randoms(use_true_random=False))
    found = []
    for number in range(draw(st.integers(2, 3))):
        own = [number + 1] * random.choice([2, 3]) + random.choices(range(1, 5), k=random.choice([0, 0, 1]))
        found.append([{"year_on_coin": year, "grade": random.choice([10, 20])} for year in own])
        if random.random() < 0.3:
            found[-1][-1]["quantity"] = 2
    return found


@given(rulebooks(), collections(7))
@settings(max_examples=examples(80), deadline=None)
def test_all_coins_that_sit_nowhere_may_leave_together(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    side = a_member("ada", document, {f"c{n}": coin for n, coin in enumerate(coins)})
    gone = tuple(
        ("ada", entry["holding"])
        for entry in as_sent(side.result)["unplaced"]
        if entry["reason"] in ("spare", "undecided", "outside")
        for _ in range(entry.get("pieces", 1))
    )
    left = evaluate(_without(side, gone))
    assert standing_of(left.summary) == standing_of(side.result.summary)
    values = [[(level.level, level.value) for level in result.levels[:4]] for result in (left, side.result)]
    assert values[0] == values[1]
    # The control: one coin more, one that sits somewhere, and places are lost, unless another takes its place.
    seated = [place.holding for place in side.result.slots if place.holding]
    if seated:
        everything = (*gone, *(("ada", name) for name in seated))
        assert standing_of(evaluate(_without(side, everything)).summary) < standing_of(side.result.summary)


def _without(side: Member, gone: Sequence[tuple[str, str]]) -> EvaluationRequest:
    after = check_of([side])._after(side.owner, tuple(gone), ())
    assert after is not None
    return after


@given(rulebooks(), members())
@settings(max_examples=examples(60), deadline=None)
def test_swaps_are_the_best_that_every_set_holds_with(
    document: dict[str, Any], collected: list[list[dict[str, Any]]]
) -> None:
    sides = [
        a_member(f"m{number}", document, {f"m{number}c{n}": coin for n, coin in enumerate(coins)})
        for number, coins in enumerate(collected)
    ]
    found = swaps_of(sides, most_rounds=60)
    by_owner = {side.owner: side for side in sides}
    check = check_of(sides)
    for owner in by_owner:
        gone = tuple((leg.giver, leg.holding) for swap in found.swaps for leg in swap if leg.giver == owner)
        come = tuple((leg.giver, leg.holding) for swap in found.swaps for leg in swap if leg.receiver == owner)
        if gone:
            kept = standing_of(evaluate(_without(by_owner[owner], gone)).summary)
            assert kept >= standing_of(by_owner[owner].result.summary)
            assert check.holds(owner, gone, come)
    if found.dropped == 0:
        assert sum(map(len, found.swaps)) == _most_by_evaluation(sides)
    assert swaps_of(sides[::-1], most_rounds=60) == found


def _most_by_evaluation(sides: list[Member]) -> int:
    """Of all ways to move spares in cycles the one that fills most, with every set measured."""
    club = _Club([side.side() for side in sides])
    check = check_of(sides)
    best = 0
    for taken in ways(Exchange(club.parties)):
        steps = Counter((t.giver, t.receiver) for t in taken)
        balanced = Counter(t.giver for t in taken) == Counter(t.receiver for t in taken)
        if len(taken) > best and balanced and next(splits(steps, 4), None) is not None:
            cycle = [tuple(taken)]
            if all(club.holds(check, owner, cycle) for owner in club.parts(cycle)):
                best = len(taken)
    return best


def test_what_goes_and_what_comes_may_not_hold_together() -> None:
    # All three places want one grade. To take Ben's and Cem's coins of grade 10, Ada has to keep one of hers herself.
    slots = {f"p{year}": f"year_on_coin = {year}" for year in (1, 2, 3)}
    same = {"id": "grade", "kind": "same", "by": ["grade"], "places": ["p1", "p2", "p3"]}
    document = a_document(slots, constraints=[same])

    def of(year: int) -> dict[str, dict[str, int]]:
        return {f"{year}a": {"year_on_coin": year, "grade": 10, "quantity": 3}}

    ada = a_member(
        "ada", document, {"0": {"year_on_coin": 1, "grade": 20}, "1": {"year_on_coin": 1, "grade": 10, "quantity": 2}}
    )
    members = [ada, a_member("ben", document, of(2)), a_member("cem", document, of(3))]
    assert ada.result.slots[0].holding == "0"
    found = swaps_of(members)
    assert found.dropped == 0
    assert found.rounds > 1
    assert sum(map(len, found.swaps)) == _most_by_evaluation(members) == 4
    assert Counter(leg.giver for swap in found.swaps for leg in swap)["ada"] == 1
    # That Dot gives such a coin away is nothing to Ada.
    with_dot = [*members, a_member("dot", document, {"1": {"year_on_coin": 1, "grade": 10, "quantity": 2}})]
    assert sum(map(len, swaps_of(with_dot).swaps)) == _most_by_evaluation(with_dot) == 6


def test_a_standing_counts_what_is_filled_for_the_time_being_required_or_not() -> None:
    required, optional = PlaceCounts(9, 2, 3, 4), PlaceCounts(6, 2, 2, 2)
    figures = Figures(
        15,
        4,
        5,
        6,
        certain=4,
        possible=9,
        required=required,
        optional=optional,
        tentative_by_basis=TentativeCounts(2, 3, 0),
        presumed=1,
    )
    assert standing_of(figures) == (9, 5)


def test_a_required_place_that_is_filled_tentatively_is_kept() -> None:
    # Under the rule one coin of the Tower sits: the undated one in the required place, for the time being.
    slots = {"old": "year_on_coin = 1901", "fine": "grade >= 50", "late": "year_on_coin = 1950"}
    rule = {"id": "one", "kind": "at_most", "per": ["mint"], "count": 1}
    document = a_document(slots, constraints=[rule])
    for slot in document["slots"][1:]:
        slot["tier"] = "optional"
    coins = {"undated": {"mint": "Tower", "grade": 1}, "fine": {"mint": "Tower", "grade": 60, "year_on_coin": 1960}}
    ada = a_member("ada", document, coins)
    ben = a_member("ben", document, {"late": {"year_on_coin": 1950, "mint": "Heaton", "grade": 1}})
    assert ada.result.summary.required.tentative == 1
    check, come = check_of([ada, ben]), (("ben", "late"),)
    assert check.holds("ada", (), come)
    # A place more for the coin that comes, and yet the required one is lost.
    assert not check.holds("ada", (("ada", "undated"),), come)
    assert check.holds("ada", (("ada", "fine"),), come)


@pytest.mark.parametrize(("after", "held"), [((5, 2), True), ((4, 2), False), ((5, 1), False), ((6, 3), True)])
def test_a_set_holds_when_each_coin_adds_a_place(after: tuple[int, int], held: bool) -> None:
    assert holds((4, 2), after, 1) is held


def test_a_swap_that_held_may_hold_no_longer() -> None:
    ada, ben = ada_and_ben()
    (swap,) = swaps_of([ada, ben]).swaps

    def now(*members: Member) -> list[str]:
        return failing_members([member.side() for member in members], check_of(members), swap)

    assert now(ada, ben) == []
    sold = a_member("ada", YEARS, {"a2": {"year_on_coin": 1901, "grade": 40}})
    found = a_member(
        "ada", YEARS, {"a1": {"year_on_coin": 1901}, "a2": {"year_on_coin": 1901}, "a3": {"year_on_coin": 1902}}
    )
    assert now(sold, ben) == ["ada"]
    assert now(found, ben) == ["ada"]
    assert now(ben) == ["ada"]
    assert failing_members([ada.side(), ben.side()], Says("ben"), swap) == ["ben"]
