"""Attributes: what can be known of a coin, each with its type, unit, vocabulary and where to look."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from types import MappingProxyType
from typing import Any, Protocol, runtime_checkable

import msgspec

from service.facts.words import nearest

_MOST_KEPT = 10_000
TYPES = ("text", "integer", "decimal", "boolean", "date", "timestamp")


@dataclass(frozen=True, slots=True)
class Attribute:
    """One attribute.

    `type` is one of TYPES; `many` makes it a list of texts (only for type text). `values` closes a
    text attribute to an enumeration; `vocabulary` names the concept scheme that its terms come from
    (open: a term outside the scheme is kept, and stands below nothing). `synonyms` maps another trade
    word for a value to the value kept. `low` and `high` bound numbers (both included).
    """

    name: str
    type: str
    many: bool = False
    unit: str | None = None
    vocabulary: str | None = None
    values: tuple[str, ...] = ()
    synonyms: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    low: int | None = None
    high: int | None = None
    label: str = ""
    help: str = ""
    look_at: str = ""
    source: str = ""

    @property
    def is_number(self) -> bool:
        return self.type in ("integer", "decimal")

    @property
    def is_ordered(self) -> bool:
        """Whether `{"from", "to"}` may be said of it."""
        return self.type in ("integer", "decimal", "date", "timestamp")


@runtime_checkable
class NamesByIssuer(Protocol):
    """Synonyms of which some hold for coins of one issuer only."""

    def of_issuer(self, issuer: str) -> Mapping[str, str] | None:
        """All that hold on coins of the issuer; None where it has none of its own."""


class Attributes(Mapping[str, Attribute]):
    """A table of attributes by name; knows the nearest name to one that it does not hold."""

    def __init__(self, entries: Iterable[Attribute] = ()) -> None:
        self._entries = {entry.name: entry for entry in entries}
        self._of_issuer: dict[tuple[str, str], Attribute] = {}

    def __getitem__(self, name: str) -> Attribute:
        return self._entries[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)

    def nearest(self, name: str) -> str | None:
        """The known name that is near enough to `name` to be meant, or None."""
        return nearest(name, self._entries)

    def of_issuer(self, name: str, issuer: Any) -> Attribute | None:
        """The attribute as it is read on coins of this issuer, whose short names for terms count (a quarter). `issuer`: as it is
        recorded; anything but a text says nothing."""
        by_issuer = self._by_issuer.get(name)
        if by_issuer is None or not isinstance(issuer, str):
            return self._entries.get(name)
        key = (name, issuer)
        # Other threads may clear the table meanwhile.
        known = self._of_issuer.get(key)
        if known is None:
            entry = self._entries.get("issuer")
            term = issuer if entry is None else entry.synonyms.get(issuer, issuer)
            attribute, names = self._entries[name], by_issuer.of_issuer(term)
            if len(self._of_issuer) >= _MOST_KEPT:
                self._of_issuer.clear()
            known = self._of_issuer[key] = attribute if names is None else replace(attribute, synonyms=names)
        return known

    @property
    def by_issuer(self) -> Collection[str]:
        """The attributes that may be read otherwise on coins of some issuers."""
        return self._by_issuer

    def is_by_issuer(self, name: str) -> bool:
        """Whether it is one of these."""
        return name in self._by_issuer

    @cached_property
    def _by_issuer(self) -> Mapping[str, NamesByIssuer]:
        # Looked up once: to ask a protocol is dear, and facts are read for every coin.
        return {
            name: entry.synonyms for name, entry in self._entries.items() if isinstance(entry.synonyms, NamesByIssuer)
        }

    def extended(self, more: Iterable[Attribute]) -> Attributes:
        """This table with more entries; a later one of the same name wins."""
        return Attributes([*self._entries.values(), *more])


class UnknownAttribute(msgspec.Struct, frozen=True):
    """A fact whose attribute neither the core nor a definition of the owner's declares, with the nearest one that is known."""

    attribute: str
    did_you_mean: str | None


def unknown_attributes(names: Iterable[str], attributes: Attributes) -> list[UnknownAttribute]:
    """The names that are not in the table."""
    return [UnknownAttribute(name, attributes.nearest(name)) for name in names if name not in attributes]
