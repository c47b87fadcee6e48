"""A batch of mutations against one owner's holdings, whatever keeps them: the database, or a model of it in tests.

Each mutation happens once: seen before with the same content it gets its first answer again. A record that changes gets a
state of its own, so that pages of changes never end between two records of one state.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from service.errors import Fault
from service.holdings.sync.merge import NOT_FOUND, REJECTED, Check, Mutation, Record, merge

REUSED = "mutation-id-reused"


@dataclass(frozen=True, slots=True)
class SentMutation:
    """A mutation as it came: `fingerprint` is a hash of all its content, `body` the content for the log."""

    mutation: Mutation
    fingerprint: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Logged:
    """What the log has of a mutation: the hash of its content and the answer that it got."""

    fingerprint: str
    answer: Mapping[str, Any]


class MutationLog(Protocol):
    """One owner's records and the log of all mutations, held by the caller's transaction."""

    def logged(self, mutation: str) -> Logged | None: ...

    def record(self, holding: str) -> Record | None:
        """The record, tombstones too."""

    def list_at(self, holding: str, name: str, writer: str) -> list[str] | None:
        """The list of terms that the attribute had when that mutation had written it; None where it is not known."""

    def enter(
        self, sent: SentMutation, answer: Mapping[str, Any], record: Record | None, lists: Mapping[str, list[str]]
    ) -> None:
        """Puts the mutation into the log with its answer and, where `record` is given, the record in its place under the
        owner's next state."""


def apply_all(ledger: MutationLog, batch: Iterable[SentMutation], check: Check) -> list[dict[str, Any]]:
    """The answers in order: {"mutation_id", "status"} and, where they apply, "replayed" and "error"."""
    return [apply_one(ledger, sent, check) for sent in batch]


def apply_one(ledger: MutationLog, sent: SentMutation, check: Check) -> dict[str, Any]:
    mutation = sent.mutation
    known = ledger.logged(mutation.id)
    if known is not None and known.fingerprint == sent.fingerprint:
        return {**known.answer, "replayed": True}
    if known is not None:
        return _answer(mutation, REJECTED, REUSED)
    record = ledger.record(mutation.holding)

    def list_at(name: str, writer: str | None) -> list[str] | None:
        return [] if writer is None else ledger.list_at(mutation.holding, name, writer)

    outcome = merge(record, mutation, list_at, check)
    answer = _answer(mutation, outcome.status, outcome.code, outcome.faults)
    if outcome.code != NOT_FOUND:
        ledger.enter(sent, answer, None if outcome.record is record else outcome.record, outcome.lists)
    return answer


def _answer(mutation: Mutation, status: str, code: str | None = None, faults: Iterable[Fault] = ()) -> dict[str, Any]:
    answer: dict[str, Any] = {"mutation_id": mutation.id, "status": status}
    if code is not None:
        pointers = [fault.pointer for fault in faults]
        messages = [fault.message for fault in faults]
        answer["error"] = {"type": code, "pointers": pointers, "messages": messages}
    return answer
