"""An instance laid out for solving: what is checked, which bonds can bind at all, and which places hang together.

A rule over many places becomes *bonds*, each over the few edges that it can really touch:

- `Limit`: of these edges no more than `count` are taken (`at_most` for one key; `different` is that with 1);
- `Apart`: at most one of these sides has coins (`same`: a side for each key; `not_elsewhere`: inside and outside).

A bond is *firm* when it counts only what is firmly placed, by every key that may be; else it counts all that is taken,
by settled keys. Bonds that nothing can break are left out, which is what keeps components small.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.assignment.problem import LARGEST_COST, AssignmentProblem, Basis, Edge, EdgeKeys, SetRule, SetRuleKind

COUNT_LEVELS = ("pins", "required", "places", "unknown", "alternatives")
UNKNOWN_LEVEL = COUNT_LEVELS.index("unknown")
ALTERNATIVES_LEVEL = COUNT_LEVELS.index("alternatives")


@dataclass(frozen=True, slots=True)
class Limit:
    """No more than `count` of `edges` are taken (firmly, when `firm`)."""

    edges: tuple[int, ...]
    count: int
    firm: bool


@dataclass(frozen=True, slots=True)
class Exclusion:
    """At most one of `sides` has an edge that is taken (firmly, when `firm`)."""

    sides: tuple[tuple[int, ...], ...]
    firm: bool


SideConstraint = Limit | Exclusion


@dataclass(frozen=True, slots=True)
class EdgeStatus:
    """How sure an edge is. `doubt` is what it rests on when it is tentative; FIRM: it never is. `wavers`: it may be
    placed firmly or tentatively, as the bonds allow; one that does not waver is tentative exactly when it has a doubt.
    """

    doubt: Basis
    wavers: bool


@dataclass(frozen=True, slots=True)
class Layout:
    """An instance ready to be solved. Edges are in order of place, then holding; all else speaks of them by number.

    `losses` gives every edge a number a level when placed as surely as it can be, all to be made small in order (what
    is wanted counts -1); an empty place loses nothing. A wavering edge that is placed tentatively loses 1 more on the
    level that `doubt_level` names.
    """

    places: int
    edges: tuple[Edge, ...]
    quantity: tuple[int, ...]
    standings: tuple[EdgeStatus, ...]
    losses: tuple[tuple[int, ...], ...]
    levels: tuple[str, ...]
    bonds: tuple[SideConstraint, ...]

    def doubt_level(self, edge: int) -> int:
        """The level on which a wavering edge counts when it is placed tentatively."""
        return UNKNOWN_LEVEL if self.standings[edge].doubt is Basis.UNKNOWN else ALTERNATIVES_LEVEL


@dataclass(frozen=True, slots=True)
class Component:
    """Places that hang together, by number, with the edges and bonds among them."""

    places: tuple[int, ...]
    edges: tuple[int, ...]
    bonds: tuple[SideConstraint, ...]


def lay_out(problem: AssignmentProblem) -> Layout:
    """The whole question. Raises ValueError with every fault when the problem breaks its own contract."""
    _check(problem)
    edges = _in_order(edge for edge in problem.edges if problem.quantity[edge.holding])
    standings = [_standing(edge, problem.rules) for edge in edges]
    bonds = _bonds(problem, edges, standings)
    in_play = {edge for bond in bonds if bond.firm for edge in edges_of(bond)}
    settled = tuple(
        EdgeStatus(Basis.FIRM, False) if standing.wavers and number not in in_play else standing
        for number, standing in enumerate(standings)
    )
    losses = tuple(_losses(edge, standing, problem) for edge, standing in zip(edges, settled, strict=True))
    levels = (*COUNT_LEVELS, *(f"prefer-{i}" for i in range(problem.preference_levels)), "moved")
    return Layout(len(problem.required), edges, problem.quantity, settled, losses, levels, bonds)


def lay_out_certain(problem: AssignmentProblem) -> Layout:
    """The question behind `certain`: firm edges without a wholly unknown key, all firm, every possible key counted."""
    _check(problem)
    kept = (edge for edge in problem.edges if problem.quantity[edge.holding])
    edges = _in_order(edge for edge in kept if _can_be_firm(_standing(edge, problem.rules)))
    sure = [EdgeStatus(Basis.FIRM, False)] * len(edges)
    bonds = _bonds(problem, edges, sure, certain=True)
    return Layout(
        len(problem.required), edges, problem.quantity, tuple(sure), ((-1,),) * len(edges), ("places",), bonds
    )


def components(board: Layout) -> tuple[Component, ...]:
    """The places with an edge, split into groups that share no holding and no bond; in order of their first place."""
    return split(board, range(len(board.edges)), board.bonds)


def split(board: Layout, edges: Iterable[int], bonds: Iterable[SideConstraint]) -> tuple[Component, ...]:
    """Components of some of the edges; bonds are cut down to these, and left out where nothing can break them now."""
    kept = sorted(edges)
    among = set(kept)
    cut = (_cut_down(bond, among) for bond in bonds)
    bonds = tuple(bond for bond in cut if _can_bind(bond, board.edges, board.quantity))
    leader = list(range(board.places + len(board.quantity)))

    def find(node: int) -> int:
        while leader[node] != node:
            leader[node] = leader[leader[node]]
            node = leader[node]
        return node

    for number in kept:
        edge = board.edges[number]
        leader[find(board.places + edge.holding)] = find(edge.place)
    for bond in bonds:
        first, *others = edges_of(bond)
        for other in others:
            leader[find(board.edges[other].place)] = find(board.edges[first].place)
    grouped: dict[int, list[int]] = {}
    for number in kept:
        grouped.setdefault(find(board.edges[number].place), []).append(number)
    tied: dict[int, list[SideConstraint]] = {}
    for bond in bonds:
        tied.setdefault(find(board.edges[edges_of(bond)[0]].place), []).append(bond)
    return tuple(
        Component(tuple(sorted({board.edges[n].place for n in group})), tuple(group), tuple(tied.get(root, ())))
        for root, group in grouped.items()
    )


def _cut_down(bond: SideConstraint, kept: set[int]) -> SideConstraint:
    if isinstance(bond, Limit):
        return Limit(tuple(edge for edge in bond.edges if edge in kept), bond.count, bond.firm)
    sides = (tuple(edge for edge in side if edge in kept) for side in bond.sides)
    return Exclusion(tuple(side for side in sides if side), bond.firm)


def edges_of(bond: SideConstraint) -> tuple[int, ...]:
    """All edges that the bond speaks of."""
    return bond.edges if isinstance(bond, Limit) else tuple(edge for side in bond.sides for edge in side)


def level_multipliers(spreads: Sequence[int]) -> tuple[int, ...]:
    """Multipliers that pack levels into one number: each exceeds the most by which all later ones can differ."""
    multipliers = [1] * len(spreads)
    for i in range(len(spreads) - 2, -1, -1):
        multipliers[i] = multipliers[i + 1] * (spreads[i + 1] + 1)
    return tuple(multipliers)


def _in_order(edges: Iterable[Edge]) -> tuple[Edge, ...]:
    return tuple(sorted(edges, key=lambda edge: (edge.place, edge.holding)))


def _losses(edge: Edge, standing: EdgeStatus, problem: AssignmentProblem) -> tuple[int, ...]:
    doubt = Basis.FIRM if standing.wavers else standing.doubt
    counts = (
        -int(edge.pinned),
        -int(problem.required[edge.place]),
        -1,
        int(doubt is Basis.UNKNOWN),
        int(doubt is Basis.ALTERNATIVES),
    )
    return (*counts, *edge.cost, -int(edge.stays))


def _covers(rule: SetRule, edge: Edge) -> bool:
    """A rule covers the edges into its places; `not_elsewhere` speaks of the places outside too."""
    outside = rule.kind is SetRuleKind.NOT_ELSEWHERE and (rule.among is None or edge.place in rule.among)
    return outside or edge.place in rule.places


def _standing(edge: Edge, rules: Iterable[SetRule]) -> EdgeStatus:
    """An edge's own doubt comes first; else the largest among the rules in which its key is unsettled."""
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


