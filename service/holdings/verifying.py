"""Every record rebuilt from the log of mutations and compared with what is kept; the chain of states followed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, select

from service.accounts.model import ORIGIN, Owner, State
from service.accounts.store import AccountStore
from service.errors import Fault
from service.holdings.ledger import record_of
from service.holdings.merge import Check, Mutation, Record, merge, outcome_of
from service.holdings.tables import holding, mutation


def differences(connection: Connection, owner: Owner) -> Iterator[str]:
    """What does not agree in one owner's holdings, in words. Holdings that are older than the log are compared with nothing:
    what they were before is not known."""
    query = select(mutation).where(mutation.c.owner_id == owner.id, mutation.c.modseq.is_not(None))
    log = connection.execute(query.order_by(mutation.c.modseq)).all()
    state = AccountStore(connection).state(owner)
    yield from _chain(log, state, owner)
    kept = {row.id: row for row in connection.execute(select(holding).where(holding.c.owner_id == owner.id)).all()}
    logged = {row.modseq for row in log}
    rebuilt = _Rebuilt()
    latest: dict[str, int] = {}
    for row in log:
        latest[row.holding_id] = row.modseq
        there = kept.get(row.holding_id)
        if there is not None and there.created_modseq in logged:
            rebuilt.take(row)
    for identity, row in kept.items():
        if row.created_modseq not in logged:
            continue
        if latest.get(identity) != row.modseq:
            yield f"holding {identity}: its state is {row.modseq}, its last mutation's {latest.get(identity)}"
        if rebuilt.records.get(identity) != record_of(row):
            yield f"holding {identity}: the log makes something else of it than what is kept"
    for identity in latest.keys() - kept.keys():
        yield f"holding {identity}: it stands in the log and is not kept"


def _chain(log: list[Row[Any]] | Any, state: State, owner: Owner) -> Iterator[str]:
    before = ORIGIN
    for row in log:
        here = State(row.modseq, row.chain)
        # The first one may follow on states from before the log.
        if row.modseq == before.number + 1 and before.after(row.mutation_id) != here:
            yield f"account {owner.id}: state {row.modseq} does not follow from the one before it"
        elif row.modseq != before.number + 1 and before != ORIGIN:
            yield f"account {owner.id}: there is no mutation for state {before.number + 1}"
        before = here
    if log and before != state:
        yield f"account {owner.id}: it is at state {state.number}, its log at {before.number}"


class _Rebuilt:
    """Records as the log makes them, one mutation after the other."""

    def __init__(self) -> None:
        self.records: dict[str, Record] = {}
        self._lists: dict[tuple[str, str, str], list[str]] = {}

    def take(self, row: Row[Any]) -> None:
        body: Mapping[str, Any] = row.body
        sent = Mutation(
            row.mutation_id,
            body["op"],
            row.holding_id,
            datetime.fromisoformat(body["edited_at"]),
            body.get("patch", {}),
            body.get("from", {}),
            body.get("writers"),
            frozenset(body.get("resolves", ())),
            body.get("revive", False),
        )
        before = self.records.get(row.holding_id)
        outcome = merge(before, sent, self._list_at(row.holding_id, before), _check(body))
        if outcome.record is not None:
            self.records[row.holding_id] = outcome.record
        for name, value in sent.patch.items():
            if isinstance(value, list):
                self._lists[row.holding_id, name, sent.id] = value
        for name, terms in row.lists.items():
            self._lists[row.holding_id, name, outcome_of(sent.id, terms)] = terms

    def _list_at(self, identity: str, record: Record | None) -> Callable[[str, str | None], list[str] | None]:
        def find(name: str, writer: str | None) -> list[str] | None:
            if writer is None:
                return []
            found = self._lists.get((identity, name, writer))
            if found is None and record is not None and name in record.written and record.written[name].by == writer:
                value = record.values.get(name)
                found = value if isinstance(value, list) else None
            return found

        return find


def _check(body: Mapping[str, Any]) -> Check:
    """What was valid when it came is valid; only a mixture that was not, as the log says, is not again."""
    answers = iter([[], [Fault("invalid-merge", "as logged")]]) if body.get("invalid_merge") else iter([])
    return lambda _: next(answers, [])
