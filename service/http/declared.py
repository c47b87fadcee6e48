"""Operations declared by hand: goes when the last of them has a signature that says it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request
from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.clubs.model import STEWARD, Membership
from service.formats.strict_json import CSV, JSON, MERGE_PATCH, XLSX, YAML
from service.holdings.photos.images import PHOTO_TYPES
from service.http.conditional import is_known
from service.http.dependencies import CurrentOwner, _admitted
from service.http.openapi import (
    CLUB,
    NEEDS_TOKEN,
    OPEN,
    OWNER,
    PERHAPS,
    _problem_content,
    _problem_example,
    _ref,
    request_header,
)
from service.http.openapi import (
    _model as _name,
)
from service.http.problems import MEDIA_TYPE, PROBLEM_KINDS
from service.http.request_body import read_body
from service.http.responses import PRIVATE, Answer

__all__ = ["OPEN", "OWNER", "PERHAPS"]


def operation(
    name: str,
    summary: str,
    *,
    tag: str,
    access: str,
    scope: str = "",
    answer: type[BaseModel] | str | None,
    status: int = 200,
    body: type[BaseModel] | None = None,
    body_type: str = JSON,
    also_yaml: str = "",
    files: Mapping[str, str] | None = None,
    example: Any = None,
    answer_example: Any = None,
    problems: Sequence[str] = (),
    headers: Mapping[str, str] | None = None,
    conditional: bool = False,
    also_as: Sequence[str] = (),
) -> dict[str, Any]:
    """The keyword arguments that declare an operation to a FastAPI router. `answer` is a model, a media type, or
    None for
    an empty body. `example` is a body that works as it stands, and a test sends it. `also_as` are
    media types of texts that the answer may come as too. `files` are media types of a body that is bytes, each with its
    meaning. `scope` is needed of the token; left out: see scopes_needed."""
    kinds = list(dict.fromkeys([*problems, *_usual_problems(access, body is not None, status, bool(files))]))
    responses: dict[int | str, dict[str, Any]] = {status: _answer(answer, answer_example, headers)}
    for kind in also_as:
        # YAML is read like JSON by whoever looks for a value in it.
        responses[status]["content"][kind] = {"schema": {"type": "object" if kind == YAML else "string"}}
    if conditional:
        responses[304] = {"description": "The caller has this version already."}
    for kind in kinds:
        entry = responses.setdefault(PROBLEM_KINDS[kind].status, {"description": "", "content": _problem_content()})
        entry["description"] = " / ".join(filter(None, [entry["description"], PROBLEM_KINDS[kind].title]))
        entry["content"][MEDIA_TYPE].setdefault("examples", {})[kind] = {"value": _problem_example(kind)}
    extra: dict[str, Any] = {"x-access": access} | ({"x-scope": [scope]} if scope else {})
    if body is not None:
        _name(body)
        extra["requestBody"] = _request_body(body, body_type, also_yaml, example)
    if files:
        extra["requestBody"] = {"required": True, "content": {kind: _file(meaning) for kind, meaning in files.items()}}
    if access != OPEN:
        extra["security"] = [{"token": []}] if access in NEEDS_TOKEN else [{"token": []}, {}]
    return {
        "operation_id": name,
        "summary": summary,
        "tags": [tag],
        "status_code": status,
        "responses": responses,
        "openapi_extra": extra,
        "response_model": None,
        # Answers are made by hand, so FastAPI is to add no answer of its own to the document.
        "response_class": Response,
    }


def with_headers(declared: dict[str, Any], *headers: Mapping[str, Any]) -> dict[str, Any]:
    """The operation with these request headers. They are read by hand, so FastAPI does not know them."""
    extra = {**declared["openapi_extra"], "x-headers": list(headers)}
    return {**declared, "openapi_extra": extra}


def with_csv(declared: dict[str, Any], meaning: str, example: str) -> dict[str, Any]:
    """The operation with a body that may be CSV too."""
    body = declared["openapi_extra"]["requestBody"]
    sheet = {"text/csv": {"schema": {"type": "string", "description": meaning}, "example": example}}
    extra = {**declared["openapi_extra"], "requestBody": {**body, "content": {**body["content"], **sheet}}}
    return {**declared, "openapi_extra": extra}


def with_file(declared: dict[str, Any], kind: str, meaning: str) -> dict[str, Any]:
    """The operation with a body that may be a file of this media type too; it has no example that could stand in JSON."""
    body = declared["openapi_extra"]["requestBody"]
    file = {kind: _file(meaning)}
    extra = {**declared["openapi_extra"], "requestBody": {**body, "content": {**body["content"], **file}}}
    return {**declared, "openapi_extra": extra}


def _usual_problems(access: str, has_body: bool, status: int, has_file: bool) -> Sequence[str]:
    kinds = []
    if access != OPEN:
        kinds += ["unwelcome", "forbidden-scope", "not-ready", "busy"]
    if access in CLUB:
        kinds += ["not-found"]
    if access == STEWARD:
        kinds += ["forbidden"]
    if has_body:
        kinds += ["unreadable-body", "request-timeout", "body-too-large", "unsupported-media-type", "invalid"]
    if has_file:
        kinds += ["request-timeout", "body-too-large", "unsupported-media-type", "invalid"]
    if status == 201 or (access in NEEDS_TOKEN and has_body):
        kinds += ["storage-full"]
    return kinds


def _answer(answer: type[BaseModel] | str | None, example: Any, headers: Mapping[str, str] | None) -> dict[str, Any]:
    made: dict[str, Any] = {"description": "As asked."}
    if headers:
        made["headers"] = {name: {"description": text, "schema": {"type": "string"}} for name, text in headers.items()}
    if isinstance(answer, str):
        is_text = answer.startswith(("text/", "image/"))
        made["content"] = {answer: {"schema": {"type": "string"} if is_text else {"type": "object"}}}
    elif answer is not None:
        _name(answer)
        made["content"] = {JSON: {"schema": _ref(answer.__name__)}}
        if example is not None:
            made["content"][JSON]["example"] = example
    return made


def _request_body(model: type[BaseModel], media_type: str, also_yaml: str, example: Any) -> dict[str, Any]:
    content: dict[str, Any] = {media_type: {"schema": _ref(model.__name__)}}
    if example is not None:
        content[media_type]["example"] = example
    if also_yaml:
        content["application/yaml"] = {"schema": {"type": "string", "description": also_yaml}}
    return {"required": True, "content": content}


def _file(meaning: str) -> dict[str, Any]:
    return {"schema": {"type": "string", "format": "binary", "description": meaning}}


# --- what the operations declared by hand take


@dataclass(frozen=True, slots=True)
class Body:
    """A request's body: its media type, its plain value, its bytes."""

    kind: str
    value: Any
    raw: bytes


