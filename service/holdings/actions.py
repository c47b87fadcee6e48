"""Recording, changing and deleting holdings. Each action is part of the caller's transaction, and each is a mutation in the
owner's log like those that devices send, made by somebody who saw everything."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner, State
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.database.types import written
from service.errors import Fault, Invalid
from service.facts.attributes import Attributes
from service.facts.holding import check_facts
from service.holdings.model import StoredHolding, merged, of_changed, with_defaults
from service.holdings.store import HoldingStore
from service.holdings.sync.apply import SentMutation, apply_all, apply_one
from service.holdings.sync.field_names import flattened, patch_between
from service.holdings.sync.log import ChangeLog, RecordChange, StoredLog
from service.holdings.sync.merge import CREATE, DESTROY, UPDATE, Check, Mutation, Record

# A check of the holding as it stands, by whoever read it before: raises Stale when it changed since.
Expectation = Callable[[StoredHolding], None]
HERE = "service"


def record(
    connection: Connection, owner: Owner, identity: str | None, data: Mapping[str, Any], attributes: Attributes
) -> StoredHolding:
    """A new holding. Raises Invalid with pointers relative to the holding, Clash when the id is taken."""
    faults = faults_of_facts(data.get("facts", {}), attributes)
    if faults:
        raise Invalid(faults)
    identity = identity or new_id()
    ledger = _ledger(connection, owner)
    HoldingStore(connection, owner).ensure_new(identity)
    _enter(ledger, Mutation(new_id(), CREATE, identity, datetime.now(UTC), flattened(with_defaults(data))))
    return HoldingStore(connection, owner).get(identity)


def change(
    connection: Connection,
    owner: Owner,
    identity: str,
    patch: Mapping[str, Any],
    attributes: Attributes,
    *,
    expect: Expectation,
    check: Callable[[Mapping[str, Any]], Mapping[str, Any]],
) -> StoredHolding:
    """The holding after a merge patch (RFC 7396). `check` reads the merged fields, or raises Invalid."""
    ledger, store = _ledger(connection, owner), HoldingStore(connection, owner)
    before = store.get(identity)
    expect(before)
    after = merged(before.data, patch)
    faults = _faults_of_change(before.data.get("facts", {}), after.get("facts", {}), attributes)
    try:
        data = with_defaults(check(after))
    except Invalid as refusal:
        raise Invalid([*refusal.faults, *faults]) from None
    if faults:
        raise Invalid(faults)
    known = _known(ledger, identity)
    flat = patch_between(flattened(before.data), flattened(data))
    _enter(ledger, Mutation(new_id(), UPDATE, identity, datetime.now(UTC), flat, _writers(known)))
    return store.get(identity)


def destroy(connection: Connection, owner: Owner, identity: str, *, expect: Expectation) -> None:
    """Deletes the holding; its id is never used again."""
    ledger = _ledger(connection, owner)
    expect(HoldingStore(connection, owner).get(identity))
    known = _known(ledger, identity)
    seen = frozenset(conflict.id for conflict in known.conflicts)
    _enter(
        ledger,
        Mutation(new_id(), DESTROY, identity, datetime.now(UTC), seen=_writers(known), resolves=seen),
    )


def synchronise(
    connection: Connection,
    owner: Owner,
    client: str,
    batch: Sequence[SentMutation],
    check: Check,
    *,
    expect: Callable[[State], None],
) -> tuple[State, list[dict[str, Any]], State, list[RecordChange]]:
    """The state before, the answer to each mutation, the state after, and the records that were touched. `expect` raises
    when the state is not what the device takes it to be."""
    ledger = _ledger(connection, owner, client)
    before = AccountStore(connection).state(owner)
    expect(before)
    ledger.look_up(batch)
    answers = apply_all(ledger, batch, check)
    ledger.write_down()
    touched = sorted({sent.mutation.holding for sent in batch})
    return before, answers, AccountStore(connection).state(owner), ChangeLog(connection, owner).some(touched)


def faults_of_facts(facts: Any, attributes: Attributes) -> list[Fault]:
    """All that is wrong with facts, pointers relative to the holding."""
    return [fault.under("/facts") for fault in check_facts(facts, attributes, strict=False)]


def fingerprint_of(body: Mapping[str, Any]) -> str:
    """The SHA-256 of all that a mutation says, the order of members aside."""
    return hashlib.sha256(written(_ordered(body)).encode()).hexdigest()


def _ordered(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _ordered(value[name]) for name in sorted(value)}
    return [_ordered(item) for item in value] if isinstance(value, list) else value


def _ledger(connection: Connection, owner: Owner, client: str = HERE) -> StoredLog:
    return StoredLog(connection, owner, client, datetime.now(UTC))


def _known(ledger: StoredLog, identity: str) -> Record:
    known = ledger.record(identity)
    assert known is not None, "it was just read in this transaction"
    return known


def _writers(known: Record) -> dict[str, str | None]:
    return {name: value.by for name, value in known.written.items()}


def _enter(ledger: StoredLog, mutation: Mutation) -> None:
    """A mutation of the service's own: its values were checked, and its author saw all there is."""
    body = {
        "op": mutation.op,
        "id": mutation.holding,
        "patch": dict(mutation.patch),
        "from": dict(mutation.seen),
        "resolves": sorted(mutation.resolves),
    }
    answer = apply_one(ledger, SentMutation(mutation, fingerprint_of(body), body), lambda _: [])
    assert answer["status"] == "applied", answer
    ledger.write_down()


def _faults_of_change(before: Mapping[str, Any], after: Any, attributes: Attributes) -> list[Fault]:
    # Facts that are no object are the form's fault, which `check` finds.
    if not isinstance(after, Mapping):
        return []
    faults = of_changed(check_facts(dict(after), attributes, strict=False), before, after)
    return [fault.under("/facts") for fault in faults]
