"""What tells whether a mutation that is sent again is the same one. Pure."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import msgspec

from service.holdings.sync.merge import Mutation
from service.holdings.sync.record import in_words

# Members in the order of their names' code points, as ever: a mutation that was logged long ago is compared by its hash.
_ORDERED = msgspec.json.Encoder(order="sorted", decimal_format="number")
# Most values; asked first, since whether something is a Mapping takes long to say.
_IN_ONE_FORM = frozenset((str, int, bool, type(None)))


def fingerprint_of(mutation: Mutation, edited_at: datetime) -> str:
    """The SHA-256 of what a mutation says, however it is written: 12.50 is 12.5, an instant is the same in every zone, and what
    is left out has its default. `edited_at` is what the device said, before it was clamped."""
    said = {
        "op": mutation.op,
        "id": mutation.holding,
        "patch": _plain(mutation.patch),
        "from": dict(mutation.seen),
        "writers": None if mutation.writers is None else dict(mutation.writers),
        "resolves": sorted(mutation.resolves),
        "revive": mutation.revive,
        "edited_at": in_words(edited_at.astimezone(UTC)),
    }
    return hashlib.sha256(_ORDERED.encode(said)).hexdigest()


def former_fingerprint_of(body: Mapping[str, Any]) -> str:
    """The SHA-256 of the members as they were written, whatever their order: so earlier versions noted what they logged."""
    return hashlib.sha256(_ORDERED.encode(body)).hexdigest()


def fingerprint_of_refused(body: Any) -> str:
    """Of what could not be read as a mutation; `body` has no values but those of JSON."""
    text = json.dumps(body, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:
    """The value with each number in one form."""
    if type(value) in _IN_ONE_FORM:
        return value
    if isinstance(value, dict):
        return {name: m if type(m) in _IN_ONE_FORM else _plain(m) for name, m in value.items()}
    if isinstance(value, Decimal):
        whole = value == value.to_integral_value()
        return int(value) if whole else value.normalize()
    if isinstance(value, Mapping):
        return _plain(dict(value))
    if not isinstance(value, list) or _IN_ONE_FORM.issuperset(map(type, value)):
        return value
    return [_plain(member) for member in value]
