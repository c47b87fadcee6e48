"""From the cells of a sheet to facts: what is understood is noted, what is not is asked, once for each distinct value. Pure.

A cell means, in this order: what the caller answered; what the language of cells says (cells.py); a term of the attribute's
vocabulary by one of its names; terms that stand in it as whole words. What is left is asked, with the nearest terms as
candidates.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Annotated, Any

import msgspec
from msgspec import Meta, field
from msgspec.structs import replace

from service.errors import Fault, Sentence
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import MARKS, STATUSES, check_facts
from service.facts.vocabulary import Vocabulary
from service.facts.words import nearest
from service.formats.cells import NONE, is_number, read_fact_cell, read_json_cell, read_list_cell, read_text_cell
from service.formats.money import DAY_FIRST, MONTH_FIRST, currency_named, read_day, read_money
from service.formats.numbers import plain_numbers
from service.formats.xlsx import BrokenCell
from service.holdings.imports.columns import FOR_TRADE, SheetColumn, normal
from service.holdings.imports.years import read_year
from service.notation import terms
from service.notation.dates import LAST_YEAR
from service.notation.readers import read_notation
from service.notation.terms import TermIndex, Terms, existed, index_of

# Whose words depend on the rest of the row.
_BY_ISSUER = ("issuer", "denomination", "material", "authority")
_MOST_SHOWN = 1_000
# Looking for terms that look alike takes long.
_MOST_LIKENED = 300
NO_CURRENCY = "no currency"
"""What is asked, once for a column, where amounts stand without a currency."""
_YES = frozenset(
    ("y", "yes", "x", "true", "1", "ja", "j", "oui", "o", "si", "s", "sì", "sí", "✓", "✔", "for trade", "available")
)
# Words for a mintmark that is known to be none.
_NO_MARK = frozenset(
    ("none", "no", "no mm", "ohne", "keines", "kein", "sans", "aucun", "sin", "ninguna", "nessuno", "geen")
)
_NO = frozenset(("n", "no", "nein", "non", "nee", "false", "0", "-", "keep", "behalten"))
_UNITS: Mapping[str, Mapping[str, Decimal]] = {
    "g": {
        **dict.fromkeys(("g", "gr", "gm", "gms", "grs", "gram", "grams", "gramm", "gramme", "grammes"), Decimal(1)),
        # The international grain (1959), as of the avoirdupois and the troy pound.
        **dict.fromkeys(("grain", "grains", "grn"), Decimal("0.06479891")),
    },
    "mm": {"mm": Decimal(1), "millimetres": Decimal(1), "cm": Decimal(10), "in": Decimal("25.4"), '"': Decimal("25.4")},
}
# Nobody weighs a coin more finely; a weight in grains is rounded to it.
_FINEST = Decimal("0.001")


class Candidate(msgspec.Struct, frozen=True):
    """What a value may mean."""

    value: Annotated[Any, Meta(description="As `answers` takes it.")]
    label: str
    why: str


class Question(msgspec.Struct, frozen=True):
    """A value that was not understood, or may mean several things."""

    field: Annotated[str | None, Meta(description="null: which field the column is, is asked: answer it in `columns`.")]
    heading: str
    value: Annotated[
        str, Meta(description="As `answers` names it: the cell, or a name with the years in which it is asked.")
    ]
    rows: Annotated[int, Meta(description="In how many rows it is.")]
    candidates: list[Candidate]


class Understood(msgspec.Struct, frozen=True, rename={"as_": "as"}):
    """A value that was taken for something else than its letters."""

    field: str
    heading: str
    value: str
    as_: Annotated[Any, Meta(description="What is recorded.")]
    rows: int


class Told(msgspec.Struct, frozen=True):
    """What a cell says: a value (None: not recorded), other facts besides, and what is wrong. `is_kept`: its words go into the
    note, since nothing else records them."""

    value: Any = None
    more: Mapping[str, Any] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    is_kept: bool = False
    understood: Any = None
    question: tuple[Candidate, ...] | None = None
    asked_as: str | None = None


_NOTHING = Told()


@dataclass
class _Tally:
    column: SheetColumn
    value: str
    told: Told
    rows: int = 0


class Context(msgspec.Struct, frozen=True):
    """What else the row says that a value's meaning depends on."""

    issuer: str | None = None
    years: tuple[int, int] | None = None


