"""From the rows of a sheet to holdings: which holding a row is about, what an import would change, and what undoing it takes.
Pure: rows are read and checked before (rows.py), and carried out afterwards (actions.py).

A row with an id is about the holding of that id; one without, about the only holding with its number (the owner's own);
one with neither is always a new holding.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import chain, islice
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta

from service.database.types import written
from service.errors import Fault, Sentence
from service.holdings.model import StoredHolding, with_defaults
from service.holdings.sync.field_names import FlatValue, flattened, patch_between, unflattened

_MOST_SHOWN = 100
LONGEST_NOTE = 10_000
Format = Literal["csv", "xlsx", "ods", "json"]
CREATED, UPDATED, UNCHANGED = "created", "updated", "unchanged"
CHANGED_SINCE: Final = "changed since"
DELETED_SINCE: Final = "deleted since"
NOT_ALLOWED: Final = "not allowed any more"


class SentRow(msgspec.Struct, frozen=True):
    """A row that is right by itself. `own` are own fields that it gives, `facts` those that it records, `cleared` the
    facts that it says are not recorded: all else of a holding stays as it is. `kept` are headings and cells that no field
    takes: they go into the note. `row` counts from 1; `line` is the one of the file, if there is one."""

    row: int
    id: str | None
    own: Mapping[str, Any]
    facts: Mapping[str, Any]
    cleared: frozenset[str] = frozenset()
    kept: tuple[tuple[str, str], ...] = ()
    line: int | None = None

    @property
    def number(self) -> str | None:
        number = self.own.get("number")
        return number if isinstance(number, str) and number else None


class PlannedRow(msgspec.Struct, frozen=True):
    """What a row does: `before` is the holding that it is about, `after` every field of it as it will be."""

    row: int
    outcome: str
    id: str | None
    before: StoredHolding | None
    after: Mapping[str, Any]

    @property
    def is_repeated(self) -> bool:
        """Whether a second import of the same row makes another holding."""
        return self.outcome == CREATED and self.id is None and not self.after["number"]

    def shown(self) -> PlannedChange:
        """The row as an answer has it."""
        before = {} if self.before is None else flattened(self.before.data)
        change = (
            {"before": {}, "after": {}} if self.outcome == UNCHANGED else change_between(before, flattened(self.after))
        )
        return PlannedChange(self.outcome, self.row, self.id, self.after["number"], **change)  # type: ignore[arg-type]


class PlannedChange(msgspec.Struct, frozen=True):
    """One row of the preview; fields and facts by name, as far as they differ."""

    outcome: Literal["created", "updated", "unchanged"]
    row: int
    id: str | None
    number: str | None
    before: dict[str, FlatValue]
    after: dict[str, FlatValue]


@dataclass(frozen=True, slots=True)
class ImportPlan:
    """`refused`: by row, a fault whose pointer is relative to the row."""

    planned: tuple[PlannedRow, ...]
    refused: tuple[tuple[int, Fault], ...]

    def count(self, outcome: str) -> int:
        return sum(planned.outcome == outcome for planned in self.planned)

    def preview(self) -> list[PlannedChange]:
        """The first rows, those that change something before the others."""
        kinds = ([row for row in self.planned if row.outcome == kind] for kind in (CREATED, UPDATED, UNCHANGED))
        return [row.shown() for row in islice(chain.from_iterable(kinds), _MOST_SHOWN)]


def plan_of(sent: Iterable[SentRow], stored: Sequence[StoredHolding], gone: frozenset[str] = frozenset()) -> ImportPlan:
    """What the rows do to the holdings that there are; `gone` are ids of deleted ones. Linear in both."""
    by_id = {holding.id: holding for holding in stored}
    by_number: dict[str, list[StoredHolding]] = {}
    for holding in stored:
        if holding.data.get("number"):
            by_number.setdefault(holding.data["number"], []).append(holding)
    planned: list[PlannedRow] = []
    refused: list[tuple[int, Fault]] = []
    first: dict[str, int] = {}
    for row in sent:
        fault, before = _about(row, by_id, by_number, gone)
        key = None if fault else before.id if before else row.id or (f"number {row.number}" if row.number else None)
        if key is not None and key in first:
            hint = None if row.id else "give the pieces numbers of their own, or one row a quantity"
            message = (
                Sentence("row {first} is about the same holding (id '{id}')", first=first[key], id=row.id)
                if row.id
                else Sentence(
                    "row {first} is about the same holding (number '{number}')", first=first[key], number=row.number
                )
            )
            fault = Fault("clashing-id", message, "/id" if row.id else "/number", hint)
        if fault is not None:
            refused.append((row.row, fault))
            continue
        if key is not None:
            # Who reads it has the file open.
            first[key] = row.line or row.row
        made = _planned(row, before)
        if len(made.after["note"] or "") > LONGEST_NOTE:
            message = Sentence(
                "a note has up to {most} characters, with the cells that no field takes", most=LONGEST_NOTE
            )
            refused.append((row.row, Fault("over-limit", message, "/note", "give those columns fields, or null")))
            continue
        planned.append(made)
    return ImportPlan(tuple(planned), tuple(refused))


def _about(
    row: SentRow,
    by_id: Mapping[str, StoredHolding],
    by_number: Mapping[str, Sequence[StoredHolding]],
    gone: frozenset[str],
) -> tuple[Fault | None, StoredHolding | None]:
    named = by_number.get(row.number or "", ())
    if row.id is not None:
        if row.id in by_id:
            return None, by_id[row.id]
        if row.id in gone:
            hint = "leave the id out to record it as a new holding"
            return Fault.of("clashing-id", "the holding '{id}' was deleted", "/id", hint, id=row.id), None
        if named:
            hint = Sentence("leave the id out to change that holding; its id is {id}", id=named[0].id)
            return Fault.of(
                "clashing-id", "another holding has the number '{number}'", "/number", hint, number=row.number
            ), None
        return None, None
    if len(named) > 1:
        message = Sentence("{count} holdings have the number '{number}'", count=len(named), number=row.number)
        return Fault("clashing-id", message, "/number", "say which by a column `id`"), None
    return None, named[0] if named else None


def _planned(row: SentRow, before: StoredHolding | None) -> PlannedRow:
    if before is None:
        own = {**row.own, "note": note_with(row.own.get("note"), row.kept)}
        return PlannedRow(row.row, CREATED, row.id, None, with_defaults({**own, "facts": dict(row.facts)}))
    now = with_defaults(before.data)
    kept = {name: value for name, value in now["facts"].items() if name not in row.cleared}
    after = with_defaults({**now, **row.own, "facts": {**kept, **row.facts}})
    after["note"] = note_with(after["note"], row.kept)
    outcome = UNCHANGED if is_same(after, now) else UPDATED
    return PlannedRow(row.row, outcome, before.id, before, after)


def note_with(note: str | None, kept: Sequence[tuple[str, str]]) -> str | None:
    """The note with a line for each cell that no field takes; a line that an earlier import made for the same heading goes."""
    if not kept:
        return note
    beginnings = tuple(f"{heading}: " for heading, _ in kept if heading)
    lines = [line for line in (note or "").splitlines() if not (beginnings and line.startswith(beginnings))]
    lines += [
        f"{heading}: {' '.join(cell.split())}" if heading else cell for heading, cell in kept if cell not in lines
    ]
    return "\n".join(filter(None, lines))


def is_same(one: Any, other: Any) -> bool:
    """Whether two plain values say the same: 2.50 is 2.5, but true is not 1."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(is_same(one[name], other[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(is_same, one, other))
    return isinstance(one, bool) is isinstance(other, bool) and bool(one == other)


