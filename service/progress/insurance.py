"""What the owner holds and its recorded values, for an insurer. Pure; sums are exact.

An amount is for one piece; a holding of n like pieces counts n times. Of each basis the newest value on or before the
day counts: the latest date, among equal dates the last of the list; a value without a date is older than any with one.
Nothing is ever added up over two currencies or two bases.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Context, Decimal, Inexact
from functools import partial
from typing import Annotated, Any, get_args

from msgspec import Meta, Struct

from service.formats.html import PRINT, page_words, render
from service.holdings.model import ValueBasis
from service.progress.description import Describer
from service.progress.named import Named, NamedHolding
from service.progress.paper import csv_of, wrapped
from service.progress.piece import Piece
from service.progress.result import DefinitionStamp
from service.rules.phrases import ENGLISH_SPEECH, Speech

BASES: tuple[ValueBasis, ...] = get_args(ValueBasis)
_COLUMNS = (
    *("holding", "number", "location", "pieces", "description", "basis", "currency", "amount_for_one", "total"),
    *("on", "by", "note"),
)
_CAUTIONS = ("caution-record", "caution-agree", "caution-law")
CAUTIONS = tuple(page_words(ENGLISH_SPEECH, code) for code in _CAUTIONS)
_NUMBERS = re.compile(r"([0-9]{1,18})")
# A sum that does not come out exactly is an error of this program, never an amount.
_EXACT = Context(prec=60, traps=[Inexact])


class InsuredLine(Struct):
    """Pieces that are held."""

    holding: str
    number: str | None
    location: str | None
    pieces: int
    description: Annotated[str, Meta(description="The facts in a few words.")]


class InsuredValue(Struct):
    """The value that counts of one basis. `amount` is for one piece."""

    basis: ValueBasis
    currency: str
    amount: Decimal
    on: date | None
    by: str | None
    note: str | None
    total: Annotated[Decimal, Meta(description="For all pieces of the line.")]


class ValuedLine(InsuredLine):
    """Pieces with a value."""

    values: list[InsuredValue]


class InsuranceTotal(Struct):
    """The sum of one basis in one currency."""

    basis: ValueBasis
    currency: str
    amount: Decimal
    pieces: int


class InsuranceList(Struct):
    """What is held and its recorded values. An owner's record: no valuation."""

    on: date
    basis: ValueBasis | None
    pieces: int
    valued: list[ValuedLine]
    unvalued: list[InsuredLine]
    unvalued_pieces: int
    totals: Annotated[list[InsuranceTotal], Meta(description="Never added up over two currencies or two bases.")]
    cautions: list[str]
    named: Named
    definition: Annotated[DefinitionStamp | None, Meta(description="The set that the pieces sit in; null: all pieces.")]


def insurance_list(
    pieces: Iterable[Piece],
    describe: Describer,
    day: date,
    *,
    basis: ValueBasis | None = None,
    definition: DefinitionStamp | None = None,
) -> InsuranceList:
    """The list, by location, number and id. With `basis` only values of it count, and what has none is unvalued."""
    valued: list[ValuedLine] = []
    unvalued: list[InsuredLine] = []
    for piece in sorted(pieces, key=_place_in_list):
        line = (piece.id, piece.data.get("number"), piece.data.get("location"), piece.count, describe(piece.data))
        values = [_counted(value, piece.count) for value in newest_values(_values(piece.data), day, basis)]
        if values:
            valued.append(ValuedLine(*line, values))
        else:
            unvalued.append(InsuredLine(*line))
    return InsuranceList(
        on=day,
        basis=basis,
        pieces=sum(line.pieces for line in (*valued, *unvalued)),
        valued=valued,
        unvalued=unvalued,
        unvalued_pieces=sum(line.pieces for line in unvalued),
        totals=_totals(valued),
        cautions=list(CAUTIONS),
        named={line.holding: NamedHolding(line.number or None, line.description) for line in (*valued, *unvalued)},
        definition=definition,
    )


