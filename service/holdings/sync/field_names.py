"""The own fields and the facts of a holding in one mapping, as sync names them: an own field by its name, a fact by its name
too, or as `facts.NAME` where an own field has that name. Pure.

Among flat values a photo is one text, so that photos merge as terms do; in holdings and on the wire it is an object."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any

from msgspec import Meta

from service.errors import Invalid
from service.formats.shapes import read
from service.holdings.model import HOLDING_FIELDS, OWN_FIELDS, PhotoIn, with_defaults
from service.holdings.sync.record import ValueConflict, Written, WrittenBy, in_words

PHOTOS = "photos"
_PREFIX = "facts."
OWN_NAMES = frozenset(OWN_FIELDS)
_FIELDS = frozenset(HOLDING_FIELDS)
_DEFAULTS = with_defaults({})

# Own fields whose lists merge by element, whatever the elements are.
MERGED_FIELDS = frozenset(("tags", PHOTOS))

# A value by its flat name, in answers: a fact, or an own field; null where there is none.
FlatValue = Annotated[
    Any,
    Meta(
        extra_json_schema={
            "anyOf": [
                {"$ref": "#/components/schemas/RecordedFact"},
                {"type": "array", "items": {"$ref": "#/components/schemas/PieceValue"}},
                {"type": "array", "items": {"$ref": "#/components/schemas/HeldPhoto"}},
                {"type": "null"},
            ]
        }
    ),
]


def flattened(data: Mapping[str, Any]) -> dict[str, Any]:
    """Own fields that differ from their default, and all facts."""
    facts = data.get("facts", {})
    if facts.keys().isdisjoint(_FIELDS):
        return {**_own(data), **facts}
    return {**_own(data), **{_name_of(fact): value for fact, value in facts.items()}}


def kept_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """`flattened(unflattened(values))`: the values as they will be read once they are stored."""
    if "facts" in values:
        return flattened(unflattened(values))
    own = _own(values)
    return own | {name: value for name, value in values.items() if name not in _FIELDS}


def unflattened(values: Mapping[str, Any]) -> dict[str, Any]:
    """The opposite, with every field."""
    whole = with_defaults({})
    _put_apart(values, whole, whole["facts"])
    return whole


def own_and_facts(values: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Own fields, and facts by their own names."""
    own: dict[str, Any] = {}
    facts: dict[str, Any] = {}
    _put_apart(values, own, facts)
    return own, facts


def _put_apart(values: Mapping[str, Any], own: dict[str, Any], facts: dict[str, Any]) -> None:
    for name, value in values.items():
        if name in OWN_NAMES:
            own[name] = value if name != PHOTOS else as_told(name, value)
        else:
            facts[fact_of(name) if name.startswith(_PREFIX) else name] = value


def fact_of(name: str) -> str:
    """The fact with this flat name."""
    if not name.startswith(_PREFIX):
        return name
    bare = name.removeprefix(_PREFIX)
    return bare if bare in _FIELDS else name


def _name_of(fact: str) -> str:
    return f"{_PREFIX}{fact}" if fact in _FIELDS else fact


def _own(data: Mapping[str, Any]) -> dict[str, Any]:
    """Own fields that differ from their default, in the order of fields."""
    own = {name: data[name] for name in OWN_FIELDS if name in data and data[name] != _DEFAULTS[name]}
    if isinstance(own.get(PHOTOS), list):
        own[PHOTOS] = [photo_text(**photo) if _is_photo(photo) else photo for photo in own[PHOTOS]]
    return own


# --- photos --------------------------------------------------------------------------------------------------------------


def as_told(name: str, value: Any) -> Any:
    """A flat value as it is told: photos are objects."""
    if name != PHOTOS or not isinstance(value, list):
        return value
    return [_photo_of(item) if isinstance(item, str) else item for item in value]


def as_taken(name: str, value: Any) -> Any:
    """The opposite, for a value that a device sent: its photos as texts, each once. A list in which something is no photo is
    no list of texts, so that it is found wrong."""
    if name != PHOTOS or not isinstance(value, list):
        return value
    try:
        return list(dict.fromkeys(photo_text(**read(PhotoIn, item).model_dump()) for item in value))
    except Invalid:
        return [[item] if isinstance(item, str) else item for item in value]


def all_as_told(values: Mapping[str, Any]) -> dict[str, Any]:
    """Flat values as they are told."""
    return {name: as_told(name, value) for name, value in values.items()}


def all_as_taken(values: Mapping[str, Any]) -> dict[str, Any]:
    """Values that a device sent, as flat values."""
    if PHOTOS not in values:
        return dict(values)
    return {name: as_taken(name, value) for name, value in values.items()}


def photos_in(values: Mapping[str, Any]) -> list[tuple[str, str, str | None]]:
    """Of the photos among flat values: SHA-256, side, and when it was taken."""
    if PHOTOS not in values:
        return []
    photos = as_told(PHOTOS, values[PHOTOS])
    return [(photo["sha256"], photo["side"], photo["taken_at"]) for photo in photos]


def photo_text(sha256: str, side: str, taken_at: str | None) -> str:
    """A photo among flat values."""
    return " ".join(filter(None, (sha256, side, taken_at)))


