"""A three-way merge of definition documents: what mine and theirs each did to their common base, put together. Pure.

Slots, groups, free choices and constraints go together by id (wherever in the document they stand), attributes by name, pages by
title; inside of one, field by field. Lists in which each entry stands by itself (authors, places of a page or a constraint,
keys of a list, values of an attribute) are merged by entry; every other value is one piece: rules, preferences, `distinct`,
`at_most`. Where both changed the same piece in different ways, mine is kept and a conflict tells of all three.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any

from msgspec import UNSET, Meta, Struct

from service.facts.holding import pointer_step
from service.rules.document import canonical_json

NAMED = ("slots", "one_per", "free_choice", "constraints")
LISTS = ("vocabularies", "attributes", *NAMED, "layout")
KEYS: Mapping[str, str] = {"vocabularies": "name", "attributes": "name", "layout": "page", **dict.fromkeys(NAMED, "id")}
# Lists whose entries stand each by itself, by the section and field where they are.
BY_ENTRY = frozenset(
    (("", "authors"), ("attributes", "values"), ("constraints", "places"), ("layout", "slots"), ("keys", "values"))
)


# A member that a document does not have, as against one that is null.
MISSING = UNSET
Document = Mapping[str, Any]


class MergeConflict(Struct, frozen=True):
    """Both sides changed the same thing in different ways. A side that does not have it is left out."""

    path: Annotated[str, Meta(description="Where it is, by ids: /slots/crown-1/accepts.")]
    pointer: Annotated[str, Meta(description="Where that is in the draft, or the nearest that the draft has.")]
    base: Any = MISSING
    mine: Any = MISSING
    theirs: Any = MISSING


@dataclass(frozen=True, slots=True)
class Merge:
    """The merged document, and what the owner has yet to decide. It has mine wherever there is a conflict; whether it is
    sound is for `service.rules.document.read_definition` to say, as one side may name a place that the other took away."""

    document: dict[str, Any]
    conflicts: tuple[MergeConflict, ...] = ()


def merge(base: Document, mine: Document, theirs: Document) -> Merge:
    """The three documents, each sound by itself, merged. With mine or theirs equal to the base it is the other one."""
    return _Merging(base, mine, theirs).merged()


@dataclass
class _Merging:
    base: Document
    mine: Document
    theirs: Document
    found: list[tuple[str, Any, Any, Any]] = field(default_factory=list)

    def merged(self) -> Merge:
        sides = (self.base, self.mine, self.theirs)
        names = [name for name in _names(sides) if name not in LISTS]
        frame = self._fields("", "", [{name: side[name] for name in names if name in side} for side in sides])
        lists = {
            **self._lists(("vocabularies",)),
            **self._lists(("attributes",)),
            **self._lists(NAMED),
            **self._lists(("layout",)),
        }
        made = {**frame, **lists}
        document = {name: made[name] for name in _names((self.mine, self.theirs)) if name in made}
        conflicts = sorted(self.found, key=lambda entry: entry[0])
        return Merge(document, tuple(MergeConflict(at, _pointer(document, at), *values) for at, *values in conflicts))

    # -- values

    def _value(self, path: str, base: Any, mine: Any, theirs: Any) -> Any:
        """One piece: what one side changed; mine where both did."""
        if _same(mine, theirs) or _same(base, theirs):
            return mine
        if _same(base, mine):
            return theirs
        self.found.append((path, base, mine, theirs))
        return mine

    def _fields(self, path: str, section: str, sides: Sequence[Any]) -> dict[str, Any]:
        made = {}
        for name in _names(sides):
            values = [side.get(name, MISSING) for side in sides]
            value = self._field(f"{path}/{pointer_step(name)}", section, name, values)
            if value is not MISSING:
                made[name] = value
        return made

    def _field(self, path: str, section: str, name: str, values: list[Any]) -> Any:
        if (section, name) in BY_ENTRY and all(isinstance(value, list) and _is_apart(value) for value in values):
            return _by_entry(*values)
        if (section, name) == ("one_per", "keys") and all(isinstance(value, Mapping) for value in values):
            # What else stands there goes with where the keys come from.
            sources = [value.get("from") for value in values]
            if sources[0] == sources[1] == sources[2] == "list":
                return self._fields(path, "keys", values)
        return self._value(path, *values)

    # -- lists of entries

    def _lists(self, names: Sequence[str]) -> dict[str, Any]:
        """The lists of these names, whose entries may move from one to another."""
        sides = (self.base, self.mine, self.theirs)
        raw = [{name: side.get(name) or [] for name in names} for side in sides]
        if not all(_is_keyed(entries, KEYS[name]) for side in raw for name, entries in side.items()):
            values = {name: [side.get(name, MISSING) for side in sides] for name in names}
            whole = {name: self._value(f"/{name}", *three) for name, three in values.items()}
            return {name: value for name, value in whole.items() if value is not MISSING}
        tables = [{e[KEYS[name]]: (name, e) for name, entries in side.items() for e in entries} for side in raw]
        kept: dict[str, tuple[str, Any]] = {}
        for key in dict.fromkeys(key for table in tables for key in table):
            entry = self._entry(key, *(table.get(key) for table in tables))
            if entry is not None:
                kept[key] = entry
        made: dict[str, Any] = {}
        for name in names:
            base, mine, theirs = ([entry[KEYS[name]] for entry in side[name]] for side in raw)
            here = {key for key, (section, _) in kept.items() if section == name}
            made[name] = [kept[key][1] for key in _ordered(base, mine, theirs, here)]
        return {name: made[name] for name in names if made[name] or self._is_said(name)}

    def _is_said(self, name: str) -> bool:
        """Whether a list that came out empty stands there all the same."""
        base, mine, theirs = (side.get(name, MISSING) for side in (self.base, self.mine, self.theirs))
        return (theirs if _same(base, mine) else mine) is not MISSING

    def _entry(
        self, key: str, base: tuple[str, Any] | None, mine: tuple[str, Any] | None, theirs: tuple[str, Any] | None
    ) -> tuple[str, Any] | None:
        """What becomes of one entry, with the list where it stands; None: it is gone."""
        sides = [base, mine, theirs]
        there = [side for side in sides if side is not None]
        path = f"/{base[0] if base is not None else min(section for section, _ in there)}/{pointer_step(key)}"
        if len(there) == 3 and len({section for section, _ in there}) == 1:
            section = there[0][0]
            return section, self._fields(path, section, [entry for _, entry in there])
        if base is None and mine is not None and theirs is not None and mine[0] == theirs[0]:
            section = mine[0]
            return section, self._fields(path, section, [{}, mine[1], theirs[1]])
        if _same_entry(mine, theirs) or _same_entry(base, theirs):
            return mine
        if _same_entry(base, mine):
            return theirs
        # One took it away, or moved it to another list, and the other changed it.
        values = [MISSING if side is None else side[1] for side in sides]
        self.found.append((path, values[0], values[1], values[2]))
        return mine


def _names(sides: Sequence[Mapping[str, Any]]) -> list[str]:
    """Every name, mine first, in the order in which they stand there."""
    return list(dict.fromkeys(name for side in (*sides[1:], sides[0]) for name in side))


def _same(one: Any, other: Any) -> bool:
    if one is MISSING or other is MISSING:
        return one is other
    return one is other or canonical_json(one) == canonical_json(other)


def _same_entry(one: tuple[str, Any] | None, other: tuple[str, Any] | None) -> bool:
    if one is None or other is None:
        return one is other
    return one[0] == other[0] and _same(one[1], other[1])


def _is_keyed(entries: Any, key: str) -> bool:
    """Whether no two entries bear the same key."""
    found = [entry[key] for entry in entries]
    return len(found) == len(set(found))


def _is_apart(values: Sequence[Any]) -> bool:
    return all(isinstance(value, str) for value in values) and len(values) == len(set(values))


def _by_entry(base: list[str], mine: list[str], theirs: list[str]) -> list[str]:
    """Mine with what theirs added and took away."""
    gone = {value for value in base if value not in mine or value not in theirs}
    return _ordered(base, mine, theirs, {value for value in (*mine, *theirs) if value not in gone})


def _ordered(base: Sequence[str], mine: Sequence[str], theirs: Sequence[str], kept: set[str]) -> list[str]:
    """Those that are kept, in the order of the side that moved any (mine, where both did); what only the other has stands
    behind what it stood behind there."""
    goes_by_theirs = not _moved(base, mine) and (_moved(base, theirs) or set(mine) <= set(base))
    first, second = (theirs, mine) if goes_by_theirs else (mine, theirs)
    order = list(first)
    before: str | None = None
    for key in second:
        if key not in order:
            order.insert(0 if before is None else order.index(before) + 1, key)
        before = key
    return [key for key in order if key in kept]


def _moved(base: Sequence[str], side: Sequence[str]) -> bool:
    """Whether those that were there before stand in another order."""
    common = set(base) & set(side)
    return [key for key in base if key in common] != [key for key in side if key in common]


def _pointer(document: Document, path: str) -> str:
    """A path by ids as a JSON pointer into the document, to the nearest that is there."""
    pointer, section = "", ""
    value: Any = document
    for step in path.split("/")[1:]:
        name = step.replace("~1", "/").replace("~0", "~")
        if isinstance(value, Mapping) and name in value:
            section = section or name
            value, pointer = value[name], f"{pointer}/{step}"
        elif isinstance(value, list):
            at = next((at for at, entry in enumerate(value) if entry.get(KEYS[section]) == name), None)
            if at is None:
                return pointer
            value, pointer = value[at], f"{pointer}/{at}"
        else:
            return pointer
    return pointer
