"""Pulling a newer revision of the origin: a three-way merge into the draft, which the owner publishes and adopts like any
other. Read in one snapshot, merged without a transaction, written only if the definition has not changed since."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from msgspec import structs
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.definitions import actions as definitions
from service.definitions.merge import Merge, MergeConflict, merge
from service.definitions.model import Revision, StoredDefinition
from service.definitions.store import DefinitionStore
from service.errors import Conflict, NotFound
from service.facts.vocabulary import Vocabulary
from service.reference import actions as reference
from service.rules.definition import Definition
from service.runtime import Context
from service.sharing.model import OWN, PulledRevision
from service.sharing.store import OriginStore, PullStore

THEIRS = "theirs"


class Upstream(Protocol):
    """Where definitions come from that have no origin of their own here."""

    def ends(
        self, connection: Connection, owner: Owner, definition: str, number: int | None
    ) -> tuple[PulledRevision, PulledRevision] | None:
        """The revision that was taken first, and the one of this number or else the newest; None for a definition that came
        from elsewhere. Raises NotFound."""
        ...

    def record_pull(self, connection: Connection, owner: Owner, definition: str, number: int) -> None:
        """The revision of this number was merged. Does nothing for a definition that came from elsewhere."""
        ...


@dataclass(frozen=True, slots=True)
class Pull:
    """The definition with its new draft, the revision that was merged into it, and the conflicts."""

    line: StoredDefinition
    draft: Revision
    definition: Definition
    pulled: PulledRevision
    conflicts: tuple[MergeConflict, ...]


@dataclass(frozen=True, slots=True)
class _Ends:
    """The documents of a merge: the common base, the owner's draft or newest revision, the origin's revision."""

    base: Mapping[str, Any]
    mine: Revision
    theirs: PulledRevision


async def pull(
    context: Context,
    owner: Owner,
    identity: str,
    number: int | None,
    keep: str,
    upstream: Upstream,
    *,
    expect: Callable[[StoredDefinition], None],
) -> Pull:
    """The revision of this number, or else the newest that is known, merged into the draft; where both sides changed the same,
    `keep` ("mine" or "theirs") says which stays. `expect` raises Stale if the definition changed. Raises NotFound if it has no
    origin; Conflict if the revision was pulled already; Invalid if the merged document is not valid."""
    now = context.now()
    ends = await context.read(lambda connection: _ends(connection, owner, identity, number, upstream, expect))
    schemes = await context.read(lambda connection: reference.vocabularies_of(connection, owner))
    merged, definition = await context.compute(lambda: _merged(ends, keep, schemes))

    def write(connection: Connection) -> tuple[StoredDefinition, Revision]:
        AccountStore(connection).lock(owner)
        store = DefinitionStore(connection, owner)
        line, followed = store.line(identity), store.followed(identity)
        expect(line)
        if line.adopted is None and followed.status != "draft":
            # A set that follows the newest revision stays with that one: adopting another is the owner's own decision.
            store.adopt(identity, line.version, followed.number)
        line, draft = definitions.redraft(connection, owner, identity, merged.document, now, expect=lambda _: None)
        PullStore(connection, owner).put(identity, draft.number, ends.theirs)
        upstream.record_pull(connection, owner, identity, ends.theirs.number)
        return line, draft

    line, draft = await context.write(write)
    return Pull(line, draft, definition, ends.theirs, merged.conflicts)


def _ends(
    connection: Connection,
    owner: Owner,
    identity: str,
    number: int | None,
    upstream: Upstream,
    expect: Callable[[StoredDefinition], None],
) -> _Ends:
    line, mine = DefinitionStore(connection, owner).latest(identity)
    before = PullStore(connection, owner).latest(identity, mine.number)
    ends = upstream.ends(connection, owner, identity, number)
    first, theirs = ends or _ends_of_origin(connection, owner, identity, number)
    base = before or first
    if (theirs.number, theirs.digest) == (base.number, base.digest):
        raise Conflict(
            "revision {revision} of the origin was pulled already; nothing newer is known", revision=theirs.number
        )
    expect(line)
    return _Ends(base.document, mine, theirs)


def _ends_of_origin(
    connection: Connection, owner: Owner, identity: str, number: int | None
) -> tuple[PulledRevision, PulledRevision]:
    store = OriginStore(connection, owner)
    origin = store.get(identity)
    newer = store.offered(identity)
    if not newer:
        raise Conflict("nothing newer is known of the origin: ask it first (POST .../origin/checks)")
    theirs = store.one_offered(identity, newer[-1].number if number is None else number)
    assert theirs.document is not None, "one is read with its document"
    document = _first_document(
        connection, owner, identity, origin.source if origin.kind == OWN else None, origin.revision
    )
    return PulledRevision(origin.revision or 0, origin.digest, document), PulledRevision(
        theirs.number, theirs.digest, theirs.document
    )


def _first_document(
    connection: Connection, owner: Owner, identity: str, source: str | None, number: int | None
) -> Mapping[str, Any]:
    """The document as it was taken: of a copy the original's, else the definition's own first revision."""
    store = DefinitionStore(connection, owner)
    if source is not None and number is not None:
        try:
            return store.revision(source, number).document
        except NotFound:
            # The original is gone; the copy's first revision is the nearest to it that there is.
            pass
    line, latest = store.latest(identity)
    return store.revision(identity, 1).document if line.published else latest.document


def _merged(ends: _Ends, keep: str, schemes: Mapping[str, Vocabulary]) -> tuple[Merge, Definition]:
    merged = _preferring(ends, keep)
    return merged, reference.read_definition(merged.document, "/draft", schemes)


def _preferring(ends: _Ends, keep: str) -> Merge:
    if keep != THEIRS:
        return merge(ends.base, ends.mine.document, ends.theirs.document)
    found = merge(ends.base, ends.theirs.document, ends.mine.document)
    # Whichever side is kept, the conflict names each for what it is.
    return Merge(found.document, tuple(structs.replace(c, mine=c.theirs, theirs=c.mine) for c in found.conflicts))
