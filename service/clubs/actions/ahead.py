"""Standings of members, worked out ahead of being asked for, so that a club's page is answered from what is kept.

What is kept, and by what it is known to be of now, is what a request keeps (standings.py): one that comes while this runs, or
where it never ran, answers the same. Work is done in processes for work, a few seconds at a time, and requests go first.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import structlog
from sqlalchemy import Connection

from service.clubs.actions.standings import SPARES, STANDING, basis_of, newest_offered, renewed
from service.clubs.model import ClubOffer
from service.clubs.store.offers import OfferedIn, ShownDefinition, ShownStore, offers_with_standings
from service.errors import Busy, SetwrightError, TooHeavy
from service.runtime import Context

log = structlog.get_logger(part="standings")

# A run takes so many seconds, and looks at so many definitions of clubs; the next one goes on after them.
RUN_SECONDS = 30.0
MOST_OFFERS = 200
# At so many definitions one piece of work looks, and for so many seconds one evaluates: then whoever waits has a turn.
_LOOKED_AT_ONCE = 20
PIECE_SECONDS = 3.0
_DOING = "working out the members' standings"


@dataclass(frozen=True, slots=True)
class Renewal:
    """What a piece of work did: so many standings are kept anew, so many could not be worked out, so many are still as they
    were. `counts`: what it counted, by name and labels."""

    renewed: int
    failed: int
    left: int
    counts: Counter[tuple[str, tuple[str, ...]]] = field(default_factory=Counter)


class StandingsAhead:
    """Brings the standings of all clubs up to date, run by run."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._after: OfferedIn | None = None

    async def run(self) -> Renewal:
        """One run, which goes on where the last one ended. It ends early where requests wait for processes."""
        until, looked_at, total = time.monotonic() + RUN_SECONDS, 0, Renewal(0, 0, 0)
        while looked_at < MOST_OFFERS:
            after = self._after
            offers = await self._context.read(lambda c, after=after: offers_with_standings(c, after, _LOOKED_AT_ONCE))  # type: ignore[misc]
            if not offers:
                self._after = None
                break
            looked_at += len(offers)
            try:
                total, is_through = await self._brought_up(offers, until, total)
            except Busy:
                break
            if not is_through:
                break
        if total.failed:
            log.warning("standings that could not be worked out", failed=total.failed, renewed=total.renewed)
        return total

    async def _brought_up(self, offers: Sequence[OfferedIn], until: float, total: Renewal) -> tuple[Renewal, bool]:
        """What was done in all, and whether there is time for more."""
        if not self._has_room(until):
            return total, False
        try:
            found, looked_at = await self._work("outdated_standings", offers, PIECE_SECONDS)
        except TooHeavy:
            found, looked_at = [], 1
        for offer in found:
            while True:
                if not self._has_room(until):
                    return total, False
                try:
                    done: Renewal = await self._work("renew_standings", offer, PIECE_SECONDS)
                except TooHeavy:
                    # Of one of its members; whoever asks is told. Those before are kept.
                    done = Renewal(0, 1, 0)
                self._context.job_tally.counts.update(done.counts)
                total = Renewal(total.renewed + done.renewed, total.failed + done.failed, total.left + done.left)
                if not done.left or not done.renewed:
                    break
            self._after = offer
        self._after = offers[looked_at - 1]
        return total, True

    def _has_room(self, until: float) -> bool:
        members = self._context.members
        return members is not None and not members.waiting and time.monotonic() < until

    async def _work(self, name: str, *arguments: object) -> Any:
        context = self._context
        assert context.members is not None
        return await context.members.run(
            f"service.inside:{name}",
            context.settings,
            context.now(),
            *arguments,
            seconds=context.settings.request_seconds,
            doing=_DOING,
        )


async def outdated(context: Context, offers: Sequence[OfferedIn], seconds: float) -> tuple[list[OfferedIn], int]:
    """Those of which a standing that a member shows is not kept, or not of now, among the first so many that were looked at until
    that took so long."""
    until, found, looked_at = time.monotonic() + seconds, [], 0
    for offer in offers:
        if looked_at and time.monotonic() > until:
            break
        looked_at += 1
        try:
            _, old, _ = await _old(context, offer, context.today())
        except SetwrightError:
            # It was withdrawn meanwhile, or says to whoever asks what is wrong with it.
            continue
        if old:
            found.append(offer)
    return found, looked_at


async def renew(context: Context, offer: OfferedIn, seconds: float) -> Renewal:
    """Works out what is not of now, member by member, until that took so long."""
    until, day = time.monotonic() + seconds, context.today()
    try:
        offered, old, bases = await _old(context, offer, day)
    except SetwrightError:
        return Renewal(0, 0, 0)
    failed = 0
    for at, shown in enumerate(old):
        if time.monotonic() > until:
            return Renewal(at - failed, failed, len(old) - at)
        what = STANDING if shown.consent.standing else SPARES
        try:
            await renewed(context, offer.club, what, offered, [shown], bases, day)
        except SetwrightError:
            failed += 1
    return Renewal(len(old) - failed, failed, 0)


async def _old(
    context: Context, offer: OfferedIn, day: date
) -> tuple[ClubOffer, list[ShownDefinition], dict[str, str]]:
    """The newest revision, the members whose standing is not of now, and by owner what is."""
    offered = await newest_offered(context, offer.club, offer.definition)
    bases: dict[str, str] = {}

    def look(connection: Connection) -> list[ShownDefinition]:
        store = ShownStore(connection, offer.club, offer.definition)
        members = {shown.owner.id: shown for what in (STANDING, SPARES) for shown in store.page(what, None, None)}
        bases.update((owner, basis_of(connection, shown, offered, day)) for owner, shown in members.items())
        return [shown for owner, shown in members.items() if shown.basis != bases[owner]]

    return offered, await context.read(look), bases
