"""A stored holding: what the owner recorded of one piece, and the merge of a patch into it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.errors import Fault
from service.facts.attributes import Attributes

FIELDS = ("facts", "issue", "quantity", "status", "number", "note", "location", "tags", "values")


@dataclass(frozen=True, slots=True)
class StoredHolding:
    """`data` has some of FIELDS, as plain values; what is left out has its default. `modseq` is the owner's state at the
    last change of this holding. `conflicts` is what stands against each other since two devices wrote unseen."""

    id: str
    modseq: int
    created_modseq: int
    data: Mapping[str, Any]
    created_at: datetime
    updated_at: datetime
    conflicts: tuple[Mapping[str, Any], ...] = ()


def with_defaults(data: Mapping[str, Any]) -> dict[str, Any]:
    """Every field of a holding, in a fixed order."""
    default: dict[str, Any] = {
        "facts": {}, "issue": None, "quantity": 1, "status": "held",
        "number": None, "note": None, "location": None, "tags": [], "values": [],
    }  # fmt: skip
    return {name: data.get(name, default[name]) for name in FIELDS}


def merged(target: Any, patch: Any) -> Any:
    """JSON Merge Patch (RFC 7396, section 2): null removes, objects merge, everything else replaces. New values;
    neither
    argument is changed."""
    if not isinstance(patch, Mapping):
        return patch
    result = dict(target) if isinstance(target, Mapping) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merged(result.get(name), value)
    return result


def unknown_attributes(facts: Iterable[str], attributes: Attributes) -> list[dict[str, str | None]]:
    """The names among the facts that neither the core nor a definition of the owner's declares, with the nearest
    known."""
    return [{"attribute": name, "did_you_mean": attributes.nearest(name)} for name in facts if name not in attributes]


def of_changed(faults: Iterable[Fault], before: Mapping[str, Any], after: Mapping[str, Any]) -> list[Fault]:
    """The faults (pointers relative to the facts) of facts that a change touches. A fact that was recorded before a
    definition gave its name another type must not stop the owner from changing something else."""
    touched = {f"/{name.replace('~', '~0').replace('/', '~1')}" for name in after if after[name] != before.get(name)}
    return [fault for fault in faults if fault.pointer == "" or "/" + fault.pointer.split("/")[1] in touched]
