"""The account: its tokens and password, log-in, and invitations for more accounts.

What is made here with a secret in the answer takes no Idempotency-Key: its answer would have to be kept, secret and all.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from fastapi import Request
from msgspec import Meta
from pydantic import AfterValidator, Field, SecretStr, StringConstraints

from service.accounts import invitations, sign_in
from service.accounts.known_devices import LIFETIME as DEVICE_COOKIE_LIFETIME
from service.accounts.model import EVALUATE, READ, WRITE, Caller, Invitation, Token
from service.accounts.passwords import LONGEST, SHORTEST
from service.accounts.store import AccountStore, InvitationStore
from service.http.dependencies import (
    AccountCaller,
    Administrator,
    AnyCaller,
    ClientAddress,
    Context,
    CurrentCaller,
    InvitationId,
    Json,
    TokenId,
)
from service.http.known_callers import bearer
from service.http.openapi import METER, problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.problems import base_url
from service.http.quotas import Meter
from service.http.responses import Paged, Reply, Sends, WithSecret, with_secret
from service.http.wire import AccountName, In, Name, Out, Secret, Text
from service.rules.shape_messages import complaint

account = router("/v1/account", "Account")

_DAY_SECONDS = 24 * 60 * 60


# --- requests ------------------------------------------------------------------------------------------------------------


def _new_password(value: SecretStr) -> SecretStr:
    if not SHORTEST <= len(value.get_secret_value()) <= LONGEST:
        raise complaint(
            "password", "a password has {least} to {most} characters; spaces are welcome", least=SHORTEST, most=LONGEST
        )
    return value


def _usual_scopes() -> Any:
    return [READ, WRITE, EVALUATE]


NewPassword = Annotated[SecretStr, AfterValidator(_new_password)]
Scope = Literal["read", "write", "evaluate", "admin"]
Scopes = Annotated[list[Scope], Field(default_factory=_usual_scopes, min_length=1, max_length=4)]


class InvitationIn(In):
    """An invitation to open an account."""

    note: Annotated[Text, StringConstraints(max_length=200)] | None = Field(None, description="For whom it is.")
    expires_in_seconds: int = Field(7 * _DAY_SECONDS, ge=60, le=30 * _DAY_SECONDS)


class RedemptionIn(In):
    """An invitation, and the account to open with it."""

    invitation: Secret
    name: AccountName = Field(description="Differs from every other account's in more than case.")
    password: NewPassword


class PasswordIn(In):
    """A new password."""

    old_password: Secret | None = Field(None, description="Needed when a password was set before.")
    new_password: NewPassword
    revoke_other_tokens: bool = Field(False, description="true: every other token and device ends.")


class LogInIn(In):
    """A name and a password, and the token to make."""

    name: Annotated[Text, StringConstraints(min_length=1, max_length=100)]
    password: Secret
    token_name: Name = Field(description="By which it is known in the list of tokens.")
    scopes: Scopes
    expires_in_seconds: int = Field(90 * _DAY_SECONDS, ge=60, le=3650 * _DAY_SECONDS)


# --- answers -------------------------------------------------------------------------------------------------------------


class AccountOut(Out):
    """The caller's account."""

    id: str
    name: str
    is_admin: Annotated[bool, Meta(description="Whether it may invite others.")]
    has_password: bool
    created_at: datetime
    token_id: str
    scopes: Annotated[list[Scope], Meta(description="What the token that was sent allows.")]


class DeviceOut(Out):
    """A paired device: its token, under the name that its owner gave it."""

    id: str
    name: str
    scopes: list[Scope]
    is_this: Annotated[bool, Meta(description="Whether it is the one that was sent with this request.")]
    created_at: datetime
    last_used_at: Annotated[datetime | None, Meta(description="To the minute.")]


class TokenOut(DeviceOut):
    """A token; its text is shown once, when it is made."""

    is_device: bool
    expires_at: datetime | None


class TokenMadeOut(Out):
    """A new token, in the shape of RFC 6749, section 5.1. Its text is not stored and is shown only here."""

    access_token: str
    token_type: Literal["Bearer"]
    scope: Annotated[str, Meta(description="Scopes with spaces between them.")]
    expires_in: Annotated[int | None, Meta(description="Seconds; null: until it is revoked.")]
    id: str
    name: str


# The token, and beside it the device cookie.
LoggedIn = Annotated[
    Reply[TokenMadeOut], Sends(201, headers={"Set-Cookie": "The device cookie, for the next log-in of this account."})
]


class InvitationOut(Out):
    """An invitation; its text is shown once, when it is made."""

    id: str
    note: str | None
    status: Annotated[Literal["open", "used", "revoked", "expired"], Meta(description="Whether it can still be used.")]
    created_at: datetime
    expires_at: datetime
    used_at: datetime | None


class InvitationMadeOut(InvitationOut):
    """A new invitation with the text to hand over."""

    invitation: str


class RedeemedOut(Out):
    """The account that was opened."""

    id: str
    name: str


def device_fields(token: Token, caller: Caller) -> dict[str, Any]:
    """The members that a device and a token have in common."""
    return {
        "id": token.id,
        "name": token.name,
        "scopes": token.scopes,
        "is_this": token.id == caller.token.id,
        "created_at": token.created_at,
        "last_used_at": token.last_used_at,
    }


def token_made_out(token: Token, text: str) -> TokenMadeOut:
    lifetime = None if token.expires_at is None else int((token.expires_at - token.created_at).total_seconds())
    return TokenMadeOut(text, "Bearer", " ".join(token.scopes), lifetime, token.id, token.name)


def _token_out(token: Token, caller: Caller) -> TokenOut:
    return TokenOut(**device_fields(token, caller), is_device=token.is_device, expires_at=token.expires_at)


