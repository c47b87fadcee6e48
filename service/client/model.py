"""Names, ids and numbers as a device has them. Pure but for the randomness of a new id."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

import msgspec

Mutation = dict[str, Any]
OWN_FIELDS = (
    *("issue", "quantity", "status", "number", "note", "location", "tags", "values"),
    *("mark", "price_paid", "bought_from", "bought_on", "photos"),
)
_PREFIX = "facts."
_ABOUT = ("id", "facts", "destroyed", "destroyed_by", "writers", "conflicts", "created_at", "updated_at")
_ENCODER = msgspec.json.Encoder(decimal_format="number")
_DECODER = msgspec.json.Decoder(float_hook=Decimal)


def as_json(value: Any) -> bytes:
    """JSON with exact numbers. Raises ValueError for one that JSON does not have."""
    _ensure_finite(value)
    return _ENCODER.encode(value)


def from_json(raw: bytes | str) -> Any:
    """The opposite; a number with a point is a Decimal, so that it goes back as it came. Raises ValueError."""
    return _DECODER.decode(raw)


def _ensure_finite(value: Any) -> None:
    if isinstance(value, Mapping):
        for item in value.values():
            _ensure_finite(item)
    elif isinstance(value, list | tuple):
        for item in value:
            _ensure_finite(item)
    elif isinstance(value, float | Decimal) and not Decimal(value).is_finite():
        # Written as null it would remove what is recorded.
        raise ValueError(f"{value} is no number that a holding can have")


def named(facts: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """Facts and own fields by the names that sync uses."""
    return {**{f"{_PREFIX}{name}" if name in OWN_FIELDS else name: value for name, value in facts.items()}, **own}


def flat(record: Mapping[str, Any]) -> dict[str, Any]:
    """The values of a record by the names that sync uses: all those that have a writer. An own field that only newer services
    know is among them: sent in a copy without its value, it would count as removed."""
    facts = record.get("facts", {})
    found: dict[str, Any] = {}
    for name in record.get("writers", {}):
        if name in OWN_FIELDS:
            value = record.get(name)
        elif name in facts:
            value = facts[name]
        elif name.startswith(_PREFIX):
            value = facts.get(name.removeprefix(_PREFIX))
        else:
            value = None if name in _ABOUT else record.get(name)
        if value is not None:
            found[name] = value
    return found


def by_name(record: Mapping[str, Any]) -> Mapping[str, Any]:
    """A record whose writers came grouped (`writers=grouped`: by writer the names), with the writer of each name."""
    writers = {
        name: writer
        for writer, names in record.get("writers", {}).items()
        for name in (names if isinstance(names, list) else [])
    }
    return {**record, "writers": writers}


def is_whole(record: Mapping[str, Any]) -> bool:
    """Whether the record may be sent as a copy. One that was asked for with `fields` has a part of the values alone."""
    return not record.get("partial", False)


def new_id(now: datetime) -> str:
    """A UUID of version 7 (RFC 9562, section 5.7): 48 bits of Unix milliseconds, then random bits."""
    number = int(now.timestamp() * 1000) << 80 | 7 << 76 | secrets.randbits(12) << 64 | 2 << 62 | secrets.randbits(62)
    text = f"{number:032x}"
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


def is_newer(state: str, than: str | None) -> bool:
    """Whether a state of one history comes after another. All else about a state is the service's own affair."""
    return than is None or int(state.partition(".")[0]) > int(than.partition(".")[0])
