"""Values that were found right: most values of a collection are few words, and each is looked at once. Pure."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Any

import msgspec

from service.facts.attributes import Attributes
from service.holdings.model import OWN_FIELDS, are_right

# As it would be written: 1.50 and 1.5 are two values.
_WRITTEN = msgspec.json.Encoder(decimal_format="number")


class RightValues:
    """What was right. A value is right or wrong by itself, a fact of some attributes together with the issuer of the coin."""

    def __init__(self, attributes: Attributes, kept: set[Hashable] | None = None) -> None:
        """`kept`: of facts by these attributes what was right in earlier requests; short ones are added."""
        self._attributes = attributes
        self._right: set[Hashable] = set()
        self._kept: set[Hashable] = set() if kept is None else kept

    def left(self, values: Mapping[str, Any], issuer: str | None) -> tuple[dict[str, Any], list[tuple[Any, ...]]]:
        """Those of these values that were not found right yet, and what to give to `add` if they are."""
        left: dict[str, Any] = {}
        keys: list[tuple[Any, ...]] = []
        right, kept, by_issuer = self._right, self._kept, self._attributes.by_issuer
        for name, value in values.items():
            of = issuer if name in by_issuer else None
            key = (name, of, value) if type(value) is str else _key(name, of, value)
            if key not in kept and key not in right:
                left[name] = value
                keys.append(key)
        return left, keys

    def add(self, keys: Iterable[tuple[Any, ...]]) -> None:
        """All of these are right."""
        for key in keys:
            (self._kept if _is_to_keep(key) else self._right).add(key)
        # Other threads may look meanwhile: they find less.
        if len(self._kept) > _MOST_KEPT:
            self._kept.clear()

    def learn(self, batch: Iterable[Mapping[str, Any]]) -> None:
        """Looks at the own fields of many holdings at once, each field's values together: where all of them are right they are
        noted. Of a field in which something is wrong nothing is."""
        columns: dict[str, list[Any]] = {}
        for values in batch:
            for name in values.keys() & _TOGETHER:
                if values[name] is not None:
                    columns.setdefault(name, []).append(values[name])
        for name, column in columns.items():
            if are_right(name, column):
                self._right.update(_key(name, None, value) for value in column)


_OWN = frozenset(OWN_FIELDS)
_MOST_KEPT, _LONGEST_KEPT = 20_000, 60

# A photo among flat values is no photo as a model knows it.
_TOGETHER = _OWN - {"photos"}


def _is_to_keep(key: tuple[Any, ...]) -> bool:
    """Whether it is about a fact, and short: what the owner notes besides is nobody else's."""
    last = key[-1]
    return key[0] not in _OWN and (not isinstance(last, str | bytes) or len(last) <= _LONGEST_KEPT)


def _key(name: str, of: str | None, value: Any) -> tuple[Any, ...]:
    """Equal for values that are the same in every respect: true is not 1, nor 1.50 the same as 1.5."""
    kind = type(value)
    if kind is str or kind is int or kind is bool:
        return name, of, kind, value
    return name, of, kind, _WRITTEN.encode(value)
