"""The owner's notes to the want list of a definition: least grade, most to pay, a word."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.definitions import actions
from service.definitions.store import WantNoteStore
from service.errors import Fault, Invalid
from service.http.conditional import if_match
from service.http.declared import IF_MATCH, IF_NONE_MATCH, OWNER, JsonBody, not_modified_or, operation, with_headers
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.examples import WANT_NOTES
from service.http.responses import Answer
from service.http.schemas.wants import WantNotesIn, WantNotesOut, kept_notes, notes_tag, shown_notes
from service.http.wire import read
from service.progress.actions.evaluate import load_stored_set, today
from service.progress.decisions import faults_of_places

router = APIRouter(prefix="/v1/definitions")
_TAG = "Evaluations"
_ETAG = {"ETag": "The version, for If-Match."}


@router.get(
    "/{id}/want-notes",
    **with_headers(
        operation(
            "get_want_notes",
            "The owner's notes to the want list of a definition",
            tag=_TAG,
            access=OWNER,
            answer=WantNotesOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get_want_notes(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    notes = parts.database.read(lambda connection: WantNoteStore(connection, owner).of(id))
    return not_modified_or(request, notes_tag(id, notes), lambda: Answer(shown_notes(notes)))


@router.put(
    "/{id}/want-notes",
    **with_headers(
        operation(
            "replace_want_notes",
            "Say which grade and which price is wanted, place by place",
            tag=_TAG,
            access=OWNER,
            body=WantNotesIn,
            example=WANT_NOTES,
            answer=WantNotesOut,
            problems=["not-found", "bad-request", "stale", "precondition-required", "over-limit"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
async def replace_want_notes(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, body: JsonBody
) -> Response:
    expected = if_match(request)
    before = await run_in_threadpool(parts.database.read, lambda connection: WantNoteStore(connection, owner).of(id))
    expected.check(notes_tag(id, before))
    sent = read(WantNotesIn, body.value)
    mine = await run_in_threadpool(parts.database.read, lambda connection: load_stored_set(connection, owner, id))
    named = [note.place for note in sent.notes]
    faults = await parts.limiter.run(lambda: _under(faults_of_places(mine.ask(today()).measurement, named)))
    if faults:
        raise Invalid(faults)
    notes = await run_in_threadpool(
        parts.database.write,
        lambda connection: actions.note_wants(
            connection, owner, id, kept_notes(sent), expect=lambda before: expected.check(notes_tag(id, before))
        ),
    )
    return Answer(shown_notes(notes), 200, {"ETag": notes_tag(id, notes)}).response()


def _under(faults: Sequence[Fault]) -> list[Fault]:
    return [fault.under("/notes") for fault in faults]
