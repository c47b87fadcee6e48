"""A holding as sync knows it: each value with the mutations that wrote it, what stands in conflict, and deletes. Pure."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeGuard

import msgspec
from msgspec import field

# Between the ids of several mutations that wrote one value.
BESIDES = "+"
# A list that results from a merge is not what its mutations say. Whoever saw the result names the mutation that made it with
# this mark and a hash of the list, since the same mutation may have another result after a backup was restored.
OUTCOME = "~"
# A revival without a patch is noted under this name, so that a delete that did not see it is told from one that did.
REVIVAL = "~revive"

# An element of a list with the mutations that put it on, in the order of their ids.
Element = tuple[Any, tuple[str, ...]]


def in_words(at: datetime) -> str:
    """`at.isoformat()`, of an instant in UTC a fifth as much work: every value that is kept has one."""
    if at.tzinfo is UTC:
        return f"{msgspec.json.encode(at)[1:-2].decode()}+00:00"
    return at.isoformat()


class WrittenBy(msgspec.Struct, frozen=True):
    """Who wrote a value, and when its author says so (never later than the server's now)."""

    by: str
    at: datetime


class Written(msgspec.Struct, frozen=True):
    """Who wrote a value: several mutations where they wrote equal ones without seeing each other, in the order of their times.
    Of a list that merges by element: who put each element on, and `mark` where the list is not what one mutation says. `awaited`
    are mutations that others went on from and that never came: a backup was restored, and devices send theirs again in turn."""

    writers: tuple[WrittenBy, ...]
    elements: tuple[Element, ...] | None = None
    mark: str | None = None
    awaited: tuple[str, ...] = ()

    @property
    def by(self) -> str:
        """What `from` of a mutation names: the ids of the writers, or the mark."""
        return self.mark or named(writer.by for writer in self.writers)

    @property
    def at(self) -> datetime:
        return self.writers[-1].at

    @property
    def ids(self) -> frozenset[str]:
        return frozenset(writer.by for writer in self.writers)


@dataclass(frozen=True, slots=True)
class ValueConflict:
    """What the owner has yet to decide. `value`: the value of `attribute` that is not shown (None: removed), by `mutation`, the
    newest of those in `written`; `destroy`: a delete whose author had not seen everything; `invalid_merge`: a whole patch that
    would not go together with what is here. `client` and `received` are the device and the server's time of the mutation, None
    where they are not known."""

    id: str
    kind: str
    mutation: str
    at: datetime
    attribute: str | None = None
    value: Any = None
    patch: Mapping[str, Any] | None = None
    written: Written | None = None
    client: str | None = None
    received: datetime | None = None


class Record(msgspec.Struct, frozen=True):
    """A holding as sync knows it. `written` also has the names whose value was removed. A destroyed one has the `deletes` whose
    authors had seen everything, and keeps its values and conflicts until they are purged: then only the marker is left, which
    stays for good."""

    id: str
    values: Mapping[str, Any] = field(default_factory=dict)
    written: Mapping[str, Written] = field(default_factory=dict)
    conflicts: tuple[ValueConflict, ...] = ()
    deletes: tuple[WrittenBy, ...] = ()
    is_purged: bool = False

    @property
    def is_destroyed(self) -> bool:
        return bool(self.deletes)

    @property
    def destroyed_by(self) -> str | None:
        """All deletes of a destroyed one, those that had not seen everything too: what a mutation that undoes them names."""
        if not self.deletes:
            return None
        others = (conflict.mutation for conflict in self.conflicts if conflict.kind == "destroy")
        return named((*(delete.by for delete in self.deletes), *others))


def named(ids: Iterable[str]) -> str:
    """Several mutations as one text; the order of arrival does not show."""
    return BESIDES.join(sorted(ids))


def ids_in(text: str) -> frozenset[str]:
    """The opposite; of a list with its mark the mutation that made it."""
    return frozenset(text.partition(OUTCOME)[0].split(BESIDES))


def mutation_of(writer: str) -> str:
    """The mutation behind a writer."""
    return writer.partition(OUTCOME)[0]


def conflict_about(name: str, value: Any, written: Written) -> ValueConflict:
    """A value that is not shown."""
    newest = written.writers[-1]
    return ValueConflict(f"{written.by}:{name}", "value", newest.by, newest.at, name, value, written=written)


def in_order(writers: Iterable[WrittenBy]) -> tuple[WrittenBy, ...]:
    return tuple(sorted(writers, key=lambda writer: (writer.at, writer.by)))


def put_on(values: Iterable[Any], by: Collection[str]) -> tuple[Element, ...]:
    """Elements that all these mutations put on; one that stands twice counts once."""
    adders = tuple(sorted(by))
    return tuple({key_of(value): (value, adders) for value in values}.values())


def key_of(element: Any) -> str:
    """Equal elements have equal keys."""
    return element if isinstance(element, str) else json.dumps(element, sort_keys=True, default=float)


def mark_of(mutation: str, elements: Iterable[Any]) -> str:
    """The mark of a list that results from merging."""
    said = repr(sorted(map(key_of, elements)))
    return f"{mutation}{OUTCOME}{hashlib.sha256(said.encode()).hexdigest()[:12]}"


def is_terms(value: Any) -> TypeGuard[list[str]]:
    """Whether it is a list of terms, which merges by element; lists of anything else are one value."""
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def same(one: Any, other: Any) -> bool:
    """Equal as JSON: true is not 1, at any depth; the order of a list of terms says nothing, nor does a member that is null."""
    if is_terms(one) and is_terms(other):
        return sorted(one) == sorted(other)
    if isinstance(one, dict) and isinstance(other, dict):
        members = [{name: value for name, value in each.items() if value is not None} for each in (one, other)]
        return members[0].keys() == members[1].keys() and all(same(members[0][n], members[1][n]) for n in members[0])
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    return isinstance(one, bool) is isinstance(other, bool) and bool(one == other)
