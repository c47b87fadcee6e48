"""A problem laid out for solving: checked, its rules turned into side constraints, its places split into components.

A set-level rule becomes *side constraints* (constraints beyond the flow network), each over the few edges it can affect:

- `Limit`: no more than `count` of these edges are selected (`at_most` for one key; `different` is that with 1);
- `Exclusion`: at most one of these groups of edges is used (`same`: one group for each key; `not_elsewhere`: inside and
  outside);
- `Support`: an edge is selected, or firm, only with another one that is (`matches`).

A `Limit` or an `Exclusion` is *firm-only* when it counts the firm placements, by every possible key; otherwise it counts
all selected edges, by their settled keys. Constraints that no selection can violate are left out, which keeps components
small.

A goal, and a pin to a group of which several pieces may be there, earn 1 for each edge up to a number (`Bonus`). Where no
selection can exceed the number that is a loss of -1 on each edge, and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from service.assignment.disjoint_sets import DisjointSets
from service.assignment.problem import AssignmentProblem, Basis, Edge, EdgeKeys, SetRule, together
from service.assignment.validity import ensure_valid
from service.rules.side_constraints import Exclusion, KeyedEdges, Limit, SideConstraint, Support

COUNT_LEVELS = ("pins", "required", "places", "unknown", "alternatives", "to_check", "presumed", "shortfall")

Losses = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class EdgeStatus:
    """Whether an edge is firm or tentative when it is selected. `doubt` is the basis of a tentative placement as the levels
    count it (FIRM: the edge is never tentative), `is_reference` whether it is REFERENCE. `is_undetermined`: the side
    constraints decide; any other edge with a doubt is always tentative. `is_matched`: the basis may be worse than `doubt`,
    as the best match is. `to_check` is the number of facts to look up when it is tentative."""

    doubt: Basis
    is_undetermined: bool
    is_matched: bool = False
    to_check: int = 0
    is_reference: bool = False

    @property
    def can_be_firm(self) -> bool:
        return self.is_undetermined or self.doubt is Basis.FIRM

    @property
    def has_open_basis(self) -> bool:
        """Whether a tentative placement rests on more or on less, as its best match does."""
        return self.is_matched and self.doubt is not Basis.UNKNOWN


@dataclass(frozen=True, slots=True)
class Bonus:
    """On `level` each selected edge of `edges` (of the firm ones, when `firm_only`) earns 1, up to `count` together.
    `is_waived`: the flow leaves it out, since it is earned anyhow."""

    level: int
    edges: frozenset[int]
    count: int
    firm_only: bool
    is_waived: bool = False


@dataclass(frozen=True, slots=True)
class Layout:
    """A problem ready to be solved. `places` is their number. `edges` are sorted by place, then holding, without those of
    holdings of which there is no piece; everything else names edges by their position there.

    `losses[edge]` has one whole number for each of `levels`, to be minimised in order (levels to be maximised count -1),
    for the edge placed as firmly as it can be; an empty place loses nothing. An undetermined edge that is placed
    tentatively loses `when_tentative[edge]` more, and one whose basis is open `when_unknown[edge]` more where that is
    UNKNOWN. Like places (`alike`) are in one component. `wanted` is the sum of the goals on the level `shortfall`, which the
    losses fall short of.
    """

    places: int
    edges: tuple[Edge, ...]
    quantity: tuple[int, ...]
    statuses: tuple[EdgeStatus, ...]
    losses: tuple[Losses, ...]
    levels: tuple[str, ...]
    side_constraints: tuple[SideConstraint, ...]
    bonuses: tuple[Bonus, ...] = ()
    when_tentative: Mapping[int, Losses] = field(default_factory=dict)
    when_unknown: Mapping[int, Losses] = field(default_factory=dict)
    wanted: int = 0
    alike: tuple[frozenset[int], ...] = ()


@dataclass(frozen=True, slots=True)
class Component:
    """Connected places, by number, with the edges, the side constraints and the bonuses among them."""

    places: tuple[int, ...]
    edges: tuple[int, ...]
    side_constraints: tuple[SideConstraint, ...]
    bonuses: tuple[Bonus, ...] = ()


def lay_out(problem: AssignmentProblem) -> Layout:
    """The whole problem, with all levels of `service.assignment.problem` except `order`.

    Raises ValueError, naming every fault, when the problem violates its own contract (a number out of range, a duplicate
    edge, a cost outside 0 to LARGEST_COST, keys that are missing or inconsistent). Linear in edges times rules.
    """
    levels = (*COUNT_LEVELS, *(f"prefer-{i + 1}" for i in range(problem.preference_levels)), "moved")

    def losses(edge: Edge, basis: Basis, to_check: int) -> Losses:
        is_firm = basis is Basis.FIRM
        counts = (-int(edge.pinned), -int(problem.required[edge.place]), -1)
        doubts = (int(basis is Basis.UNKNOWN), int(basis is Basis.ALTERNATIVES), 0 if is_firm else to_check)
        return (*counts, *doubts, int(is_firm and edge.presumed), 0, *edge.cost, -int(edge.stays))

    return _laid_out(problem, levels, losses)


def lay_out_certain(problem: AssignmentProblem) -> Layout:
    """The problem behind `Solution.certain`: as many pins as can be, then as many firm placements. Raises ValueError as
    `lay_out` does."""
    if not any(rule.kind.binds_one for rule in problem.rules):
        # A placement in doubt counts for nothing, and makes no room: it stands for a pin, or not at all.
        wished = {(place, pin.holding) for pin in problem.group_pins for place in pin.places}
        kept = (e for e in problem.edges if e.basis is Basis.FIRM or e.pinned or (e.place, e.holding) in wished)
        problem = replace(problem, edges=tuple(kept))
    return _laid_out(problem, ("pins", "sure"), lambda edge, basis, _: (-int(edge.pinned), -int(basis is Basis.FIRM)))


def lay_out_possible(problem: AssignmentProblem) -> Layout:
    """The problem behind `Solution.possible`: as many pins as can be, then as many placements. Raises ValueError as
    `lay_out` does."""
    return _laid_out(problem, ("pins", "places"), lambda edge, _basis, _to_check: (-int(edge.pinned), -1))


def lay_out_counts(problem: AssignmentProblem) -> Layout:
    """The problem of the first three levels alone: pins, required places, places. Raises ValueError as `lay_out` does."""
    required = problem.required
    return _laid_out(
        problem, COUNT_LEVELS[:3], lambda edge, _basis, _to_check: (-int(edge.pinned), -int(required[edge.place]), -1)
    )


_LossesOf = Callable[[Edge, Basis, int], Losses]
"""What an edge loses when it is placed on this basis, with so many facts to look up."""


def _laid_out(problem: AssignmentProblem, levels: tuple[str, ...], losses_of: _LossesOf) -> Layout:
    ensure_valid(problem)
    edges = _in_order(edge for edge in problem.edges if problem.quantity[edge.holding])
    statuses = [_status_of(edge, problem.rules) for edge in edges]
    side_constraints = _side_constraints(problem, edges, statuses)
    in_play = set[int]()
    for constraint in side_constraints:
        if isinstance(constraint, Support):
            in_play.add(constraint.edge)
        elif constraint.firm_only:
            in_play.update(edges_of(constraint))
    settled = [
        EdgeStatus(Basis.FIRM, False) if status.is_undetermined and number not in in_play else status
        for number, status in enumerate(statuses)
    ]
    best: list[Losses] = []
    when_tentative: dict[int, Losses] = {}
    when_unknown: dict[int, Losses] = {}
    for number, (edge, status) in enumerate(zip(edges, settled, strict=True)):
        firm = losses_of(edge, Basis.FIRM, 0)
        doubtful = losses_of(edge, max(status.doubt, Basis.ALTERNATIVES), status.to_check)
        best.append(firm if status.can_be_firm else doubtful)
        if status.is_undetermined:
            when_tentative[number] = _difference(doubtful, firm)
        if status.has_open_basis:
            when_unknown[number] = _difference(losses_of(edge, Basis.UNKNOWN, status.to_check), doubtful)
    bonuses = []
    for bonus in _bonuses(problem, edges, settled, levels):
        if _can_exceed(bonus, edges, problem.quantity):
            bonuses.append(bonus)
            continue
        for number in bonus.edges:
            best[number] = _plus(best[number], bonus.level, -1)
            if bonus.firm_only and number in when_tentative:
                when_tentative[number] = _plus(when_tentative[number], bonus.level, 1)
    return Layout(
        places=len(problem.required),
        edges=edges,
        quantity=problem.quantity,
        statuses=tuple(settled),
        losses=tuple(best),
        levels=levels,
        side_constraints=side_constraints,
        bonuses=tuple(bonuses),
        when_tentative=when_tentative,
        when_unknown=when_unknown,
        wanted=sum(rule.count for rule in problem.rules if rule.kind.is_goal) if "shortfall" in levels else 0,
        alike=problem.alike,
    )


def _difference(one: Losses, other: Losses) -> Losses:
    return tuple(a - b for a, b in zip(one, other, strict=True))


def _plus(losses: Losses, level: int, more: int) -> Losses:
    return (*losses[:level], losses[level] + more, *losses[level + 1 :])


def _bonuses(
    problem: AssignmentProblem, edges: Sequence[Edge], statuses: Sequence[EdgeStatus], levels: Sequence[str]
) -> Iterator[Bonus]:
    for pin in problem.group_pins:
        here = (n for n, edge in enumerate(edges) if edge.holding == pin.holding and edge.place in pin.places)
        yield Bonus(levels.index("pins"), frozenset(here), 1, firm_only=False)
    for rule in problem.rules:
        if rule.kind.is_goal and "shortfall" in levels:
            inside = ((n, edge) for n, edge in enumerate(edges) if edge.place in rule.places)
            fitting = (n for n, edge in inside if 1 in rule.keys[edge.holding].settled and statuses[n].can_be_firm)
            yield Bonus(levels.index("shortfall"), frozenset(fitting), rule.count, firm_only=True)


def _can_exceed(bonus: Bonus, edges: Sequence[Edge], quantity: Sequence[int]) -> bool:
    """Whether a selection can have more of the edges than earn something."""
    return _most_together(bonus.edges, edges, quantity) > bonus.count


def components(layout: Layout) -> tuple[Component, ...]:
    """The connected components: places that share a holding or a side constraint, or are alike, belong together.
    In order of their first place; places without an edge are in none. Near-linear in edges (union-find)."""
    return split(layout, range(len(layout.edges)), layout.side_constraints, layout.bonuses)


def split(
    layout: Layout, edges: Iterable[int], side_constraints: Iterable[SideConstraint], bonuses: Iterable[Bonus] = ()
) -> tuple[Component, ...]:
    """The components of a subset of the edges, by number. Side constraints are restricted to these edges, and left out
    where no selection can violate them any more. A bonus holds together the places that it speaks of as long as a
    selection can exceed it; else each component has its own part of it."""
    kept = sorted(edges)
    among = set(kept)
    bonuses = [replace(bonus, edges=bonus.edges & among) for bonus in bonuses]
    named = (one for one in side_constraints if not isinstance(one, Support) or one.edge in among)
    restricted = (_restricted(constraint, among) for constraint in named)
    side_constraints = tuple(one for one in restricted if _can_bind(one, layout.edges, layout.quantity))
    groups = DisjointSets(layout.places + len(layout.quantity))
    for number in kept:
        edge = layout.edges[number]
        groups.join(layout.places + edge.holding, edge.place)
    for constraint in side_constraints:
        first, *others = edges_of(constraint)
        for other in others:
            groups.join(layout.edges[other].place, layout.edges[first].place)
    for group in layout.alike:
        first, *others = group
        for other in others:
            groups.join(other, first)
    for bonus in bonuses:
        if _can_exceed(bonus, layout.edges, layout.quantity):
            first, *others = bonus.edges
            for other in others:
                groups.join(layout.edges[other].place, layout.edges[first].place)
    edges_by_root: dict[int, list[int]] = {}
    for number in kept:
        edges_by_root.setdefault(groups.leader(layout.edges[number].place), []).append(number)
    constraints_by_root: dict[int, list[SideConstraint]] = {}
    for constraint in side_constraints:
        constraints_by_root.setdefault(groups.leader(layout.edges[edges_of(constraint)[0]].place), []).append(
            constraint
        )
    bonuses_by_root: dict[int, list[Bonus]] = {}
    for bonus in bonuses:
        roots: dict[int, set[int]] = {}
        for number in bonus.edges:
            roots.setdefault(groups.leader(layout.edges[number].place), set()).add(number)
        for root, own in roots.items():
            bonuses_by_root.setdefault(root, []).append(replace(bonus, edges=frozenset(own)))
    return tuple(
        Component(
            tuple(sorted({layout.edges[n].place for n in group})),
            tuple(group),
            tuple(constraints_by_root.get(root, ())),
            tuple(bonuses_by_root.get(root, ())),
        )
        for root, group in edges_by_root.items()
    )


def _restricted(constraint: SideConstraint, kept: set[int]) -> SideConstraint:
    if isinstance(constraint, Limit):
        return Limit(tuple(edge for edge in constraint.edges if edge in kept), constraint.count, constraint.firm_only)
    if isinstance(constraint, Support):
        return replace(constraint, supporters=tuple(edge for edge in constraint.supporters if edge in kept))
    sides = (tuple(edge for edge in side if edge in kept) for side in constraint.groups)
    return Exclusion(tuple(side for side in sides if side), constraint.firm_only)


def edges_of(constraint: SideConstraint) -> tuple[int, ...]:
    """All edges that the side constraint names."""
    if isinstance(constraint, Limit):
        return constraint.edges
    if isinstance(constraint, Support):
        return constraint.edge, *constraint.supporters
    return tuple(e for group in constraint.groups for e in group)


def _in_order(edges: Iterable[Edge]) -> tuple[Edge, ...]:
    return tuple(sorted(edges, key=lambda edge: (edge.place, edge.holding)))


def _status_of(edge: Edge, rules: Iterable[SetRule]) -> EdgeStatus:
    """The edge's own doubt if it has one, else the strongest among the rules under which its key is unsettled."""
    if edge.basis is not Basis.FIRM:
        is_reference = edge.basis is Basis.REFERENCE
        return EdgeStatus(edge.basis.counted, False, to_check=edge.to_check, is_reference=is_reference)
    is_matched, to_check = False, frozenset[int]()
    unsettled: list[EdgeKeys] = []
    for rule in rules:
        if rule.kind.is_goal or not (_is_bound(rule, edge) if rule.kind.binds_one else rule.covers(edge.place)):
            continue
        is_matched = is_matched or rule.kind.binds_one
        keys = rule.keys[edge.holding]
        if keys.possible != keys.settled:
            to_check |= keys.to_check
            if not rule.kind.binds_one:
                unsettled.append(keys)
    if not unsettled:
        return EdgeStatus(Basis.FIRM, is_matched, is_matched, len(to_check))
    wholly_unknown = any(keys.possible is None for keys in unsettled)
    doubt = together(keys.basis for keys in unsettled)
    is_reference = doubt is Basis.REFERENCE
    return EdgeStatus(doubt.counted, not wholly_unknown, is_matched, len(to_check), is_reference)