def _is_photo(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and set(value) == {"sha256", "side", "taken_at"}
        and all(isinstance(part, str) for part in value.values() if part is not None)
    )


def _photo_of(text: str) -> dict[str, Any] | str:
    """The opposite; what was never a photo stays, to be found wrong."""
    parts = text.split(" ")
    if len(parts) not in (2, 3):
        return text
    return {"sha256": parts[0], "side": parts[1], "taken_at": parts[2] if len(parts) == 3 else None}


def settled(name: str, value: Any) -> Any:
    """The value as it is kept: an own field at its default, or an empty list, is removed (None), and a list that merges by
    element that is removed is empty."""
    if name in MERGED_FIELDS:
        return [] if value is None else value
    if name not in OWN_NAMES or isinstance(value, bool):
        return value
    return None if value == [] or value == _DEFAULTS[name] else value


def shown_value(name: str, value: Any) -> Any:
    """The opposite: an own field that was removed has its default."""
    return _DEFAULTS[name] if value is None and name in OWN_NAMES else value


def patch_between(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """What has to be patched to make the one into the other; None removes."""
    changed = {name: value for name, value in after.items() if name not in before or before[name] != value}
    return {**changed, **{name: None for name in before if name not in after}}


def with_doubts(data: Mapping[str, Any], conflicts: Sequence[ValueConflict]) -> Mapping[str, Any]:
    """The holding as the rules engine takes it: a fact with an open conflict is one of its values (sync.md); one that may
    have been removed, or whose values cannot be alternatives, is not known at all."""
    doubtful: dict[str, list[Any]] = {}
    for conflict in conflicts:
        if conflict.kind == "value" and conflict.attribute is not None and conflict.attribute not in OWN_FIELDS:
            doubtful.setdefault(fact_of(conflict.attribute), []).append(conflict.value)
    if not doubtful:
        return data
    facts = dict(data.get("facts", {}))
    for name, others in doubtful.items():
        if name not in facts:
            continue
        values: list[Any] = []
        for value in (facts[name], *others):
            values.extend(value["one_of"] if isinstance(value, dict) and set(value) == {"one_of"} else [value])
        plain = [value for value in values if not isinstance(value, dict | list) and value is not None]
        if len(plain) == len(values):
            facts[name] = {"one_of": list(dict.fromkeys(plain))}
        else:
            del facts[name]
    return {**data, "facts": facts}


def value_conflict_as_json(conflict: ValueConflict) -> dict[str, Any]:
    """A conflict as it is kept; `value` is a member of those of kind `value` only, null where it was removed."""
    entry: dict[str, Any] = {
        "id": conflict.id,
        "kind": conflict.kind,
        "mutation_id": conflict.mutation,
        "edited_at": _instant(conflict.at),
    }
    if conflict.kind == "value":
        entry |= {"attribute": conflict.attribute, "value": conflict.value}
        written = conflict.written
        if written is not None and written != _one_writer(conflict.mutation, conflict.at):
            entry["written"] = written_as_json(written)
    if conflict.patch is not None:
        entry["patch"] = dict(conflict.patch)
    if conflict.received is not None:
        entry |= {"client": conflict.client, "received": _instant(conflict.received)}
    return entry


def value_conflict_from_json(entry: Mapping[str, Any]) -> ValueConflict:
    """The opposite."""
    at, received, written = _read_instant(entry["edited_at"]), entry.get("received"), None
    if entry["kind"] == "value":
        several = entry.get("written")
        written = _one_writer(entry["mutation_id"], at) if several is None else written_from_json(several)
    return ValueConflict(
        entry["id"],
        entry["kind"],
        entry["mutation_id"],
        at,
        entry.get("attribute"),
        entry.get("value"),
        entry.get("patch"),
        written,
        entry.get("client"),
        None if received is None else _read_instant(received),
    )


def _one_writer(mutation: str, at: datetime) -> Written:
    return Written((WrittenBy(mutation, at),))


def written_as_json(written: Written) -> Any:
    """Who wrote a value, as it is kept: [mutation id, instant] where there is nothing else to say."""
    if len(written.writers) == 1 and written.elements is None and written.mark is None and not written.awaited:
        return [written.writers[0].by, in_words(written.writers[0].at)]
    entry: dict[str, Any] = {"by": [[writer.by, in_words(writer.at)] for writer in written.writers]}
    if written.elements is not None:
        entry["elements"] = [[element, list(by)] for element, by in written.elements]
    if written.mark is not None:
        entry["mark"] = written.mark
    return {**entry, "awaited": list(written.awaited)} if written.awaited else entry


def written_from_json(entry: Any) -> Written:
    """The opposite."""
    if isinstance(entry, list):
        return Written((WrittenBy(entry[0], datetime.fromisoformat(entry[1])),))
    elements = entry.get("elements")
    return Written(
        tuple(WrittenBy(by, datetime.fromisoformat(at)) for by, at in entry["by"]),
        None if elements is None else tuple((element, tuple(by)) for element, by in elements),
        entry.get("mark"),
        tuple(entry.get("awaited", ())),
    )


def _instant(at: datetime) -> str:
    return in_words(at).replace("+00:00", "Z")


def _read_instant(text: str) -> datetime:
    return datetime.fromisoformat(text.replace("Z", "+00:00"))
