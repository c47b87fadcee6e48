"""Merging a newer revision of the origin into the owner's draft: read in one snapshot, merged without a transaction, written only
if the line is still the same."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service import runtime
from service.accounts.model import Owner
from service.definitions.merge import Merge, merge
from service.definitions.model import StoredDefinition
from service.errors import Invalid
from service.http.conditional import ExpectedVersion
from service.http.schemas.definition_imports import PullIn
from service.http.schemas.definitions import line_tag, shown_revision
from service.reference import actions as reference
from service.rules.definition import Definition
from service.rules.document import read as read_document
from service.sharing.actions import pulls as actions
from service.sharing.actions.pulls import MergeEnds

THEIRS = "theirs"


async def pull(
    parts: runtime.Context, owner: Owner, identity: str, asked: PullIn, expected: ExpectedVersion
) -> tuple[StoredDefinition, dict[str, Any]]:
    """The line with its new draft, and the answer. Raises Invalid where what came of it is no sound document."""

    def look(connection: Connection) -> MergeEnds:
        found = actions.ends(connection, owner, identity, asked.revision)
        expected.check(line_tag(found.line))
        return found

    ends = await run_in_threadpool(parts.database.read, look)
    merged, definition = await parts.limiter.run(lambda: _merged(ends, asked.keep))
    line, draft = await run_in_threadpool(
        parts.database.write,
        lambda connection: actions.pull(
            connection,
            owner,
            identity,
            ends.theirs,
            merged.document,
            expect=lambda line: expected.check(line_tag(line)),
        ),
    )
    pulled = {"revision": ends.theirs.number, "digest": ends.theirs.digest}
    conflicts = [conflict.as_json() for conflict in merged.conflicts]
    return line, {
        "pulled": pulled,
        "kept": asked.keep,
        "conflicts": conflicts,
        "draft": shown_revision(draft, definition),
    }


def _merged(ends: MergeEnds, keep: str) -> tuple[Merge, Definition]:
    merged = _sided(ends, keep)
    try:
        return merged, read_document(merged.document, vocabularies=reference.vocabularies())
    except Invalid as refusal:
        raise refusal.under("/draft") from None


def _sided(ends: MergeEnds, keep: str) -> Merge:
    if keep != THEIRS:
        return merge(ends.base, ends.mine.document, ends.theirs.document)
    found = merge(ends.base, ends.theirs.document, ends.mine.document)
    # Whichever is kept, the conflict names each side for what it is.
    return Merge(found.document, tuple(replace(c, mine=c.theirs, theirs=c.mine) for c in found.conflicts))
