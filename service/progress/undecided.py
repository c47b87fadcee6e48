"""Conflicts of kind `undecided`: coins of which it cannot be told yet where they fit, with the facts that would tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.problem import Basis, Placement
from service.evaluation.places import FREE_CHOICE
from service.evaluation.settled import Settled
from service.evaluation.settling import SettlingFacts, TrialBudget
from service.evaluation.table import Table
from service.progress.description import MessageNames
from service.progress.result import UndecidedConflict
from service.rules.predicates import Predicate

MOST_DOUBTS = 500
MOST_TRIALS = 200_000


def doubts(instance: Instance, table: Table, seats: Mapping[int, Placement]) -> tuple[list[UndecidedConflict], int]:
    """One conflict for every coin that may fit some place, and how many were left out past the first 500: coins that sit
    somewhere come first, then by id. Like coins are looked at once. Past a number of trials `limit` says that a list of
    facts may not be the shortest."""
    every = _in_doubt(instance, seats)
    told = _all_told(instance, table, every[:MOST_DOUBTS])
    return told, len(every) - len(told)


def doubts_after(
    instance: Instance, table: Table, seats: Mapping[int, Placement], key: str | None, most: int
) -> tuple[list[UndecidedConflict], str | None]:
    """Up to so many of these conflicts from behind the coin with this key, in the same order, and the key of the last one where
    there are more. A key says whether the coin sits nowhere, and its id."""
    sitting = {seat.holding for seat in seats.values()}
    ids = instance.coins.ids

    def key_of(coin: int) -> str:
        return f"{int(coin not in sitting)}/{ids[coin]}"

    waiting = [coin for coin in _in_doubt(instance, seats) if key is None or key_of(coin) > key]
    told = _all_told(instance, table, waiting[:most])
    return told, key_of(waiting[most - 1]) if len(waiting) > most else None


def _in_doubt(instance: Instance, seats: Mapping[int, Placement]) -> list[int]:
    """Every coin that may fit some place, in order."""
    edges, sitting = instance.edges, np.zeros(len(instance.coins), bool)
    sitting[[seat.holding for seat in seats.values()]] = True
    every = np.unique(edges.holding[edges.basis != Basis.FIRM])
    order: list[int] = np.concatenate((every[sitting[every]], every[~sitting[every]])).tolist()
    return order


def _all_told(instance: Instance, table: Table, order: Sequence[int]) -> list[UndecidedConflict]:
    edges = instance.edges
    in_doubt: dict[int, dict[str, Predicate]] = {coin: {} for coin in order}
    told_of = np.flatnonzero((edges.basis != Basis.FIRM) & np.isin(edges.holding, order))
    for at, coin in zip(edges.place[told_of].tolist(), edges.holding[told_of].tolist(), strict=True):
        place = instance.places[at]
        address = place.group if place.kind == FREE_CHOICE else place.address
        in_doubt[coin][address] = place.predicate
    settled = Settled(table.attributes, table.context, TrialBudget(MOST_TRIALS), table.known)
    names, told = MessageNames(instance, table), []
    for coin in order:
        rules = in_doubt[coin]
        told.append(_told(instance, names, coin, list(rules), settled.places(rules, instance.views[coin])))
    return told


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