def _body(takes: Sequence[str], limit: str) -> Callable[[Request], Awaitable[Body]]:
    async def read(request: Request) -> Body:
        most_bytes: int = getattr(request.app.state.settings, limit)
        kind, value, raw = await read_body(request, most_bytes=most_bytes, takes=takes)
        request.state.body = (kind, raw)
        return Body(kind, value, raw)

    return read


async def _seat(request: Request, owner: CurrentOwner, club_id: str) -> Membership:
    role = request.scope["route"].openapi_extra["x-access"]
    return await run_in_threadpool(_admitted, request, owner, club_id, role)


SeatNeeded = Annotated[Membership, Depends(_seat)]
JsonBody = Annotated[Body, Depends(_body((JSON,), "body_bytes"))]
PatchBody = Annotated[Body, Depends(_body((MERGE_PATCH,), "body_bytes"))]
DocumentBody = Annotated[Body, Depends(_body((JSON, YAML), "body_bytes"))]
EvaluationBody = Annotated[Body, Depends(_body((JSON, YAML), "evaluation_body_bytes"))]
TableBody = Annotated[Body, Depends(_body((JSON, CSV), "evaluation_body_bytes"))]
SheetBody = Annotated[Body, Depends(_body((JSON, CSV, XLSX), "evaluation_body_bytes"))]
PhotoBody = Annotated[Body, Depends(_body(PHOTO_TYPES, "photo_bytes"))]


def not_modified_or(request: Request, tag: str, make: Callable[[], Answer]) -> Response:
    """304 when the caller has this version, else the answer with its entity tag."""
    if is_known(request, tag):
        return Response(status_code=304, headers={**PRIVATE, "ETag": tag})
    answer = make()
    return Answer(answer.value, answer.status, {**answer.headers, "ETag": tag}, answer.media_type).response()


IF_MATCH = request_header("If-Match", "The ETag of the version that you read.", required=True)
IF_NONE_MATCH = request_header(
    "If-None-Match", "ETags of versions that you have; the current one among them gives 304."
)
IDEMPOTENCY_KEY = request_header(
    "Idempotency-Key", "Names this request: sent again with the same key, it happens once."
)
