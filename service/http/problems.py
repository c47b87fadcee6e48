"""Every kind of problem that the service answers with, in one table (problem_kinds.json), as problem documents (RFC 9457).

Domain errors become problems here and nowhere else; each kind has a page under /problems/ that explains it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import msgspec
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from msgspec import UNSET, Meta, UnsetType
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.accounts.model import ScopeMissing, masked
from service.database.errors import ReadOnly, Unreachable
from service.errors import Busy, Fault, FetchError, Invalid, NotAuthenticated, Sentence, SetwrightError, listed, plain
from service.http.weights import preferred_language
from service.http.wire import Out
from service.reference.languages import ENGLISH, Language
from service.reference.languages import language as language_of
from service.rules.shape_messages import member_name, shape_message

MEDIA_TYPE = "application/problem+json"


class FaultOut(Out):
    """One thing that is not valid."""

    code: str
    message: str
    pointer: Annotated[str, Meta(description="A JSON pointer (RFC 6901) into the body; empty for the whole of it.")]
    hint: Annotated[str, Meta(description="What would be right.")] | UnsetType = UNSET
    line: (
        Annotated[int, Meta(description="In the rule's text, or in a body that is no JSON; counted from 1.")]
        | UnsetType
    ) = UNSET
    column: int | UnsetType = UNSET


class ProblemOut(Out):
    """A problem document (RFC 9457)."""

    type: Annotated[str, Meta(description="The address of a page that explains this kind of problem.")]
    title: str
    status: int
    detail: str
    error: (
        Annotated[str, Meta(description="The code of RFC 8628, section 3.5, where a device asks for its token.")]
        | UnsetType
    ) = UNSET
    errors: list[FaultOut] | UnsetType = UNSET
    errors_left_out: (
        Annotated[int, Meta(description="How many more faults were found than are listed.")] | UnsetType
    ) = UNSET


@dataclass(frozen=True, slots=True)
class ProblemKind:
    """One kind of problem: its status, its title, what it means and what to do about it. `error` is the code that OAuth
    gives it (RFC 8628, section 3.5), where it has one."""

    name: str
    status: int
    title: str
    meaning: str
    remedy: str
    error: str = ""


_TABLE = (Path(__file__).parent / "problem_kinds.json").read_bytes()
PROBLEM_KINDS: Mapping[str, ProblemKind] = {
    kind.name: kind for kind in msgspec.json.decode(_TABLE, type=list[ProblemKind])
}

_KIND_OF_STATUS = {
    400: "bad-request",
    401: "unwelcome",
    404: "not-found",
    405: "method-not-allowed",
    408: "request-timeout",
    413: "body-too-large",
    415: "unsupported-media-type",
}

_MOST_FAULTS_SHOWN = 1_000


class Problem(Exception):
    """A problem of the HTTP conversation itself; `kind` is a name in KINDS."""

    def __init__(
        self,
        kind: str,
        detail: str,
        faults: Sequence[Fault] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        self.kind, self.faults, self.headers = PROBLEM_KINDS[kind], tuple(faults), dict(headers or {})
        self.detail = Sentence(detail)
        super().__init__(self.detail)


def problem_response(request: Request, problem: Problem) -> Response:
    """The problem document, in the language that was asked for."""
    return problem_response_at(base_url(request), problem, preferred_language(request))


def problem_response_at(address: str, problem: Problem, language: Language | None = None) -> Response:
    """The problem document of a service at an address, in English or another language. Text that cannot be encoded is replaced,
    never an error of its own."""
    told = language or language_of(ENGLISH)
    kind, faults = problem.kind, problem.faults[:_MOST_FAULTS_SHOWN]
    shown: list[dict[str, Any]] = [
        {name: _encodable(part) for name, part in {**fault.as_json(), **_in_words(fault, told)}.items()}
        for fault in faults
    ]
    document = ProblemOut(
        type=f"{address}/problems/{kind.name}",
        title=told.refusal(kind.title),
        status=kind.status,
        detail=_encodable(told.refusal(problem.detail)),
        error=kind.error or UNSET,
        errors=[FaultOut(**fault) for fault in shown] or UNSET,
        errors_left_out=len(problem.faults) - len(faults) or UNSET,
    )
    headers = {"Cache-Control": "no-store", "Content-Language": told.tag, **problem.headers}
    return Response(msgspec.json.encode(document, enc_hook=plain), kind.status, headers, MEDIA_TYPE)


def _in_words(fault: Fault, language: Language) -> dict[str, str]:
    """What people are told of a fault, in a language."""
    told = {"message": language.refusal(fault.message)}
    return told if fault.hint is None else {**told, "hint": language.refusal(fault.hint)}


def base_url(request: Request) -> str:
    """Where the service says that it stands: the setting, never the Host header, which the caller chooses."""
    url: str = request.app.state.settings.public_url
    return url


def problem_of(error: Exception) -> Problem:
    """The problem that an error means to the caller; `internal` for anything unforeseen."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, HTTPException):
        return _of_http(error)
    if isinstance(error, RequestValidationError):
        faults = [_query_fault(entry) for entry in error.errors()]
        return Problem("invalid-query", listed(fault.message for fault in faults), faults)
    if isinstance(error, SetwrightError):
        return _of_domain(error)
    return Problem("internal", "Internal error; the server's log has the details.")


