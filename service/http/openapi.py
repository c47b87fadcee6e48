"""The OpenAPI document follows from signatures.

Dependencies describe themselves (`@describes`), the return annotation names the answer, and the route class `Operation`
collects both: access, scope, headers, problems, body, answer. `document(app)` puts the schemas in their place. What an
operation needs of a token is enforced from the same description (dependencies.py).
"""

from __future__ import annotations

import functools
import inspect
import re
from collections.abc import Callable, Coroutine, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, TypeVar, get_args, get_origin, get_type_hints

import msgspec
import msgspec.inspect as mi
from fastapi import APIRouter, FastAPI, Request
from fastapi.dependencies.models import Dependant
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute
from pydantic import BaseModel
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service.accounts.model import EVALUATE, READ, WRITE
from service.clubs.model import MEMBER, STEWARD
from service.facts import recorded
from service.formats.strict_json import JSON, YAML
from service.http.costs import CHARGES_ITSELF, cost_of
from service.http.direct import direct_handler
from service.http.problems import MEDIA_TYPE, PROBLEM_KINDS, ProblemOut
from service.http.responses import Reply, Sends, respond
from service.http.wire import EXAMPLES, UNION_MEMBERS, In, OtherForm, PageOut, json_schema
from service.runtime import in_thread

OPEN, OWNER, PERHAPS = "open", "owner", "owner when something kept here is used"
# For a member or a steward of the club in the path: dependencies.py looks at the role, for every operation alike.
CLUB = (MEMBER, STEWARD)
# From the weakest to the strictest; an operation has the strictest that one of its dependencies asks for.
ACCESS = (OPEN, PERHAPS, OWNER, MEMBER, STEWARD)
# Without a token there is no answer but 401.
NEEDS_TOKEN = (OWNER, *CLUB)

# Where a request's scope has what counts it (quotas.py).
METER = "setwright.meter"
_STANDING = {
    "RateLimit-Policy": "How much a caller may ask for: `q` units in `w` seconds, of an account or of a network "
    "(draft-ietf-httpapi-ratelimit-headers-10). Absent where nothing is limited.",
    "RateLimit": "How many units are left (`r`), and for how many seconds (`t`).",
}

DESCRIPTION = """\
A service for people who build sets of coins by rules. Errors are problem documents (RFC 9457) that say what is wrong,
where, and what would be right. Facts and grades are the owner's opinion: no authentication and no valuation.
"""

F = TypeVar("F", bound=Callable[..., Any])


# --- what a dependency says of every operation that takes it ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RequestBody:
    """The body that a dependency reads: a model in a media type, in other forms besides; or files of these media types, each
    with its meaning."""

    model: type[In] | None = None
    media_type: str = JSON
    files: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Part:
    """What a dependency adds to the description of an operation. `scope`: scopes of which the token has to have one."""

    access: str = OPEN
    scope: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    headers: tuple[Mapping[str, Any], ...] = ()
    body: RequestBody | None = None
    not_modified: bool = False


def describes(**part: Any) -> Callable[[F], F]:
    """Attaches a `Part` to a dependency."""

    def attach(dependency: F) -> F:
        dependency.__part__ = Part(**part)  # type: ignore[attr-defined]
        return dependency

    return attach


def request_header(name: str, meaning: str, *, required: bool = False) -> dict[str, Any]:
    """A request header, as OpenAPI describes it."""
    return {"name": name, "in": "header", "required": required, "description": meaning, "schema": {"type": "string"}}


def problems(*kinds: str) -> dict[int | str, dict[str, Any]]:
    """The `responses=` of an operation whose action may refuse for these reasons, besides what its dependencies say."""
    for kind in kinds:
        assert kind in PROBLEM_KINDS, kind
    return {"problems": {"kinds": kinds}}


# --- the route class ---------------------------------------------------------------------------------------------------


