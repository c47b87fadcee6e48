"""Labels for holders: what stands on each, and the sheets that they are printed on. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from msgspec import Meta, Struct

from service.formats.html import LABELS, page_words, render
from service.formats.label_sheets import LabelSheet, label_sheets
from service.progress.description import Describer, FactTeller
from service.progress.paper import wrapped
from service.progress.piece import Piece
from service.rules.phrases import ENGLISH_SPEECH, Speech

MOST_LABELS = 2_000
# What collectors write below the title (common practice of the trade, no source): who, where, of what, how well kept.
# Of each the first that is recorded: a grade is written as its owner wrote it.
FACTS = (("authority",), ("mint",), ("mintmark",), ("variety",), ("material",), ("grade_words", "grade"))


class HoldingLabel(Struct, frozen=True):
    """One label."""

    holding: str
    number: Annotated[str | None, Meta(description="The owner's own number; its QR code stands on the label.")]
    title: Annotated[str, Meta(description="What the coin is.")]
    facts: Annotated[list[str], Meta(description="Lines below the title: no value, no place of storage.")]


class LabelSheetOut(Struct, frozen=True):
    """A kind of sheet. Sizes are width and height in millimetres."""

    name: str
    title: str
    labels: Annotated[int, Meta(description="How many a sheet has.")]
    page: list[float]
    label: list[float]


class HoldingLabels(Struct, frozen=True):
    """Labels in order, and the sheets that there are."""

    labels: list[HoldingLabel]
    sheets: list[LabelSheetOut]


def labels_of(
    pieces: Iterable[Piece], describe: Describer, tell: FactTeller, speech: Speech = ENGLISH_SPEECH
) -> HoldingLabels:
    """A label for each piece, in their order, its words in a language."""
    return HoldingLabels(
        [_label(piece, describe, tell, speech) for piece in pieces], [_out(one) for one in label_sheets().values()]
    )


def _label(piece: Piece, describe: Describer, tell: FactTeller, speech: Speech) -> HoldingLabel:
    told = (next(filter(None, (tell(piece.data, name) for name in names)), None) for names in FACTS)
    facts = [words for words in told if words]
    lines = [", ".join(facts)] if facts else []
    if piece.count > 1:
        lines.append(page_words(speech, "pieces", count=piece.count))
    return HoldingLabel(
        piece.id, piece.data.get("number") or None, describe(piece.data), [*lines, *dict.fromkeys(piece.places)]
    )


def _out(sheet: LabelSheet) -> LabelSheetOut:
    return LabelSheetOut(sheet.name, sheet.title, sheet.count, list(sheet.page), list(sheet.label))


def labels_html(found: HoldingLabels, sheet: LabelSheet, first: int, speech: Speech) -> str:
    """The sheets to print, the first label in place `first` of the first sheet (from 1)."""
    cells: list[HoldingLabel | None] = [*[None] * (first - 1), *found.labels]
    sheets = [cells[at : at + sheet.count] for at in range(0, len(cells), sheet.count)]
    return render("labels.html", sheet=LABELS, speech=speech, kind=sheet.name, sheets=sheets)


def labels_text(found: HoldingLabels) -> str:
    """The labels one after another: plain text, 76 columns, a line between."""
    blocks = ([label.title, *label.facts, *([label.number] if label.number else [])] for label in found.labels)
    return "\n".join("\n".join(line for text in block for line in wrapped(text)) + "\n" for block in blocks)
