"""Conflicts of kind `contested`: places that together have fewer fitting coins than places."""

from __future__ import annotations

from collections.abc import Mapping

from service.assignment.build import Instance
from service.assignment.contests import Contest, contests
from service.assignment.problem import Placement
from service.evaluation.table import Table
from service.facts.truth import YES
from service.progress.description import MessageNames
from service.progress.result import ContestedConflict
from service.rules.messages import message, some


def contested(instance: Instance, table: Table, seats: Mapping[int, Placement]) -> list[ContestedConflict]:
    """One conflict for every place that stays empty because the coins that fit it are all needed in a minimal group of
    places; `short_by` is places minus fitting coins, which for a minimal group is 1. Coins that may fit count as fitting,
    since they fill places too; a place that no coin fits for certain is a matter of doubts, not of contests."""
    empty = [
        at
        for at, place in enumerate(instance.places)
        if at not in seats and not place.is_open and any(fit.verdict is YES for fit in instance.fits[at].values())
    ]
    taken = {at: seat.holding for at, seat in seats.items()}
    names = MessageNames(instance, table)
    return [
        _told(instance, names, contest) for contest in contests(empty, instance.fits, taken, instance.problem.quantity)
    ]


def _told(instance: Instance, names: MessageNames, contest: Contest) -> ContestedConflict:
    pieces = sum(instance.problem.quantity[holding] for holding in contest.holdings)
    short = len(contest.places) - pieces
    told = {
        "count": len(contest.places),
        "short": short,
        "coins": some([names.coin(holding) for holding in contest.holdings]),
        "places": names.places(instance.places[at].address for at in contest.places),
    }
    said = message("contested-one-coin", **told) if pieces == 1 else message("contested", **told, pieces=pieces)
    return ContestedConflict(
        places=[instance.places[at].address for at in contest.places],
        holdings=[instance.coins.ids[holding] for holding in contest.holdings],
        empty=instance.places[contest.empty].address,
        short_by=short,
        **said.members(),
    )