class Operation(APIRoute):
    """A route whose description follows from its function: the operation id is the function's name, the summary the first
    sentence of its docstring, the description the rest, the answer the return annotation."""

    def __init__(self, path: str, endpoint: Callable[..., Any], **options: Any) -> None:
        if not hasattr(endpoint, "__reasons__"):
            endpoint = _answering(endpoint, options)
        function = inspect.unwrap(endpoint)
        summary, *rest = re.split(r"(?<=\.) (?=[A-Z`])", " ".join(inspect.getdoc(function).split()), maxsplit=1)  # type: ignore[union-attr]
        options |= {
            "operation_id": function.__name__,
            "summary": summary.removesuffix("."),
            "description": " ".join(rest) or summary,
            "response_model": None,
            "response_class": Response,
            "responses": None,
            "openapi_extra": None,
        }
        self.cost = cost_of(function.__name__)
        self.charges_itself = function.__name__ in CHARGES_ITSELF
        super().__init__(path, endpoint, **options)
        kinds: Sequence[str] = endpoint.__reasons__  # type: ignore[attr-defined]
        self._describe(get_type_hints(function, include_extras=True).get("return"), kinds)

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        return direct_handler(self.dependant) or super().get_route_handler()

    async def handle(self, scope: Scope, receive: Receive, send: Send) -> None:
        if METER in scope:
            await scope[METER].begin(self)
        await super().handle(scope, receive, send)

    def _describe(self, answer: Any, kinds: Sequence[str]) -> None:
        parts = list(_parts(self.dependant))
        access = max((part.access for part in parts), key=ACCESS.index, default=OPEN)
        bodies = [part.body for part in parts if part.body is not None]
        found = [*kinds, *(kind for part in parts for kind in part.problems)]
        if _has_parameters(self.dependant):
            found.append("invalid-query")
        status, responses = _answer(answer, self.status_code)
        if status == 201 or (access in NEEDS_TOKEN and bodies):
            found.append("storage-full")
        if "storage-full" in found:
            found.append("read-only")
        if any(part.not_modified for part in parts):
            responses[304] = {"description": "The caller has this version already."}
        if self.cost:
            found.append("rate-limited")
        for kind in dict.fromkeys(found):
            _add_problem(responses, kind)
        self.access = access
        extra: dict[str, Any] = {"x-access": access}
        if self.cost:
            extra["x-cost"] = self.cost
            for code in {status, PROBLEM_KINDS["rate-limited"].status}:
                references = {name: {"$ref": f"#/components/headers/{name}"} for name in _STANDING}
                responses[code]["headers"] = {**responses[code].get("headers", {}), **references}
        scope = tuple(name for part in parts for name in part.scope)
        (method,) = self.methods or ("GET",)
        extra["x-scope"] = list(scope or scopes_needed(method, extra))
        headers = [header for part in parts for header in part.headers]
        if headers:
            extra["parameters"] = headers
        if bodies:
            extra["requestBody"] = _request_body(bodies[0])
        # What everybody may use needs a token where anonymous use is switched off.
        is_for_all = access == OPEN and "unwelcome" not in found
        extra["security"] = [] if is_for_all else [{"token": []}] if access in NEEDS_TOKEN else [{"token": []}, {}]
        self.status_code, self.responses, self.openapi_extra = status, responses, extra


def router(prefix: str, tag: str) -> APIRouter:
    """A router of one resource. `tag` is one of TAGS."""
    assert tag in TAGS, tag
    return APIRouter(prefix=prefix, tags=[tag], route_class=Operation)


def _answering(endpoint: Callable[..., Any], options: Mapping[str, Any]) -> Callable[..., Any]:
    """The function, its result made into a response."""
    status = options.get("status_code")
    if inspect.iscoroutinefunction(endpoint):

        @functools.wraps(endpoint)
        async def answer(*args: Any, **named: Any) -> Response:
            return respond(await endpoint(*args, **named), status)

    else:

        @functools.wraps(endpoint)
        async def answer(*args: Any, **named: Any) -> Response:
            return await in_thread(lambda: respond(endpoint(*args, **named), status))

    declared = options.get("responses") or {}
    answer.__reasons__ = declared.get("problems", {}).get("kinds", ())  # type: ignore[attr-defined]
    return answer


def _parts(dependant: Dependant) -> Iterator[Part]:
    for inner in dependant.dependencies:
        part = getattr(inner.call, "__part__", None)
        if part is not None:
            yield part
        yield from _parts(inner)


def _has_parameters(dependant: Dependant) -> bool:
    """Whether FastAPI itself may refuse a parameter: any in the query, and those in the path that are not just texts."""
    checked = [field for field in dependant.path_params if field.field_info.annotation is not str]
    return bool(dependant.query_params or checked) or any(map(_has_parameters, dependant.dependencies))


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
    return (READ,) if method.upper() in ("GET", "HEAD") else (WRITE,)


# --- answers, bodies, problems -------------------------------------------------------------------------------------------

_MODELS: dict[str, type[BaseModel]] = {}
_STRUCTS: dict[str, type[msgspec.Struct]] = {"ProblemOut": ProblemOut}


