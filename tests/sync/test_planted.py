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
from service.holdings.sync.merge import ListOutcome, MergeOutcome, Mutation
from service.holdings.sync.record import Element, Record, Written, WrittenBy
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
        self, sent: SentMutation, answer: MutationAnswer, record: Record | None, lists: Mapping[str, ListOutcome]
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


def put(record: Record, name: str, value: Any, mutation: Mutation) -> Record:
    written = Written((WrittenBy(mutation.id, mutation.edited_at),))
    return merge._put(record, name, [merge._Version(value, written)])


def the_later_wins(_: Any, record: Record, name: str, value: Any, mutation: Mutation, *__: Any) -> Any:
    current = record.written.get(name)
    if current is not None and (current.at, current.by) > (mutation.edited_at, mutation.id):
        return record, merge.APPLIED, None
    return put(record, name, value, mutation), merge.APPLIED, None


def the_last_to_arrive_wins(_: Any, record: Record, name: str, value: Any, mutation: Mutation, *__: Any) -> Any:
    return put(record, name, value, mutation), merge.APPLIED, None


def the_whole_record_wins(_: Any, record: Record, mutation: Mutation, *__: Any) -> MergeOutcome:
    newest = max((written.at for written in record.written.values()), default=mutation.edited_at)
    if mutation.edited_at < newest:
        return MergeOutcome(record, merge.APPLIED)
    now = record
    for name, value in mutation.patch.items():
        now = put(now, name, value, mutation)
    return MergeOutcome(now, merge.APPLIED)


def no_loser_is_kept(before: Any, record: Record, name: str, versions: Sequence[Any], *more: Any) -> Any:
    return before(record, name, versions[:1], *more)


def one_loser_is_kept(before: Any, record: Record, name: str, versions: Sequence[Any], *more: Any) -> Any:
    return before(record, name, versions[:2], *more)


def no_invalid_mixture_is_kept(before: Any, record: Record, conflict: Any) -> Record:
    return record if conflict.kind == "invalid_merge" else before(record, conflict)


def a_delete_wins(_: Any, record: Record, mutation: Mutation, __: Any) -> MergeOutcome:
    delete = WrittenBy(mutation.id, mutation.edited_at)
    return MergeOutcome(replace(record, deletes=(*record.deletes, delete)), merge.APPLIED)


