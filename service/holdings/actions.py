"""Recording, changing and deleting holdings. Each action is part of the caller's transaction."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.identities import new_identity
from service.errors import Fault, Invalid
from service.facts.attributes import Attributes
from service.facts.holding import check_facts
from service.holdings.model import StoredHolding, merged, of_changed, with_defaults
from service.holdings.store import HoldingStore

# A check of the holding as it stands, by whoever read it before: raises Stale when it changed since.
Expectation = Callable[[StoredHolding], None]


def record(
    connection: Connection, owner: Owner, identity: str | None, data: Mapping[str, Any], attributes: Attributes
) -> StoredHolding:
    """A new holding. Raises Invalid with pointers relative to the holding, Clash when the id is taken."""
    faults = faults_of_facts(data.get("facts", {}), attributes)
    if faults:
        raise Invalid(faults)
    store, identity, now = HoldingStore(connection, owner), identity or new_identity(), datetime.now(UTC)
    store.ensure_new(identity)
    modseq = AccountStore(connection).advance(owner, new_identity()).number
    stored = StoredHolding(identity, modseq, modseq, with_defaults(data), now, now)
    store.add(stored)
    return stored


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
    accounts, store = AccountStore(connection), HoldingStore(connection, owner)
    accounts.lock(owner)
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
    now, modseq = datetime.now(UTC), accounts.advance(owner, new_identity()).number
    store.replace(identity, modseq, data, now)
    return StoredHolding(identity, modseq, before.created_modseq, data, before.created_at, now)


def destroy(connection: Connection, owner: Owner, identity: str, *, expect: Expectation) -> None:
    """Deletes the holding; its id is never used again."""
    accounts, store = AccountStore(connection), HoldingStore(connection, owner)
    accounts.lock(owner)
    expect(store.get(identity))
    store.destroy(identity, accounts.advance(owner, new_identity()).number, datetime.now(UTC))


def faults_of_facts(facts: Any, attributes: Attributes) -> list[Fault]:
    """All that is wrong with facts, pointers relative to the holding."""
    return [fault.under("/facts") for fault in check_facts(facts, attributes, strict=False)]


def _faults_of_change(before: Mapping[str, Any], after: Any, attributes: Attributes) -> list[Fault]:
    # Facts that are no object are the form's fault, which `check` finds.
    if not isinstance(after, Mapping):
        return []
    faults = of_changed(check_facts(dict(after), attributes, strict=False), before, after)
    return [fault.under("/facts") for fault in faults]
