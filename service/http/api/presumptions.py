"""What an account presumes of its coins where nothing is recorded, and for which coins it takes the catalogue for complete."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from msgspec import UNSET, UnsetType
from pydantic import Field
from sqlalchemy import Connection

from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid
from service.facts.core_attributes import CORE
from service.facts.recorded import RecordedFact
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, Received, Unread
from service.http.inputs import IdentificationIn, PresumptionIn
from service.http.openapi import router
from service.http.responses import Reply, Tagged, tagged
from service.http.wire import In, Out
from service.progress.actions.stored_set import own_and_shipped
from service.reference import actions
from service.reference.store import IssueStore
from service.rules.presumptions import MOST_ENTRIES, KeptPresumptions

presumptions = router("/v1/account", "Account")

Where = str | bool | dict[str, Any]


class PresumptionsIn(In):
    """All that the account presumes, in its order: the first entry that speaks of an attribute wins. What is left out is
    presumed no longer."""

    presume: list[PresumptionIn] = Field(
        default_factory=list, max_length=MOST_ENTRIES, description="Comes after what a definition presumes."
    )
    identify: list[IdentificationIn] = Field(
        default_factory=list,
        max_length=MOST_ENTRIES,
        description="A coin that names no issue is one of those that its facts allow; the first entry that it fits counts.",
    )


class PresumptionOut(Out):
    """Facts of every coin that surely fits `where`; without it of every coin."""

    facts: dict[str, RecordedFact]
    where: Where | UnsetType = UNSET


class IdentificationOut(Out):
    """The catalogue, or these `issues`, are all there are of coins that surely fit `where`."""

    where: Where
    issues: list[str] | UnsetType = UNSET


class PresumptionsOut(Out):
    """What the account presumes."""

    presume: list[PresumptionOut]
    identify: list[IdentificationOut]


def _out(kept: KeptPresumptions) -> PresumptionsOut:
    return PresumptionsOut(
        [PresumptionOut(entry["facts"], entry.get("where", UNSET)) for entry in kept.presume],
        [IdentificationOut(entry["where"], entry.get("issues", UNSET)) for entry in kept.identify],
    )


def _tag(kept: KeptPresumptions) -> str:
    """Changes with every change of either list."""
    return entity_tag("presumptions", kept.version)


@presumptions.get("/presumptions")
def get_presumptions(context: Context, owner: CurrentOwner, known: IfNoneMatch) -> Tagged[PresumptionsOut]:
    """What the account presumes of its coins."""
    kept = context.database.read(lambda connection: IssueStore(connection, owner).presumptions())
    return known.not_modified_or(_tag(kept), lambda: _out(kept))


@presumptions.put("/presumptions")
def replace_presumptions(
    context: Context, owner: CurrentOwner, expected: IfMatch, body: Unread[PresumptionsIn]
) -> Tagged[PresumptionsOut]:
    """Say what the account presumes of its coins."""

    def act(connection: Connection) -> Reply[PresumptionsOut]:
        attributes, schemes = known_attributes(connection, owner, CORE), actions.vocabularies_of(connection, owner)
        issues = own_and_shipped(connection, owner, attributes)

        def read() -> tuple[list[Any], list[Any]]:
            sent = _read(
                body, lambda one, other: actions.faults_of_presumptions(one, other, attributes, issues, schemes)
            )
            return _plain(sent.presume), _plain(sent.identify)

        try:
            body.read()
        except Invalid:
            # Of another shape than the document's: told, with all else that is wrong, whatever changed meanwhile.
            read()
        kept = actions.presume(connection, owner, read, context.now(), expect=lambda now: expected.check(_tag(now)))
        return tagged(_out(kept), _tag(kept))

    return context.database.write(act)


def _plain(entries: Sequence[In]) -> list[Any]:
    return [entry.model_dump(exclude_none=True) for entry in entries]


def _read(body: Received[PresumptionsIn], check: Callable[[Any, Any], Sequence[Fault]]) -> PresumptionsIn:
    """What was sent. Raises Invalid with what is wrong with its shape, and what `check` finds in the lists."""
    shape: Sequence[Fault] = ()
    try:
        sent = body.read()
    except Invalid as refusal:
        sent, shape = None, refusal.faults
    lists = body.value if isinstance(body.value, dict) else {}
    found = check(lists.get("presume", []), lists.get("identify", []))
    told = [fault.pointer for fault in found]
    # One complaint about each place.
    faults = [fault for fault in shape if not any(f"{fault.pointer}/".startswith(f"{at}/") for at in told)]
    if sent is None or found:
        raise Invalid([*faults, *found])
    return sent
