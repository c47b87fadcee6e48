"""What one mutation may do to one record, said a second time and apart from the merge: sync.md's rule and its invariants, for
each attribute. It looks at the record before and after, so that nothing that comes later can hide a loss."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.holdings.sync.merge import CREATE, DESTROY, UPDATE, Mutation, Record, ValueConflict

TERMS = "tags"


def broken(before: Record | None, mutation: Mutation, after: Record | None) -> Iterator[str]:
    """In words, each rule that the step breaks. `after` is what is kept once the mutation was taken, not for one that was
    refused."""
    if after is None:
        yield "there is no record after it"
        return
    yield from _made(mutation, after) if before is None else _changed(before, mutation, after)
    if mutation.writers is not None:
        yield from _copied(before, mutation, after)
    elif mutation.op != DESTROY:
        yield from _written(before, mutation, after)


def _made(mutation: Mutation, after: Record) -> Iterator[str]:
    if mutation.op != CREATE:
        yield "an edit made a record out of nothing"
    if after.is_destroyed:
        yield "a new record is destroyed"


def _changed(before: Record, mutation: Mutation, after: Record) -> Iterator[str]:
    for name, written in before.written.items():
        if name not in after.written:
            yield f"nobody knows any more who wrote {name}"
        elif after.written[name] != written and name not in mutation.patch:
            yield f"{name} changed, which nobody asked for"
        shown = before.values.get(name)
        is_replaced = name in mutation.patch and mutation.seen.get(name) in (written.by, written.by.partition("~")[0])
        is_kept = _equal(after.values.get(name), shown) or any(
            c.attribute == name and _equal(c.value, shown) for c in after.conflicts
        )
        if name != TERMS and not is_replaced and not is_kept:
            yield f"{name} was overwritten by somebody who had not seen it"
    yield from _deleted(before, mutation, after)
    for conflict in before.conflicts:
        if conflict in after.conflicts or conflict.id in mutation.resolves or after.is_destroyed:
            continue
        if not _is_replaced(conflict, mutation, after):
            yield f"the conflict {conflict.id} is gone, which nobody resolved"


def _is_replaced(conflict: ValueConflict, mutation: Mutation, after: Record) -> bool:
    """Its author goes on from the value that lost, or the same place has another value of the same author's."""
    if conflict.attribute is None:
        return any(other.id == conflict.id for other in after.conflicts)
    return mutation.seen.get(conflict.attribute) == conflict.mutation


def _deleted(before: Record, mutation: Mutation, after: Record) -> Iterator[str]:
    saw_all = all(mutation.seen.get(name) == written.by for name, written in before.written.items()) and all(
        conflict.id in mutation.resolves for conflict in before.conflicts
    )
    if before.is_destroyed:
        is_revived = mutation.op == UPDATE
        if after.is_destroyed is is_revived:
            yield "a delete was undone" if not is_revived else "an edit of what was deleted is gone"
        is_told = any(c.kind == "destroy" and c.mutation == before.destroyed_by for c in after.conflicts)
        is_meant = before.destroyed_by in mutation.resolves
        if is_revived and is_told is is_meant:
            yield (
                "the owner is not asked about the delete"
                if not is_meant
                else "the owner is asked about a delete he undid"
            )
    elif mutation.op == DESTROY and saw_all is not after.is_destroyed:
        yield "a delete by somebody who saw everything did nothing" if saw_all else "an unseen value was deleted"
    elif mutation.op == DESTROY and not saw_all and not _has(after, mutation, "destroy"):
        yield "the owner is not asked about the delete"
    elif mutation.op != DESTROY and after.is_destroyed:
        yield "an edit deleted"


def _written(before: Record | None, mutation: Mutation, after: Record) -> Iterator[str]:
    """What the author wrote is shown, or stands among the conflicts; a removal too."""
    if mutation.op == CREATE and before is not None and before.is_destroyed:
        return
    if _has(after, mutation, "invalid_merge"):
        return
    for name, value in mutation.patch.items():
        if name == TERMS and isinstance(value, list):
            continue  # Terms merge one by one; the simulator follows each of them.
        here = after.written.get(name)
        # A copy may have brought it along, and somebody may have gone on from it since.
        was_here = before is not None and _wrote(before, name, mutation)
        is_shown = _equal(after.values.get(name), value) and here is not None
        is_kept = any(c.attribute == name and _equal(c.value, value) for c in after.conflicts)
        if not is_shown and not is_kept and not was_here:
            yield f"{name} was written and is nowhere"


def _wrote(record: Record, name: str, mutation: Mutation) -> bool:
    found = [record.written[name].by] if name in record.written else []
    found += [conflict.mutation for conflict in record.conflicts if conflict.attribute == name]
    return any(writer.partition("~")[0] == mutation.id for writer in found)


def _copied(before: Record | None, mutation: Mutation, after: Record) -> Iterator[str]:
    writers = mutation.writers or {}
    there = before.written if before is not None else {}
    for name, value in mutation.patch.items():
        if value is None or name in there:
            continue
        is_left = any(c.kind == "invalid_merge" and (c.patch or {}).get(name) == value for c in after.conflicts)
        is_filled = after.values.get(name) == value and name in after.written
        if not is_filled and not is_left and not after.is_destroyed:
            yield f"a copy did not bring {name} back"
        elif is_filled and after.written[name].by != writers.get(name, mutation.id):
            yield f"a copy took {name} for its own"


def _has(record: Record, mutation: Mutation, kind: str) -> bool:
    return any(conflict.kind == kind and conflict.mutation == mutation.id for conflict in record.conflicts)


def _equal(one: Any, other: Any) -> bool:
    if isinstance(one, list) and isinstance(other, list):
        return sorted(one) == sorted(other)
    return bool(one == other)
