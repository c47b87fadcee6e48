"""The catalogue of pieces whose weight a law gives, against the outside check values (check_values.json, sources inside)."""

import importlib.util
import sys
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

from service.reference import shipped
from tests.shipped_data.law import CHECKS, FOLDER, ISSUES, SOURCES, checked, exact_value

SCRIPT = Path(__file__).parent.parent / "data" / "law_issues.py"

# issue, attribute -> check value
PRINTED = {
    ("gb-crown-925", "weight_legal"): "uk.1870.crown.g",
    ("gb-crown-500", "weight_legal"): "uk.1870.crown.g",
    ("gb-halfcrown-925", "weight_legal"): "uk.1870.halfcrown.gr",
    ("gb-halfcrown-cupro-nickel", "weight_legal"): "uk.1870.halfcrown.gr",
    ("gb-florin-925", "weight_legal"): "uk.1870.florin.g",
    ("gb-florin-500", "weight_legal"): "uk.1870.florin.g",
    ("gb-florin-cupro-nickel", "weight_legal"): "uk.1870.florin.g",
    ("gb-shilling-925", "weight_legal"): "uk.1870.shilling.g",
    ("gb-sixpence-500", "weight_legal"): "uk.1870.sixpence.g",
    ("gb-fourpence-925", "weight_legal"): "uk.1870.fourpence.g",
    ("gb-threepence-925", "weight_legal"): "uk.1870.threepence.g",
    ("gb-twopence-maundy-925", "weight_legal"): "uk.1870.twopence_maundy.g",
    ("gb-penny-maundy-925", "weight_legal"): "uk.1870.penny_maundy.gr",
    ("gb-penny-bronze", "weight_legal"): "uk.1870.penny.g",
    ("gb-halfpenny-bronze", "weight_legal"): "uk.1870.halfpenny.g",
    ("gb-farthing-bronze", "weight_legal"): "uk.1870.farthing.g",
    ("gb-florin-925", "fineness"): "uk.silver.std",
    ("gb-sovereign", "weight_legal"): "uk.1870.sovereign.g",
    ("gb-sovereign", "weight_tolerance"): "uk.sovereign.remedy",
    ("gb-sovereign", "weight_least"): "uk.sovereign.least",
    ("gb-sovereign", "fineness"): "uk.gold.std",
    ("gb-2-pounds-gold", "weight_legal"): "uk.1870.twopound.g",
    ("gb-1-pound-gold-2005", "weight_legal"): "uk.2005.gold1.m",
    ("gb-1-pound-gold-2005", "weight_tolerance"): "uk.2005.gold1.remedy",
    ("gb-1-pound-gold-2005", "weight_least"): "uk.2005.gold1.least",
    ("gb-1-pound-gold-2005", "diameter"): "uk.2005.gold1.d",
    ("gb-10-pence-1971", "weight_legal"): "uk.1971.10p",
    ("gb-5-pence-1971", "weight_legal"): "uk.1971.5p",
    ("us-half-dollar-1837", "weight_legal"): "us.1837.half",
    ("us-dime-1837", "weight_legal"): "us.1837.dime",
    ("us-half-dime-1837", "weight_legal"): "us.1837.halfdime",
    ("us-half-dollar-1853", "weight_legal"): "us.1853.half",
    ("us-half-dollar-1873", "weight_legal"): "us.1873.half",
    ("us-half-dollar-1873", "fineness"): "us.1873.std",
    ("us-quarter-dollar-1873", "weight_legal"): "us.1873.quarter",
    ("us-dime-1873", "weight_legal"): "us.1873.dime",
    ("us-trade-dollar-1873", "weight_legal"): "us.1873.trade",
    ("us-1-dollar-gold-1873", "weight_legal"): "us.1873.gold1",
    ("us-2-50-dollars-gold-1873", "weight_legal"): "us.1873.gold2.5",
    ("us-3-dollars-gold-1873", "weight_legal"): "us.1873.gold3",
    ("us-5-dollars-gold-1873", "weight_legal"): "us.1873.gold5",
    ("us-10-dollars-gold-1873", "weight_legal"): "us.1873.gold10",
    ("us-5-cents-1873", "weight_legal"): "us.1873.5c",
    ("us-cent-1873", "weight_legal"): "us.1873.1c",
    ("us-5-cents-5112", "weight_legal"): "us.5112.fivecent.m",
    ("us-5-cents-5112", "weight_tolerance"): "us.5113.fivecent",
    ("us-5-cents-5112", "diameter"): "us.5112.fivecent.d",
    ("us-cent-1982-copper", "weight_legal"): "us.5112.cent.m",
    ("us-cent-1982-copper", "diameter"): "us.5112.cent.d",
    ("us-cent-1982-copper", "weight_tolerance"): "us.5113.cent",
    ("us-cent-1982-zinc", "weight_legal"): "us.cent1982",
    ("us-cent-1982-zinc", "weight_tolerance"): "us.5113.cent",
    ("us-half-dollar-1965", "weight_legal"): "us.1965.half.m",
    ("us-half-dollar-1965", "diameter"): "us.1965.half.d",
    ("us-half-dollar-1965", "fineness"): "us.1965.half.fine",
    ("us-half-dollar-5112", "weight_legal"): "us.5112.half.m",
    ("us-half-dollar-5112", "diameter"): "us.5112.half.d_mm",
    ("us-dime-5112", "weight_legal"): "us.5112.dime.m",
    ("us-dime-5112", "diameter"): "us.5112.dime.d_mm",
    ("us-dollar-5112", "weight_legal"): "us.5112.dollar.m1994",
    ("us-dollar-5112", "diameter"): "us.5112.dollar.d",
    ("us-50-dollars-bullion", "diameter"): "us.5112.gold50.d",
    ("us-25-dollars-bullion", "weight_legal"): "us.5112.gold25.m",
    ("us-10-dollars-bullion", "weight_legal"): "us.5112.gold10.m",
    ("us-5-dollars-bullion", "weight_legal"): "us.5112.gold5.m",
    ("us-dollar-bullion", "weight_legal"): "us.5112e.m",
    ("us-dollar-bullion", "fineness"): "us.5112e.fine",
    ("us-5-dollars-1986", "weight_legal"): "us.pl9961.gold5.m",
    ("us-5-dollars-1986", "diameter"): "us.pl9961.gold5.d",
    ("us-dollar-1986", "weight_legal"): "us.pl9961.silver1.m",
    ("us-dollar-1986", "diameter"): "us.pl9961.silver1.d",
    ("lmu-100-francs-gold", "weight_legal"): "lmu.gold100.m",
    ("lmu-100-francs-gold", "diameter"): "lmu.gold100.d",
    ("lmu-50-francs-gold", "weight_legal"): "lmu.gold50.m",
    ("lmu-20-francs-gold", "weight_legal"): "lmu.gold.rule",
    ("lmu-10-francs-gold", "weight_legal"): "lmu.gold10.m",
    ("lmu-5-francs-gold", "weight_legal"): "lmu.gold5.m",
    ("lmu-5-francs-silver", "fineness"): "lmu.silver5.fine",
    ("lmu-5-francs-silver", "diameter"): "lmu.silver5.d",
    ("lmu-2-francs-silver", "weight_legal"): "lmu.silver2.m",
    ("lmu-2-francs-silver", "fineness"): "lmu.silver2.fine",
    ("lmu-1-franc-silver", "weight_legal"): "lmu.silver1.m",
    ("lmu-50-centimes-silver", "weight_legal"): "lmu.silver0.5.m",
    ("lmu-20-centimes-silver", "weight_legal"): "lmu.silver0.2.m",
    ("thaler-1780", "weight_legal"): "mtt.m",
    ("thaler-1780", "fineness"): "mtt.fine",
    ("thaler-1780", "year_on_coin"): "mtt.date",
}


