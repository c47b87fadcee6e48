"""Keeping definitions: drafting, publishing, withdrawing a draft. Each action is part of the caller's transaction."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.definitions.model import Decisions, MergedOrigin, Revision, StoredDefinition, WantNotes, declared, extended
from service.definitions.store import DefinitionStore, WantNoteStore
from service.errors import Conflict
from service.facts.attributes import Attributes
from service.facts.own_vocabularies import OwnVocabulary
from service.rules.carried import carried_by, leans_on
from service.rules.document import document_digest
from service.rules.used_terms import used_by_attribute

# A check of the line as it stands, by whoever read it before: raises Stale when it changed since.
Expectation = Callable[[StoredDefinition], None]


def draft(
    connection: Connection, owner: Owner, identity: str | None, document: Mapping[str, Any], now: datetime
) -> tuple[StoredDefinition, Revision]:
    """A new definition, as a draft of its first revision. The document was read before: it is sound."""
    store, identity = DefinitionStore(connection, owner), identity or new_id()
    AccountStore(connection).lock(owner)
    store.ensure_new(identity)
    revision = Revision(identity, 1, "draft", document_digest(document), document["title"], document, now, now)
    line = StoredDefinition(identity, new_id(), 0, revision)
    store.add(line)
    return line, revision


def redraft(
    connection: Connection,
    owner: Owner,
    identity: str,
    document: Mapping[str, Any],
    now: datetime,
    *,
    expect: Expectation,
) -> tuple[StoredDefinition, Revision]:
    """The definition with this document as its draft; after a published revision, a draft of the next one."""
    store, line = _held(connection, owner, identity, expect)
    version = new_id()
    began = line.draft.created_at if line.draft else now
    number = line.published + 1
    revision = Revision(identity, number, "draft", document_digest(document), document["title"], document, began, now)
    store.replace_draft(identity, version, revision)
    return replace(line, version=version, draft=revision), revision


def publish(
    connection: Connection,
    owner: Owner,
    identity: str,
    now: datetime,
    *,
    document: Mapping[str, Any] | None = None,
    expect: Expectation,
) -> tuple[StoredDefinition, Revision]:
    """The draft as an immutable revision, as `document` where that carries more than the draft. Raises Conflict when there is no
    draft."""
    store, line = _held(connection, owner, identity, expect)
    if line.draft is None:
        raise Conflict(
            "the definition '{id}' has no draft to publish: its newest revision is {newest}",
            id=identity,
            newest=line.published,
        )
    version = new_id()
    draft = line.draft
    if document is not None and document != draft.document:
        draft = replace(draft, document=document, digest=document_digest(document))
    revision = replace(draft, status="published", created_at=now, updated_at=now)
    store.publish(identity, version, revision)
    return replace(line, version=version, published=revision.number, draft=None), revision


def withdraw(
    connection: Connection,
    owner: Owner,
    identity: str,
    number: int,
    because: str | None,
    now: datetime,
    *,
    expect: Expectation,
) -> tuple[StoredDefinition, Revision]:
    """The published revision, withdrawn: it stays as it is, and nobody takes it who does not ask for it. Raises Conflict when it
    is withdrawn already."""
    store, line = _held(connection, owner, identity, expect)
    revision = store.revision(identity, number)
    if revision.status == "withdrawn":
        raise Conflict(
            "revision {revision} of the definition '{id}' is withdrawn already", revision=number, id=identity
        )
    version = new_id()
    gone = replace(revision, status="withdrawn", updated_at=now, withdrawn_at=now, withdrawn_because=because)
    store.withdraw(identity, version, gone)
    return replace(line, version=version), gone


def adopt(
    connection: Connection,
    owner: Owner,
    identity: str,
    number: int | None,
    kept: MergedOrigin,
    *,
    expect: Callable[[StoredDefinition, Decisions, WantNotes], None],
) -> StoredDefinition:
    """The owner's set follows that revision from now on (None: the draft, or else the newest), with the decisions and notes
    that were carried over. `expect` raises Stale when the line, or what was carried over, changed since it was read."""
    AccountStore(connection).lock(owner)
    store, notes = DefinitionStore(connection, owner), WantNoteStore(connection, owner)
    line, decided, noted = store.line(identity), store.decisions(identity), notes.of(identity)
    expect(line, decided, noted)
    version = new_id()
    store.adopt(identity, version, number)
    if (kept.pins, kept.nevers) != (decided.pins, decided.nevers):
        store.decide(identity, Decisions(kept.pins, kept.nevers, new_id()))
    if kept.notes != noted.notes:
        notes.replace(identity, WantNotes(kept.notes, new_id()))
    return replace(line, version=version, adopted=number)


def discard(connection: Connection, owner: Owner, identity: str, *, expect: Expectation) -> None:
    """Deletes a definition that was never published. Raises Conflict when it was: others may rely on its revisions."""
    store, line = _held(connection, owner, identity, expect)
    if line.published:
        raise Conflict("the definition '{id}' has published revisions, which stay", id=identity)
    store.delete(identity)


def decide(
    connection: Connection,
    owner: Owner,
    identity: str,
    pins: Iterable[tuple[str, str]],
    nevers: Iterable[tuple[str, str]],
    *,
    expect: Callable[[Decisions], None],
) -> Decisions:
    """The definition with these pins and nevers, which were checked before. `expect` raises Stale when they changed."""
    AccountStore(connection).lock(owner)
    store = DefinitionStore(connection, owner)
    expect(store.decisions(identity))
    made = Decisions(tuple(pins), tuple(nevers), new_id())
    store.decide(identity, made)
    return made


def note_wants(
    connection: Connection,
    owner: Owner,
    identity: str,
    notes: Mapping[str, Mapping[str, Any]],
    *,
    expect: Callable[[WantNotes], None],
) -> WantNotes:
    """The definition with these notes to its want list. `expect` raises Stale when they changed."""
    AccountStore(connection).lock(owner)
    store = WantNoteStore(connection, owner)
    expect(store.of(identity))
    made = WantNotes(notes, new_id())
    store.replace(identity, made)
    return made


def known_attributes(connection: Connection, owner: Owner, core: Attributes) -> Attributes:
    """The core attributes and those that the owner's definitions declare."""
    return extended(core, declared(DefinitionStore(connection, owner).declarations()))