class CellReader:
    """Reads the cells of one sheet. `answers`: by field, by value, what is recorded (None: nothing). `decimal` and `dates`: what
    is taken where a column does not tell. `used`: by attribute, the texts that rules compare it with and those of the
    catalogue."""

    def __init__(
        self,
        attributes: Attributes,
        schemes: Mapping[str, Vocabulary],
        answers: Mapping[str, Mapping[str, Any]],
        *,
        decimal: str,
        dates: str,
        decimals: Mapping[int, str],
        used: Mapping[str, Collection[str]] | None = None,
    ) -> None:
        self._attributes, self._schemes, self._answers = attributes, schemes, answers
        self._decimal, self._decimals, self._dates = decimal, decimals, dates
        self._used = used or {}
        self._terms_in_use = Terms({}, self._used)
        self._known: dict[tuple[int, str, str | None, tuple[int, int] | None], Told] = {}
        self._tallies: dict[tuple[int, str], _Tally] = {}
        self._likened = 0

    def told(self, column: SheetColumn, cell: Any, context: Context) -> Told:
        """What the cell says; the same cell in the same context is read once."""
        if isinstance(cell, BrokenCell):
            return Told(faults=(Fault("cell", cell.message, "", cell.hint),))
        text = cell.strip()
        if not text or column.field is None:
            return _NOTHING
        name = column.field.name
        issuer = context.issuer if name in _BY_ISSUER and name != "issuer" else None
        years = context.years if name == "issuer" else None
        key = (column.number, text, issuer, years)
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = self._read(column, text, Context(issuer, years))
        if found.understood is not None or found.question is not None:
            about = (column.number, found.asked_as or text)
            tally = self._tallies.get(about)
            if tally is None:
                tally = self._tallies[about] = _Tally(column, found.asked_as or text, found)
            tally.rows += 1
        return found

    def questions(self) -> list[Question]:
        """What was not understood, the most frequent first."""
        asked = [tally for tally in self._tallies.values() if tally.told.question is not None]
        asked.sort(key=lambda tally: (-tally.rows, tally.column.number, tally.value))
        return [
            Question(
                _field(tally.column), tally.column.heading, tally.value, tally.rows, list(tally.told.question or ())
            )
            for tally in asked[:_MOST_SHOWN]
        ]

    def understood(self) -> list[Understood]:
        """What was taken for something else than its letters, by column."""
        found = [tally for tally in self._tallies.values() if tally.told.question is None]
        found.sort(key=lambda tally: (tally.column.number, -tally.rows, tally.value))
        return [
            Understood(_field(tally.column) or "", tally.column.heading, tally.value, tally.told.understood, tally.rows)
            for tally in found[:_MOST_SHOWN]
        ]

    # -- one cell

    def _read(self, column: SheetColumn, text: str, context: Context) -> Told:
        meant = column.field
        assert meant is not None, "cells of other columns are not read"
        # Under the exact name of a field its own form stands.
        is_bought = meant.name in ("price_paid", "bought_on") and column.heading != meant.name
        if not meant.is_fact and (is_bought or meant.name == FOR_TRADE):
            return self._purchase(column, text)
        answered, answer = self._answer(meant.written, text)
        if answered and answer is None:
            return Told(is_kept=True)
        if not meant.is_fact:
            if answered:
                return Told(answer, understood=answer)
            value, faults = _own(meant.name, text)
            return Told(value, faults=tuple(faults))
        attribute = self._attributes.get(meant.name)
        if answered:
            value = self._canonical(answer, attribute, context) if attribute is not None else answer
            return Told(value, understood=value, is_kept=value != text and isinstance(value, list))
        told = self._fact(column, text, attribute, context)
        if attribute is not None and (told.faults or told.question is not None):
            told = _noted(attribute, text) or told
        return replace(told, question=()) if told.faults and told.question is None else told

    def _answer(self, name: str, text: str) -> tuple[bool, Any]:
        given = self._answers.get(name, {})
        return (True, given[text]) if text in given else (False, None)

    def _fact(self, column: SheetColumn, text: str, attribute: Attribute | None, context: Context) -> Told:
        if attribute is None:
            if text[0] not in '{["' and text not in (NONE, "true", "false") and not is_number(text):
                return Told(text)
            value, faults = read_fact_cell(text, None)
            return Told(value, faults=tuple(faults))
        # A year in brackets is none of JSON: [1644] is not on the coin.
        is_year = attribute.name == "year_on_coin"
        if text == NONE or (text[0] in '{["' and not (is_year and text[0] == "[")):
            value, faults = read_fact_cell(text, attribute)
            return Told(value, faults=tuple(faults))
        if is_year and (year := read_year(text)) is not None:
            if year.value is None:
                return Told(is_kept=True, understood="cannot be read")
            return Told(year.value, year.more, understood=year.value)
        if is_year and text.isdecimal() and int(text) > LAST_YEAR and (noted := _noted(attribute, text)) is not None:
            # Of another era: 5709, 2505.
            return noted
        # Under its exact name stands what we wrote, and the year in a column of its own.
        if attribute.name == "date_as_written" and column.heading != attribute.name:
            facts = _facts_of_date(text)
            return Told(text, facts, understood=facts or None)
        if (
            attribute.name == "grade_words"
            and (reading := read_notation("grade_words", text)) is not None
            and reading.facts
        ):
            return Told(
                text,
                {name: value for name, value in reading.facts.items() if name != "grade_words"},
                understood=dict(reading.facts),
            )
        if attribute.name == "mintmark" and normal(text) in _NO_MARK:
            return Told({"none": True}, understood={"none": True})
        if attribute.is_number:
            return self._number(column, text, attribute)
        value, faults = read_fact_cell(text, attribute)
        if faults:
            return Told(value, faults=tuple(faults))
        if attribute.values:
            value = _as_listed(value, attribute)
            return self._checked(value, attribute, text)
        index = self._index(attribute)
        if index is not None:
            # Under the exact name of the attribute terms stand, not free words: what we wrote ourselves comes back as it was.
            is_exact = column.field is not None and column.heading == column.field.written
            return self._term(text, value, attribute, index, context, is_exact=is_exact)
        if attribute.name in self._used and isinstance(value, str):
            return self._term_in_use(text, attribute) or self._checked(value, attribute, text)
        return self._checked(value, attribute, text)

    def _term_in_use(self, text: str, attribute: Attribute) -> Told | None:
        """The term in use that the text is, but for letter case and the like; else it is kept, and asked with the nearest."""
        found = self._terms_in_use.resolve(attribute, text)
        if isinstance(found, terms.Understood):
            return Told(found.value, understood=found.value) if found.value != text else None
        if isinstance(found, terms.Candidates):
            choices = tuple(Candidate(one.value, one.label, "it may be called so") for one in found.terms)
        else:
            near = found.nearest
            choices = () if near is None else (Candidate(near, near, "looks alike"),)
        return Told(text, question=choices)

    def _number(self, column: SheetColumn, text: str, attribute: Attribute) -> Told:
        plain = text if is_number(text) else plain_numbers(text, self._decimals.get(column.number - 1, self._decimal))
        factor = Decimal(1)
        for unit, times in sorted(_UNITS.get(attribute.unit or "", {}).items(), key=lambda entry: -len(entry[0])):
            bare = plain.removesuffix(".")
            if bare.lower().endswith(unit) and bare[: -len(unit)].strip()[-1:].isdigit():
                plain, factor = bare[: -len(unit)].strip(), times
                break
        value, faults = read_fact_cell(plain, attribute)
        if not faults and factor != 1 and isinstance(value, int | Decimal):
            value = Decimal(value) * factor
            if value != value.quantize(_FINEST):
                value = value.quantize(_FINEST, ROUND_HALF_UP)
        told = self._checked(value, attribute, text, tuple(faults))
        is_same = plain == text and factor == 1
        return told if told.question is not None or is_same else Told(told.value, understood=told.value)

    def _checked(self, value: Any, attribute: Attribute, text: str, faults: tuple[Fault, ...] = ()) -> Told:
        """What no holding may have is asked; the reader of the row finds the fault."""
        wrong = faults or check_facts({attribute.name: value}, self._attributes, strict=False)
        return Told(value, faults=faults, question=_near(text, attribute) if wrong else None)

    # -- terms

    def _term(
        self, text: str, value: Any, attribute: Attribute, index: TermIndex, context: Context, *, is_exact: bool
    ) -> Told:
        if isinstance(value, dict):
            # Alternatives and the like, each by itself.
            options = value.get("one_of")
            if isinstance(options, list) and all(isinstance(one, str) for one in options):
                value = {"one_of": [self._only(one, index, context) or one for one in options]}
            return self._checked(value, attribute, text)
        if attribute.many:
            return self._terms(text, value, attribute, index, context, is_exact=is_exact)
        found = _ids(index, text, context)
        if index.vocabulary.name == "issuers":
            return self._issuer(text, attribute, index, found, context)
        if len(found) == 1:
            return Told(found[0], understood=found[0] if found[0] != text else None)
        used = None if found else self._terms_in_use.named_in_use(attribute.name, text)
        if isinstance(used, terms.Understood):
            return Told(used.value, understood=used.value if used.value != text else None)
        reading = None if found else read_notation(attribute.name, text)
        if reading is not None and attribute.name in reading.facts and not reading.rest:
            facts = dict(reading.facts)
            return Told(facts.pop(attribute.name), facts, understood=dict(reading.facts))
        told = self._checked(text, attribute, text)
        return Told(told.value, faults=told.faults, question=self._candidates(text, index, found))

    def _issuer(
        self, text: str, attribute: Attribute, index: TermIndex, found: tuple[str, ...], context: Context
    ) -> Told:
        """The issuer of this name that existed in the year of the coin."""
        concepts = [index.vocabulary.concepts[term] for term in found]
        then = tuple(concept.id for concept in concepts if existed(concept, context.years))
        if len(then) == 1:
            return Told(then[0], understood=then[0] if then[0] != text else None)
        told = self._checked(text, attribute, text)
        asked = text if len(found) < 2 or context.years is None else f"{text} {_span(concepts, context.years)}"
        answered, answer = self._answer(attribute.name, asked)
        if answered and asked != text:
            return Told(is_kept=True) if answer is None else Told(answer, understood=answer, asked_as=asked)
        candidates = self._candidates(text, index, then or found)
        return Told(told.value, faults=told.faults, question=candidates, asked_as=asked)

    def _terms(
        self, text: str, value: Any, attribute: Attribute, index: TermIndex, context: Context, *, is_exact: bool
    ) -> Told:
        parts = value if isinstance(value, list) else [value]
        whole = [self._only(part, index, context) for part in parts if isinstance(part, str)]
        if all(whole):
            return Told(whole, understood=whole if whole != parts else None)
        within = () if is_exact else index.within(text)
        if len(within) == 1:
            return Told([*within], understood=[*within], is_kept=True)
        if within:
            each = [Candidate([term], index.label(term), "a word in the cell") for term in within[:10]]
            both = Candidate([*within], ", ".join(map(index.label, within)), "all of them")
            return Told(None, question=(*each, both), is_kept=True)
        known = [self._only(part, index, context) or part for part in parts]
        told = self._checked(known, attribute, text)
        is_list_of_terms = is_exact or len(parts) > 1 or len(text.split()) == 1
        if is_list_of_terms:
            return Told(told.value, faults=told.faults, question=self._candidates(text, index, (), many=True))
        return Told(None, question=self._candidates(text, index, (), many=True), is_kept=True)

    def _only(self, text: str, index: TermIndex, context: Context) -> str | None:
        found = _ids(index, text, context)
        return found[0] if len(found) == 1 else None

    def _candidates(
        self, text: str, index: TermIndex, found: Sequence[str], *, many: bool = False
    ) -> tuple[Candidate, ...]:
        why = Sentence("it may be called so")
        if not found:
            self._likened += 1
            found, why = (
                (index.like(text), Sentence("looks alike")) if self._likened <= _MOST_LIKENED else ((), Sentence(""))
            )
        return tuple(Candidate([term] if many else term, index.label(term), why) for term in found)

    def _canonical(self, answer: Any, attribute: Attribute, context: Context) -> Any:
        """An answer in the vocabulary's own terms."""
        if attribute.many:
            return [
                self._canonical_term(one, attribute, context)
                for one in (answer if isinstance(answer, list) else [answer])
            ]
        return self._canonical_term(answer, attribute, context)

    def _canonical_term(self, answer: Any, attribute: Attribute, context: Context) -> Any:
        index = self._index(attribute)
        if index is None or not isinstance(answer, str):
            return _as_listed(answer, attribute) if attribute.values else answer
        return self._only(answer, index, context) or answer

    def _index(self, attribute: Attribute) -> TermIndex | None:
        scheme = self._schemes.get(attribute.vocabulary or "")
        return None if scheme is None else index_of(scheme)

    # -- what was paid, where and when

    def _purchase(self, column: SheetColumn, text: str) -> Told:
        assert column.field is not None
        name = column.field.name
        answered, answer = self._answer(name, text)
        if answered and answer is None:
            return Told(is_kept=True)
        if name == "bought_on":
            return self._day(str(answer) if answered else text)
        if name == FOR_TRADE:
            return self._for_trade(answer if answered else text)
        return self._paid(column, str(answer) if answered and isinstance(answer, str) else text)

    def _day(self, text: str) -> Told:
        # Of a day such as 25/04/2016 the other order is the only one that there is.
        orders = (self._dates, DAY_FIRST if self._dates == MONTH_FIRST else MONTH_FIRST)
        day = next(filter(None, (read_day(text, order) for order in orders)), None)
        # A year alone is no day, and is kept in words.
        return Told(day, is_kept=day is None, understood=day if day != text else None)

    def _for_trade(self, said: Any) -> Told:
        # A mark such as a tick has no letters.
        word = (normal(said) or said.strip()) if isinstance(said, str) else said
        if word is True or word in _YES:
            return Told(True, understood=True)
        if word is False or word in _NO:
            return Told(False)
        choices = (Candidate(True, "for trade", "asked"), Candidate(False, "not for trade", "asked"))
        return Told(None, question=choices, is_kept=True)

    def _paid(self, column: SheetColumn, text: str) -> Told:
        money = read_money(text, self._decimals.get(column.number - 1, self._decimal))
        if money is None:
            return Told(None, question=(), is_kept=True)
        sign = money.sign or (column.unit or "").upper() or NO_CURRENCY
        answered, answer = self._answer("price_paid", sign)
        currencies = money.currencies or _named(column.unit)
        if answered:
            currencies = () if answer is None else (answer,)
        if len(currencies) == 1 and isinstance(currencies[0], str) and len(currencies[0]) == 3:
            paid = {"amount": _plain(money.amount), "currency": currencies[0].upper()}
            return Told(paid, understood=f"{money.amount:f} {paid['currency']}")
        choices = tuple(Candidate(code, code, "has this sign") for code in currencies)
        return Told(None, question=choices, is_kept=True, asked_as=sign)


