"""A problem laid out for solving: checked, its rules turned into side constraints, its places split into components.

A set-level rule becomes *side constraints* (constraints beyond the flow network), each over the few edges it can affect:

- `Limit`: no more than `count` of these edges are selected (`at_most` for one key; `different` is that with 1);
- `Exclusion`: at most one of these groups of edges is used (`same`: one group for each key; `not_elsewhere`: inside and
  outside).

A side constraint is *firm-only* when it counts the firm placements, by every possible key; otherwise it counts all
selected edges, by their settled keys. Constraints that no selection can violate are left out, which keeps components
small.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from service.assignment.problem import LARGEST_COST, AssignmentProblem, Basis, Edge, EdgeKeys, SetRule
from service.rules.side_constraints import Exclusion, KeyedEdges, Limit, SideConstraint

COUNT_LEVELS = ("pins", "required", "places", "unknown", "alternatives")
_UNKNOWN_LEVEL = COUNT_LEVELS.index("unknown")
_ALTERNATIVES_LEVEL = COUNT_LEVELS.index("alternatives")


@dataclass(frozen=True, slots=True)
class EdgeStatus:
    """Whether an edge is firm or tentative when it is selected. `doubt` is the basis of a tentative placement (FIRM: the
    edge is never tentative). `is_undetermined`: the side constraints decide; any other edge with a doubt is always
    tentative."""

    doubt: Basis
    is_undetermined: bool


@dataclass(frozen=True, slots=True)
class Layout:
    """A problem ready to be solved. `places` is their number. `edges` are sorted by place, then holding, without those of
    holdings of which there is no piece; everything else names edges by their position there.

    `losses[edge]` has one whole number for each of `levels`, to be minimised in order (levels to be maximised count -1),
    for the edge placed as firmly as it can be; an empty place loses nothing. An undetermined edge that is placed
    tentatively loses 1 more on its `doubt_level`.
    """

    places: int
    edges: tuple[Edge, ...]
    quantity: tuple[int, ...]
    statuses: tuple[EdgeStatus, ...]
    losses: tuple[tuple[int, ...], ...]
    levels: tuple[str, ...]
    side_constraints: tuple[SideConstraint, ...]

    def doubt_level(self, edge: int) -> int:
        """The level on which an undetermined edge loses 1 when it is placed tentatively."""
        return _UNKNOWN_LEVEL if self.statuses[edge].doubt is Basis.UNKNOWN else _ALTERNATIVES_LEVEL


@dataclass(frozen=True, slots=True)
class Component:
    """Connected places, by number, with the edges and the side constraints among them."""

    places: tuple[int, ...]
    edges: tuple[int, ...]
    side_constraints: tuple[SideConstraint, ...]


def lay_out(problem: AssignmentProblem) -> Layout:
    """The whole problem, with all levels of `service.assignment.problem` except `order`.

    Raises ValueError, naming every fault, when the problem violates its own contract (a number out of range, a duplicate
    edge, a cost outside 0 to LARGEST_COST, keys that are missing or inconsistent). Linear in edges times rules.
    """
    _check(problem)
    edges = _in_order(edge for edge in problem.edges if problem.quantity[edge.holding])
    statuses = [_status_of(edge, problem.rules) for edge in edges]
    side_constraints = _side_constraints(problem, edges, statuses)
    in_play = {edge for constraint in side_constraints if constraint.firm_only for edge in edges_of(constraint)}
    settled = tuple(
        EdgeStatus(Basis.FIRM, False) if status.is_undetermined and number not in in_play else status
        for number, status in enumerate(statuses)
    )
    losses = tuple(_losses(edge, status, problem) for edge, status in zip(edges, settled, strict=True))
    levels = (*COUNT_LEVELS, *(f"prefer-{i}" for i in range(problem.preference_levels)), "moved")
    return Layout(len(problem.required), edges, problem.quantity, settled, losses, levels, side_constraints)


def lay_out_certain(problem: AssignmentProblem) -> Layout:
    """The problem behind `Solution.certain`: only edges that can be firm, all of them firm, with every possible key
    counted in the side constraints. Its one level is `places`. Raises ValueError as `lay_out` does."""
    _check(problem)
    kept = (edge for edge in problem.edges if problem.quantity[edge.holding])
    edges = _in_order(edge for edge in kept if _can_be_firm(_status_of(edge, problem.rules)))
    firm = [EdgeStatus(Basis.FIRM, False)] * len(edges)
    side_constraints = _side_constraints(problem, edges, firm, certain=True)
    return Layout(
        len(problem.required),
        edges,
        problem.quantity,
        tuple(firm),
        ((-1,),) * len(edges),
        ("places",),
        side_constraints,
    )


def components(layout: Layout) -> tuple[Component, ...]:
    """The connected components: places that share a holding or a side constraint belong together. In order of their first
    place; places without an edge are in none. Near-linear in edges (union-find)."""
    return split(layout, range(len(layout.edges)), layout.side_constraints)


def split(layout: Layout, edges: Iterable[int], side_constraints: Iterable[SideConstraint]) -> tuple[Component, ...]:
    """The components of a subset of the edges, by number. Side constraints are restricted to these edges, and left out
    where no selection can violate them any more."""
    kept = sorted(edges)
    among = set(kept)
    restricted = (_restricted(constraint, among) for constraint in side_constraints)
    side_constraints = tuple(one for one in restricted if _can_bind(one, layout.edges, layout.quantity))
    leader = list(range(layout.places + len(layout.quantity)))

    def find(node: int) -> int:
        while leader[node] != node:
            leader[node] = leader[leader[node]]
            node = leader[node]
        return node

    for number in kept:
        edge = layout.edges[number]
        leader[find(layout.places + edge.holding)] = find(edge.place)
    for constraint in side_constraints:
        first, *others = edges_of(constraint)
        for other in others:
            leader[find(layout.edges[other].place)] = find(layout.edges[first].place)
    edges_by_root: dict[int, list[int]] = {}
    for number in kept:
        edges_by_root.setdefault(find(layout.edges[number].place), []).append(number)
    constraints_by_root: dict[int, list[SideConstraint]] = {}
    for constraint in side_constraints:
        constraints_by_root.setdefault(find(layout.edges[edges_of(constraint)[0]].place), []).append(constraint)
    return tuple(
        Component(
            tuple(sorted({layout.edges[n].place for n in group})),
            tuple(group),
            tuple(constraints_by_root.get(root, ())),
        )
        for root, group in edges_by_root.items()
    )


def _restricted(constraint: SideConstraint, kept: set[int]) -> SideConstraint:
    if isinstance(constraint, Limit):
        return Limit(tuple(edge for edge in constraint.edges if edge in kept), constraint.count, constraint.firm_only)
    sides = (tuple(edge for edge in side if edge in kept) for side in constraint.groups)
    return Exclusion(tuple(side for side in sides if side), constraint.firm_only)


def edges_of(constraint: SideConstraint) -> tuple[int, ...]:
    """All edges that the side constraint names."""
    return constraint.edges if isinstance(constraint, Limit) else tuple(e for group in constraint.groups for e in group)


def _in_order(edges: Iterable[Edge]) -> tuple[Edge, ...]:
    return tuple(sorted(edges, key=lambda edge: (edge.place, edge.holding)))


def _losses(edge: Edge, status: EdgeStatus, problem: AssignmentProblem) -> tuple[int, ...]:
    doubt = Basis.FIRM if status.is_undetermined else status.doubt
    counts = (
        -int(edge.pinned),
        -int(problem.required[edge.place]),
        -1,
        int(doubt is Basis.UNKNOWN),
        int(doubt is Basis.ALTERNATIVES),
    )
    return (*counts, *edge.cost, -int(edge.stays))


def _covers(rule: SetRule, edge: Edge) -> bool:
    """Whether the rule looks at the edge: those into its places, and for `not_elsewhere` those outside as well."""
    outside = rule.kind.looks_outside and (rule.among is None or edge.place in rule.among)
    return outside or edge.place in rule.places


def _status_of(edge: Edge, rules: Iterable[SetRule]) -> EdgeStatus:
    """The edge's own doubt if it has one, else the strongest among the rules under which its key is unsettled."""
    if edge.basis is not Basis.FIRM:
        return EdgeStatus(edge.basis, False)
    unsettled = [
        keys
        for keys in (rule.keys[edge.holding] for rule in rules if _covers(rule, edge))
        if keys.possible != keys.settled
    ]
    if not unsettled:
        return EdgeStatus(Basis.FIRM, False)
    wholly_unknown = any(keys.possible is None for keys in unsettled)
    return EdgeStatus(max(keys.basis for keys in unsettled), not wholly_unknown)


