"""Records as the log of mutations makes them, one mutation after the other. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from msgspec.structs import replace

from service.errors import Fault
from service.holdings.sync.field_names import kept_values, settled
from service.holdings.sync.merge import CREATE, REJECTED, Check, ListAt, ListOutcome, Mutation, View, merge
from service.holdings.sync.record import Record, mark_of, mutation_of, put_on

# In the body of a mutation that changed nothing: the state at which it came.
AT_STATE = "at_state"
# In the body of a mutation that did not go together with what was there.
INVALID_MERGE = "invalid_merge"
# In the body of a copy: the names that it could not fill.
LEFT_APART = "left_apart"
# In the body of a mutation: the rules by which it was judged. Without it: those of before a value had several writers.
RULES = "rules"
CURRENT_RULES = 2

# All that the body of a mutation has whose holding was deleted and purged.
PURGED = "purged"


@dataclass(frozen=True, slots=True)
class LogEntry:
    """A mutation as the log has it: the status of its answer, the `body` for the log, what it keeps of `lists` (see
    `list_as_json`), the state that it led to (None where it changed nothing), the device and the server's time."""

    mutation: Mutation
    status: str
    body: Mapping[str, Any]
    lists: Mapping[str, Any]
    modseq: int | None
    chain: str | None
    client: str
    at: datetime

    @property
    def order(self) -> tuple[int, bool]:
        """Sorts the log as it came about: a mutation that changed nothing comes after the state that it found."""
        return (self.modseq, False) if self.modseq is not None else (self.body.get(AT_STATE, 0), True)


def list_as_json(outcome: ListOutcome) -> dict[str, Any]:
    """What the log keeps of a list."""
    entry: dict[str, Any] = {}
    if outcome.own is not None:
        entry["own"] = [[element, list(by)] for element, by in outcome.own]
    if outcome.mark is not None:
        elements = [[element, list(by)] for element, by in outcome.elements]
        entry |= {"mark": outcome.mark, "by": list(outcome.writers), "elements": elements}
    return entry


def view_in(patch: Mapping[str, Any], lists: Mapping[str, Any], holding: str, name: str, writer: str) -> View | None:
    """What an author saw who names this writer, or mark, by what the log has of its mutation. Earlier versions kept the terms
    alone: then whatever was put on before counts as seen, under the id of the holding."""
    made_by, kept = mutation_of(writer), lists.get(name)
    if isinstance(kept, dict):
        if writer == kept.get("mark"):
            return View(frozenset(kept["by"]), tuple((element, tuple(by)) for element, by in kept["elements"]))
        if writer == made_by and "own" in kept:
            return View(frozenset((made_by,)), tuple((element, tuple(by)) for element, by in kept["own"]))
    elif kept is not None and writer == mark_of(made_by, kept):
        return View(frozenset((made_by,)), put_on(kept, (holding,)))
    if writer != made_by:
        return None
    if name not in patch:
        return View(frozenset((made_by,)), None)
    value = settled(name, patch[name])
    return View(frozenset((made_by,)), put_on(value, (made_by, holding)) if isinstance(value, list) else ())


def as_kept(name: str, value: Any) -> Any:
    """The value as the table gives it back: an own field at its default is not kept."""
    value = settled(name, value)
    return None if value is None else kept_values({name: value}).get(name)


class Rebuilt:
    """`records` by id, and the state at which each was `created`."""

    def __init__(self) -> None:
        self.records: dict[str, Record] = {}
        self.created: dict[str, int] = {}
        self._logged: dict[str, LogEntry] = {}

    def take(self, entry: LogEntry) -> Iterator[str]:
        """Applies the next mutation in the order of the log; yields in words what differs from its answer."""
        sent, status = entry.mutation, entry.status
        before = self.records.get(sent.holding)
        if status != REJECTED:
            outcome = merge(before, sent, self._list_at(sent.holding), _check(entry.body))
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
        if status != REJECTED:
            self._logged[sent.id] = entry

    def _list_at(self, holding: str) -> ListAt:
        """As `StoredLog.list_at` finds it."""

        def find(name: str, writer: str) -> View | None:
            known = self._logged.get(mutation_of(writer))
            if known is None or known.mutation.holding != holding:
                return None
            return view_in(known.mutation.patch, known.lists, holding, name, writer)

        return find


def _check(body: Mapping[str, Any]) -> Check:
    """What was valid when it came is valid; only what was not, as the log says, is not again."""
    if LEFT_APART in body:
        return lambda values: (
            [Fault("invalid", "as logged")] if body[LEFT_APART] and values.keys() <= set(body[LEFT_APART]) else []
        )
    answers = iter([[], [Fault("invalid-merge", "as logged")]]) if body.get(INVALID_MERGE) else iter([])
    return lambda _: next(answers, [])
