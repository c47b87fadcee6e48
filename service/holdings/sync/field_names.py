"""The own fields and the facts of a holding in one mapping, as sync names them: an own field by its name, a fact by its name
too, or as `facts.NAME` where an own field has that name. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any

from msgspec import Meta

from service.holdings.model import HOLDING_FIELDS, OWN_FIELDS, with_defaults
from service.holdings.sync.merge import ValueConflict

_PREFIX = "facts."
_OWN, _FIELDS = frozenset(OWN_FIELDS), frozenset(HOLDING_FIELDS)
_DEFAULTS = with_defaults({})

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
    own, facts = own_and_facts(values)
    return with_defaults({**own, "facts": facts})


def own_and_facts(values: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Own fields, and facts by their own names."""
    own: dict[str, Any] = {}
    facts: dict[str, Any] = {}
    for name, value in values.items():
        if name in _OWN:
            own[name] = value
        else:
            facts[fact_of(name)] = value
    return own, facts


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
    return {name: data[name] for name in OWN_FIELDS if name in data and data[name] != _DEFAULTS[name]}


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
