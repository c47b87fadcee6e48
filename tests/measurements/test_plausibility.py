"""Measurements against published figures: laws as tests/shipped_data/check_values.json names them; bounds of wear and
assumed tolerances have no source (common practice) and are tried as the module states them."""

from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.facts.core_attributes import CORE, PROBLEMS
from service.measurements.plausibility import (
    CANNOT_TELL,
    CONSISTENT,
    IMPOSSIBLE,
    RULED_OUT,
    SPOILED,
    TOO_HEAVY,
    WEAR,
    check_measurements,
    overall,
    weight_zones,
)
from tests.shipped_data.law import an_issue, checked, facts, published

RANK = {CONSISTENT: 0, WEAR: 1, IMPOSSIBLE: 2, TOO_HEAVY: 3}


def trial(issue, attribute="weight_measured", **measured):
    (found,) = [one for one in check_measurements(facts(**measured), issue) if one.attribute == attribute]
    return found


def verdict(issue, **measured):
    return overall(check_measurements(facts(**measured), issue))


def weighed(issue, weight):
    return trial(issue, weight_measured=weight).verdict


# 31 U.S.C. 5112(a)(6) and 5113(a): 3.11 g, 0.13 g either way (us.5112.cent.m, us.5113.cent).
@pytest.mark.parametrize(
    ("weight", "expected"),
    [
        ("3.11", CONSISTENT),
        ("3.24", CONSISTENT),
        ("2.98", CONSISTENT),
        ("3.241", TOO_HEAVY),
        ("2.979", WEAR),
        ("2.799", WEAR),  # nine tenths of 3.11 g: the bound of wear, no source
        ("2.798", IMPOSSIBLE),
        ("2.5", IMPOSSIBLE),  # what a cent of the other alloy weighs (us.cent1982)
    ],
)
def test_a_cent_of_the_copper_alloy(weight, expected):
    assert weighed(published("us-cent-1982-copper"), Decimal(weight)) == expected


def test_the_tolerance_is_the_laws_or_says_that_it_is_not():
    by_law = trial(published("us-cent-1982-copper"), weight_measured=3)
    assert (by_law.tolerance, by_law.assumed) == (checked("us.5113.cent"), False)
    assumed = trial(published("gb-florin-925"), weight_measured=11)
    assert (assumed.tolerance, assumed.assumed) == (checked("uk.1870.florin.g") / 50, True)
    assert "common practice, no source" in assumed.why


def test_a_sovereign_knows_its_remedy_and_its_least_current_weight():
    sovereign = published("gb-sovereign")
    # Coinage Act 1870, first schedule: 7.98805 g, remedy 0.01296 g, least current weight 7.93787 g.
    assert weighed(sovereign, Decimal("7.98805")) == CONSISTENT
    assert weighed(sovereign, Decimal("8.002")) == TOO_HEAVY
    light = trial(sovereign, weight_measured=Decimal("7.93"))
    assert light.verdict == WEAR
    assert "below the least current weight of 7.93787 g" in light.why
    assert "least current" not in trial(sovereign, weight_measured=Decimal("7.94")).why
    assert weighed(sovereign, Decimal("7.7")) == IMPOSSIBLE


def test_wear_never_adds_weight():
    told = trial(published("gb-florin-925"), weight_measured=12)
    assert told.verdict == TOO_HEAVY
    assert "never adds" in told.why


@pytest.mark.parametrize("problem", sorted(SPOILED["weight_measured"]))
def test_a_coin_that_lost_or_gained_metal_cannot_be_judged_by_weight(problem):
    told = trial(published("us-cent-1982-copper"), weight_measured=2, problems=["scratched", problem])
    assert told.verdict == CANNOT_TELL
    assert problem in told.why


def test_a_problem_that_is_only_possible_spoils_the_weight_too():
    problems = {"one_of": [[], ["plugged"]]}
    assert trial(published("gb-florin-925"), weight_measured=9, problems=problems).verdict == CANNOT_TELL


def test_a_scratched_or_cleaned_coin_is_weighed_as_any_other():
    told = trial(published("us-cent-1982-copper"), weight_measured=2, problems=["scratched", "cleaned"])
    assert told.verdict == IMPOSSIBLE


