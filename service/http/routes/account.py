"""The account: its tokens and password, log-in, and invitations for more accounts.

What is made here with a secret in the answer takes no Idempotency-Key: its answer would have to be kept, secret and all.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.accounts import sign_in
from service.accounts.invitations import InvitationStore
from service.accounts.model import ADMIN
from service.accounts.store import AccountStore
from service.http.declared import OPEN, OWNER, JsonBody, operation
from service.http.dependencies import Administrator, ClientAddress, Context, CurrentCaller, InvitationId, TokenId
from service.http.examples import INVITATION, LOG_IN, PASSWORD, REDEMPTION
from service.http.pagination import PageQuery, identity_key, plain_page
from service.http.responses import Answer
from service.http.schemas.account import (
    AccountOut,
    InvitationIn,
    InvitationMadeOut,
    InvitationPageOut,
    LogInIn,
    PasswordIn,
    RedeemedOut,
    RedemptionIn,
    TokenMadeOut,
    TokenPageOut,
    shown_account,
    shown_invitation,
    shown_made,
    shown_token,
)
from service.http.wire import read

router = APIRouter(prefix="/v1/account")
_TAG = "Account"
# RFC 6749, section 5.1: an answer with a token in it is kept nowhere on its way.
NO_STORE = {"Cache-Control": "no-store"}
_NEXT = {"Link": "The next page, with rel=next."}


@router.get("", **operation("get_account", "Whose token this is", tag=_TAG, access=OWNER, answer=AccountOut))
def get(caller: CurrentCaller) -> Response:
    return Answer(shown_account(caller)).response()


@router.put(
    "/password",
    **operation(
        "set_password",
        "Set the password; the old one is needed when there is one",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        body=PasswordIn,
        example=PASSWORD,
        answer=None,
        status=204,
        problems=["wrong-credentials", "too-many-attempts", "clash"],
    ),
)
def set_password(parts: Context, caller: CurrentCaller, address: ClientAddress, body: JsonBody) -> Response:
    sent = read(PasswordIn, body.value)
    sign_in.change_password(
        parts.database,
        caller,
        None if sent.old_password is None else sent.old_password.get_secret_value(),
        sent.new_password.get_secret_value(),
        revoke_others=sent.revoke_other_tokens,
        address=address,
        now=parts.clock(),
    )
    return Answer(None, 204).response()


@router.post(
    "/tokens",
    **operation(
        "log_in",
        "Log in: a token for a name and a password",
        tag=_TAG,
        access=OPEN,
        body=LogInIn,
        example=LOG_IN,
        answer=TokenMadeOut,
        status=201,
        problems=["wrong-credentials", "too-many-attempts", "not-ready", "busy"],
    ),
)
def log_in(parts: Context, address: ClientAddress, body: JsonBody) -> Response:
    sent = read(LogInIn, body.value)
    token, text = sign_in.log_in(
        parts.database,
        sent.name,
        sent.password.get_secret_value(),
        token_name=sent.token_name,
        scopes=sent.scopes,
        lifetime=timedelta(seconds=sent.expires_in_seconds),
        address=address,
        now=parts.clock(),
    )
    return Answer(shown_made(token, text), 201, NO_STORE).response()


@router.get(
    "/tokens",
    **operation(
        "list_tokens",
        "The account's tokens, devices among them",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        answer=TokenPageOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
def tokens(request: Request, parts: Context, caller: CurrentCaller, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: AccountStore(connection).tokens(
                caller.owner, identity_key(after), limit, parts.clock()
            ),
            lambda token: token.id,
            lambda token: shown_token(token, caller),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.delete(
    "/tokens/{id}",
    **operation(
        "revoke_token",
        "Revoke a token: from the next request on it is worth nothing",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        answer=None,
        status=204,
        problems=["not-found"],
    ),
)
def revoke_token(parts: Context, caller: CurrentCaller, id: TokenId) -> Response:
    parts.database.write(lambda connection: AccountStore(connection).revoke_by_id(caller.owner, id, parts.clock()))
    return Answer(None, 204).response()


@router.post(
    "/invitations",
    **operation(
        "invite",
        "Invite somebody to open an account",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        body=InvitationIn,
        example=INVITATION,
        answer=InvitationMadeOut,
        status=201,
        problems=["forbidden"],
    ),
)
def invite(parts: Context, owner: Administrator, body: JsonBody) -> Response:
    sent, now = read(InvitationIn, body.value), parts.clock()
    lifetime = timedelta(seconds=sent.expires_in_seconds)
    made, text = parts.database.write(lambda connection: sign_in.invite(connection, owner, sent.note, lifetime, now))
    return Answer({**shown_invitation(made, now), "invitation": text}, 201, NO_STORE).response()


@router.get(
    "/invitations",
    **operation(
        "list_invitations",
        "Invitations, page by page",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        answer=InvitationPageOut,
        problems=["invalid-query", "forbidden"],
        headers=_NEXT,
    ),
)
def invitations(
    request: Request, parts: Context, owner: Administrator, query: Annotated[PageQuery, Query()]
) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: InvitationStore(connection).page(owner, identity_key(after), limit),
            lambda invitation: invitation.id,
            lambda invitation: shown_invitation(invitation, parts.clock()),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.delete(
    "/invitations/{id}",
    **operation(
        "revoke_invitation",
        "Revoke an invitation that nobody has used",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        answer=None,
        status=204,
        problems=["not-found", "forbidden"],
    ),
)
def revoke_invitation(parts: Context, owner: Administrator, id: InvitationId) -> Response:
    parts.database.write(lambda connection: InvitationStore(connection).revoke(owner, id, parts.clock()))
    return Answer(None, 204).response()


@router.post(
    "/redemptions",
    **operation(
        "redeem_invitation",
        "Open an account with an invitation",
        tag=_TAG,
        access=OPEN,
        body=RedemptionIn,
        example=REDEMPTION,
        answer=RedeemedOut,
        status=201,
        problems=["wrong-credentials", "clash", "not-ready", "busy"],
    ),
)
def redeem(parts: Context, body: JsonBody) -> Response:
    sent = read(RedemptionIn, body.value)
    secret, password = sent.invitation.get_secret_value(), sent.password.get_secret_value()
    made = sign_in.redeem(parts.database, secret, sent.name, password, parts.clock())
    return Answer({"id": made.owner.id, "name": made.name}, 201).response()
