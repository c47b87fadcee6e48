"""The slow, obvious answer: every way of taking edges, every way of calling them tentative, rules read pair by pair."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

from service.assignment.problem import AssignmentProblem, Basis, Edge, SetRule
from service.rules.constraints import AT_MOST, DIFFERENT, NOT_ELSEWHERE, SAME

KINDS = (SAME, DIFFERENT, AT_MOST, NOT_ELSEWHERE)
"""The kinds of rules that are written out here."""
EMPTY_IS_LAST = 10**9


@dataclass(frozen=True)
class Truth:
    """What a solution must say: level values by name, placements as (place, holding, basis, forced), certain."""

    levels: dict[str, int]
    placements: tuple[tuple[int, int, Basis, bool], ...]
    certain: int


def ways(problem: AssignmentProblem, edges: tuple[Edge, ...]) -> Iterator[tuple[Edge, ...]]:
    """Every set of edges with one holding to a place and no holding used up beyond its quantity."""
    per_place = [[None, *(e for e in edges if e.place == place)] for place in range(len(problem.required))]
    for row in product(*per_place):
        taken = tuple(edge for edge in row if edge is not None)
        if all(sum(e.holding == h for e in taken) <= q for h, q in enumerate(problem.quantity)):
            yield taken


def covers(rule: SetRule, edge: Edge) -> bool:
    if rule.kind is NOT_ELSEWHERE:
        return rule.among is None or edge.place in rule.among or edge.place in rule.places
    return edge.place in rule.places


def is_settled(rule: SetRule, edge: Edge) -> bool:
    return rule.keys[edge.holding].possible == rule.keys[edge.holding].settled


def is_unknown(rule: SetRule, edge: Edge) -> bool:
    return rule.keys[edge.holding].possible is None


def may_be_firm(problem: AssignmentProblem, edge: Edge) -> bool:
    return edge.basis is Basis.FIRM and not any(covers(r, edge) and is_unknown(r, edge) for r in problem.rules)


def is_unsettled_somewhere(problem: AssignmentProblem, edge: Edge) -> bool:
    return any(covers(r, edge) and not is_settled(r, edge) for r in problem.rules)


def doubt(problem: AssignmentProblem, edge: Edge) -> Basis:
    if edge.basis is not Basis.FIRM:
        return edge.basis
    return max(r.keys[edge.holding].basis for r in problem.rules if covers(r, edge) and not is_settled(r, edge))


def keeps_settled(rule: SetRule, taken: tuple[Edge, ...]) -> bool:
    """The rule over all that is taken, for what is known of the keys; pieces of one holding share the key for sure."""
    if rule.kind is AT_MOST:
        inside = [e for e in taken if e.place in rule.places]
        keys = {k for e in inside for k in rule.keys[e.holding].settled}
        return all(sum(k in rule.keys[e.holding].settled for e in inside) <= rule.count for k in keys)
    for a, b in combinations([e for e in taken if covers(rule, e)], 2):
        same_holding = a.holding == b.holding
        both_settled = is_settled(rule, a) and is_settled(rule, b)
        surely_same = same_holding or (both_settled and rule.keys[a.holding].settled == rule.keys[b.holding].settled)
        surely_differ = not same_holding and both_settled and not surely_same
        a_in, b_in = a.place in rule.places, b.place in rule.places
        if rule.kind is SAME and a_in and b_in and surely_differ:
            return False
        if rule.kind is DIFFERENT and a_in and b_in and surely_same:
            return False
        if rule.kind is NOT_ELSEWHERE and a_in != b_in and surely_same:
            return False
    return True


def keeps_possible(rule: SetRule, firm: tuple[Edge, ...]) -> bool:
    """The rule over what is firm, in every world that the keys allow."""
    if rule.kind is AT_MOST:
        inside = [e for e in firm if e.place in rule.places]
        keys = {k for e in inside for k in rule.keys[e.holding].possible}
        return all(sum(k in rule.keys[e.holding].possible for e in inside) <= rule.count for k in keys)
    for a, b in combinations([e for e in firm if covers(rule, e)], 2):
        mine, yours = rule.keys[a.holding].possible, rule.keys[b.holding].possible
        a_in, b_in = a.place in rule.places, b.place in rule.places
        may_be_same = a.holding == b.holding or bool(mine & yours)
        may_differ = a.holding != b.holding and not (len(mine) == 1 and mine == yours)
        if rule.kind is SAME and a_in and b_in and may_differ:
            return False
        if rule.kind is DIFFERENT and a_in and b_in and may_be_same:
            return False
        if rule.kind is NOT_ELSEWHERE and a_in != b_in and may_be_same:
            return False
    return True


def answers(problem: AssignmentProblem) -> Iterator[tuple[tuple[Edge, ...], frozenset[Edge]]]:
    """Every allowed (taken, tentative)."""
    usable = tuple(e for e in problem.edges if problem.quantity[e.holding])
    for taken in ways(problem, usable):
        if not all(keeps_settled(rule, taken) for rule in problem.rules):
            continue
        never_firm = frozenset(e for e in taken if not may_be_firm(problem, e))
        free = [e for e in taken if e not in never_firm and is_unsettled_somewhere(problem, e)]
        for flags in product((False, True), repeat=len(free)):
            tentative = never_firm | {e for e, flag in zip(free, flags, strict=True) if flag}
            firm = tuple(e for e in taken if e not in tentative)
            if all(keeps_possible(rule, firm) for rule in problem.rules):
                yield taken, tentative


def levels(problem: AssignmentProblem, taken: tuple[Edge, ...], tentative: frozenset[Edge]) -> dict[str, int]:
    found = {
        "pins": sum(e.pinned for e in taken),
        "required": sum(problem.required[e.place] for e in taken),
        "places": len(taken),
        "unknown": sum(doubt(problem, e) is Basis.UNKNOWN for e in tentative),
        "alternatives": sum(doubt(problem, e) is Basis.ALTERNATIVES for e in tentative),
    }
    found |= {f"prefer-{i}": sum(e.cost[i] for e in taken) for i in range(problem.preference_levels)}
    return found | {"moved": sum(e.stays for e in taken), "order": 0}


def rank(values: dict[str, int]) -> tuple[int, ...]:
    return tuple(-v if name in ("pins", "required", "places", "moved") else v for name, v in values.items())


def truth(problem: AssignmentProblem) -> Truth:
    best: tuple[int, ...] | None = None
    optima: list[tuple[tuple[Edge, ...], frozenset[Edge]]] = []
    for taken, tentative in answers(problem):
        worth = rank(levels(problem, taken, tentative))
        if best is None or worth < best:
            best, optima = worth, []
        if worth == best:
            optima.append((taken, tentative))

    def order(answer: tuple[tuple[Edge, ...], frozenset[Edge]]) -> tuple[object, ...]:
        taken, tentative = answer
        at = {e.place: e.holding for e in taken}
        seats = tuple(at.get(place, EMPTY_IS_LAST) for place in range(len(problem.required)))
        return seats, tuple(e in tentative for e in sorted(taken, key=lambda e: e.place))

    taken, tentative = min(optima, key=order)
    in_every = frozenset.intersection(*(frozenset((e.place, e.holding) for e in t) for t, _ in optima))
    placements = tuple(
        (e.place, e.holding, doubt(problem, e) if e in tentative else Basis.FIRM, (e.place, e.holding) in in_every)
        for e in sorted(taken, key=lambda e: e.place)
    )
    return Truth(levels(problem, taken, tentative), placements, certain(problem))


def certain(problem: AssignmentProblem) -> int:
    firm = tuple(e for e in problem.edges if problem.quantity[e.holding] and may_be_firm(problem, e))
    return max(
        len(taken) for taken in ways(problem, firm) if all(keeps_possible(rule, taken) for rule in problem.rules)
    )
