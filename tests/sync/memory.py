"""The server in memory: records, the log, the chain of states. A transaction works on a copy, so that a crash before the commit
leaves nothing; a backup is a copy too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from typing import Any

from service.accounts.model import ORIGIN, State
from service.errors import Fault
from service.holdings.sync.apply import Logged, MutationAnswer, SentMutation, apply_all
from service.holdings.sync.merge import REJECTED, Check, ListOutcome, Mutation, View
from service.holdings.sync.record import Record, mutation_of
from service.holdings.sync.replay import list_as_json, view_in
from tests.sync.reference import Expected


class Gone(Exception):
    """The history here does not contain the state (410)."""


class Crash(Exception):
    """The server died; whether before or after the commit the device cannot know."""


def sound(values: Mapping[str, Any]) -> list[Fault]:
    """A grade is from 1 to 70; a number and a location that are both odd do not go together."""
    faults = [Fault("range", "1 to 70", "/grade")] if values.get("grade") == 99 else []
    odd = [name for name in ("number", "location") if isinstance(values.get(name), int) and values[name] % 7 == 1]
    return [*faults, *([Fault("mixture", "both odd", "/location")] if len(odd) == 2 else [])]


class Memory:
    """One owner's records and log. Planted mistakes override its methods."""

    check: Check = staticmethod(sound)
    proves_history = True

    def __init__(self) -> None:
        self.records: dict[str, Record] = {}
        self.modseqs: dict[str, int] = {}
        self.created: dict[str, int] = {}
        self.log: dict[str, Logged] = {}
        # By mutation its holding, what its author saw, its patch, and what is remembered of its lists.
        self.said: dict[str, tuple[str, Mapping[str, Any], Mapping[str, Any], Mapping[str, Any]]] = {}
        self.states: list[State] = [ORIGIN]
        # What each record has to be.
        self.expected: dict[str, Expected] = {}
        self.sent: dict[str, Mutation] = {}
        # How often each mutation changed something, counted apart from the log.
        self.effects: dict[str, int] = {}

    def copied(self) -> Memory:
        other = copy(self)
        for name in ("records", "modseqs", "created", "log", "said", "states", "effects", "expected"):
            setattr(other, name, copy(getattr(self, name)))
        return other

    # -- what the batch logic asks for

    def logged(self, mutation: str) -> Logged | None:
        return self.log.get(mutation)

    def record(self, holding: str) -> Record | None:
        return self.records.get(holding)

    def list_at(self, holding: str, name: str, writer: str) -> View | None:
        made_by = mutation_of(writer)
        if made_by not in self.said or self.log[made_by].answer.status == REJECTED:
            return None
        of, _, patch, lists = self.said[made_by]
        return view_in(patch, lists, holding, name, writer) if of == holding else None

    def refused(self, holding: str, mutation: str) -> Mapping[str, str | None] | None:
        known = self.said.get(mutation)
        is_refused = known is not None and known[0] == holding and self.log[mutation].answer.status == REJECTED
        return known[1] if known is not None and is_refused else None

    def enter(
        self, sent: SentMutation, answer: MutationAnswer, record: Record | None, lists: Mapping[str, ListOutcome]
    ) -> None:
        # As it was sent: what it stands on is for the reference to find.
        mutation = self.sent.get(sent.mutation.id, sent.mutation)
        assert mutation.id not in self.log, "no mutation takes effect twice (invariant 3)"
        expected = self.expected[mutation.holding] = self.expected.get(mutation.holding, Expected()).copied()
        if answer.status == REJECTED:
            expected.refuse(mutation)
        else:
            expected.take(mutation, self.check)
            wrong = list(expected.compared(record or self.records[mutation.holding]))
            assert not wrong, f"{mutation.id}: {'; '.join(wrong)} (invariants 1 and 4)"
        self.log[mutation.id] = Logged(sent.fingerprint, answer)
        kept = {name: list_as_json(outcome) for name, outcome in lists.items()}
        self.said[mutation.id] = (mutation.holding, sent.mutation.seen, mutation.patch, kept)
        if record is not None:
            self.effects[mutation.id] = self.effects.get(mutation.id, 0) + 1
            self.put(record, self.next_state(mutation.id))

    def next_state(self, mutation: str) -> int:
        self.states.append(self.states[-1].after(mutation))
        return self.states[-1].number

    def put(self, record: Record, modseq: int) -> None:
        self.records[record.id] = record
        self.modseqs[record.id] = modseq
        self.created.setdefault(record.id, modseq)

    # -- what devices ask for

    def ensure_known(self, state: State | None) -> None:
        if state is None:
            return
        if state.number >= len(self.states) or (self.proves_history and self.states[state.number] != state):
            raise Gone

    def applied(self, batch: Sequence[SentMutation], known: State | None) -> list[MutationAnswer]:
        self.ensure_known(known)
        self.sent = {sent.mutation.id: sent.mutation for sent in batch}
        return apply_all(self, batch, self.check)

    def changes(self, since: State | None, known: State | None, limit: int) -> tuple[list[Record], State, bool]:
        """Up to `limit` records that changed, the state that this reaches, and whether more remain. `known` is the newest
        state that the device ever was told."""
        self.ensure_known(since)
        self.ensure_known(known)
        number = since.number if since else 0
        later = sorted((modseq, name) for name, modseq in self.modseqs.items() if modseq > number)
        page = later[:limit]
        more = len(later) > limit
        reached = self.states[page[-1][0]] if more else self.states[-1]
        return [self.records[name] for _, name in page], reached, more


class Server:
    """What is committed, and its backup."""

    def __init__(self, memory: Memory) -> None:
        self.now = memory
        self.backup = memory.copied()

    def sync(
        self, batch: Sequence[SentMutation], known: State | None, crash: str | None = None
    ) -> tuple[list[MutationAnswer], State]:
        """The answers, and the state after."""
        work = self.now.copied()
        answers = work.applied(batch, known)
        if crash == "before":
            raise Crash
        self.now = work
        if crash == "after":
            raise Crash
        return answers, work.states[-1]

    def back_up(self) -> None:
        self.backup = self.now.copied()

    def restore(self) -> None:
        self.now = self.backup.copied()
