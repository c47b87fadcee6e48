"""The places of a problem that no set-level rule reaches, solved on arrays: most sets have no other.

What the rules of a set reach, over shared holdings too, is left to layouts and the search (`service.assignment.solve`), and
so are pins to a group that several pieces could honour, which count once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.assignment.certainty import FORCED, MOST_INSTEAD, Standing, standings_by_flow, strong_components
from service.assignment.edges import Edges, Flags, Integers
from service.assignment.flow import EMPTY, FlowState, make_canonical
from service.assignment.network import Losses, Network, all_losses, by_component
from service.assignment.optimum import Optimum, optimum_of
from service.assignment.problem import AssignmentProblem
from service.assignment.validity import ensure_valid


@dataclass(frozen=True, slots=True)
class Parted:
    """A problem in two: `edges` of the places that no rule reaches, ordered, and the `ruled` rest, if there is any."""

    problem: AssignmentProblem
    edges: Edges
    ruled: AssignmentProblem | None
    all_edges: Edges
    quantity: Integers

    def network(self, losses: Sequence[Losses]) -> Network:
        return Network(self.edges, self.problem.quantity, self.quantity, tuple(losses), self.problem.alike)


def parted(problem: AssignmentProblem) -> Parted:
    """Raises ValueError, naming every fault, when the problem violates its contract (`components.lay_out`)."""
    edges = ensure_valid(problem)
    quantity = np.array(problem.quantity, np.int64)
    if not quantity.all():
        edges = edges.at(quantity[edges.holding] > 0)
    reached = reached_by_rules(problem, edges)
    if not reached.any():
        ruled = replace(problem, edges=edges[:0]) if problem.rules else None
        return Parted(problem, edges, ruled, edges, quantity)
    network = Network(edges, problem.quantity, quantity, (), problem.alike)
    is_reached = np.zeros(len(network.start) + 1, bool)
    is_reached[network.component[reached[network.places]]] = True
    inside = network.at_edges(is_reached[network.component])
    return Parted(problem, edges.at(~inside), replace(problem, edges=edges.at(inside)), edges, quantity)


def reached_by_rules(problem: AssignmentProblem, edges: Edges) -> Flags:
    """The places of which a rule speaks, or a pin that counts once for several pieces."""
    reached = np.zeros(len(problem.required), bool)
    for rule in problem.rules:
        if rule.kind.looks_outside:
            reached[list(range(len(reached)) if rule.among is None else rule.among)] = True
        reached[list(rule.places)] = True
        if rule.bound is not None:
            reached[rule.bound] = True
    for pin in problem.group_pins:
        if problem.quantity[pin.holding] > 1:
            there = edges.place[edges.holding == pin.holding].tolist()
            places = [place for place in there if place in pin.places]
            reached[places if len(places) > 1 else []] = True
    return reached


# --- the answer -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Unruled:
    """The answer for these places: `chosen` are positions among the edges, ascending; `values` is what they lose on each
    level, by its name."""

    edges: Edges
    chosen: Integers
    values: Mapping[str, int]
    standings: Mapping[int, Standing]


def solve_unruled(part: Parted) -> Unruled:
    """The canonical optimum on all levels, and how firmly each holding stands."""
    losses = all_losses(part.problem, part.edges)
    network = part.network(tuple(losses.values()))
    optimum = optimum_of(network)
    standings = _standings(network, optimum)
    chosen = optimum.chosen[optimum.chosen != EMPTY]
    values = {name: network.total(level, chosen) for level, name in enumerate(losses)}
    return Unruled(part.edges, chosen, values, standings)


def most_unruled(part: Parted, losses: Sequence[Losses]) -> list[int]:
    """The most that counts on each of some levels, all of them maximised."""
    network = part.network(losses)
    chosen = optimum_of(network).chosen
    chosen = chosen[chosen != EMPTY]
    return [-network.total(level, chosen) for level in range(len(losses))]


def _standings(network: Network, optimum: Optimum) -> dict[int, Standing]:
    """How firmly the holding of each filled place stands. `optimum.chosen` becomes canonical: each place in order has the
    first holding that some optimum with the same choices before it allows."""
    start, places, component = network.start, network.places, network.component
    if not len(start):
        return {}
    tight_here = np.add.reduceat(optimum.tight, start, dtype=np.int64) + optimum.may_be_empty
    is_asked = optimum.is_contested & (tight_here > 1)
    holding = network.edges.holding
    placed = optimum.chosen != EMPTY
    spare = network.quantity - np.bincount(holding[optimum.chosen[placed]], minlength=len(network.quantity))
    # A place goes over to another holding with a piece to spare, where neither has a price; only where all the others have
    # none to spare must it be asked what is tight around them.
    no_spare = optimum.tight & (spare[holding] == 0)
    no_spare[optimum.chosen[placed]] = False
    is_asked |= np.logical_or.reduceat(no_spare, start)
    rows_of = np.bincount(component)
    needs = np.zeros(len(rows_of), bool)
    needs[component[is_asked]] = True
    row_of = {place: at for at, place in enumerate(places.tolist())}
    groups = [[row_of[place] for place in sorted(group) if place in row_of] for group in network.alike]
    for group in groups:
        needs[component[group]] |= len(group) > 1
    by_flow = needs[component]
    found: dict[int, Standing] = {}
    for rows in by_component(component, np.flatnonzero(by_flow)):
        found |= _by_flow(network, optimum, rows)
    simple = np.flatnonzero(~by_flow & placed)
    has_others = tight_here[simple] > 1
    found |= dict.fromkeys(places[simple[~has_others]].tolist(), FORCED)
    for row in simple[has_others].tolist():
        first = int(start[row])
        there = slice(first, first + int(network.sizes[row]))
        others = holding[there][optimum.tight[there]]
        others = others[others != holding[optimum.chosen[row]]][:MOST_INSTEAD]
        found[int(places[row])] = Standing(False, tuple(others.tolist()))
    return found


def _by_flow(network: Network, optimum: Optimum, rows: Sequence[int]) -> dict[int, Standing]:
    """One component with the choices that its optima have."""
    names = set(rows)
    alike = [group for group in network.alike if not names.isdisjoint(_rows(network, group))]
    largest = max(map(len, alike), default=1)
    # Of holdings without a price that are as good, more than the other places can use up and more than can be named make no
    # difference: a place can take one of the first instead of any later one.
    most = len(rows) + largest + MOST_INSTEAD
    tight: dict[int, list[int]] = {}
    for row in rows:
        first = int(network.start[row])
        there = slice(first, first + int(network.sizes[row]))
        options = network.edges.holding[there][optimum.tight[there]]
        if len(options) > most:
            priced = optimum.priced[options]
            options = options[priced | (np.cumsum(~priced) <= most)]
        tight[int(network.places[row])] = [*options.tolist(), *([EMPTY] if optimum.may_be_empty[row] else [])]
    chosen = {row: int(optimum.chosen[row]) for row in rows}
    holding = network.edges.holding
    here = {row: EMPTY if edge == EMPTY else int(holding[edge]) for row, edge in chosen.items()}
    named = {*here.values(), *(there for options in tight.values() for there in options)} - {EMPTY}
    state = FlowState(network.pieces, named)
    state.price.update((name, 1) for name in named if optimum.priced[name])
    state.tight = tight
    for row in rows:
        state.assign(int(network.places[row]), here[row])
    strong_component_of = strong_components(state)
    if optimum.is_contested[rows[0]]:
        make_canonical(state, tight, strong_component_of)
        for row in rows:
            now = state.holding_of[int(network.places[row])]
            if now != here[row]:
                first = int(network.start[row])
                own = holding[first : first + int(network.sizes[row])]
                optimum.chosen[row] = EMPTY if now == EMPTY else first + int(np.searchsorted(own, now))
    return standings_by_flow(state, alike, strong_component_of)


def _rows(network: Network, places: frozenset[int]) -> Integers:
    there = np.array(sorted(places), np.int64)
    at = np.searchsorted(network.places, there)
    at = np.minimum(at, len(network.places) - 1)
    found: Integers = at[network.places[at] == there]
    return found
