"""Grades, dates, metals, mintmarks and problems as collectors write them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.facts.core_attributes import CORE, PROBLEMS
from service.facts.holding import read_facts
from service.notation.dates import read_date
from service.notation.grades import AMERICAN, SCALES, grade_band, read_grade
from service.notation.metals import read_fineness, read_metal, read_mintmark
from service.notation.problems import read_problems
from service.notation.readers import READERS, read_notation

# --- grades ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "band"),
    [
        ("G-4", (4, 4)), ("VG8", (8, 8)), ("F 12", (12, 12)), ("VF", (20, 35)), ("VF-30", (30, 30)), ("EF/XF 45", (45, 45)),
        ("AU", (50, 58)), ("AU-55", (55, 55)), ("UNC", (60, 70)), ("BU", (60, 70)), ("MS-63", (63, 63)), ("MS64+", (64, 64)),
        ("PR/PF-65", (65, 65)), ("PF65", (65, 65)), ("VF/F", (12, 35)), ("XF details", (40, 45)), ("63", (63, 63)),
        ("ss-vz", (20, 58)), ("MS65RD", (65, 65)), ("MS63-64", (63, 64)), ("63/64", (63, 64)), ("banana", None), ("VF 65", None),
        ("0", None), ("71", None), ("", None),
    ],
)  # fmt: skip
def test_grades(written: str, band: tuple[int, int] | None) -> None:
    """Bands: common practice of the trade, no source."""
    assert grade_band(written) == band


def test_american_bands_are_those_of_the_trade() -> None:
    """Common practice, no source: low and high numbers of the letters, as secondary sources print them."""
    bands = {
        "p": (1, 1),
        "fr": (2, 2),
        "ag": (3, 3),
        "g": (4, 6),
        "vg": (8, 10),
        "f": (12, 15),
        "vf": (20, 35),
        "ef": (40, 45),
    }
    bands |= {"au": (50, 58), "ms": (60, 70)}
    assert {word: AMERICAN[word] for word in bands} == bands


def test_words_of_another_scale() -> None:
    assert grade_band("EF", "british") == (45, 58)
    assert grade_band("SPL", "french") == (62, 65)
    assert grade_band("SPL", "italian") == (45, 60)
    # Not said which: all that it may mean.
    assert grade_band("SPL") == (45, 65)
    with pytest.raises(KeyError):
        grade_band("EF", "martian")


def test_a_grade_with_problems_gives_both() -> None:
    assert read_grade("XF details, cleaned").facts == {
        "grade": {"from": 40, "to": 45},
        "problems": ["cleaned"],
        "grade_words": "XF details, cleaned",
    }
    assert read_grade("Proof").facts == {"strike": "proof", "grade_words": "Proof"}
    assert read_grade("AU?").perhaps == {"grade": {"from": 50, "to": 58}}


def test_every_word_of_every_scale_is_read() -> None:
    for scale, words in SCALES.items():
        for word, band in words.items():
            assert grade_band(word, scale) == band
            assert grade_band(word.upper(), scale) == band


# --- dates -------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "year"),
    [
        ("1887", 1887), ("188?", {"from": 1880, "to": 1889}), ("188x", {"from": 1880, "to": 1889}),
        ("19xx", {"from": 1900, "to": 1999}), ("19?8", {"one_of": [1908 + 10 * n for n in range(10)]}),
        ("c. 1938", {"from": 1933, "to": 1943}), ("n.d.", {"none": True}), ("1901/02", {"one_of": [1901, 1902]}),
        ("1871-72", {"one_of": [1871, 1872]}), ("1871-79", {"from": 1871, "to": 1879}), ("1918/7", 1918),
        ("1776-1976", 1976), ("1899/00", {"one_of": [1899, 1900]}), ("worn", None), ("1965?", None), ("MCMXIV", 1914),
        ("19th century", {"from": 1801, "to": 1900}), ("before 1900", {"to": 1899}), ("1914-D", 1914), ("rubbish", None),
    ],
)  # fmt: skip
def test_dates(written: str, year: Any) -> None:
    assert read_date(written).facts.get("year_on_coin") == year


@pytest.mark.parametrize(
    ("written", "facts"),
    [
        ("ND (1644)", {"year_on_coin": {"none": True}, "struck": 1644}),
        ("n.d. (c. 1720)", {"year_on_coin": {"none": True}, "struck": {"from": 1715, "to": 1725}}),
        ("o.J. (1625-49)", {"year_on_coin": {"none": True}, "struck": {"from": 1625, "to": 1649}}),
        ("[1720]", {"year_on_coin": {"none": True}, "struck": 1720}),
        ("1625-49", {"year_on_coin": {"from": 1625, "to": 1649}}),
        ("1889, 1890", {"year_on_coin": {"one_of": [1889, 1890]}}),
        ("1889 und 1890", {"year_on_coin": {"one_of": [1889, 1890]}}),
        # Alternatives in so many words are no double date, however far apart.
        ("1880 or 1840", {"year_on_coin": {"one_of": [1840, 1880]}}),
        ("17. Jh.", {"year_on_coin": {"from": 1601, "to": 1700}}),
        ("18e siècle", {"year_on_coin": {"from": 1701, "to": 1800}}),
    ],
)
def test_dates_in_words_of_the_trade(written: str, facts: dict[str, Any]) -> None:
    """Common practice of the trade, no source."""
    assert read_date(written).facts == {**facts, "date_as_written": written}


def test_a_sign_of_the_hijra_behind_a_year_is_no_mintmark() -> None:
    assert read_date("1327 H").facts == {**read_date("AH 1327").facts, "date_as_written": "1327 H"}
    assert read_date("1882H").facts == {"year_on_coin": 1882, "mintmark": "H"}


def test_what_dates_say_besides() -> None:
    assert read_date("1918/7").facts["variety"] == "overdate"
    assert read_date("1965?").perhaps == {"year_on_coin": 1965}
    assert read_date("1965?").facts == {"date_as_written": "1965?"}
    assert read_date("1909S VDB").facts["mintmark"] == "S"
    assert read_date("1887, Jubilee head").rest == "Jubilee head"


@pytest.mark.parametrize(
    ("written", "year", "calendar"),
    [
        # 1 Muharram 1327 was 23 January 1909, and 1328 began on 13 January 1910 (Reingold and Dershowitz, Calendrical
        # Calculations, civil calendar; also as convertdate reckons).
        ("AH 1327", {"from": 1909, "to": 1910}, "islamic"),
        ("1327 AH", {"from": 1909, "to": 1910}, "islamic"),
        # The state of Israel was proclaimed on 5 Iyar 5708 (14 May 1948); Rosh Hashanah 5709 fell on 4 October 1948.
        ("5709", {"from": 1948, "to": 1949}, "hebrew"),
        # The Thai year 2484 was the first to begin on 1 January (1941).
        ("BE 2484", 1941, "buddhist"),
        ("BE 2480", {"from": 1937, "to": 1938}, "buddhist"),
        # Accessions: 30 July 1912, 25 December 1926, 8 January 1989, 1 May 2019.
        ("Meiji 45", 1912, "japanese"),
        ("昭和45年", 1970, "japanese"),
        ("明治三十八年", 1905, "japanese"),
        ("Heisei 1", 1989, "japanese"),
        # The Republic of China was founded on 1 January 1912, its year 1.
        ("民國十年", 1921, "roc"),
        ("AH 1327 (1909)", 1909, "islamic"),
    ],
)
def test_other_eras(written: str, year: Any, calendar: str) -> None:
    facts = read_date(written).facts
    assert (facts["year_on_coin"], facts["calendar"], facts["date_as_written"]) == (year, calendar, written)


def test_a_regnal_year_tells_when_it_was_struck() -> None:
    """Ottoman coins of Mehmed V bear 1327 and the year of the reign."""
    facts = read_date("AH 1327/8").facts
    assert (facts["year_as_written"], facts["regnal_year"], facts["struck"]) == (1327, 8, {"from": 1915, "to": 1916})


@given(st.integers(1, 2100))
def test_plain_years_are_themselves(year: int) -> None:
    if year >= 100:
        assert read_date(str(year)).facts == {"year_on_coin": year}


@given(st.integers(1000, 2080), st.integers(1, 20))
def test_two_years(first: int, more: int) -> None:
    """The naive way: what both years are, without looking at their figures."""
    assert read_date(f"{first}/{first + more}").facts["year_on_coin"] == {"one_of": [first, first + more]}
    assert read_date(f"{first + more}/{first}").facts["variety"] == "overdate"
    assert read_date(f"{first}/{first + more}").facts["date_as_written"] == f"{first}/{first + more}"


# --- metals, mintmarks, problems ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "facts"),
    [
        ("Ag", {"material": "silver"}),
        ("Ag .925", {"material": "silver", "fineness": Decimal("0.925")}),
        ("22ct gold", {"material": "gold", "fineness": Decimal("0.917")}),
        ("aluminum", {"material": "aluminium"}),
        ("CuNi", {"material": "cupro-nickel"}),
        ("Cu75Ni25", {"material": "cupro-nickel", "composition": ["Cu 75", "Ni 25"]}),
        ("silver?", {}),
        ("unobtainium", {}),
    ],
)
def test_metals(written: str, facts: dict[str, Any]) -> None:
    assert read_metal(written).facts == facts


def test_carats_are_twenty_fourths() -> None:
    """11/12, the standard of the sovereign (Coinage Act 1870), to three decimals."""
    assert read_fineness("22 carat") == Decimal("0.917")
    assert [read_fineness(text) for text in ("925/1000", "92,5 %", "0,925", ".925", "925")] == [Decimal("0.925")] * 5
    assert read_fineness("7") is None


def test_mintmarks() -> None:
    assert read_mintmark("no mm").facts == {"mintmark": {"none": True}}
    assert read_mintmark("D or S").facts == {"mintmark": {"one_of": ["D", "S"]}}
    assert read_mintmark("S/D").facts == {"mintmark": "S", "features": ["mintmark S over D"]}
    assert read_mintmark("D?").perhaps == {"mintmark": "D"}
    assert read_mintmark("D?").facts == {}


@pytest.mark.parametrize(
    ("written", "facts"),
    [
        ("cleaned?", {"problems": {"has": [], "perhaps": ["cleaned"]}}),
        ("holed, cleaned?", {"problems": {"has": ["holed"], "perhaps": ["cleaned"]}}),
        ("ex-jewelry", {"problems": ["ex-jewellery"]}),
        ("lightly cleaned & rim bump", {"problems": ["cleaned", "rim damage"]}),
        ("toned", {"toning": "toned"}),
        ("chop marks", {"countermark": "chop marks"}),
        ("stained", {}),
        ("uncleaned", {}),
        ("not cleaned", {}),
        ("none", {"problems": []}),
    ],
)
def test_problems(written: str, facts: dict[str, Any]) -> None:
    assert read_problems(written).facts == facts


def test_every_problem_is_read_as_itself() -> None:
    for problem in PROBLEMS:
        assert read_problems(problem).facts == {"problems": [problem]}


# --- all of them -------------------------------------------------------------------------------------------------------------

_PIECES = [
    "VF",
    "EF",
    "AU",
    "MS",
    "63",
    "188?",
    "1918/7",
    "AH",
    "1327",
    "/",
    "-",
    "?",
    "no mm",
    "D",
    "Ag",
    ".925",
    "22ct",
]
_PIECES += [
    "cleaned",
    "toned",
    ",",
    " ",
    "(",
    ")",
    "+",
    "details",
    "Meiji",
    "c.",
    "五",
    "²",
    "١٣",
    "%",
    "0",
    "Cu75Ni25",
    "\0",
]


@given(
    st.sampled_from(sorted(READERS)), st.text(max_size=30) | st.lists(st.sampled_from(_PIECES), max_size=6).map("".join)
)
@example("year_on_coin", "٠")
@example("year_on_coin", "²²²²")
@example("fineness", ".²")
@example("grade", "٣٣")
def test_no_reader_raises_and_what_it_says_can_be_recorded(attribute: str, written: str) -> None:
    found = READERS[attribute](written)
    for facts in (found.facts, found.perhaps):
        assert read_facts(dict(facts), CORE, strict=True)[1] == []
    assert read_notation("obverse_legend", written) is None


def test_the_readers_name_core_attributes() -> None:
    assert set(READERS) <= set(CORE)