def patch_to(before: Any, after: Any) -> Any:
    """The merge patch (RFC 7396) that makes the one into the other. `after` has no null inside of objects, but for
    members that are absent then."""
    if not isinstance(before, Mapping) or not isinstance(after, Mapping):
        return after
    changed = {
        name: patch_to(before.get(name), value)
        for name, value in after.items()
        if name not in before or not is_same(before[name], value)
    }
    return {**changed, **{name: None for name in before if name not in after}}


# --- taking an import back ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Trace:
    """What an import did: by id of a holding, the digest of what it created; and what it changed, by flat name, before
    and after (a name that is missing was not recorded)."""

    created: dict[str, str] = field(default_factory=dict)
    changed: dict[str, dict[str, dict[str, Any]]] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        return {"created": self.created, "changed": self.changed}


class KeptRow(msgspec.Struct, frozen=True):
    """What undoing left as it is."""

    holding: str
    number: str | None
    reason: Literal["changed since", "deleted since", "not allowed any more"]
    fields: Annotated[
        list[str],
        Meta(description="Those of the import that were changed since, by flat name; empty: the whole holding stays."),
    ]


class UndoneImport(msgspec.Struct, frozen=True):
    """What undoing an import did."""

    destroyed: Annotated[int, Meta(description="Holdings that the import had made.")]
    set_back: Annotated[int, Meta(description="Holdings that it had changed.")]
    gone: Annotated[int, Meta(description="Holdings that it had made and the owner deleted since.")]
    kept: list[KeptRow]


