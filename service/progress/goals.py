"""What the rules `at_least` want, what is reached of it, and where a coin would help."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import UNSET

from service.analysis.satisfiability import WantedVerdict, find_witness
from service.assignment.build import Instance
from service.assignment.problem import Basis, Placement
from service.evaluation.table import Table
from service.facts.truth import NO, YES
from service.progress.result import Goal
from service.rules.constraints import Constraint
from service.rules.predicates import Predicate

MOST_ASKED = 300
"""Distinct rules of places that are held against one goal; past it a place is taken to be able to have a coin that counts."""


def goals_of(instance: Instance, table: Table, seats: Mapping[int, Placement]) -> list[Goal]:
    """One entry for each rule `at_least`, in the order of the document.

    `reached` counts certain placements whose coin surely fits `where`. `would_reach` are the places without such a coin that
    one could fit, empty or not: an open-ended group counts by the places that it has.
    """
    return [_goal(instance, table, seats, constraint) for constraint in instance.constraints if constraint.kind.is_goal]


def _goal(instance: Instance, table: Table, seats: Mapping[int, Placement], constraint: Constraint) -> Goal:
    assert constraint.where is not None
    where, wanted = constraint.where.predicate, set(constraint.places)
    named = [at for at, p in enumerate(instance.places) if not wanted or p.address in wanted or p.group in wanted]
    counting = {
        at
        for at in named
        if at in seats
        and seats[at].basis is Basis.FIRM
        and table.verdict(where, instance.views[seats[at].holding]) is YES
    }
    known: dict[Predicate, bool] = {}
    able = []
    for at in named:
        place = instance.places[at]
        if at in counting or (place.is_open and at not in seats):
            continue
        rule = place.predicate
        if rule not in known:
            known[rule] = len(known) >= MOST_ASKED or _can_be_both(rule, where, table)
        if known[rule]:
            able.append(place.address)
    reached = len(counting)
    short_by, note = max(0, constraint.count - reached), constraint.note or UNSET
    return Goal(constraint.id, constraint.label, constraint.count, reached, short_by, able, note)


def _can_be_both(rule: Predicate, where: Predicate, table: Table) -> bool:
    wanted = (WantedVerdict(rule), WantedVerdict(where))
    return find_witness(wanted, table.attributes, table.context).possible is not NO
