"""Noting how a set stands: read in one snapshot, worked out without a transaction, written only if all is still so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from fastapi import Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service import runtime
from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.definitions.history import actions
from service.definitions.history.model import HistoryChange, RecordedDay, RecordedPlacements
from service.definitions.history.store import HistoryStore
from service.definitions.store import DefinitionStore
from service.errors import Conflict, Fault, Invalid, Stale
from service.holdings.store import HoldingStore
from service.http.declared import Body
from service.http.idempotency import idempotent
from service.http.pagination import number_key, plain_page
from service.http.responses import Answer
from service.http.schemas.history import HistoryQuery, NoteIn, shown_filling, shown_noted
from service.progress.actions.evaluate import StoredSet, editions, evaluation_tag, find_revision, load_stored_set, today
from service.progress.evaluate import evaluate
from service.progress.history import history_events, plan, recorded_placements
from service.progress.result import plain
from service.reference.store import IssueStore

_TRIES = 4


@dataclass(frozen=True)
class Look:
    """A set and its history in one snapshot."""

    mine: StoredSet
    standing: RecordedPlacements

    def rests_on(self, day: date) -> tuple[str, RecordedPlacements]:
        """What must not have changed when the note is written."""
        mine = self.mine
        tag = evaluation_tag(mine.revision, mine.state, day, mine.decisions, mine.own.version)
        return tag, self.standing


@dataclass(frozen=True)
class HistoryDraft:
    """A note ready to be written, and its answer."""

    plan: HistoryChange
    noted: RecordedDay
    answer: dict[str, Any]


async def note(
    request: Request, parts: runtime.Context, owner: Owner, identity: str, body: Body, asked: NoteIn
) -> Response:
    """Notes how the set stands. What changes while it is worked out makes it be worked out again; Clash when that
    happens every time."""
    for _ in range(_TRIES):
        look = await run_in_threadpool(parts.database.read, lambda c: _look(c, owner, identity, asked.revision))
        act = await _prepared(parts, owner, identity, asked, look)
        try:
            return await run_in_threadpool(idempotent, request, parts.database, owner, body, act)
        except Stale:
            continue
    raise Conflict("coins or the definition changed each time while the set was worked out: send it again")


async def _prepared(
    parts: runtime.Context, owner: Owner, identity: str, asked: NoteIn, look: Look
) -> Callable[[Connection], Answer]:
    """What the transaction is to do."""
    day = asked.on or today()
    fault = _fault_of_day(look.standing, day)
    worked = None if fault else await parts.limiter.run(lambda: work_out(look, day))

    def act(connection: Connection) -> Answer:
        # A request that is sent again with its Idempotency-Key is answered before it comes to this.
        if fault is not None or worked is None:
            raise Invalid([fault] if fault else [])

        def expect(standing: RecordedPlacements) -> None:
            if (_tag(connection, owner, identity, asked.revision, day), standing) != look.rests_on(day):
                raise Stale("coins or the definition changed while the set was worked out")

        actions.note(connection, owner, identity, worked.plan, worked.noted, expect=expect)
        return Answer(worked.answer)

    return act


def work_out(look: Look, day: date) -> HistoryDraft:
    """The note of a day. Coins stay where the last note had them where nothing speaks against it. Takes its time."""
    standing = look.standing
    previous = tuple((filling.seated.place, filling.seated.holding) for filling in standing.open)
    result = evaluate(replace(look.mine.ask(day).measurement, previous=previous))
    now = recorded_placements(result)
    told = plain(result)
    stamp = told["definition"]
    rests = (stamp["revision"], stamp["digest"], look.mine.state)
    noted = RecordedDay(day, *rests, told["summary"], datetime.now(UTC))
    answer = {
        "noted_on": day.isoformat(),
        "changes": history_events(standing, now),
        **{name: told[name] for name in ("definition", "holdings_state", "summary", "proven_optimal")},
        **editions(),
    }
    return HistoryDraft(plan(standing, now, day), noted, answer)


def history_page(
    connection: Connection, request: Request, owner: Owner, identity: str, query: HistoryQuery
) -> tuple[dict[str, Any], dict[str, str]]:
    """One page of the history as plain values, and its headers."""
    DefinitionStore(connection, owner).line(identity)
    store = HistoryStore(connection, owner)
    found = plain_page(
        request,
        query,
        lambda after, limit: store.page(
            identity,
            number_key(after) or None,
            limit,
            place=query.place,
            holding=query.holding,
            on=query.on,
        ),
        lambda filling: str(filling.number),
        lambda filling: filling,
    )
    kept = {h.id: h for h in HoldingStore(connection, owner).some({f.seated.holding for f in found.items})}
    items = [shown_filling(filling, kept) for filling in found.items]
    return {"items": items, "next": found.next, **shown_noted(store.noted(identity, query.on))}, found.headers()


def _look(connection: Connection, owner: Owner, identity: str, number: int | None) -> Look:
    return Look(
        load_stored_set(connection, owner, identity, number), HistoryStore(connection, owner).standing(identity)
    )


def _tag(connection: Connection, owner: Owner, identity: str, number: int | None, day: date) -> str:
    """What the evaluation rests on as it is now."""
    revision = find_revision(connection, owner, identity, number)
    decisions = DefinitionStore(connection, owner).decisions(identity)
    state = str(AccountStore(connection).state(owner))
    return evaluation_tag(revision, state, day, decisions, IssueStore(connection, owner).version())


def _fault_of_day(standing: RecordedPlacements, day: date) -> Fault | None:
    last = standing.noted
    if last is not None and day < last.day:
        message = f"the set was noted on {last.day.isoformat()} already: an earlier day cannot be noted any more"
        return Fault("day-order", message, "/on", f"{last.day.isoformat()} or later")
    # Somewhere it is tomorrow already.
    if day > today() + timedelta(days=1):
        return Fault("day-order", f"{day.isoformat()} is still to come: a note says how the set stands", "/on")
    return None
