"""What the headings of a sheet mean: fields of a holding, as the caller maps them, by their exact names, or guessed by the words
that collectors use (heading_words.py). Pure.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher, get_close_matches
from typing import Annotated

import msgspec
from msgspec import UNSET, Meta, UnsetType

from service.errors import Fault, Sentence
from service.facts.attributes import Attributes
from service.facts.words import nearest
from service.formats.money import currency_named
from service.holdings.imports.heading_words import FREE_TEXT, HEADING_WORDS

OWN_COLUMNS = (
    *("id", "number", "issue", "quantity", "status", "location", "tags", "note", "values"),
    *("mark", "price_paid", "bought_from", "bought_on", "photos"),
)
# What a sheet has a column for, and a holding says with its status.
FOR_TRADE = "for_trade"
SHEET_COLUMNS = (*OWN_COLUMNS, FOR_TRADE)
FACT_PREFIX = "facts."
# From here on a heading counts as meant: one slip in a word of six letters.
_NEAR = 0.83
# And from here on it is worth asking.
_LIKE = 0.7

# Where the words in a column show that another attribute is meant.
_IN_WORDS = {"grade": "grade_words", "year_on_coin": "date_as_written"}
_UNITS = {"g": ("g", "gr", "gram", "grams", "gramme", "grammes"), "mm": ("mm", "millimetre", "millimetres")}
_UNIT = re.compile(r"(.*\S)\s*[(\[]([^()\[\]]*)[)\]]")
_FIGURES = re.compile(r"[\s0-9.,|\u2013{-]*[0-9][^A-Za-z]*")


@dataclass(frozen=True, slots=True)
class ColumnMeaning:
    """What a column is: an own field of the holding (`id` too), or a fact."""

    name: str
    is_fact: bool

    @property
    def written(self) -> str:
        """As a mapping says it: a fact that has the name of an own field is `facts.NAME`."""
        return f"{FACT_PREFIX}{self.name}" if self.is_fact and needs_prefix(self.name) else self.name


@dataclass(frozen=True, slots=True)
class SheetColumn:
    """One column, counted from 1. `field` None: left out if the caller says so, else not understood (`is_open`)."""

    number: int
    heading: str
    field: ColumnMeaning | None
    guessed: bool
    near: str | None = None
    unit: str | None = None

    @property
    def is_open(self) -> bool:
        return self.field is None and self.guessed

    def is_for(self, own: str) -> bool:
        """Whether it is this own field of a holding, or of its purchase."""
        return self.field is not None and not self.field.is_fact and self.field.name == own

    @property
    def is_asked(self) -> bool:
        """Whether its heading may mean one of several fields."""
        return self.is_open and normal(self.heading) in HEADING_WORDS["type"]

    def shown(self) -> MappedColumn:
        """The column as an answer has it."""
        field = None if self.field is None else self.field.written
        return MappedColumn(self.number, self.heading, field, self.guessed, self.near if self.is_open else UNSET)


class MappedColumn(msgspec.Struct, frozen=True):
    """How a column is read."""

    column: Annotated[int, Meta(description="Counted from 1.")]
    heading: str
    field: Annotated[str | None, Meta(description="null: left out.")]
    guessed: Annotated[bool, Meta(description="Whether it follows neither from the mapping nor from the exact name.")]
    nearest: Annotated[
        str | UnsetType | None, Meta(description="Of a column that was not understood: what may have been meant.")
    ] = UNSET


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """What the caller says of a column, which is named by its number (counted from 1) or its heading: the field that it is, None
    leaves it out. `pointer` leads from the mapping to the entry."""

    pointer: str
    number: int | None
    heading: str | None
    field: str | None


def needs_prefix(name: str) -> bool:
    return name in (*SHEET_COLUMNS, "facts") or name.startswith(FACT_PREFIX)


def field_named(text: str, attributes: Attributes) -> ColumnMeaning | None:
    """The field that a mapping or an exact heading names. `facts.NAME` may be a fact that is not declared."""
    if text in SHEET_COLUMNS:
        return ColumnMeaning(text, is_fact=False)
    if text.startswith(FACT_PREFIX) and 0 < len(text) - len(FACT_PREFIX) <= 100:
        return ColumnMeaning(text.removeprefix(FACT_PREFIX), is_fact=True)
    return ColumnMeaning(text, is_fact=True) if text in attributes else None


def mapped(
    mapping: Iterable[ColumnMapping], headings: Sequence[str], attributes: Attributes
) -> tuple[dict[int, ColumnMeaning | None], list[Fault]]:
    """What the caller says of columns, by column counted from 0; and everything wrong with it, pointers from /mapping on."""
    meant: dict[int, ColumnMeaning | None] = {}
    faults: list[Fault] = []
    for entry in mapping:
        at = f"/mapping{entry.pointer}"
        place = _place(entry, headings)
        if place is None:
            near = nearest(entry.heading or "", headings)
            column = entry.number if entry.number is not None else repr((entry.heading or "")[:80])
            message = Sentence("there is no column {column}", column=column)
            faults.append(
                Fault("unknown-column", message, at, Sentence("did you mean '{near}'?", near=near) if near else None)
            )
            continue
        text = entry.field
        field = None if text is None else field_named(text, attributes)
        if text is not None and field is None:
            near = nearest(text, [*SHEET_COLUMNS, *attributes])
            hint = (
                Sentence("did you mean '{near}'?", near=near)
                if near
                else Sentence("for a fact of your own write facts.{name}", name=text[:40])
            )
            faults.append(Fault.of("unknown-field", "a holding has no field '{name}'", at, hint, name=text[:80]))
        elif place in meant or (field is not None and field in meant.values()):
            faults.append(Fault("doubled-name", "the column, or the field, is in the mapping already", at))
        else:
            meant[place] = field
    return meant, faults


def _place(entry: ColumnMapping, headings: Sequence[str]) -> int | None:
    if entry.number is not None:
        return entry.number - 1 if entry.number <= len(headings) else None
    return headings.index(entry.heading) if entry.heading is not None and entry.heading in headings else None


def columns_of(
    headings: Sequence[str],
    attributes: Attributes,
    given: Mapping[int, ColumnMeaning | None],
    sample: Mapping[int, Sequence[str]],
    content: Mapping[int, str] | None = None,
) -> tuple[SheetColumn, ...]:
    """Every column, by what the caller says of it, by its exact name, or by a guess; of two that may be the same field the more
    certain one gets it, of two as certain the first. `given`, `sample` (some cells)
    and `content` (the attribute that the cells show where the heading does not) are by column, counted from 0."""
    table = _table(attributes)
    known = list(filter(None, table))
    exact = {place: field_named(heading, attributes) for place, heading in enumerate(headings)}
    offers: list[tuple[float, int, ColumnMeaning]] = []
    for place, heading in enumerate(headings):
        if place in given:
            continue
        for certainty, name in _guesses(heading, table, known, attributes, exact[place], sample.get(place, ())):
            offers.append((-certainty, place, name))
        if content and place in content and exact[place] is None:
            offers.append((-0.5, place, ColumnMeaning(content[place], is_fact=True)))
    taken = {meant for meant in given.values() if meant is not None}
    meant: dict[int, ColumnMeaning] = {}
    for _, place, name in sorted(offers, key=lambda offer: offer[:2]):
        if place not in meant and name not in taken:
            meant[place] = name
            taken.add(name)
    columns: list[SheetColumn] = []
    for place, heading in enumerate(headings):
        unit = _named_and_unit(heading)[1]
        if place in given:
            columns.append(SheetColumn(place + 1, heading, given[place], guessed=False, unit=unit))
        else:
            found = meant.get(place)
            near = [] if found else get_close_matches(normal(heading), known, n=1, cutoff=_LIKE)
            like = table[near[0]].written if near else None
            is_guess = found is None or found != exact[place]
            columns.append(SheetColumn(place + 1, heading, found, is_guess, like, unit))
    return tuple(columns)


def heading_reader(attributes: Attributes) -> Callable[[str], bool]:
    """Whether a text heads a column, word for word."""
    table = _table(attributes)
    more = {*FREE_TEXT, *HEADING_WORDS["type"]}

    def is_heading(text: str) -> bool:
        word = normal(_named_and_unit(text)[0])
        return field_named(text, attributes) is not None or word in table or word in more

    return is_heading


def _named_and_unit(heading: str) -> tuple[str, str | None]:
    found = _UNIT.fullmatch(heading.strip()[:200])
    return (found[1], found[2].strip().lower()) if found else (heading, None)


def _guesses(
    heading: str,
    table: Mapping[str, ColumnMeaning],
    known: Sequence[str],
    attributes: Attributes,
    exact: ColumnMeaning | None,
    sample: Sequence[str],
) -> Iterable[tuple[float, ColumnMeaning]]:
    if exact is not None:
        if exact.name == "id" and not exact.is_fact and sample and not any(len(cell) == 36 for cell in sample):
            # Somebody's own counting, not ours.
            yield 1.5, ColumnMeaning("number", is_fact=False)
        yield (0.1 if exact.name == "id" and sample and not any(len(cell) == 36 for cell in sample) else 3.0), exact
        return
    if heading[:1] in ("{", "["):
        # Somebody's JSON under the name of a sheet.
        return
    name, unit = _named_and_unit(heading)
    word = normal(name)
    close = [word] if word in table else get_close_matches(word, known, n=1, cutoff=_NEAR)
    for match in close:
        meant = table[match]
        if unit and not _is_unit(unit, attributes, meant):
            continue
        if meant.is_fact and meant.name in _IN_WORDS and _is_in_words(sample):
            meant = ColumnMeaning(_IN_WORDS[meant.name], is_fact=True)
        if meant == ColumnMeaning("id", is_fact=False) and sample and not any(len(cell) == 36 for cell in sample):
            meant = ColumnMeaning("number", is_fact=False)
        yield (2.0 if match == word else SequenceMatcher(None, word, match).ratio()), meant


def _table(attributes: Attributes) -> dict[str, ColumnMeaning]:
    """Fields by the words that may head their columns, a more certain word before a less certain one."""
    table: dict[str, ColumnMeaning] = {}
    for own in SHEET_COLUMNS:
        table.setdefault(normal(own), ColumnMeaning(own, is_fact=False))
    for name in attributes:
        table.setdefault(normal(name), ColumnMeaning(name, is_fact=True))
    for name, attribute in attributes.items():
        if attribute.label:
            table.setdefault(normal(attribute.label), ColumnMeaning(name, is_fact=True))
    for name, words in HEADING_WORDS.items():
        if name in SHEET_COLUMNS or name in attributes:
            for word in words:
                table.setdefault(word, ColumnMeaning(name, is_fact=name not in SHEET_COLUMNS))
    return table


def normal(heading: str) -> str:
    """Letters and digits only, in small letters, one blank between words."""
    if heading.strip() in ("#", "\u2116"):
        return "no"
    plain = unicodedata.normalize("NFKC", heading[:200]).casefold()
    return " ".join("".join(letter if letter.isalnum() else " " for letter in plain).split())


def _is_unit(unit: str, attributes: Attributes, meant: ColumnMeaning) -> bool:
    """A weight in ounces is no weight in grams; an amount of money may be in any currency."""
    if not meant.is_fact:
        return meant.name == "price_paid" and currency_named(unit) is not None
    known = attributes[meant.name].unit if meant.is_fact and meant.name in attributes else None
    return known is not None and unit in _UNITS.get(known, (known.lower(),))


def _is_in_words(sample: Sequence[str]) -> bool:
    words = sum(_FIGURES.fullmatch(cell) is None and cell != "-" for cell in sample)
    return bool(sample) and 2 * words > len(sample)