def _can_be_firm(standing: EdgeStatus) -> bool:
    return standing.wavers or standing.doubt is Basis.FIRM


def _bonds(
    problem: AssignmentProblem, edges: Sequence[Edge], standings: Sequence[EdgeStatus], certain: bool = False
) -> tuple[SideConstraint, ...]:
    firm = {number for number, standing in enumerate(standings) if _can_be_firm(standing)}
    found = (bond for rule in problem.rules for bond in _bonds_of(rule, edges, firm, problem.quantity, certain))
    return tuple(bond for bond in found if _can_bind(bond, edges, problem.quantity))


def _bonds_of(
    rule: SetRule, edges: Sequence[Edge], firm: set[int], quantity: Sequence[int], certain: bool
) -> Iterator[SideConstraint]:
    """The rule over settled keys of all that is taken, and over possible keys of what is firm. With `certain` all is
    firm, so the second alone says everything. Where every key is settled the second follows from the first."""
    inside = [number for number, edge in enumerate(edges) if edge.place in rule.places]
    outside = [n for n, edge in enumerate(edges) if edge.place not in rule.places and _covers(rule, edge)]
    keys = {number: rule.keys[edges[number].holding] for number in (*inside, *outside)}
    doubtful = {number for number in firm if number in keys and keys[number].possible != keys[number].settled}
    by_settled = {number: keys[number].settled for number in keys}
    by_possible = {number: keys[number].possible or frozenset() for number in keys if number in firm}
    counted = ((by_possible, False),) if certain else ((by_settled, False), (by_possible, True))
    pieces = _by_key({number: (edges[number].holding,) for number in inside if quantity[edges[number].holding] > 1})

    for shown, is_firm in counted:
        here = _by_key({number: shown[number] for number in inside if number in shown})
        if rule.kind in (SetRuleKind.AT_MOST, SetRuleKind.DIFFERENT):
            count = 1 if rule.kind is SetRuleKind.DIFFERENT else rule.count
            for group in here.values():
                if not is_firm or not doubtful.isdisjoint(group):
                    yield Limit(tuple(group), count, is_firm)
        elif rule.kind is SetRuleKind.NOT_ELSEWHERE:
            there = _by_key({number: shown[number] for number in outside if number in shown})
            for key, group in here.items():
                both = (*group, *there.get(key, ()))
                if not is_firm or not doubtful.isdisjoint(both):
                    yield Exclusion((tuple(group), tuple(there.get(key, ()))), is_firm)
        elif not is_firm or doubtful:
            # Pieces of one holding are alike whatever the key is; two holdings surely only when both are settled.
            yield Exclusion(tuple(map(tuple, _sides(inside, edges, keys, shown).values())), is_firm)

    # Pieces of one holding share the key for sure, known or not.
    if rule.kind is SetRuleKind.DIFFERENT:
        for group in pieces.values():
            yield Limit(tuple(group), 1, False)
    if rule.kind is SetRuleKind.NOT_ELSEWHERE:
        for holding, group in pieces.items():
            yield Exclusion((tuple(group), tuple(n for n in outside if edges[n].holding == holding)), False)