def a_delete_need_not_see_conflicts(before: Any, record: Record, mutation: Mutation, list_at: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(
        record, replace(mutation, resolves=frozenset(c.id for c in record.conflicts)), list_at
    )
    return outcome


def a_question_holds_up_a_delete(before: Any, record: Record, mutation: Mutation, list_at: Any) -> bool:
    asked = {conflict.id for conflict in record.conflicts if conflict.kind == "destroy"}
    return bool(before(record, mutation, list_at) and asked <= mutation.resolves)


def the_first_delete_is_all_that_is_kept(before: Any, record: Record, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = MergeOutcome(record, merge.APPLIED) if record.is_destroyed else before(record, *more)
    return outcome


def a_failed_delete_resolves(before: Any, record: Record, mutation: Mutation, list_at: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(record, mutation, list_at)
    done = outcome.record
    if done is None or done.is_destroyed:
        return outcome
    return replace(
        outcome, record=replace(done, conflicts=tuple(c for c in done.conflicts if c.id not in mutation.resolves))
    )


def a_delete_forgets_the_conflicts(before: Any, record: Record, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(record, *more)
    if outcome.record is None or not outcome.record.is_destroyed:
        return outcome
    return replace(outcome, record=replace(outcome.record, conflicts=()))


def an_edit_of_what_is_deleted_is_dropped(before: Any, record: Record, *more: Any) -> MergeOutcome:
    if record.is_destroyed:
        return MergeOutcome(record, merge.APPLIED)
    outcome: MergeOutcome = before(record, *more)
    return outcome


def a_copy_revives(before: Any, record: Record | None, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(record, *more)
    if record is None or not record.is_destroyed:
        return outcome
    return replace(outcome, record=replace(record, deletes=()))


def a_copy_overwrites(before: Any, record: Record | None, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(None, *more)
    if record is not None and record.is_destroyed and outcome.record is not None:
        return replace(outcome, record=replace(outcome.record, deletes=record.deletes))
    return outcome


def a_delete_need_not_see_values(before: Any, record: Record, mutation: Mutation, list_at: Any) -> MergeOutcome:
    saw = {name: written.by for name, written in record.written.items()}
    outcome: MergeOutcome = before(record, replace(mutation, seen=saw), list_at)
    return outcome


def no_removal_is_kept(before: Any, record: Record, name: str, versions: Sequence[Any], *more: Any) -> Any:
    first, *others = versions
    return before(record, name, [first, *(version for version in others if version.value is not None)], *more)


def an_edit_revives(before: Any, record: Record, mutation: Mutation, *more: Any) -> MergeOutcome:
    deletes = mutation.resolves | {delete.by for delete in record.deletes}
    outcome: MergeOutcome = before(record, replace(mutation, resolves=frozenset(deletes)), *more)
    return outcome


def a_revival_undoes_any_delete(before: Any, record: Record, mutation: Mutation, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(
        record, replace(mutation, resolves=frozenset()) if mutation.revive else mutation, *more
    )
    return outcome


def a_copy_fills_nothing(before: Any, record: Record | None, *more: Any) -> MergeOutcome:
    return before(record, *more) if record is None else MergeOutcome(record, merge.APPLIED)


def a_copy_writes_itself(before: Any, record: Record | None, mutation: Mutation, _: Any, *more: Any) -> MergeOutcome:
    outcome: MergeOutcome = before(record, mutation, {}, *more)
    return outcome


def null_leaves_terms_alone(before: Any, record: Record, name: str, value: Any, *more: Any) -> Any:
    if name == "tags" and value == []:
        return record, merge.APPLIED, None
    return before(record, name, value, *more)


class RefusedWritersStandForNothing(Memory):
    def refused(self, holding: str, mutation: str) -> Mapping[str, str | None] | None:
        return None


def lists_are_one_value(before: Any, name: str, value: Any) -> bool:
    return False


def what_is_shown_is_the_base(_: Any, name: str, seen: Any, versions: Sequence[Any], __: Any) -> tuple[Element, ...]:
    found: tuple[Element, ...] = next((version.elements for version in versions if version.elements), ())
    return found


def an_outcome_looks_like_what_was_sent(_: Any, mutation: str, *__: Any) -> str:
    return mutation


def a_term_has_one_that_put_it_on(before: Any, *more: Any) -> tuple[Element, ...]:
    return tuple((element, by[-1:]) for element, by in before(*more))


def a_term_is_taken_off_whoever_put_it_on(_: Any, elements: Any, views: Any, wanted: Any) -> tuple[Element, ...]:
    gone = {key for view in views for key, _ in view.dots} - {merge.key_of(element) for element in wanted}
    return tuple(element for element in elements if merge.key_of(element[0]) not in gone)


def equal_values_conflict(_: Any, versions: Sequence[Any], __: Any) -> list[Any]:
    return list(versions)


def an_equal_value_takes_the_new_writer(before: Any, versions: Sequence[Any], mutation: Mutation) -> list[Any]:
    def alone(version: Any) -> Any:
        mine = tuple(writer for writer in version.written.writers if writer.by == mutation.id)
        return merge._Version(version.value, replace(version.written, writers=mine)) if mine else version

    return [alone(version) for version in before(versions, mutation)]


def going_on_from_one_writer_replaces_all(
    before: Any, name: str, tokens: Any, versions: Sequence[Any], list_at: Any
) -> Any:
    views = before(name, tokens, versions, list_at)
    sets = [version.written.ids for version in versions]
    return [replace(v, ids=v.ids.union(*(ids for ids in sets if ids & v.ids))) for v in views]


def a_default_is_not_a_removal(_: Any, name: str, value: Any) -> Any:
    return [] if name == "tags" and value is None else value


def what_was_replaced_before_it_came_is_asked_about(_: Any, *__: Any) -> tuple[str, ...]:
    return ()


def a_revival_leaves_no_trace(before: Any, record: Record, name: str, *more: Any) -> Any:
    return (record, merge.APPLIED, None) if name == "~revive" else before(record, name, *more)


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
    Planted("no loser kept", replaced=instead("_put", no_loser_is_kept)),
    Planted("one loser kept for each attribute", replaced=instead("_put", one_loser_is_kept)),
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
    Planted("no removal kept among losers", replaced=instead("_put", no_removal_is_kept)),
    Planted("an edit revives without a word", replaced=instead("_update", an_edit_revives)),
    Planted("a revival undoes deletes that it never saw", replaced=instead("_update", a_revival_undoes_any_delete)),
    Planted("null leaves a list of terms as it was", replaced=instead("_one", null_leaves_terms_alone)),
    Planted("refused writers stand for nothing", memory=RefusedWritersStandForNothing),
    Planted("lists are one value", replaced=instead("_is_list", lists_are_one_value)),
    Planted("what is shown is taken for what was seen", replaced=instead("_base", what_is_shown_is_the_base)),
    Planted("an outcome looks like what was sent", replaced=instead("mark_of", an_outcome_looks_like_what_was_sent)),
    Planted("a term has one mutation that put it on", replaced=instead("_less", a_term_has_one_that_put_it_on)),
    Planted("a term is taken off whoever put it on", replaced=instead("_less", a_term_is_taken_off_whoever_put_it_on)),
    Planted("equal values conflict", replaced=instead("_folded", equal_values_conflict)),
    Planted("an equal value takes the new writer", replaced=instead("_folded", an_equal_value_takes_the_new_writer)),
    Planted("going on from one writer replaces all", replaced=instead("_views", going_on_from_one_writer_replaces_all)),
    Planted("a default is not a removal", replaced=instead("settled", a_default_is_not_a_removal)),
    Planted(
        "what was replaced before it came is asked about",
        replaced=instead("_awaited", what_was_replaced_before_it_came_is_asked_about),
    ),
    Planted("a revival leaves no trace", replaced=instead("_one", a_revival_leaves_no_trace)),
    Planted("a question about a delete holds up others", replaced=instead("_saw_all", a_question_holds_up_a_delete)),
    Planted("only the first delete is kept", replaced=instead("_destroy", the_first_delete_is_all_that_is_kept)),
    Planted("a failed delete resolves", replaced=instead("_destroy", a_failed_delete_resolves)),
    Planted("a delete forgets the conflicts", replaced=instead("_destroy", a_delete_forgets_the_conflicts)),
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
