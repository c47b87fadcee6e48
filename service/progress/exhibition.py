"""A set as it is shown: the owner's coins and loans of others, in the order of the pages. Pure.

An exhibition is stored as it is: it names the coins with their facts of that day, so that nothing has to be looked up later.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from operator import itemgetter
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct
from msgspec.structs import asdict

from service.definitions.history.model import StoredExhibition
from service.facts.recorded import RecordedFact, RecordedIssue
from service.formats.html import PRINT, render
from service.progress.description import Describer
from service.progress.older import as_now, summary_as_now
from service.progress.pages import PageOrder
from service.progress.paper import wrapped
from service.progress.result import DefinitionStamp, Evaluation, PlaceResult, Summary, UnplacedHolding
from service.rules.phrases import Speech


@dataclass(frozen=True, slots=True)
class Loan:
    """A coin that somebody lends. `recorded` is {"facts", "issue", "quantity"} as plain values."""

    id: str
    owner: str
    label: str | None
    recorded: Mapping[str, Any]


class Exhibit(Struct):
    """A coin that is shown, with its facts as they were."""

    page: str | None
    place: str
    label: str
    status: Literal["filled", "tentative"]
    holding: str
    number: str | None
    owner: Annotated[str | None, Meta(description="Who lends it; null: the owner of the set.")]
    description: str
    facts: dict[str, RecordedFact]
    issue: RecordedIssue | None


class ExhibitedLoan(Struct):
    """A loan that is shown, and where."""

    owner: str
    loan: str
    label: str
    place: str
    place_label: str


class UnusedLoan(Struct):
    """A loan, or pieces of it, that the set has no place for, and why not."""

    owner: str
    loan: str
    label: str
    pieces: int
    reason: Literal["spare", "undecided", "never", "outside"]


class TitledDefinition(DefinitionStamp, frozen=True):
    """Which definition it was."""

    title: str


class ExhibitionSummary(Struct):
    """An exhibition in a list."""

    id: str
    title: str
    on: date
    created_at: datetime
    summary: Summary


class ExhibitionContent(Struct):
    """What is stored of an exhibition besides its title and day."""

    note: str | None
    definition: TitledDefinition
    holdings_state: str
    reference_edition: str
    engine_version: str
    summary: Summary
    proven_optimal: bool
    exhibits: list[Exhibit]
    loans: list[ExhibitedLoan]
    unused_loans: list[UnusedLoan]
    evaluation: Evaluation


class Exhibition(ExhibitionSummary):
    """An exhibition: nothing that is changed later changes it."""

    note: str | None
    definition: TitledDefinition
    holdings_state: str
    reference_edition: str
    engine_version: str
    proven_optimal: bool
    exhibits: list[Exhibit]
    loans: Annotated[list[ExhibitedLoan], Meta(description="By the names of their owners.")]
    unused_loans: list[UnusedLoan]
    evaluation: Evaluation


@dataclass(frozen=True, slots=True)
class Exhibits:
    """What is shown, which loans are, and which are not. Loans are in the order of their owners' names, then as they were
    sent."""

    exhibits: list[Exhibit]
    loans: list[ExhibitedLoan]
    unused_loans: list[UnusedLoan]


def exhibited(
    result: Evaluation,
    document: Mapping[str, Any],
    held: Mapping[str, Mapping[str, Any]],
    loans: Sequence[Loan],
    describe: Describer,
) -> Exhibits:
    """The exhibits of an evaluation of the owner's holdings (`held`: what is recorded, by id) and the loans together."""
    lent = {loan.id: loan for loan in loans}
    exhibits = []
    for page, place in _in_order(result, document):
        assert place.holding is not None
        assert place.status != "empty"
        loan = lent.get(place.holding)
        recorded = loan.recorded if loan else held[place.holding]
        exhibits.append(
            Exhibit(
                page=page,
                place=place.place,
                label=place.label,
                status=place.status,
                holding=place.holding,
                number=None if loan else recorded.get("number"),
                owner=loan.owner if loan else None,
                description=loan.label if loan and loan.label else describe(recorded),
                facts=dict(recorded.get("facts") or {}),
                issue=recorded.get("issue"),
            )
        )
    by_owner = sorted(loans, key=lambda loan: (loan.owner.casefold(), loan.owner))
    seats = {loan.id: [exhibit for exhibit in exhibits if exhibit.holding == loan.id] for loan in loans}
    left = {entry.holding: entry for entry in result.unplaced if entry.holding in lent}
    return Exhibits(
        exhibits,
        loans=[
            ExhibitedLoan(loan.owner, loan.id, _label(loan, describe), exhibit.place, exhibit.label)
            for loan in by_owner
            for exhibit in seats[loan.id]
        ],
        unused_loans=[
            UnusedLoan(
                loan.owner,
                loan.id,
                _label(loan, describe),
                pieces=left[loan.id].pieces or 1,
                reason=_why_unused(left[loan.id]),
            )
            for loan in by_owner
            if loan.id in left
        ],
    )


def exhibition_summary(stored: StoredExhibition) -> ExhibitionSummary:
    """A stored exhibition without its content."""
    summary = msgspec.convert(summary_as_now(stored.summary), Summary)
    return ExhibitionSummary(stored.id, stored.title, stored.day, stored.created_at, summary)