def _sides(
    inside: Iterable[int], edges: Sequence[Edge], keys: Mapping[int, EdgeKeys], shown: Mapping[int, Iterable[int]]
) -> dict[tuple[str, int], list[int]]:
    sides: dict[tuple[str, int], list[int]] = {}
    for number in inside:
        if number not in shown:
            continue
        if keys[number].possible == keys[number].settled:
            sides.setdefault(("key", min(keys[number].settled)), []).append(number)
        elif shown[number]:
            sides.setdefault(("holding", edges[number].holding), []).append(number)
    return dict(sorted(sides.items()))


def _by_key(shown: Mapping[int, Iterable[int]]) -> dict[int, list[int]]:
    groups: dict[int, list[int]] = {}
    for number, keys in shown.items():
        for key in keys:
            groups.setdefault(key, []).append(number)
    return dict(sorted(groups.items()))


def _can_bind(bond: SideConstraint, edges: Sequence[Edge], quantity: Sequence[int]) -> bool:
    """Whether so many coins could ever be taken that the bond matters."""
    spoken_of = edges_of(bond)
    places = {edges[number].place for number in spoken_of}
    pieces: dict[int, int] = {}
    for number in spoken_of:
        holding = edges[number].holding
        pieces[holding] = min(pieces.get(holding, 0) + 1, quantity[holding])
    most = min(len(places), sum(pieces.values()))
    if isinstance(bond, Limit):
        return most > bond.count
    return most > 1 and sum(1 for side in bond.sides if side) > 1


def _check(problem: AssignmentProblem) -> None:
    faults: list[str] = []
    places, holdings = len(problem.required), len(problem.quantity)
    seen: set[tuple[int, int]] = set()
    if any(quantity < 0 for quantity in problem.quantity):
        faults.append("a quantity is negative")
    for edge in problem.edges:
        name = f"edge (place {edge.place}, holding {edge.holding})"
        if not (0 <= edge.place < places and 0 <= edge.holding < holdings):
            faults.append(f"{name} names a place or holding that is not there")
        if (edge.place, edge.holding) in seen:
            faults.append(f"{name} is there twice")
        seen.add((edge.place, edge.holding))
        if len(edge.cost) != problem.preference_levels:
            faults.append(f"{name} has {len(edge.cost)} costs where {problem.preference_levels} are asked")
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
        if rule.kind is not SetRuleKind.AT_MOST:
            settled = keys.possible == keys.settled
            if (settled and len(keys.settled) != 1) or (not settled and keys.settled):
                yield f"{name} must have exactly one key when it is settled, and no settled key when it is not"
    if rule.count < 0:
        yield f"rule {rule.name!r} has a negative count"
