"""Look-alikes: what the measurements leave, and what would tell (laws: tests/shipped_data/check_values.json)."""

from decimal import Decimal
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from service.measurements.look_alikes import (
    NEVER,
    PROFESSIONAL,
    TELLS,
    UNLESS_WORN,
    compare_issue,
    distinguishing_measurements,
)
from service.measurements.plausibility import IMPOSSIBLE, RULED_OUT
from tests.shipped_data.law import ISSUES, an_issue, checked, facts, published


def compared(name, **measured):
    others = [published(other) for other in ISSUES[name]["look_alikes"]]
    return compare_issue(facts(**measured), published(name), others)


def telling(found, attribute):
    (one,) = [telling for telling in found if telling.attribute == attribute]
    return one


def test_weight_settles_the_two_alloys_of_the_cent_of_1982():
    # 3.11 g and 2.5 g with 0.13 g of tolerance (us.cent1982: "weight settles it").
    light = compared("us-cent-1982-copper", weight_measured=Decimal("2.5"), year_on_coin=1982)
    assert light.piece.verdict == IMPOSSIBLE
    assert (light.remaining, light.settled) == (("us-cent-1982-zinc",), True)
    heavy = compared("us-cent-1982-copper", weight_measured=Decimal("3.11"), year_on_coin=1982)
    assert (heavy.remaining, heavy.settled) == (("us-cent-1982-copper",), True)


def test_before_it_is_weighed_the_weight_is_what_would_tell_the_cents_of_1982():
    found = distinguishing_measurements({}, published("us-cent-1982-copper"), published("us-cent-1982-zinc"))
    weight = telling(found, "weight_measured")
    assert (weight.tells, weight.apart, weight.measured) == (TELLS, Fraction("0.61"), False)
    assert weight.tolerances == 2 * checked("us.5113.cent")


def test_weight_cannot_settle_a_florin_of_1920():
    # Both standards have the legal weight of 1870 and the Act of 1920 changed the alloy alone (ca1920).
    found = compared("gb-florin-925", weight_measured=Decimal("11.31"), year_on_coin=1920, magnetic=False)
    assert found.remaining == ("gb-florin-925", "gb-florin-500")
    assert not found.settled
    assert [one.attribute for one in found.would_tell] == ["fineness", "weight_measured"]
    fineness, weight = found.would_tell
    assert fineness.tells == PROFESSIONAL
    assert "specific gravity" in fineness.why
    assert "professional" in fineness.why
    assert "silver .925 from silver .500" in fineness.why
    assert (weight.tells, weight.apart, weight.measured) == (NEVER, 0, True)
    assert "same legal weight" in weight.why


def test_the_year_tells_a_florin_of_1950():
    found = compared("gb-florin-925", weight_measured=Decimal("11.31"), year_on_coin=1950)
    assert found.remaining == ("gb-florin-cupro-nickel",)
    undated = compared("gb-florin-925", weight_measured=Decimal("11.31"))
    years = [one for one in undated.would_tell if one.attribute == "year_on_coin"]
    # It does not tell .925 from .500, whose years meet in 1920.
    assert [one.between[1] for one in years] == ["gb-florin-cupro-nickel", "gb-10-pence-1971"]


def test_a_magnet_would_tell_a_steel_cent_and_then_does():
    before = distinguishing_measurements({}, published("us-cent-1943-steel"), published("us-cent-1873"))
    assert telling(before, "magnetic").tells == TELLS
    after = compared("us-cent-1943-steel", magnetic=True, year_on_coin=1943)
    assert (after.remaining, after.settled) == (("us-cent-1943-steel",), True)


def test_two_half_dollars_are_told_by_weight_unless_worn():
    # 206.25 and 192 grains (acts of 1837 and 1853).
    found = distinguishing_measurements({}, published("us-half-dollar-1837"), published("us-half-dollar-1853"))
    weight = telling(found, "weight_measured")
    assert weight.tells == UNLESS_WORN
    assert weight.apart == Fraction("14.25") * Fraction("0.06479891")


def test_half_dollars_of_1853_and_1873_weigh_too_nearly_the_same():
    # 192 grains and 12.5 g: 0.059 g apart.
    weight = telling(
        distinguishing_measurements({}, published("us-half-dollar-1853"), published("us-half-dollar-1873")),
        "weight_measured",
    )
    assert weight.tells == NEVER
    assert "too near" in weight.why


def test_the_weight_of_a_holed_coin_tells_nothing():
    found = compared(
        "us-cent-1982-copper", weight_measured=Decimal("2.4"), diameter=Decimal("19.05"), problems=["holed"],
        year_on_coin=1982,
    )  # fmt: skip
    assert found.remaining == ("us-cent-1982-copper", "us-cent-1982-zinc")
    weight = telling(found.would_tell, "weight_measured")
    assert weight.tells == NEVER
    assert "holed" in weight.why


def test_nothing_is_settled_where_nothing_was_measured_or_nothing_compared():
    assert not compared("us-cent-1982-copper").settled
    alone = compare_issue(facts(weight_measured=25), published("lmu-5-francs-silver"), [])
    assert (alone.remaining, alone.settled) == (("lmu-5-francs-silver",), False)
    neither = compared("us-cent-1982-copper", weight_measured=50)
    assert (neither.remaining, neither.settled, neither.would_tell) == ((), False, ())


def test_where_the_issue_is_ruled_out_the_others_are_told_apart():
    found = compared("gb-florin-925", weight_measured=Decimal("11.31"), year_on_coin={"from": 1930, "to": 1980})
    assert found.remaining == ("gb-florin-500", "gb-florin-cupro-nickel", "gb-10-pence-1971")
    assert {one.between[0] for one in found.would_tell} == {"gb-florin-500"}


FIGURES = st.decimals(min_value=1, max_value=10, places=2)


@given(first=FIGURES, second=FIGURES, weight=st.decimals(min_value=0, max_value=12, places=2))
def test_where_the_weight_is_said_to_tell_no_weight_fits_both(first, second, weight):
    one, other = an_issue("a", weight_legal=first), an_issue("b", weight_legal=second)
    found = compare_issue(facts(weight_measured=weight), one, [other])
    told = telling(distinguishing_measurements({}, one, other), "weight_measured")
    assert told.tells == telling(distinguishing_measurements({}, other, one), "weight_measured").tells
    if told.tells == TELLS:
        assert len(found.remaining) <= 1
    if told.tells == UNLESS_WORN:
        assert [found.piece.verdict, found.look_alikes[0].verdict].count("consistent") <= 1


@given(names=st.sampled_from(sorted(name for name in ISSUES if ISSUES[name]["look_alikes"])), weight=FIGURES)
def test_what_remains_is_what_nothing_rules_out(names, weight):
    found = compared(names, weight_measured=weight)
    everyone = [found.piece, *found.look_alikes]
    assert list(found.remaining) == [one.issue.id for one in everyone if one.verdict not in RULED_OUT]
