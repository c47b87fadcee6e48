"""A batch of mutations applied to one owner's holdings, through a log that the database keeps, or a model of it in tests. Pure.

Each mutation is applied once: sent again with the same content it gets its first answer again. A record that changes gets a
state of its own, so that pages of changes never end between two records of one state.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal, Protocol

import msgspec
from msgspec import UNSET, Meta, UnsetType

from service.errors import Fault, Tell
from service.holdings.sync.fingerprints import former_fingerprint_of
from service.holdings.sync.merge import (
    NOT_FOUND,
    REJECTED,
    Check,
    ListOutcome,
    Mutation,
    View,
    merge,
)
from service.holdings.sync.record import Record

REUSED = "mutation-id-reused"
PARTIAL = "partial-copy"
_PART = Fault(
    PARTIAL, "this copy has a part of the record alone: ask for the record, and send the whole copy", "/partial"
)


class Rejection(msgspec.Struct, frozen=True):
    """Why a mutation was rejected."""

    type: Annotated[
        Literal["invalid", "unsupported", "not-found", "mutation-id-reused", "partial-copy"],
        Meta(
            description="`not-found` is no verdict: send a `create` of the whole copy with its `writers`, then the same "
            "mutation again. `unsupported`: this version of the service does not know the operation or a member; another one "
            "may, so it is not kept as a verdict either. Nor is `partial-copy`: the copy was marked as a part of a record."
        ),
    ]
    pointers: Annotated[
        list[str],
        Meta(description="One for each message: into the patch, or into the mutation where something else is wrong."),
    ]
    messages: list[str]


class MutationAnswer(msgspec.Struct, frozen=True):
    """What became of one mutation."""

    mutation_id: Annotated[str | None, Meta(description="null: it had none, or none that is a text.")]
    status: Literal["applied", "merged", "conflict", "rejected"]
    error: Annotated[Rejection | UnsetType, Meta(description="When it was rejected.")] = UNSET
    replayed: Annotated[
        bool | UnsetType, Meta(description="true: it was sent before, and this is the answer of then.")
    ] = UNSET


class Refused(msgspec.Struct, frozen=True):
    """Why a mutation could not be read. `told` is its id as far as that can be told; `is_kept` says whether the refusal is kept
    under that id."""

    told: str | None
    error: Rejection
    is_kept: bool


class SentMutation(msgspec.Struct, frozen=True):
    """A mutation as it came: `fingerprint` is a hash of all its content, `body` the content for the log. One that could not be
    read is `refused`; then of the others only what could be read is there."""

    mutation: Mutation
    fingerprint: str
    body: Mapping[str, Any]
    refused: Refused | None = None

    @property
    def is_nameless(self) -> bool:
        """Whether nothing is looked up or kept under its ids."""
        return self.refused is not None and not self.refused.is_kept


class Logged(msgspec.Struct, frozen=True):
    """What the log has of a mutation: the hash of its content and the answer that it got."""

    fingerprint: str
    answer: MutationAnswer


class MutationLog(Protocol):
    """One owner's records and the log of all mutations, held by the caller's transaction."""

    def logged(self, mutation: str) -> Logged | None: ...

    def record(self, holding: str) -> Record | None:
        """The record, tombstones too."""

    def list_at(self, holding: str, name: str, writer: str) -> View | None:
        """What an author saw of a list who names this writer, or mark; None where it is not known."""

    def refused(self, holding: str, mutation: str) -> Mapping[str, str | None] | None:
        """What the author of a mutation saw that was refused; None where it was not refused, or is not known."""

    def enter(
        self, sent: SentMutation, answer: MutationAnswer, record: Record | None, lists: Mapping[str, ListOutcome]
    ) -> None:
        """Puts the mutation into the log with its answer and, where `record` is given, the record in its place under the
        owner's next state."""


def apply_all(log: MutationLog, batch: Iterable[SentMutation], check: Check, tell: Tell = str) -> list[MutationAnswer]:
    """The answers, in the order of the batch, told in the language of `tell`."""
    aside: dict[str, Mapping[str, str | None]] = {}
    return [apply_one(log, sent, check, aside, tell) for sent in batch]


def apply_one(
    log: MutationLog,
    sent: SentMutation,
    check: Check,
    aside: dict[str, Mapping[str, str | None]] | None = None,
    tell: Tell = str,
) -> MutationAnswer:
    """Applies one mutation, unless the log has it already; its answer. `check`: see merge; `aside`: what the authors of those
    saw that were refused before in this batch and are not in the log."""
    mutation, refused = sent.mutation, sent.refused
    if refused is not None and not refused.is_kept:
        if aside is not None:
            aside[mutation.id] = mutation.seen
        return MutationAnswer(refused.told, "rejected", refused.error)
    known = log.logged(mutation.id)
    if known is not None and known.fingerprint in (sent.fingerprint, former_fingerprint_of(sent.body)):
        return msgspec.structs.replace(known.answer, replayed=True)
    if known is not None:
        return _answer(mutation, REJECTED, REUSED)
    record = log.record(mutation.holding)
    sent = _standing(log, sent, record, aside or {})
    mutation = sent.mutation
    if refused is not None:
        answer = MutationAnswer(mutation.id, "rejected", refused.error)
        log.enter(sent, answer, None, {})
        return answer
    if mutation.writers is not None and sent.body.get("partial"):
        return _answer(mutation, REJECTED, PARTIAL, [_PART], tell)

    def list_at(name: str, writer: str) -> View | None:
        return log.list_at(mutation.holding, name, writer)

    outcome = merge(record, mutation, list_at, check)
    answer = _answer(mutation, outcome.status, outcome.code, outcome.faults, tell)
    if outcome.code != NOT_FOUND:
        log.enter(sent, answer, None if outcome.record is record else outcome.record, outcome.lists)
    return answer


def _standing(
    log: MutationLog, sent: SentMutation, record: Record | None, aside: Mapping[str, Mapping[str, str | None]]
) -> SentMutation:
    """The mutation; where its author saw what was refused, what that one stood on, since nobody else ever had it."""
    mutation, written = sent.mutation, {} if record is None else record.written
    found: dict[str, str | None] = {}
    for name, seen in mutation.seen.items():
        if seen is None or (name in written and written[name].by == seen):
            continue
        writer: str | None = seen
        passed = set[str]()
        while writer is not None:
            before = aside.get(writer) or log.refused(mutation.holding, writer)
            if before is None:
                break
            passed.add(writer)
            writer = before.get(name)
            if writer in passed:
                # Mutations that name each other stand on nothing.
                writer = None
        if writer != seen:
            found[name] = writer
    if not found:
        return sent
    stands = {**mutation.seen, **found}
    made = msgspec.structs.replace(mutation, seen=stands)
    return msgspec.structs.replace(sent, mutation=made, body={**sent.body, "from": stands})


def _answer(
    mutation: Mutation, status: str, code: str | None = None, faults: Iterable[Fault] = (), tell: Tell = str
) -> MutationAnswer:
    found = tuple(faults)
    error: Rejection | UnsetType = UNSET
    if code is not None:
        error = Rejection(code, [f.pointer for f in found], [tell(f.message) for f in found])  # type: ignore[arg-type]
    return MutationAnswer(mutation.id, status, error)  # type: ignore[arg-type]