def test_every_problem_that_spoils_a_measurement_is_one_that_can_be_recorded():
    assert set(SPOILED) <= set(CORE)
    assert set().union(*SPOILED.values()) <= set(PROBLEMS)


def test_nothing_measured_and_nothing_published_are_both_said():
    assert verdict(published("gb-florin-925")) == CANNOT_TELL
    assert "was not measured" in trial(published("gb-florin-925")).why
    unknown = trial(an_issue(denomination="florin"), weight_measured=11)
    assert unknown.verdict == CANNOT_TELL
    assert "no weight is published" in unknown.why


def test_a_magnet_tells_steel_from_bronze():
    # A steel cent clings to a magnet (Treasury text on the 1943 cent: zinc-coated steel); bronze does not.
    assert verdict(published("us-cent-1943-steel"), magnetic=True) == CONSISTENT
    assert verdict(published("us-cent-1943-steel"), magnetic=False) == IMPOSSIBLE
    assert verdict(published("us-cent-1873"), magnetic=True) == IMPOSSIBLE
    assert trial(published("us-cent-1873"), "magnetic", magnetic={"one_of": [True, False]}).verdict == CONSISTENT


@pytest.mark.parametrize(
    ("diameter", "expected"),
    [("39.5", CONSISTENT), ("40.2", CONSISTENT), ("41.4", CONSISTENT), ("41.5", IMPOSSIBLE),
     ("38.5", WEAR), ("38", IMPOSSIBLE)],
)  # fmt: skip
def test_the_diameter_of_the_thaler_is_held_against_a_range(diameter, expected):
    # 39.5 to 41 mm, sources differ (mtt.d); 1 per cent is allowed and 3 for wear: no source.
    assert trial(published("thaler-1780"), "diameter", diameter=Decimal(diameter)).verdict == expected


def test_a_bent_coin_is_not_judged_by_its_diameter():
    assert trial(published("thaler-1780"), "diameter", diameter=43, problems=["bent"]).verdict == CANNOT_TELL


def test_the_thickness_rules_nothing_out():
    issue = an_issue(weight_legal=5, thickness=2)
    assert trial(issue, "thickness", thickness=2).verdict == CONSISTENT
    assert trial(issue, "thickness", thickness=3).verdict == CANNOT_TELL
    assert "indicative" in trial(issue, "thickness", thickness=3).why
    # Nor does a thickness or a year that fits say anything for the piece by itself.
    assert verdict(issue, thickness=2) == CANNOT_TELL
    assert verdict(published("gb-florin-925"), year_on_coin=1900) == CANNOT_TELL


def test_of_a_thickness_that_is_one_of_several_one_that_fits_is_enough():
    issue = an_issue(weight_legal=5, thickness=2)
    assert trial(issue, "thickness", thickness={"one_of": [2, 9]}).verdict == CONSISTENT
    assert trial(issue, "thickness", thickness={"one_of": [8, 9]}).verdict == CANNOT_TELL


def test_a_year_outside_the_issue_rules_it_out():
    florin, weight = published("gb-florin-500"), Decimal("11.3")
    assert verdict(florin, weight_measured=weight, year_on_coin=1900) == IMPOSSIBLE
    assert verdict(florin, weight_measured=weight, year_on_coin={"one_of": [1900, 1921]}) == CONSISTENT


def test_the_worst_test_is_the_verdict():
    cent = published("us-cent-1982-copper")
    assert verdict(cent, weight_measured=Decimal("2.9"), diameter=Decimal("19.05")) == WEAR
    assert verdict(cent, weight_measured=Decimal("3.5"), diameter=Decimal("19.05")) == TOO_HEAVY
    assert verdict(cent, weight_measured=Decimal("3.11"), diameter=25) == IMPOSSIBLE


def test_a_coarse_measurement_says_that_it_is_coarse():
    told = trial(published("us-cent-1982-copper"), weight_measured={"from": 2, "to": 4})
    assert told.verdict == CONSISTENT
    assert "measure it more finely" in told.why
    assert "more finely" not in trial(published("us-cent-1982-copper"), weight_measured={"from": 3, "to": 3.1}).why
    ruled_out = trial(published("us-cent-1982-copper"), weight_measured={"from": 4, "to": 5})
    assert ruled_out.verdict == TOO_HEAVY
    assert "more finely" not in ruled_out.why


