"""The places of a problem that no set-level rule reaches, solved on arrays: most sets have no other.

What the rules of a set reach, over shared holdings too, is left to layouts and the search (`service.assignment.solve`), and
so are pins to a group that several pieces could honour, which count once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.assignment.certainty import FORCED, MOST_INSTEAD, Standing, standings_by_flow, strong_components
from service.assignment.edges import Edges, Flags, Integers
from service.assignment.flow import EMPTY, FlowState, make_canonical
from service.assignment.network import Losses, Network, all_losses, by_component, components_of
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
    if not len(network.start):
        return {}
    tight = _Tight(network, optimum)
    found: dict[int, Standing] = {}
    optimum.chosen[~tight.is_bound] = tight.first()[~tight.is_bound]
    for rows in by_component(tight.part, np.flatnonzero(tight.needs_flow)):
        found |= _by_flow(network, optimum, tight, rows)
    used: dict[int, int] = {}
    for row in np.flatnonzero(tight.is_bound & ~tight.needs_flow).tolist():
        optimum.chosen[row] = tight.take(row, used)
    simple = ~tight.needs_flow & (optimum.chosen != EMPTY)
    found |= dict.fromkeys(network.places[simple & (tight.options == 1)].tolist(), FORCED)
    several = np.flatnonzero(simple & (tight.options > 1))
    here = network.edges.holding[optimum.chosen[several]].tolist()
    for place, own, options in zip(network.places[several].tolist(), here, tight.few(several), strict=True):
        found[place] = Standing(False, tuple([other for other in options if other != own][:MOST_INSTEAD]))
    return found


class _Tight:
    """The tight edges, `edge`, in the order of their rows: a row's are those from `ends[row]` to before `ends[row + 1]`.
    `options[row]` counts them, and staying empty.

    A row with one option has that in every optimum: one piece less of its holding is `left` for the other rows, and where
    none is left those lose an edge. Of an *ample* holding there is a piece left for every place to which it is tight, and an
    optimum may leave it unused: it never matters who else has it. Rows hang together over other holdings (`is_bound`, `part`).
    Where none of those has a price, and every row of a part has an ample holding or may be empty, all can give way: each can
    have any of its tight holdings, whatever those before it have. Only other parts need to be looked at (`needs_flow`)."""

    def __init__(self, network: Network, optimum: Optimum) -> None:
        rows = len(network.start)
        alike = [at for group in network.alike_rows for at in group]
        self.edge = np.flatnonzero(optimum.tight)
        self.holding = network.edges.holding[self.edge]
        row = np.searchsorted(network.start, self.edge, "right") - 1
        self.left, is_open = network.quantity.copy(), np.ones(rows, bool)
        while True:
            self.options = np.bincount(row, minlength=rows) + optimum.may_be_empty
            is_decided = is_open & (self.options == 1) & ~optimum.may_be_empty
            is_decided[alike] = False
            if not is_decided.any():
                break
            is_open &= ~is_decided
            self.left -= np.bincount(self.holding[is_decided[row]], minlength=len(self.left))
            stays = (self.left[self.holding] > 0) | ~is_open[row]
            if stays.all():
                break
            self.edge, self.holding, row = self.edge[stays], self.holding[stays], row[stays]
        self.ends = np.searchsorted(row, np.arange(rows + 1))
        among = np.flatnonzero(is_open[row])
        wanted = np.bincount(self.holding[among], minlength=len(self.left))
        self.is_ample = ((wanted <= self.left) & ~optimum.priced)[self.holding]
        scarce = among[~self.is_ample[among]]
        self.is_bound = np.zeros(rows, bool)
        self.is_bound[row[scarce]] = True
        self.is_bound[alike] = True
        self.part = np.zeros(rows, np.int64)
        must_be_used = optimum.priced[self.holding[scarce]]
        gives_way = optimum.may_be_empty.copy()
        gives_way[row[self.is_ample]] = True
        self.needs_flow = self.is_bound & ~gives_way
        self.needs_flow[row[scarce[must_be_used]]] = True
        self.needs_flow[alike] = True
        if self.needs_flow.any():
            self.part = components_of(rows, row[scarce], self.holding[scarce], network.bonds)
            self.needs_flow = self.is_bound & np.isin(self.part, self.part[self.needs_flow])

    def first(self) -> Integers:
        """The first edge of each row, EMPTY where it has none."""
        return np.append(self.edge, EMPTY)[np.where(np.diff(self.ends) > 0, self.ends[:-1], -1)]

    def take(self, row: int, used: dict[int, int]) -> int:
        """The first edge of a row whose holding is ample, or is not yet `used` up; EMPTY where there is none."""
        for at in range(int(self.ends[row]), int(self.ends[row + 1])):
            holding = int(self.holding[at])
            if self.is_ample[at]:
                return int(self.edge[at])
            if used.get(holding, 0) < self.left[holding]:
                used[holding] = used.get(holding, 0) + 1
                return int(self.edge[at])
        return EMPTY

    def few(self, rows: Integers) -> Iterator[list[int]]:
        """The first tight holdings of rows that have some, one more than may be named."""
        most = MOST_INSTEAD + 1
        at = np.minimum(self.ends[rows][:, None] + np.arange(most), len(self.edge) - 1)
        sizes = np.minimum(np.diff(self.ends)[rows], most).tolist()
        return (options[:size] for options, size in zip(self.holding[at].tolist(), sizes, strict=True))

    def of(self, row: int) -> slice:
        """Where a row's tight edges are."""
        return slice(int(self.ends[row]), int(self.ends[row + 1]))


