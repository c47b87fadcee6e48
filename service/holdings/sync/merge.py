"""The merge of one mutation into one holding: causal compare-and-set for each attribute. Pure.

Every value carries its writers, the mutations that wrote it, and a mutation says which writers its author was looking at. It
takes the place of those, and of no others: a value that another device wrote unseen is kept beside it, the one with the later
`edited_at` (tie: the greater mutation id) shown and the other among the conflicts. Clocks choose what is shown, never what is
kept. Equal values are one value with several writers; whoever goes on from one of these leaves the others.

Lists of terms merge by element: each has the mutations that put it on, and taking it off removes those that the author saw. So
what is kept does not depend on the order in which mutations arrive.

Values are flat: an own field of the holding by its name, a fact by its name too (`facts.NAME` where an own field has it).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

import msgspec
from msgspec import field
from msgspec.structs import replace

from service.errors import Fault
from service.holdings.sync.field_names import MERGED_FIELDS, OWN_NAMES, settled
from service.holdings.sync.record import (
    OUTCOME,
    REVIVAL,
    Element,
    Record,
    ValueConflict,
    Written,
    WrittenBy,
    conflict_about,
    ids_in,
    in_order,
    is_terms,
    key_of,
    mark_of,
    put_on,
    same,
)

CREATE, UPDATE, DESTROY = "create", "update", "destroy"
OPS = (CREATE, UPDATE, DESTROY)
CONFLICT_KINDS = ("value", "destroy", "invalid_merge")
APPLIED, MERGED, CONFLICT, REJECTED = "applied", "merged", "conflict", "rejected"
NOT_FOUND = "not-found"
# More are forgotten, the oldest first: then the owner is asked.
MOST_AWAITED = 200


class Mutation(msgspec.Struct, frozen=True):
    """What one device did to one holding. `patch` leads from names to values, None removes; `seen` (on the wire: `from`)
    from names to the writers whose value the author saw, None or left out: none. `writers` come with a copy of a holding:
    each value keeps the writers that it had. `resolves` are ids of conflicts, and of the deletes that the author saw and undoes.
    `edited_at` is clamped to now already."""

    id: str
    op: str
    holding: str
    edited_at: datetime
    patch: Mapping[str, Any] = field(default_factory=dict)
    seen: Mapping[str, str | None] = field(default_factory=dict)
    writers: Mapping[str, str] | None = None
    resolves: frozenset[str] = frozenset()
    revive: bool = False


class View(msgspec.Struct, frozen=True):
    """What an author saw under a name: the writers, and of a list the elements with those that had put them on (None: not known
    any more)."""

    ids: frozenset[str]
    elements: tuple[Element, ...] | None = ()

    @property
    def dots(self) -> set[tuple[str, str]]:
        return _dots(self.elements or ())


class ListOutcome(msgspec.Struct, frozen=True):
    """What the log keeps of a list: as the author saw it (`own`: `from` names the mutation alone), and as it came out, with its
    writers, where it is marked."""

    own: tuple[Element, ...] | None = None
    mark: str | None = None
    writers: tuple[str, ...] = ()
    elements: tuple[Element, ...] = ()


class MergeOutcome(msgspec.Struct, frozen=True):
    """What became of a mutation. `record` is None where there is still none; it is the same object where nothing changed.
    `lists` are what is to be remembered of the lists that it changed, by name."""

    record: Record | None
    status: str
    faults: tuple[Fault, ...] = ()
    code: str | None = None
    lists: Mapping[str, ListOutcome] = field(default_factory=dict)


# What an author saw under a name who names this writer, or mark, by what the log has of its mutation; None where it has none.
ListAt = Callable[[str, str], View | None]
# Everything wrong with the values of a holding as a whole, pointers relative to the patch.
Check = Callable[[Mapping[str, Any]], list[Fault]]


def merge(record: Record | None, mutation: Mutation, list_at: ListAt, check: Check) -> MergeOutcome:
    """The record after the mutation. A mutation that is wrong in itself is rejected with its faults; one for a record
    that is not there is rejected as `not-found`, which is no verdict: the client sends its whole copy and then the
    mutation again."""
    if mutation.op == CREATE and mutation.writers is not None:
        return _copied(record, mutation, mutation.writers, list_at, check)
    known = mutation.patch
    if None in known.values():
        known = {name: value for name, value in known.items() if value is not None}
    alone = check(known)
    if alone:
        return MergeOutcome(record, REJECTED, tuple(alone), "invalid")
    if record is None and mutation.op == CREATE:
        return _made(mutation, known)
    if record is None or (record.is_purged and mutation.op == UPDATE):
        # Of one that was purged only whoever still has a copy knows what the values were that the author did not touch.
        return MergeOutcome(record, REJECTED, code=NOT_FOUND)
    if mutation.op == CREATE:
        return _create_again(record, mutation, list_at, check)
    if mutation.op == DESTROY:
        return _destroy(record, mutation, list_at)
    return _update(record, mutation, list_at, check)


def _made(mutation: Mutation, known: Mapping[str, Any]) -> MergeOutcome:
    mine = Written((WrittenBy(mutation.id, mutation.edited_at),))
    values, written = dict(known), dict.fromkeys(known, mine)
    # What else there is, most of it, is kept as it was sent.
    for name in [name for name, sent in known.items() if name in OWN_NAMES or type(sent) is list]:
        value = settled(name, known[name])
        if _is_list(name, value):
            written[name] = replace(mine, elements=put_on(value, (mutation.id,)))
        if _is_shown(name, value):
            values[name] = value
        else:
            del values[name]
    return MergeOutcome(Record(mutation.holding, values, written), APPLIED)


def _create_again(record: Record, mutation: Mutation, list_at: ListAt, check: Check) -> MergeOutcome:
    if record.is_destroyed:
        # Its id was used before; what it says fills what is missing, and never undoes the delete.
        return _copied(record, mutation, {}, list_at, check)
    # Two that were made under one id: neither author saw the other.
    return _patched(record, replace(mutation, seen={}), list_at, check)


def _copied(
    before: Record | None, mutation: Mutation, writers: Mapping[str, str], list_at: ListAt, check: Check
) -> MergeOutcome:
    """A mere copy: it fills what is missing here, and never undoes a delete or a value that was written since. What is not valid
    any more, or does not go together with what is here, is kept for the owner to decide."""
    record = before or Record(mutation.holding)
    new = {n: v for n, v in mutation.patch.items() if v is not None and n not in record.written}
    fitting = {name: value for name, value in new.items() if not check({name: value})}
    if _new_faults(record.values, {**record.values, **fitting}, check):
        fitting = {}
    left = {name: value for name, value in new.items() if name not in fitting}
    names = {name for name in {**fitting, **writers} if name not in record.written and name not in left}
    values, written = dict(record.values), dict(record.written)
    for name in sorted(names):
        value, by = settled(name, fitting.get(name)), writers.get(name, mutation.id)
        ids = sorted(ids_in(by))
        its = tuple(WrittenBy(one, mutation.edited_at) for one in ids)
        never = tuple(one for one in ids if one != mutation.id and list_at(name, one) is None)
        if _is_list(name, value):
            # It keeps the mark by which other devices know it.
            written[name] = Written(its, put_on(value, ids), by if OUTCOME in by else None, never)
        else:
            written[name] = Written(its, awaited=never)
        if _is_shown(name, value):
            values[name] = value
    filled = replace(record, values=values, written=written, is_purged=False)
    is_known = any(c.kind == "invalid_merge" and c.patch == left for c in record.conflicts)
    if left and not is_known and not record.is_destroyed:
        return MergeOutcome(_with(filled, _apart(mutation, left)), CONFLICT)
    return MergeOutcome(filled if names or before is None or before.is_purged else before, APPLIED)


def _update(record: Record, mutation: Mutation, list_at: ListAt, check: Check) -> MergeOutcome:
    if not record.is_destroyed:
        return _patched(record, mutation, list_at, check)
    there = {delete.by for delete in record.deletes}
    # Whoever names deletes, or conflicts about them, undoes no other ones than those.
    undone = there if mutation.revive and not mutation.resolves else there & _named(mutation.resolves)
    if not (mutation.patch or mutation.revive or undone):
        # It decided about a conflict, and wrote nothing that the delete had not seen.
        return _patched(record, mutation, list_at, check)
    left = [delete for delete in record.deletes if delete.by not in undone]
    back = replace(record, deletes=())
    for delete in left:
        back = _with(back, _asked(delete))
    # Whoever deletes it now has to have seen that it was brought back.
    done = _patched(back, replace(mutation, revive=True), list_at, check)
    return replace(done, status=CONFLICT) if left and done.status != REJECTED else done


def _destroy(record: Record, mutation: Mutation, list_at: ListAt) -> MergeOutcome:
    delete = WrittenBy(mutation.id, mutation.edited_at)
    if any(known.by == delete.by for known in record.deletes):
        return MergeOutcome(record, APPLIED)
    if _saw_all(record, mutation, list_at):
        return MergeOutcome(replace(record, deletes=in_order((*record.deletes, delete))), APPLIED)
    # It resolves nothing: what its author decided was part of the delete.
    return MergeOutcome(_with(record, _asked(delete)), APPLIED if record.is_destroyed else CONFLICT)


def _saw_all(record: Record, mutation: Mutation, list_at: ListAt) -> bool:
    """Whether the author of a delete had seen all values and conflicts, besides other deletes."""
    resolved = _resolved(mutation.resolves)
    plain = _named(mutation.resolves)
    for conflict in record.conflicts:
        if conflict.kind == "invalid_merge" and conflict.id not in plain:
            return False
    for name, versions in _all_versions(record):
        views = _views(name, (mutation.seen.get(name), *resolved.get(name, ())), versions, list_at)
        ids = frozenset[str]().union(*(view.ids for view in views))
        dots = set[tuple[str, str]]().union(*(view.dots for view in views))
        if not all(version.written.ids <= ids and _dots(version.elements) <= dots for version in versions):
            return False
    return True


def _patched(record: Record, mutation: Mutation, list_at: ListAt, check: Check) -> MergeOutcome:
    plain, resolved = _named(mutation.resolves), _resolved(mutation.resolves)
    left = tuple(c for c in record.conflicts if c.kind == "value" or c.id not in plain)
    now = record if len(left) == len(record.conflicts) else replace(record, conflicts=left)
    status, lists = APPLIED, dict[str, ListOutcome]()
    for name, value in mutation.patch.items():
        now, how, outcome = _one(now, name, settled(name, value), mutation, resolved.pop(name, ()), list_at)
        status = max(status, how, key=(APPLIED, MERGED, CONFLICT).index)
        if outcome is not None:
            lists[name] = outcome
    for name, writers in resolved.items():
        now, outcome = _decided(now, name, mutation, writers, list_at)
        if outcome is not None:
            lists[name] = outcome
    if mutation.revive and not mutation.patch:
        now, _, _ = _one(now, REVIVAL, None, mutation, (), list_at)
    if _new_faults(record.values, now.values, check):
        return MergeOutcome(_with(record, _apart(mutation, mutation.patch)), CONFLICT)
    return MergeOutcome(now, status, lists=lists)


# --- one attribute: the versions of its value, by different writers -----------------------------------------------------


class _Version(msgspec.Struct, frozen=True):
    """A value with its writers; a list that merges by element has `elements` in `written`."""

    value: Any
    written: Written

    @property
    def elements(self) -> tuple[Element, ...]:
        return self.written.elements or ()

    @property
    def rank(self) -> tuple[datetime, str]:
        newest = self.written.writers[-1]
        return newest.at, newest.by


def _versions(record: Record, name: str) -> list[_Version]:
    """The version that is shown, then those in conflict."""
    shown = record.written.get(name)
    if shown is None:
        return []
    value = record.values.get(name)
    if value is None and name in MERGED_FIELDS:
        value = []
    others = (c for c in record.conflicts if c.kind == "value" and c.attribute == name)
    return [_Version(value, shown), *(_Version(c.value, c.written) for c in others if c.written is not None)]


def _all_versions(record: Record) -> list[tuple[str, list[_Version]]]:
    if any(conflict.kind == "value" for conflict in record.conflicts):
        return [(name, _versions(record, name)) for name in record.written]
    return [(name, [_Version(record.values.get(name), written)]) for name, written in record.written.items()]


def _views(name: str, tokens: Sequence[str | None], versions: Sequence[_Version], list_at: ListAt) -> list[View]:
    """What the author saw, by each of these names of writers; nothing by None."""
    found = []
    for token in tokens:
        if token is None:
            continue
        there = next((version for version in versions if version.written.by == token), None)
        if there is not None:
            found.append(View(there.written.ids, there.elements))
        else:
            found.append(list_at(name, token) or View(ids_in(token), None))
    return found


def _awaited(
    name: str, views: Sequence[View], versions: Sequence[_Version], by: str, list_at: ListAt
) -> tuple[str, ...]:
    """The mutations that others went on from and that never came."""
    before, there = versions[0].written.awaited, {by}.union(*(version.written.ids for version in versions))
    ids = {one for view in views if view.elements is None for one in view.ids} - there - {*before}
    never = sorted(one for one in ids if list_at(name, one) is None)
    left = [one for one in before if one != by]
    return tuple([*left, *never][-MOST_AWAITED:])


def _one(
    record: Record, name: str, value: Any, mutation: Mutation, resolved: Sequence[str], list_at: ListAt
) -> tuple[Record, str, ListOutcome | None]:
    """One attribute that is written: the record, how it went, and what is to be remembered of a list."""
    current, seen = record.written.get(name), mutation.seen.get(name)
    mine, is_list = WrittenBy(mutation.id, mutation.edited_at), _is_list(name, value)
    if current is None:
        own = put_on(value, (mine.by,)) if is_list else None
        never = () if seen is None else tuple(sorted(one for one in ids_in(seen) if list_at(name, one) is None))
        done = _put(record, name, [_Version(value, Written((mine,), own))], never)
        # Never there, or not known here any more.
        return done, APPLIED if seen is None else MERGED, _remembered(own, None, mutation)
    versions = _versions(record, name)
    if any(mine.by in version.written.ids for version in versions):
        # The value came with a copy already, before the mutation itself came (again).
        return record, APPLIED, None
    shown = versions[0]
    is_plain = not is_list and current.elements is None and not current.awaited
    if len(versions) == 1 and seen == current.by and not resolved and is_plain:
        return _put(record, name, [_Version(value, Written((mine,)))]), APPLIED, None
    views = _views(name, (seen, *resolved), versions, list_at)
    ids = frozenset[str]().union(*(view.ids for view in views))
    left, is_late = _left(versions, views, mutation), mine.by in current.awaited
    awaited = _awaited(name, views, versions, mine.by, list_at)
    base, own = _base(name, seen, versions, list_at) if is_list else None, None
    if base is not None:
        merged = next((version for version in versions if version.written.elements is not None), None)
        own = _own(value, base, mine.by)
        left = [version for version in left if version.written.elements is None]
        list_version = _merged(merged, value, views, base, mine, own, is_late=is_late)
        left += [] if list_version is None else [list_version]
    elif not is_late:
        left.append(_Version(value, Written((mine,))))
    left = _folded(left, mutation)
    outcome = next((version.written for version in left if version.written.elements is not None), None)
    if is_late:
        # Somebody went on from it before it came.
        done = _put(record, name, _in_turn(left, shown) or versions, awaited)
        return done, MERGED, _remembered(own, outcome, mutation)
    is_seen = shown.written.by == seen or (shown.written.elements is None and shown.written.ids <= ids)
    here = next(version for version in left if mine.by in version.written.ids)
    done = _put(record, name, _in_turn(left, shown, here), awaited)
    is_joined = len(left) == 1 or bool(here.written.ids & shown.written.ids)
    status = APPLIED if is_seen else MERGED if is_joined else CONFLICT
    return done, status, _remembered(own, outcome, mutation)


def _decided(
    record: Record, name: str, mutation: Mutation, writers: Sequence[str], list_at: ListAt
) -> tuple[Record, ListOutcome | None]:
    """Conflicts about an attribute resolved for what is shown."""
    versions = _versions(record, name)
    views = _views(name, writers, versions, list_at)
    left = _left(versions, views, mutation)
    # What is shown was not decided against, even where somebody's clock has it shown only since.
    if not left or left == versions:
        return record, None
    outcome = next((version.written for version in left if version.written.elements is not None), None)
    done = _put(record, name, _in_turn(left, versions[0]), versions[0].written.awaited)
    return done, _remembered(None, outcome, mutation)


def _left(versions: Sequence[_Version], views: Sequence[View], mutation: Mutation) -> list[_Version]:
    """The versions without what the author saw of them."""
    ids = frozenset[str]().union(*(view.ids for view in views))
    # Of a list that is not known as its author saw it nothing is taken.
    known = frozenset[str]().union(*(view.ids for view in views if view.elements is not None))
    left = []
    for version in versions:
        is_list = version.written.elements is not None
        gone = known if is_list else ids
        writers = tuple(writer for writer in version.written.writers if writer.by not in gone)
        if not writers:
            continue
        if not is_list:
            left.append(_Version(version.value, Written(writers)))
            continue
        elements = _less(version.elements, views, ())
        if len(writers) == len(version.written.writers) and elements == version.elements:
            left.append(version)
        else:
            left.append(_list_version(elements, writers, mutation.id, None))
    return left


def _base(name: str, seen: str | None, versions: Sequence[_Version], list_at: ListAt) -> tuple[Element, ...] | None:
    """The elements of the list that the author of another one saw; None where it cannot be told."""
    if seen is None:
        return ()
    there = next((version for version in versions if version.written.by == seen), None)
    if there is not None:
        # A list that was kept whole, since nobody knew what its author had seen, is gone on from as a whole.
        is_whole = there.written.elements is None and is_terms(there.value)
        return None if is_whole else there.elements
    view = list_at(name, seen)
    if view is not None:
        return view.elements
    within = [version for version in versions if version.written.ids & ids_in(seen)]
    if within and all(version.written.elements is None and not is_terms(version.value) for version in within):
        return ()
    is_any = any(version.written.elements is not None for version in versions)
    return None if is_any else ()


def _own(value: Sequence[Any], base: Sequence[Element], by: str) -> tuple[Element, ...]:
    """The list as its author saw it."""
    known = {key_of(element): adders for element, adders in base}
    return tuple((element, known.get(key_of(element), adders)) for element, adders in put_on(value, (by,)))


def _merged(
    before: _Version | None,
    value: Sequence[Any],
    views: Sequence[View],
    base: Sequence[Element],
    mine: WrittenBy,
    own: tuple[Element, ...],
    *,
    is_late: bool,
) -> _Version | None:
    """The list after another one was written: without what its author took off, with what its author put on. Where somebody went
    on from that one already (`is_late`) it is no writer any more, and they saw what it put on; None where there is no other."""
    known = {key_of(element) for element, _ in base}
    there = {key_of(e): (e, by) for e, by in _less(before.elements if before else (), views, value)}
    new = () if is_late else (element for element in value if key_of(element) not in known)
    for element, adders in put_on(new, (mine.by,)):
        key = key_of(element)
        there[key] = (element, tuple(sorted({*there[key][1], *adders}))) if key in there else (element, adders)
    ids = frozenset[str]().union(*(view.ids for view in views if view.elements is not None))
    others = (writer for writer in (before.written.writers if before else ()) if writer.by not in ids)
    writers = in_order((*others, *(() if is_late else (mine,))))
    return _list_version(tuple(there.values()), writers, mine.by, own) if writers else None


def _list_version(
    elements: tuple[Element, ...], writers: tuple[WrittenBy, ...], by: str, own: tuple[Element, ...] | None
) -> _Version:
    is_own = own is not None and len(writers) == 1 and _dots(elements) == _dots(own)
    mark = None if is_own else mark_of(by, (element for element, _ in elements))
    return _Version([element for element, _ in elements], Written(writers, elements, mark))


def _less(elements: Sequence[Element], views: Sequence[View], wanted: Sequence[Any]) -> tuple[Element, ...]:
    """The elements without those that the author saw and does not want."""
    stays, gone = {key_of(element) for element in wanted}, set[tuple[str, str]]().union(*(view.dots for view in views))
    left = ((e, key_of(e), by) for e, by in elements)
    kept = ((e, by if key in stays else tuple(one for one in by if (key, one) not in gone)) for e, key, by in left)
    return tuple((element, by) for element, by in kept if by)


def _dots(elements: Sequence[Element]) -> set[tuple[str, str]]:
    return {(key_of(element), by) for element, adders in elements for by in adders}


def _folded(versions: Sequence[_Version], mutation: Mutation) -> list[_Version]:
    """Equal values are one version."""
    folded: list[_Version] = []
    for version in versions:
        at = next((n for n, known in enumerate(folded) if same(known.value, version.value)), None)
        if at is None:
            folded.append(version)
            continue
        one, other = sorted((folded[at], version), key=lambda each: each.rank)
        writers = in_order((*one.written.writers, *other.written.writers))
        lists = [each for each in (one, other) if each.written.elements is not None]
        if lists:
            joined = lists[0]
            whole = other if joined is one else one
            more = {key_of(element) for element in whole.value}
            elements = tuple(
                (e, tuple(sorted({*by, *whole.written.ids})) if key_of(e) in more else by) for e, by in joined.elements
            )
            folded[at] = _list_version(elements, writers, mutation.id, None)
        else:
            folded[at] = _Version(other.value, Written(writers))
    return folded


def _in_turn(left: Sequence[_Version], shown: _Version, here: _Version | None = None) -> list[_Version]:
    """These versions, first the one to be shown: what takes the place of the one that was `shown`, whatever the clocks say, or
    else the later one of what is left of that and what is new `here`."""
    rest = next((version for version in left if version.written.ids & shown.written.ids), None)
    found = [version for version in (rest, here) if version is not None] or left
    first = max(found, key=lambda version: version.rank, default=None)
    return [version for version in left if version is first] + [version for version in left if version is not first]


def _put(record: Record, name: str, versions: Sequence[_Version], awaited: tuple[str, ...] = ()) -> Record:
    """The record with these versions of one value: the first one shown, the others in conflict."""
    shown = versions[0]
    values = {key: known for key, known in record.values.items() if key != name}
    if _is_shown(name, shown.value):
        values[name] = shown.value
    its = shown.written if shown.written.awaited == awaited else replace(shown.written, awaited=awaited)
    written = {**record.written, name: its}
    conflicts = record.conflicts
    if len(versions) > 1 or conflicts:
        before = {conflict.id: conflict for conflict in conflicts if conflict.attribute == name}
        others = [version for version in versions if version is not shown]
        made = [conflict_about(name, one.value, replace(one.written, awaited=())) for one in others]
        known = {conflict.id for conflict in made}
        # Those that stay keep their place.
        there = [c for c in conflicts if c.attribute != name or c.id in known]
        conflicts = (*there, *(conflict for conflict in made if conflict.id not in before))
    return replace(record, values=values, written=written, conflicts=conflicts)


def _remembered(own: tuple[Element, ...] | None, outcome: Written | None, mutation: Mutation) -> ListOutcome | None:
    """What the log keeps of a list, so that it is known what later authors saw."""
    is_new = outcome is not None and outcome.mark is not None and outcome.mark.startswith(f"{mutation.id}~")
    if outcome is None or not is_new:
        return None if own is None else ListOutcome(own)
    return ListOutcome(own, outcome.mark, tuple(sorted(outcome.ids)), outcome.elements or ())


def _is_list(name: str, value: Any) -> bool:
    """Whether it merges by element."""
    return isinstance(value, list) and (name in MERGED_FIELDS or is_terms(value))


def _is_shown(name: str, value: Any) -> bool:
    """Whether a value stands in the record: what is removed does not, nor an empty list that merges by element."""
    return value is not None and not (name in MERGED_FIELDS and value == [])


# --- what is resolved, and what the owner is asked -----------------------------------------------------------------------


def _named(resolves: frozenset[str]) -> frozenset[str]:
    """The deletes, and patches that did not go together, that these name."""
    return frozenset(one for named in resolves if ":" not in named for one in ids_in(named)) | resolves


def _resolved(resolves: frozenset[str]) -> dict[str, list[str]]:
    """By attribute the writers of the conflicting values that these name."""
    found: dict[str, list[str]] = {}
    for conflict in sorted(resolves):
        writers, is_value, name = conflict.partition(":")
        if is_value:
            found.setdefault(name, []).append(writers)
    return found


def _asked(delete: WrittenBy) -> ValueConflict:
    return ValueConflict(delete.by, "destroy", delete.by, delete.at)


def _apart(mutation: Mutation, patch: Mapping[str, Any]) -> ValueConflict:
    return ValueConflict(mutation.id, "invalid_merge", mutation.id, mutation.edited_at, patch=dict(patch))


def _with(record: Record, conflict: ValueConflict) -> Record:
    others = tuple(known for known in record.conflicts if known.id != conflict.id)
    return replace(record, conflicts=(*others, conflict))


def _new_faults(before: Mapping[str, Any], after: Mapping[str, Any], check: Check) -> bool:
    """Whether something is wrong now that was not before: a fact recorded long ago whose name a definition gave another type
    since must not stop the owner from changing something else."""
    faults = check(after)
    known = {(fault.code, fault.pointer) for fault in check(before)} if faults else set()
    return any((fault.code, fault.pointer) not in known for fault in faults)
