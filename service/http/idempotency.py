"""Requests that may be sent again: with an Idempotency-Key the action runs once and its answer is remembered."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable

from fastapi import Request
from sqlalchemy import Connection
from starlette.responses import Response

from service.accounts.actions import once
from service.accounts.model import Owner, Remembered
from service.accounts.store import RememberedStore
from service.database.engine import Database
from service.http.dependencies import Body
from service.http.problems import Problem
from service.http.responses import _ENCODER, _PRIVATE, Answer

_KEY = re.compile(r"[\x21-\x7e]{1,255}")


def idempotent(
    request: Request,
    database: Database,
    owner: Owner,
    body: Body | None,
    act: Callable[[Connection], Answer],
    *,
    hold: Callable[[Connection], None] = lambda _: None,
) -> Response:
    """The answer of `act`, run in one transaction; with an Idempotency-Key, run once however often it is sent. `hold` takes
    the locks that come before the owner's account."""
    key = _idempotency_key(request)
    fingerprint = _fingerprint(request, body)

    def run(connection: Connection) -> Remembered:
        def remember() -> Remembered:
            answer = act(connection)
            return Remembered(fingerprint, answer.status, answer.headers, _ENCODER.encode(answer.value).decode())

        hold(connection)
        return once(connection, owner, key, fingerprint, remember)

    done = database.write(run)
    return Response(done.body, done.status, {**_PRIVATE, **done.headers}, "application/json")


def done_before(request: Request, database: Database, owner: Owner, body: Body | None) -> Response | None:
    """The answer that this very request was given before, if it has an Idempotency-Key: for what asks elsewhere before it
    writes, since there it might be answered otherwise by now. `once_only` still has the last word."""
    key = _idempotency_key(request)
    if key is None:
        return None
    done = database.read(lambda connection: RememberedStore(connection, owner).find(key))
    if done is None or done.fingerprint != _fingerprint(request, body):
        return None
    return Response(done.body, done.status, {**_PRIVATE, **done.headers}, "application/json")


def _idempotency_key(request: Request) -> str | None:
    keys = request.headers.getlist("idempotency-key")
    if not keys:
        return None
    if len(keys) > 1 or _KEY.fullmatch(keys[0]) is None:
        raise Problem("bad-request", "Idempotency-Key is one key of 1 to 255 visible ASCII characters")
    return keys[0]


def _fingerprint(request: Request, body: Body | None) -> str:
    kind, raw = (body.kind, body.raw) if body is not None else ("", b"")
    address = f"{request.url.path}?{request.url.query}" if request.url.query else request.url.path
    head = "\n".join((request.method, address, request.headers.get("if-match", ""), kind, ""))
    return hashlib.sha256(head.encode("utf-8", "surrogateescape") + raw).hexdigest()