def _noted(attribute: Attribute, text: str) -> Told | None:
    """What the cell says in the notation of collectors (188?, PF-65, .925, "cleaned?"); None where that says nothing sure."""
    reading = read_notation(attribute.name, text)
    if reading is None or attribute.name not in reading.facts:
        return None
    facts = dict(reading.facts)
    value = facts.pop(attribute.name)
    # Words of doubt, and those that no fact takes up, are kept.
    return Told(value, facts, is_kept=bool(reading.rest or reading.perhaps), understood=value)


def _facts_of_date(text: str) -> dict[str, Any]:
    """What a date in words says besides its letters: the year on the coin, the era, a mintmark."""
    year = read_year(text)
    if year is not None:
        return {} if year.value is None else {"year_on_coin": year.value, **year.more}
    reading = read_notation("date_as_written", text)
    facts = {} if reading is None else dict(reading.facts)
    facts.pop("date_as_written", None)
    return facts


def _ids(index: TermIndex, text: str, context: Context) -> tuple[str, ...]:
    """The terms that the text names."""
    found = index.named(text, None, context.issuer)
    if found is None:
        return ()
    return (found.value,) if isinstance(found, terms.Understood) else tuple(one.value for one in found.terms)


def _plain(amount: Decimal) -> int | Decimal:
    return int(amount) if amount == amount.to_integral_value() and amount.as_tuple().exponent == 0 else amount


