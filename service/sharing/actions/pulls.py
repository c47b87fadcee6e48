"""Taking a newer revision of the origin into a copy: a three-way merge into the draft, which the owner publishes and adopts as
any other. Each action is part of the caller's transaction; the merge itself is service/definitions/merge.py."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.clubs.actions.members import admit
from service.clubs.model import MEMBER
from service.clubs.store.offers import CopyStore, OfferStore
from service.definitions import actions as definitions
from service.definitions.model import Revision, StoredDefinition
from service.definitions.store import DefinitionStore
from service.errors import Conflict, NotFound
from service.sharing.origin_store import OriginStore
from service.sharing.origins import OWN, TakenRevision
from service.sharing.pull_store import PullStore


@dataclass(frozen=True, slots=True)
class MergeEnds:
    """The three documents of a merge: what both go back to, the owner's draft or newest revision, the origin's revision."""

    line: StoredDefinition
    mine: Revision
    base: Mapping[str, Any]
    theirs: TakenRevision


def ends(connection: Connection, owner: Owner, identity: str, number: int | None) -> MergeEnds:
    """What to merge; without a number the newest revision that is known of the origin. Raises NotFound where the definition
    came from nowhere, or the club is not the owner's any more; Clash when it was taken in already."""
    line, mine = DefinitionStore(connection, owner).latest(identity)
    before = PullStore(connection, owner).latest(identity, mine.number)
    first, theirs = _origin(connection, owner, identity, number)
    taken = before or first
    if (theirs.number, theirs.digest) == (taken.number, taken.digest):
        raise Conflict(f"revision {theirs.number} of the origin was taken in already; nothing newer is known")
    return MergeEnds(line, mine, taken.document, theirs)


def pull(
    connection: Connection,
    owner: Owner,
    identity: str,
    theirs: TakenRevision,
    document: Mapping[str, Any],
    *,
    expect: Callable[[StoredDefinition], None],
) -> tuple[StoredDefinition, Revision]:
    """The merged document as the draft. A set that follows no certain revision goes on with the one that it follows now: to
    adopt another is its owner's own act."""
    AccountStore(connection).lock(owner)
    store = DefinitionStore(connection, owner)
    line, followed = store.line(identity), store.followed(identity)
    expect(line)
    if line.adopted is None and followed.status != "draft":
        store.adopt(identity, line.version, followed.number)
    line, draft = definitions.redraft(connection, owner, identity, document, expect=lambda _: None)
    PullStore(connection, owner).put(identity, draft.number, theirs)
    CopyStore(connection, owner).note(identity, theirs.number)
    return line, draft


def _origin(
    connection: Connection, owner: Owner, identity: str, number: int | None
) -> tuple[TakenRevision, TakenRevision]:
    """What was taken first, and what is to be taken now."""
    source = CopyStore(connection, owner).source(identity)
    if source is not None:
        club, offered, first = source
        admit(connection, club, owner, MEMBER)
        offers = OfferStore(connection, club)
        found = offers.newest(offered) if number is None else offers.revision(offered, number)
        base = offers.revision(offered, first)
        return TakenRevision(base.number, base.digest, base.document), TakenRevision(
            found.number, found.digest, found.document
        )
    store = OriginStore(connection, owner)
    origin = store.get(identity)
    newer = store.offered(identity)
    if not newer:
        raise Conflict("nothing newer is known of the origin: ask it first (POST .../origin/checks)")
    theirs = store.one_offered(identity, newer[-1].number if number is None else number)
    assert theirs.document is not None, "one is read with its document"
    document = _as_it_came(connection, owner, identity, origin.source if origin.kind == OWN else None, origin.revision)
    return TakenRevision(origin.revision or 0, origin.digest, document), TakenRevision(
        theirs.number, theirs.digest, theirs.document
    )


def _as_it_came(
    connection: Connection, owner: Owner, identity: str, source: str | None, number: int | None
) -> Mapping[str, Any]:
    store = DefinitionStore(connection, owner)
    if source is not None and number is not None:
        try:
            return store.revision(source, number).document
        except NotFound:
            # The original is gone; the copy's first revision is the nearest to it that there is.
            pass
    line, latest = store.latest(identity)
    return store.revision(identity, 1).document if line.published else latest.document