@pytest.mark.parametrize(("where", "check"), PRINTED.items(), ids=lambda part: str(part))
def test_a_figure_is_the_one_that_the_law_prints(where, check):
    issue, attribute = where
    assert Fraction(ISSUES[issue]["facts"][attribute]) == checked(check)


def test_no_legal_weight_of_the_check_values_is_left_out():
    weights = {
        name
        for name, value in CHECKS.items()
        if value["unit"] in ("g", "grain")
        and value["source"] not in ("units", "derived")
        and not name.endswith((".least", ".remedy", ".cu"))
        and name not in ("us.5113.cent", "us.5113.fivecent", "us.steel43.m")  # tolerances; the steel cent stands below
    }
    # The schedule of 1870 prints most weights twice, in grains and in g: the g is taken.
    twice = {name for name in weights if name.endswith(".gr") and name.removesuffix("r") in weights}
    assert weights - twice - set(PRINTED.values()) == set()


@pytest.mark.parametrize(
    ("issue", "check"),
    [("gb-2-pence-1971", "uk.1971.2p"), ("gb-1-penny-1971", "uk.1971.1p"), ("gb-half-penny-1971", "uk.1971.half_p")],
)
def test_weight_and_diameter_of_the_decimal_bronze_are_those_of_the_schedule(issue, check):
    facts = ISSUES[issue]["facts"]
    assert [str(facts["weight_legal"]), str(facts["diameter"])] == CHECKS[check]["value"].split(" / ")
    assert "from memory" in ISSUES[issue]["source"]


