"""Records as the log of mutations makes them, one mutation after the other. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from msgspec.structs import replace

from service.errors import Fault
from service.holdings.sync.field_names import kept_values
from service.holdings.sync.merge import CREATE, REJECTED, Check, ListAt, Mutation, Record, merge, outcome_of

# In the body of a mutation that changed nothing: the state at which it came.
AT_STATE = "at_state"
# In the body of a mutation that did not go together with what was there.
INVALID_MERGE = "invalid_merge"
# In the body of a copy: the names that it could not fill.
LEFT_APART = "left_apart"

# All that the body of a mutation has whose holding was deleted and purged.
PURGED = "purged"


@dataclass(frozen=True, slots=True)
class LogEntry:
    """A mutation as the log has it: the status of its answer, the `body` for the log, the `lists` of terms that came of merging,
    and the state that it led to (None where it changed nothing)."""

    mutation: Mutation
    status: str
    body: Mapping[str, Any]
    lists: Mapping[str, list[str]]
    modseq: int | None
    chain: str | None

    @property
    def order(self) -> tuple[int, bool]:
        """Sorts the log as it came about: a mutation that changed nothing comes after the state that it found."""
        return (self.modseq, False) if self.modseq is not None else (self.body.get(AT_STATE, 0), True)


def as_kept(name: str, value: Any) -> Any:
    """The value as the table gives it back: an own field at its default is not kept."""
    return None if value is None else kept_values({name: value}).get(name)


class Rebuilt:
    """`records` by id, and the state at which each was `created`."""

    def __init__(self) -> None:
        self.records: dict[str, Record] = {}
        self.created: dict[str, int] = {}
        self._lists: dict[tuple[str, str, str], list[str]] = {}

    def take(self, entry: LogEntry) -> Iterator[str]:
        """Applies the next mutation in the order of the log; yields in words what differs from its answer."""
        sent, status = entry.mutation, entry.status
        before = self.records.get(sent.holding)
        if status != REJECTED:
            outcome = merge(before, sent, self._list_at(before), _check(entry.body))
            if entry.modseq is not None and outcome.record is not None:
                self.records[sent.holding] = replace(outcome.record, values=kept_values(outcome.record.values))
                self.created.setdefault(sent.holding, entry.modseq)
            if outcome.status != status:
                yield f"mutation {sent.id}: its answer was '{status}', the log makes it '{outcome.status}'"
            # A copy may have been left out because it would not go together with what was here; only the service knows.
            elif entry.modseq is None and sent.op != CREATE and outcome.record is not before:
                yield f"mutation {sent.id}: it should have changed something, and has no state"
        elif entry.modseq is not None:
            yield f"mutation {sent.id}: it was rejected, and has a state"
        for name, value in sent.patch.items() if status != REJECTED else ():
            if isinstance(value, list):
                self._lists[sent.holding, name, sent.id] = value
        for name, terms in entry.lists.items():
            self._lists[sent.holding, name, outcome_of(sent.id, terms)] = terms

    def _list_at(self, record: Record | None) -> ListAt:
        """As `StoredLog.list_at` finds it."""

        def find(name: str, writer: str | None) -> list[str] | None:
            if writer is None or record is None:
                return []
            found = self._lists.get((record.id, name, writer))
            if found is None and name in record.written and record.written[name].by == writer:
                value = record.values.get(name)
                found = value if isinstance(value, list) else None
            return found

        return find


def _check(body: Mapping[str, Any]) -> Check:
    """What was valid when it came is valid; only what was not, as the log says, is not again."""
    if LEFT_APART in body:
        return lambda values: (
            [Fault("invalid", "as logged")] if body[LEFT_APART] and values.keys() <= set(body[LEFT_APART]) else []
        )
    answers = iter([[], [Fault("invalid-merge", "as logged")]]) if body.get(INVALID_MERGE) else iter([])
    return lambda _: next(answers, [])
