"""What operations take in their signatures: the service's parts, the caller, the body. Each says what it adds to the
description of the operation (openapi.py)."""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Annotated, Any, Generic, TypeVar

from fastapi import Depends, FastAPI, Path, Request
from starlette.datastructures import State

from service import runtime
from service.accounts.actions import known
from service.accounts.model import ADMIN, SCOPES, Caller, Owner
from service.accounts.store import CALLER as CALLER_ROW
from service.accounts.store import AccountStore, caller_of
from service.clubs.actions.members import admit
from service.clubs.model import MEMBER, STEWARD, Membership
from service.database.ids import read_id
from service.errors import Fault, Forbidden, Invalid, NotAuthenticated, NotFound, Sentence, SetwrightError
from service.formats.strict_json import JSON, MERGE_PATCH
from service.http.elsewhere import CALLER, DEADLINE, Deadline
from service.http.gate import ACCEPTED
from service.http.known_callers import KnownCallers, digest_of
from service.http.openapi import METER, OPEN, OWNER, PERHAPS, RequestBody, describes, request_header, scopes_needed
from service.http.quotas import Meter
from service.http.request_body import read_body
from service.http.wire import In, read
from service.settings import Settings

M = TypeVar("M", bound=In)
_DIGEST = re.compile("[0-9a-f]{64}")


# --- the parts of the service --------------------------------------------------------------------------------------------


_PARTS = tuple(part.name for part in fields(runtime.Context))


class Parts(State):
    """What an app has. The context that is made of it is kept until something is replaced: every request asks for it."""

    def __init__(self) -> None:
        super().__init__()
        self._let_go()

    def __setattr__(self, key: Any, value: Any) -> None:
        super().__setattr__(key, value)
        self._let_go()

    def __delattr__(self, key: Any) -> None:
        super().__delattr__(key)
        self._let_go()

    def _let_go(self) -> None:
        # Past the attributes that are the app's.
        object.__setattr__(self, "_context", None)

    def context(self) -> runtime.Context:
        """The parts of an app that has started."""
        made: runtime.Context | None = self._context
        if made is None:
            made = runtime.Context(**{name: getattr(self, name) for name in _PARTS})
            object.__setattr__(self, "_context", made)
        return made


def set_context(app: FastAPI, context: runtime.Context) -> None:
    """Gives the app its parts, each by its name in `app.state`, where a test may replace it."""
    for name in _PARTS:
        setattr(app.state, name, getattr(context, name))


def context_of(app: FastAPI) -> runtime.Context:
    """The parts of an app that has started."""
    context: runtime.Context = app.state.context()
    return context


# What does not wait is a coroutine all the same: of a plain function FastAPI makes a call in a thread.
async def _context(request: Request) -> runtime.Context:
    return context_of(request.app)


async def _address(request: Request) -> str | None:
    """Where the request comes from (client_address.py)."""
    return request.client.host if request.client else None


Context = Annotated[runtime.Context, Depends(_context)]
ClientAddress = Annotated[str | None, Depends(_address)]


# --- the caller ----------------------------------------------------------------------------------------------------------

# Set in the scope of a request that has a valid token: all that the log tells of a caller.
IS_ACCOUNT = "setwright.is_account"
_TOKEN_PROBLEMS = ("unwelcome", "forbidden-scope", "not-ready", "busy")


async def _identified(request: Request) -> Caller | None:
    """The owner of the token, if one is sent. The only place where a token is looked at."""
    if "authorization" not in request.headers:
        return None
    digest = digest_of(request.scope)
    if digest is None:
        raise NotAuthenticated("the header Authorization takes the form: Bearer <token>")
    context = context_of(request.app)
    caller = caller_of(await context.look_up(CALLER_ROW, digest=digest), digest, context.now())
    callers: KnownCallers = request.app.state.known_callers
    callers.accept(digest) if caller is not None else callers.forget(digest)
    return known(caller)


