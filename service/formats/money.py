"""Amounts of money and days as people write them in sheets: £3.50, 12,50 €, 30p, 12/03/2016. Pure.

Signs and codes of currencies: ISO 4217 and common practice; a sign that several currencies have ($, kr) is asked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from types import MappingProxyType

from service.formats.numbers import plain_numbers

# By sign, in small letters; the first is the most usual one.
CURRENCIES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "€": ("EUR",), "euro": ("EUR",), "euros": ("EUR",), "£": ("GBP",), "$": ("USD", "CAD", "AUD", "NZD"),
        "us$": ("USD",), "c$": ("CAD",), "a$": ("AUD",), "nz$": ("NZD",), "¥": ("JPY", "CNY"),
        "kr": ("SEK", "NOK", "DKK", "ISK"), "kr.": ("DKK", "SEK", "NOK", "ISK"), "fr": ("CHF",), "fr.": ("CHF",),
        "sfr": ("CHF",), "sfr.": ("CHF",), "zł": ("PLN",), "kč": ("CZK",), "ft": ("HUF",), "dm": ("DEM",), "r": ("ZAR",),
        "₹": ("INR",), "₽": ("RUB",), "ff": ("FRF",), "lit": ("ITL",), "ös": ("ATS",), "hfl": ("NLG",),
    }
)  # fmt: skip
# Hundredths with a sign of their own.
_HUNDREDTHS = MappingProxyType({"p": "GBP", "¢": "USD", "ct": "EUR", "cent": "EUR", "rp": "CHF", "rp.": "CHF"})
_AMOUNT = re.compile(
    r"([^\d\s.,+-]{0,5}\.?)\s*([0-9][0-9.,'\u2019 \u00a0\u202f]*?)(?:[.,]?[-\u2013\u2014]{1,2})?\s*([^\d\s,+-]{0,6})"
)
_CODE = re.compile(r"[A-Z]{3}")


@dataclass(frozen=True, slots=True)
class Money:
    """An amount, and the currencies that it may be in: none where it has no sign. `sign` as written."""

    amount: Decimal
    sign: str
    currencies: tuple[str, ...]


def read_money(cell: str, decimal: str) -> Money | None:
    """The amount that the cell says, or None."""
    found = _AMOUNT.fullmatch(cell.strip()[:60])
    if found is None:
        return None
    sign = found[1] or found[3]
    if found[1] and found[3]:
        return None
    number = plain_numbers(found[2].strip(), decimal)
    if re.fullmatch(r"[0-9]{1,12}(\.[0-9]{1,6})?", number) is None:
        return None
    if sign.lower() in _HUNDREDTHS and not found[1]:
        return Money(Decimal(number) / 100, sign, (_HUNDREDTHS[sign.lower()],))
    if not sign:
        return Money(Decimal(number), "", ())
    named = currency_named(sign)
    return None if named is None else Money(Decimal(number), sign, named)


def currency_named(sign: str) -> tuple[str, ...] | None:
    """The currencies that a sign or a code may mean; None when it is neither."""
    if sign.lower() in CURRENCIES:
        return CURRENCIES[sign.lower()]
    return (sign.upper(),) if _CODE.fullmatch(sign.upper()) and sign.isascii() else None


# --- days ----------------------------------------------------------------------------------------------------------------

DAY_FIRST, MONTH_FIRST = "day first", "month first"
_ISO = re.compile(r"([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})")
_SPLIT = re.compile(r"([0-9]{1,2})([-/. ])\s?([0-9]{1,2})[-/. ]\s?([0-9]{4}|[0-9]{2})")


def order_of_days(cells: Iterable[str]) -> str | None:
    """Which comes first in days such as 12/03/2016, as far as the cells tell."""
    found = [match for cell in cells if (match := _SPLIT.fullmatch(cell.strip()))]
    if any(match[2] == "." for match in found) or any(int(match[1]) > 12 for match in found):
        return DAY_FIRST
    return MONTH_FIRST if any(int(match[3]) > 12 for match in found) else None


def read_day(cell: str, order: str) -> str | None:
    """The day as year-month-day (ISO 8601), or None when the cell says no day."""
    text = cell.strip()
    if (found := _ISO.fullmatch(text)) is not None:
        return _day(int(found[1]), int(found[2]), int(found[3]))
    if (found := _SPLIT.fullmatch(text)) is None:
        return None
    first, second, year = int(found[1]), int(found[3]), int(found[4])
    if len(found[4]) == 2:
        # Nobody recorded in this century what they bought in the first half of the last.
        year += 2000 if year < 50 else 1900
    return _day(year, second, first) if order == DAY_FIRST else _day(year, first, second)


def _day(year: int, month: int, day: int) -> str | None:
    try:
        return date(year, month, day).isoformat()
    except ValueError:
        return None
