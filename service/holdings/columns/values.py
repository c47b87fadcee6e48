"""The distinct values of an owner's holdings as JSON text, by column: what each of them says has to be read only once. Pure.

A column is an own field, or a fact. A value's code is its number in the column; code 0 is an own field's default, or of a fact
that it is not recorded. Codes are only ever added, by one writer at a time, so that versions of the columns share them; when
most are of values that were there once, the holdings are read anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import islice
from typing import Any, TypeVar

from service.database.types import written
from service.holdings.model import OWN_FIELDS, with_defaults

Key = TypeVar("Key")
# What a value takes beside its bytes: the object, its places in the list and the dictionary.
_OVERHEAD = 150
# So many values may always be met that no holding has any more.
_MOST_LEFT_BEHIND = 1_000
_DEFAULTS: Mapping[str, bytes] = {
    name: written(value).encode() for name, value in with_defaults({}).items() if name != "facts"
}


class Numbered(dict[Key, int]):
    """Numbers what is looked up, in the order in which it is met. `met[number]` is what has the number, once `settle` was called:
    before others see the numbers."""

    def __init__(self, first: Iterable[Key] = ()) -> None:
        super().__init__()
        for key in first:
            self[key]
        self.met = list(self)

    def __missing__(self, key: Key) -> int:
        number = self[key] = len(self)
        return number

    def settle(self) -> list[Key]:
        """Brings `met` up to date, and returns what is new."""
        new = list(islice(reversed(self), len(self) - len(self.met)))[::-1]
        self.met.extend(new)
        return new


class RawValues(Numbered[bytes]):
    """The values of one column by their JSON text."""

    def __init__(self, first: bytes = b"") -> None:
        super().__init__((first,))
        self.nbytes = 0

    def settle(self) -> list[bytes]:
        new = super().settle()
        self.nbytes += sum(map(len, new)) + _OVERHEAD * len(new)
        return new


class Dictionary:
    """All columns of one owner's holdings: `own` by the name of the field, `facts` by the name of the fact; the moments, as the
    driver gives them; and the orders in which facts stand in holdings, as their names."""

    def __init__(self) -> None:
        self.own = {name: RawValues(_DEFAULTS[name]) for name in OWN_FIELDS}
        self.facts: dict[str, RawValues] = {}
        self.instants = Numbered[object]()
        self.orders = Numbered[tuple[str, ...]]()
        # What values say, by what they are read under (`readings`).
        self.readings: dict[object, Any] = {}
        self._at_first: int | None = None

    def fact(self, name: str) -> RawValues:
        """The values of a fact."""
        found = self.facts.get(name)
        if found is None:
            found = self.facts[name] = RawValues()
        return found

    def settle(self) -> None:
        """To be called before others see new codes."""
        for column in (*self.own.values(), *self.facts.values()):
            column.settle()
        self.instants.settle()
        self.orders.settle()

    def complete(self) -> None:
        """To be called when all holdings were read: what is met from now on comes of changes."""
        self._at_first = self._count()

    @property
    def is_outgrown(self) -> bool:
        """Whether changes brought more values than the holdings had: each edit leaves at least one behind, the moment before."""
        return self._at_first is not None and self._count() > 2 * self._at_first + _MOST_LEFT_BEHIND

    def _count(self) -> int:
        columns = (*self.own.values(), *list(self.facts.values()))
        return sum(map(len, columns)) + len(self.instants) + len(self.orders)

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        columns = sum(values.nbytes for values in (*self.own.values(), *list(self.facts.values())))
        return columns + _OVERHEAD * (len(self.instants) + len(self.orders)) + 1_000