def exhibition_of(stored: StoredExhibition) -> Exhibition:
    """A stored exhibition with its content."""
    content: dict[str, Any] = {name: part for name, part in (stored.content or {}).items() if name != "summary"}
    if "evaluation" in content:
        shown = content.get("exhibits", ())
        named = {one["holding"]: {"number": one["number"], "title": one["description"]} for one in shown}
        content["evaluation"] = as_now(content["evaluation"], named)
    return Exhibition(
        stored.id,
        stored.title,
        stored.day,
        stored.created_at,
        msgspec.convert(summary_as_now(stored.summary), Summary),
        **{name: msgspec.convert(part, _READ[name]) if name in _READ else part for name, part in content.items()},
    )


# The evaluation may be of an engine that knew less: it is sent as it was stored, with the members that it has now.
_READ: Mapping[str, Any] = {
    "definition": TitledDefinition,
    "exhibits": list[Exhibit],
    "loans": list[ExhibitedLoan],
    "unused_loans": list[UnusedLoan],
}


def _why_unused(entry: UnplacedHolding) -> Literal["spare", "undecided", "never", "outside"]:
    # A loan is held, and sits in no other set.
    assert entry.reason != "not_held" and entry.reason != "elsewhere"
    return entry.reason


def _label(loan: Loan, describe: Describer) -> str:
    return loan.label or describe(loan.recorded)


def _in_order(result: Evaluation, document: Mapping[str, Any]) -> Iterator[tuple[str | None, PlaceResult]]:
    """The places that are filled: page by page, those on no page at the end."""
    order = PageOrder(document)
    filled = [place for place in result.places() if place.holding is not None]
    for place in sorted(filled, key=lambda place: order.rank(place.place)):
        yield order.title(place.place), place


def exhibition_text(shown: Exhibition) -> str:
    """The list of exhibits by page and place, then the loans by owner: plain text, 76 columns."""
    counts = shown.summary
    lines = wrapped(f"{shown.title}, {shown.on.isoformat()}")
    lines += wrapped(shown.note) if shown.note else []
    lines += [f"{counts.filled + counts.tentative} of {counts.places} places shown"]
    page, labels = None, _page_labels(shown)
    for number, exhibit in enumerate(shown.exhibits, start=1):
        if number == 1 or exhibit.page != page:
            page = exhibit.page
            lines += ["", *wrapped(labels.get(page, page) if page else "Exhibits")]
        lines += _exhibit(number, exhibit)
    if shown.loans:
        lines += ["", "Lent by"]
        for loan in shown.loans:
            lines += wrapped(f"{loan.owner}: {loan.label}, for {loan.place_label}", "- ", "    ")
    if shown.unused_loans:
        lines += ["", "Offered and not shown"]
        for unused in shown.unused_loans:
            lines += wrapped(f"{unused.owner}: {unused.label}{_count(unused)}", "- ", "    ")
    lines += ["", "Facts and grades are the owners' opinion: no authentication, no valuation."]
    return "\n".join(lines) + "\n"


class _PageNames(Struct):
    """What is read of a page of an evaluation, one of an earlier version too."""

    page: str
    label: str = ""


class _Pages(Struct):
    pages: list[_PageNames]


def _page_labels(shown: Exhibition) -> dict[str, str]:
    """The labels of the pages, as people read them."""
    # A stored evaluation is plain values, one that was just made is not.
    pages = msgspec.convert(shown.evaluation, _Pages, from_attributes=True).pages
    return {one.page: one.label or one.page for one in pages}


def _exhibit(number: int, exhibit: Exhibit) -> list[str]:
    own = f" (no. {exhibit.number})" if exhibit.number else ""
    lent = f", lent by {exhibit.owner}" if exhibit.owner else ""
    doubt = "; to be checked" if exhibit.status == "tentative" else ""
    return wrapped(f"{exhibit.label}: {exhibit.description}{own}{lent}{doubt}", f"{number}. ", "    ")


def _count(loan: UnusedLoan) -> str:
    return f", {loan.pieces} pieces" if loan.pieces > 1 else ""


def exhibition_html(shown: Exhibition, photos: Mapping[str, str], speech: Speech) -> str:
    """The exhibits as a page to print, page by page of the set: place, coin, who lends it, and a photo; no values, no places of
    storage. `photos`: an address (a data: URL) by id of the holding; `speech`: the language of the page's own words."""
    labels = _page_labels(shown)
    numbered = [
        {**asdict(exhibit), "at": at, "photo": photos.get(exhibit.holding)}
        for at, exhibit in enumerate(shown.exhibits, start=1)
    ]
    return render(
        "exhibition.html",
        sheet=PRINT,
        speech=speech,
        title=shown.title,
        on=shown.on.isoformat(),
        shown=shown.summary.filled + shown.summary.tentative,
        places=shown.summary.places,
        note=shown.note or "",
        pages=[
            (labels.get(page, page), list(exhibits)) for page, exhibits in groupby(numbered, key=itemgetter("page"))
        ],
    )
