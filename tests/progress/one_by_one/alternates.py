"""Runners-up, edge by edge: what `service.progress.alternates` does on arrays, as it was first written."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.problem import Basis, Edge, Placement
from service.facts.knowledge import plain_number
from service.progress.result import Alternate, LosesOn, criterion_of, doubt_name
from service.rules.preferences import Preference

MOST_ALTERNATES = 20


def alternates_of(instance: Instance, at: int, seats: Mapping[int, Placement]) -> list[Alternate]:
    """Up to 20 runners-up, the best first. `loses_on` is the first level on which the coin is worse than the one placed;
    `set` where it is not worse by itself but the set as a whole would be."""
    edges = instance.edges_at(at)
    seat = seats.get(at)
    placed = edges.get(seat.holding) if seat is not None else None
    used = Counter(placement.holding for placement in seats.values())
    free = [edge for coin, edge in edges.items() if used[coin] < instance.holdings[coin].quantity]
    free = [edge for edge in free if placed is None or edge.holding != placed.holding]
    free.sort(key=lambda edge: standing(instance, edge))
    return [
        Alternate(instance.holdings[edge.holding].id, _loses_on(instance, at, edge, placed))
        for edge in free[:MOST_ALTERNATES]
    ]


def standing(instance: Instance, edge: Edge) -> tuple[object, ...]:
    """How good an edge is by itself, level by level; less is better."""
    doubt = (edge.basis.counted, edge.to_check if edge.basis is not Basis.FIRM else 0, edge.presumed)
    return (not _is_pinned(instance, edge.place, edge.holding), *doubt, edge.cost, not edge.stays, edge.holding)


def _is_pinned(instance: Instance, place: int, holding: int) -> bool:
    """Whether the owner wants the holding there, or anywhere in the group of that place."""
    edge = instance.edges_at(place).get(holding)
    in_group = any(pin.holding == holding and place in pin.places for pin in instance.problem.group_pins)
    return in_group or (edge is not None and edge.pinned)


def _loses_on(instance: Instance, at: int, edge: Edge, placed: Edge | None) -> LosesOn:
    if placed is None or standing(instance, edge) < standing(instance, placed):
        return LosesOn(set=True)
    if _is_pinned(instance, at, placed.holding) and not _is_pinned(instance, at, edge.holding):
        return LosesOn(pin=True)
    if edge.basis.counted != placed.basis.counted:
        return LosesOn(doubt=doubt_name(edge.basis) or UNSET, placed=doubt_name(placed.basis))
    if edge.basis is not Basis.FIRM and edge.to_check != placed.to_check:
        return LosesOn(to_check=True, this=edge.to_check, placed=placed.to_check)
    if edge.presumed != placed.presumed:
        return LosesOn(presumed=True)
    for level, (this, best) in enumerate(zip(edge.cost, placed.cost, strict=True)):
        if this != best:
            return _on_preference(instance, at, level, edge, placed)
    if placed.stays and not edge.stays:
        return LosesOn(stays=True)
    return LosesOn(
        order="holding", this=instance.holdings[edge.holding].id, placed=instance.holdings[placed.holding].id
    )


def _on_preference(instance: Instance, at: int, level: int, edge: Edge, placed: Edge) -> LosesOn:
    preference: Preference = instance.places[at].prefer[level]
    values = [instance.worth[level, at][coin] for coin in (edge.holding, placed.holding)]
    this, best = (None if value is None else plain_number(value) for value in values)
    return LosesOn(prefer=level, criterion=criterion_of(preference), this=this, placed=best)
