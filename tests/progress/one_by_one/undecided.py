"""Coins in doubt, pair by pair: what `service.progress.undecided` does on arrays, as it was first written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.problem import Placement
from service.evaluation.places import FREE_CHOICE
from service.evaluation.settling import SettlingFacts, TrialBudget, settle_places
from service.evaluation.table import Table
from service.facts.truth import UNDECIDED
from service.progress.description import MessageNames
from service.progress.result import UndecidedConflict
from service.rules.predicates import Predicate, reads

MOST_DOUBTS = 500
MOST_TRIALS = 200_000


def doubts(instance: Instance, table: Table, seats: Mapping[int, Placement]) -> tuple[list[UndecidedConflict], int]:
    """One conflict for every coin that may fit some place, and how many were left out past the first 500: coins that sit
    somewhere come first, then by id. Like coins are looked at once. Past a number of trials `limit` says that a list of
    facts may not be the shortest."""
    in_doubt: dict[int, dict[str, Predicate]] = {}
    for at, place in enumerate(instance.places):
        for coin, fit in instance.fits[at].items():
            if fit.verdict is UNDECIDED:
                address = place.group if place.kind == FREE_CHOICE else place.address
                in_doubt.setdefault(coin, {})[address] = place.predicate
    sitting = {seat.holding for seat in seats.values()}
    order = sorted(in_doubt, key=lambda coin: (coin not in sitting, coin))
    known: dict[object, SettlingFacts] = {}
    read: dict[int, frozenset[str]] = {}
    allowance = TrialBudget(MOST_TRIALS)
    names, told = MessageNames(instance, table), []
    for coin in order[:MOST_DOUBTS]:
        rules, views = in_doubt[coin], instance.views[coin]
        for rule in rules.values():
            if id(rule) not in read:
                read[id(rule)] = reads(rule)
        facts = sorted(frozenset[str]().union(*{read[id(rule)] for rule in rules.values()}))
        key = (tuple(rules), tuple((view.issue, *(view.facts.get(name) for name in facts)) for view in views))
        if key not in known:
            known[key] = settle_places(rules, views, table.attributes, table.context, allowance)
        told.append(_told(instance, names, coin, list(rules), known[key]))
    return told, len(order) - len(told)


def _told(
    instance: Instance, names: MessageNames, coin: int, places: Sequence[str], settled: SettlingFacts
) -> UndecidedConflict:
    said = names.what_settles("undecided", settled, coin=names.coin(coin), places=names.places(places))
    return UndecidedConflict(
        holding=instance.holdings[coin].id,
        places=list(places),
        settle=settled.facts,
        **said.members(),
        limit=settled.limit or UNSET,
        reference=names.missing(settled.gaps) or UNSET,
    )
