"""What handlers need: the service's parts, the owner behind the token, the body. Declared in a handler's signature."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import Depends, FastAPI, Request

from service.accounts.actions import identify
from service.accounts.model import Caller, Owner
from service.accounts.store import AccountStore
from service.blobs.store import BlobStore
from service.clubs.actions.members import admit
from service.clubs.model import Membership
from service.database.engine import Database
from service.database.ids import read_id
from service.errors import Forbidden, NotAuthenticated, NotFound, SetwrightError
from service.fetch.client import Fetcher
from service.formats.strict_json import CSV, JSON, MERGE_PATCH, XLSX, YAML
from service.holdings.photos.images import PHOTO_TYPES as PHOTOS
from service.http.openapi import scopes_needed
from service.http.request_body import read_body
from service.runtime import Limiter
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class Service:
    """The parts of the running service."""

    settings: Settings
    database: Database
    gate: Limiter
    photo_gate: Limiter
    shelf: BlobStore
    fetcher: Fetcher
    clock: Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Body:
    """A request's body: its media type, its plain value, its bytes."""

    kind: str
    value: Any
    raw: bytes


def _service(request: Request) -> Service:
    return service_of(request.app)


def service_of(app: FastAPI) -> Service:
    """The parts of an app that has started."""
    state = app.state
    # Only tests put a clock of their own there.
    clock = getattr(state, "clock", _now)
    return Service(state.settings, state.database, state.gate, state.photo_gate, state.shelf, state.fetcher, clock)


def _now() -> datetime:
    return datetime.now(UTC)


def _token(request: Request) -> str | None:
    header = request.headers.get("authorization")
    if header is None:
        return None
    scheme, _, token = header.partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise NotAuthenticated("the header Authorization takes the form: Bearer <token>")
    return token.strip()


def _perhaps_caller(request: Request) -> Caller | None:
    """Whoever sends the token, if there is one. The only place where a token and its scope are looked at."""
    token = _token(request)
    if token is None:
        return None
    parts = _service(request)
    now = parts.clock()
    caller = parts.database.read(lambda connection: identify(connection, token, now))
    caller.ensure(scopes_needed(request.method, request.scope["route"].openapi_extra))
    if caller.token.is_worth_noting(now):
        # That it could not be written is no reason to refuse a request that only reads.
        with suppress(SetwrightError):
            parts.database.write(
                lambda connection: AccountStore(connection).note_use(caller.owner, caller.token.id, now)
            )
    return caller


def owner_again(request: Request) -> Owner | None:
    """Whose request it is still; None when the token was revoked or expired since it came."""
    try:
        caller = _perhaps_caller(request)
    except SetwrightError:
        return None
    return None if caller is None else caller.owner


async def _caller(caller: Annotated[Caller | None, Depends(_perhaps_caller)]) -> Caller:
    if caller is None:
        raise NotAuthenticated("this needs an account: send Authorization: Bearer <token>")
    return caller


async def _inviter(caller: Annotated[Caller, Depends(_caller)]) -> Owner:
    if not caller.account.is_admin:
        raise Forbidden("only the account that was made when the server first started may invite others")
    return caller.owner


async def _owner(caller: Annotated[Caller, Depends(_caller)]) -> Owner:
    return caller.owner


def _seat(request: Request, owner: Annotated[Owner, Depends(_owner)], club_id: str) -> Membership:
    """The owner's seat in the club of the path, in the role that the operation declares. The only place where it is looked at
    on the way in; actions that change something look again once they hold the club."""
    identity, role = read_id(club_id), request.scope["route"].openapi_extra["x-access"]
    if identity is None:
        raise NotFound("club", "...")
    return _service(request).database.read(lambda connection: admit(connection, identity, owner, role))


async def _perhaps_owner(caller: Annotated[Caller | None, Depends(_perhaps_caller)]) -> Owner | None:
    return None if caller is None else caller.owner


def _address(request: Request) -> str | None:
    """Where the request comes from, as the connection says; headers say what their sender likes."""
    return request.client.host if request.client else None


def _body(takes: Sequence[str], limit: str) -> Callable[[Request], Awaitable[Body]]:
    async def read(request: Request) -> Body:
        most_bytes: int = getattr(request.app.state.settings, limit)
        return Body(*await read_body(request, most_bytes=most_bytes, takes=takes))

    return read


def stored_id(kind: str) -> Callable[[str], str]:
    """A dependency that reads the step `{id}` of the path; what is no id names nothing, so it answers 404."""

    def read(id: str) -> str:
        identity = read_id(id)
        if identity is None:
            # Not repeated: somebody may have put a secret there.
            raise NotFound(kind, "...")
        return identity

    return read


def _import_id(import_id: str) -> str:
    return stored_id("import")(import_id)


def _member_id(member_id: str) -> str:
    return stored_id("member")(member_id)


def _invitation_id(invitation_id: str) -> str:
    return stored_id("invitation")(invitation_id)


def _swap_id(swap_id: str) -> str:
    return stored_id("swap")(swap_id)


# The owner is asked for before the body: whoever may not write is told so before sending much.
Parts = Annotated[Service, Depends(_service)]
OwnerNeeded = Annotated[Owner, Depends(_owner)]
CallerNeeded = Annotated[Caller, Depends(_caller)]
SeatNeeded = Annotated[Membership, Depends(_seat)]
InviterNeeded = Annotated[Owner, Depends(_inviter)]
ClientAddress = Annotated[str | None, Depends(_address)]
PerhapsOwner = Annotated[Owner | None, Depends(_perhaps_owner)]
JsonBody = Annotated[Body, Depends(_body((JSON,), "body_bytes"))]
PatchBody = Annotated[Body, Depends(_body((MERGE_PATCH,), "body_bytes"))]
DocumentBody = Annotated[Body, Depends(_body((JSON, YAML), "body_bytes"))]
EvaluationBody = Annotated[Body, Depends(_body((JSON, YAML), "evaluation_body_bytes"))]
TableBody = Annotated[Body, Depends(_body((JSON, CSV), "evaluation_body_bytes"))]
SheetBody = Annotated[Body, Depends(_body((JSON, CSV, XLSX), "evaluation_body_bytes"))]
PhotoBody = Annotated[Body, Depends(_body(PHOTOS, "photo_bytes"))]
ImportId = Annotated[str, Depends(_import_id)]
HoldingId = Annotated[str, Depends(stored_id("holding"))]
DefinitionId = Annotated[str, Depends(stored_id("definition"))]
TokenId = Annotated[str, Depends(stored_id("token"))]
InvitationId = Annotated[str, Depends(stored_id("invitation"))]
DeviceId = Annotated[str, Depends(stored_id("device"))]
ShareId = Annotated[str, Depends(stored_id("share"))]
DefinitionImportId = Annotated[str, Depends(stored_id("import"))]
MemberId = Annotated[str, Depends(_member_id)]
SwapId = Annotated[str, Depends(_swap_id)]
ClubInvitationId = Annotated[str, Depends(_invitation_id)]