async def _allowed(request: Request, caller: Caller) -> Caller:
    """The caller, whose token has a scope that the operation needs. The only place where scopes are looked at."""
    needed = scopes_needed(request.method, request.scope["route"].openapi_extra)
    if needed:
        caller.ensure(needed)
    context = context_of(request.app)
    now = context.now()
    if caller.token.is_worth_noting(now):
        # That it could not be written is no reason to refuse a request that only reads.
        with suppress(SetwrightError):
            await context.write(
                lambda connection: AccountStore(connection).note_use(caller.owner, caller.token.id, now)
            )
    return caller


async def still_authenticated(request: Request) -> Owner | None:
    """The owner of a request that takes long; None when its token was revoked or expired since it came."""
    try:
        caller = await _identified(request)
        return None if caller is None else (await _allowed(request, caller)).owner
    except SetwrightError:
        return None


async def _charged_caller(request: Request) -> Caller | None:
    """The caller, whose account the request is charged to; a token that is nobody's counts as an anonymous request."""
    meter: Meter = request.scope[METER]
    try:
        caller = await _identified(request)
    except NotAuthenticated:
        await meter.charge_stranger()
        raise
    if caller is None:
        return None
    await meter.charge_account(caller.owner.id)
    return await _allowed(request, caller)


# Of a request that several of these ask, the caller is looked up once. They call one another rather than depend on one another:
# to FastAPI each step of a chain is half as much work as the look-up.
async def _found_caller(request: Request) -> Caller | None:
    if CALLER not in request.scope:
        found = request.scope[CALLER] = await _charged_caller(request)
        if found is not None:
            request.scope[IS_ACCOUNT] = True
            _come_in(request)
        return found
    known_before: Caller | None = request.scope[CALLER]
    return known_before


def _come_in(request: Request) -> None:
    """Whoever came as a stranger has the place and the time of an account from here on."""
    if ACCEPTED in request.scope:
        request.scope[ACCEPTED]()
    deadline: Deadline | None = request.scope.get(DEADLINE)
    if deadline is not None:
        deadline.extend(request.app.state.settings.request_seconds)


@describes(access=OWNER, problems=_TOKEN_PROBLEMS)
async def _caller(request: Request) -> Caller:
    caller = await _found_caller(request)
    if caller is None:
        raise NotAuthenticated("this needs an account: send Authorization: Bearer <token>")
    return caller


@describes(access=OWNER, problems=_TOKEN_PROBLEMS, scope=(ADMIN,))
async def _account_caller(request: Request) -> Caller:
    return await _caller(request)


@describes(access=OWNER, problems=_TOKEN_PROBLEMS, scope=SCOPES)
async def _any_caller(request: Request) -> Caller:
    return await _caller(request)


@describes(access=OWNER, problems=("forbidden", *_TOKEN_PROBLEMS), scope=(ADMIN,))
async def _administrator(request: Request) -> Owner:
    caller = await _caller(request)
    if not caller.account.is_admin:
        raise Forbidden("only the account that was made when the server first started may invite others")
    return caller.owner


@describes(access=OWNER, problems=_TOKEN_PROBLEMS)
async def _owner(request: Request) -> Owner:
    return (await _caller(request)).owner


@describes(access=PERHAPS, problems=_TOKEN_PROBLEMS)
async def _optional_owner(request: Request) -> Owner | None:
    caller = await _visitor(request)
    return None if caller is None else caller.owner


@describes(problems=_TOKEN_PROBLEMS)
async def _visitor(request: Request) -> Caller | None:
    """Somebody with an account, or anybody where anonymous use is allowed (`SETWRIGHT_ANONYMOUS`)."""
    settings: Settings = request.app.state.settings
    if settings.anonymous and request.scope["route"].access == OPEN:
        # What is the same for everybody does not look at tokens.
        return None
    caller = await _found_caller(request)
    if caller is None and not settings.anonymous:
        raise NotAuthenticated("this server serves accounts alone: send Authorization: Bearer <token>")
    return caller


