"""Evaluations that were stored by earlier versions of the service, with the members that an evaluation has now. Pure.

Nothing is judged again: what was recorded stays, what was not is empty, and a text without a code is a part of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.progress.description import NOTHING

_NEW_LISTS = ("goals", "pages", "levels")


def as_now(evaluation: Mapping[str, Any], named: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """A stored evaluation as it would be sent now. `named` are number and title of coins, where they are known."""
    found = {**dict.fromkeys(_NEW_LISTS, ()), "conflicts_left_out": 0, **evaluation}
    found["summary"] = summary_as_now(found["summary"])
    found["conflicts"] = [_conflict(conflict) for conflict in found["conflicts"]]
    found["unplaced"] = [_unplaced(entry) for entry in found["unplaced"]]
    if "ignored_facts" in found:
        found["ignored_facts"] = [_worded(entry) for entry in found["ignored_facts"]]
    if "named" not in found:
        unknown = {"number": None, "title": NOTHING}
        found["named"] = {name: dict(named.get(name, unknown)) for name in sorted(set(_holdings(found)))}
    return found


def summary_as_now(summary: Mapping[str, Any]) -> Any:
    """Figures as they would be sent now."""
    return {"presumed": 0, **summary}


def _worded(entry: Mapping[str, Any]) -> dict[str, Any]:
    if "code" in entry:
        return dict(entry)
    return {**entry, "code": "as-recorded", "parts": {"text": entry["message"]}}


def _conflict(conflict: Mapping[str, Any]) -> dict[str, Any]:
    found = _worded(conflict)
    if found["kind"] == "constraint":
        found.setdefault("label", found["constraint"])
    if found["kind"] in ("pin", "claimed"):
        found.setdefault("label", found["place"])
    if "settle" in found:
        found["settle"] = [_fact(fact) for fact in found["settle"]]
    return found


def _fact(fact: Mapping[str, Any]) -> dict[str, Any]:
    outcomes = fact["outcomes"]
    if isinstance(outcomes, Mapping):
        outcomes = [{"when": when, "example": None, "places": places} for when, places in outcomes.items()]
    return {**fact, "outcomes": outcomes}


def _unplaced(entry: Mapping[str, Any]) -> dict[str, Any]:
    closest = entry.get("closest")
    if not isinstance(closest, Mapping):
        return dict(entry)
    return {**entry, "closest": {"label": closest["place"], "clauses": closest["failing"], **closest}}


def _holdings(part: Any) -> Iterator[str]:
    """Every holding that is named, however deep."""
    if isinstance(part, Mapping):
        for name, value in part.items():
            if name == "holding" and isinstance(value, str):
                yield value
            elif name in ("holdings", "candidates", "tentative_candidates", "interchangeable_with"):
                yield from value
            else:
                yield from _holdings(value)
    elif isinstance(part, list | tuple):
        for one in part:
            yield from _holdings(one)
