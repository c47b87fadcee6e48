"""Which places of a problem hang together: what is decided in one group of them changes nothing in another."""

from __future__ import annotations

from service.assignment.problem import AssignmentProblem


def leaders_of(problem: AssignmentProblem) -> list[int]:
    """For every place the first of those that hang together with it, by coins or by a rule that speaks of both."""
    leader = list(range(len(problem.required)))

    def find(place: int) -> int:
        while leader[place] != place:
            leader[place] = leader[leader[place]]
            place = leader[place]
        return place

    def join(one: int, other: int) -> None:
        low, high = sorted((find(one), find(other)))
        leader[high] = low

    first: dict[int, int] = {}
    for edge in problem.edges:
        join(edge.place, first.setdefault(edge.holding, edge.place))
    for rule in problem.rules:
        # Coins outside of its places matter to `not_elsewhere` too.
        covered = list(range(len(leader))) if rule.kind.looks_outside else sorted(rule.places)
        covered += [] if rule.bound is None else [rule.bound]
        for place in covered:
            join(place, covered[0])
    return [find(place) for place in range(len(leader))]