def _named(unit: str | None) -> tuple[str, ...]:
    return (currency_named(unit) or ()) if unit else ()


def _field(column: SheetColumn) -> str | None:
    return None if column.field is None else column.field.written


def _span(concepts: Iterable[Any], years: tuple[int, int]) -> str:
    """The years around these in which the same of the issuers existed: "1949-1990", or "from 1991"."""
    starts = {c.started.year for c in concepts if c.started is not None}
    ends = {c.ended.year + 1 for c in concepts if c.ended is not None}
    cuts = sorted(starts | ends)
    low = max((cut for cut in cuts if cut <= years[0]), default=None)
    high = min((cut for cut in cuts if cut > years[1]), default=None)
    if low is None:
        return "" if high is None else f"to {high - 1}"
    return f"from {low}" if high is None else f"{low}-{high - 1}"


def _near(text: str, attribute: Attribute) -> tuple[Candidate, ...]:
    if not attribute.values:
        return ()
    near = nearest(text, [*attribute.values, *attribute.synonyms])
    value = attribute.synonyms.get(near, near) if near else None
    return () if value is None else (Candidate([value] if attribute.many else value, value, Sentence("looks alike")),)


def _as_listed(value: Any, attribute: Attribute) -> Any:
    """A word of an enumeration as the attribute writes it: capitals at the beginning of a cell mean nothing."""
    if isinstance(value, list):
        return [_as_listed(item, attribute) for item in value]
    if isinstance(value, dict) and isinstance(value.get("one_of"), list):
        return {**value, "one_of": _as_listed(value["one_of"], attribute)}
    if isinstance(value, dict) and value and set(value) <= {"has", "perhaps"}:
        return {name: _as_listed(terms, attribute) for name, terms in value.items()}
    if not isinstance(value, str) or value in attribute.values or value in attribute.synonyms:
        return value
    alike = [word for word in (*attribute.values, *attribute.synonyms) if word.casefold() == value.casefold()]
    return alike[0] if len(alike) == 1 else value