def _answer(annotation: Any, status: int | None) -> tuple[int, dict[int | str, dict[str, Any]]]:
    """The status and its response, from a return annotation: a struct, `Reply` of one, either with `Sends`; None; or a
    `Response` whose media types `Sends` tells."""
    sends = Sends()
    if get_origin(annotation) is Annotated:
        annotation, *notes = get_args(annotation)
        sends = next((note for note in notes if isinstance(note, Sends)), sends)
    if get_origin(annotation) is Reply:
        (annotation,) = get_args(annotation)
    empty = annotation in (None, type(None))
    status = status or (204 if empty else sends.status)
    made: dict[str, Any] = {"description": sends.meaning}
    if sends.headers:
        made["headers"] = {
            name: {"description": text, "schema": {"type": "string"}} for name, text in sends.headers.items()
        }
    content: dict[str, Any] = {}
    if not empty and annotation is not Response:
        content[JSON] = {"schema": _ref(_struct(annotation))}
    for kind in sends.media:
        # YAML is read like JSON by whoever looks for a value in it.
        content[kind] = {"schema": {"type": "object"} if kind == YAML or kind.endswith("json") else {"type": "string"}}
    if content:
        made["content"] = content
    return status, {status: made}


def component_name(struct: Any) -> str:
    """The name of an answer's schema: a page of XOut is XPageOut."""
    if get_origin(struct) is PageOut:
        return f"{component_name(get_args(struct)[0]).removesuffix('Out')}PageOut"
    name: str = struct.__name__
    return name


def _struct(struct: Any) -> str:
    name = component_name(struct)
    if _STRUCTS.setdefault(name, struct) != struct or name in _MODELS:
        raise TypeError(f"there is a schema {name} already")
    return name


def _model(model: type[BaseModel]) -> str:
    name = model.__name__
    if _MODELS.setdefault(name, model) is not model or name in _STRUCTS:
        raise TypeError(f"there is a schema {name} already, in {_MODELS[name].__module__}")
    return name


def _request_body(body: RequestBody) -> dict[str, Any]:
    content: dict[str, Any] = {kind: _form(OtherForm(text, is_binary=True)) for kind, text in body.files.items()}
    if body.model is not None:
        content[body.media_type] = {"schema": _ref(_model(body.model))}
        names = [base.__name__ for base in body.model.__mro__]
        content[body.media_type] |= _example(*names)
        content |= {kind: _form(form) | _example(f"{names[0]} {kind}") for kind, form in body.model.other_forms.items()}
    return {"required": True, "content": content}


def _form(form: OtherForm) -> dict[str, Any]:
    schema = {"type": "string", **({"format": "binary"} if form.is_binary else {}), "description": form.meaning}
    return {"schema": schema}


def _example(*names: str) -> dict[str, Any]:
    """The first of these that has an example, as a member of a media type."""
    return next(({"example": EXAMPLES[name]} for name in names if name in EXAMPLES), {})


def _add_problem(responses: dict[int | str, dict[str, Any]], kind: str) -> None:
    known = PROBLEM_KINDS[kind]
    entry = responses.setdefault(known.status, {"description": "", "content": _problem_content()})
    entry["description"] = " / ".join(filter(None, [entry["description"], known.title]))
    entry["content"][MEDIA_TYPE].setdefault("examples", {})[kind] = {"value": _problem_example(kind)}


def _problem_content() -> dict[str, Any]:
    return {MEDIA_TYPE: {"schema": _ref("ProblemOut")}}


def _problem_example(kind: str) -> dict[str, Any]:
    known = PROBLEM_KINDS[kind]
    return {"type": f"/problems/{kind}", "title": known.title, "status": known.status, "detail": known.meaning}


