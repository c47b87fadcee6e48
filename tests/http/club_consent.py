"""Whether what others see of a member is what the member was told that they would see."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

NOTHING = {"standing": False, "spares": False, "display": False, "photos": False}
"""What is shown before anything is said."""


def told_beyond(
    preview: Mapping[str, Any],
    *,
    standing: Mapping[str, Any] | None = None,
    spares: Mapping[str, Any] | None = None,
    exhibits: Sequence[Mapping[str, Any]] = (),
) -> list[str]:
    """What another member sees (answers of the operations) and the preview did not say. `exhibits`: the member's own."""
    found = []
    if standing is not None:
        said = {place["place"]: place["status"] for place in preview["standing"]["places"]}
        found += [
            f"the place {place['place']} is {place['status']}"
            for place in standing["places"]
            if said.get(place["place"]) != place["status"]
        ]
    if spares is not None:
        known = {spare["id"]: (spare["pieces"], spare["places"]) for spare in preview["spares"]}
        found += [
            "a spare coin" for spare in spares["items"] if known.get(spare["id"]) != (spare["pieces"], spare["places"])
        ]
    lendable = {coin["coin"]: coin for coin in preview["display"]}
    for exhibit in exhibits:
        coin = lendable.get(exhibit["coin"])
        if coin is None:
            found.append("a coin in the display")
            continue
        found += [f"facts {name}" for name, value in exhibit["facts"].items() if coin["facts"].get(name) != value]
        found += [name for name in ("description", "issue") if exhibit[name] != coin[name]]
        known = [{**photo, "image": None} for photo in coin["photos"]]
        found += ["a photo" for photo in exhibit["photos"] if {**photo, "image": None} not in known]
    return found