async def _admitted(request: Request, owner: Owner, club_id: str, role: str) -> Membership:
    identity = _checked_id("club", club_id)
    return await context_of(request.app).read(lambda connection: admit(connection, identity, owner, role))


@describes(access=MEMBER, problems=("not-found",))
async def _member(request: Request, owner: Annotated[Owner, Depends(_owner)], club_id: str) -> Membership:
    """The owner's membership in the club of the path. This and `_steward` are the only places where it is looked at on the way
    in; actions that change something look again once they hold the club."""
    return await _admitted(request, owner, club_id, MEMBER)


@describes(access=STEWARD, problems=("not-found", "forbidden"))
async def _steward(request: Request, owner: Annotated[Owner, Depends(_owner)], club_id: str) -> Membership:
    return await _admitted(request, owner, club_id, STEWARD)


CurrentCaller = Annotated[Caller, Depends(_caller)]
# For the account itself: its tokens, password, devices, invitations.
AccountCaller = Annotated[Caller, Depends(_account_caller)]
# With a token of whatever scope.
AnyCaller = Annotated[Caller, Depends(_any_caller)]
Administrator = Annotated[Owner, Depends(_administrator)]
CurrentOwner = Annotated[Owner, Depends(_owner)]
Visitor = Annotated[Caller | None, Depends(_visitor)]
OptionalOwner = Annotated[Owner | None, Depends(_optional_owner)]
CurrentMember = Annotated[Membership, Depends(_member)]
Steward = Annotated[Membership, Depends(_steward)]


# --- ids in the path -----------------------------------------------------------------------------------------------------


def _checked_id(kind: str, text: str) -> str:
    identity = read_id(text)
    if identity is None:
        # Not repeated: somebody may have put a secret there.
        raise NotFound(kind, "...")
    return identity


def stored_id(kind: str, step: str = "id") -> Callable[[str], Awaitable[str]]:
    """A dependency that reads a step of the path (`{id}`); what is no id names nothing, so it answers 404."""

    @describes(problems=("not-found",))
    async def read_it(text: str = Path(alias=step)) -> str:
        return _checked_id(Sentence(kind), text)

    return read_it


@describes(problems=("not-found",))
async def _photo_digest(sha256: str = Path()) -> str:
    """A SHA-256 in the path, in hexadecimal; what is none names no photo."""
    found = sha256.lower()
    if _DIGEST.fullmatch(found) is None:
        raise NotFound("photo", "...")
    return found


HoldingId = Annotated[str, Depends(stored_id("holding"))]
DefinitionId = Annotated[str, Depends(stored_id("definition"))]
TokenId = Annotated[str, Depends(stored_id("token"))]
InvitationId = Annotated[str, Depends(stored_id("invitation"))]
DeviceId = Annotated[str, Depends(stored_id("device"))]
ShareId = Annotated[str, Depends(stored_id("share"))]
DefinitionImportId = Annotated[str, Depends(stored_id("import"))]
ImportId = Annotated[str, Depends(stored_id("import", "import_id"))]
PhotoId = Annotated[str, Depends(stored_id("photo", "photo_id"))]
PhotoDigest = Annotated[str, Depends(_photo_digest)]
MemberId = Annotated[str, Depends(stored_id("member", "member_id"))]
SwapId = Annotated[str, Depends(stored_id("swap", "swap_id"))]
ClubInvitationId = Annotated[str, Depends(stored_id("invitation", "invitation_id"))]


# --- the body ------------------------------------------------------------------------------------------------------------

_BODY_PROBLEMS = ("unreadable-body", "request-timeout", "body-too-large", "unsupported-media-type", "invalid")
_FILE_PROBLEMS = ("request-timeout", "body-too-large", "unsupported-media-type", "invalid")