def _ref(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


# --- the document --------------------------------------------------------------------------------------------------------

TAGS: Mapping[str, str] = {
    "Evaluations": "A definition against holdings: assignments, explanations, want lists.",
    "Candidates": "Coins that are not owned yet, against a set.",
    "Allocations": "Several sets at once.",
    "Definitions": "Set definitions: drafts, revisions, checks, decisions.",
    "Holdings": "The collection.",
    "Sync": "A device that was offline, and the service.",
    "Imports": "Many holdings at once, from a sheet and back.",
    "Photos": "Photos of a holding.",
    "Catalogue": "Issues: those that come with the service, and the owner's own.",
    "Reference": "Attributes, operators, vocabularies, schemas.",
    "Account": "The account, its tokens, invitations to open one.",
    "Devices": "Pairing a device and naming it.",
    "Sharing": "Links to a revision, copies, origins.",
    "Clubs": "Clubs, their members and what they show one another.",
    "Exhibitions": "A set as it is shown, with loans.",
    "History": "Which coin sat where, and until when.",
    "Insurance": "What is held and what it is said to be worth.",
    "Labels": "Labels for holders, to be printed.",
    "Shares": "Links to one revision of a definition.",
    "Swaps": "Swaps among the members of a club.",
    "Jobs": "Requests that are answered later.",
    "Service": "Health, problems, this document.",
}


def document(app: FastAPI) -> dict[str, Any]:
    """The whole OpenAPI document, made once."""
    if app.openapi_schema is None:
        made = get_openapi(
            title=app.title,
            version=app.version,
            description=DESCRIPTION,
            routes=app.routes,
            openapi_version="3.1.0",
            contact={"name": "Whoever runs this server"},
            license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
            servers=[{"url": "/", "description": "This server."}],
        )
        used = {tag for path in made["paths"].values() for operation in path.values() for tag in operation["tags"]}
        made["tags"] = [{"name": name, "description": text} for name, text in TAGS.items() if name in used]
        made["components"] = {
            "schemas": dict(sorted({**json_schema(_MODELS), **_struct_schemas()}.items())),
            "headers": {name: {"description": text, "schema": {"type": "string"}} for name, text in _STANDING.items()},
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer", "description": "A token of the owner's: swt_..."}
            },
        }
        for path in made["paths"].values():
            for operation in path.values():
                _replace_own_422(operation)
        app.openapi_schema = made
    return app.openapi_schema


def encoded(app: FastAPI) -> bytes:
    """The document as it is served and committed."""
    return msgspec.json.format(msgspec.json.encode(document(app)), indent=1) + b"\n"


def _struct_schemas() -> dict[str, Any]:
    """The schemas of all answers, and of what they are made of."""
    for option in UNION_MEMBERS:
        _struct(option)
    _, found = msgspec.json.schema_components(list(_STRUCTS.values()), ref_template="#/components/schemas/{name}")
    pages = {f"PageOut_{get_args(s)[0].__name__}_": name for name, s in _STRUCTS.items() if get_origin(s) is PageOut}
    for schema in found.values():
        schema.pop("title", None)
    for struct in _structs(mi.multi_type_info(_STRUCTS.values())):
        for member in struct.fields:
            if any(isinstance(kind, mi.DateTimeType) for kind in _inner(member.type)):
                _set_date_time(found[struct.cls.__name__]["properties"][member.encode_name])
    return {**recorded.SCHEMAS, **{pages.get(name, name): _as_sent(schema) for name, schema in found.items()}}


def _structs(kinds: Iterable[mi.Type]) -> Iterator[mi.StructType]:
    """Every struct that the types are made of, once."""
    waiting, seen = list(kinds), set()
    while waiting:
        for kind in _inner(waiting.pop()):
            if isinstance(kind, mi.StructType) and kind.cls not in seen:
                seen.add(kind.cls)
                waiting.extend(member.type for member in kind.fields)
                yield kind


def _inner(kind: mi.Type) -> Iterator[mi.Type]:
    """The type and those inside it, but not the members of a struct."""
    yield kind
    for name in ("type", "types", "item_type", "item_types", "value_type"):
        inner = getattr(kind, name, ())
        for part in inner if isinstance(inner, tuple) else (inner,):
            yield from _inner(part)


def _set_date_time(schema: dict[str, Any]) -> None:
    """Every instant is in UTC, and so a date-time of RFC 3339, which msgspec cannot know."""
    for part in (schema, *schema.get("anyOf", ()), schema.get("items", {}), schema.get("additionalProperties", {})):
        if isinstance(part, dict) and part.get("type") == "string":
            part["format"] = "date-time"


def _as_sent(schema: Any) -> Any:
    """The schema of what the encoder writes: decimals as numbers; true alone as a boolean, for generators."""
    if isinstance(schema, list):
        return [_as_sent(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    if schema.get("format") == "decimal":
        return {**{name: part for name, part in schema.items() if name != "format"}, "type": "number"}
    if schema.get("enum") in ([True], [False]):
        return {**{name: part for name, part in schema.items() if name != "enum"}, "type": "boolean"}
    return {name: _as_sent(part) for name, part in schema.items()}


def _replace_own_422(operation: dict[str, Any]) -> None:
    """FastAPI's own shape of a 422 is never sent: problems.py answers in its place."""
    unprocessable = operation["responses"].get("422")
    if unprocessable and "HTTPValidationError" in str(unprocessable.get("content", {})):
        operation["responses"]["422"] = {
            "description": PROBLEM_KINDS["invalid-query"].title,
            "content": _problem_content(),
        }
