"""Pins and nevers before they are kept: the coins and places that they name are there. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from service.errors import Fault
from service.evaluation.places import Collection, lay_out
from service.facts.attributes import nearest
from service.facts.holding import views
from service.progress.measure import Measurement
from service.rules.predicates import Surroundings

Pairs = Sequence[tuple[str, str]]


def faults_of_decisions(request: Measurement, pins: Pairs, nevers: Pairs) -> list[Fault]:
    """All that is wrong with them, with pointers into {"pins": [...], "nevers": [...]}. A place of an open-ended group may
    be named before any coin shows its key."""
    around = Surroundings(request.today, request.vocabularies)
    seen = [views(holding, request.issues) for holding in request.holdings if holding.status in request.statuses]
    places = [place.address for place in lay_out(request.definition, Collection(seen, request.issues, around))]
    known = frozenset(places)
    open_groups = tuple(f"{group.id}/" for group in request.definition.one_per if group.keys.is_open)
    holdings = {holding.id for holding in request.holdings}
    faults: list[Fault] = []
    pinned = frozenset(pins)
    for name, pairs in (("pins", pins), ("nevers", nevers)):
        before: set[tuple[str, str]] = set()
        for number, (holding, place) in enumerate(pairs):
            at = f"/{name}/{number}"
            if holding not in holdings:
                faults.append(Fault("unknown-holding", f"there is no holding '{holding[:80]}' here", f"{at}/holding"))
            if place not in known and not any(place.startswith(g) and place != g for g in open_groups):
                near = nearest(place, places)
                hint = f"did you mean '{near}'?" if near else None
                faults.append(Fault("unknown-place", f"the set has no place '{place[:80]}'", f"{at}/place", hint))
            if (holding, place) in before:
                faults.append(Fault("clashing-id", "this stands here twice", at))
            if name == "nevers" and (holding, place) in pinned:
                message = f"{holding[:80]} is pinned to {place[:80]}, and is never to sit there"
                faults.append(Fault("contradiction", message, at, "keep one of the two"))
            before.add((holding, place))
    return faults
