"""What an account presumes of its coins where nothing is recorded, and for which coins it takes the catalogue for complete."""

from __future__ import annotations

from collections.abc import Sequence
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
from service.http.inputs import IdentificationIn, PresumptionIn, plain
from service.http.openapi import router
from service.http.responses import Reply, Tagged, tagged
from service.http.wire import In, Out
from service.progress.actions.stored_set import catalogue_of
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
    sent, shape = _sent(body)

    def act(connection: Connection) -> Reply[PresumptionsOut]:
        attributes, own = known_attributes(connection, owner, CORE), IssueStore(connection, owner).own_reference()
        schemes, issues = actions.vocabularies_with(own), catalogue_of(own, attributes)

        def read() -> tuple[list[Any], list[Any]]:
            lists = body.value if isinstance(body.value, dict) else {}
            found = actions.faults_of_presumptions(
                lists.get("presume", []), lists.get("identify", []), attributes, issues, schemes
            )
            if sent is None or found:
                raise Invalid([*_elsewhere(shape, found), *found])
            return plain(sent.presume), plain(sent.identify)

        if sent is None:
            # Of another shape than the document's: told, with all else that is wrong, whatever changed meanwhile.
            read()
        kept = actions.presume(connection, owner, read, context.now(), expect=lambda now: expected.check(_tag(now)))
        return tagged(_out(kept), _tag(kept))

    return context.database.write(act)


def _sent(body: Received[PresumptionsIn]) -> tuple[PresumptionsIn | None, Sequence[Fault]]:
    """What was sent, or what is wrong with its shape."""
    try:
        return body.read(), ()
    except Invalid as refusal:
        return None, refusal.faults


def _elsewhere(shape: Sequence[Fault], found: Sequence[Fault]) -> list[Fault]:
    """The faults of the shape at places that none of the found ones is about: one complaint about each place."""
    told = [fault.pointer for fault in found]
    return [fault for fault in shape if not any(f"{fault.pointer}/".startswith(f"{at}/") for at in told)]