def _is_bound(rule: SetRule, edge: Edge) -> bool:
    return edge.place == rule.bound


def _side_constraints(
    problem: AssignmentProblem, edges: Sequence[Edge], statuses: Sequence[EdgeStatus]
) -> tuple[SideConstraint, ...]:
    firm = {number for number, status in enumerate(statuses) if status.can_be_firm}
    found = (
        constraint for rule in problem.rules for constraint in _constraints_of(rule, edges, firm, problem.quantity)
    )
    supports = (
        support for rule in problem.rules if rule.kind.binds_one for support in _supports_of(rule, edges, statuses)
    )
    every = (*found, *supports)
    return tuple(constraint for constraint in every if _can_bind(constraint, edges, problem.quantity))


def _constraints_of(
    rule: SetRule, edges: Sequence[Edge], firm: set[int], quantity: Sequence[int]
) -> Iterator[SideConstraint]:
    """The rule over the settled keys of all selected edges, and over the possible keys of the firm ones; where every key
    is settled the second follows from the first."""
    if rule.kind.is_goal or rule.kind.binds_one:
        return
    inside = [number for number, edge in enumerate(edges) if edge.place in rule.places]
    outside = [n for n, edge in enumerate(edges) if edge.place not in rule.places and rule.covers(edge.place)]
    keys = {number: rule.keys[edges[number].holding] for number in (*inside, *outside)}
    unsettled = {number for number in firm if number in keys and keys[number].possible != keys[number].settled}
    by_settled = {number: keys[number].settled for number in keys}
    by_possible = {number: keys[number].possible or frozenset() for number in keys if number in firm}
    for keys_counted, firm_only in ((by_settled, False), (by_possible, True)):
        here, there = _by_key(inside, keys_counted), _by_key(outside, keys_counted)
        agreeing = partial(_groups_that_agree, inside, edges, keys, keys_counted)
        for constraint in rule.kind.side_constraints(KeyedEdges(here, there, agreeing, firm_only), rule.count):
            if not firm_only or not unsettled.isdisjoint(edges_of(constraint)):
                yield constraint
    if rule.kind.bounds_equal_keys:
        # Pieces of one holding share the key, whatever it is; that of a settled one is counted above.
        most = rule.count if rule.kind.has_count else 1
        holdings = {
            n: (edges[n].holding,)
            for n in (*inside, *outside)
            if quantity[edges[n].holding] > most and _is_some_unsettled_key(keys[n])
        }
        pieces = KeyedEdges(_by_key(inside, holdings), _by_key(outside, holdings), tuple, False)
        yield from rule.kind.side_constraints(pieces, rule.count)


