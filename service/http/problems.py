"""Every kind of problem that the service answers with, in one table, as problem documents (RFC 9457).

Domain errors become problems here and nowhere else; each kind has a page under /problems/ that explains it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import msgspec
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from msgspec import UNSET, Meta, UnsetType
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.accounts.model import ScopeMissing, masked
from service.database.errors import Unreachable
from service.errors import Busy, Fault, FetchError, Invalid, NotAuthenticated, SetwrightError
from service.http.wire import Out
from service.rules.shape_messages import shape_message

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


PROBLEM_KINDS: Mapping[str, ProblemKind] = {
    kind.name: kind
    for kind in (
        ProblemKind(
            "unreadable-body",
            400,
            "Malformed body",
            "The body is not JSON, or it is JSON that two parsers could read differently: duplicate names, NaN "
            "or Infinity, text with a NUL or an unpaired surrogate, whole numbers beyond 2^53, bytes that are "
            "not UTF-8, nesting beyond the limit.",
            "Each entry of `errors` says what is wrong and where. Correct the body and send it again.",
        ),
        ProblemKind(
            "bad-request",
            400,
            "Bad request",
            "A header or another part of the request is malformed.",
            "Correct what `detail` names.",
        ),
        ProblemKind(
            "unwelcome",
            401,
            "Not logged in",
            "The request has no bearer token, or one that is unknown, expired or revoked.",
            "Send `Authorization: Bearer <token>`. The first start of the server printed a token; POST "
            "/v1/account/tokens issues one for a name and a password.",
        ),
        ProblemKind(
            "authorization-pending",
            400,
            "Pairing not approved yet",
            "The owner has neither approved nor denied the device's code yet.",
            "Ask again after `interval` seconds.",
            "authorization_pending",
        ),
        ProblemKind(
            "slow-down",
            400,
            "Polling too often",
            "The pairing is not approved yet, and the device asked again before its interval was over.",
            "Wait five seconds longer between requests from now on.",
            "slow_down",
        ),
        ProblemKind(
            "access-denied",
            400,
            "Pairing denied",
            "The owner denied the device's code.",
            "Start a new pairing if that was a mistake.",
            "access_denied",
        ),
        ProblemKind(
            "expired-token",
            400,
            "Pairing code expired",
            "The device's code is no longer valid.",
            "Start a new pairing.",
            "expired_token",
        ),
        ProblemKind(
            "invalid-grant",
            400,
            "Unknown device code",
            "The device code is unknown, or its token was fetched already.",
            "Start a new pairing.",
            "invalid_grant",
        ),
        ProblemKind(
            "forbidden-scope",
            403,
            "Token lacks a scope",
            "The token is valid, but lacks the scope that this operation needs (`x-scope` in the OpenAPI document).",
            "Use a token with the scope that `detail` names.",
        ),
        ProblemKind(
            "wrong-credentials",
            403,
            "Wrong name, password or invitation",
            "The name or the password is wrong, or the invitation is unknown, used, revoked or expired. The "
            "answer does not say which.",
            "Check what you sent before you try again: each wrong attempt lengthens the delay. Ask for a new "
            "invitation if needed.",
        ),
        ProblemKind(
            "forbidden",
            403,
            "Not allowed",
            "The token is valid, but this account may not do this.",
            "`detail` says who may.",
        ),
        ProblemKind(
            "not-found",
            404,
            "Not found",
            "Nothing exists at this address, or it belongs to another owner; the answer is the same for both.",
            "Check the id; list what is yours.",
        ),
        ProblemKind(
            "method-not-allowed",
            405,
            "Method not allowed",
            "The address exists, but not with this method.",
            "The header `Allow` lists the methods.",
        ),
        ProblemKind(
            "request-timeout",
            408,
            "Request timed out",
            "The body was not received within the time limit.",
            "Send it again over a faster connection.",
        ),
        ProblemKind(
            "clash",
            409,
            "Conflict",
            "It exists already, or the present state does not allow the change.",
            "`detail` says what prevents it.",
        ),
        ProblemKind(
            "unsound",
            409,
            "Definition did not pass the check",
            "The check of the definition found an error (a place that nothing can fill, a rule that never "
            "holds), or a warning that is not acknowledged. Nothing was published.",
            "Each entry of `errors` says what was found, with a pointer into the document. Correct the draft; "
            "warnings can be acknowledged with ?acknowledged=true.",
        ),
        ProblemKind(
            "state-mismatch",
            409,
            "State has changed",
            "`if_in_state` names a state that is no longer the current one. Nothing of the batch was applied.",
            "Fetch the changes, then send the batch on top of them, or without `if_in_state`.",
        ),
        ProblemKind(
            "cannot-calculate-changes",
            410,
            "Changes cannot be calculated",
            "The state comes from another server, or from before a backup was restored, so the changes since "
            "then are unknown.",
            "Start again without a state. Keep every mutation that was not acknowledged, and send your journal "
            "again: nothing is applied twice.",
        ),
        ProblemKind(
            "stale",
            412,
            "Changed since you read it",
            "The `If-Match` header names an older version: it was changed in the meantime. Nothing was written.",
            "Read it again, apply your change to the new version, and send the new `ETag`.",
        ),
        ProblemKind(
            "body-too-large",
            413,
            "Body too large",
            "The body is larger than this operation accepts.",
            "`detail` names the limit.",
        ),
        ProblemKind(
            "unsupported-media-type",
            415,
            "Unsupported content type",
            "The operation does not accept this `Content-Type`, or not in this encoding.",
            "`detail` names what it accepts.",
        ),
        ProblemKind(
            "invalid",
            422,
            "Invalid request",
            "The body could be parsed, but its content is not valid.",
            "Each entry of `errors` says what is wrong, where (a JSON pointer into the body), and what would be right.",
        ),
        ProblemKind(
            "invalid-query",
            422,
            "Invalid query parameter",
            "A query parameter is unknown, or its value is not valid.",
            "Each entry of `errors` names the parameter.",
        ),
        ProblemKind(
            "over-limit",
            422,
            "Limit exceeded",
            "The request is larger or more deeply nested than the service accepts.",
            "Each entry of `errors` names the limit.",
        ),
        ProblemKind(
            "address-not-allowed",
            422,
            "Address not allowed",
            "The service fetches only over https, from named hosts with public addresses, on port 443 or a port "
            "from 1024 on.",
            "`detail` names the reason. Check the link, or fetch the document yourself and send it as a file.",
        ),
        ProblemKind(
            "fetch-failed",
            422,
            "Fetch failed",
            "No host has this name, it cannot be reached, or it did not answer as expected: a share may be "
            "revoked, expired or used up.",
            "Ask the person who gave you the link, or try again later.",
        ),
        ProblemKind(
            "fetch-redirected",
            422,
            "Redirect not followed",
            "The host redirects to another host, or too many times.",
            "Open the link yourself, and use the address that you end up at.",
        ),
        ProblemKind(
            "fetch-too-large",
            422,
            "Fetched document too large",
            "The answer is larger than the service accepts.",
            "`detail` names the limit.",
        ),
        ProblemKind(
            "fetch-too-slow",
            422,
            "Fetch timed out",
            "The answer did not arrive in time, from looking up the name to the last byte.",
            "Try again later.",
        ),
        ProblemKind(
            "fetch-unreadable",
            422,
            "Fetched document cannot be read",
            "It is neither a share nor a set definition: another content type, an encoding that was not asked "
            "for, or malformed JSON or YAML.",
            "`detail` and `errors` say what is wrong. Tell the person who maintains the document.",
        ),
        ProblemKind(
            "digest-mismatch",
            422,
            "Digest does not match",
            "The document's digest (SHA-256 of its canonical form, RFC 8785) is not the one that the link or "
            "you named. Nothing was kept.",
            "Ask the person who gave you the link or the digest.",
        ),
        ProblemKind(
            "idempotency-key-reused",
            422,
            "Idempotency-Key reused",
            "A key stands for one request. This one came before with another body or another address.",
            "Make a new key for a new request; use the old one only to send exactly the same request again.",
        ),
        ProblemKind(
            "precondition-required",
            428,
            "If-Match header missing",
            "Without `If-Match` your change could silently overwrite another one.",
            "Send the `ETag` of the version that you read as `If-Match`.",
        ),
        ProblemKind(
            "too-many-attempts",
            429,
            "Too many attempts",
            "Too many wrong passwords or codes under this name or from this address, or too many pairings "
            "started. Until the time is over even the right one is refused.",
            "Try again after the number of seconds in `Retry-After`.",
        ),
        ProblemKind(
            "asked-too-soon",
            429,
            "Asked again too soon",
            "The origin could not be reached lately. The service waits longer after each failure, from a minute "
            "to a day.",
            "Try again after the number of seconds in `Retry-After`.",
        ),
        ProblemKind(
            "internal",
            500,
            "Internal error",
            "This is a fault of the service, not of your request.",
            "Tell the operator of the server, with the time of the request.",
        ),
        ProblemKind(
            "busy",
            503,
            "Service busy",
            "The service has as much work as it can handle.",
            "Try again after the number of seconds in `Retry-After`.",
        ),
        ProblemKind(
            "not-ready",
            503,
            "Service not ready",
            "The database cannot be reached, or is not at the version that this program needs.",
            "Try again; if it lasts, the operator of the server should check the database.",
        ),
        ProblemKind(
            "quota-full",
            507,
            "Photo quota used up",
            "There is no room for more photos of this holding or of this owner. Nothing was kept.",
            "Delete photos that you no longer need, or ask the operator of the server for a larger quota.",
        ),
        ProblemKind(
            "storage-full",
            507,
            "Storage full",
            "The database has no space left. Nothing was written; reading still works.",
            "The operator of the server should free some space.",
        ),
    )
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
        self, kind: str, detail: str, faults: Sequence[Fault] = (), headers: Mapping[str, str] | None = None
    ) -> None:
        self.kind, self.detail, self.faults, self.headers = (
            PROBLEM_KINDS[kind],
            detail,
            tuple(faults),
            dict(headers or {}),
        )
        super().__init__(detail)


def problem_response(request: Request, problem: Problem) -> Response:
    """The problem document. Text that cannot be encoded is replaced, never an error of its own."""
    kind, faults = problem.kind, problem.faults[:_MOST_FAULTS_SHOWN]
    shown: list[dict[str, Any]] = [
        {name: _encodable(part) for name, part in fault.as_json().items()} for fault in faults
    ]
    document = ProblemOut(
        type=f"{base_url(request)}/problems/{kind.name}",
        title=kind.title,
        status=kind.status,
        detail=_encodable(problem.detail),
        error=kind.error or UNSET,
        errors=[FaultOut(**fault) for fault in shown] or UNSET,
        errors_left_out=len(problem.faults) - len(faults) or UNSET,
    )
    headers = {"Cache-Control": "no-store", **problem.headers}
    return Response(msgspec.json.encode(document), kind.status, headers, MEDIA_TYPE)


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
        return Problem("invalid-query", "; ".join(fault.message for fault in faults), faults)
    if isinstance(error, SetwrightError):
        return _of_domain(error)
    return Problem("internal", "Internal error; the server's log has the details.")


def _of_domain(error: SetwrightError) -> Problem:
    name = error.code
    if isinstance(error, Invalid):
        count = len(error.faults)
        detail = error.faults[0].message if count == 1 else f"{count} errors; see `errors`"
        return Problem(name, error.detail or detail, error.faults)
    if isinstance(error, FetchError):
        return Problem(name, str(error), error.faults)
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
    return Problem(name, str(error), headers=headers)


def _of_http(error: HTTPException) -> Problem:
    if error.status_code not in _KIND_OF_STATUS:
        return Problem("bad-request" if error.status_code < 500 else "internal", str(error.detail))
    name = _KIND_OF_STATUS[error.status_code]
    plain = {404: "nothing exists at this address", 405: "this address does not take this method"}
    return Problem(name, plain.get(error.status_code, str(error.detail)), headers=error.headers)


def _query_fault(entry: Mapping[str, object]) -> Fault:
    """A complaint of FastAPI's about a query parameter, a header or a step of the path."""
    location = entry["loc"]
    assert isinstance(location, tuple)
    where = str(location[0]) if location else "query"
    message = shape_message(str(entry["type"]), str(entry["msg"])[:200], location[1:])
    if entry["type"] == "extra_forbidden":
        return Fault("unknown-parameter", message.replace("field", f"{where} parameter", 1))
    return Fault("parameter", f"{where} parameter {message}")


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