def _invitation_fields(invitation: Invitation, now: datetime) -> dict[str, Any]:
    return {
        "id": invitation.id,
        "note": invitation.note,
        "status": invitation.status(now),
        "created_at": invitation.created_at,
        "expires_at": invitation.expires_at,
        "used_at": invitation.used_at,
    }


# --- the account and its tokens --------------------------------------------------------------------------------------------


@account.get("")
def get_account(caller: CurrentCaller) -> AccountOut:
    """Whose token this is."""
    found, scopes = caller.account, list(caller.token.scopes)
    has_password = found.password_hash is not None
    return AccountOut(
        found.owner.id,
        found.name,
        found.is_admin,
        has_password,
        found.created_at,
        caller.token.id,
        scopes,  # type: ignore[arg-type]
    )


@account.put("/password", responses=problems("wrong-credentials", "too-many-attempts", "clash"))
async def set_password(context: Context, caller: AccountCaller, body: Json[PasswordIn]) -> None:
    """Set the password; the old one is needed when there is one."""
    old = None if body.old_password is None else body.old_password.get_secret_value()
    new = body.new_password.get_secret_value()
    await sign_in.change_password(context, caller, old, new, revoke_others=body.revoke_other_tokens)


@account.post("/tokens", responses=problems("wrong-credentials", "too-many-attempts", "not-ready", "busy"))
async def log_in(request: Request, context: Context, address: ClientAddress, body: Json[LogInIn]) -> LoggedIn:
    """Log in: a token for a name and a password.

    The answer sets a device cookie, which a browser sends with its next log-in. Attempts that come with it, or with a live
    token of the account (Authorization: Bearer), are counted apart from those of strangers, so that nobody else can lock the
    device out. The cookie is no authentication and opens nothing."""
    device = await sign_in.known_device(
        context, body.name, request.cookies, bearer(request.headers.get("authorization", ""))
    )
    meter: Meter = request.scope[METER]
    if device is None:
        await meter.charge_stranger()
    else:
        await meter.charge_account(device.owner.id)
    made = await sign_in.log_in(
        context,
        body.name,
        body.password.get_secret_value(),
        token_name=body.token_name,
        scopes=body.scopes,
        lifetime=timedelta(seconds=body.expires_in_seconds),
        address=address,
        device=device,
    )
    return with_secret(token_made_out(made.token, made.text), headers={"Set-Cookie": _set_cookie(request, made)})


def _set_cookie(request: Request, made: sign_in.LogIn) -> str:
    """The device cookie (RFC 6265): no script reads it, no other site makes a browser send it, and it is sent to the log-in
    alone."""
    parts = [
        f"{made.cookie_name}={made.cookie}",
        f"Max-Age={int(DEVICE_COOKIE_LIFETIME.total_seconds())}",
        f"Path={account.prefix}/tokens",
        "HttpOnly",
        "SameSite=Strict",
    ]
    # Behind a proxy that speaks TLS the service itself is asked without: the address that callers see decides.
    if base_url(request).startswith("https:"):
        parts.append("Secure")
    return "; ".join(parts)


@account.get("/tokens")
def list_tokens(request: Request, context: Context, caller: AccountCaller, query: Paging) -> Paged[TokenOut]:
    """The account's tokens, devices among them."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: AccountStore(connection).tokens(
                caller.owner, identity_key(after), limit, context.now()
            ),
            lambda token: token.id,
            lambda token: _token_out(token, caller),
        )
    )


@account.delete("/tokens/{id}")
def revoke_token(context: Context, caller: AccountCaller, id: TokenId) -> None:
    """Revoke a token: from the next request on it is worth nothing."""
    context.database.write(lambda connection: AccountStore(connection).revoke_by_id(caller.owner, id, context.now()))


@account.delete("/token")
def log_out(context: Context, caller: AnyCaller) -> None:
    """Log out: the token that is sent is worth nothing from the next request on, whatever its scopes."""
    context.database.write(
        lambda connection: AccountStore(connection).revoke_by_id(caller.owner, caller.token.id, context.now())
    )


# --- invitations ---------------------------------------------------------------------------------------------------------


@account.post("/invitations")
def invite(context: Context, owner: Administrator, body: Json[InvitationIn]) -> WithSecret[InvitationMadeOut]:
    """Invite somebody to open an account."""
    now, lifetime = context.now(), timedelta(seconds=body.expires_in_seconds)
    made, text = context.database.write(
        lambda connection: invitations.invite(connection, owner, body.note, lifetime, now)
    )
    return with_secret(InvitationMadeOut(**_invitation_fields(made, now), invitation=text))


@account.get("/invitations")
def list_invitations(request: Request, context: Context, owner: Administrator, query: Paging) -> Paged[InvitationOut]:
    """Invitations, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: InvitationStore(connection).page(owner, identity_key(after), limit),
            lambda invitation: invitation.id,
            lambda invitation: InvitationOut(**_invitation_fields(invitation, context.now())),
        )
    )


@account.delete("/invitations/{id}")
def revoke_invitation(context: Context, owner: Administrator, id: InvitationId) -> None:
    """Revoke an invitation that nobody has used."""
    context.database.write(lambda connection: InvitationStore(connection).revoke(owner, id, context.now()))


@account.post("/redemptions", responses=problems("wrong-credentials", "clash", "not-ready", "busy"))
async def redeem_invitation(context: Context, body: Json[RedemptionIn]) -> Annotated[Reply[RedeemedOut], Sends(201)]:
    """Open an account with an invitation."""
    secret, password = body.invitation.get_secret_value(), body.password.get_secret_value()
    made = await invitations.redeem(context, secret, body.name, password)
    return Reply(RedeemedOut(made.owner.id, made.name), status=201)