def _own(name: str, text: str) -> tuple[Any, list[Fault]]:
    if text == NONE:
        return None, []
    if name == "status" and text.lower() in STATUSES:
        return text.lower(), []
    if name == "mark" and text.lower() in MARKS:
        return text.lower(), []
    if name == "price_paid":
        return _price(text)
    if name == "tags":
        return read_list_cell(text)
    if name == "values":
        return read_json_cell(text, 'for example [{"basis": "paid", "amount": 120.50, "currency": "EUR"}]')
    if name == "photos":
        return read_json_cell(text)
    if (name == "issue" and text.startswith("{")) or (name == "quantity" and is_number(text)):
        return read_json_cell(text)
    return read_text_cell(text)


def _price(text: str) -> tuple[Any, list[Fault]]:
    """`12.50 EUR`, the currency before or after the amount, or JSON."""
    if text.startswith("{"):
        return read_json_cell(text)
    parts = text.split()
    for amount, currency in (parts, parts[::-1]) if len(parts) == 2 else ():
        if is_number(amount) and len(currency) == 3 and currency.isascii() and currency.isalpha():
            value, faults = read_json_cell(amount)
            return {"amount": value, "currency": currency.upper()}, faults
    return None, [
        Fault.of("price", "'{text}' is no amount with a currency", "", "for example 12.50 EUR", text=text[:40])
    ]