def _is_some_unsettled_key(keys: EdgeKeys) -> bool:
    """Whether it has a key for sure, but not known which: with one possible key it may count or not."""
    return keys.possible is None or (keys.possible != keys.settled and len(keys.possible) > 1)


def _supports_of(rule: SetRule, edges: Sequence[Edge], statuses: Sequence[EdgeStatus]) -> Iterator[Support]:
    """What each placement in the bound place needs: one that may share its key; for its firmness, and for a doubt no more
    than declared, one that shares it as surely."""
    others = [n for n, edge in enumerate(edges) if edge.place in rule.places and edge.place != rule.bound]
    for number, edge in enumerate(edges):
        if not _is_bound(rule, edge):
            continue
        bases = {n: match(rule, edge.holding, edges[n].holding) for n in others}
        matching = {n: basis for n, basis in bases.items() if basis is not None}
        yield Support(number, tuple(matching), "selected")
        if statuses[number].has_open_basis:
            declared = (
                n
                for n, basis in matching.items()
                if basis.counted is not Basis.UNKNOWN
                and (statuses[n].doubt is not Basis.UNKNOWN or statuses[n].can_be_firm)
            )
            yield Support(number, tuple(declared), "declared")
        if statuses[number].is_undetermined:
            surely = (n for n, basis in matching.items() if basis is Basis.FIRM and statuses[n].can_be_firm)
            yield Support(number, tuple(surely), "firm")


