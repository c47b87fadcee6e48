"""The slow, obvious answer: every way of taking edges, every way of calling them tentative, rules read pair by pair."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

from service.assignment.problem import AssignmentProblem, Basis, Edge, SetRule
from service.rules.constraints import AT_LEAST, AT_MOST, DIFFERENT, MATCHES, NOT_ELSEWHERE, SAME

KINDS = (SAME, DIFFERENT, AT_MOST, NOT_ELSEWHERE, AT_LEAST, MATCHES)
"""The kinds of rules that are written out here."""
EMPTY_IS_LAST = 10**9


@dataclass(frozen=True)
class Truth:
    """What a solution must say: level values by name; placements as (place, holding, basis, forced, instead), where a
    tentative one is never forced; certain and possible."""

    levels: dict[str, int]
    placements: tuple[tuple[int, int, Basis, bool, tuple[int, ...]], ...]
    certain: int
    possible: int


def ways(problem: AssignmentProblem, edges: tuple[Edge, ...]) -> Iterator[tuple[Edge, ...]]:
    """Every set of edges with one holding to a place and no holding used up beyond its quantity."""
    per_place = [[None, *(e for e in edges if e.place == place)] for place in range(len(problem.required))]
    for row in product(*per_place):
        taken = tuple(edge for edge in row if edge is not None)
        if all(sum(e.holding == h for e in taken) <= q for h, q in enumerate(problem.quantity)):
            yield taken


def covers(rule: SetRule, edge: Edge) -> bool:
    """Whether the rule binds the edge by its key."""
    if rule.kind in (AT_LEAST, MATCHES):
        return False
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


def bound_by(problem: AssignmentProblem, edge: Edge) -> list[SetRule]:
    return [r for r in problem.rules if r.kind is MATCHES and r.bound == edge.place]


def may_be_tentative(problem: AssignmentProblem, edge: Edge) -> bool:
    return is_unsettled_somewhere(problem, edge) or bool(bound_by(problem, edge))


def by_keys(problem: AssignmentProblem, edge: Edge) -> Basis:
    """The strongest doubt of its keys."""
    unsettled = [r.keys[edge.holding].basis for r in problem.rules if covers(r, edge) and not is_settled(r, edge)]
    return max(unsettled, default=Basis.FIRM)


def facts_to_check(problem: AssignmentProblem, edge: Edge) -> int:
    if edge.basis is not Basis.FIRM:
        return edge.to_check
    rules = [r for r in problem.rules if covers(r, edge)] + bound_by(problem, edge)
    return len({fact for r in rules if not is_settled(r, edge) for fact in r.keys[edge.holding].to_check})


def match(rule: SetRule, one: Edge, other: Edge) -> Basis | None:
    """How sure it is that two coins share a key; None: they cannot."""
    if one.holding == other.holding:
        return Basis.FIRM
    mine, yours = rule.keys[one.holding], rule.keys[other.holding]
    if mine.possible is not None and yours.possible is not None and not mine.possible & yours.possible:
        return None
    return max((k.basis for k in (mine, yours) if k.possible != k.settled), default=Basis.FIRM)


def bases(problem: AssignmentProblem, taken: tuple[Edge, ...]) -> Iterator[dict[Edge, Basis]]:
    """Every way to call the placements firm or tentative, each with its basis, that no rule forbids."""
    options = []
    for edge in taken:
        if edge.basis is not Basis.FIRM:
            options.append([edge.basis])
        elif not may_be_tentative(problem, edge):
            options.append([Basis.FIRM])
        else:
            # By its keys alone the doubt is as strong as they are; a match may be worse.
            least = max(by_keys(problem, edge), Basis.ALTERNATIVES)
            tentative = [b for b in (Basis.ALTERNATIVES, Basis.UNKNOWN) if b >= least]
            if not bound_by(problem, edge):
                tentative = tentative[:1]
            options.append([*([Basis.FIRM] if may_be_firm(problem, edge) else []), *tentative])
    for row in product(*options):
        basis = dict(zip(taken, row, strict=True))
        firm = tuple(e for e in taken if basis[e] is Basis.FIRM)
        if all(keeps_possible(r, firm) for r in problem.rules) and all(
            is_matched(r, edge, basis) for edge in taken for r in bound_by(problem, edge)
        ):
            yield basis


def is_matched(rule: SetRule, edge: Edge, basis: dict[Edge, Basis]) -> bool:
    """Whether some other coin matches, as surely as this placement claims to be."""
    others = [other for other in basis if other.place in rule.places and other.place != rule.bound]
    least = [max(found, basis[other]) for other in others if (found := match(rule, edge, other)) is not None]
    if not least:
        return False
    return edge.basis is not Basis.FIRM or min(least) <= basis[edge]


def has_some_key(rule: SetRule, edge: Edge) -> bool:
    """Whether it has a key for sure, whichever; a coin of which it is not known whether it counts may have none."""
    keys = rule.keys[edge.holding]
    return bool(keys.settled) or keys.possible is None or len(keys.possible) > 1


def keeps_settled(rule: SetRule, taken: tuple[Edge, ...]) -> bool:
    """The rule over all that is taken, for what is known of the keys; pieces of one holding share the key for sure."""
    if rule.kind in (AT_LEAST, MATCHES):
        return True
    if rule.kind is AT_MOST:
        inside = [e for e in taken if e.place in rule.places]
        keys = {k for e in inside for k in rule.keys[e.holding].settled}
        pieces = Counter(e.holding for e in inside if has_some_key(rule, e))
        return all(sum(k in rule.keys[e.holding].settled for e in inside) <= rule.count for k in keys) and all(
            count <= rule.count for count in pieces.values()
        )
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
    if rule.kind in (AT_LEAST, MATCHES):
        return True
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


def answers(problem: AssignmentProblem) -> Iterator[dict[Edge, Basis]]:
    """Every allowed answer: the edges taken, with what each placement rests on."""
    usable = tuple(e for e in problem.edges if problem.quantity[e.holding])
    for taken in ways(problem, usable):
        if all(keeps_settled(rule, taken) for rule in problem.rules):
            yield from bases(problem, taken)


def levels(problem: AssignmentProblem, answer: dict[Edge, Basis]) -> dict[str, int]:
    taken, firm = list(answer), [e for e, basis in answer.items() if basis is Basis.FIRM]
    group_pins = sum(any(e.holding == p.holding and e.place in p.places for e in taken) for p in problem.group_pins)
    short = 0
    for rule in problem.rules:
        if rule.kind is AT_LEAST:
            reached = sum(e.place in rule.places and 1 in rule.keys[e.holding].settled for e in firm)
            short += max(0, rule.count - reached)
    found = {
        "pins": sum(e.pinned for e in taken) + group_pins,
        "required": sum(problem.required[e.place] for e in taken),
        "places": len(taken),
        "unknown": sum(basis is Basis.UNKNOWN for basis in answer.values()),
        "alternatives": sum(basis is Basis.ALTERNATIVES for basis in answer.values()),
        "to_check": sum(facts_to_check(problem, e) for e, basis in answer.items() if basis is not Basis.FIRM),
        "presumed": sum(e.presumed for e in firm),
        "shortfall": short,
    }
    found |= {f"prefer-{i + 1}": sum(e.cost[i] for e in taken) for i in range(problem.preference_levels)}
    return found | {"moved": sum(e.stays for e in taken), "order": 0}


def rank(values: dict[str, int]) -> tuple[int, ...]:
    return tuple(-v if name in ("pins", "required", "places", "moved") else v for name, v in values.items())


def truth(problem: AssignmentProblem) -> Truth:
    best: tuple[int, ...] | None = None
    optima: list[dict[Edge, Basis]] = []
    most_pins, certain, possible = -1, 0, 0
    for answer in answers(problem):
        values = levels(problem, answer)
        if values["pins"] > most_pins:
            most_pins, certain, possible = values["pins"], 0, 0
        if values["pins"] == most_pins:
            certain = max(certain, sum(basis is Basis.FIRM for basis in answer.values()))
            possible = max(possible, len(answer))
        worth = rank(values)
        if best is None or worth < best:
            best, optima = worth, []
        if worth == best:
            optima.append(answer)

    def order(answer: dict[Edge, Basis]) -> tuple[object, ...]:
        at = {e.place: e.holding for e in answer}
        seats = tuple(at.get(place, EMPTY_IS_LAST) for place in range(len(problem.required)))
        told = [answer[e] for e in sorted(answer, key=lambda e: e.place)]
        return seats, [basis is not Basis.FIRM for basis in told], [basis is Basis.UNKNOWN for basis in told]

    chosen = min(optima, key=order)
    placements = tuple(
        (e.place, e.holding, basis, *standing(problem, e, chosen, optima))
        if basis is Basis.FIRM
        else (e.place, e.holding, basis, False, ())
        for e, basis in sorted(chosen.items(), key=lambda item: item[0].place)
    )
    return Truth(levels(problem, chosen), placements, certain, possible)


def standing(
    problem: AssignmentProblem, edge: Edge, chosen: dict[Edge, Basis], optima: list[dict[Edge, Basis]]
) -> tuple[bool, tuple[int, ...]]:
    """Whether the holding is in this place, or somewhere among the places alike, in every optimum; and who is there instead
    in some optimum without it, and not now."""
    unit = next((group for group in problem.alike if edge.place in group), frozenset({edge.place}))
    now = {e.holding for e in chosen if e.place in unit}
    forced, instead = True, set[int]()
    for optimum in optima:
        there = {e.holding for e in optimum if e.place in unit}
        if edge.holding not in there:
            forced = False
            instead |= there - now
    return forced, tuple(sorted(instead)[:5])
