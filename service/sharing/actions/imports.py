"""Importing a definition from a link or a file: fetched, read strictly and checked; stored as the owner's own when confirmed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.analysis.findings import counts_by_severity
from service.database.ids import new_id
from service.definitions import actions as definitions
from service.definitions.model import Revision, StoredDefinition
from service.errors import Conflict, Fault, FetchError
from service.fetch.client import Fetched
from service.progress.actions.check import findings_on
from service.reference.actions import SentDocument
from service.rules.wording import describe_definition
from service.runtime import Context
from service.sharing.documents import definition_of, is_read_quickly, read_fetched
from service.sharing.model import FILE, IMPORT_LIFETIME, MOST_PENDING_IMPORTS, SHARE, DefinitionImport, Origin
from service.sharing.store import DefinitionImportStore, OriginStore


@dataclass(frozen=True, slots=True)
class ImportRequest:
    """What to import: an address, or a document that was sent. `digest` is what its digest has to be, if that is known."""

    address: str | None = None
    sent: SentDocument | None = None
    digest: str | None = None


async def prepare_import(context: Context, request: ImportRequest) -> DefinitionImport:
    """The definition, fetched if need be, and checked; nothing is stored. Raises Invalid with pointers into what was sent or
    fetched; FetchError if it could not be fetched, or a digest is not the right one; TooHeavy if that does not end in time."""
    now = context.now()
    if request.address is None:
        sent = request.sent
        assert sent is not None
        return await context.compute(lambda: _checked(sent, request, now))
    try:
        fetched = await context.fetcher.fetch(request.address)
    except FetchError as refusal:
        raise type(refusal)(refusal.told, [Fault(refusal.code, refusal.told, "/from")]) from None
    if is_read_quickly(fetched):
        return await context.compute(lambda: checked_fetched(fetched, request, now))
    made: DefinitionImport = await context.in_process(
        "service.sharing.actions.imports:checked_fetched", fetched, request, now, doing="checking the definition"
    )
    return made


def ensure_room(connection: Connection, owner: Owner, now: datetime) -> None:
    """Raises Conflict if as many imports as may are not confirmed yet."""
    if DefinitionImportStore(connection, owner).pending(now) >= MOST_PENDING_IMPORTS:
        raise Conflict(
            "there are {most} unconfirmed imports already: confirm or delete some", most=MOST_PENDING_IMPORTS
        )


def add_import(connection: Connection, owner: Owner, made: DefinitionImport) -> None:
    """Stores an import until it is confirmed, deleted or expired. Raises Conflict if there are too many."""
    AccountStore(connection).lock(owner)
    DefinitionImportStore(connection, owner).prune(made.created_at)
    ensure_room(connection, owner, made.created_at)
    DefinitionImportStore(connection, owner).add(made)


def confirm_import(
    connection: Connection, owner: Owner, identity: str, now: datetime
) -> tuple[StoredDefinition, Revision]:
    """The import as a definition of the owner's, published as it came, with its origin. Raises NotFound; Conflict if it was
    confirmed before."""
    AccountStore(connection).lock(owner)
    store = DefinitionImportStore(connection, owner)
    found = store.get(identity, now)
    if found.definition is not None:
        raise Conflict(
            "this import was confirmed already: it is the definition '{definition}'", definition=found.definition
        )
    assert found.document is not None
    line, _ = definitions.draft(connection, owner, None, found.document, now)
    line, revision = definitions.publish(connection, owner, line.id, now, expect=_unchanged)
    origin = Origin(
        found.kind,
        found.title,
        found.revision,
        found.digest,
        now,
        address=found.address,
        newest=found.revision,
        etag=found.etag,
    )
    OriginStore(connection, owner).add(line.id, origin)
    store.set_definition(identity, line.id)
    return line, revision


def drop_import(connection: Connection, owner: Owner, identity: str, now: datetime) -> None:
    """Deletes an import; the definition that it became stays. Raises NotFound."""
    AccountStore(connection).lock(owner)
    DefinitionImportStore(connection, owner).get(identity, now)
    DefinitionImportStore(connection, owner).delete(identity)


def checked_fetched(fetched: Fetched, request: ImportRequest, now: datetime) -> DefinitionImport:
    """What was fetched, read and checked. Raises FetchUnreadable, Invalid, DigestMismatch."""
    return _checked(read_fetched(fetched), request, now, fetched.etag)


def _checked(sent: SentDocument, request: ImportRequest, now: datetime, etag: str | None = None) -> DefinitionImport:
    definition = definition_of(sent, request.digest)
    # Against the shipped issues only: the findings are the same for every owner.
    findings = findings_on(definition, now.date())
    return DefinitionImport(
        new_id(),
        FILE if sent.digest is None else SHARE,
        request.address,
        definition.title,
        sent.revision,
        definition.digest,
        etag,
        counts_by_severity(findings),
        now,
        now + IMPORT_LIFETIME,
        document=sent.document,
        findings=tuple(findings),
        in_words=tuple(describe_definition(definition)),
    )


def _unchanged(_: StoredDefinition) -> None:
    """The account is locked, so nothing changed since it was drafted."""
