"""Carrying an import out, and undoing it. Each action is part of the caller's transaction, and every holding that it
touches changes through the same actions as anywhere else."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.errors import Conflict, Invalid
from service.facts.attributes import Attributes
from service.holdings import actions
from service.holdings.imports.plan import (
    CREATED,
    NOT_ALLOWED,
    UNCHANGED,
    UPDATED,
    ImportPlan,
    KeptRow,
    SentRow,
    Trace,
    change_between,
    digest_of,
    patch_to,
    plan_of,
    undo_plan,
)
from service.holdings.imports.store import ImportStore, StoredImport
from service.holdings.model import StoredHolding, with_defaults
from service.holdings.store import HoldingStore

Check = Callable[[Mapping[str, Any]], Mapping[str, Any]]


def compare(connection: Connection, owner: Owner, sent: Sequence[SentRow]) -> ImportPlan:
    """What the rows would do."""
    gone = ImportStore(connection, owner).deleted({row.id for row in sent if row.id is not None})
    return plan_of(sent, HoldingStore(connection, owner).all(), gone)


def carry_out(
    connection: Connection,
    owner: Owner,
    sent: Sequence[SentRow],
    attributes: Attributes,
    *,
    name: str | None,
    format: str,
    refused: int,
    check: Check,
    expect: Callable[[ImportPlan], None],
) -> tuple[StoredImport, ImportPlan]:
    """Stores what the rows say, and what has to be known to undo it. `refused` rows were left out before; `expect` raises
    when not all that the plan refuses may be left out too. Raises Invalid, pointers from /holdings/{row} on."""
    AccountStore(connection).lock(owner)
    plan = compare(connection, owner, sent)
    expect(plan)
    trace = Trace()
    for planned in plan.planned:
        try:
            if planned.outcome == CREATED:
                made = actions.record(connection, owner, planned.id, planned.after, attributes)
                trace.created[made.id] = digest_of(made.data)
            elif planned.outcome == UPDATED and planned.before is not None:
                now = with_defaults(planned.before.data)
                patch = patch_to(now, planned.after)
                changed = actions.change(
                    connection, owner, planned.before.id, patch, attributes, expect=_as_it_is, check=check
                )
                trace.changed[changed.id] = change_between(now, changed.data)
        except Invalid as refusal:
            raise refusal.under(f"/holdings/{planned.row - 1}") from None
    counts = {outcome: plan.count(outcome) for outcome in (CREATED, UPDATED, UNCHANGED)}
    rows = refused + len({row for row, _ in plan.refused})
    kept = StoredImport(new_id(), datetime.now(UTC), name, format, {**counts, "refused": rows})
    ImportStore(connection, owner).add(kept, trace)
    return kept, plan


def undo(connection: Connection, owner: Owner, identity: str, attributes: Attributes, *, check: Check) -> StoredImport:
    """Takes a whole import back, but for what was changed since. Raises Clash when that was done before."""
    AccountStore(connection).lock(owner)
    store = ImportStore(connection, owner)
    if store.get(identity).undone_at is not None:
        raise Conflict("this import was undone already")
    stored = HoldingStore(connection, owner).all()
    back = undo_plan(store.trace(identity), stored)
    kept = list(back.kept)
    for created in back.destroyed:
        actions.destroy(connection, owner, created, expect=_as_it_is)
    set_back = 0
    numbers = {holding.id: holding.data.get("number") for holding in stored}
    for changed, patch in back.patches.items():
        try:
            actions.change(connection, owner, changed, patch, attributes, expect=_as_it_is, check=check)
            set_back += 1
        except Invalid:
            # A definition declared meanwhile that what was recorded before is not allowed.
            kept.append(KeptRow(changed, numbers[changed], NOT_ALLOWED))
    undone = {
        "destroyed": len(back.destroyed),
        "set_back": set_back,
        "gone": back.gone,
        "kept": [entry.as_json() for entry in kept],
    }
    store.note_undone(identity, datetime.now(UTC), undone)
    return store.get(identity)


def _as_it_is(_: StoredHolding) -> None:
    """The account is held, so nothing changed since it was read."""
