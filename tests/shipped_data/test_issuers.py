"""First and last days of issuers, against days that others publish.

`ended` is the last day on which an issuer existed, so a successor's national day is the day after it. National days are those
that the library holidays 0.109 (MIT) lists for the successor; the years of the events, and whatever names no other source,
are common knowledge (from memory).
"""

from datetime import date, timedelta
from pathlib import Path

import pytest

from service.reference import shipped

ISSUERS = shipped.vocabularies()["issuers"].concepts
DAY = timedelta(days=1)


@pytest.mark.parametrize(
    ("issuer", "after"),
    [
        # Successor's national day (holidays): Djibouti, Vanuatu, Zimbabwe, Congo, Slovakia, Germany, Yemen, Timor-Leste.
        *(("AIDJ", date(1977, 6, 27)), ("NHVU", date(1980, 7, 30)), ("RHZW", date(1980, 4, 18))),
        *(("x-belgian-congo", date(1960, 6, 30)), ("CSHH", date(1993, 1, 1)), ("DDDE", date(1990, 10, 3))),
        *(("YDYE", date(1990, 5, 22)), ("TPTL", date(1975, 11, 28))),
        # India (Independence Day), Vietnam (Reunification Day), Zanzibar (Revolution Day).
        *(("x-british-india", date(1947, 8, 15)), ("x-south-vietnam", date(1975, 4, 30))),
        ("x-zanzibar", date(1964, 1, 12)),
        # The Tuvaluan Order 1975: separate administrations from 1 January 1976 (a published history of Tuvalu).
        ("GEHH", date(1976, 1, 1)),
        # Unicode CLDR 47: the last day of its mark is 2 October 1990 (outside check defunct_issuers.json, currency_life).
        ("DDDE", date(1990, 10, 2) + DAY),
        # From memory: the Union ended on 26 December 1991, the Antilles on 10 October 2010, Dahomey was renamed on
        # 30 November 1975, Upper Volta on 4 August 1984, Zaire on 17 May 1997; Palau left the trust on 1 October 1994.
        *(("SUHH", date(1991, 12, 26)), ("ANHH", date(2010, 10, 10)), ("DYBJ", date(1975, 11, 30))),
        *(("HVBF", date(1984, 8, 4)), ("ZRCD", date(1997, 5, 17)), ("PCHH", date(1994, 10, 1))),
        # From memory: the republic was proclaimed in Berlin on 9 November 1918, the sultanate abolished on 1 November 1922,
        # Ceylon a republic on 22 May 1972, the mandate over Palestine ended with 14 May 1948, Korea annexed on 29 August 1910.
        *(("x-prussia", date(1918, 11, 9)), ("x-german-empire", date(1918, 11, 9)), ("x-ottoman", date(1922, 11, 1))),
        *(
            ("x-ceylon", date(1972, 5, 22)),
            ("x-palestine-mandate", date(1948, 5, 15)),
            ("x-korean-empire", date(1910, 8, 29)),
        ),
    ],
)
def test_an_issuer_ended_on_the_day_before(issuer, after):
    assert ISSUERS[issuer].ended + DAY == after


@pytest.mark.parametrize(
    ("before", "after"),
    [
        *(("x-soviet-zone", "DDDE"), ("x-rsfsr", "SUHH"), ("x-serbia-kingdom", "YUCS"), ("YUCS", "CSXX")),
        *(("x-joseon", "x-korean-empire"), ("x-state-of-vietnam", "x-south-vietnam")),
        *(("x-german-empire", "x-german-reich"), ("NHVU", "VU"), ("AIDJ", "DJ"), ("RHZW", "ZW"), ("YDYE", "YE")),
        *(
            ("CSHH", "CZ"),
            ("DYBJ", "BJ"),
            ("HVBF", "BF"),
            ("VDVN", "VN"),
            ("CSXX", "ME"),
            ("ANHH", "CW"),
            ("BYAA", "BY"),
        ),
        *(("x-ceylon", "LK"), ("x-british-india", "IN"), ("PCHH", "PW"), ("x-sardinia", "IT")),
    ],
)
def test_a_successor_starts_on_the_next_day(before, after):
    assert ISSUERS[before].ended + DAY == ISSUERS[after].started


