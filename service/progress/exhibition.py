"""A set as it is shown: the owner's coins and loans of others, in the order of the pages. Pure.

What comes out is kept as it is: it names the coins with their facts of that day, so that nothing has to be looked up later.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.progress.description import Describer
from service.progress.result import Evaluation, PlaceResult

_PAPER = 76


@dataclass(frozen=True, slots=True)
class Loan:
    """A coin that somebody lends. `recorded` is {"facts", "issue", "quantity"} as plain values."""

    id: str
    owner: str
    label: str | None
    recorded: Mapping[str, Any]


def exhibited(
    result: Evaluation,
    document: Mapping[str, Any],
    held: Mapping[str, Mapping[str, Any]],
    loans: Sequence[Loan],
    describe: Describer,
) -> dict[str, Any]:
    """{"exhibits": [...], "loans": [...], "unused_loans": [...]} from an evaluation of the owner's holdings (`held`: what is
    recorded, by id) and the loans together. Loans are in the order of their owners' names, then of the list that was sent.
    """
    lent = {loan.id: loan for loan in loans}
    exhibits = []
    for page, entry in _in_order(result, document):
        identity = entry.holding
        assert identity is not None
        loan = lent.get(identity)
        recorded = loan.recorded if loan else held[identity]
        exhibits.append(
            {
                "page": page,
                "place": entry.place,
                "label": entry.label,
                "status": entry.status,
                "holding": identity,
                "number": None if loan else recorded.get("number"),
                "owner": loan.owner if loan else None,
                "description": loan.label if loan and loan.label else describe(recorded),
                "facts": dict(recorded.get("facts") or {}),
                "issue": recorded.get("issue"),
            }
        )
    by_owner = sorted(loans, key=lambda loan: (loan.owner.casefold(), loan.owner))
    seats = {loan.id: [exhibit for exhibit in exhibits if exhibit["holding"] == loan.id] for loan in loans}
    left = {entry.holding: entry for entry in result.unplaced if entry.holding in lent}
    return {
        "exhibits": exhibits,
        "loans": [
            {**_named(loan, describe), "place": exhibit["place"], "place_label": exhibit["label"]}
            for loan in by_owner
            for exhibit in seats[loan.id]
        ],
        "unused_loans": [
            {**_named(loan, describe), "pieces": left[loan.id].pieces or 1, "reason": left[loan.id].reason}
            for loan in by_owner
            if loan.id in left
        ],
    }


def _named(loan: Loan, describe: Describer) -> dict[str, str]:
    return {"owner": loan.owner, "loan": loan.id, "label": loan.label or describe(loan.recorded)}


def _in_order(result: Evaluation, document: Mapping[str, Any]) -> Iterator[tuple[str | None, PlaceResult]]:
    """The places that are filled: page by page, those on no page at the end. One on two pages is shown on the first."""
    entries = [entry for entry in result.places() if entry.holding is not None]
    # A page names slots, groups, and single places of groups.
    named: dict[str, list[PlaceResult]] = {}
    for entry in entries:
        for name in dict.fromkeys((entry.place, entry.place.partition("/")[0])):
            named.setdefault(name, []).append(entry)
    seen: set[str] = set()
    for page in document.get("layout") or ():
        for entry in (entry for name in page["slots"] for entry in named.get(name, ())):
            if entry.place not in seen:
                seen.add(entry.place)
                yield page["page"], entry
    yield from ((None, entry) for entry in entries if entry.place not in seen)


def as_text(shown: Mapping[str, Any]) -> str:
    """The list of exhibits by page and place, then the loans by owner: plain text, 76 columns."""
    counts = shown["summary"]
    lines = [*textwrap.wrap(f"{shown['title']}, {shown['on']}", _PAPER)]
    lines += textwrap.wrap(shown["note"], _PAPER) if shown["note"] else []
    lines += [f"{counts['filled'] + counts['tentative']} of {counts['places']} places shown"]
    page: str | None = None
    for number, exhibit in enumerate(shown["exhibits"], start=1):
        if number == 1 or exhibit["page"] != page:
            page = exhibit["page"]
            lines += ["", *textwrap.wrap(page or "Exhibits", _PAPER)]
        lines += _exhibit(number, exhibit)
    if shown["loans"]:
        lines += ["", "Lent by"]
        lines += [row for loan in shown["loans"] for row in _wrapped("- ", _loan(loan, f", for {loan['place_label']}"))]
    if shown["unused_loans"]:
        lines += ["", "Offered and not shown"]
        lines += [row for loan in shown["unused_loans"] for row in _wrapped("- ", _loan(loan, _count(loan)))]
    lines += ["", "Facts and grades are the owners' opinion: no authentication, no valuation."]
    return "\n".join(lines) + "\n"


def _exhibit(number: int, exhibit: Mapping[str, Any]) -> list[str]:
    mark = f"{number}. "
    own = f" (no. {exhibit['number']})" if exhibit["number"] else ""
    lent = f", lent by {exhibit['owner']}" if exhibit["owner"] else ""
    doubt = ", tentatively" if exhibit["status"] == "tentative" else ""
    return _wrapped(mark, f"{exhibit['label']}: {exhibit['description']}{own}{lent}{doubt}")


def _loan(loan: Mapping[str, Any], more: str) -> str:
    return f"{loan['owner']}: {loan['label']}{more}"


def _count(loan: Mapping[str, Any]) -> str:
    return f", {loan['pieces']} pieces" if loan["pieces"] > 1 else ""


def _wrapped(mark: str, text: str) -> list[str]:
    return textwrap.wrap(text, _PAPER, initial_indent=mark, subsequent_indent="    ")
