"""What the owner holds and what it is said to be worth, for an insurer. Pure; sums are exact.

An amount stands for one piece; a holding of n like pieces counts n times. Of each basis the newest value on or before the
day counts: the latest date, among equal dates the one that stands last; a value without a date is older than any with one.
Nothing is ever added up over two currencies or two bases.
"""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Context, Decimal, Inexact
from typing import Any

from service.progress.description import Describer
from service.progress.want_list import defused

BASES = ("paid", "market estimate", "insured", "replacement", "appraised")
COLUMNS = (
    *("holding", "number", "location", "pieces", "description", "basis", "currency", "amount_for_one", "total"),
    *("on", "by", "note"),
)
CAUTIONS = (
    "This is the owner's own record: no valuation, no authentication, no proof of ownership.",
    "Agree with the insurer which value counts and what evidence is wanted; have pieces of consequence appraised by a "
    "qualified professional.",
    "Insurance, tax and the law on cultural property differ from place to place: local law and the policy decide.",
)
_PAPER = 76
# A sum that does not come out exactly is an error of this program, never an amount.
_EXACT = Context(prec=60, traps=[Inexact])


@dataclass(frozen=True, slots=True)
class Piece:
    """What is kept of a holding, and how many of its pieces are on the list."""

    id: str
    data: Mapping[str, Any]
    count: int


def insurance_list(
    pieces: Iterable[Piece], describe: Describer, day: date, *, basis: str | None = None
) -> dict[str, Any]:
    """{"on", "basis", "pieces", "valued": [...], "unvalued": [...], "unvalued_pieces", "totals": [...], "cautions"}, by
    location, number and id. With `basis` only values of it count, and what has none is unvalued."""
    valued, unvalued = [], []
    for piece in sorted(pieces, key=_place_in_list):
        line = _line(piece, describe)
        values = [_counted(value, piece.count) for value in newest(piece.data.get("values") or (), day, basis)]
        if values:
            valued.append({**line, "values": values})
        else:
            unvalued.append(line)
    return {
        "on": day.isoformat(),
        "basis": basis,
        "pieces": sum(line["pieces"] for line in (*valued, *unvalued)),
        "valued": valued,
        "unvalued": unvalued,
        "unvalued_pieces": sum(line["pieces"] for line in unvalued),
        "totals": _totals(valued),
        "cautions": list(CAUTIONS),
    }


def newest(values: Iterable[Mapping[str, Any]], day: date, basis: str | None = None) -> list[Mapping[str, Any]]:
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
    return (*((name is None, name or "") for name in named), piece.id)


def _line(piece: Piece, describe: Describer) -> dict[str, Any]:
    data = piece.data
    named = {"holding": piece.id, "number": data.get("number"), "location": data.get("location")}
    return {**named, "pieces": piece.count, "description": describe(data)}


def _counted(value: Mapping[str, Any], count: int) -> dict[str, Any]:
    parts = {name: value.get(name) for name in ("basis", "currency", "amount", "on", "by", "note")}
    return {**parts, "total": _EXACT.multiply(Decimal(value["amount"]), Decimal(count))}


def _totals(valued: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    found: dict[tuple[int, str], dict[str, Any]] = {}
    for line in valued:
        for value in line["values"]:
            key = BASES.index(value["basis"]), value["currency"]
            start = {"basis": value["basis"], "currency": value["currency"], "amount": Decimal(0), "pieces": 0}
            total = found.setdefault(key, start)
            total["amount"] = _EXACT.add(total["amount"], value["total"])
            total["pieces"] += line["pieces"]
    return [found[key] for key in sorted(found)]


# --- on paper ----------------------------------------------------------------------------------------------------------


def as_csv(listed: Mapping[str, Any]) -> str:
    """One row for each value, then one for each holding without any (RFC 4180); totals are left to the reader's sheet. A
    cell that a spreadsheet would run as a formula begins with an apostrophe."""
    sheet = io.StringIO()
    writer = csv.writer(sheet)
    writer.writerow(COLUMNS)
    for line in (*listed["valued"], *listed["unvalued"]):
        values: Sequence[Mapping[str, Any]] = line.get("values") or ({},)
        for value in values:
            money = {"amount_for_one": _plain(value.get("amount")), "total": _plain(value.get("total"))}
            row = {**line, **value, **money}
            writer.writerow([defused(_cell(row.get(column))) for column in COLUMNS])
    return sheet.getvalue()


def as_text(listed: Mapping[str, Any]) -> str:
    """The list on paper: plain text, 76 columns."""
    title = f"Insurance list, {listed['on']}"
    which = f", values: {listed['basis']}" if listed["basis"] else ""
    lines = [f"{title}: {_pieces(listed['pieces'])}{which}", ""]
    lines += ["Totals", *(_total(total) for total in listed["totals"])] if listed["totals"] else ["No values."]
    if listed["valued"]:
        lines += ["", "With a value"]
    for line in listed["valued"]:
        lines += _wrapped("- ", _named(line))
        for value in line["values"]:
            lines += _wrapped("    ", _worth(value, line["pieces"]))
    if listed["unvalued"]:
        lines += ["", f"Without a value: {_pieces(listed['unvalued_pieces'])}"]
        lines += [row for line in listed["unvalued"] for row in _wrapped("- ", _named(line))]
    lines += ["", *(row for caution in listed["cautions"] for row in textwrap.wrap(caution, _PAPER))]
    return "\n".join(lines) + "\n"


def _total(total: Mapping[str, Any]) -> str:
    return f"- {total['basis']}: {_plain(total['amount'])} {total['currency']} for {_pieces(total['pieces'])}"


def _named(line: Mapping[str, Any]) -> str:
    number = f"{line['number']}: " if line["number"] else ""
    count = f"{line['pieces']}x " if line["pieces"] > 1 else ""
    kept = f"; kept: {line['location']}" if line["location"] else ""
    return f"{number}{count}{line['description']}{kept}"


def _worth(value: Mapping[str, Any], pieces: int) -> str:
    one = f" ({_plain(value['amount'])} each)" if pieces > 1 else ""
    about = [value["on"] or "no date", value["by"], value["note"]]
    return f"{value['basis']} {_plain(value['total'])} {value['currency']}{one}, {', '.join(filter(None, about))}"


def _wrapped(mark: str, text: str) -> list[str]:
    return textwrap.wrap(text, _PAPER, initial_indent=mark, subsequent_indent="      ")


def _pieces(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"


def _plain(amount: int | Decimal | None) -> str:
    """An amount without an exponent."""
    return "" if amount is None else format(Decimal(amount), "f")


def _cell(value: object) -> str:
    return "" if value is None else str(value)