@pytest.mark.parametrize(
    ("issuer", "first"),
    [
        # National days (holidays): Czechia ("Independent Czechoslovak State Day"), Vietnam, Benin, Burkina Faso.
        *(
            ("CSHH", date(1918, 10, 28)),
            ("VDVN", date(1945, 9, 2)),
            ("DYBJ", date(1960, 8, 1)),
            ("HVBF", date(1960, 8, 5)),
        ),
        # From memory.
        *(("DDDE", date(1949, 10, 7)), ("ZRCD", date(1971, 10, 27)), ("x-german-empire", date(1871, 1, 18))),
    ],
)
def test_an_issuer_started_on_this_day(issuer, first):
    assert ISSUERS[issuer].started == first


# Independence, union and national days as holidays 0.109 has them for 2012, month and day.
NATIONAL_DAYS = (
    "US 07-04", "FI 12-06", "IS 06-17", "CZ 01-01", "SK 01-01", "SI 06-25", "HR 06-25", "MK 09-08",
    "XK 02-17", "UA 08-24", "MD 08-27", "KZ 12-16", "UZ 09-01", "TM 10-27", "TJ 09-09", "KG 08-31",
    "DJ 06-27", "VU 07-30", "ZW 04-18", "YE 05-22", "TL 05-20", "KI 07-12", "TV 10-01", "TZ 04-26",
    "ZM 10-24", "MW 07-06", "KE 12-12", "UG 10-09", "GH 03-06", "NG 10-01", "SL 04-27", "GM 02-18",
    "BW 09-30", "LS 10-04", "MU 03-12", "SC 06-29", "NA 03-21", "SS 07-09", "IN 08-15", "PK 08-14",
    "BD 03-26", "KR 08-15", "KP 09-09", "SG 08-09", "MY 09-16", "ID 08-17", "PG 09-16", "CW 10-10",
    "JM 08-06", "TT 08-31", "BB 11-30", "BS 07-10", "BZ 09-21", "SR 11-25", "MT 09-21", "TR 10-29",
)  # fmt: skip


@pytest.mark.parametrize("listed", NATIONAL_DAYS)
def test_a_state_started_on_its_national_day(listed):
    issuer, day = listed.split()
    assert ISSUERS[issuer].started.isoformat()[5:] == day


def test_every_issuer_started_before_it_ended():
    for concept in ISSUERS.values():
        if concept.started and concept.ended:
            assert concept.started <= concept.ended, concept.id
    assert [c.id for c in ISSUERS.values() if c.ended and not c.started] == ["SKIN", "TPTL", "x-tibet"]


def test_whatever_day_is_from_memory_says_so():
    assert [c.id for c in ISSUERS.values() if (c.started or c.ended) and "(from memory)" not in c.note] == []


def test_the_notice_says_what_a_last_day_is_and_counts_right():
    notice = (Path(shipped.__file__).parent / "data" / "NOTICE.md").read_text(encoding="utf-8")
    living = sum(match.startswith("iso3166-1:") for c in ISSUERS.values() for match in c.matches)
    former = sum(match.startswith("iso3166-3:") for c in ISSUERS.values() for match in c.matches)
    without = sum(not c.matches for c in ISSUERS.values())
    motifs = shipped.vocabularies()["motifs"].concepts
    assert f"| {living} living countries" in notice
    assert f"| {former} former ones" in notice
    assert f"| {without} issuers without an ISO code" in notice
    assert f"| {len(motifs)} terms for what coins picture" in notice
    assert "the last day on which an issuer existed" in notice
    undated = {c.id for c in ISSUERS.values() if not c.ended and not c.current}
    assert len(undated) == 8
    assert "eight entries that nobody dated" in notice


def test_issuers_that_collectors_meet_are_there():
    wanted = (
        "x-german-empire",
        "x-british-india",
        "x-ceylon",
        "x-south-vietnam",
        "x-palestine-mandate",
        "x-korean-empire",
    )
    states = ("x-saxony", "x-wuerttemberg", "x-baden", "x-hamburg", "x-hanover", "x-tuscany", "x-parma", "x-modena")
    assert [name for name in (*wanted, *states) if name not in ISSUERS] == []
    names = {"USA": "US", "UK": "GB", "East Germany": "DDDE", "Holland": "NL", "USSR": "SUHH"}
    assert all(name in ISSUERS[issuer].alternative_labels for name, issuer in names.items())
