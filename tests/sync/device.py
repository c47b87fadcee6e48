"""A device as the protocol describes it: an outbox, a journal, records as the server last had them. `from` is fixed when the
owner edits; nothing is dropped on a refusal, a lost answer or a fresh start. It sends the newest state that it ever was told
with both calls, so that it learns of a restored backup even when what it lost was only ever sent."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from service.accounts.model import State
from service.holdings.sync.apply import MutationAnswer, SentMutation
from service.holdings.sync.merge import CREATE, DESTROY, UPDATE, Mutation
from service.holdings.sync.record import Record
from tests.sync.memory import Gone, Server


def sent(mutation: Mutation) -> SentMutation:
    body = {"op": mutation.op, "patch": dict(mutation.patch), "from": dict(mutation.seen)}
    return SentMutation(mutation, repr((mutation.op, mutation.holding, sorted(mutation.patch.items(), key=str))), body)


class Device:
    """`skew` is how far its clock is off."""

    def __init__(self, name: str, skew: timedelta, page: int) -> None:
        self.name, self.skew, self.page = name, skew, page
        self.records: dict[str, Record] = {}
        self.attic: dict[str, Record] = {}
        self.state: State | None = None
        self.known: State | None = None
        self.outbox: list[Mutation] = []
        self.journal: list[Mutation] = []
        self.recent: list[Mutation] = []
        self.attention: list[tuple[Mutation, str]] = []
        self.made = 0

    # -- what the owner does

    def _id(self) -> str:
        self.made += 1
        return f"{self.made:05}-{self.name}"

    def _pending(self, holding: str) -> list[Mutation]:
        return [m for m in (*self.recent, *self.outbox) if m.holding == holding]

    def seen(self, holding: str) -> dict[str, str]:
        """Who wrote each value that the owner looks at."""
        record = self.records.get(holding)
        writers = {name: written.by for name, written in record.written.items()} if record else {}
        for mutation in self._pending(holding):
            writers |= {name: (mutation.writers or {}).get(name, mutation.id) for name in mutation.patch}
        return writers

    def values(self, holding: str) -> dict[str, Any]:
        """What the owner looks at."""
        record = self.records.get(holding)
        values = dict(record.values) if record else {}
        for mutation in self._pending(holding):
            values |= mutation.patch
        return {name: value for name, value in values.items() if value is not None}

    def holdings(self) -> list[str]:
        alive = {name for name, record in self.records.items() if not record.is_destroyed}
        alive |= {m.holding for m in (*self.recent, *self.outbox) if m.op == CREATE}
        return sorted(alive)

    def create(self, holding: str, patch: Mapping[str, Any], now: datetime) -> Mutation:
        return self._enqueue(Mutation(self._id(), CREATE, holding, now, dict(patch)), now)

    def edit(self, holding: str, patch: Mapping[str, Any], now: datetime, **more: Any) -> Mutation:
        known = self.seen(holding)
        seen = {name: known.get(name) for name in patch}
        return self._enqueue(Mutation(self._id(), UPDATE, holding, now, dict(patch), seen, **more), now)

    def delete(self, holding: str, now: datetime) -> Mutation:
        record = self.records.get(holding)
        resolves = frozenset(conflict.id for conflict in record.conflicts) if record else frozenset()
        seen: dict[str, str | None] = dict(self.seen(holding))
        return self._enqueue(Mutation(self._id(), DESTROY, holding, now, seen=seen, resolves=resolves), now)

    def _enqueue(self, mutation: Mutation, now: datetime) -> Mutation:
        # Never later than the server's now: it clamps.
        made = Mutation(
            mutation.id,
            mutation.op,
            mutation.holding,
            min(now, now + self.skew),
            mutation.patch,
            mutation.seen,
            mutation.writers,
            mutation.resolves,
            mutation.revive,
        )
        self.outbox.append(made)
        return made

    # -- what the device does

    def push(self, server: Server, size: int, crash: str | None = None) -> list[SentMutation]:
        """Sends the beginning of the outbox; what it sent. Crash leaves everything as it was."""
        batch = [sent(mutation) for mutation in self.outbox[:size]]
        try:
            answers, self.known = server.sync(batch, self.known, crash)
        except Gone:
            self.start_over()
            return batch
        self.answered(batch, answers)
        return batch

    def answered(self, batch: list[SentMutation], answers: list[MutationAnswer]) -> None:
        done, again = set(), []
        for one, answer in zip(batch, answers, strict=True):
            mutation = one.mutation
            assert answer.mutation_id == mutation.id
            kind = answer.error.type if answer.error else None
            if kind == "not-found":
                again.append(mutation)
                continue
            done.add(mutation.id)
            if answer.status == "rejected":
                self.attention.append((mutation, kind))
                continue
            self.journal.append(mutation)
            self.recent.append(mutation)
        self.outbox = [mutation for mutation in self.outbox if mutation.id not in done]
        for mutation in again:
            self.send_copy_first(mutation)

    def send_copy_first(self, mutation: Mutation) -> None:
        """Its whole copy, and then the same mutation again."""
        known = self.records.get(mutation.holding) or self.attic.get(mutation.holding)
        writers = {name: written.by for name, written in known.written.items()} if known else {}
        values = dict(known.values) if known else {}
        copy = Mutation(self._id(), CREATE, mutation.holding, mutation.edited_at, values, writers=writers)
        at = next(number for number, queued in enumerate(self.outbox) if queued.id == mutation.id)
        self.outbox.insert(at, copy)

    def pull(self, server: Server, most_pages: int = 1_000) -> bool:
        """Takes changes page by page; whether it has them all."""
        for _ in range(most_pages):
            try:
                page, reached, more = server.now.changes(self.state, self.known, self.page)
            except Gone:
                self.start_over()
                continue
            self.records |= {record.id: record for record in page}
            self.state = reached
            if self.known is None or reached.number > self.known.number:
                self.known = reached
            if not more:
                self.recent = []
                return True
        return False

    def start_over(self) -> None:
        """Without a state, keeping every mutation: the journal is sent again, before what was never sent."""
        self.attic |= self.records
        self.records, self.state, self.known, self.recent = {}, None, None, []
        known = {mutation.id for mutation in self.outbox}
        self.outbox = [*(m for m in self.journal if m.id not in known), *self.outbox]
        self.journal = []
