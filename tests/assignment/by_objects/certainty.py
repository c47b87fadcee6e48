"""How firmly holdings stand, each asked of the flow of its whole component, with this package's `moved_out`.

Strong components, what is read from them and everything by the solver have not changed, and are those of the service:
`test_properties` compares them with brute force.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.assignment.certainty import (
    _MOST_ARCS,
    _NOT_KNOWN,
    FORCED,
    MOST_INSTEAD,
    Standing,
    _is_alone,
    _standing,
    strong_components,
    units_of,
)
from service.assignment.flow import EMPTY, FlowState
from tests.assignment.by_objects.flow import moved_out


def standings_by_flow(flow: FlowState, alike: Sequence[frozenset[int]]) -> dict[int, Standing]:
    """How firmly the holding of each filled place stands, in a component without side constraints. Linear in tight options
    where like places have the same ones; else each holding of a group is moved out by itself."""
    strong_component_of = strong_components(flow)
    found: dict[int, Standing] = {}
    arcs = sum(len(options) for options in flow.tight.values())
    allowed = _MOST_ARCS // max(1, arcs)
    for unit in units_of(flow.holding_of, alike):
        inside = {flow.holding_of[place] for place in unit} - {EMPTY}
        if not inside:
            continue
        same_options = len({tuple(flow.tight[place]) for place in unit}) == 1
        own = strong_component_of if len(unit) == 1 else None
        for holding in sorted(inside):
            places = [place for place in unit if flow.holding_of[place] == holding]
            stays_put = all(_is_alone(strong_component_of, flow, place) for place in places)
            if len(unit) > 1 and stays_put:
                found |= dict.fromkeys(places, FORCED)
            elif len(unit) == 1 or (same_options and flow.quantity[holding] == 1):
                if own is None:
                    own = strong_components(flow, unit)
                found |= dict.fromkeys(places, _standing(own, flow, unit[0], holding, inside))
            elif allowed > 0:
                allowed -= 1
                found |= dict.fromkeys(places, _moved_out(flow, unit, holding, inside))
            else:
                found |= dict.fromkeys(places, _NOT_KNOWN)
    return found


def _moved_out(flow: FlowState, unit: Sequence[int], holding: int, inside: set[int]) -> Standing:
    without = moved_out(flow, unit, holding)
    if without is None:
        return FORCED
    strong_component_of = strong_components(without)
    instead = sorted(
        {
            there
            for place in unit
            for there in without.tight[place]
            if there != EMPTY
            and there not in inside
            and strong_component_of[there] == strong_component_of[without.holding_of[place]]
        }
    )
    return Standing(False, tuple(instead[:MOST_INSTEAD]))
