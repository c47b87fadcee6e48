"""Requests that may be sent again: with an Idempotency-Key the action runs once and its answer is remembered."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy import Connection

from service.accounts.actions import once
from service.accounts.model import Owner, Remembered
from service.accounts.store import RememberedStore
from service.database.engine import Database
from service.http.openapi import describes, request_header
from service.http.problems import Problem
from service.http.responses import Reply, T, encode

_KEY = re.compile(r"[\x21-\x7e]{1,255}")


@dataclass(frozen=True, slots=True)
class RepeatableRequest:
    """A request that may bear an Idempotency-Key. The header is read when it is needed, so that a refusal for another reason
    comes first."""

    request: Request

    def once(
        self,
        database: Database,
        owner: Owner,
        act: Callable[[Connection], Reply[T]],
        *,
        hold: Callable[[Connection], None] = lambda _: None,
    ) -> Reply[T]:
        """The answer of `act`, run in one transaction; with an Idempotency-Key, run once however often the request is sent.
        `hold` takes the locks that come before the owner's account."""
        key, fingerprint = self._key(), self._fingerprint()

        def run(connection: Connection) -> Remembered:
            def remember() -> Remembered:
                reply = act(connection)
                return Remembered(fingerprint, reply.status or 200, dict(reply.headers), encode(reply.value).decode())

            hold(connection)
            return once(connection, owner, key, fingerprint, remember, self.request.app.state.clock())

        return _sent_before(database.write(run))

    def done_before(self, database: Database, owner: Owner) -> Reply[T] | None:
        """The answer that this very request was given before, if it has an Idempotency-Key: for what asks elsewhere before it
        writes, since there it might be answered otherwise by now. `once` still has the last word."""
        key = self._key()
        if key is None:
            return None
        done = database.read(lambda connection: RememberedStore(connection, owner).find(key))
        if done is None or done.fingerprint != self._fingerprint():
            return None
        return _sent_before(done)

    def _key(self) -> str | None:
        keys = self.request.headers.getlist("idempotency-key")
        if not keys:
            return None
        if len(keys) > 1 or _KEY.fullmatch(keys[0]) is None:
            raise Problem("bad-request", "Idempotency-Key is one key of 1 to 255 visible ASCII characters")
        return keys[0]

    def _fingerprint(self) -> str:
        request = self.request
        kind, raw = getattr(request.state, "body", ("", b""))
        address = f"{request.url.path}?{request.url.query}" if request.url.query else request.url.path
        head = "\n".join((request.method, address, request.headers.get("if-match", ""), kind, ""))
        return hashlib.sha256(head.encode("utf-8", "surrogateescape") + raw).hexdigest()


def _sent_before(done: Remembered) -> Reply[T]:
    return Reply(None, done.headers, done.status, done.body.encode())  # type: ignore[arg-type]


@describes(
    headers=(request_header("Idempotency-Key", "Names this request: sent again with the same key, it happens once."),),
    problems=("bad-request", "idempotency-key-reused"),
)
async def _repeatable(request: Request) -> RepeatableRequest:
    return RepeatableRequest(request)


IdempotencyKey = Annotated[RepeatableRequest, Depends(_repeatable)]
