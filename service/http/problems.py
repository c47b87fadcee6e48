"""Every kind of problem that the service answers with, in one table, as problem documents (RFC 9457).

Domain errors become problems here and nowhere else; each kind has a page under /problems/ that explains it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.accounts.model import ScopeMissing, masked
from service.database.errors import Unreachable
from service.errors import Busy, Fault, FetchError, Invalid, NotAuthenticated, SetwrightError

MEDIA_TYPE = "application/problem+json"


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
            "The body cannot be read exactly",
            "The body is no JSON, or JSON that two readers could understand differently: doubled names, NaN or "
            "Infinity, "
            "text with a NUL or half a surrogate pair, whole numbers past 2^53, bytes that are no UTF-8, nesting "
            "past the limit.",
            "Each entry of `errors` says what and where. Mend the body and send it again.",
        ),
        ProblemKind(
            "bad-request",
            400,
            "The request cannot be understood",
            "A header or another part of the request is not well formed.",
            "Mend what `detail` names.",
        ),
        ProblemKind(
            "unwelcome",
            401,
            "A valid token is needed",
            "The request has no bearer token, or one that is unknown, expired or revoked.",
            "Send `Authorization: Bearer <token>`. The first start of the server printed a token once; POST /v1/account/tokens "
            "gives one for a name and a password.",
        ),
        ProblemKind(
            "authorization-pending",
            400,
            "The pairing waits for its owner",
            "Nobody has approved or denied the device's code yet.",
            "Ask again after `interval` seconds.",
            "authorization_pending",
        ),
        ProblemKind(
            "slow-down",
            400,
            "The device asks too often",
            "The pairing waits for its owner, and the device asked again before its interval was over.",
            "Wait five seconds longer between questions from now on.",
            "slow_down",
        ),
        ProblemKind(
            "access-denied",
            400,
            "The pairing was denied",
            "The owner said no to the device's code.",
            "Begin a new pairing if that was a mistake.",
            "access_denied",
        ),
        ProblemKind(
            "expired-token",
            400,
            "The pairing took too long",
            "The device's code is no longer valid.",
            "Begin a new pairing.",
            "expired_token",
        ),
        ProblemKind(
            "invalid-grant",
            400,
            "There is no such pairing",
            "The device code is unknown, or its token was fetched already.",
            "Begin a new pairing.",
            "invalid_grant",
        ),
        ProblemKind(
            "forbidden-scope",
            403,
            "The token does not allow this",
            "The token is valid, but it has not the scope that this operation needs (`x-scope` in the OpenAPI document).",
            "Use a token with the scope that `detail` names.",
        ),
        ProblemKind(
            "wrong-credentials",
            403,
            "Name, password or invitation do not hold",
            "The name or the password is wrong, or the invitation is unknown, used, revoked or expired. Which of them is not "
            "told.",
            "Try again with care: wrong attempts cost a growing delay. Ask for a new invitation.",
        ),
        ProblemKind(
            "forbidden",
            403,
            "This account may not do this",
            "The token is valid, but the account is not one that may do this.",
            "`detail` says who may.",
        ),
        ProblemKind(
            "not-found",
            404,
            "There is no such thing",
            "Nothing is kept under this address, or it is another owner's, which looks the same from outside.",
            "Check the id; list what is yours.",
        ),
        ProblemKind(
            "method-not-allowed",
            405,
            "The method does not fit the address",
            "The address exists, but not with this method.",
            "The header `Allow` lists the methods that it has.",
        ),
        ProblemKind(
            "request-timeout",
            408,
            "The request came too slowly",
            "The body was not received within the time allowed.",
            "Send it again over a better line.",
        ),
        ProblemKind(
            "clash",
            409,
            "Something is in the way",
            "It is there already, or what stands there does not allow the change.",
            "`detail` says what is in the way.",
        ),
        ProblemKind(
            "unsound",
            409,
            "The definition should not be published as it is",
            "The check of the definition found an error (a place that nothing can fill, a rule that never holds), or a warning "
            "that nobody acknowledged. Nothing was published.",
            "Each entry of `errors` says what was found, with a pointer into the document. Mend the draft; warnings can be "
            "acknowledged with ?acknowledged=true.",
        ),
        ProblemKind(
            "state-mismatch",
            409,
            "The state is another one by now",
            "`if_in_state` names a state that the holdings have left. Nothing of the batch was applied.",
            "Ask for the changes, then send the batch on top of them, or without `if_in_state`.",
        ),
        ProblemKind(
            "cannot-calculate-changes",
            410,
            "This history does not contain that state",
            "The state comes from another server, or from a history that was replaced by a backup, so that changes since "
            "cannot be told.",
            "Start over without a state. Keep every mutation that was not acknowledged, and send your journal again: nothing "
            "happens twice.",
        ),
        ProblemKind(
            "stale",
            412,
            "It changed since you read it",
            "The `If-Match` header names an older version: somebody changed the thing meanwhile. Nothing was written.",
            "Read it again, look at what changed, make your change on that, and send the new `ETag`.",
        ),
        ProblemKind(
            "body-too-large",
            413,
            "The body is too large",
            "The body is longer than this operation takes.",
            "`detail` names the limit.",
        ),
        ProblemKind(
            "unsupported-media-type",
            415,
            "The content type does not fit",
            "The operation does not take this `Content-Type`, or not in this encoding.",
            "`detail` names what it takes.",
        ),
        ProblemKind(
            "invalid",
            422,
            "What was sent is not right",
            "The body could be read, but it does not say something that the service can act on.",
            "Each entry of `errors` says what is wrong, where (a JSON pointer into the body), and what would be right.",
        ),
        ProblemKind(
            "invalid-query",
            422,
            "A query parameter is not right",
            "A parameter in the address is unknown, or its value does not fit.",
            "Each entry of `errors` names the parameter.",
        ),
        ProblemKind(
            "over-limit",
            422,
            "Past a limit",
            "What was sent is larger or deeper than the service works through.",
            "Each entry of `errors` names the limit.",
        ),
        ProblemKind(
            "address-not-allowed",
            422,
            "This address is not fetched from",
            "The service fetches by https from hosts with a name and public addresses, on port 443 or one from 1024 on. Nothing "
            "else is dialled, whatever way it is written.",
            "`detail` says what is in the way. Check the link, or fetch the document yourself and send it as a file.",
        ),
        ProblemKind(
            "fetch-failed",
            422,
            "Nothing could be fetched",
            "There is no host of this name, it cannot be reached, or it did not answer as it should: a share may be revoked, "
            "expired or used up.",
            "Ask whoever gave you the link; or try again later.",
        ),
        ProblemKind(
            "fetch-redirected",
            422,
            "The address leads elsewhere",
            "The host sends its callers to another host, or around too often. That is not followed.",
            "Open the link yourself, and take the address at which you end up.",
        ),
        ProblemKind(
            "fetch-too-large",
            422,
            "What would be fetched is too large",
            "What the address answers is longer than the service takes.",
            "`detail` names the limit.",
        ),
        ProblemKind(
            "fetch-too-slow",
            422,
            "Fetching takes too long",
            "The answer was not there in time, from looking up the name to the last byte.",
            "Try again later.",
        ),
        ProblemKind(
            "fetch-unreadable",
            422,
            "What was fetched cannot be read",
            "It is no share and no set definition: another content type, an encoding that was not asked for, or no JSON or YAML "
            "that can be read exactly.",
            "`detail` and `errors` say what is wrong. Tell whoever keeps the document.",
        ),
        ProblemKind(
            "digest-mismatch",
            422,
            "It is another document than was said",
            "The document's digest (SHA-256 of its canonical form, RFC 8785) is not the one that the link or you named. "
            "Nothing was kept.",
            "Ask whoever gave you the link or the digest.",
        ),
        ProblemKind(
            "idempotency-key-reused",
            422,
            "The Idempotency-Key was used for another request",
            "A key stands for one request. It came before with another body or another address.",
            "Make a new key for a new request; use the old one only to send the very same request again.",
        ),
        ProblemKind(
            "precondition-required",
            428,
            "Say which version you are changing",
            "Without `If-Match` your change could silently undo somebody else's.",
            "Send the `ETag` of the version that you read as `If-Match`.",
        ),
        ProblemKind(
            "too-many-attempts",
            429,
            "Too many attempts",
            "Too many passwords or codes were wrong under this name or from this address, or too many pairings were begun. "
            "Not even the right one is looked at until the time is over.",
            "Try again after the number of seconds in `Retry-After`.",
        ),
        ProblemKind(
            "asked-too-soon",
            429,
            "Asked again too soon",
            "The origin could not be asked lately. The service waits longer after each failure, from a minute to a day.",
            "Try again after the number of seconds in `Retry-After`.",
        ),
        ProblemKind(
            "internal",
            500,
            "The service made a mistake",
            "This is a fault of the service, not of your request.",
            "Tell whoever runs the server, with the time of the request.",
        ),
        ProblemKind(
            "busy",
            503,
            "Too much at once",
            "The service has as much work as it can take.",
            "Try again after the number of seconds in `Retry-After`.",
        ),
        ProblemKind(
            "not-ready",
            503,
            "The service is not ready",
            "The database cannot be reached, or is not at the version that this program needs.",
            "Try again; if it lasts, whoever runs the server should look at the database.",
        ),
        ProblemKind(
            "quota-full",
            507,
            "No room left for more photos",
            "The owner's photos, or those of one holding, are as many as they may be. Nothing was kept.",
            "Delete photos that you no longer need, or ask whoever runs the server for a larger quota.",
        ),
        ProblemKind(
            "storage-full",
            507,
            "No room left",
            "The database has no room left. Nothing was written; reading goes on.",
            "Whoever runs the server should make room.",
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
    kind = problem.kind
    document: dict[str, object] = {
        "type": f"{base_url(request)}/problems/{kind.name}",
        "title": kind.title,
        "status": kind.status,
        "detail": _encodable(problem.detail),
    }
    if kind.error:
        document["error"] = kind.error
    if problem.faults:
        shown = problem.faults[:_MOST_FAULTS_SHOWN]
        document["errors"] = [{name: _encodable(part) for name, part in fault.as_json().items()} for fault in shown]
        if len(problem.faults) > len(shown):
            document["errors_left_out"] = len(problem.faults) - len(shown)
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
    return Problem("internal", "The service made a mistake; it is written to its log.")


def _of_domain(error: SetwrightError) -> Problem:
    name = error.code
    if isinstance(error, Invalid):
        count = len(error.faults)
        detail = error.faults[0].message if count == 1 else f"{count} faults; see `errors`"
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
    plain = {404: "there is nothing at this address", 405: "this address does not have this method"}
    return Problem(name, plain.get(error.status_code, str(error.detail)), headers=error.headers)


def _query_fault(entry: Mapping[str, object]) -> Fault:
    """A complaint of FastAPI's about a query parameter, a header or a step of the path."""
    location = entry["loc"]
    assert isinstance(location, tuple)
    where, name = (str(location[0]), str(location[-1])[:80]) if location else ("query", "?")
    if entry["type"] == "extra_forbidden":
        return Fault("unknown-parameter", f"there is no {where} parameter '{name}' here")
    return Fault("parameter", f"{where} parameter '{name}': {str(entry['msg'])[:200].lower()}")


def _encodable(part: object) -> object:
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