def _can_be_firm(status: EdgeStatus) -> bool:
    return status.is_undetermined or status.doubt is Basis.FIRM


def _side_constraints(
    problem: AssignmentProblem, edges: Sequence[Edge], statuses: Sequence[EdgeStatus], certain: bool = False
) -> tuple[SideConstraint, ...]:
    firm = {number for number, status in enumerate(statuses) if _can_be_firm(status)}
    found = (
        constraint
        for rule in problem.rules
        for constraint in _constraints_of(rule, edges, firm, problem.quantity, certain)
    )
    return tuple(constraint for constraint in found if _can_bind(constraint, edges, problem.quantity))


def _constraints_of(
    rule: SetRule, edges: Sequence[Edge], firm: set[int], quantity: Sequence[int], certain: bool
) -> Iterator[SideConstraint]:
    """The rule over the settled keys of all selected edges, and over the possible keys of the firm ones. With `certain`
    every edge is firm, so the second is enough; where every key is settled the second follows from the first."""
    inside = [number for number, edge in enumerate(edges) if edge.place in rule.places]
    outside = [n for n, edge in enumerate(edges) if edge.place not in rule.places and _covers(rule, edge)]
    keys = {number: rule.keys[edges[number].holding] for number in (*inside, *outside)}
    unsettled = {number for number in firm if number in keys and keys[number].possible != keys[number].settled}
    by_settled = {number: keys[number].settled for number in keys}
    by_possible = {number: keys[number].possible or frozenset() for number in keys if number in firm}
    readings = ((by_possible, False),) if certain else ((by_settled, False), (by_possible, True))
    for keys_counted, firm_only in readings:
        here, there = _by_key(inside, keys_counted), _by_key(outside, keys_counted)
        agreeing = partial(_groups_that_agree, inside, edges, keys, keys_counted)
        for constraint in rule.kind.side_constraints(KeyedEdges(here, there, agreeing, firm_only), rule.count):
            if not firm_only or not unsettled.isdisjoint(edges_of(constraint)):
                yield constraint
    if rule.kind.forbids_equal_keys:
        # Pieces of one holding share the key, whatever it is.
        holdings = {n: (edges[n].holding,) for n in (*inside, *outside) if quantity[edges[n].holding] > 1}
        pieces = KeyedEdges(_by_key(inside, holdings), _by_key(outside, holdings), tuple, False)
        yield from rule.kind.side_constraints(pieces, rule.count)


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
    named = edges_of(constraint)
    places = {edges[number].place for number in named}
    pieces: dict[int, int] = {}
    for number in named:
        holding = edges[number].holding
        pieces[holding] = min(pieces.get(holding, 0) + 1, quantity[holding])
    most = min(len(places), sum(pieces.values()))
    if isinstance(constraint, Limit):
        return most > constraint.count
    return most > 1 and sum(1 for group in constraint.groups if group) > 1


