"""What the facts of many holdings say, as an attribute reads them: each distinct value is read once. Pure."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from service.database.types import read_back
from service.evaluation.attribute_column import AttributeColumn
from service.facts.attributes import Attribute, Attributes, NamesByIssuer
from service.facts.holding import read_facts
from service.facts.knowledge import Knowledge
from service.holdings.columns.blocks import Codes
from service.holdings.columns.held import HoldingColumns
from service.holdings.columns.values import RawValues

_MOST_KEPT = 2_000
ISSUER = "issuer"


@dataclass(frozen=True, slots=True)
class ReadValues:
    """Of each value of a fact, by its code, the number of what it says among `entries`, where equal ones are one and 0 is
    nothing; and the codes of the values that do not fit the attribute, whose number is 0 too."""

    codes: Codes
    entries: tuple[Knowledge | None, ...] = (None,)
    unfit: frozenset[int] = frozenset()
    number_of: Mapping[Knowledge | None, int] = field(default_factory=lambda: {None: 0}, repr=False)


@dataclass(frozen=True, slots=True)
class FactColumn:
    """A fact of every holding. `unfit`: whether the value that is recorded was left out, shape (holdings,); None where none
    was."""

    column: AttributeColumn
    unfit: npt.NDArray[np.bool_] | None = None

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        return self.column.codes.nbytes + 100 * len(self.column.entries)


def fact_column(held: HoldingColumns, name: str, attributes: Attributes) -> FactColumn:
    """What the fact of this name says, as the attributes read it. One that they do not have says nothing."""
    values = held.dictionary.facts.get(name)
    if values is None:
        return FactColumn(AttributeColumn(np.zeros(len(held), np.int32), (None,)))
    by_issuer = _readers(held, name, attributes)
    key = ("fact", name, tuple(sorted((code, _declaration(reader)) for code, reader in by_issuer.items())))

    def column() -> FactColumn:
        tables = {code: _read(held, values, name, reader) for code, reader in by_issuer.items()}
        return _column(held, name, tables)

    found: FactColumn = held.remember(key, column)
    return found


def _readers(held: HoldingColumns, name: str, attributes: Attributes) -> dict[int, Attribute | None]:
    """How the fact is read, by the code of the issuer; -1 stands for all other codes."""
    usual = attributes.get(name)
    found: dict[int, Attribute | None] = {-1: usual}
    issuers = held.dictionary.facts.get(ISSUER)
    if issuers is not None and attributes.is_by_issuer(name):
        for code, raw in enumerate(issuers.met):
            if raw.startswith(b'"'):
                reader = attributes.of_issuer(name, read_back(raw.decode()))
                if reader is not usual:
                    found[code] = reader
    return found


def _column(held: HoldingColumns, name: str, tables: Mapping[int, ReadValues]) -> FactColumn:
    raw = held.fact(name)
    usual = tables[-1]
    codes, entries, unfit = usual.codes[raw], usual.entries, usual.unfit
    wrong = np.isin(raw, list(unfit)) if unfit else None
    others = {code: table for code, table in tables.items() if code != -1}
    if others:
        issuers = held.fact(ISSUER)
        number_of = dict(usual.number_of)
        for code, table in others.items():
            rows = np.flatnonzero(issuers == code)
            renumbered = np.array([number_of.setdefault(entry, len(number_of)) for entry in table.entries], np.int32)
            codes[rows] = renumbered[table.codes[raw[rows]]]
            if table.unfit or wrong is not None:
                wrong = np.zeros(len(held), bool) if wrong is None else wrong
                wrong[rows] = np.isin(raw[rows], list(table.unfit))
        entries = tuple(number_of)
    codes.flags.writeable = False
    return FactColumn(AttributeColumn(codes, entries), wrong if wrong is not None and wrong.any() else None)


def own_column(held: HoldingColumns, name: str, read: Callable[[Any], Knowledge]) -> AttributeColumn:
    """What an own field says of every holding, which is read by `read`."""

    def column() -> FactColumn:
        found = _read_all(
            held, held.dictionary.own[name], ("own", name), lambda raw: (read(read_back(raw.decode())), False)
        )
        return FactColumn(AttributeColumn(found.codes[held.own(name)], found.entries))

    found: FactColumn = held.remember(("own", name), column)
    return found.column


def own_texts(held: HoldingColumns, name: str) -> Sequence[str | None]:
    """What each code of an own field says that is a text; None where it is empty."""
    known, values = held.dictionary.readings, held.dictionary.own[name].met
    before: Sequence[str | None] = known.get(("texts", name), ())
    if len(before) < len(values):
        more = [_TEXT_OF.decode(raw) for raw in values[len(before) :]]
        before = known["texts", name] = [*before, *more]
    return before


_TEXT_OF = msgspec.json.Decoder(str | None)


def _read(held: HoldingColumns, values: RawValues, name: str, attribute: Attribute | None) -> ReadValues:
    """What all values of the fact say to the attribute."""
    table = Attributes(() if attribute is None else (attribute,))

    def read(raw: bytes) -> tuple[Knowledge | None, bool]:
        if raw == b"":
            return None, False
        facts, faults = read_facts({name: read_back(raw.decode())}, table, strict=False)
        return facts.get(name), bool(faults)

    return _read_all(held, values, (name, _declaration(attribute)), read)


def _read_all(
    held: HoldingColumns, values: RawValues, key: Hashable, read: Callable[[bytes], tuple[Knowledge | None, bool]]
) -> ReadValues:
    """What all values of a column say, and whether they are unfit; those that were read before are not read again."""
    known = held.dictionary.readings
    before: ReadValues = known.get(key) or ReadValues(np.zeros(0, np.int32))
    new = values.met[len(before.codes) :]
    if not new:
        return before
    number_of, codes, unfit = dict(before.number_of), list[int](), set[int]()
    for raw in new:
        knowledge, is_unfit = read(raw)
        codes.append(number_of.setdefault(knowledge, len(number_of)))
        if is_unfit:
            unfit.add(len(before.codes) + len(codes) - 1)
    if len(known) >= _MOST_KEPT:
        known.clear()
    found = known[key] = ReadValues(
        np.concatenate((before.codes, np.array(codes, np.int32))), tuple(number_of), before.unfit | unfit, number_of
    )
    return found


def _declaration(attribute: Attribute | None) -> Hashable:
    """Attributes of one declaration read every value alike."""
    if attribute is None:
        return ()
    synonyms = attribute.synonyms
    # Names of terms are too many to be listed, and know when they are the same.
    names = synonyms if isinstance(synonyms, NamesByIssuer) else frozenset(synonyms.items())
    return (attribute.type, attribute.many, attribute.values, attribute.low, attribute.high, names)