@dataclass(frozen=True, slots=True)
class Received(Generic[M]):
    """A body that is not looked at yet: its media type, its plain value, its bytes; `declared` is the media type with its
    parameters."""

    model: type[M]
    kind: str
    value: Any
    raw: bytes
    declared: str = ""

    def read(self) -> M:
        """The value as its model. Raises Invalid with every fault, pointers into the body."""
        return read(self.model, self.value)

    def read_with_facts(self, check: Callable[[dict[str, Any]], Iterable[Fault]]) -> M:
        """The same; when another member is not valid, what `check` finds in `facts` is reported as well."""
        try:
            return self.read()
        except Invalid as refusal:
            facts = self.value.get("facts") if isinstance(self.value, dict) else None
            if not isinstance(facts, dict):
                raise
            raise Invalid([*refusal.faults, *check(facts)]) from None


async def _received(request: Request, model: type[M], media_type: str) -> Received[M]:
    most_bytes: int = getattr(request.app.state.settings, model.body_limit)
    files = [kind for kind, form in model.other_forms.items() if form.is_binary]
    takes = (media_type, *model.other_forms)
    read_it = read_body(
        request,
        most_bytes=most_bytes,
        takes=takes,
        files=files,
        codings=model.codings,
        by_parts=model.is_read_by_parts,
    )
    kind, value, raw = await read_it
    # For the fingerprint of a request that may be sent again.
    request.state.body = (kind, raw)
    return Received(model, kind, value, raw, request.headers.get("content-type", ""))


def _coding_header(model: type[In]) -> tuple[dict[str, Any], ...]:
    if not model.codings:
        return ()
    meaning = f"How the body is compressed: {', '.join(model.codings)}. The limit of its length holds for what it inflates to."
    return (request_header("Content-Encoding", meaning),)


def _unread(model: type[M], media_type: str = JSON) -> Callable[[Request], Awaitable[Received[M]]]:
    @describes(body=RequestBody(model, media_type), problems=_BODY_PROBLEMS, headers=_coding_header(model))
    async def receive(request: Request) -> Received[M]:
        return await _received(request, model, media_type)

    return receive


def _read(model: type[M], media_type: str = JSON) -> Callable[[Request], Awaitable[M]]:
    @describes(body=RequestBody(model, media_type), problems=_BODY_PROBLEMS, headers=_coding_header(model))
    async def receive(request: Request) -> M:
        return (await _received(request, model, media_type)).read()

    return receive


# The owner comes before the body in a signature: whoever may not write is told so before sending much.
if TYPE_CHECKING:
    Json = Annotated[M, "the body, as its model"]
    Patch = Annotated[M, "the body, a JSON Merge Patch, as its model"]
    Unread = Received[M]
    UnreadPatch = Received[M]
else:

    class Json:
        """`Json[ClubIn]`: the body as its model, in JSON or another form that the model knows."""

        def __class_getitem__(cls, model: type[M]) -> Any:
            return Annotated[model, Depends(_read(model))]

    class Patch:
        """The same for a JSON Merge Patch (RFC 7396)."""

        def __class_getitem__(cls, model: type[M]) -> Any:
            return Annotated[model, Depends(_read(model, MERGE_PATCH))]

    class Unread:
        """`Unread[ClubIn]`: the body before it is read as its model, where something else is to be refused first."""

        def __class_getitem__(cls, model: type[M]) -> Any:
            return Annotated[Received, Depends(_unread(model))]

    class UnreadPatch:
        """The same for a JSON Merge Patch."""

        def __class_getitem__(cls, model: type[M]) -> Any:
            return Annotated[Received, Depends(_unread(model, MERGE_PATCH))]


@dataclass(frozen=True, slots=True)
class File:
    """A body of bytes, with its media type."""

    kind: str
    raw: bytes


def file_body(kinds: dict[str, str], limit: str) -> Any:
    """A dependency for a body of bytes: media types with their meaning, and the setting that bounds it."""

    @describes(body=RequestBody(files=kinds), problems=_FILE_PROBLEMS)
    async def receive(request: Request) -> File:
        most_bytes: int = getattr(request.app.state.settings, limit)
        kind, _, raw = await read_body(request, most_bytes=most_bytes, takes=tuple(kinds))
        request.state.body = (kind, raw)
        return File(kind, raw)

    return Depends(receive)