def test_an_open_range_may_be_anything_on_its_open_side():
    cent = published("us-cent-1982-copper")
    assert weighed(cent, {"from": 3}) == CONSISTENT
    assert weighed(cent, {"from": 4}) == TOO_HEAVY
    assert weighed(cent, {"to": 2}) == IMPOSSIBLE
    assert trial(an_issue(weight_legal={"from": 3}), weight_measured=3).verdict == CANNOT_TELL


WEIGHTS = st.decimals(min_value=0, max_value=20, places=3)
FIGURES = st.decimals(min_value="0.5", max_value=15, places=3)
PUBLISHED = st.one_of(
    FIGURES,
    st.tuples(FIGURES, FIGURES).map(lambda ends: {"from": min(ends), "to": max(ends)}),
    st.lists(FIGURES, min_size=1, max_size=3, unique=True).map(lambda values: {"one_of": values}),
)


@st.composite
def issues(draw):
    tolerance = draw(st.none() | st.decimals(min_value=0, max_value=1, places=3))
    stated = {} if tolerance is None else {"weight_tolerance": tolerance}
    return an_issue(weight_legal=draw(PUBLISHED), material=draw(st.sampled_from(["gold", "silver"])), **stated)


@given(issue=issues(), one=WEIGHTS, other=WEIGHTS)
def test_adding_weight_never_makes_a_heavy_coin_lighter(issue, one, other):
    less, more = sorted((one, other))
    if weighed(issue, less) == TOO_HEAVY:
        assert weighed(issue, more) == TOO_HEAVY
    if weighed(issue, more) == IMPOSSIBLE and len(weight_zones(issue)[0]) == 1:
        assert weighed(issue, less) == IMPOSSIBLE


@given(issue=issues(), below=WEIGHTS, above=WEIGHTS, pick=st.integers(0, 2))
def test_a_range_around_the_legal_weight_is_never_ruled_out(issue, below, above, pick):
    zones = weight_zones(issue)[0]
    legal = zones[pick % len(zones)].stated_low
    low = max(Decimal(0), Decimal(legal.numerator) / legal.denominator - below)
    high = Decimal(legal.numerator) / legal.denominator + above
    assert weighed(issue, {"from": low, "to": high}) == CONSISTENT


@given(issue=issues(), ends=st.tuples(WEIGHTS, WEIGHTS))
def test_the_verdict_of_a_range_is_the_best_of_its_points(issue, ends):
    low, high = sorted(ends)
    edges = {edge for zone in weight_zones(issue)[0] for edge in (zone.worn, zone.low, zone.high)}
    corners = sorted({Fraction(low), Fraction(high), *(edge for edge in edges if low <= edge <= high)})
    between = [(a + b) / 2 for a, b in pairwise(corners)]
    points = {weighed_exactly(issue, point) for point in (*corners, *between)}
    assert weighed(issue, {"from": low, "to": high}) == min(points, key=RANK.__getitem__)


def weighed_exactly(issue, weight):
    """The verdict of one point by the definition of the zones, one published figure after the other."""
    found = set()
    for zone in weight_zones(issue)[0]:
        if weight > zone.high:
            found.add(TOO_HEAVY)
        elif weight >= zone.low:
            found.add(CONSISTENT)
        else:
            found.add(WEAR if weight >= zone.worn else IMPOSSIBLE)
    return min(found, key=RANK.__getitem__)


@given(issue=issues(), values=st.lists(WEIGHTS, min_size=1, max_size=4, unique=True))
def test_the_verdict_of_alternatives_is_the_best_of_them(issue, values):
    expected = min((weighed(issue, value) for value in values), key=RANK.__getitem__)
    assert weighed(issue, {"one_of": values}) == expected


@given(issue=issues(), weight=WEIGHTS, problem=st.sampled_from(sorted(SPOILED["weight_measured"])))
def test_a_spoiled_weight_never_rules_out(issue, weight, problem):
    assert verdict(issue, weight_measured=weight, problems=[problem]) not in RULED_OUT
