"""Values that were found right in one request: most values of a collection are few words, and each is looked at once. Pure."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Any

from service.facts.attributes import Attributes


class RightValues:
    """What was right. A value is right or wrong by itself, a fact of some attributes together with the issuer of the coin."""

    def __init__(self, attributes: Attributes) -> None:
        self._attributes = attributes
        self._right: set[Hashable] = set()

    def left(self, values: Mapping[str, Any], issuer: str | None) -> tuple[dict[str, Any], list[Hashable]]:
        """Those of these values that were not found right yet, and what to give to `add` if they are."""
        left: dict[str, Any] = {}
        keys: list[Hashable] = []
        right, is_by_issuer = self._right, self._attributes.is_by_issuer
        for name, value in values.items():
            kind = type(value)
            of = issuer if is_by_issuer(name) else None
            key: Hashable = None
            # Equal values of these types are the same in every respect; 1.50 and 1.5 are not.
            if kind is str:
                key = (name, of, value)
            elif kind is int or kind is bool:
                key = (name, of, kind, value)
            elif kind is list and all(type(item) is str for item in value):
                key = (name, of, kind, *value)
            if key is None or key not in right:
                left[name] = value
                keys.append(key)
        return left, keys

    def add(self, keys: Iterable[Hashable]) -> None:
        """All of these are right."""
        self._right.update(keys)
        self._right.discard(None)
