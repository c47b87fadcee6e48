"""Revisions against each other, and the owner's set under another one: read in one snapshot, worked out without a transaction,
written only if all is still so."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service import runtime
from service.accounts.model import Owner
from service.analysis.diff import diff_definitions
from service.analysis.diff_wording import changes_as_json
from service.definitions import actions
from service.definitions.model import Decisions, MergedOrigin, Revision, StoredDefinition, WantNotes
from service.definitions.store import DefinitionStore, WantNoteStore
from service.errors import Conflict, Stale
from service.http.api.definitions import definition_tag
from service.http.conditional import ExpectedVersion, entity_tag
from service.http.schemas.revisions import AdoptionIn, stamp
from service.progress.actions.evaluate import (
    StoredSet,
    catalogue_of,
    editions,
    evaluation_tag,
    find_revision,
    load_stored_set,
    stamps,
    today,
)
from service.progress.impact import CarriedDecisions, carry, difference_of, impact
from service.reference import actions as reference
from service.reference.model import OwnIssues
from service.reference.store import IssueStore
from service.rules.document import read as read_document


@dataclass(frozen=True, slots=True)
class TwoRevisions:
    """Two revisions of a definition, and the owner's issues, of one snapshot."""

    old: Revision
    new: Revision
    own: OwnIssues

    def tag(self, day: date, form: str) -> str:
        """The entity tag of their changes."""
        ends = (stamp(self.old).values(), stamp(self.new).values())
        return entity_tag(self.old.definition, *map(tuple, ends), self.own.version, day, form, *stamps())

    def changes(self, day: date) -> dict[str, Any]:
        """All changes as plain values. Takes its time."""
        schemes = reference.vocabularies()
        old, new = (read_document(revision.document, vocabularies=schemes) for revision in (self.old, self.new))
        changes = changes_as_json(diff_definitions(old, new, catalogue_of(self.own, new.attributes), day))
        ends = {"from": stamp(self.old), "to": stamp(self.new)}
        return {"definition": self.old.definition, **ends, "changes": changes, **editions()}


def two_revisions(
    connection: Connection, owner: Owner, identity: str, old: int | None, new: int | None
) -> TwoRevisions:
    """The revisions of these numbers; left out: the one that the set follows, and the latest."""
    before = find_revision(connection, owner, identity, old)
    return TwoRevisions(before, _latest(connection, owner, identity, new), IssueStore(connection, owner).own_issues())


def _latest(connection: Connection, owner: Owner, identity: str, number: int | None) -> Revision:
    """The revision of this number; without one the draft, or else the newest."""
    if number is not None:
        return find_revision(connection, owner, identity, number)
    return DefinitionStore(connection, owner).latest(identity)[1]


@dataclass(frozen=True, slots=True)
class AdoptionStep:
    """The owner's set as it is, and the revision that it may follow, of one snapshot."""

    line: StoredDefinition
    mine: StoredSet
    to: Revision
    notes: WantNotes

    def tag(self, day: date) -> str:
        """The entity tag of the impact."""
        mine = self.mine
        now = evaluation_tag(mine.revision, mine.state, day, mine.decisions, mine.own.version)
        return entity_tag(now, *stamp(self.to).values(), self.notes.version)

    def impact(self, day: date) -> dict[str, Any]:
        """What following the other revision does. Takes its time."""
        mine = self.mine
        then = replace(mine, revision=self.to)
        found = impact(mine.ask(day).measurement, then.ask(day).measurement, self.notes.notes)
        numbers = {held.id: held.data["number"] for held in mine.holdings if held.data.get("number")}
        coins = {
            name: [{**entry, "number": numbers.get(entry["holding"])} for entry in entries]
            for name, entries in found["coins"].items()
        }
        rests = {"holdings_state": mine.state, "evaluated_on": day.isoformat(), **editions()}
        ends = {"from": stamp(mine.revision), "to": stamp(self.to)}
        return {"definition": mine.revision.definition, **ends, **found, "coins": coins, **rests}

    def carried(self, day: date) -> CarriedDecisions:
        """The decisions and notes under the other revision. Takes its time."""
        mine = self.mine
        before, after = (one.ask(day).measurement for one in (mine, replace(mine, revision=self.to)))
        pins, nevers = mine.decisions.pins, mine.decisions.nevers
        return carry(difference_of(before, after), after, pins, nevers, self.notes.notes)


def load_step(connection: Connection, owner: Owner, identity: str, number: int | None) -> AdoptionStep:
    """The set and what it may follow. Raises NotFound."""
    to = _latest(connection, owner, identity, number)
    line = DefinitionStore(connection, owner).line(identity)
    return AdoptionStep(
        line, load_stored_set(connection, owner, identity), to, WantNoteStore(connection, owner).of(identity)
    )


async def adopt(
    parts: runtime.Context, owner: Owner, identity: str, asked: AdoptionIn, expected: ExpectedVersion
) -> tuple[StoredDefinition, dict[str, Any]]:
    """Makes the set follow the revision; the line, and the answer as plain values. Raises Stale, and Clash for one that is
    withdrawn or not yet published."""

    def look(connection: Connection) -> AdoptionStep:
        step = load_step(connection, owner, identity, asked.revision)
        expected.check(definition_tag(step.line))
        if asked.revision is None:
            return replace(step, to=DefinitionStore(connection, owner).unadopted(step.to))
        if step.to.status == "draft":
            raise Conflict(f"revision {asked.revision} is a draft: publish it before your set follows it")
        if step.to.status == "withdrawn" and step.line.adopted != asked.revision:
            raise Conflict(f"revision {asked.revision} is withdrawn: choose another one")
        return step

    step = await run_in_threadpool(parts.database.read, look)
    carried = await parts.limiter.run(lambda: step.carried(today()))

    def expect(line: StoredDefinition, decisions: Decisions, notes: WantNotes) -> None:
        expected.check(definition_tag(line))
        if (line, decisions, notes) != (step.line, step.mine.decisions, step.notes):
            raise Stale("the definition, your pins or your notes changed meanwhile: read them again")

    kept = MergedOrigin(carried.pins, carried.nevers, carried.notes)
    line = await run_in_threadpool(
        parts.database.write,
        lambda connection: actions.adopt(connection, owner, identity, asked.revision, kept, expect=expect),
    )
    return line, {"adopted": line.adopted, "follows": stamp(step.to), **carried.shown}
