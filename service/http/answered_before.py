"""Answers of stored sets that are kept are given before the framework is asked, and so is 304: who asks, and what the answer
follows from, are one look-up.

Whatever is not plain is left to the framework, which then says what is wrong: no token or one that is not valid, a scope that is
missing, an address that means nothing yet, a header that cannot be read. What is given here is the very response that the
framework sent before, so that no byte of it differs.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from starlette.datastructures import State
from starlette.responses import Response
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Receive, Scope, Send

from service.accounts.model import is_worth_noting
from service.accounts.store import is_live
from service.database.ids import read_id
from service.database.lookup import Lookup
from service.errors import SetwrightError
from service.http.answers import Address, Question, accepted_by, unchanged
from service.http.compression import coding_of
from service.http.conditional import names, tag_as_sent
from service.http.dependencies import IS_ACCOUNT
from service.http.known_callers import digest_of
from service.http.openapi import METER, Operation, scopes_needed
from service.http.problems import Problem
from service.http.quotas import Meter, Quotas
from service.http.safe_headers import Header
from service.progress.actions.editions import stamps
from service.progress.actions.store import FOLLOWED, SET_KEY, SETS_KEY, set_key_of, sets_key_of
from service.progress.actions.stored_set import SetKey, SetsKey

_SETS, _ALL_SETS = "/v1/definitions/", "/v1/need-sheets"
_PREFIX = f"{_SETS}{{id}}/"
# In the scope: to be told what the request asked for, if it is one that is recognised when it comes again (asked_again.py).
COMES_AGAIN = "setwright.comes_again"
_MOST_MEANINGS = 1_000


@dataclass(frozen=True, slots=True)
class KeptOperation:
    """An operation of which answers are kept, and the scopes of which a token needs one."""

    route: Operation
    scopes: frozenset[str]


@dataclass(frozen=True, slots=True)
class Asked:
    """All that a request says of which answer it asks for. `definition`: the id of the set; None: all of an owner's. `coding`: in
    which it may be sent; `known`: the lines of If-None-Match."""

    operation: KeptOperation
    question: Question
    digest: str
    definition: str | None
    coding: str | None
    known: tuple[Header, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """What is sent: an answer that is kept, with the headers that are its own each time."""

    answer: Response
    more: tuple[Header, ...] = ()

    @property
    def headers(self) -> list[Header]:
        return [*self.answer.raw_headers, *self.more]


@dataclass(frozen=True, slots=True)
class _Meaning:
    """Where the answer to a question would be, when the set is as a row says, and which scopes the token has."""

    address: Address
    scopes: frozenset[str]


class AnswersBefore:
    """Finds the answer that is kept for a request, or that nothing has changed; None wherever the framework has to answer."""

    def __init__(self, state: State, quotas: Quotas, routes: Iterable[BaseRoute]) -> None:
        """`state`: of the app, whose parts may be replaced."""
        self._state, self._quotas = state, quotas
        self._operations = {
            route.path.removeprefix(_PREFIX): KeptOperation(route, _scopes(route))
            for route in routes
            if isinstance(route, Operation) and route.methods == {"GET"} and route.path.startswith((_PREFIX, _ALL_SETS))
        }
        self._meanings: dict[tuple[Any, Question, date, tuple[str, ...]], _Meaning] = {}

    def asked(self, scope: Scope) -> Asked | None:
        """What a request asks for; None where no answer to it is kept."""
        path = scope["path"]
        if scope["method"] != "GET" or not path.startswith((_SETS, _ALL_SETS)):
            return None
        text, rest = None, path
        if rest != _ALL_SETS:
            text, _, rest = rest.removeprefix(_SETS).partition("/")
        operation = self._operations.get(rest)
        if operation is None:
            return None
        headers = scope["headers"]
        question = self._state.questions.find(operation.route.path, scope["query_string"], accepted_by(headers))
        digest, identity = digest_of(scope), None if text is None else read_id(text)
        if question is None or digest is None or (identity is None and text is not None):
            return None
        known = tuple(header for header in headers if header[0] == b"if-none-match")
        return Asked(operation, question, digest, identity, coding_of(headers), known)

    async def find(self, asked: Asked, scope: Scope) -> Found | None:
        """The answer, charged to its owner. It costs one unit whatever it took to make: nothing is computed."""
        # What cannot be read now the framework tries again, and says why.
        with suppress(SetwrightError, Problem):
            context = self._state.context()
            row = await context.look_up(_key_of(asked), **_parameters(asked))
            address = self._address(asked, row, context.now())
            if address is None:
                return None
            answer = _unchanged(asked, address) or await self._state.answers.find_coded(address, asked.coding)
            if answer is None:
                return None
            self._state.known_callers.accept(asked.digest)
            meter: Meter | None = scope.get(METER)
            if meter is not None:
                # The layer that made it tells.
                await meter.charge_account(address.owner.id)
                return Found(answer)
            meter = scope[METER] = Meter(self._quotas, scope)
            await meter.charge_account(address.owner.id)
            return Found(answer, () if meter.standing is None else meter.standing.fields())
        return None

    def find_at_once(self, asked: Asked) -> Found | None:
        """The same without waiting, of a SQLite file; None, and nothing is charged, also where it would have to wait, and where
        the account has asked for more than it may."""
        context = self._state.context()
        with suppress(SetwrightError, Problem, sqlite3.Error):
            row = context.database.look_up_at_once(_key_of(asked), **_parameters(asked))
            address = self._address(asked, row, context.now())
            if address is None:
                return None
            answer = _unchanged(asked, address) or self._state.answers.find_sent(address, asked.coding)
            charged = None if answer is None else self._quotas.charge_at_once(address.owner.id)
            if answer is None or charged is None:
                return None
            self._state.known_callers.accept(asked.digest)
            return Found(answer, charged)
        return None

    def _address(self, asked: Asked, row: Any, now: datetime) -> Address | None:
        """Where the answer would be, by the row with the key; None where the framework has to refuse or note something."""
        if row is None or not is_live(row, asked.digest, now) or is_worth_noting(row.last_used_at, now):
            return None
        meaning = self._meaning(row, asked.operation, asked.question, asked.question.today or now.date())
        return None if meaning is None or meaning.scopes.isdisjoint(asked.operation.scopes) else meaning.address

    def _meaning(self, row: Any, operation: KeptOperation, question: Question, day: date) -> _Meaning | None:
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


def _key_of(asked: Asked) -> Lookup:
    return SETS_KEY if asked.definition is None else SET_KEY


def _parameters(asked: Asked) -> dict[str, Any]:
    if asked.definition is None:
        return {"digest": asked.digest}
    number = FOLLOWED if asked.question.revision is None else asked.question.revision
    return {"digest": asked.digest, "definition": asked.definition, "number": number}


def _unchanged(asked: Asked, address: Address) -> Response | None:
    """304 where the caller has the answer. Raises Problem where what it has cannot be read."""
    if not asked.known or not asked.question.is_tagged:
        return None
    header = b", ".join(value for _, value in asked.known).decode("latin-1")
    if not names(header, address.tag):
        return None
    return unchanged(tag_as_sent(asked.known, address.tag), "Accept-Encoding")


def _scopes(route: Operation) -> frozenset[str]:
    assert route.openapi_extra is not None
    return frozenset(scopes_needed("GET", route.openapi_extra))


class AnsweredBefore:
    """The layer that gives such answers. It stands before the framework, behind the log and what makes GET of HEAD."""

    def __init__(self, app: ASGIApp, before: AnswersBefore) -> None:
        self._app, self._before = app, before

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        asked = self._before.asked(scope) if scope["type"] == "http" else None
        found = None if asked is None else await self._before.find(asked, scope)
        if asked is None or found is None:
            await self._app(scope, receive, send)
            return
        scope["route"] = asked.operation.route
        scope[IS_ACCOUNT] = True
        if COMES_AGAIN in scope:
            scope[COMES_AGAIN](asked)
        await send({"type": "http.response.start", "status": found.answer.status_code, "headers": found.headers})
        await send({"type": "http.response.body", "body": found.answer.body})
