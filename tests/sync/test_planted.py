"""Mistakes planted on purpose: the simulator has to see every one of them, or it proves nothing. The first seeds that it runs are
those that the sound variant passes in test_simulator.py."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from typing import Any
from unittest.mock import patch

import pytest
from msgspec.structs import replace

from service.accounts.model import State
from service.holdings.sync import merge
from service.holdings.sync.apply import Logged, MutationAnswer, SentMutation
from service.holdings.sync.merge import MergeOutcome, Mutation, Record, WrittenBy
from tests.sync.device import Device
from tests.sync.memory import Crash, Gone, Memory, Server
from tests.sync.simulator import Violation, World

SEEDS = 300
FEW = 40


@dataclass(frozen=True)
class Planted:
    """A mistake: classes that stand in, or functions of the merge that are replaced."""

    name: str
    memory: type[Memory] = Memory
    server: type[Server] = Server
    device: type[Device] = Device
    replaced: Callable[[], AbstractContextManager[Any]] = nullcontext


def instead(name: str, function: Callable[..., Any]) -> Callable[[], AbstractContextManager[Any]]:
    """The function of the merge replaced; the one before is handed to it first."""
    before = getattr(merge, name)

    @contextmanager
    def planted() -> Iterator[None]:
        with patch.object(merge, name, lambda *more: function(before, *more)):
            yield

    return planted


class ForgetsWhatItSaw(Memory):
    def logged(self, mutation: str) -> Logged | None:
        return None

    def enter(
        self, sent: SentMutation, answer: MutationAnswer, record: Record | None, lists: Mapping[str, list[str]]
    ) -> None:
        self.log.pop(sent.mutation.id, None)
        super().enter(sent, answer, record, lists)


class RemembersBeforeTheCommit(Server):
    def sync(self, batch: Sequence[SentMutation], known: State | None, crash: str | None = None) -> Any:
        try:
            return super().sync(batch, known, crash)
        except Crash:
            for sent in batch if crash == "before" else ():
                answer = MutationAnswer(sent.mutation.id, "applied")
                self.now.log.setdefault(sent.mutation.id, Logged(sent.fingerprint, answer))
            raise


class AnswersBeforeTheCommit(Server):
    def sync(self, batch: Sequence[SentMutation], known: State | None, crash: str | None = None) -> Any:
        if crash == "before":
            work = self.now.copied()
            return work.applied(batch, known), self.now.states[-1]
        return super().sync(batch, known, crash)


class TellsTheNewestStateTooEarly(Memory):
    def changes(self, since: State | None, known: State | None, limit: int) -> tuple[list[Record], State, bool]:
        page, _, more = super().changes(since, known, limit)
        return page, self.states[-1], more


class LeavesTombstonesOut(Memory):
    def changes(self, since: State | None, known: State | None, limit: int) -> tuple[list[Record], State, bool]:
        page, reached, more = super().changes(since, known, limit)
        return [record for record in page if not record.is_destroyed], reached, more


class OneStateForABatch(Memory):
    def applied(self, batch: Sequence[SentMutation], known: State | None) -> list[MutationAnswer]:
        self.fresh = True
        return super().applied(batch, known)

    def next_state(self, mutation: str) -> int:
        if self.fresh:
            self.fresh = False
            return super().next_state(mutation)
        return self.states[-1].number


class IgnoresRestores(Memory):
    proves_history = False

    def ensure_known(self, state: State | None) -> None:
        return None


class DropsWhatIsNotFound(Device):
    def send_copy_first(self, mutation: Mutation) -> None:
        self.outbox = [queued for queued in self.outbox if queued.id != mutation.id]
        self.journal.append(mutation)


class DropsItsOutboxOnAFreshStart(Device):
    def start_over(self) -> None:
        super().start_over()
        self.outbox = []


class ForgetsItsJournal(Device):
    def start_over(self) -> None:
        self.journal = []
        super().start_over()


class KnowsOnlyWhatItPulled(Device):
    def pull(self, server: Server, most_pages: int = 1_000) -> bool:
        done = super().pull(server, most_pages)
        self.known = self.state
        return done

    def push(self, server: Server, size: int, crash: str | None = None) -> list[SentMutation]:
        batch = super().push(server, size, crash)
        self.known = self.state
        return batch


class DropsABatchWhoseAnswerIsLost(Device):
    def push(self, server: Server, size: int, crash: str | None = None) -> list[SentMutation]:
        try:
            return super().push(server, size, crash)
        except Crash:
            self.outbox = self.outbox[size:]
            raise


class RecomputesWhatItSaw(Device):
    """Names the writer that is current when it sends, so that everything seems seen."""

    def push(self, server: Server, size: int, crash: str | None = None) -> list[SentMutation]:
        current = {name: record.written for name, record in server.now.records.items()}
        self.outbox = [
            replace(m, seen={n: w.by if (w := current.get(m.holding, {}).get(n)) else None for n in m.patch})
            if m.op == merge.UPDATE
            else m
            for m in self.outbox
        ]
        return super().push(server, size, crash)


def the_later_wins(_: Any, record: Record, name: str, value: Any, mutation: Mutation, __: Any) -> Any:
    current = record.written.get(name)
    mine = WrittenBy(mutation.id, mutation.edited_at)
    if current is not None and (current.at, current.by) > (mine.at, mine.by):
        return record, merge.APPLIED, None
    return merge._set(record, name, value, mine), merge.APPLIED, None


def the_last_to_arrive_wins(_: Any, record: Record, name: str, value: Any, mutation: Mutation, __: Any) -> Any:
    return merge._set(record, name, value, WrittenBy(mutation.id, mutation.edited_at)), merge.APPLIED, None


def the_whole_record_wins(_: Any, record: Record, mutation: Mutation, *__: Any) -> MergeOutcome:
    newest = max((written.at for written in record.written.values()), default=mutation.edited_at)
    if mutation.edited_at < newest:
        return MergeOutcome(record, merge.APPLIED)
    now = record
    for name, value in mutation.patch.items():
        now = merge._set(now, name, value, WrittenBy(mutation.id, mutation.edited_at))
    return MergeOutcome(now, merge.APPLIED)


def no_loser_is_kept(before: Any, record: Record, conflict: Any) -> Record:
    return record if conflict.kind == "value" else before(record, conflict)


def one_loser_is_kept(before: Any, record: Record, conflict: Any) -> Record:
    others = tuple(known for known in record.conflicts if known.attribute != conflict.attribute)
    return before(replace(record, conflicts=others), conflict)


def no_invalid_mixture_is_kept(before: Any, record: Record, conflict: Any) -> Record:
    return record if conflict.kind == "invalid_merge" else before(record, conflict)


def a_delete_wins(_: Any, record: Record, mutation: Mutation) -> MergeOutcome:
    return MergeOutcome(replace(record, conflicts=(), destroyed_by=mutation.id), merge.APPLIED)


def a_delete_need_not_see_conflicts(before: Any, record: Record, mutation: Mutation) -> MergeOutcome:
    outcome: MergeOutcome = before(record, replace(mutation, resolves=frozenset(c.id for c in record.conflicts)))
    return outcome


def an_edit_of_what_is_deleted_is_dropped(before: Any, record: Record, *more: Any) -> MergeOutcome:
    if record.is_destroyed:
        return MergeOutcome(record, merge.APPLIED)
    outcome: MergeOutcome = before(record, *more)
    return outcome


def a_copy_revives(before: Any, record: Record | None, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(record, *more)
    if record is None or not record.is_destroyed:
        return outcome
    return replace(outcome, record=replace(record, destroyed_by=None))


def a_copy_overwrites(before: Any, record: Record | None, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(None, *more)
    if record is not None and record.is_destroyed and outcome.record is not None:
        return replace(outcome, record=replace(outcome.record, destroyed_by=record.destroyed_by))
    return outcome


def a_delete_need_not_see_values(before: Any, record: Record, mutation: Mutation) -> MergeOutcome:
    saw = {name: written.by for name, written in record.written.items()}
    outcome: MergeOutcome = before(record, replace(mutation, seen=saw))
    return outcome


def no_removal_is_kept(before: Any, record: Record, conflict: Any) -> Record:
    return record if conflict.kind == "value" and conflict.value is None else before(record, conflict)


def an_edit_revives(before: Any, record: Record, mutation: Mutation, *more: Any) -> MergeOutcome:
    deletes = mutation.resolves | {record.destroyed_by} if record.destroyed_by else mutation.resolves
    outcome: MergeOutcome = before(record, replace(mutation, resolves=frozenset(deletes)), *more)
    return outcome


def a_revival_undoes_any_delete(before: Any, record: Record, mutation: Mutation, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(
        record, replace(mutation, resolves=frozenset()) if mutation.revive else mutation, *more
    )
    return outcome


def a_copy_fills_nothing(before: Any, record: Record | None, *more: Any) -> MergeOutcome:
    return before(record, *more) if record is None else MergeOutcome(record, merge.APPLIED)


def a_copy_writes_itself(before: Any, record: Record | None, mutation: Mutation, _: Any, check: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(record, mutation, {}, check)
    return outcome


def null_leaves_terms_alone(before: Any, record: Record, name: str, value: Any, *more: Any) -> Any:
    if name == "tags" and value is None:
        return record, merge.APPLIED, None
    return before(record, name, value, *more)


class RefusedListsCount(Memory):
    def enter(
        self, sent: SentMutation, answer: MutationAnswer, record: Record | None, lists: Mapping[str, list[str]]
    ) -> None:
        super().enter(sent, answer, record, lists)
        self.lists[sent.mutation.holding, sent.mutation.id] = sent.mutation.patch


def lists_are_one_value(_: Any, __: Any, ___: Any, sent: list[str]) -> list[str]:
    return list(sent)


def what_is_shown_is_the_base(before: Any, _: Any, shown: list[str], sent: list[str]) -> list[str]:
    merged: list[str] = before(shown, shown, sent)
    return merged


def an_outcome_looks_like_what_was_sent(_: Any, mutation: str, __: Any) -> str:
    return mutation


PLANTED = [
    Planted("no dedupe", memory=ForgetsWhatItSaw),
    Planted("dedupe outside of the transaction", server=RemembersBeforeTheCommit),
    Planted("an answer before the commit", server=AnswersBeforeTheCommit),
    Planted("the newest state while more remain", memory=TellsTheNewestStateTooEarly),
    Planted("tombstones left out", memory=LeavesTombstonesOut),
    Planted("one state for a whole batch", memory=OneStateForABatch),
    Planted("restores ignored", memory=IgnoresRestores),
    Planted("not-found taken for a verdict", device=DropsWhatIsNotFound),
    Planted("the outbox dropped on a fresh start", device=DropsItsOutboxOnAFreshStart),
    Planted("no journal", device=ForgetsItsJournal),
    Planted("only pulled states are proven", device=KnowsOnlyWhatItPulled),
    Planted("a batch dropped when its answer is lost", device=DropsABatchWhoseAnswerIsLost),
    Planted("what was seen, recomputed when sending", device=RecomputesWhatItSaw),
    Planted("the later value wins", replaced=instead("_one", the_later_wins)),
    Planted("the last to arrive wins", replaced=instead("_one", the_last_to_arrive_wins)),
    Planted("the whole record wins", replaced=instead("_patched", the_whole_record_wins)),
    Planted("no loser kept", replaced=instead("_with", no_loser_is_kept)),
    Planted("one loser kept for each attribute", replaced=instead("_with", one_loser_is_kept)),
    Planted("a mixture that is not valid is dropped", replaced=instead("_with", no_invalid_mixture_is_kept)),
    Planted("a delete wins", replaced=instead("_destroy", a_delete_wins)),
    Planted("a delete need not see conflicts", replaced=instead("_destroy", a_delete_need_not_see_conflicts)),
    Planted(
        "an edit of what is deleted is dropped", replaced=instead("_update", an_edit_of_what_is_deleted_is_dropped)
    ),
    Planted("a copy revives", replaced=instead("_copied", a_copy_revives)),
    Planted("a copy overwrites", replaced=instead("_copied", a_copy_overwrites)),
    Planted("a copy fills nothing", replaced=instead("_copied", a_copy_fills_nothing)),
    Planted("a copy takes what it brings for its own", replaced=instead("_copied", a_copy_writes_itself)),
    Planted("a delete need not see values", replaced=instead("_destroy", a_delete_need_not_see_values)),
    Planted("no removal kept among losers", replaced=instead("_with", no_removal_is_kept)),
    Planted("an edit revives without a word", replaced=instead("_update", an_edit_revives)),
    Planted("a revival undoes deletes that it never saw", replaced=instead("_update", a_revival_undoes_any_delete)),
    Planted("null leaves a list of terms as it was", replaced=instead("_one", null_leaves_terms_alone)),
    Planted("lists that were refused count", memory=RefusedListsCount),
    Planted("lists are one value", replaced=instead("_merged_terms", lists_are_one_value)),
    Planted("what is shown is taken for what was seen", replaced=instead("_merged_terms", what_is_shown_is_the_base)),
    Planted("an outcome looks like what was sent", replaced=instead("outcome_of", an_outcome_looks_like_what_was_sent)),
]


def first_seed_that_sees(mistake: Planted, seeds: int) -> int | None:
    with mistake.replaced():
        for seed in range(seeds):
            try:
                World(seed, mistake.memory, mistake.server, mistake.device).run()
            except (Violation, Gone):
                return seed
    return None


@pytest.mark.parametrize("mistake", PLANTED, ids=[mistake.name for mistake in PLANTED])
def test_each_planted_mistake_is_seen(mistake: Planted) -> None:
    seed = first_seed_that_sees(mistake, SEEDS)
    print(f"{mistake.name}: seen by seed {seed}")
    assert seed is not None


def test_what_is_sound_passes_the_same_seeds() -> None:
    assert first_seed_that_sees(Planted("nothing"), FEW) is None
