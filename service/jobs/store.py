"""Jobs in the database: kept, taken up by one attempt at a time, ended once."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Row, and_, bindparam, delete, func, insert, or_, select, update

from service.accounts.model import Owner
from service.errors import Busy, NotFound
from service.jobs.model import CANCELLED, ENDED, FAILED, QUEUED, RUNNING, Answer, Job, KeptFile
from service.jobs.tables import job

_COLUMNS = tuple(
    column for column in job.c if column.name not in ("body", "answer", "answer_headers", "answer_file", "answer_bytes")
)
_PAGE = select(*_COLUMNS).where(job.c.owner_id == bindparam("owner")).order_by(job.c.id.desc()).limit(bindparam("most"))
_NEXT_PAGE = _PAGE.where(job.c.id < bindparam("after"))
# Each is a ring of objects, which only garbage collection frees: made once.
_ONE_MORE, _ONE_LESS = job.c.attempts + 1, job.c.attempts - 1


class JobStore:
    """One owner's jobs, within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def get(self, identity: str) -> Job:
        """Raises NotFound."""
        row = self._connection.execute(select(*_COLUMNS).where(*self._is(identity))).first()
        if row is None:
            raise NotFound("job", identity)
        return _job(row)

    def page(self, after: str | None, limit: int) -> tuple[Job, ...]:
        """Up to `limit` jobs, the newest first, from behind `after`."""
        query = _PAGE if after is None else _NEXT_PAGE
        values = {"owner": self._owner.id, "after": after, "most": limit}
        return tuple(_job(row) for row in self._connection.execute(query, values))

    def add(self, made: Job, body: bytes, most: int) -> None:
        """Raises Busy where the owner has `most` jobs already that are not over."""
        waiting = self._connection.execute(
            select(func.count()).where(job.c.owner_id == self._owner.id, job.c.state.in_((QUEUED, RUNNING)))
        ).scalar_one()
        if waiting >= most:
            raise Busy("{waiting} of your jobs wait or run: wait for one of them, or cancel it", 10, waiting=waiting)
        self._connection.execute(
            insert(job).values(
                owner_id=self._owner.id,
                id=made.id,
                token_id=made.token,
                state=made.state,
                method=made.method,
                path=made.path,
                query=made.query,
                headers=[list(pair) for pair in made.headers],
                body=body,
                doing=made.doing,
                created_at=made.created_at,
                attempts=0,
                detail="",
                scopes=list(made.scopes),
            )
        )

    def take_up(self, identity: str, now: datetime, lease: timedelta, most: int) -> tuple[Job, bytes] | None:
        """The job with its body, for a new attempt that holds it from now on; None where it is over, another attempt holds
        it, or there were `most` attempts."""
        is_free = or_(job.c.state == QUEUED, and_(job.c.state == RUNNING, job.c.lease_until < now))
        taken = self._connection.execute(
            update(job)
            .where(*self._is(identity), is_free, job.c.attempts < most)
            .values(state=RUNNING, started_at=now, lease_until=now + lease, attempts=_ONE_MORE)
        )
        if taken.rowcount != 1:
            return None
        body = self._connection.execute(select(job.c.body).where(*self._is(identity))).scalar_one()
        return self.get(identity), bytes(body)

    def hold(self, identity: str, attempt: int, until: datetime) -> bool:
        """Goes on holding it; whether this attempt still does."""
        held = update(job).where(*self._held(identity, attempt)).values(lease_until=until)
        return self._connection.execute(held).rowcount == 1

    def release(self, identity: str, attempt: int) -> None:
        """Gives it back, so that another attempt may begin at once; this one does not count."""
        self._connection.execute(
            update(job).where(*self._held(identity, attempt)).values(state=QUEUED, lease_until=None, attempts=_ONE_LESS)
        )

    def end(
        self, identity: str, attempt: int, state: str, now: datetime, answer: Answer | None = None, detail: str = ""
    ) -> bool:
        """Ends it, where this attempt still holds it: so it has one end, however many attempts there were."""
        values: dict[str, Any] = {"state": state, "ended_at": now, "lease_until": None, "detail": detail, "body": b""}
        if answer is not None:
            values |= {
                "status": answer.status,
                "answer_headers": [list(pair) for pair in answer.headers],
            }
            if isinstance(answer.body, KeptFile):
                values |= {"answer_file": answer.body.name, "answer_bytes": answer.body.bytes}
            else:
                values["answer"] = answer.body
        ended = update(job).where(*self._held(identity, attempt)).values(**values)
        return self._connection.execute(ended).rowcount == 1

    def give_up(self, identity: str, now: datetime, most: int) -> bool:
        """Ends it as failed where there were `most` attempts, and the last one holds it no longer; whether it was so."""
        is_left = and_(job.c.state == RUNNING, job.c.lease_until < now, job.c.attempts >= most)
        detail = f"it was begun {most} times, and each time the process that did it was gone before its end"
        values = {"state": FAILED, "ended_at": now, "lease_until": None, "detail": detail, "body": b""}
        given_up = update(job).where(*self._is(identity), is_left).values(**values)
        return self._connection.execute(given_up).rowcount == 1

    def cancel(self, identity: str, now: datetime) -> None:
        """Ends it as cancelled where it is not over. Raises NotFound."""
        self.get(identity)
        self._connection.execute(
            update(job)
            .where(*self._is(identity), job.c.state.not_in(ENDED))
            .values(state=CANCELLED, ended_at=now, lease_until=None, body=b"")
        )

    def forget(self, identity: str) -> list[str]:
        """Removes it; the names of the files that it had."""
        files = self._files(*self._is(identity))
        self._connection.execute(delete(job).where(*self._is(identity)))
        return files

    def forget_files_past(self, most: int) -> list[str]:
        """Removes jobs that ended with a file, but for the newest `most` of them; the names of the files."""
        mine = (job.c.owner_id == self._owner.id, job.c.answer_file.is_not(None))
        ended = select(job.c.id).where(*mine).order_by(job.c.ended_at.desc(), job.c.id.desc()).offset(most)
        return [file for identity in self._connection.execute(ended).scalars().all() for file in self.forget(identity)]

    def files(self) -> frozenset[str]:
        """The names of all files that the owner's jobs have."""
        return frozenset(self._files(job.c.owner_id == self._owner.id))

    def _files(self, *which: Any) -> list[str]:
        query = select(job.c.answer_file).where(*which, job.c.answer_file.is_not(None))
        return list(self._connection.execute(query).scalars())

    def answer(self, identity: str) -> Answer | None:
        """What was answered; None while there is no answer. Raises NotFound."""
        row = self._connection.execute(
            select(job.c.status, job.c.answer_headers, job.c.answer, job.c.answer_file, job.c.answer_bytes).where(
                *self._is(identity)
            )
        ).first()
        if row is None:
            raise NotFound("job", identity)
        if row.status is None:
            return None
        headers = [(name, value) for name, value in row.answer_headers]
        if row.answer_file is not None:
            return Answer(row.status, headers, KeptFile(row.answer_file, row.answer_bytes))
        return Answer(row.status, headers, bytes(row.answer))

    def _is(self, identity: str) -> tuple[Any, Any]:
        return job.c.owner_id == self._owner.id, job.c.id == identity

    def _held(self, identity: str, attempt: int) -> tuple[Any, ...]:
        return *self._is(identity), job.c.state == RUNNING, job.c.attempts == attempt


