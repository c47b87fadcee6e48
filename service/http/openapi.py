"""The OpenAPI document: what FastAPI cannot know, since bodies and answers do not go through its models, is added here.

`operation(...)` describes an operation where it is declared; `document(app)` puts the schemas in their place.
An operation without an access rule cannot be declared. The scope that a token needs is declared with it, or follows from
access and method; needs.py enforces what stands here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic import BaseModel
from starlette.responses import Response

from service.accounts.model import EVALUATE, READ, WRITE
from service.clubs.model import MEMBER, STEWARD
from service.formats.strict_json import JSON, YAML
from service.http.problems import MEDIA_TYPE, PROBLEM_KINDS
from service.http.schemas.common import json_schema
from service.http.schemas.problems import ProblemOut

OPEN, OWNER, PERHAPS = "open", "owner", "owner when something kept here is used"
# For a member or a steward of the club in the path: needs.py looks at the role, for every operation alike.
CLUB = (MEMBER, STEWARD)
ACCESS = (OPEN, OWNER, PERHAPS, *CLUB)
# Without a token there is no answer but 401.
NEEDS_TOKEN = (OWNER, *CLUB)

_MODELS: dict[str, type[BaseModel]] = {"ProblemOut": ProblemOut}

DESCRIPTION = """\
A service for people who build sets of coins by rules. Errors are problem documents (RFC 9457) that say what is wrong,
where, and what would be right. Facts and grades are the owner's opinion: no authentication and no valuation.
"""


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


def scopes_needed(method: str, declared: Mapping[str, Any]) -> Sequence[str]:
    """The scopes of which a token has to have one; none where everybody may. `declared` has `x-access`, and perhaps
    `x-scope`; without that one reads with `read`, changes with `write`, and has one's things evaluated with either
    `evaluate` or `read`."""
    access = declared["x-access"]
    if access == OPEN:
        return ()
    if "x-scope" in declared:
        return tuple(declared["x-scope"])
    if access == PERHAPS:
        return (EVALUATE, READ)
    return (READ,) if method.upper() == "GET" else (WRITE,)


def header(name: str, meaning: str, *, required: bool = False) -> dict[str, Any]:
    """A request header, as OpenAPI describes it."""
    return {"name": name, "in": "header", "required": required, "description": meaning, "schema": {"type": "string"}}


IF_MATCH = header("If-Match", "The ETag of the version that you read.", required=True)
IF_NONE_MATCH = header("If-None-Match", "ETags of versions that you have; the current one among them gives 304.")
IDEMPOTENCY_KEY = header("Idempotency-Key", "Names this request: sent again with the same key, it happens once.")


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


def document(app: FastAPI) -> dict[str, Any]:
    """The whole OpenAPI document, made once."""
    if app.openapi_schema is None:
        made = get_openapi(
            title=app.title, version=app.version, description=DESCRIPTION, routes=app.routes, openapi_version="3.1.0"
        )
        components = made.setdefault("components", {})
        # FastAPI's own shape of a 422 is never sent: problems.py answers in its place.
        own = {
            k: v
            for k, v in components.get("schemas", {}).items()
            if k not in ("HTTPValidationError", "ValidationError")
        }
        components["schemas"] = {**own, **json_schema(dict(sorted(_MODELS.items())))}
        components["securitySchemes"] = {
            "token": {"type": "http", "scheme": "bearer", "description": "A token of the owner's: swt_..."}
        }
        for path in made["paths"].values():
            for method, declared in path.items():
                _mend(declared)
                declared["x-scope"] = list(scopes_needed(method, declared))
        app.openapi_schema = made
    return app.openapi_schema


def encoded(app: FastAPI) -> bytes:
    """The document as it is served and committed."""
    return msgspec.json.format(msgspec.json.encode(document(app)), indent=1) + b"\n"


def _mend(declared: dict[str, Any]) -> None:
    parameters = [*declared.get("parameters", []), *declared.pop("x-headers", [])]
    if parameters:
        declared["parameters"] = parameters
    unprocessable = declared["responses"].get("422")
    if unprocessable and "HTTPValidationError" in str(unprocessable.get("content", {})):
        declared["responses"]["422"] = {
            "description": PROBLEM_KINDS["invalid-query"].title,
            "content": _problem_content(),
        }


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


def _name(model: type[BaseModel]) -> None:
    """Two models of one name would stand in each other's place in the document."""
    if _MODELS.setdefault(model.__name__, model) is not model:
        raise TypeError(f"there is a model {model.__name__} already, in {_MODELS[model.__name__].__module__}")


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


def _problem_content() -> dict[str, Any]:
    return {MEDIA_TYPE: {"schema": _ref("ProblemOut")}}


def _problem_example(kind: str) -> dict[str, Any]:
    known = PROBLEM_KINDS[kind]
    return {"type": f"/problems/{kind}", "title": known.title, "status": known.status, "detail": known.meaning}


def _ref(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}
