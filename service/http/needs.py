"""What handlers need: the service's parts, the owner behind the token, the body. Declared in a handler's signature."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request

from service.accounts.actions import recognise
from service.accounts.model import Owner
from service.database.engine import Database
from service.database.identities import read_identity
from service.errors import NotFound, Unwelcome
from service.http.bodies import CSV, JSON, MERGE_PATCH, YAML, read_body
from service.http.limits import Gate
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class Service:
    """The parts of the running service."""

    settings: Settings
    database: Database
    gate: Gate


@dataclass(frozen=True, slots=True)
class Body:
    """A request's body: its media type, its plain value, its bytes."""

    kind: str
    value: Any
    raw: bytes


def _service(request: Request) -> Service:
    state = request.app.state
    return Service(state.settings, state.database, state.gate)


def _token(request: Request) -> str | None:
    header = request.headers.get("authorization")
    if header is None:
        return None
    scheme, _, token = header.partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise Unwelcome("the header Authorization takes the form: Bearer <token>")
    return token.strip()


def _owner(request: Request) -> Owner:
    token = _token(request)
    if token is None:
        raise Unwelcome("this needs an account: send Authorization: Bearer <token>")
    return _service(request).database.read(lambda connection: recognise(connection, token))


def owner_again(request: Request) -> Owner | None:
    """Whose request it is still; None when the token was revoked or expired since it came."""
    try:
        return _owner(request)
    except Unwelcome:
        return None


def _perhaps_owner(request: Request) -> Owner | None:
    token = _token(request)
    if token is None:
        return None
    return _service(request).database.read(lambda connection: recognise(connection, token))


def _body(takes: Sequence[str], limit: str) -> Callable[[Request], Awaitable[Body]]:
    async def read(request: Request) -> Body:
        most_bytes: int = getattr(request.app.state.settings, limit)
        return Body(*await read_body(request, most_bytes=most_bytes, takes=takes))

    return read


def stored_id(kind: str) -> Callable[[str], str]:
    """A dependency that reads the step `{id}` of the path; what is no id names nothing, so it answers 404."""

    def read(id: str) -> str:
        identity = read_identity(id)
        if identity is None:
            raise NotFound(kind, id[:60])
        return identity

    return read


# The owner is asked for before the body: whoever may not write is told so before sending much.
Parts = Annotated[Service, Depends(_service)]
OwnerNeeded = Annotated[Owner, Depends(_owner)]
PerhapsOwner = Annotated[Owner | None, Depends(_perhaps_owner)]
JsonBody = Annotated[Body, Depends(_body((JSON,), "body_bytes"))]
PatchBody = Annotated[Body, Depends(_body((MERGE_PATCH,), "body_bytes"))]
DocumentBody = Annotated[Body, Depends(_body((JSON, YAML), "body_bytes"))]
EvaluationBody = Annotated[Body, Depends(_body((JSON, YAML), "evaluation_body_bytes"))]
TableBody = Annotated[Body, Depends(_body((JSON, CSV), "evaluation_body_bytes"))]
HoldingId = Annotated[str, Depends(stored_id("holding"))]
DefinitionId = Annotated[str, Depends(stored_id("definition"))]