class HoldingImport(msgspec.Struct, frozen=True):
    """An import that was carried out."""

    id: str
    at: datetime
    name: Annotated[str | None, Meta(description="The name of the file, if it was given.")]
    format: Format
    created: int
    updated: int
    unchanged: int
    refused: Annotated[int, Meta(description="Rows that were left out.")]
    undone_at: datetime | None
    undone: UndoneImport | None


@dataclass(frozen=True, slots=True)
class UndoPlan:
    """`destroyed`: ids; `patches`: by id, what sets a holding back; `gone`: created ones that the owner deleted since."""

    destroyed: tuple[str, ...]
    patches: Mapping[str, Mapping[str, Any]]
    gone: int
    kept: tuple[KeptRow, ...]


def change_between(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """What an update changed, for a Trace: flat values before and after."""
    names = patch_between(old, new)
    return {
        "before": {name: old[name] for name in names if name in old},
        "after": {name: new[name] for name in names if name in new},
    }


def digest_of(flat: Mapping[str, Any]) -> str:
    """SHA-256 of everything that is recorded by flat names, whatever their order."""
    return hashlib.sha256(written([[name, flat[name]] for name in sorted(flat)]).encode()).hexdigest()


def undo_plan(trace: Trace, stored: Iterable[StoredHolding]) -> UndoPlan:
    """How to undo an import, with the holdings as they are now. What is not as the import left it stays."""
    now = {holding.id: holding for holding in stored}
    destroyed: list[str] = []
    kept: list[KeptRow] = []
    patches: dict[str, Mapping[str, Any]] = {}
    for identity, digest in trace.created.items():
        if identity not in now:
            continue
        if digest_of(flattened(now[identity].data)) == digest and not now[identity].conflicts:
            destroyed.append(identity)
        else:
            kept.append(KeptRow(identity, now[identity].data.get("number"), CHANGED_SINCE, []))
    for identity, change in trace.changed.items():
        before, after = change["before"], change["after"]
        names = list(dict.fromkeys([*after, *before]))
        if identity not in now:
            kept.append(KeptRow(identity, before.get("number"), DELETED_SINCE, names))
            continue
        flat = flattened(now[identity].data)
        disputed = {conflict.attribute for conflict in now[identity].conflicts}
        changed = [name for name in names if name in disputed or not _is_as_imported(flat, after, name)]
        if changed:
            kept.append(KeptRow(identity, now[identity].data.get("number"), CHANGED_SINCE, changed))
        back = dict(flat)
        for name in names:
            if name not in changed:
                back.pop(name, None)
                if name in before:
                    back[name] = before[name]
        patch = patch_to(with_defaults(now[identity].data), unflattened(back))
        if patch:
            patches[identity] = patch
    gone = sum(identity not in now for identity in trace.created)
    return UndoPlan(tuple(destroyed), patches, gone, tuple(kept))


def _is_as_imported(flat: Mapping[str, Any], after: Mapping[str, Any], name: str) -> bool:
    if name not in flat or name not in after:
        return (name in flat) is (name in after)
    return is_same(flat[name], after[name])