def _of_domain(error: SetwrightError) -> Problem:
    name = error.code
    if isinstance(error, Invalid):
        return Problem(name, error.summary, error.faults)
    if isinstance(error, FetchError):
        return Problem(name, error.told, error.faults)
    headers: dict[str, str] = {}
    if isinstance(error, Busy):
        headers["Retry-After"] = str(error.retry_after_seconds)
    elif isinstance(error, ScopeMissing):
        # RFC 6750, section 3.1.
        headers["WWW-Authenticate"] = f'Bearer error="insufficient_scope", scope="{" ".join(error.needed)}"'
    elif isinstance(error, NotAuthenticated):
        headers["WWW-Authenticate"] = "Bearer"
    elif isinstance(error, Unreachable):
        headers["Retry-After"] = "5"
    elif isinstance(error, ReadOnly):
        headers["Retry-After"] = "30"
    return Problem(name, error.told, headers=headers)


def _of_http(error: HTTPException) -> Problem:
    if error.status_code not in _KIND_OF_STATUS:
        return Problem("bad-request" if error.status_code < 500 else "internal", Sentence(str(error.detail)))
    name = _KIND_OF_STATUS[error.status_code]
    usual = {404: "nothing exists at this address", 405: "this address does not take this method"}
    return Problem(name, Sentence(usual.get(error.status_code, str(error.detail))), headers=error.headers)


def _query_fault(entry: Mapping[str, object]) -> Fault:
    """A complaint of FastAPI's about a query parameter, a header or a step of the path."""
    location = entry["loc"]
    assert isinstance(location, tuple)
    where = str(location[0]) if location else "query"
    if entry["type"] == "extra_forbidden":
        return Fault.of(
            "unknown-parameter", "unknown {where} parameter {name}", where=where, name=member_name(location[1:])
        )
    context: Any = entry.get("ctx")
    message = shape_message(str(entry["type"]), str(entry["msg"])[:200], location[1:], context)
    return Fault.of("parameter", "{where} parameter {fault}", where=where, fault=message)


def _encodable(part: Any) -> Any:
    """Text without half surrogates, which JSON in UTF-8 cannot carry, and without a secret that it might repeat."""
    return masked(part.encode("utf-8", "replace").decode()) if isinstance(part, str) else part


async def _handle(request: Request, error: Exception) -> Response:
    problem = problem_of(error)
    if problem.kind.name == "method-not-allowed":
        problem.headers["Allow"] = ", ".join(_methods(request)) or problem.headers.get("Allow", "")
    return problem_response(request, problem)


def _methods(request: Request) -> list[str]:
    """Every method of the address (RFC 9110, section 10.2.1). The router names only those of the first fitting route."""
    path = getattr(request.scope.get("route"), "path", None)
    declared: Mapping[str, object] = request.app.openapi().get("paths", {}).get(path, {})
    return sorted(method.upper() for method in declared)


def install(app: FastAPI) -> None:
    """Makes the app answer every error with a problem document. Unforeseen ones are the outer layer's (layers.py)."""
    for kind in (Problem, SetwrightError, HTTPException, RequestValidationError):
        app.add_exception_handler(kind, _handle)
