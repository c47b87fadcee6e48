"""What a record has to be after each mutation, said a second time, apart from the merge and in another way: nothing is merged,
but all that was ever written under a name is kept as sets (what was written, what was seen by whoever wrote instead; which terms
were put on, which were taken off), and what stands is the one without the other. Sets do not know in which order they were
filled.

The form is that of an observed-remove set and a multi-value register (Shapiro, Preguiça, Baquero, Zawirski: A comprehensive study
of Convergent and Commutative Replicated Data Types, INRIA RR-7506, 2011, sections 3.2.2 and 3.3.5; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from copy import copy
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Any

from msgspec.structs import replace

from service.errors import Fault
from service.holdings.sync.merge import CREATE, DESTROY, Mutation
from service.holdings.sync.record import Record

TAGS = "tags"
DEFAULTS = {"quantity": 1, "status": "held"}
Dot = tuple[str, str]
LIFE = "~revive"


def plain(name: str, value: Any) -> Any:
    """The value as it counts: a field at its default is removed, and so is an empty list of another field than tags."""
    if name == TAGS:
        return value or []
    is_default = name in DEFAULTS and value == DEFAULTS[name] and not isinstance(value, bool)
    return None if is_default else value


def is_list(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def equal(one: Any, other: Any) -> bool:
    if is_list(one) and is_list(other):
        return set(one) == set(other)
    return isinstance(one, bool) is isinstance(other, bool) and bool(one == other)


@dataclass
class Name:
    """All that was ever written under one name."""

    wrote: dict[str, tuple[Any, datetime]] = field(default_factory=dict)
    gone: set[str] = field(default_factory=set)
    shown: set[str] = field(default_factory=set)
    put_on: set[Dot] = field(default_factory=set)
    taken_off: set[Dot] = field(default_factory=set)
    # Lists that were kept whole, since nobody knew what their authors had seen.
    whole: set[str] = field(default_factory=set)
    # What is seen by whoever names this writer: writers, and terms with who put them on.
    means: dict[str, tuple[frozenset[str], frozenset[Dot]]] = field(default_factory=dict)
    # Writers that came with a copy, never themselves: the log does not say what they wrote, so that it is known as long as it
    # stands. And the names of writers that the record has now.
    carried: set[str] = field(default_factory=set)
    current: set[str] = field(default_factory=set)

    def copied(self) -> Name:
        return Name(*(copy(getattr(self, each.name)) for each in fields(self)))

    @property
    def standing(self) -> dict[str, tuple[Any, datetime]]:
        return {by: one for by, one in self.wrote.items() if by not in self.gone}

    @property
    def terms(self) -> frozenset[Dot]:
        return frozenset(self.put_on - self.taken_off)

    def groups(self) -> list[tuple[Any, frozenset[str]]]:
        """Each value that stands, with its writers; the one that is shown first."""
        merged = frozenset(by for by, (value, _) in self.standing.items() if is_list(value) and by not in self.whole)
        groups: list[tuple[Any, set[str]]] = [(sorted({term for term, _ in self.terms}), set(merged))] if merged else []
        for by, (value, _) in self.standing.items():
            if by in merged:
                continue
            known = next((ids for other, ids in groups if equal(other, value)), None)
            if known is None:
                groups.append((value, {by}))
            else:
                known.add(by)
        turn: Callable[[Any], Any] = lambda group: (bool(group[1] & self.shown), self._latest(group[1]))  # noqa: E731
        return [(value, frozenset(ids)) for value, ids in sorted(groups, key=turn, reverse=True)]

    def _latest(self, ids: Iterable[str]) -> tuple[datetime, str]:
        return max((self.wrote[by][1], by) for by in ids)

    def show(self, new: str | None) -> None:
        """After something was written, or decided: whoever goes on from what was shown is shown, else the later of both."""
        groups = [ids for _, ids in self.groups()]
        rest = next((ids for ids in groups if ids & self.shown), None)
        here = next((ids for ids in groups if new in ids), None)
        found = [ids for ids in (rest, here) if ids is not None] or groups
        self.shown = set(max(found, key=self._latest)) if found else set()


class Expected:
    """One holding as the reference has it."""

    def __init__(self) -> None:
        self.names: dict[str, Name] = {}
        self.deletes: set[str] = set()
        self.asked: set[str] = set()
        self.apart: dict[str, Mapping[str, Any]] = {}
        self.refused: dict[str, Mapping[str, str | None]] = {}

    def copied(self) -> Expected:
        other = copy(self)
        other.names = {name: one.copied() for name, one in self.names.items()}
        other.deletes, other.asked = set(self.deletes), set(self.asked)
        other.apart, other.refused = dict(self.apart), dict(self.refused)
        return other

    def values(self) -> dict[str, Any]:
        shown = {name: one.groups()[0][0] for name, one in self.names.items() if one.standing}
        return {name: value for name, value in shown.items() if value is not None and not (name == TAGS and not value)}

    # -- what a mutation does

    def refuse(self, mutation: Mutation) -> None:
        """One that was refused: it is as if its author had never made it."""
        self.refused[mutation.id] = mutation.seen

    def _stands_on(self, name: str, writer: str | None) -> str | None:
        while writer in self.refused:
            writer = self.refused[writer].get(name)
        return writer

    def take(self, mutation: Mutation, check: Callable[[Mapping[str, Any]], list[Fault]]) -> None:
        """One that was not refused."""
        seen = {name: self._stands_on(name, writer) for name, writer in mutation.seen.items()}
        mutation = replace(mutation, seen=seen)
        if mutation.writers is not None or (mutation.op == CREATE and self.deletes):
            self._copy(mutation, check)
        elif mutation.op == DESTROY:
            self._destroy(mutation)
        else:
            self._write(mutation, check)

    def _write(self, mutation: Mutation, check: Callable[[Mapping[str, Any]], list[Fault]]) -> None:
        plain_ids = {one for text in mutation.resolves if ":" not in text for one in text.split("+")}
        lived = bool(self.deletes)
        if lived:
            undone = self.deletes if mutation.revive and not mutation.resolves else self.deletes & plain_ids
            if mutation.patch or mutation.revive or undone:
                self.asked |= self.deletes - undone
                self.deletes = set()
        before, kept = self.values(), copy(self.__dict__)
        kept["names"] = {name: one.copied() for name, one in self.names.items()}
        self.asked = self.asked - plain_ids
        self.apart = {one: patch for one, patch in self.apart.items() if one not in plain_ids}
        decided: dict[str, list[str]] = {}
        for text in mutation.resolves:
            writer, is_value, name = text.partition(":")
            if is_value:
                decided.setdefault(name, []).append(writer)
        seen = mutation.seen if mutation.op != CREATE else {}
        for name, value in mutation.patch.items():
            self._one(name, plain(name, value), mutation, [seen.get(name)], decided.pop(name, []))
        for name, writers in decided.items():
            self._decide(name, writers)
        if not mutation.patch and (mutation.revive or (lived and not self.deletes)):
            self._one(LIFE, None, mutation, [], [])
        if self._is_worse(before, check):
            self.__dict__.update(kept)
            self.apart[mutation.id] = dict(mutation.patch)

    def _is_worse(self, before: Mapping[str, Any], check: Callable[[Mapping[str, Any]], list[Fault]]) -> bool:
        return bool({(f.code, f.pointer) for f in check(self.values())} - {(f.code, f.pointer) for f in check(before)})

    def _meant(self, name: str, writer: str) -> tuple[frozenset[str], frozenset[Dot] | None]:
        one = self.names[name]
        known = one.means.get(writer) if writer not in one.carried or writer in one.current else None
        return known if known is not None else (frozenset(writer.partition("~")[0].split("+")), None)

    def _one(self, name: str, value: Any, mutation: Mutation, seen: list[str | None], decided: list[str]) -> None:
        one = self.names.setdefault(name, Name())
        one.carried.discard(mutation.id)
        if mutation.id in one.standing:
            return
        meant = [self._meant(name, writer) for writer in (*seen, *decided) if writer is not None]
        # Of a merged list nothing goes that is not known as its author saw it.
        merged = {by for by in one.standing if is_list(one.wrote[by][0]) and by not in one.whole}
        unknown = {by for ids, terms in meant if terms is None for by in ids} - {
            by for ids, t in meant if t is not None for by in ids
        }
        ids = {by for ids, _ in meant for by in ids} - (unknown & merged)
        terms = {dot for _, dots in meant for dot in dots or ()}
        base = [self._meant(name, writer) for writer in seen if writer is not None]
        had_any, wholes = bool(one.standing), {by for by in one.whole if by in one.standing}
        one.gone |= ids - {mutation.id}
        is_whole = had_any and is_list(value) and any((dots is None and merged) or by & wholes for by, dots in base)
        one.wrote[mutation.id] = (value, mutation.edited_at)
        if is_list(value) and not is_whole:
            known = {term for _, dots in base for term, _ in dots or ()}
            new = {(term, mutation.id) for term in value if term not in known}
            # Whoever went on from it before it came saw what it put on.
            one.put_on |= new if mutation.id not in one.gone else set()
            one.taken_off |= {dot for dot in terms if dot[0] not in value}
            own = new | {dot for _, dots in base for dot in dots or () if dot[0] in value}
        else:
            one.taken_off |= terms
            own = set()
            if is_whole:
                one.whole.add(mutation.id)
        one.means[mutation.id] = (frozenset((mutation.id,)), frozenset(own))
        self._join_whole(one)
        if not any(is_list(one.wrote[by][0]) and by not in one.whole for by in one.standing):
            one.put_on.clear()
        one.show(mutation.id)

    def _join_whole(self, one: Name) -> None:
        """A list that was kept whole and is the same as the merged one is part of it from then on."""
        for by in [by for by in one.whole if by in one.standing]:
            merged = [other for other in one.standing if is_list(one.wrote[other][0]) and other not in one.whole]
            if merged and equal(one.wrote[by][0], [term for term, _ in one.terms]):
                one.whole.discard(by)
                one.put_on |= {(term, by) for term in one.wrote[by][0]}

    def _decide(self, name: str, writers: list[str]) -> None:
        one = self.names.get(name)
        if one is None or not one.standing:
            return
        meant = [self._meant(name, writer) for writer in writers]
        merged = {by for by in one.standing if is_list(one.wrote[by][0]) and by not in one.whole}
        ids = {by for ids, dots in meant for by in ids if dots is not None or by not in merged}
        if one.standing.keys() - ids:
            one.gone |= ids & one.standing.keys()
            one.taken_off |= {dot for _, dots in meant for dot in dots or ()}
            one.show(None)

    def _destroy(self, mutation: Mutation) -> None:
        if mutation.id in self.deletes:
            return
        if self._saw_all(mutation):
            self.deletes.add(mutation.id)
        else:
            self.asked.add(mutation.id)

    def _saw_all(self, mutation: Mutation) -> bool:
        for name, one in self.names.items():
            texts = [text.partition(":") for text in mutation.resolves]
            named = [mutation.seen.get(name), *(by for by, sign, of in texts if sign and of == name)]
            meant = [self._meant(name, writer) for writer in named if writer is not None]
            if one.standing.keys() - {by for ids, _ in meant for by in ids}:
                return False
            merged = any(is_list(value) and by not in one.whole for by, (value, _) in one.standing.items())
            if merged and one.terms - {dot for _, dots in meant for dot in dots or ()}:
                return False
        return not self.apart.keys() - mutation.resolves

    def _copy(self, mutation: Mutation, check: Callable[[Mapping[str, Any]], list[Fault]]) -> None:
        writers = mutation.writers or {}
        new = {
            n: v
            for n, v in mutation.patch.items()
            if v is not None and not (n in self.names and self.names[n].standing)
        }
        fit = {name: value for name, value in new.items() if not check({name: value})}
        before = self.values()
        faults = {(f.code, f.pointer) for f in check({**before, **fit})} - {(f.code, f.pointer) for f in check(before)}
        fit = {} if faults else fit
        left = {name: value for name, value in new.items() if name not in fit}
        for name in {**fit, **writers}:
            if name in left or (name in self.names and self.names[name].standing):
                continue
            one, text = self.names.setdefault(name, Name()), writers.get(name, mutation.id)
            value, ids = plain(name, fit.get(name)), frozenset(text.partition("~")[0].split("+"))
            one.wrote |= dict.fromkeys(ids, (value, mutation.edited_at))
            one.gone -= ids
            dots = {(term, by) for term in value for by in ids} if is_list(value) else set()
            one.put_on |= dots
            one.means[text] = (ids, frozenset(dots))
            one.carried.add(text)
            one.show(min(ids))
            one.current.add(text)
        if mutation.writers is None:
            # A create, whose author may go on from it all the same.
            for name, value in mutation.patch.items():
                one = self.names.setdefault(name, Name())
                one.carried.discard(mutation.id)
                dots = {(term, mutation.id) for term in value} if is_list(value) else set()
                one.means.setdefault(mutation.id, (frozenset((mutation.id,)), frozenset(dots)))
        if left and left not in self.apart.values() and not self.deletes:
            self.apart[mutation.id] = left

    # -- what is held against it

    def compared(self, record: Record) -> Iterator[str]:
        """In words, what the record has otherwise; its names of writers are known from now on."""
        if dict(record.values) != self.values() and not _alike(record.values, self.values()):
            yield f"its values are {dict(record.values)}, not {self.values()}"
        for name in {*self.names, *record.written}:
            one = self.names.get(name, Name())
            found = (
                [(record.values.get(name, [] if name == TAGS else None), record.written[name])]
                if name in record.written
                else []
            )
            found += [(c.value, c.written) for c in record.conflicts if c.attribute == name and c.written is not None]
            groups = one.groups()
            if [ids for _, ids in groups[:1]] != [written.ids for _, written in found[:1]]:
                yield f"{name} is shown as {found[:1]}, not {groups[:1]}"
            if {ids for _, ids in groups} != {written.ids for _, written in found} or len(groups) != len(found):
                yield f"{name} has the versions {found}, not {groups}"
            one.current = {written.by for _, written in found}
            for value, written in found:
                of = next((other for other, ids in groups if ids == written.ids), None)
                if not equal(value, of):
                    yield f"{name} by {written.by} is {value}, not {of}"
                dots = frozenset((str(e), by) for e, adders in written.elements or () for by in adders)
                if written.elements is not None and dots != one.terms:
                    yield f"the terms of {name} are {sorted(dots)}, not {sorted(one.terms)}"
                one.means[written.by] = (written.ids, dots)
        asked = {conflict.mutation for conflict in record.conflicts if conflict.kind == "destroy"}
        if (asked, {delete.by for delete in record.deletes}) != (self.asked - self.deletes, self.deletes):
            yield f"deletes are {record.deletes} and {asked}, not {self.deletes} and {self.asked}"
        apart = {c.mutation: c.patch for c in record.conflicts if c.kind == "invalid_merge"}
        if apart != self.apart:
            yield f"what did not go together is {apart}, not {self.apart}"


def _alike(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    return one.keys() == other.keys() and all(equal(one[name], other[name]) for name in one)
