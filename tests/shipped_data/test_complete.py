"""What the catalogue says that it is complete for: issuer, denomination and year give metal, fineness and weight."""

from collections import defaultdict

import pytest

from service.reference import shipped

LAST_YEAR = 2026
BY_KIND = defaultdict(list)
for entry in shipped.issues():
    kind = entry["facts"].get("issuer"), entry["facts"]["denomination"]
    if isinstance(kind[0], str):
        BY_KIND[kind].append(entry)


def candidates(issuer, denomination, year):
    """The issues that a piece of this year may be of."""
    found = []
    for issue in BY_KIND[issuer, denomination]:
        years = issue["facts"]["year_on_coin"]
        low, high = (years.get("from"), years.get("to", LAST_YEAR)) if isinstance(years, dict) else (years, years)
        if low <= year <= high:
            found.append(issue)
    return found


# Years in which none was struck, which `complete` spans: crowns between 1902 and 1927, 1937 and 1951.
NOT_STRUCK = {("GB", "crown"): {*range(1903, 1927), *range(1938, 1951)}, ("US", "dollar"): set(range(1936, 1971))}

# Years with two standards. From memory but where a law or an outside check value is named.
TWO_STANDARDS = {
    # Coinage Act 1920.
    **{("GB", name): {1920} for name in ("half crown", "florin", "shilling", "sixpence")},
    **{("GB", name): {1920} for name in ("fourpence", "twopence (Maundy)", "penny (Maundy)")},
    # Beside the Maundy silver, from 1937 the twelve-sided piece.
    ("GB", "threepence"): {1920, *range(1937, 1971)},
    # Copper, then bronze.
    **{("GB", name): {1860} for name in ("penny", "halfpenny", "farthing")},
    ("US", "half dollar"): {1853, 1873},  # Acts of 1853 and 1873
    ("US", "quarter dollar"): {1853, 1873},
    ("US", "dime"): {1853, 1873},
    ("US", "half dime"): {1853},
    ("US", "dollar"): set(range(1971, 1977)),  # clad, and silver-clad for collectors
    ("US", "5 cents"): {1942},  # wartime alloy (mint42)
    ("US", "cent"): {1857, 1864, 1982},  # us.cent1982: "both alloys dated 1982"
}


@pytest.mark.parametrize("span", shipped.complete(), ids=lambda span: f"{span.issuer} {span.denomination} {span.first}")
def test_issuer_denomination_and_year_give_metal_fineness_and_weight(span):
    kind = span.issuer, span.denomination
    for year in range(span.first, (span.last or LAST_YEAR) + 1):
        found = candidates(*kind, year)
        if year in NOT_STRUCK.get(kind, ()):
            assert found == [], (kind, year)
            continue
        standards = {
            (issue["facts"]["material"], issue["facts"].get("fineness"), str(issue["facts"]["weight_legal"]))
            for issue in found
        }
        assert len(standards) == (2 if year in TWO_STANDARDS.get(kind, ()) else 1), (kind, year, standards)


@pytest.mark.parametrize(
    ("issuer", "denomination", "year", "fineness"),
    [
        # uk.silver.std, Coinage Act 1920 (Hansard, 23 February 1937), uk.1947.cuni; us.1873.std, us.1965.half.fine.
        *(("GB", "shilling", 1911, "0.925"), ("GB", "half crown", 1936, "0.5"), ("GB", "florin", 1950, None)),
        *(("GB", "crown", 1937, "0.5"), ("GB", "crown", 1902, "0.925"), ("GB", "crown", 1951, None)),
        *(("US", "dime", 1916, "0.9"), ("US", "quarter dollar", 1964, "0.9"), ("US", "quarter dollar", 1965, None)),
        *(("US", "half dollar", 1967, "0.4"), ("US", "dollar", 1921, "0.9"), ("US", "5 cents", 1944, "0.35")),
    ],
)
def test_a_date_gives_the_fineness(issuer, denomination, year, fineness):
    (found,) = {str(issue["facts"].get("fineness")) for issue in candidates(issuer, denomination, year)}
    assert found == str(fineness)


# The florin of 1849 (the first), the double florin of 1887 to 1890 (Encyclopaedia Britannica, 11th ed., Florin), the farthing
# until 1956 (an encyclopaedia, a coin museum), a crown of 1927 (Museums Victoria, item 57841), quarter eagles until 1929 (the
# Act of April 11, 1930 ended them: a column in the press). The crown until 1937, half and double eagles: from memory.
@pytest.mark.parametrize(
    ("issue", "years"),
    [
        ("gb-florin-925", {"from": 1849, "to": 1920}),
        ("gb-double-florin-925", {"from": 1887, "to": 1890}),
        ("gb-farthing-bronze", {"from": 1860, "to": 1956}),
        ("gb-crown-500", {"from": 1927, "to": 1937}),
        ("us-2-50-dollars-gold-1873", {"from": 1840, "to": 1929}),
        ("us-5-dollars-gold-1873", {"from": 1839, "to": 1929}),
        ("us-20-dollars-gold-1873", {"from": 1850, "to": 1933}),
    ],
)
def test_first_and_last_years(issue, years):
    (found,) = [entry for entry in shipped.issues() if entry["id"] == issue]
    assert found["facts"]["year_on_coin"] == years


def test_a_narrower_issue_says_what_the_wider_one_says_and_more():
    issues = {entry["id"]: entry["facts"] for entry in shipped.issues()}
    assert len(shipped.narrows()) > 50
    for part, whole in shipped.narrows().items():
        wide, narrow = dict(issues[whole]), dict(issues[part])
        years, within = wide.pop("year_on_coin"), narrow.pop("year_on_coin")
        if not isinstance(within, dict):
            within = {"from": within, "to": within}
        assert years["from"] <= within["from"] <= within.get("to", 9999) <= years.get("to", 9999), part
        assert set(narrow) - set(wide) == {"authority"}, part
        assert {name: narrow[name] for name in wide} == wide, part


# Reigns: the Encyclopaedia Britannica, 11th ed., to 1910, and common knowledge since. Coins of a new head follow by months.
@pytest.mark.parametrize(
    ("year", "rulers"),
    [
        *((1816, {"George III"}), (1820, {"George III", "George IV"}), (1835, {"William IV"}), (1838, {"Victoria"})),
        *((1901, {"Victoria"}), (1902, {"Edward VII"}), (1911, {"George V"}), (1936, {"George V"})),
        *((1937, {"George VI"}), (1951, {"George VI"}), (1953, {"Elizabeth II"}), (1970, {"Elizabeth II"})),
    ],
)
def test_a_date_gives_the_ruler_of_a_shilling(year, rulers):
    found = candidates("GB", "shilling", year)
    assert {issue["facts"]["authority"] for issue in found if "narrows" in issue} == rulers
    assert len([issue for issue in found if "narrows" not in issue]) == 1


def test_a_dollar_of_8_grams_is_not_taken_for_one_of_27():
    alike = {entry["id"]: set(entry["look_alikes"]) for entry in shipped.issues()}
    assert "us-dollar-1837" not in alike["us-dollar-5112"]
    assert "us-trade-dollar-1873" in alike["us-dollar-1837"]
    assert not {"us-5-dollars-bullion", "us-5-dollars-1986"} & alike["us-5-dollars-gold-1873"]
    assert "gb-penny-copper" not in alike["gb-penny-bronze"]


def test_euro_coins_are_complete_for_25_issuers_and_eight_denominations():
    euro = [span for span in shipped.complete() if span.denomination.endswith(("euro", "euro cent"))]
    assert len(euro) == 200
    assert {span.last for span in euro} == {None}
