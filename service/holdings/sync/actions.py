"""A device's batch and its question what changed, between HTTP and the ledger."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner, State
from service.accounts.store import AccountStore
from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid, StateMismatch, UnknownState
from service.facts.attributes import Attributes
from service.facts.core import CORE
from service.holdings import actions
from service.holdings.sync.apply import SentMutation
from service.holdings.sync.field_names import OWN, fact_of
from service.holdings.sync.log import ChangeLog
from service.http.schemas.holdings import read_fields
from service.http.schemas.sync import MOST_MUTATIONS, MOST_RECORDS, ChangesQuery, SyncIn, read_state, shown_record

EPOCH = "1"


def session(connection: Connection, owner: Owner, known_state: str | None) -> dict[str, Any]:
    """Where the owner's holdings stand."""
    state = AccountStore(connection).state(owner)
    _ensure_known(connection, owner, state, known_state)
    limits = {"max_objects_in_set": MOST_MUTATIONS, "max_objects_in_get": MOST_RECORDS}
    return {"epoch": EPOCH, "state": str(state), **limits}


def changes(connection: Connection, owner: Owner, query: ChangesQuery) -> dict[str, Any]:
    """One page of changes, in one snapshot."""
    state, log = AccountStore(connection).state(owner), ChangeLog(connection, owner)
    _ensure_known(connection, owner, state, query.since)
    _ensure_known(connection, owner, state, query.known_state)
    since = 0 if query.since is None else read_state(query.since).number
    found = log.since(since, query.limit + 1)
    page, more = found[: query.limit], len(found) > query.limit
    reached = log.state_at(page[-1].modseq) if more else state
    kinds: dict[str, list[str]] = {"created": [], "updated": [], "destroyed": []}
    for change in page:
        kind = "destroyed" if change.record.is_destroyed else "created" if change.created_modseq > since else "updated"
        kinds[kind].append(change.record.id)
    return {
        "old_state": query.since,
        "new_state": str(reached),
        "has_more_changes": more,
        **kinds,
        "list": [shown_record(change) for change in page],
    }


def synchronise(connection: Connection, owner: Owner, asked: SyncIn, raw: list[Mapping[str, Any]]) -> dict[str, Any]:
    """The batch applied, in the caller's transaction. `raw` are the mutations as they were sent, for the log."""
    now = datetime.now(UTC)
    batch = [
        SentMutation(mutation.meant(now), actions.fingerprint_of(body), body)
        for mutation, body in zip(asked.mutations, raw, strict=True)
    ]

    def expect(state: State) -> None:
        _ensure_known(connection, owner, state, asked.known_state)
        if asked.if_in_state is not None and asked.if_in_state != str(state):
            raise StateMismatch(f"the state is {state}, not {asked.if_in_state}; nothing was applied")

    check = checking(known_attributes(connection, owner, CORE))
    before, answers, after, touched = actions.synchronise(
        connection, owner, asked.client_id, batch, check, expect=expect
    )
    return {
        "old_state": str(before),
        "new_state": str(after),
        "responses": answers,
        "list": [shown_record(change) for change in touched],
    }


def checking(attributes: Attributes) -> Callable[[Mapping[str, Any]], list[Fault]]:
    """All that is wrong with values by their flat names, pointers `/NAME`."""

    def check(values: Mapping[str, Any]) -> list[Fault]:
        own = {name: value for name, value in values.items() if name in OWN}
        facts = {fact_of(name): value for name, value in values.items() if name not in OWN}
        faults: list[Fault] = []
        try:
            read_fields({**own, "facts": facts})
        except Invalid as refusal:
            faults.extend(refusal.faults)
        faults.extend(actions.faults_of_facts(facts, attributes))
        return [replace(fault, pointer=fault.pointer.removeprefix("/facts")) for fault in faults]

    return check


def _ensure_known(connection: Connection, owner: Owner, current: State, text: str | None) -> None:
    if text is not None and not ChangeLog(connection, owner).knows(read_state(text), current):
        raise UnknownState(
            "this history does not contain that state: start over without it, keep all unsent mutations and send your journal",
        )
