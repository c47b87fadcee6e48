"""One owner's definitions in the database."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from sqlalchemy import (
    BindParameter,
    Connection,
    Row,
    Select,
    Text,
    and_,
    bindparam,
    delete,
    insert,
    select,
    type_coerce,
    update,
)

from service.accounts.model import Owner
from service.definitions.model import NO_DECISIONS, Decisions, Revision, RevisionStatus, StoredDefinition, WantNotes
from service.definitions.tables import definition, definition_pins, definition_revision, want_notes
from service.errors import Conflict, NotFound

_PAGE = 100

# Nearly every request for a definition asks these. Made once: making a statement anew takes as long as running it.
_owned_by: BindParameter[str] = bindparam("owner")
_OF_LINE = [column for column in definition.c if column.name not in ("declares", "carries")]
_LINE = select(*_OF_LINE).where(definition.c.owner_id == _owned_by, definition.c.id == bindparam("definition"))
_DECLARATIONS = select(definition.c.declares).where(definition.c.owner_id == _owned_by).order_by(definition.c.id)
_carried = type_coerce(definition.c.carries, Text)
_CARRIED = select(_carried).where(definition.c.owner_id == _owned_by, _carried != "[]").order_by(definition.c.id)
_REVISION = select(definition_revision).where(
    definition_revision.c.owner_id == _owned_by,
    definition_revision.c.definition_id == bindparam("definition"),
    definition_revision.c.number == bindparam("number"),
)
_DECISIONS = select(definition_pins).where(
    definition_pins.c.owner_id == _owned_by, definition_pins.c.definition_id == bindparam("definition")
)


@cache
def _page(continued: bool) -> Select[Any]:
    table = definition_revision
    newest = and_(
        table.c.owner_id == definition.c.owner_id,
        table.c.definition_id == definition.c.id,
        table.c.number == definition.c.published,
    )
    shown = [column.label(f"revision_{column.name}") for column in table.c]
    query = select(*_OF_LINE, *shown).select_from(definition.outerjoin(table, newest))
    query = query.where(definition.c.owner_id == _owned_by).order_by(definition.c.id).limit(bindparam("most"))
    return query.where(definition.c.id > bindparam("after")) if continued else query


class DefinitionStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def line(self, identity: str) -> StoredDefinition:
        row = self._connection.execute(_LINE, self._named(identity)).first()
        if row is None:
            raise NotFound("definition", identity)
        return StoredDefinition(row.id, row.version, row.published, _draft(row), row.adopted)

    def latest(self, identity: str) -> tuple[StoredDefinition, Revision]:
        """The line, and its draft or else its newest published revision."""
        line = self.line(identity)
        return line, line.draft or self.revision(identity, line.published)

    def followed(self, identity: str) -> Revision:
        """The revision that the owner's set follows: the adopted one, else what `unadopted` gives."""
        return self.line_followed(identity)[1]

    def line_followed(self, identity: str) -> tuple[StoredDefinition, Revision]:
        """The line, and the revision that the owner's set follows."""
        line, latest = self.latest(identity)
        return line, self.unadopted(latest) if line.adopted is None else self.revision(identity, line.adopted)

    def unadopted(self, latest: Revision) -> Revision:
        """What a set follows that has adopted no revision, from the line's latest: the draft, or else the newest published
        revision that is not withdrawn, or else the newest."""
        if latest.status != "withdrawn":
            return latest
        table = definition_revision
        query = self._revisions().where(table.c.definition_id == latest.definition, table.c.withdrawn_at.is_(None))
        row = self._connection.execute(query.order_by(table.c.number.desc()).limit(1)).first()
        return latest if row is None else _published(row)

    def revision(self, identity: str, number: int) -> Revision:
        row = self._connection.execute(_REVISION, {**self._named(identity), "number": number}).first()
        if row is None:
            raise NotFound("revision", str(number))
        return _published(row)

    def revisions(self, identity: str, after: int, limit: int) -> tuple[Revision, ...]:
        """Up to `limit` published revisions in the order of their numbers, from behind `after`."""
        self.line(identity)
        table = definition_revision
        query = self._revisions().where(table.c.definition_id == identity, table.c.number > after)
        return tuple(_published(row) for row in self._connection.execute(query.order_by(table.c.number).limit(limit)))

    def page(self, after: str | None, limit: int) -> tuple[tuple[StoredDefinition, Revision], ...]:
        """Up to `limit` definitions in the order of their ids, each with its draft or newest revision."""
        values = {"owner": self._owner.id, "after": after, "most": limit}
        found = []
        for row in self._connection.execute(_page(after is not None), values):
            draft = _draft(row)
            line = StoredDefinition(row.id, row.version, row.published, draft, row.adopted)
            found.append((line, draft or _published(row, "revision_")))
        return tuple(found)

    def declarations(self) -> list[list[Mapping[str, Any]]]:
        """The attributes that each of the owner's definitions declares, as they stand in its document."""
        return list(self._connection.execute(_DECLARATIONS, {"owner": self._owner.id}).scalars())

    def carried(self) -> tuple[str, ...]:
        """The vocabularies of each of the owner's definitions that carries some, as JSON text: who asks often wants to know
        whether they changed, and seldom reads them."""
        return tuple(self._connection.execute(_CARRIED, {"owner": self._owner.id}).scalars())

    def documents(self) -> Iterator[Mapping[str, Any]]:
        """The documents of the owner's definitions: of each its draft, or else its newest revision."""
        after: str | None = None
        while lines := self.page(after, _PAGE):
            yield from (revision.document for _, revision in lines)
            after = lines[-1][0].id

    def ensure_new(self, identity: str) -> None:
        if self._connection.execute(select(definition.c.id).where(*self._is(identity))).first() is not None:
            raise Conflict("there is a definition '{id}' already", id=identity)

    def add(self, line: StoredDefinition) -> None:
        values = {"id": line.id, "version": line.version, "published": line.published, **_drafted(line.draft)}
        self._connection.execute(insert(definition).values(owner_id=self._owner.id, **values))

    def replace_draft(self, identity: str, version: str, draft: Revision) -> None:
        values = {"version": version, **_drafted(draft)}
        self._connection.execute(update(definition).where(*self._is(identity)).values(**values))

    def publish(self, identity: str, version: str, revision: Revision) -> None:
        """Adds the revision and takes the draft away."""
        row = {"number": revision.number, "digest": revision.digest, "title": revision.title}
        self._connection.execute(
            insert(definition_revision).values(
                owner_id=self._owner.id,
                definition_id=identity,
                document=dict(revision.document),
                created_at=revision.created_at,
                **row,
            )
        )
        values = {"version": version, "published": revision.number, "draft": None, "draft_digest": None}
        more = {"draft_title": None, "draft_created_at": None, "draft_updated_at": None, **_declared(revision.document)}
        self._connection.execute(update(definition).where(*self._is(identity)).values(**values, **more))

    def withdraw(self, identity: str, version: str, revision: Revision) -> None:
        table = definition_revision
        here = (table.c.owner_id == self._owner.id, table.c.definition_id == identity)
        values = {"withdrawn_at": revision.withdrawn_at, "withdrawn_because": revision.withdrawn_because}
        self._connection.execute(update(table).where(*here, table.c.number == revision.number).values(**values))
        self._connection.execute(update(definition).where(*self._is(identity)).values(version=version))

    def adopt(self, identity: str, version: str, number: int | None) -> None:
        values = {"version": version, "adopted": number}
        self._connection.execute(update(definition).where(*self._is(identity)).values(**values))

    def delete(self, identity: str) -> None:
        self._connection.execute(delete(definition).where(*self._is(identity)))

    def decisions(self, identity: str) -> Decisions:
        """The pins and nevers of the definition. Raises NotFound when there is no such definition."""
        self.line(identity)
        row = self._connection.execute(_DECISIONS, self._named(identity)).first()
        if row is None:
            return NO_DECISIONS
        return Decisions(tuple(map(tuple, row.pins)), tuple(map(tuple, row.nevers)), row.version)

    def decide(self, identity: str, made: Decisions) -> None:
        """Puts these in the place of all pins and nevers that there were."""
        self._connection.execute(delete(definition_pins).where(*self._pinned(identity)))
        row = {"version": made.version, "pins": list(made.pins), "nevers": list(made.nevers)}
        self._connection.execute(insert(definition_pins).values(owner_id=self._owner.id, definition_id=identity, **row))

    def _pinned(self, identity: str) -> tuple[Any, Any]:
        return definition_pins.c.owner_id == self._owner.id, definition_pins.c.definition_id == identity

    def _named(self, identity: str) -> dict[str, str]:
        return {"owner": self._owner.id, "definition": identity}

    def _is(self, identity: str) -> tuple[Any, Any]:
        return definition.c.owner_id == self._owner.id, definition.c.id == identity

    def _revisions(self) -> Select[Any]:
        return select(definition_revision).where(definition_revision.c.owner_id == self._owner.id)