def _check(problem: AssignmentProblem) -> None:
    faults: list[str] = []
    places, holdings = len(problem.required), len(problem.quantity)
    seen: set[tuple[int, int]] = set()
    if any(quantity < 0 for quantity in problem.quantity):
        faults.append("a quantity is negative")
    for edge in problem.edges:
        name = f"edge (place {edge.place}, holding {edge.holding})"
        if not (0 <= edge.place < places and 0 <= edge.holding < holdings):
            faults.append(f"{name} names a place or holding that does not exist")
        if (edge.place, edge.holding) in seen:
            faults.append(f"{name} is listed twice")
        seen.add((edge.place, edge.holding))
        if len(edge.cost) != problem.preference_levels:
            faults.append(f"{name} has {len(edge.cost)} costs, not {problem.preference_levels}")
        if any(not 0 <= cost <= LARGEST_COST for cost in edge.cost):
            faults.append(f"{name} has a cost outside 0 to 2**60: use ranks or a coarser unit")
    for rule in problem.rules:
        faults.extend(_faults_of(rule, problem.edges))
    if faults:
        raise ValueError("; ".join(faults))


def _faults_of(rule: SetRule, edges: Iterable[Edge]) -> Iterator[str]:
    for holding in sorted({edge.holding for edge in edges if _covers(rule, edge)}):
        name = f"rule {rule.name!r}, holding {holding}"
        keys = rule.keys.get(holding)
        if keys is None:
            yield f"{name} has no keys"
            continue
        if keys.possible is not None and not keys.settled <= keys.possible:
            yield f"{name} has a settled key that is not possible"
        if keys.possible != keys.settled and keys.basis is Basis.FIRM:
            yield f"{name} has an unsettled key and no basis for it"
        if not rule.kind.counts_fitting:
            settled = keys.possible == keys.settled
            if (settled and len(keys.settled) != 1) or (not settled and keys.settled):
                yield f"{name} must have exactly one key when it is settled, and no settled key when it is not"
    if rule.count < 0:
        yield f"rule {rule.name!r} has a negative count"
