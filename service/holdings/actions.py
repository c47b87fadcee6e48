"""Recording, changing and deleting holdings. Each action is part of the caller's transaction, and each is a mutation in the
owner's log like those that devices send, made by an author who saw everything."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.ids import new_id
from service.errors import Conflict, Fault, Invalid, Sentence
from service.facts.attributes import Attributes
from service.facts.holding import check_facts
from service.holdings.model import StoredHolding, merged, of_changed, read_fields, with_defaults
from service.holdings.store import HoldingStore
from service.holdings.sync.apply import SentMutation, apply_one
from service.holdings.sync.field_names import PHOTOS, flattened, patch_between, photo_text, photos_in
from service.holdings.sync.fingerprints import former_fingerprint_of
from service.holdings.sync.log import StoredLog
from service.holdings.sync.merge import APPLIED, CREATE, DESTROY, UPDATE, Mutation
from service.holdings.sync.record import Record
from service.notation.readers import read_notation

# A check of the holding as it is now, by whoever read it before: raises Stale when it changed since.
Expectation = Callable[[StoredHolding], None]
HERE = "service"
# So many mutations are written at once.
_BATCH = 500


@dataclass(frozen=True, slots=True)
class Change:
    """A holding to be recorded (`before` None; `id` None: it gets one), or to be changed. `after` is every field as it will be,
    `row` what the caller calls it in its refusals."""

    row: int
    id: str | None
    before: StoredHolding | None
    after: Mapping[str, Any]


def record(
    connection: Connection,
    owner: Owner,
    identity: str | None,
    data: Mapping[str, Any],
    attributes: Attributes,
    now: datetime,
) -> StoredHolding:
    """A new holding. Raises Invalid with pointers relative to the holding, Conflict when the id is taken."""
    faults = faults_of_facts(data.get("facts", {}), attributes)
    if faults:
        raise Invalid(faults)
    identity = identity or new_id()
    log = StoredLog(connection, owner, HERE, now)
    HoldingStore(connection, owner).ensure_new(identity)
    _enter(log, Mutation(new_id(), CREATE, identity, now, flattened(with_defaults(data))))
    return HoldingStore(connection, owner).get(identity)


def change(
    connection: Connection,
    owner: Owner,
    identity: str,
    patch: Mapping[str, Any],
    attributes: Attributes,
    now: datetime,
    *,
    expect: Expectation,
) -> StoredHolding:
    """The holding after a merge patch (RFC 7396). Raises Invalid with pointers relative to the holding."""
    log, store = StoredLog(connection, owner, HERE, now), HoldingStore(connection, owner)
    before = store.get(identity)
    expect(before)
    after = merged(before.data, patch)
    faults = _faults_of_change(before.data.get("facts", {}), after.get("facts", {}), attributes)
    try:
        data = read_fields(after)
    except Invalid as refusal:
        raise Invalid([*refusal.faults, *faults]) from None
    if faults:
        raise Invalid(faults)
    flat = patch_between(flattened(before.data), flattened(data))
    _enter(log, Mutation(new_id(), UPDATE, identity, now, flat, _writers(_known(log, identity))))
    return store.get(identity)


def change_photos(
    connection: Connection,
    owner: Owner,
    identity: str,
    now: datetime,
    *,
    add: Sequence[tuple[str, str, str | None]] = (),
    remove: tuple[str, str] | None = None,
) -> None:
    """Adds photos (SHA-256, side, when taken) to a holding, or removes one (SHA-256, side)."""
    log = StoredLog(connection, owner, HERE, now)
    known = _known(log, identity)
    kept = [photo for photo in photos_in(known.values) if photo[:2] != remove]
    texts = [photo_text(*photo) for photo in (*kept, *add)]
    patch = {PHOTOS: list(dict.fromkeys(texts)) or None}
    _enter(log, Mutation(new_id(), UPDATE, identity, now, patch, _writers(known)))


def write_all(
    connection: Connection, owner: Owner, changes: Sequence[Change], attributes: Attributes, now: datetime
) -> Iterator[tuple[Change, str, Mapping[str, Any]]]:
    """Records and changes many holdings, written in batches as a device's are: each with its id and its flat values. New ones
    were checked by the caller, changed ones are checked here. Each holding may be named once. Raises Invalid with pointers from
    /holdings/{row - 1} on, Conflict when the id of a new one is taken. Everything is written when the iterator has ended."""
    log = StoredLog(connection, owner, HERE, now)
    # In the order of the changes, which is that of lists: ids made within one millisecond are in none.
    ids = iter(sorted(new_id() for change in changes if change.id is None))
    waiting = iter(changes)
    while batch := list(islice(waiting, _BATCH)):
        entries = [(change, change.id or next(ids), new_id()) for change in batch]
        log.look_up_own([mutation for _, _, mutation in entries], [identity for _, identity, _ in entries])
        for change, identity, mutation_id in entries:
            if change.before is None:
                if log.record(identity) is not None:
                    raise Conflict("there is, or was, a holding '{id}' already", id=identity)
                mutation = Mutation(mutation_id, CREATE, identity, now, flattened(change.after))
            else:
                before = change.before.data
                faults = _faults_of_change(before.get("facts", {}), change.after["facts"], attributes)
                try:
                    after = read_fields(change.after)
                except Invalid as refusal:
                    faults = [*refusal.faults, *faults]
                if faults:
                    raise Invalid(faults).under(f"/holdings/{change.row - 1}")
                flat = patch_between(flattened(before), flattened(after))
                mutation = Mutation(mutation_id, UPDATE, identity, now, flat, _writers(_known(log, identity)))
            _enter(log, mutation, write=False)
            yield change, identity, _known(log, identity).values
        log.write_down()


def destroy(connection: Connection, owner: Owner, identity: str, now: datetime, *, expect: Expectation) -> None:
    """Deletes the holding; its id is never used again."""
    log = StoredLog(connection, owner, HERE, now)
    expect(HoldingStore(connection, owner).get(identity))
    known = _known(log, identity)
    seen = frozenset(conflict.id for conflict in known.conflicts)
    _enter(log, Mutation(new_id(), DESTROY, identity, now, seen=_writers(known), resolves=seen))


def faults_of_facts(facts: Any, attributes: Attributes) -> list[Fault]:
    """Everything wrong with facts, pointers relative to the holding."""
    return [_in_notation(fault, facts).under("/facts") for fault in check_facts(facts, attributes, strict=False)]


def _in_notation(fault: Fault, facts: Any) -> Fault:
    """Of a text where a number belongs ("VF-30"): with what to write instead, if it is in the notation of collectors."""
    if fault.code != "type" or fault.hint is not None or not isinstance(facts, Mapping):
        return fault
    name = fault.pointer.removeprefix("/")
    text = facts.get(name)
    reading = read_notation(name, text) if isinstance(text, str) else None
    if reading is None or name not in reading.facts:
        return fault
    return replace(fault, hint=Sentence("write {value}", value=json.dumps(reading.facts[name], default=float)))


def _known(log: StoredLog, identity: str) -> Record:
    known = log.record(identity)
    assert known is not None, "it was just read in this transaction"
    return known


def _writers(known: Record) -> dict[str, str | None]:
    return {name: value.by for name, value in known.written.items()}


def _enter(log: StoredLog, mutation: Mutation, *, write: bool = True) -> None:
    """A mutation of the service's own: its values were checked, and its author saw all there is. `write`: written down now."""
    body = {
        "op": mutation.op,
        "id": mutation.holding,
        "patch": dict(mutation.patch),
        "from": dict(mutation.seen),
        "resolves": sorted(mutation.resolves),
    }
    answer = apply_one(log, SentMutation(mutation, former_fingerprint_of(body), body), lambda _: [])
    assert answer.status == APPLIED, answer
    if write:
        log.write_down()


def _faults_of_change(before: Mapping[str, Any], after: Any, attributes: Attributes) -> list[Fault]:
    # That facts are an object is checked with the other fields.
    if not isinstance(after, Mapping):
        return []
    faults = of_changed(check_facts(dict(after), attributes, strict=False), before, after)
    return [_in_notation(fault, after).under("/facts") for fault in faults]