def _draft(row: Row[Any]) -> Revision | None:
    if row.draft is None:
        return None
    times = (row.draft_created_at, row.draft_updated_at)
    return Revision(
        row.id, row.published + 1, "draft", row.draft_digest, row.draft_title, row.draft, *times, written=row.version
    )


def _drafted(draft: Revision | None) -> dict[str, Any]:
    assert draft is not None
    return {
        "draft": dict(draft.document),
        "draft_digest": draft.digest,
        "draft_title": draft.title,
        "draft_created_at": draft.created_at,
        "draft_updated_at": draft.updated_at,
        **_declared(draft.document),
    }


def _declared(document: Mapping[str, Any]) -> dict[str, Any]:
    return {"declares": document.get("attributes") or [], "carries": document.get("vocabularies") or []}


def _published(row: Row[Any], prefix: str = "") -> Revision:
    parts = row._mapping
    names = ("definition_id", "number", "digest", "title", "document", "created_at")
    identity, number, digest, title, document, at = (parts[prefix + name] for name in names)
    gone, because = parts[f"{prefix}withdrawn_at"], parts[f"{prefix}withdrawn_because"]
    status: RevisionStatus = "published" if gone is None else "withdrawn"
    return Revision(identity, number, status, digest, title, document, at, gone or at, gone, because)


class WantNoteStore:
    """Within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def of(self, identity: str) -> WantNotes:
        """The notes to the definition's want list. Raises NotFound when there is no such definition."""
        DefinitionStore(self._connection, self._owner).line(identity)
        row = self._connection.execute(select(want_notes).where(*self._noted(identity))).first()
        return WantNotes({}) if row is None else WantNotes(row.notes, row.version)

    def replace(self, identity: str, made: WantNotes) -> None:
        """Puts these in the place of all notes that there were."""
        self._connection.execute(delete(want_notes).where(*self._noted(identity)))
        row = {"version": made.version, "notes": {place: dict(note) for place, note in made.notes.items()}}
        self._connection.execute(insert(want_notes).values(owner_id=self._owner.id, definition_id=identity, **row))

    def _noted(self, identity: str) -> tuple[Any, Any]:
        return want_notes.c.owner_id == self._owner.id, want_notes.c.definition_id == identity
