"""Fine weight, against the derived check values (tests/shipped_data/check_values.json names the law behind each)."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.measurements.fine_weight import (
    AS_MEASURED,
    AS_PRINTED,
    BY_LAW,
    STATUTE,
    TROY_OUNCE,
    fine_weights,
    in_troy_ounces,
    rounded,
)
from tests.shipped_data.law import CHECKS, an_issue, checked, exact_value, facts, published, rounded_value

# check value -> issue and rule; the check values are troy ounces, rounded to six places, each with its exact fraction
DERIVED = {
    "us.1873.half.asw": ("us-half-dollar-1873", BY_LAW),
    "us.1873.quarter.asw": ("us-quarter-dollar-1873", BY_LAW),
    "us.1873.dime.asw": ("us-dime-1873", BY_LAW),
    "us.1873.trade.asw": ("us-trade-dollar-1873", BY_LAW),
    "us.1873.gold20.agw": ("us-20-dollars-gold-1873", BY_LAW),
    "us.1837.dollar.asw": ("us-dollar-1837", BY_LAW),
    "us.1965.half.asw": ("us-half-dollar-1965", STATUTE),
    "us.war5c.asw": ("us-5-cents-wartime", BY_LAW),
    "us.5112.gold50.fine22": ("us-50-dollars-bullion", BY_LAW),
    "us.5112.gold25.fine22": ("us-25-dollars-bullion", BY_LAW),
    "us.5112.gold10.fine22": ("us-10-dollars-bullion", BY_LAW),
    "uk.sovereign.agw": ("gb-sovereign", BY_LAW),
    "uk.shilling.asw925": ("gb-shilling-925", BY_LAW),
    "uk.halfcrown.asw500": ("gb-halfcrown-500", BY_LAW),
    "uk.crown.asw925": ("gb-crown-925", BY_LAW),
    "lmu.silver5.asw": ("lmu-5-francs-silver", BY_LAW),
    "lmu.silver1.asw": ("lmu-1-franc-silver", BY_LAW),
    "mtt.asw": ("thaler-1780", BY_LAW),
    "mtt.asw833": ("thaler-1780", AS_PRINTED),
}


def by_rule(issue, rule, **measured):
    (found,) = [weight for weight in fine_weights(facts(**measured), issue) if weight.rule == rule]
    return found


@pytest.mark.parametrize("name", DERIVED)
def test_the_fine_weight_is_the_check_value_to_the_last_digit(name):
    issue, rule = DERIVED[name]
    found = by_rule(published(issue), rule)
    assert found.low == found.high
    assert in_troy_ounces(found.low) == exact_value(name)
    assert rounded(in_troy_ounces(found.low), 6) == rounded_value(name)


def test_every_derived_fine_weight_of_the_check_values_is_tried():
    derived = {name for name, c in CHECKS.items() if c["unit"] == "ozt" and c["source"] == "derived"}
    assert derived == set(DERIVED)


@pytest.mark.parametrize("value", ["50", "25", "10", "5"])
def test_a_statutory_fine_weight_is_what_the_statute_says_not_a_product(value):
    issue = published(f"us-{value}-dollars-bullion")
    # 31 U.S.C. 5112(a)(7)-(10): one, a half, a quarter, a tenth troy ounce.
    assert in_troy_ounces(by_rule(issue, STATUTE).low) == Fraction(CHECKS[f"us.5112.gold{value}.fine"]["value"])
    product = in_troy_ounces(by_rule(issue, BY_LAW).low)
    # "agrees within 2 parts in 10 000" (note of the check values); the legal weight is rounded to 1 mg.
    assert abs(product / in_troy_ounces(by_rule(issue, STATUTE).low) - 1) < Fraction(2, 10_000)


def test_taking_the_printed_fineness_for_the_rule_moves_the_result():
    issue = published("thaler-1780")
    moved = in_troy_ounces(by_rule(issue, BY_LAW).low - by_rule(issue, AS_PRINTED).low)
    assert rounded(moved, 4) == rounded(Fraction("0.0003"), 4)  # note of mtt.asw833
    assert "rounded" in by_rule(issue, AS_PRINTED).why


def test_the_gross_fineness_of_a_layered_half_dollar_agrees_with_its_silver():
    issue = published("us-half-dollar-1965")
    # 11.5 g less 6.9 g of copper (Coinage Act of 1965): us.1965.half.m, us.1965.half.cu.
    silver = checked("us.1965.half.m") - checked("us.1965.half.cu")
    assert by_rule(issue, STATUTE).low == by_rule(issue, BY_LAW).low == silver


def test_a_worn_layered_piece_needs_the_composition_of_each_layer():
    found = by_rule(published("us-half-dollar-1965"), AS_MEASURED, weight_measured=11.2)
    assert (found.low, found.high) == (None, None)
    assert "composition of each layer" in found.why


def test_a_measured_weight_gives_less_where_wear_took_metal():
    worn = by_rule(published("gb-shilling-925"), AS_MEASURED, weight_measured=5.4)
    assert worn.low == worn.high == Fraction("5.4") * Fraction(37, 40)
    coarse = by_rule(published("gb-shilling-925"), AS_MEASURED, weight_measured={"from": 5.4, "to": 5.5})
    assert (coarse.low, coarse.high) == (worn.low, Fraction("5.5") * Fraction(37, 40))


def test_a_mounted_coin_has_no_fine_weight_by_the_scale():
    found = by_rule(published("gb-sovereign"), AS_MEASURED, weight_measured=8.9, problems=["mounted"])
    assert found.low is None
    assert "mounted" in found.why


@pytest.mark.parametrize("issue", ["gb-penny-bronze", "us-5-cents-5112", "gb-1-pound-gold-2005"])
def test_without_a_published_fineness_nothing_is_told(issue):
    assert fine_weights(facts(weight_measured=9), published(issue)) == ()


def test_half_a_unit_in_the_last_place_goes_to_the_even_digit():
    assert [str(rounded(Fraction(n, 8), 2)) for n in (1, 3, 5)] == ["0.12", "0.38", "0.62"]
    assert str(rounded(Fraction(1), 6)) == "1.000000"
    assert str(rounded(Fraction(10**40 + Fraction(1, 3)), 2)) == f"1{'0' * 40}.33"


def test_a_troy_ounce_is_480_grains():
    assert TROY_OUNCE == checked("unit.ozt") == 480 * Fraction("0.06479891")


@given(
    weight=st.decimals(min_value="0.1", max_value=100, places=5),
    fineness=st.decimals(min_value="0.001", max_value=1, places=5),
)
def test_fine_weight_is_never_more_than_the_weight(weight, fineness):
    issue = an_issue(weight_legal=weight, fineness=fineness, material="silver")
    (found,) = fine_weights({}, issue)
    assert found.low == found.high == Fraction(weight) * Fraction(fineness)
    assert 0 < found.low <= Fraction(weight)