def _values(data: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The values, and before them the price paid as one of the basis `paid`: one of the same day among the values wins."""
    values, price = list(data.get("values") or ()), data.get("price_paid")
    if price is None:
        return values
    return [{"basis": "paid", **price, "on": data.get("bought_on"), "by": data.get("bought_from")}, *values]


def newest_values(values: Iterable[Mapping[str, Any]], day: date, basis: str | None = None) -> list[Mapping[str, Any]]:
    """Of each basis the value that counts on a day, in the order of BASES."""
    found: dict[str, Mapping[str, Any]] = {}
    for value in values:
        dated = value.get("on") or ""
        # Dates are year-month-day with four figures of the year, so they compare as texts.
        if dated > day.isoformat() or basis not in (None, value["basis"]):
            continue
        earlier = found.get(value["basis"])
        if earlier is None or dated >= (earlier.get("on") or ""):
            found[value["basis"]] = value
    return [found[name] for name in BASES if name in found]


def _place_in_list(piece: Piece) -> tuple[Any, ...]:
    named = [piece.data.get(name) for name in ("location", "number")]
    return (*((name is None, _counted_through(name or "")) for name in named), piece.id)


def _counted_through(text: str) -> list[str | int]:
    """Its words and numbers in turn, so that 9 comes before 10 and A-9 before A-10."""
    return [int(part) if at % 2 else part for at, part in enumerate(_NUMBERS.split(text))]


def _counted(value: Mapping[str, Any], count: int) -> InsuredValue:
    amount, day = Decimal(value["amount"]), value.get("on")
    return InsuredValue(
        basis=value["basis"],
        currency=value["currency"],
        amount=amount,
        on=None if day is None else date.fromisoformat(day),
        by=value.get("by"),
        note=value.get("note"),
        total=_EXACT.multiply(amount, Decimal(count)),
    )


def _totals(valued: Sequence[ValuedLine]) -> list[InsuranceTotal]:
    found: dict[tuple[int, str], InsuranceTotal] = {}
    for line in valued:
        for value in line.values:
            key = BASES.index(value.basis), value.currency
            total = found.setdefault(key, InsuranceTotal(value.basis, value.currency, Decimal(0), 0))
            total.amount = _EXACT.add(total.amount, value.total)
            total.pieces += line.pieces
    return [found[key] for key in sorted(found)]


# --- on paper ----------------------------------------------------------------------------------------------------------


def insurance_csv(listed: InsuranceList) -> str:
    """One row for each value, then one for each holding without any (RFC 4180); totals are left to the reader's sheet. A
    cell that a spreadsheet would run as a formula begins with an apostrophe."""
    return csv_of(_COLUMNS, _rows(listed))


def _rows(listed: InsuranceList) -> Iterator[list[object]]:
    for line in listed.valued:
        for value in line.values:
            money = [value.basis, value.currency, _plain(value.amount), _plain(value.total)]
            yield [*_cells(line), *money, value.on, value.by, value.note]
    for bare in listed.unvalued:
        yield [*_cells(bare), *[None] * (len(_COLUMNS) - len(_cells(bare)))]


def _cells(line: InsuredLine) -> list[str | int | None]:
    return [line.holding, line.number, line.location, line.pieces, line.description]


def insurance_text(listed: InsuranceList) -> str:
    """The list on paper: plain text, 76 columns."""
    say = partial(page_words, ENGLISH_SPEECH)
    words = _Words(ENGLISH_SPEECH)
    lines = [f"Insurance list, {listed.on.isoformat()}: {words.all_pieces(listed)}", ""]
    lines += (
        [say("totals"), *(f"- {words.total(one)}" for one in listed.totals)] if listed.totals else [say("no-values")]
    )
    if listed.valued:
        lines += ["", say("with-value")]
    for line in listed.valued:
        lines += wrapped(words.piece(line), "- ", "      ")
        for value in line.values:
            lines += wrapped(words.worth(value, line.pieces), "    ", "      ")
    if listed.unvalued:
        lines += ["", say("without-value", pieces=words.pieces(listed.unvalued_pieces))]
        lines += [row for bare in listed.unvalued for row in wrapped(words.piece(bare), "- ", "      ")]
    lines += ["", *(row for caution in listed.cautions for row in wrapped(caution))]
    return "\n".join(lines) + "\n"


def insurance_html(listed: InsuranceList, speech: Speech) -> str:
    """The list as a page to print: no script, nothing loaded from elsewhere. `speech`: the language of its words."""
    words = _Words(speech)
    return render(
        "inventory.html",
        sheet=PRINT,
        speech=speech,
        on=listed.on.isoformat(),
        pieces=words.all_pieces(listed),
        totals=[words.total(total) for total in listed.totals],
        valued=[
            (words.piece(line), [words.worth(value, line.pieces) for value in line.values]) for line in listed.valued
        ],
        unvalued_pieces=words.pieces(listed.unvalued_pieces),
        unvalued=[words.piece(line) for line in listed.unvalued],
        cautions=[page_words(speech, code) for code in _CAUTIONS],
    )


class _Words:
    """The lines of the list in a language."""

    def __init__(self, speech: Speech) -> None:
        self._say = partial(page_words, speech)

    def all_pieces(self, listed: InsuranceList) -> str:
        """How many there are, and of which basis values are shown."""
        pieces = self.pieces(listed.pieces)
        return self._say("values-of", pieces=pieces, basis=self._basis(listed.basis)) if listed.basis else pieces

    def pieces(self, count: int) -> str:
        return self._say("one-piece") if count == 1 else self._say("pieces", count=count)

    def total(self, total: InsuranceTotal) -> str:
        about = {"amount": _plain(total.amount), "currency": total.currency, "pieces": self.pieces(total.pieces)}
        return self._say("total-of", basis=self._basis(total.basis), **about)

    def piece(self, line: InsuredLine) -> str:
        number = f"{line.number}: " if line.number else ""
        count = f"{line.pieces}x " if line.pieces > 1 else ""
        named = f"{number}{count}{line.description}"
        return self._say("kept-at", piece=named, where=line.location) if line.location else named

    def worth(self, value: InsuredValue, pieces: int) -> str:
        said = self._say(
            "value-of", basis=self._basis(value.basis), amount=_plain(value.total), currency=value.currency
        )
        if pieces > 1:
            said = self._say("amount-each", value=said, amount=_plain(value.amount))
        about = [value.on.isoformat() if value.on else self._say("no-date"), value.by, value.note]
        return self._say("value-about", value=said, about=", ".join(filter(None, about)))

    def _basis(self, basis: ValueBasis) -> str:
        return self._say(f"basis-{basis}")


def _plain(amount: Decimal) -> str:
    """An amount without an exponent."""
    return format(amount, "f")
