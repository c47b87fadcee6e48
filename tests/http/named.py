"""Which coins an answer names, and what it says that they are."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

_ONE = ("holding", "coin")
_SEVERAL = ("holdings", "candidates", "tentative_candidates", "interchangeable_with")


def coins_named(part: Any) -> Iterator[str]:
    """Every id of a coin in an answer, outside of `named` and of the parts of messages."""
    if isinstance(part, list):
        for one in part:
            yield from coins_named(one)
    elif isinstance(part, dict):
        for name, value in part.items():
            if name in ("named", "parts"):
                continue
            if name in _ONE and isinstance(value, str):
                yield value
            elif name in _SEVERAL and isinstance(value, list) and all(isinstance(one, str) for one in value):
                yield from value
            else:
                yield from coins_named(value)


def ensure_all_named(part: Any) -> None:
    """Raises AssertionError unless everything in an answer that has `named` has a title for each coin that it names."""
    if isinstance(part, dict) and isinstance(part.get("named"), dict):
        ensure_named(part)
    for one in part if isinstance(part, list) else part.values() if isinstance(part, dict) else ():
        ensure_all_named(one)


def ensure_named(answer: Any) -> int:
    """Raises AssertionError unless the answer has a title for each coin that it names; how many it names."""
    ids = set(coins_named(answer))
    assert ids <= answer["named"].keys(), ids - answer["named"].keys()
    assert all(answer["named"][one]["title"] for one in ids)
    return len(ids)