def waiting_jobs(connection: Connection, now: datetime, most: int) -> list[tuple[str, str]]:
    """(owner, job) of jobs of all owners that nobody works on, the oldest first."""
    is_free = or_(job.c.state == QUEUED, and_(job.c.state == RUNNING, job.c.lease_until < now))
    query = select(job.c.owner_id, job.c.id).where(is_free).order_by(job.c.id).limit(most)
    return [(row.owner_id, row.id) for row in connection.execute(query)]


def forget_jobs(connection: Connection, ended_before: datetime) -> tuple[int, list[tuple[str, str]]]:
    """Removes jobs of all owners that ended before then; how many, and the files that they had: (owner, name)."""
    is_old = job.c.ended_at < ended_before
    query = select(job.c.owner_id, job.c.answer_file).where(is_old, job.c.answer_file.is_not(None))
    files = [(row.owner_id, row.answer_file) for row in connection.execute(query)]
    return connection.execute(delete(job).where(is_old)).rowcount, files


def _job(row: Row[Any]) -> Job:
    return Job(
        row.id,
        row.token_id,
        row.state,
        row.method,
        row.path,
        row.query,
        tuple((name, value) for name, value in row.headers),
        row.doing,
        row.created_at,
        tuple(row.scopes or ()),
        row.started_at,
        row.ended_at,
        row.attempts,
        row.status,
        row.detail,
    )