def _by_flow(network: Network, optimum: Optimum, tight: _Tight, rows: Sequence[int]) -> dict[int, Standing]:
    """Rows that hang together, with the choices that their optima have."""
    names = set(rows)
    alike = [frozenset(network.places[group].tolist()) for group in network.alike_rows if group[0] in names]
    largest = max(map(len, alike), default=1)
    # Of holdings without a price that are as good, more than the other places can use up and more than can be named make no
    # difference: a place can take one of the first instead of any later one.
    most = len(rows) + largest + MOST_INSTEAD
    chosen = optimum.chosen[rows].tolist()
    before = [EMPTY if edge == EMPTY else int(network.edges.holding[edge]) for edge in chosen]
    here = dict(zip(rows, before, strict=True))
    used = Counter(before)
    options_of: dict[int, list[int]] = {}
    for row in rows:
        options = tight.holding[tight.of(row)]
        if len(options) > most:
            priced = optimum.priced[options]
            options = options[priced | (np.cumsum(~priced) <= most)]
            if here[row] != EMPTY and here[row] not in options:
                free = options[~optimum.priced[options]].tolist()
                here[row] = next(name for name in free if used[name] < tight.left[name])
                used[here[row]] += 1
        options_of[int(network.places[row])] = [*options.tolist(), *([EMPTY] if optimum.may_be_empty[row] else [])]
    named = {*here.values(), *(there for options in options_of.values() for there in options)} - {EMPTY}
    state = FlowState({name: int(tight.left[name]) for name in named}, named)
    state.price.update((name, 1) for name in named if optimum.priced[name])
    state.tight = options_of
    for row in rows:
        state.assign(int(network.places[row]), here[row])
    strong_component_of = strong_components(state)
    make_canonical(state, options_of, strong_component_of)
    for row, old in zip(rows, before, strict=True):
        now = state.holding_of[int(network.places[row])]
        if now != old:
            at = tight.of(row)
            own = int(np.searchsorted(tight.holding[at], now))
            optimum.chosen[row] = EMPTY if now == EMPTY else int(tight.edge[at.start + own])
    return standings_by_flow(state, alike, strong_component_of)
