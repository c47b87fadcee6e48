"""Requests that are kept as jobs, to be answered later (RFC 7240, section 4.1, `respond-async`)."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from fastapi import Request
from msgspec import Meta
from starlette.responses import Response

from service.accounts.model import Caller
from service.database.ids import new_id
from service.http.openapi import scopes_needed
from service.http.preferences import preference
from service.http.responses import NO_STORE, Reply
from service.http.wire import Out
from service.jobs.model import QUEUED, Job
from service.jobs.store import JobStore
from service.runtime import in_thread

# A longer body is answered at once, or refused.
LONGEST_BODY = 4 * 1024 * 1024
_SECONDS = "2"
# What a job's request has of the headers that came: the caller is looked up again, and nobody waits for the answer.
_KEPT = frozenset({b"accept", b"accept-language", b"content-type", b"if-match", b"idempotency-key"})

JobState = Literal["queued", "running", "done", "failed", "cancelled"]


class JobOut(Out):
    """A request that is answered later."""

    id: str
    state: JobState
    method: str
    path: str
    doing: Annotated[str, Meta(description="What is being done, in words.")]
    created_at: datetime
    started_at: Annotated[datetime | None, Meta(description="When the newest attempt began.")]
    ended_at: datetime | None
    attempts: Annotated[int, Meta(description="How often it was begun: again where the process that did it is gone.")]
    status: Annotated[int | None, Meta(description="The HTTP status of the answer, once there is one.")]
    detail: Annotated[str, Meta(description="Why there is no answer; else empty.")]
    result: Annotated[str | None, Meta(description="Where the answer is, once there is one.")]


def job_out(job: Job) -> JobOut:
    """A job as its owner sees it."""
    return JobOut(
        job.id,
        job.state,  # type: ignore[arg-type]
        job.method,
        job.path,
        job.doing,
        job.created_at,
        job.started_at,
        job.ended_at,
        job.attempts,
        job.status,
        job.detail,
        f"/v1/jobs/{job.id}/result" if job.status is not None else None,
    )


def is_preferred(request: Request) -> bool:
    """Whether the caller prefers to be answered later."""
    return preference(request.headers.getlist("prefer"), "respond-async") is not None


async def keep_job(request: Request, caller: Caller, body: bytes, doing: str) -> Response:
    """Keeps the request as a job; the answer is 202 with the job. Raises Busy where the owner has too many."""
    state, scope = request.app.state, request.scope
    job = Job(
        id=new_id(),
        token=caller.token.id,
        state=QUEUED,
        method=scope["method"],
        path=scope["path"],
        query=scope["query_string"].decode("latin-1"),
        headers=[
            (name.decode("latin-1"), value.decode("latin-1")) for name, value in scope["headers"] if name in _KEPT
        ],
        doing=doing,
        created_at=state.clock(),
        scopes=scopes_needed(scope["method"], scope["route"].openapi_extra),
    )
    most: int = state.settings.jobs_waiting
    await in_thread(
        lambda: state.database.write(lambda connection: JobStore(connection, caller.owner).add(job, body, most))
    )
    await state.job_queue.added(caller.owner.id, job.id)
    headers = {
        **NO_STORE,
        "Location": f"/v1/jobs/{job.id}",
        "Retry-After": _SECONDS,
        "Preference-Applied": "respond-async",
    }
    if not is_preferred(request):
        del headers["Preference-Applied"]
    return Reply(job_out(job), headers, 202).response()
