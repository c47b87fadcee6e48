"""The own fields and the facts of a holding in one mapping, as sync names them: an own field by its name, a fact by its name
too, or as `facts.NAME` where an own field has that name. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any

from msgspec import Meta

from service.holdings.model import HOLDING_FIELDS, with_defaults
from service.holdings.sync.merge import ValueConflict

OWN = tuple(name for name in HOLDING_FIELDS if name != "facts")
_PREFIX = "facts."

# A value by its flat name, in answers: a fact, or an own field; null where there is none.
FlatValue = Annotated[
    Any,
    Meta(
        extra_json_schema={
            "anyOf": [
                {"$ref": "#/components/schemas/RecordedFact"},
                {"type": "array", "items": {"$ref": "#/components/schemas/PieceValue"}},
                {"type": "null"},
            ]
        }
    ),
]


def flattened(data: Mapping[str, Any]) -> dict[str, Any]:
    """Own fields that differ from their default, and all facts."""
    default = with_defaults({})
    own = {name: data[name] for name in OWN if name in data and data[name] != default[name]}
    return {**own, **{_name_of(fact): value for fact, value in data.get("facts", {}).items()}}


def unflattened(values: Mapping[str, Any]) -> dict[str, Any]:
    """The opposite, with every field."""
    own = {name: value for name, value in values.items() if name in OWN}
    return with_defaults({**own, "facts": {fact_of(name): v for name, v in values.items() if name not in OWN}})


def fact_of(name: str) -> str:
    """The fact with this flat name."""
    return name.removeprefix(_PREFIX) if name.removeprefix(_PREFIX) in HOLDING_FIELDS else name


def _name_of(fact: str) -> str:
    return f"{_PREFIX}{fact}" if fact in HOLDING_FIELDS else fact


def patch_between(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """What has to be patched to make the one into the other; None removes."""
    changed = {name: value for name, value in after.items() if name not in before or before[name] != value}
    return {**changed, **{name: None for name in before if name not in after}}


def with_doubts(data: Mapping[str, Any], conflicts: Sequence[ValueConflict]) -> Mapping[str, Any]:
    """The holding as the rules engine takes it: a fact with an open conflict is one of its values (sync.md); one that may
    have been removed, or whose values cannot be alternatives, is not known at all."""
    doubtful: dict[str, list[Any]] = {}
    for conflict in conflicts:
        if conflict.kind == "value" and conflict.attribute is not None and conflict.attribute not in OWN:
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
        "edited_at": conflict.at.isoformat().replace("+00:00", "Z"),
    }
    if conflict.kind == "value":
        entry |= {"attribute": conflict.attribute, "value": conflict.value}
    if conflict.patch is not None:
        entry["patch"] = dict(conflict.patch)
    return entry


def value_conflict_from_json(entry: Mapping[str, Any]) -> ValueConflict:
    return ValueConflict(
        entry["id"],
        entry["kind"],
        entry["mutation_id"],
        datetime.fromisoformat(entry["edited_at"].replace("Z", "+00:00")),
        entry.get("attribute"),
        entry.get("value"),
        entry.get("patch"),
    )
