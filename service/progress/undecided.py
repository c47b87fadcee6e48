"""Conflicts of kind `undecided`: coins of which it cannot be told yet where they fit, with the facts that would tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.problem import Basis, Placement
from service.evaluation.places import FREE_CHOICE
from service.evaluation.settling import SettlingFacts, TrialBudget, settle_places
from service.evaluation.table import Table
from service.progress.description import MessageNames
from service.progress.result import UndecidedConflict
from service.rules.predicates import Predicate, reads

MOST_DOUBTS = 500
MOST_TRIALS = 200_000


def doubts(instance: Instance, table: Table, seats: Mapping[int, Placement]) -> tuple[list[UndecidedConflict], int]:
    """One conflict for every coin that may fit some place, and how many were left out past the first 500: coins that sit
    somewhere come first, then by id. Like coins are looked at once. Past a number of trials `limit` says that a list of
    facts may not be the shortest."""
    edges, sitting = instance.edges, np.zeros(len(instance.coins), bool)
    sitting[[seat.holding for seat in seats.values()]] = True
    is_doubt = edges.basis != Basis.FIRM
    every = np.unique(edges.holding[is_doubt])
    order: list[int] = np.concatenate((every[sitting[every]], every[~sitting[every]]))[:MOST_DOUBTS].tolist()
    in_doubt: dict[int, dict[str, Predicate]] = {coin: {} for coin in order}
    told_of = np.flatnonzero(is_doubt & np.isin(edges.holding, order))
    for at, coin in zip(edges.place[told_of].tolist(), edges.holding[told_of].tolist(), strict=True):
        place = instance.places[at]
        address = place.group if place.kind == FREE_CHOICE else place.address
        in_doubt[coin][address] = place.predicate
    known: dict[object, SettlingFacts] = {}
    read: dict[int, frozenset[str]] = {}
    allowance = TrialBudget(MOST_TRIALS)
    names, told = MessageNames(instance, table), []
    for coin in order:
        rules, views = in_doubt[coin], instance.views[coin]
        for rule in rules.values():
            if id(rule) not in read:
                read[id(rule)] = reads(rule)
        facts = sorted(frozenset[str]().union(*{read[id(rule)] for rule in rules.values()}))
        key = (tuple(rules), tuple((view.issue, *(view.facts.get(name) for name in facts)) for view in views))
        if key not in known:
            known[key] = settle_places(rules, views, table.attributes, table.context, allowance)
        told.append(_told(instance, names, coin, list(rules), known[key]))
    return told, len(every) - len(told)


def _told(
    instance: Instance, names: MessageNames, coin: int, places: Sequence[str], settled: SettlingFacts
) -> UndecidedConflict:
    said = names.what_settles("undecided", settled, coin=names.coin(coin), places=names.places(places))
    return UndecidedConflict(
        holding=instance.coins.ids[coin],
        places=list(places),
        settle=settled.facts,
        **said.members(),
        limit=settled.limit or UNSET,
        reference=names.missing(settled.gaps) or UNSET,
    )