def test_the_steel_cent_has_both_standards_of_its_year():
    legal = ISSUES["us-cent-1943-steel"]["facts"]["weight_legal"]
    assert Fraction(legal["from"]) == Fraction("41.5") * Fraction("0.06479891")  # note of us.steel43.m
    assert Fraction(legal["to"]) == Fraction("42.5") * Fraction("0.06479891")
    assert legal["from"] < checked("us.steel43.m") == exact_value("us.steel43.g") < legal["to"]
    assert ISSUES["us-cent-1943-steel"]["facts"]["magnetic"] is True


def test_the_diameter_of_the_thaler_is_a_range():
    assert ISSUES["thaler-1780"]["facts"]["diameter"] == {"from": Decimal("39.5"), "to": 41}  # mtt.d


@pytest.mark.parametrize(
    ("issue", "attribute", "check"),
    [
        ("gb-sovereign", "weight_legal", "uk.sovereign.rule"),
        ("gb-sovereign", "fineness", "uk.gold.std"),
        ("gb-florin-925", "fineness", "uk.silver.std"),
        ("lmu-20-francs-gold", "weight_legal", "lmu.gold.rule"),
        ("thaler-1780", "fineness", "mtt.fine"),
    ],
)
def test_what_a_law_says_as_a_fraction_is_kept_as_one(issue, attribute, check):
    assert shipped.exact_values()[issue][attribute] == exact_value(check)


def test_a_fraction_rounds_to_what_is_printed():
    for issue, exact in shipped.exact_values().items():
        for attribute, fraction in exact.items():
            printed = Decimal(str(ISSUES[issue]["facts"][attribute]))
            # The schedule of 1870 rounds grains first: 5 x 5.65518 g is printed for the crown, 2 hundred-thousandths more.
            near = Fraction(3, 100_000) if attribute == "weight_legal" else Fraction(1, 2_000)
            assert abs(Fraction(printed) - fraction) <= near, (issue, attribute)


def test_the_alloys_of_a_denomination_share_its_legal_weight():
    # Coinage Acts of 1920, 1946: the alloy changed and the weight did not (outside checks, uk.1971.10p: so did 1971).
    for names in (
        ("gb-florin-925", "gb-florin-500", "gb-florin-cupro-nickel", "gb-10-pence-1971"),
        ("gb-shilling-925", "gb-shilling-500", "gb-shilling-cupro-nickel", "gb-5-pence-1971"),
    ):
        assert len({ISSUES[name]["facts"]["weight_legal"] for name in names}) == 1
        assert all(set(names) - {name} == set(ISSUES[name]["look_alikes"]) for name in names)


def test_whatever_is_from_memory_says_so():
    memory = {name for name, check in CHECKS.items() if check["seen"] == "memory"}
    named = {issue for (issue, _), check in PRINTED.items() if check in memory}
    assert {"us-half-dollar-1853", "us-cent-1982-zinc", "us-dollar-bullion"} <= named
    for issue in named:
        assert "from memory" in ISSUES[issue]["source"].replace("years from memory", "")
    assert SOURCES["usc5112e"]["seen"].startswith("MEMORY")


def test_the_shipped_file_is_what_the_script_makes_of_the_check_values():
    spec = importlib.util.spec_from_file_location("law_issues", SCRIPT)
    script = importlib.util.module_from_spec(spec)
    sys.modules["law_issues"] = script  # dataclasses look their module up
    spec.loader.exec_module(script)
    made = script.law_issues(FOLDER)["issues"]
    kept = [entry for entry in shipped.issues() if entry["edition"] == "1"]
    assert len(made) == len(kept) >= 70
    for entry, shipped_entry in zip(made, kept, strict=True):
        assert {**entry, "edition": "1"} == plain(shipped_entry)


def plain(value):
    """Decimals as the floats that the script writes them from."""
    if isinstance(value, dict):
        return {name: plain(part) for name, part in value.items()}
    if isinstance(value, list):
        return [plain(part) for part in value]
    return float(value) if isinstance(value, Decimal) else value