def match(rule: SetRule, one: int, other: int) -> Basis | None:
    """What it rests on that two holdings share a key; None where they cannot."""
    if one == other:
        return Basis.FIRM
    mine, yours = rule.keys[one], rule.keys[other]
    if mine.possible is not None and yours.possible is not None and mine.possible.isdisjoint(yours.possible):
        return None
    return together(keys.basis for keys in (mine, yours) if keys.possible != keys.settled)


def _groups_that_agree(
    inside: Iterable[int],
    edges: Sequence[Edge],
    keys: Mapping[int, EdgeKeys],
    keys_counted: Mapping[int, Iterable[int]],
) -> tuple[tuple[int, ...], ...]:
    """Edges whose keys certainly agree: those of one settled key, and the pieces of one holding whatever its key is."""
    groups: dict[tuple[str, int], list[int]] = {}
    for number in inside:
        if number not in keys_counted:
            continue
        if keys[number].possible == keys[number].settled:
            groups.setdefault(("key", min(keys[number].settled)), []).append(number)
        elif keys_counted[number]:
            groups.setdefault(("holding", edges[number].holding), []).append(number)
    return tuple(tuple(group) for _, group in sorted(groups.items()))


def _by_key(numbers: Iterable[int], keys_of: Mapping[int, Iterable[int]]) -> dict[int, tuple[int, ...]]:
    groups: dict[int, list[int]] = {}
    for number in numbers:
        for key in keys_of.get(number, ()):
            groups.setdefault(key, []).append(number)
    return {key: tuple(group) for key, group in sorted(groups.items())}


def _can_bind(constraint: SideConstraint, edges: Sequence[Edge], quantity: Sequence[int]) -> bool:
    """Whether enough of its edges can be selected together to violate the constraint."""
    if isinstance(constraint, Support):
        return True
    most = _most_together(edges_of(constraint), edges, quantity)
    if isinstance(constraint, Limit):
        return most > constraint.count
    return most > 1 and sum(1 for group in constraint.groups if group) > 1


def _most_together(numbers: Iterable[int], edges: Sequence[Edge], quantity: Sequence[int]) -> int:
    """No selection has more of these edges: as many as they have places, and pieces."""
    places = set[int]()
    pieces: dict[int, int] = {}
    for number in numbers:
        places.add(edges[number].place)
        holding = edges[number].holding
        pieces[holding] = min(pieces.get(holding, 0) + 1, quantity[holding])
    return min(len(places), sum(pieces.values()))