@dataclass(frozen=True, slots=True)
class UsedWords:
    """`terms`: the texts that definitions compare an attribute with, or have as keys, by attribute. `vocabularies`: what
    definitions carry, each as one layer, once where several carry the same."""

    terms: Mapping[str, tuple[str, ...]]
    vocabularies: tuple[tuple[OwnVocabulary, ...], ...]


def words_in_use(connection: Connection, owner: Owner) -> UsedWords:
    """The words of the owner's definitions, of each its draft, or else its newest revision."""
    carried: dict[tuple[OwnVocabulary, ...], None] = {}

    def documents() -> Iterator[Mapping[str, Any]]:
        for document in DefinitionStore(connection, owner).documents():
            carried[carried_by(document)] = None
            yield document

    terms = used_by_attribute(documents())
    return UsedWords(terms, tuple(filter(None, carried)))


def ensure_unneeded(connection: Connection, owner: Owner, vocabulary: str) -> None:
    """Raises Conflict while a definition needs this vocabulary of the owner's: without it the document could not be read."""
    for document in DefinitionStore(connection, owner).documents():
        if leans_on(document, vocabulary):
            raise Conflict(
                "the draft '{title}' names the vocabulary '{name}': change the draft first, or publish it, which takes the "
                "vocabulary along",
                title=document["title"],
                name=vocabulary,
            )


def _held(
    connection: Connection, owner: Owner, identity: str, expect: Expectation
) -> tuple[DefinitionStore, StoredDefinition]:
    """The store and the line, with the owner's account held."""
    AccountStore(connection).lock(owner)
    store = DefinitionStore(connection, owner)
    line = store.line(identity)
    expect(line)
    return store, line
