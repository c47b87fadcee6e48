"""The merge of one mutation into one holding: causal compare-and-set for each attribute (design: sync.md). Pure.

Every value carries its writer, the id of the mutation that wrote it, and a mutation says which writer's value its author
was looking at. Where that is still the writer, the mutation applies. Where it is not, another device wrote unseen: both values
are kept, the one with the later `edited_at` (tie: the greater mutation id) shown and the other among the conflicts. Clocks
choose what is shown, never what is kept. Lists of terms merge by element: what the author added and took away is applied
to the list as it is now.

Values are flat: an own field of the holding by its name, a fact by its name too (`facts.NAME` where an own field has it).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeGuard

import msgspec
from msgspec import field
from msgspec.structs import replace

from service.errors import Fault

# The list that results from a merge is not what its mutation says. An author who goes on from what the mutation says names the
# mutation; one who saw the result names it with this mark and a hash of the list, since the same mutation may have another result
# after a backup was restored.
OUTCOME = "~"
CREATE, UPDATE, DESTROY = "create", "update", "destroy"
OPS = (CREATE, UPDATE, DESTROY)
CONFLICT_KINDS = ("value", "destroy", "invalid_merge")
APPLIED, MERGED, CONFLICT, REJECTED = "applied", "merged", "conflict", "rejected"
NOT_FOUND = "not-found"


class WrittenBy(msgspec.Struct, frozen=True):
    """Who wrote a value, and when its author says so (never later than the server's now)."""

    by: str
    at: datetime


class Mutation(msgspec.Struct, frozen=True):
    """What one device did to one holding. `patch` leads from names to values, None removes; `seen` (on the wire: `from`)
    from names to the writer whose value the author saw, None or left out: none. `writers` come with a copy of a holding:
    each value keeps the writer that it had. `resolves` are ids of conflicts, and with `revive` the ids of the deletes that
    the author saw. `edited_at` is clamped to now already."""

    id: str
    op: str
    holding: str
    edited_at: datetime
    patch: Mapping[str, Any] = field(default_factory=dict)
    seen: Mapping[str, str | None] = field(default_factory=dict)
    writers: Mapping[str, str] | None = None
    resolves: frozenset[str] = frozenset()
    revive: bool = False


@dataclass(frozen=True, slots=True)
class ValueConflict:
    """What the owner has yet to decide. `value`: the value of `attribute` that is not shown (None: removed), by `mutation`;
    `destroy`: a delete whose author had not seen everything; `invalid_merge`: a whole patch that would not go together
    with what is here."""

    id: str
    kind: str
    mutation: str
    at: datetime
    attribute: str | None = None
    value: Any = None
    patch: Mapping[str, Any] | None = None


class Record(msgspec.Struct, frozen=True):
    """A holding as sync knows it. `written` also has the names whose value was removed. A destroyed one keeps its values
    until they are purged: then only the marker is left, which stays for good."""

    id: str
    values: Mapping[str, Any] = field(default_factory=dict)
    written: Mapping[str, WrittenBy] = field(default_factory=dict)
    conflicts: tuple[ValueConflict, ...] = ()
    destroyed_by: str | None = None
    is_purged: bool = False

    @property
    def is_destroyed(self) -> bool:
        return self.destroyed_by is not None


class MergeOutcome(msgspec.Struct, frozen=True):
    """What became of a mutation. `record` is None where there is still none; it is the same object where nothing changed.
    `lists` are the lists of terms that result from an element-wise merge, for the log."""

    record: Record | None
    status: str
    faults: tuple[Fault, ...] = ()
    code: str | None = None
    lists: Mapping[str, list[str]] = field(default_factory=dict)


# The list that a writer wrote under a name; with the mark the result of its merge. None where it is not known.
ListAt = Callable[[str, str | None], list[str] | None]
# Everything wrong with the values of a holding as a whole, pointers relative to the patch.
Check = Callable[[Mapping[str, Any]], list[Fault]]


def merge(record: Record | None, mutation: Mutation, list_at: ListAt, check: Check) -> MergeOutcome:
    """The record after the mutation. A mutation that is wrong in itself is rejected with its faults; one for a record
    that is not there is rejected as `not-found`, which is no verdict: the client sends its whole copy and then the
    mutation again."""
    if mutation.op == CREATE and mutation.writers is not None:
        return _copied(record, mutation, mutation.writers, check)
    known = {name: value for name, value in mutation.patch.items() if value is not None}
    alone = check(known)
    if alone:
        return MergeOutcome(record, REJECTED, tuple(alone), "invalid")
    if record is None and mutation.op == CREATE:
        return MergeOutcome(Record(mutation.holding, known, dict.fromkeys(known, _by(mutation))), APPLIED)
    if record is None or (record.is_purged and mutation.op == UPDATE):
        # Of one that was purged only whoever still has a copy knows what the values were that the author did not touch.
        return MergeOutcome(record, REJECTED, code=NOT_FOUND)
    if mutation.op == CREATE:
        return _create_again(record, mutation, list_at, check)
    if mutation.op == DESTROY:
        return _destroy(record, mutation)
    return _update(record, mutation, list_at, check)


def _create_again(record: Record, mutation: Mutation, list_at: ListAt, check: Check) -> MergeOutcome:
    if record.is_destroyed:
        # Its id was used before; what it says fills what is missing, and never undoes the delete.
        return _copied(record, mutation, {}, check)
    # Two that were made under one id: neither author saw the other.
    return _patched(record, replace(mutation, seen={}), list_at, check)


def _copied(before: Record | None, mutation: Mutation, writers: Mapping[str, str], check: Check) -> MergeOutcome:
    """A mere copy: it fills what is missing here, and never undoes a delete or a value that was written since. What is not valid
    any more, or does not go together with what is here, is kept for the owner to decide."""
    record = before or Record(mutation.holding)
    new = {n: v for n, v in mutation.patch.items() if v is not None and n not in record.written}
    fitting = {name: value for name, value in new.items() if not check({name: value})}
    if _new_faults(record.values, {**record.values, **fitting}, check):
        fitting = {}
    left = {name: value for name, value in new.items() if name not in fitting}
    names = {name for name in {**fitting, **writers} if name not in record.written and name not in left}
    written = {name: WrittenBy(writers.get(name, mutation.id), mutation.edited_at) for name in names}
    values = {**record.values, **fitting}
    filled = replace(record, values=values, written={**record.written, **written}, is_purged=False)
    is_known = any(c.kind == "invalid_merge" and c.patch == left for c in record.conflicts)
    if left and not is_known and not record.is_destroyed:
        return MergeOutcome(_with(filled, _apart(mutation, left)), CONFLICT)
    return MergeOutcome(filled if names or before is None or before.is_purged else before, APPLIED)


def _update(record: Record, mutation: Mutation, list_at: ListAt, check: Check) -> MergeOutcome:
    if not record.is_destroyed:
        return _patched(record, mutation, list_at, check)
    back = replace(record, destroyed_by=None)
    # Whoever names deletes, or conflicts about them, undoes no other one than those.
    is_seen = record.destroyed_by in mutation.resolves or (mutation.revive and not mutation.resolves)
    if not is_seen:
        assert record.destroyed_by is not None
        back = _with(back, ValueConflict(record.destroyed_by, "destroy", record.destroyed_by, mutation.edited_at))
    done = _patched(back, mutation, list_at, check)
    return done if is_seen or done.status == REJECTED else replace(done, status=CONFLICT)


def _destroy(record: Record, mutation: Mutation) -> MergeOutcome:
    if record.is_destroyed:
        return MergeOutcome(record, APPLIED)
    saw_values = all(mutation.seen.get(name) == written.by for name, written in record.written.items())
    saw_conflicts = all(conflict.id in mutation.resolves for conflict in record.conflicts)
    if saw_values and saw_conflicts:
        return MergeOutcome(replace(record, conflicts=(), destroyed_by=mutation.id), APPLIED)
    kept = _with(record, ValueConflict(mutation.id, "destroy", mutation.id, mutation.edited_at))
    return MergeOutcome(kept, CONFLICT)


def _patched(record: Record, mutation: Mutation, list_at: ListAt, check: Check) -> MergeOutcome:
    left = tuple(conflict for conflict in record.conflicts if conflict.id not in mutation.resolves)
    now = replace(record, conflicts=left)
    status, lists = APPLIED, dict[str, list[str]]()
    for name, value in mutation.patch.items():
        now, how, merged = _one(now, name, value, mutation, list_at)
        status = max(status, how, key=(APPLIED, MERGED, CONFLICT).index)
        if merged is not None:
            lists[name] = merged
    if _new_faults(record.values, now.values, check):
        return MergeOutcome(_with(record, _apart(mutation, mutation.patch)), CONFLICT)
    return MergeOutcome(now, status, lists=lists)


def _apart(mutation: Mutation, patch: Mapping[str, Any]) -> ValueConflict:
    return ValueConflict(mutation.id, "invalid_merge", mutation.id, mutation.edited_at, patch=dict(patch))


def _by(mutation: Mutation) -> WrittenBy:
    return WrittenBy(mutation.id, mutation.edited_at)


def _new_faults(before: Mapping[str, Any], after: Mapping[str, Any], check: Check) -> bool:
    """Whether something is wrong now that was not before: a fact recorded long ago whose name a definition gave another type
    since must not stop the owner from changing something else."""
    faults = check(after)
    known = {(fault.code, fault.pointer) for fault in check(before)} if faults else set()
    return any((fault.code, fault.pointer) not in known for fault in faults)


def _one(
    record: Record, name: str, value: Any, mutation: Mutation, list_at: ListAt
) -> tuple[Record, str, list[str] | None]:
    """One attribute: the record, how it went, and the list when lists were merged."""
    current, seen = record.written.get(name), mutation.seen.get(name)
    mine = _by(mutation)
    already = (current and mutation_of(current.by) == mine.by) or any(
        mutation_of(conflict.mutation) == mine.by and conflict.attribute == name for conflict in record.conflicts
    )
    if already:
        # The value came with a copy already, before the mutation itself came (again).
        return record, APPLIED, None
    if (current.by if current else None) == seen:
        return _set(record, name, value, mine), APPLIED, None
    # Whoever goes on from a value that lost knows that one, and replaces it.
    left = tuple(c for c in record.conflicts if not (c.attribute == name and c.mutation == seen))
    goes_on_from_a_loser = len(left) < len(record.conflicts)
    record = replace(record, conflicts=left)
    shown = record.values.get(name)
    if _same(shown, value):
        return _set(record, name, value, mine), MERGED, None
    if _is_terms(shown) and _is_terms(value) and not goes_on_from_a_loser:
        # The terms of a list that lost are not among those shown, so they must not count as there already.
        base = [] if seen is None else list_at(name, seen)
        if base is not None:
            merged = _merged_terms(base, shown, value)
            outcome = mine if sorted(merged) == sorted(value) else WrittenBy(outcome_of(mine.by, merged), mine.at)
            return _set(record, name, merged, outcome), MERGED, merged
    if current is None:
        # Removed or never there, while the author saw something that is not known here any more.
        return _set(record, name, value, mine), MERGED, None
    if (mine.at, mine.by) > (current.at, current.by):
        loser = ValueConflict(f"{current.by}:{name}", "value", current.by, current.at, name, shown)
        return _with(_set(record, name, value, mine), loser), CONFLICT, None
    loser = ValueConflict(f"{mine.by}:{name}", "value", mine.by, mine.at, name, value)
    return _with(record, loser), CONFLICT, None


def outcome_of(mutation: str, terms: Sequence[str]) -> str:
    """The writer of the list that results from merging what the mutation says."""
    return f"{mutation}{OUTCOME}{hashlib.sha256(repr(sorted(terms)).encode()).hexdigest()[:12]}"


def mutation_of(writer: str) -> str:
    """The mutation behind a writer."""
    return writer.partition(OUTCOME)[0]


def _set(record: Record, name: str, value: Any, written: WrittenBy) -> Record:
    values = {key: known for key, known in record.values.items() if key != name}
    if value is not None:
        values[name] = value
    return replace(record, values=values, written={**record.written, name: written})


def _with(record: Record, conflict: ValueConflict) -> Record:
    others = tuple(known for known in record.conflicts if known.id != conflict.id)
    return replace(record, conflicts=(*others, conflict))


def _is_terms(value: Any) -> TypeGuard[list[str]]:
    """Whether it is a list of terms, which merges by element; lists of anything else are one value."""
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _same(one: Any, other: Any) -> bool:
    """Equal as JSON: true is not 1, at any depth, and the order of a list of terms says nothing."""
    if _is_terms(one) and _is_terms(other):
        return sorted(one) == sorted(other)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[name], other[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return isinstance(one, bool) is isinstance(other, bool) and bool(one == other)


def _merged_terms(base: list[str], shown: list[str], sent: list[str]) -> list[str]:
    gone = set(base) - set(sent)
    return [*(term for term in shown if term not in gone), *(t for t in sent if t not in base and t not in shown)]
