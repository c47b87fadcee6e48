"""Revisions compared with each other, and the owner's set under another one: read in one snapshot, worked out without a
transaction, written only if all is still so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.analysis.diff import diff_definitions
from service.analysis.diff_wording import worded_changes
from service.definitions import actions
from service.definitions.model import Decisions, MergedOrigin, Revision, StoredDefinition, WantNotes
from service.definitions.store import DefinitionStore, WantNoteStore
from service.errors import Conflict, Stale
from service.evaluation.engine import ENGINE
from service.progress.actions.editions import stamps
from service.progress.actions.stored_set import StoredSet, catalogue_of, find_revision, load_stored_set
from service.progress.impact import CarriedDecisions, ImpactStamp, carry, difference_of, impact
from service.progress.revisions import AdoptedRevision, Impact, RevisionChanges
from service.reference import actions as reference
from service.reference.languages import Language
from service.reference.model import OwnReference
from service.reference.store import IssueStore
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.runtime import Context


@dataclass(frozen=True, slots=True)
class TwoRevisions:
    """Two revisions of a definition, and the owner's issues, of one snapshot."""

    old: Revision
    new: Revision
    own: OwnReference

    def version(self, day: date) -> tuple[object, ...]:
        """What their changes follow from."""
        return (self.old.definition, self.old.stamp, self.new.stamp, self.own.version, day, *stamps())

    def changes(self, day: date, speech: Speech = ENGLISH_SPEECH) -> RevisionChanges:
        """All changes, with sentences in the language of `speech`. Takes its time."""
        schemes = reference.vocabularies_with(self.own)
        old, new = (reference.read_stored(revision.document, schemes) for revision in (self.old, self.new))
        difference = diff_definitions(old, new, catalogue_of(self.own, new.attributes), day)
        return RevisionChanges(
            definition=self.old.definition,
            from_=self.old.stamp,
            to=self.new.stamp,
            changes=worded_changes(difference, speech),
            reference_edition=reference.edition(),
            engine_version=ENGINE,
        )


def two_revisions(
    connection: Connection, owner: Owner, identity: str, old: int | None, new: int | None
) -> TwoRevisions:
    """The revisions of these numbers; left out: the one that the set follows, and the latest. Raises NotFound."""
    before = find_revision(connection, owner, identity, old)
    return TwoRevisions(
        before, _latest(connection, owner, identity, new), IssueStore(connection, owner).own_reference()
    )


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

    def version(self, day: date) -> tuple[object, ...]:
        """What the impact follows from."""
        return (*self.mine.version(day), self.to.stamp, self.notes.version)

    def impact(self, day: date, language: Language) -> Impact:
        """What following the other revision does, in words of the language. Takes its time."""
        mine = self.mine
        before, after = (one.ask(day).request for one in (mine, replace(mine, revision=self.to)))
        edition, revision = reference.edition(), mine.revision
        stamp = ImpactStamp(revision.definition, revision.stamp, self.to.stamp, mine.state, edition)
        return impact(before, after, self.notes.notes, stamp, language)

    def carried(self, day: date) -> CarriedDecisions:
        """The decisions and notes under the other revision. Takes its time."""
        mine = self.mine
        before, after = (one.ask(day).request for one in (mine, replace(mine, revision=self.to)))
        pins, nevers = mine.decisions.pins, mine.decisions.nevers
        return carry(difference_of(before, after), after, pins, nevers, self.notes.notes)


def load_step(connection: Connection, owner: Owner, identity: str, number: int | None) -> AdoptionStep:
    """The set and what it may follow. Raises NotFound."""
    to = _latest(connection, owner, identity, number)
    line = DefinitionStore(connection, owner).line(identity)
    return AdoptionStep(
        line, load_stored_set(connection, owner, identity), to, WantNoteStore(connection, owner).of(identity)
    )


async def adopt_revision(
    context: Context, owner: Owner, identity: str, number: int | None, *, expect: Callable[[StoredDefinition], None]
) -> tuple[StoredDefinition, AdoptedRevision]:
    """Makes the set follow the revision of this number (None: the draft, or else the newest not withdrawn). `expect` raises
    Stale unless the definition is what the caller read. Raises Stale, and Conflict for a revision that is withdrawn or not yet
    published."""

    def look(connection: Connection) -> AdoptionStep:
        step = load_step(connection, owner, identity, number)
        expect(step.line)
        if number is None:
            return replace(step, to=DefinitionStore(connection, owner).unadopted(step.to))
        if step.to.status == "draft":
            raise Conflict("revision {revision} is a draft: publish it before your set follows it", revision=number)
        if step.to.status == "withdrawn" and step.line.adopted != number:
            raise Conflict("revision {revision} is withdrawn: choose another one", revision=number)
        return step

    step = await context.read(look)
    carried = await context.compute(lambda: step.carried(context.today()))

    def unchanged(line: StoredDefinition, decisions: Decisions, notes: WantNotes) -> None:
        expect(line)
        if (line, decisions, notes) != (step.line, step.mine.decisions, step.notes):
            raise Stale("the definition, your pins or your notes changed meanwhile: read them again")

    kept = MergedOrigin(carried.pins, carried.nevers, carried.notes)
    line = await context.write(
        lambda connection: actions.adopt(connection, owner, identity, number, kept, expect=unchanged)
    )
    return line, AdoptedRevision(
        adopted=line.adopted,
        follows=step.to.stamp,
        pins=carried.pin_lists,
        nevers=carried.never_lists,
        want_notes=carried.note_lists,
    )
