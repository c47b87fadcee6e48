"""Jobs: requests that are answered later."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy import Connection
from starlette.responses import Response, StreamingResponse

from service.accounts.model import Owner
from service.errors import Conflict
from service.http.dependencies import Context, CurrentCaller, CurrentOwner, stored_id
from service.http.event_streams import EVENTS, Event, event_stream
from service.http.kept_jobs import JobOut, job_out
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.responses import PRIVATE, Paged, Sends
from service.jobs.files import remove_files
from service.jobs.model import Job
from service.jobs.store import JobStore

jobs = router("/v1/jobs", "Jobs")

JobId = Annotated[str, Depends(stored_id("job"))]
_PAUSE_SECONDS = 0.5
# What belongs to the connection that an answer was made for.
_NOT_REPEATED = frozenset({"content-length", "transfer-encoding", "connection", "date"})


@jobs.get("")
def list_jobs(request: Request, context: Context, owner: CurrentOwner, query: Paging) -> Paged[JobOut]:
    """The owner's jobs, the newest first, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: JobStore(connection, owner).page(identity_key(after), limit),
            lambda job: job.id,
            job_out,
        )
    )


@jobs.get("/{id}")
def get_job(context: Context, owner: CurrentOwner, id: JobId) -> JobOut:
    """How far a job is."""
    return job_out(context.database.read(lambda connection: JobStore(connection, owner).get(id)))


@jobs.get("/{id}/result", responses=problems("clash"))
def get_job_result(
    context: Context, caller: CurrentCaller, id: JobId
) -> Annotated[Response, Sends(media=("application/octet-stream",), meaning="The answer as it would have been given.")]:
    """The answer, with the status and the media type that it would have had.

    It is for tokens with a scope with which the job can be asked for."""

    def find(connection: Connection) -> Response:
        store = JobStore(connection, caller.owner)
        answer = store.answer(id)
        if answer is None:
            job = store.get(id)
            why = f": {job.detail}" if job.detail else ""
            raise Conflict("the job is {state}, so there is no answer{why}", state=job.state, why=why)
        if needed := store.get(id).scopes:
            caller.ensure(needed)
        # As an application sends them, names are in lower case.
        kept = {name.lower(): value for name, value in answer.headers if name.lower() not in _NOT_REPEATED}
        headers = {**{name.lower(): value for name, value in PRIVATE.items()}, **kept}
        if isinstance(answer.body, bytes):
            return Response(answer.body, answer.status, headers)
        pieces = context.job_files.pieces(caller.owner.id, answer.body.name)
        if pieces is None:
            raise Conflict("the file of the answer is not there any more: ask again for what the job was asked for")
        return StreamingResponse(pieces, answer.status, {**headers, "content-length": str(answer.body.bytes)})

    return context.database.read(find)


@jobs.delete("/{id}")
async def cancel_job(context: Context, owner: CurrentOwner, id: JobId) -> None:
    """Cancel a job; one that is over is forgotten."""

    def act(connection: Connection) -> list[str]:
        store = JobStore(connection, owner)
        if store.get(id).is_over:
            return store.forget(id)
        store.cancel(id, context.now())
        return []

    if files := await context.write(act):
        await context.run(lambda: remove_files(context.job_files, owner, files))


@jobs.get("/{id}/events")
async def watch_job(
    request: Request, context: Context, owner: CurrentOwner, id: JobId
) -> Annotated[Response, Sends(media=(EVENTS,))]:
    """A `job` event for each change of its state (server-sent events); ends when it is over."""
    await context.read(lambda connection: JobStore(connection, owner).get(id))

    async def look(owner: Owner) -> Event:
        job: Job = await context.read(partial(_find, owner=owner, identity=id))
        told = {"state": job.state, "attempts": job.attempts, "status": job.status}
        return Event("job", (job.state, job.attempts), told, is_last=job.is_over)

    return event_stream(request, owner, look, _PAUSE_SECONDS)


def _find(connection: Connection, owner: Owner, identity: str) -> Job:
    return JobStore(connection, owner).get(identity)
