"""Answers of stored sets that are kept are given before the framework is asked, and so is 304: who asks, and what the answer
follows from, are one look-up.

Whatever is not plain is left to the framework, which then says what is wrong: no token or one that is not valid, a scope that is
missing, an address that means nothing yet, a header that cannot be read. What is given here is the very response that the
framework sent before, so that no byte of it differs.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Any

from starlette.responses import Response
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Receive, Scope, Send

from service.accounts.model import Owner, is_worth_noting
from service.accounts.store import is_live
from service.database.ids import read_id
from service.errors import SetwrightError
from service.http.answers import Address, Question, accepted_by, unchanged
from service.http.compression import coding_of
from service.http.conditional import names, tag_as_sent
from service.http.dependencies import IS_ACCOUNT, context_of
from service.http.known_callers import digest_of
from service.http.openapi import METER, Operation, scopes_needed
from service.http.problems import Problem
from service.http.quotas import Meter, Quotas
from service.progress.actions.editions import stamps
from service.progress.actions.store import FOLLOWED, SET_KEY, SETS_KEY, set_key_of, sets_key_of
from service.progress.actions.stored_set import SetKey, SetsKey

_SETS, _ALL_SETS = "/v1/definitions/", "/v1/need-sheets"
_PREFIX = f"{_SETS}{{id}}/"
_READ = frozenset({b"if-none-match"})
_MOST_MEANINGS = 1_000


@dataclass(frozen=True, slots=True)
class _Operation:
    """An operation of which answers are kept."""

    route: Operation
    scopes: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Meaning:
    """Where the answer to a question would be, when the set is as a row says, and which scopes the token has."""

    address: Address
    scopes: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Answer:
    """What is sent."""

    status_code: int
    headers: list[tuple[bytes, bytes]]
    body: bytes | memoryview


class AnsweredBefore:
    """Stands before the framework, behind the log and what makes GET of HEAD."""

    def __init__(self, app: ASGIApp, quotas: Quotas, routes: Iterable[BaseRoute]) -> None:
        self._app, self._quotas = app, quotas
        self._operations = {
            route.path.removeprefix(_PREFIX): _Operation(route, _scopes(route))
            for route in routes
            if isinstance(route, Operation) and route.methods == {"GET"} and route.path.startswith((_PREFIX, _ALL_SETS))
        }
        self._meanings: dict[tuple[Any, Question, date, tuple[str, ...]], _Meaning] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] == "GET" and scope["path"].startswith((_SETS, _ALL_SETS)):
            text, rest = None, scope["path"]
            if rest != _ALL_SETS:
                text, _, rest = rest.removeprefix(_SETS).partition("/")
            operation = self._operations.get(rest)
            answer = None if operation is None else await self._answer(scope, operation, text)
            if answer is not None:
                assert operation is not None
                scope["route"] = operation.route
                scope[IS_ACCOUNT] = True
                await send({"type": "http.response.start", "status": answer.status_code, "headers": answer.headers})
                await send({"type": "http.response.body", "body": answer.body})
                return
        await self._app(scope, receive, send)

    async def _answer(self, scope: Scope, operation: _Operation, text: str | None) -> _Answer | None:
        """`text`: the id of the set as it was sent; None: all sets."""
        headers, state = _headers(scope), scope["app"].state
        accept = accepted_by(scope["headers"])
        question: Question | None = state.questions.find(operation.route.path, scope["query_string"], accept)
        digest, identity = digest_of(scope), None if text is None else read_id(text)
        if question is None or digest is None or (identity is None and text is not None):
            return None
        # What cannot be read now the framework tries again, and says why.
        with suppress(SetwrightError, Problem):
            address = await self._address(scope, operation, question, digest, identity)
            if address is None:
                return None
            known = headers.get(b"if-none-match")
            if question.is_tagged and known is not None and names(known.decode("latin-1"), address.tag):
                found: Response | None = unchanged(tag_as_sent(scope["headers"], address.tag), "Accept-Encoding")
            else:
                found = await state.answers.find_coded(address, coding_of(scope["headers"]))
            if found is not None:
                state.known_callers.accept(digest)
                return await self._charged(scope, address.owner, found)
        return None

    async def _charged(self, scope: Scope, owner: Owner, answer: Response) -> _Answer:
        """The answer, with where its owner stands. It costs one unit whatever it took to make: nothing is computed."""
        meter: Meter | None = scope.get(METER)
        if meter is not None:
            # The layer that made it tells.
            await meter.charge_account(owner.id)
            return _Answer(answer.status_code, [*answer.raw_headers], answer.body)
        meter = scope[METER] = Meter(self._quotas, scope)
        await meter.charge_account(owner.id)
        standing = () if meter.standing is None else meter.standing.fields()
        return _Answer(answer.status_code, [*answer.raw_headers, *standing], answer.body)

    async def _address(
        self, scope: Scope, operation: _Operation, question: Question, digest: str, identity: str | None
    ) -> Address | None:
        """Where the answer would be; None where the framework has something to refuse, or to note."""
        context = context_of(scope["app"])
        now = context.now()
        if identity is None:
            row = await context.look_up(SETS_KEY, digest=digest)
        else:
            number = FOLLOWED if question.revision is None else question.revision
            row = await context.look_up(SET_KEY, digest=digest, definition=identity, number=number)
        if row is None or not is_live(row, digest, now) or is_worth_noting(row.last_used_at, now):
            return None
        meaning = self._meaning(row, operation, question, question.today or now.date())
        return None if meaning is None or meaning.scopes.isdisjoint(operation.scopes) else meaning.address

    def _meaning(self, row: Any, operation: _Operation, question: Question, day: date) -> _Meaning | None:
        follows_from = (row, question, day, stamps())
        found = self._meanings.get(follows_from)
        if found is None:
            key: SetKey | SetsKey | None
            key = sets_key_of(row) if operation.route.path == _ALL_SETS else set_key_of(row, question.revision)
            if key is None:
                return None
            if len(self._meanings) >= _MOST_MEANINGS:
                self._meanings.clear()
            address = Address(operation.route.path, key.owner, question.tag(key, day))
            found = self._meanings[follows_from] = _Meaning(address, frozenset(row.scopes.split()))
        return found


def _headers(scope: Scope) -> dict[bytes, bytes]:
    """Those that are read here, as the lists that they make."""
    found: dict[bytes, bytes] = {}
    for name, value in scope["headers"]:
        if name in _READ:
            found[name] = b", ".join((found[name], value)) if name in found else value
    return found


def _scopes(route: Operation) -> frozenset[str]:
    assert route.openapi_extra is not None
    return frozenset(scopes_needed("GET", route.openapi_extra))
