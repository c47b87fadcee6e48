"""The order in which mutations arrive never matters for what is kept.

Devices that start from one record edit it offline, each up to three times, and then send what they did. For each script every
order is tried: what is kept after some of what each device did has to be the same, whichever of them came last, so that all
orders of a script are one walk over a grid.

`SETWRIGHT_SYNC_ORDERS=all` takes every script of each theme, and not one of so many.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import combinations_with_replacement, islice, product
from typing import Any

import pytest

from service.holdings.sync.merge import CREATE, DESTROY, REJECTED, UPDATE, Mutation, View, merge
from service.holdings.sync.record import REVIVAL, Record, mutation_of
from service.holdings.sync.replay import list_as_json, view_in

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
DEVICES, EDITS = 3, 3
SCRIPTS = 60
IS_ALL = os.environ.get("SETWRIGHT_SYNC_ORDERS") == "all"
Edit = tuple[str, Any]

THEMES: dict[str, Sequence[Edit]] = {
    "scalars": (("grade", 1), ("grade", 2), ("grade", None)),
    "defaults": (("quantity", 1), ("quantity", None), ("quantity", 5), ("delete", None)),
    "lists": (("tags", ("+a",)), ("tags", ("-old",)), ("tags", ("+old", "-a")), ("tags", None)),
    "lists of facts": (
        ("problems", ("+a",)),
        ("problems", ("-old",)),
        ("problems", None),
        ("problems", {"none": True}),
    ),
    "deletes": (("grade", 1), ("delete", None), ("revive", None)),
    "deletes and lists": (("tags", ("+a",)), ("delete", None), ("revive", {"grade": 1}), ("grade", 30)),
}
FIRST = {"grade": 30, "tags": ["old", "silver"], "problems": ["old"], "quantity": 3}


class Past:
    """The log."""

    def __init__(self) -> None:
        self.said: dict[str, tuple[Any, Any]] = {}

    def list_at(self, name: str, writer: str) -> View | None:
        known = self.said.get(mutation_of(writer))
        return None if known is None else view_in(*known, "coin", name, writer)

    def take(self, record: Record | None, mutation: Mutation) -> Record:
        outcome = merge(record, mutation, self.list_at, lambda _: [])
        assert outcome.status != REJECTED
        assert outcome.record is not None
        self.said[mutation.id] = (mutation.patch, {n: list_as_json(one) for n, one in outcome.lists.items()})
        return outcome.record


@dataclass(frozen=True)
class Kept:
    """What is kept of a record, whatever is shown of it first."""

    versions: frozenset[Any]
    asked: frozenset[str]
    deletes: frozenset[str]


def kept(record: Record) -> Kept:
    found: set[Any] = set()
    for name, written in record.written.items():
        versions = [(record.values.get(name, [] if name == "tags" else None), written)]
        versions += [(c.value, c.written) for c in record.conflicts if c.attribute == name]
        for value, one in versions:
            dots = frozenset(one.elements or ()) if one is not None else frozenset()
            as_text = repr(sorted(value) if isinstance(value, list) else value)
            found.add((name, as_text, one.ids if one is not None else None, dots))
    asked = frozenset(c.id for c in record.conflicts if c.kind != "value")
    return Kept(frozenset(found), asked, frozenset(delete.by for delete in record.deletes))


class Offline:
    """A device that saw the record once, and makes its mutations without any other."""

    def __init__(self, number: int, skew: timedelta) -> None:
        self.number, self.at = number, NOON + skew
        self.seen: dict[str, str | None] = dict.fromkeys(FIRST, "made")
        self.values: dict[str, Any] = dict(FIRST)
        self.deleted: str | None = None

    def act(self, turn: int, edit: Edit) -> Mutation:
        kind, value = edit
        identity, at = f"m{self.number}{turn}", self.at + timedelta(minutes=turn)
        if kind == "delete" and self.deleted is None:
            self.deleted = identity
            return Mutation(identity, DESTROY, "coin", at, seen=dict(self.seen))
        patch: dict[str, Any] = (value or {}) if kind == "revive" else {} if kind == "delete" else {kind: value}
        for name, terms in patch.items():
            if isinstance(terms, tuple):
                here = list(self.values.get(name) or []) if isinstance(self.values.get(name), list) else []
                off, on = ({term[1:] for term in terms if term[0] == sign} for sign in "-+")
                patch[name] = [term for term in here if term not in off] + sorted(on - set(here))
        undone, self.deleted = self.deleted, None
        more: dict[str, Any] = {"revive": True, "resolves": frozenset((undone,))} if undone else {}
        if not patch and undone is None:
            # Nothing to bring back: it says again what it sees.
            patch = {"grade": self.values["grade"]}
        seen = {name: self.seen.get(name) for name in patch}
        self.seen |= dict.fromkeys(patch or {REVIVAL}, identity)
        self.values |= patch
        return Mutation(identity, UPDATE, "coin", at, patch, seen, **more)


def scripts(edits: Sequence[Edit]) -> Iterator[list[list[Mutation]]]:
    """Up to the order of the devices, all there are."""
    each = [*product(edits, repeat=EDITS)]
    for chosen in combinations_with_replacement(each, DEVICES):
        skews = (timedelta(0), timedelta(days=-2), timedelta(days=1))
        devices = [Offline(number, skew) for number, skew in enumerate(skews)]
        yield [
            [device.act(turn, edit) for turn, edit in enumerate(done)]
            for device, done in zip(devices, chosen, strict=True)
        ]


def differences(script: list[list[Mutation]], started: Callable[[Past], Record]) -> Iterator[str]:
    """Walks over what has come of each device."""
    past = Past()
    reached = {(0,) * DEVICES: started(past)}
    steps = sorted(product(*(range(len(done) + 1) for done in script)), key=sum)
    for place in steps[1:]:
        found: list[tuple[str, Record]] = []
        for device, count in enumerate(place):
            if count:
                before = tuple(n - (number == device) for number, n in enumerate(place))
                last = script[device][count - 1]
                found.append((last.id, past.take(reached[before], last)))
        reached[place] = found[0][1]
        for last, record in found[1:]:
            if kept(record) != kept(found[0][1]):
                yield f"{place}: {found[0][0]} last: {kept(found[0][1])}; {last} last: {kept(record)}"


def made(past: Past) -> Record:
    return past.take(None, Mutation("made", CREATE, "coin", NOON - timedelta(days=9), FIRST))


@pytest.mark.parametrize("theme", THEMES)
def test_all_orders_of_what_devices_did_end_with_the_same_records(theme: str) -> None:
    number = sum(1 for _ in combinations_with_replacement(range(len(THEMES[theme]) ** EDITS), DEVICES))
    stride = 1 if IS_ALL else number // SCRIPTS
    looked = 0
    for script in islice(scripts(THEMES[theme]), 0, None, stride):
        looked += 1
        wrong = next(differences(script, made), None)
        assert wrong is None, (wrong, script)
    print(f"{theme}: {looked} of {number} scripts, each in all its orders")
    assert looked >= SCRIPTS


def test_a_merge_that_depends_on_the_order_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    # The control: the last to arrive wins, and is all that is kept.
    from service.holdings.sync import merge as module

    monkeypatch.setattr(module, "_left", lambda *_: [])
    for theme in ("scalars", "lists of facts"):
        assert any(next(differences(script, made), None) for script in islice(scripts(THEMES[theme]), 0, 400, 7))
