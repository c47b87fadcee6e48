"""Dates as written: 188?, 19xx, c. 1938, 1901/02, 1918/7, n.d., AH 1327/8, Meiji 38, 5709, BE 2505.

Years of other calendars become the years of the common era on which they fall (a range where they fall on two): Islamic
(civil) and Solar Hijri years through convertdate; Hebrew years by their beginning in autumn; Japanese eras by the first year
of the reign; Thai, Republic of China, Nepalese, Indian Saka and Ethiopian years by their epochs (from memory). What was
written is kept too. "c." is five years either way (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from service.notation.reading import NONE, Reading, tidy, without_doubt

_ABOUT = 5
# Two years further apart than this are a double date: an anniversary, and the year of the coin.
_FAR = 20
_NO_DATE = frozenset(
    [
        "n.d.",
        "nd",
        "n.d",
        "no date",
        "undated",
        "none",
        "without date",
        "ohne jahr",
        "o.j.",
        "o. j.",
        "oj",
        "s.d.",
        "sd",
        "s/d",
        "sans date",
        "z.j.",
        "sin fecha",
        "-",
        "dateless",
    ]
)
_WORN = re.compile(
    r"(?:date |year )?(?:worn|illegible|unreadable|unclear|unknown|not legible|worn off|off flan|rubbed|\?+|[x?]{4})",
    re.I,
)
_SHAPE = re.compile(r"[12][\dx?*_-]{3}", re.I)
_ABOUT_WORD = re.compile(
    r"(?:c\.?|ca\.?|circa|about|around|approx\.?|approximately|um|vers|~)\s*(?P<year>\d{3,4})s?", re.I
)
_DECADE = re.compile(r"(?P<year>\d{3}0)'?s", re.I)
_CENTURY = re.compile(
    r"(?P<number>\d{1,2})(?:(?:st|nd|rd|th)\s*(?:c\.?|cent\.?|century)|\.\s*(?:jh\.?|jhd\.?|jhdt\.?|jahrhundert)|"
    r"\s*(?:e|er|\u00e8me)\s*(?:s\.?|si\u00e8cle))",
    re.I,
)
# A year that the piece does not bear, behind the words for that or in brackets: ND (1644), [1720].
_ATTRIBUTED = re.compile(
    r"(?:n\.?\s?d\.?|no date|undated|ohne jahr|o\.?\s?j\.?|sans date|s\.?\s?d\.?|sin fecha|s\.?\s?f\.?|z\.?\s?j\.?)"
    r"[\s,;:]{0,3}(?:\((?P<round>[^()]+)\)|\[(?P<square>[^\[\]]+)\]|(?P<bare>.*\d.*))|"
    r"\((?P<only_round>[^()]+)\)|\[(?P<only_square>[^\[\]]+)\]",
    re.I,
)
_BEFORE = re.compile(r"(?:before|pre-?|until|to|up to|vor|bis|avant)\s*(?P<year>\d{3,4})", re.I)
_AFTER = re.compile(
    r"(?:after|post-?|since|from|nach|ab|depuis)\s*(?P<year>\d{3,4})|(?P<open>\d{3,4})\s*(?:-|onwards?|\+)", re.I
)
_TWO = re.compile(
    r"(?P<first>\d{4})\s*(?P<sign>/|-|over|to|or|oder|ou|and|und|et|&|,(?=\s*\d{4}))\s*(?P<second>\d{1,4})", re.I
)
_STAR = re.compile(r"(?P<year>\d{4})\s*(?:\(\*?(?P<struck>\d{2}|\d{4})\*?\)|\*(?P<star>\d{2})\*?)")
_ONE = re.compile(r"(?P<year>\d{3,4})(?:\s*(?:a\.?d\.?|c\.?e\.?))?", re.I)
_DAY = re.compile(r"(?P<year>\d{4})-\d{2}-\d{2}|\d{1,2}[./]\d{1,2}[./](?P<other>\d{4})")
_MARKED = re.compile(r"(?P<year>\d{4})\s?-?\s?(?P<mark>[A-Z]{1,2})(?:\s(?P<rest>.+))?")
_FIRST_YEAR = re.compile(r"(?P<year>\d{4})(?P<rest>[\s,;(].*)")
_ROMAN = re.compile(r"(?=[MDCLXVI]{3})M{0,2}(?:CM|CD|D?C{0,4})(?:XC|XL|L?X{0,4})(?:IX|IV|V?I{0,4})")
_LETTERS = MappingProxyType({"M": 1000, "D": 500, "C": 100, "L": 50, "X": 10, "V": 5, "I": 1})
LAST_YEAR = 2100
_ERA_LETTERS = ("AD", "CE", "BC", "AH", "BE", "SH", "AM", "RS")
# Letters of mints stand behind years of the common era since about then.
_FIRST_MARKED = 1500
_ARABIC = re.compile("[\u0660-\u0669\u06f0-\u06f9]{1,4}")


def read_date(written: str) -> Reading:
    """`year_on_coin` with `date_as_written`, and `calendar`, `era`, `year_as_written`, `regnal_year`, `struck`, `variety`
    (overdate) or `mintmark` where the date says them. A worn date gives no year; no date gives `{"none": true}`; a doubted one
    (1965?) is offered in `perhaps`. A plain year gives `year_on_coin` alone. A year that the piece does not bear, ND (1644),
    is when it was struck. Never raises for any text."""
    text = tidy(written)
    word = text.casefold()
    if word in _NO_DATE:
        return Reading({"year_on_coin": NONE})
    if not text or _WORN.fullmatch(text):
        return Reading({"date_as_written": text} if text else {})
    if _ARABIC.fullmatch(text) and int(text) <= 1500:
        # Figures of the Arabic script without an era are years of the Hijra.
        return Reading(_told(text, "islamic", "AH", int(text), _hijri(int(text)))) if int(text) else Reading(rest=text)
    found = _attributed(text) or _common_era(text) or _other_era(text)
    if found is not None:
        return found
    bare, is_doubted = without_doubt(text)
    if is_doubted and bare != text:
        sure = _common_era(bare) or _other_era(bare)
        if sure is not None and "year_on_coin" in sure.facts:
            doubted = {name: value for name, value in sure.facts.items() if name != "date_as_written"}
            return Reading({"date_as_written": text}, doubted, sure.rest)
    first = _FIRST_YEAR.fullmatch(text)
    if first is not None and _is_year(int(first["year"])):
        return Reading({"year_on_coin": int(first["year"])}, rest=first["rest"].strip(" ,;"))
    return Reading(rest=text)


def _is_year(year: int) -> bool:
    return 1 <= year <= LAST_YEAR


def _attributed(text: str) -> Reading | None:
    found = _ATTRIBUTED.fullmatch(text)
    when = next(filter(None, found.groups()), None) if found is not None else None
    struck = None if when is None else _common_era(when.strip())
    if struck is None or "year_on_coin" not in struck.facts:
        return None
    return Reading({"year_on_coin": NONE, "struck": struck.facts["year_on_coin"], "date_as_written": text})


def is_mark(letters: str, year: int) -> bool:
    """Whether letters behind a year are a mintmark, and no era: an H behind a year of the Hijra is its sign."""
    return letters not in _ERA_LETTERS and not (letters == "H" and year < _FIRST_MARKED)


def _common_era(text: str) -> Reading | None:
    for shape, told in _SHAPES:
        found = shape.fullmatch(text)
        if found is not None:
            facts = told(found)
            if facts is not None:
                return Reading({**facts, **({} if _ONE.fullmatch(text) else {"date_as_written": text})})
    marked = _MARKED.fullmatch(text)
    if marked is not None and _is_year(int(marked["year"])) and is_mark(marked["mark"], int(marked["year"])):
        return Reading({"year_on_coin": int(marked["year"]), "mintmark": marked["mark"]}, rest=marked["rest"] or "")
    return None


# --- one function a shape; None: it is none ----------------------------------------------------------------------------------

Facts = Mapping[str, Any]


def _range(low: int | None, high: int | None) -> Facts:
    ends = {"from": low, "to": high}
    return {"year_on_coin": {name: end for name, end in ends.items() if end is not None}}


def _plain(found: re.Match[str]) -> Facts | None:
    year = int(found["year"])
    return {"year_on_coin": year} if _is_year(year) else None


def _missing_figures(found: re.Match[str]) -> Facts | None:
    figures = ["0123456789" if figure in "xX?*_-" else figure for figure in found[0]]
    if all(len(choice) == 1 for choice in figures):
        return None
    open_end = len(found[0]) - len(found[0].rstrip("xX?*_-"))
    if sum(len(choice) > 1 for choice in figures) == open_end:
        low = int("".join(choice[0] for choice in figures))
        return _range(low, low + 10**open_end - 1)
    years = [""]
    for choice in figures:
        years = [year + figure for year in years for figure in choice]
    return {"year_on_coin": {"one_of": [int(year) for year in years]}}


def _about(found: re.Match[str]) -> Facts | None:
    year = int(found["year"])
    return _range(year - _ABOUT, year + _ABOUT) if _is_year(year) else None


def _decade(found: re.Match[str]) -> Facts | None:
    return _range(int(found["year"]), int(found["year"]) + 9)


def _century(found: re.Match[str]) -> Facts | None:
    number = int(found["number"])
    return _range(100 * number - 99, 100 * number) if 1 <= number <= 21 else None


def _before(found: re.Match[str]) -> Facts | None:
    is_before = not found[0].casefold().startswith(("to", "until", "up", "bis"))
    return _range(None, int(found["year"]) - (1 if is_before else 0))


def _after(found: re.Match[str]) -> Facts | None:
    is_after = found[0].casefold().startswith(("after", "post", "nach"))
    return _range(int(found["year"] or found["open"]) + (1 if is_after else 0), None)


def _two(found: re.Match[str]) -> Facts | None:
    """Two years: the second higher, alternatives; lower, an overdate; more than 20 apart, a double date."""
    first, digits = int(found["first"]), found["second"]
    second = _completed(first, digits)
    if not _is_year(first) or not _is_year(second) or first == second:
        return None
    if abs(second - first) > _FAR and (found["sign"] == "/" or (found["sign"] == "-" and len(digits) == 4)):
        return {"year_on_coin": max(first, second)}
    if second < first and found["sign"] in ("/", "-", "over", "to"):
        # 1895-1890 is a slip: a range that runs backwards.
        return None if found["sign"] in ("-", "to") else {"year_on_coin": first, "variety": "overdate"}
    if found["sign"] in ("-", "to") and second - first > 1:
        return _range(first, second)
    return {"year_on_coin": {"one_of": sorted((first, second))}}


def _completed(first: int, digits: str) -> int:
    """1871 and 72 are 1872; 1899 and 00 are 1900; 1918 and 7 are 1917."""
    size = 10 ** len(digits)
    second = first - first % size + int(digits)
    if len(digits) == 2 and second < first - 50:
        second += size
    return int(digits) if len(digits) == 4 else second


def _star(found: re.Match[str]) -> Facts | None:
    """The Spanish way: 1966 (72) was struck in 1972."""
    year, digits = int(found["year"]), found["struck"] or found["star"]
    struck = _completed(year, digits)
    return {"year_on_coin": year, "struck": struck} if _is_year(year) and year <= struck <= year + 60 else None


def _day(found: re.Match[str]) -> Facts | None:
    return {"year_on_coin": int(found["year"] or found["other"])}


def _roman(found: re.Match[str]) -> Facts | None:
    values = [_LETTERS[letter] for letter in found[0]]
    year = sum(-value if value < max(values[at:]) else value for at, value in enumerate(values))
    return {"year_on_coin": year} if 1000 <= year <= LAST_YEAR else None


_SHAPES: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], Facts | None]], ...] = (
    (_ONE, _plain),
    (_SHAPE, _missing_figures),
    (_ABOUT_WORD, _about),
    (_DECADE, _decade),
    (_CENTURY, _century),
    (_DAY, _day),
    (_TWO, _two),
    (_STAR, _star),
    (_BEFORE, _before),
    (_AFTER, _after),
    (_ROMAN, _roman),
)

# --- other eras --------------------------------------------------------------------------------------------------------------


def _hijri(year: int) -> tuple[int, int]:
    from convertdate import islamic

    return islamic.to_gregorian(year, 1, 1)[0], islamic.to_gregorian(year, 12, 29)[0]


def _hebrew(year: int) -> tuple[int, int]:
    # The year begins in September or October.
    return year - 3761, year - 3760


def _solar(year: int) -> tuple[int, int]:
    from convertdate import persian

    return persian.to_gregorian(year, 1, 1)[0], persian.to_gregorian(year, 12, 29)[0]


def _thai(year: int) -> tuple[int, int]:
    # The year began in April until 1940; 2483 had nine months.
    return (year - 543, year - 542) if year < 2483 else (year - 543, year - 543)


def _shift(years: int, spill: int = 0) -> Callable[[int], tuple[int, int]]:
    return lambda year: (year + years, year + years + spill)


# calendar (Unicode CLDR name), era, the words, the years that are taken for it, how it is reckoned
_ERAS: tuple[tuple[str, str, str, range, Callable[[int], tuple[int, int]]], ...] = (
    ("islamic", "AH", r"a\.?\s?h\.?|hijri|anno hegirae|h\.?", range(1, 1501), _hijri),
    ("persian", "SH", r"s\.?h\.?|solar hijri|shamsi", range(1200, 1500), _solar),
    ("hebrew", "AM", r"j\.?e\.?|a\.?m\.?|hebrew", range(5000, 6000), _hebrew),
    ("buddhist", "BE", r"b\.?\s?e\.?|buddhist", range(2350, 2650), _thai),
    ("buddhist", "RS", r"r\.?s\.?|rattanakosin", range(1, 132), _shift(1781, 1)),
    ("buddhist", "CS", r"c\.?s\.?|chula sakarat", range(1000, 1300), _shift(638, 1)),
    ("roc", "Minguo", r"minguo|min guo|民國|民国|中華民國", range(1, 115), _shift(1911)),
    ("indian", "Saka", r"s\.?e\.?|saka", range(1000, 2000), _shift(78, 1)),
    ("vikram", "VS", r"v\.?s\.?|samvat|vikram samvat", range(1700, 2100), _shift(-57, 1)),
    ("ethiopic", "EE", r"e\.?e\.?|ethiopian", range(1800, 2050), _shift(7, 1)),
)
_REIGNS: Mapping[str, tuple[str, int, int]] = MappingProxyType(
    {
        "meiji": ("Meiji", 1868, 45), "m": ("Meiji", 1868, 45), "明治": ("Meiji", 1868, 45),
        "taisho": ("Taisho", 1912, 15), "taishō": ("Taisho", 1912, 15), "大正": ("Taisho", 1912, 15), "t": ("Taisho", 1912, 15),
        "showa": ("Showa", 1926, 64), "shōwa": ("Showa", 1926, 64), "昭和": ("Showa", 1926, 64),
        "heisei": ("Heisei", 1989, 31), "平成": ("Heisei", 1989, 31), "h": ("Heisei", 1989, 31),
        "reiwa": ("Reiwa", 2019, 80), "令和": ("Reiwa", 2019, 80), "r": ("Reiwa", 2019, 80),
    }
)  # fmt: skip
"""Era, first year in the common era, most years: Japanese Imperial accessions, from memory."""
_KANJI = MappingProxyType({c: n for n, c in enumerate("〇一二三四五六七八九")} | {"元": 1})
_ERA_YEAR = re.compile(
    r"(?P<before>[^\d\s()=/]+(?:\s[^\d\s()=/]+)?)\s*-?\s*(?P<year>\d{1,4})(?:/(?P<regnal>\d{1,2}))?年?|"
    r"(?P<other>\d{1,4})(?:/(?P<reign>\d{1,2}))?\s*(?P<after>[^\d\s()=/]+)"
)
_WITH_CE = re.compile(r"(?P<era>.+?)\s*[(=/]\s*(?P<year>1\d{3}|20\d{2})\)?(?:\s*(?:ad|ce))?", re.I)


def _other_era(text: str) -> Reading | None:
    both = _WITH_CE.fullmatch(text)
    if both is not None:
        told = _other_era(both["era"].strip())
        known = None if told is None else told.facts.get("year_on_coin")
        if told is not None and (known == int(both["year"]) or _holds(known, int(both["year"]))):
            return Reading({**told.facts, "year_on_coin": int(both["year"]), "date_as_written": text})
        return None
    if text.isdigit():
        return _bare(text)
    found = _ERA_YEAR.fullmatch(_arabic(text))
    if found is None:
        return None
    word = (found["before"] or found["after"]).casefold().strip(".")
    year, regnal = int(found["year"] or found["other"]), found["regnal"] or found["reign"]
    reign = _REIGNS.get(word)
    if reign is not None and regnal is None and 1 <= year <= reign[2]:
        era, start, _ = reign
        # The lunar year of before 1873 ran into the next.
        low = start + year - 1
        return Reading(_told(text, "japanese", era, year, (low, low + (low < 1873))))
    for calendar, era, words, years, reckon in _ERAS:
        if re.fullmatch(words, word, re.I) and year in years:
            facts = _told(text, calendar, era, year, reckon(year))
            if regnal is not None:
                struck = reckon(year + int(regnal) - 1)
                facts |= {"regnal_year": int(regnal), "struck": _span(struck)}
            return Reading(facts)
    return None


def _bare(text: str) -> Reading | None:
    """A figure that can be no year of the common era, and is one of another."""
    year = int(text)
    for calendar, era, years, reckon in (
        ("hebrew", "AM", range(5600, 5900), _hebrew),
        ("buddhist", "BE", range(2390, 2620), _thai),
    ):
        if year in years:
            return Reading(_told(text, calendar, era, year, reckon(year)))
    return None


def _told(text: str, calendar: str, era: str, year: int, span: tuple[int, int]) -> dict[str, Any]:
    return {
        "year_on_coin": _span(span),
        "date_as_written": text,
        "calendar": calendar,
        "era": era,
        "year_as_written": year,
    }


def _span(span: tuple[int, int]) -> Any:
    return span[0] if span[0] == span[1] else {"from": span[0], "to": span[1]}


def _holds(known: Any, year: int) -> bool:
    return isinstance(known, dict) and known.get("from", year + 1) <= year <= known.get("to", year - 1)


def _arabic(text: str) -> str:
    """Figures of other scripts as 0-9: 明治三十八年 is 明治38年."""
    plain = "".join(str(int(sign)) if sign.isdecimal() else sign for sign in text)

    def number(found: re.Match[str]) -> str:
        signs = found[0]
        if "十" not in signs:
            return "".join(str(_KANJI[sign]) for sign in signs)
        tens, _, ones = signs.partition("十")
        return str((_KANJI.get(tens, 1) if tens else 1) * 10 + (_KANJI.get(ones, 0) if ones else 0))

    return re.sub("[〇一二三四五六七八九十元]{1,4}", number, plain)
