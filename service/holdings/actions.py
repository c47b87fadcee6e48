"""Recording, changing and deleting holdings. Each action is part of the caller's transaction, and each is a mutation in the
owner's log like those that devices send, made by an author who saw everything."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.ids import new_id
from service.errors import Fault, Invalid
from service.facts.attributes import Attributes
from service.facts.holding import check_facts
from service.holdings.model import StoredHolding, merged, of_changed, read_fields, with_defaults
from service.holdings.store import HoldingStore
from service.holdings.sync.apply import SentMutation, apply_one
from service.holdings.sync.field_names import flattened, patch_between
from service.holdings.sync.log import StoredLog, fingerprint_of
from service.holdings.sync.merge import APPLIED, CREATE, DESTROY, UPDATE, Mutation, Record

# A check of the holding as it is now, by whoever read it before: raises Stale when it changed since.
Expectation = Callable[[StoredHolding], None]
HERE = "service"


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


def destroy(connection: Connection, owner: Owner, identity: str, now: datetime, *, expect: Expectation) -> None:
    """Deletes the holding; its id is never used again."""
    log = StoredLog(connection, owner, HERE, now)
    expect(HoldingStore(connection, owner).get(identity))
    known = _known(log, identity)
    seen = frozenset(conflict.id for conflict in known.conflicts)
    _enter(log, Mutation(new_id(), DESTROY, identity, now, seen=_writers(known), resolves=seen))


def faults_of_facts(facts: Any, attributes: Attributes) -> list[Fault]:
    """Everything wrong with facts, pointers relative to the holding."""
    return [fault.under("/facts") for fault in check_facts(facts, attributes, strict=False)]


def _known(log: StoredLog, identity: str) -> Record:
    known = log.record(identity)
    assert known is not None, "it was just read in this transaction"
    return known


def _writers(known: Record) -> dict[str, str | None]:
    return {name: value.by for name, value in known.written.items()}


def _enter(log: StoredLog, mutation: Mutation) -> None:
    """A mutation of the service's own: its values were checked, and its author saw all there is."""
    body = {
        "op": mutation.op,
        "id": mutation.holding,
        "patch": dict(mutation.patch),
        "from": dict(mutation.seen),
        "resolves": sorted(mutation.resolves),
    }
    answer = apply_one(log, SentMutation(mutation, fingerprint_of(body), body), lambda _: [])
    assert answer.status == APPLIED, answer
    log.write_down()


def _faults_of_change(before: Mapping[str, Any], after: Any, attributes: Attributes) -> list[Fault]:
    # That facts are an object is checked with the other fields.
    if not isinstance(after, Mapping):
        return []
    faults = of_changed(check_facts(dict(after), attributes, strict=False), before, after)
    return [fault.under("/facts") for fault in faults]
