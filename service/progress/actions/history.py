"""Recording how a set stands: read in one snapshot, evaluated without a transaction, written only if all is still so."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TypeVar

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.definitions.history import actions
from service.definitions.history.model import HistoryChange, RecordedDay, RecordedPlacements
from service.definitions.history.store import HistoryStore
from service.errors import Conflict, Fault, Invalid, Sentence, Stale
from service.progress.actions.stored_set import StoredSet, load_key, load_stored_set
from service.progress.evaluate import evaluate_unnamed
from service.progress.history import HistoryNote, history_events, plan, recorded_placements
from service.progress.result import plain
from service.reference import actions as reference
from service.runtime import Context

_T = TypeVar("_T")
_TRIES = 4


@dataclass(frozen=True)
class Look:
    """A set and its history in one snapshot."""

    mine: StoredSet
    standing: RecordedPlacements

    def follows_from(self, day: date) -> tuple[tuple[object, ...], RecordedPlacements]:
        """What must not have changed when the day is recorded."""
        return self.mine.version(day), self.standing


@dataclass(frozen=True)
class HistoryDraft:
    """A record ready to be written, and its answer."""

    plan: HistoryChange
    noted: RecordedDay
    note: HistoryNote


Act = Callable[[Connection], HistoryNote]


async def note(
    context: Context,
    owner: Owner,
    identity: str,
    day: date | None,
    revision: int | None,
    save: Callable[[Act], Awaitable[_T]],
) -> _T:
    """Records how the set stands on a day (None: today), under a revision (None: the one that it follows). `save` runs the act
    in one transaction. What changes while the set is evaluated makes it be evaluated again; raises Conflict when that
    happens every time."""
    for _ in range(_TRIES):
        look = await context.read(lambda connection: _look(connection, owner, identity, revision))
        act = await _prepared(context, owner, identity, day, revision, look)
        try:
            return await save(act)
        except Stale:
            continue
    raise Conflict("coins or the definition changed each time while the set was evaluated: send it again")


async def _prepared(
    context: Context, owner: Owner, identity: str, asked: date | None, revision: int | None, look: Look
) -> Act:
    """What the transaction is to do."""
    day = asked or context.today()
    fault = _fault_of_day(look.standing, day, context.today())
    draft = None if fault else await context.compute(lambda: draft_of(look, day, context.now()))

    def act(connection: Connection) -> HistoryNote:
        # A request that is sent again with its Idempotency-Key is answered before it comes to this.
        if fault is not None or draft is None:
            raise Invalid([fault] if fault else [])

        def expect(standing: RecordedPlacements) -> None:
            if (load_key(connection, owner, identity, revision).version(day), standing) != look.follows_from(day):
                raise Stale("coins or the definition changed while the set was evaluated")

        actions.record_day(connection, owner, identity, draft.plan, draft.noted, expect=expect)
        return draft.note

    return act


def draft_of(look: Look, day: date, now: datetime) -> HistoryDraft:
    """The record of a day. Coins stay where the last one had them where nothing speaks against it. Takes its time."""
    standing = look.standing
    previous = tuple((filling.placement.place, filling.placement.holding) for filling in standing.open)
    result = evaluate_unnamed(replace(look.mine.ask(day).request, previous=previous))
    placements = recorded_placements(result)
    revision, state = look.mine.revision, look.mine.state
    noted = RecordedDay(day, revision.number, revision.digest, state, plain(result.summary), now)
    note = HistoryNote(
        noted_on=day,
        changes=history_events(standing, placements),
        definition=result.definition,
        holdings_state=state,
        summary=result.summary,
        proven_optimal=result.proven_optimal,
        reference_edition=reference.edition(),
        engine_version=result.engine_version,
    )
    return HistoryDraft(plan(standing, placements, day), noted, note)


def _look(connection: Connection, owner: Owner, identity: str, number: int | None) -> Look:
    return Look(
        load_stored_set(connection, owner, identity, number), HistoryStore(connection, owner).standing(identity)
    )


def _fault_of_day(standing: RecordedPlacements, day: date, today: date) -> Fault | None:
    last = standing.noted
    if last is not None and day < last.day:
        message = Sentence(
            "the set was noted on {day} already: an earlier day cannot be noted any more", day=last.day.isoformat()
        )
        return Fault("day-order", message, "/on", Sentence("{day} or later", day=last.day.isoformat()))
    # Somewhere it is tomorrow already.
    if day > today + timedelta(days=1):
        return Fault.of(
            "day-order", "{day} is still to come: a note records how the set is filled", "/on", day=day.isoformat()
        )
    return None
