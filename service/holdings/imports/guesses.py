"""What the cells of a column say of its meaning where the heading does not, and how columns are shown and asked. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated

import msgspec
from msgspec import Meta

from service.errors import Sentence
from service.facts.attributes import Attributes
from service.facts.vocabulary import Vocabulary
from service.holdings.imports.columns import ColumnMeaning, SheetColumn, normal
from service.holdings.imports.heading_words import FREE_TEXT
from service.holdings.imports.sheet import SentSheet
from service.holdings.imports.values import Candidate, Question
from service.notation.terms import TermIndex, index_of

_SHOWN = 3
# Of the distinct cells of a column in free words, so many have to show something pictured.
_ENOUGH = 0.3
# What a heading such as 'Type' may mean.
_TYPES = (
    ("denomination", "Denomination"),
    ("reverse_design", "Design of the reverse"),
    ("object_kind", "Kind of object"),
    ("strike", "Strike"),
    ("variety", "Variety"),
)


class ColumnGuess(msgspec.Struct, frozen=True):
    """One column of a file, as it is read."""

    column: Annotated[int, Meta(description="Counted from 1.")]
    heading: str
    field: Annotated[
        str | None, Meta(description="null: no field; its cells go into the note, unless it was left out.")
    ]
    sample: Annotated[list[str], Meta(description="The first cells that differ.")]
    why: str


def guessed_by_content(
    headings: Sequence[str],
    sample: Mapping[int, Sequence[str]],
    given: Mapping[int, ColumnMeaning | None],
    attributes: Attributes,
    schemes: Mapping[str, Vocabulary],
) -> dict[int, str]:
    """Columns in free words of which many cells have motifs in them, by column counted from 0."""
    if "motifs" not in schemes or "main_motifs" not in attributes:
        return {}
    found: dict[int, str] = {}
    index: TermIndex | None = None
    for place, heading in enumerate(headings):
        if place in given or normal(heading) not in FREE_TEXT or "main_motifs" in found.values():
            continue
        index = index or index_of(schemes["motifs"])
        cells = set(sample.get(place, ()))
        if cells and sum(bool(index.within(cell)) for cell in cells) >= _ENOUGH * len(cells):
            found[place] = "main_motifs"
    return found


def shown_columns(columns: Sequence[SheetColumn], sheet: SentSheet, content: Mapping[int, str]) -> list[ColumnGuess]:
    """The columns as an answer has them."""
    sample = sheet.sample()
    return [
        ColumnGuess(
            column.number,
            column.heading,
            None if column.field is None else column.field.written,
            [cell[:100] for cell in dict.fromkeys(sample.get(column.number - 1, ()))][:_SHOWN],
            _why(column, sheet, content),
        )
        for column in columns
    ]


def _why(column: SheetColumn, sheet: SentSheet, content: Mapping[int, str]) -> Sentence:
    place = column.number - 1
    decimals = sheet.decimals.get(place)
    sign = Sentence("; decimal sign {sign}", sign=decimals) if decimals is not None else ""
    if column.field is None:
        if not column.guessed:
            return Sentence("left out")
        near = Sentence("; did you mean {near}?", near=column.near) if column.near else ""
        sentence = (
            "the heading has several meanings, see questions; until then its cells go into the note{near}"
            if column.is_asked
            else "not understood: its cells go into the note{near}"
        )
        return Sentence(sentence, near=near)
    if not column.guessed:
        return Sentence("as its heading or `columns` says{sign}", sign=sign)
    if content.get(place) == column.field.name:
        return Sentence("many of its cells have motifs in them; the words go into the note as well")
    return Sentence("what the heading usually means{sign}", sign=sign)


def asked_columns(
    columns: Sequence[SheetColumn], sheet: SentSheet, attributes: Attributes, schemes: Mapping[str, Vocabulary]
) -> tuple[Question, ...]:
    """A question for each heading that may mean one of several fields, the likeliest first."""
    questions: list[Question] = []
    for column in columns:
        if not column.is_asked:
            continue
        cells = list(dict.fromkeys(sheet.sample().get(column.number - 1, ())))
        rows = sum(column.number - 1 in row.cells for row in sheet.rows)
        taken = {other.field.name for other in columns if other.field is not None}
        found = []
        for name, label in _TYPES:
            if name in attributes and name not in taken:
                known = _known(name, cells, attributes, schemes)
                why = Sentence("{known} of {count} different cells are such terms", known=known, count=len(cells))
                found.append((known, Candidate(name, label, why)))
        found.sort(key=lambda entry: -entry[0])
        shown = column.heading
        questions.append(Question(None, shown, shown, rows, [candidate for _, candidate in found]))
    return tuple(questions)


def _known(name: str, cells: Sequence[str], attributes: Attributes, schemes: Mapping[str, Vocabulary]) -> int:
    attribute = attributes[name]
    if attribute.values:
        words = {word.casefold() for word in (*attribute.values, *attribute.synonyms)}
        return sum(cell.casefold() in words for cell in cells)
    scheme = schemes.get(attribute.vocabulary or "")
    if scheme is None:
        return 0
    index = index_of(scheme)
    return sum(bool(index.named(cell)) for cell in cells)
