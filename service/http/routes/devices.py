"""Devices: paired with a short code (RFC 8628), listed, renamed, revoked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

import segno
from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection
from starlette.responses import HTMLResponse, Response

from service.accounts import devices
from service.accounts.model import ADMIN, Token
from service.accounts.pairing import Outcome, read_user_code
from service.accounts.store import AccountStore
from service.errors import Fault, Invalid
from service.formats.strict_json import MERGE_PATCH
from service.http.conditional import if_match
from service.http.declared import (
    IF_MATCH,
    IF_NONE_MATCH,
    OPEN,
    OWNER,
    JsonBody,
    PatchBody,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import ClientAddress, Context, CurrentCaller, DeviceId
from service.http.examples import DECISION, DEVICE_PATCH, POLL
from service.http.pages import pairing_page
from service.http.pagination import PageQuery, identity_key, plain_page
from service.http.problems import Problem, base_url
from service.http.responses import Answer
from service.http.routes.account import NO_STORE
from service.http.schemas.account import (
    DecidedOut,
    DecisionIn,
    DeviceOut,
    DevicePageOut,
    DevicePatch,
    PairingOut,
    PollIn,
    TokenMadeOut,
    complete,
    device_tag,
    shown_device,
    shown_made,
    shown_pairing,
)
from service.http.wire import read

router = APIRouter()
_TAG = "Devices"
_ETAG = {"ETag": "The version, for If-Match."}
_REFUSALS: Mapping[Outcome, tuple[str, str]] = {
    Outcome.PENDING: ("authorization-pending", "the owner has not approved the code yet"),
    Outcome.SLOW_DOWN: ("slow-down", "that was too soon: wait five seconds longer between questions from now on"),
    Outcome.DENIED: ("access-denied", "the owner denied the code"),
    Outcome.EXPIRED: ("expired-token", "the code is no longer valid: begin a new pairing"),
    Outcome.UNKNOWN: ("invalid-grant", "the device code is unknown, or its token was fetched already"),
}


class PairQuery(BaseModel):
    """What a QR code brings along."""

    model_config = ConfigDict(extra="forbid")

    user_code: str | None = Field(None, max_length=40, description="The code that the device shows.")


@router.get(
    "/v1/devices",
    **operation(
        "list_devices",
        "Paired devices, page by page",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        answer=DevicePageOut,
        problems=["invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def listing(request: Request, parts: Context, caller: CurrentCaller, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: AccountStore(connection).tokens(
                caller.owner, identity_key(after), limit, parts.clock(), devices_only=True
            ),
            lambda device: device.id,
            lambda device: shown_device(device, caller),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/v1/devices/{id}",
    **with_headers(
        operation(
            "get_device",
            "One paired device",
            tag=_TAG,
            access=OWNER,
            scope=ADMIN,
            answer=DeviceOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, caller: CurrentCaller, id: DeviceId) -> Response:
    device = parts.database.read(lambda connection: AccountStore(connection).device(caller.owner, id, parts.clock()))
    return not_modified_or(request, device_tag(device), lambda: Answer(shown_device(device, caller)))


@router.patch(
    "/v1/devices/{id}",
    **with_headers(
        operation(
            "rename_device",
            "Give a device another name (JSON Merge Patch)",
            tag=_TAG,
            access=OWNER,
            scope=ADMIN,
            body=DevicePatch,
            body_type=MERGE_PATCH,
            example=DEVICE_PATCH,
            answer=DeviceOut,
            problems=["not-found", "bad-request", "stale", "precondition-required"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
def rename(request: Request, parts: Context, caller: CurrentCaller, id: DeviceId, body: PatchBody) -> Response:
    expected = if_match(request)

    def act(connection: Connection) -> Token:
        # Whether it is there comes before what is wrong with the body.
        AccountStore(connection).device(caller.owner, id, parts.clock())
        name = read(DevicePatch, body.value).name
        return devices.rename(
            connection, caller.owner, id, name, parts.clock(), expect=lambda before: expected.check(device_tag(before))
        )

    device = parts.database.write(act)
    return Answer(shown_device(device, caller), 200, {"ETag": device_tag(device)}).response()


@router.delete(
    "/v1/devices/{id}",
    **operation(
        "revoke_device",
        "Revoke a device: from the next request on its token is worth nothing",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        answer=None,
        status=204,
        problems=["not-found"],
    ),
)
def revoke(parts: Context, caller: CurrentCaller, id: DeviceId) -> Response:
    # Without If-Match: a lost device is revoked whatever its name is by now.
    parts.database.write(
        lambda connection: AccountStore(connection).revoke_by_id(caller.owner, id, parts.clock(), devices_only=True)
    )
    return Answer(None, 204).response()


@router.post(
    "/v1/device-pairings",
    **operation(
        "begin_pairing",
        "Begin to pair this device: codes to keep, to show and to scan (RFC 8628)",
        tag=_TAG,
        access=OPEN,
        answer=PairingOut,
        problems=["too-many-attempts", "not-ready", "busy", "storage-full"],
    ),
)
def begin(request: Request, parts: Context, address: ClientAddress) -> Response:
    begun = parts.database.write(lambda connection: devices.begin(connection, address, parts.clock()))
    where = f"{base_url(request)}/pair"
    qr_svg = segno.make_qr(complete(where, begun.user_code), error="m").svg_inline(scale=4)
    return Answer(shown_pairing(begun.device_code, begun.user_code, where, qr_svg), 200, NO_STORE).response()


@router.post(
    "/v1/device-pairings/approvals",
    **operation(
        "decide_pairing",
        "Approve or deny a device by the code that it shows",
        tag=_TAG,
        access=OWNER,
        scope=ADMIN,
        body=DecisionIn,
        example=DECISION,
        answer=DecidedOut,
        problems=["too-many-attempts"],
    ),
)
def decide(parts: Context, caller: CurrentCaller, address: ClientAddress, body: JsonBody) -> Response:
    sent = read(DecisionIn, body.value)
    user_code = read_user_code(sent.user_code)
    if user_code is None:
        raise Invalid([Fault("user-code", "a code is eight letters without vowels, such as WDJB-MJHT", "/user_code")])
    found = parts.database.write(
        lambda connection: devices.decide(
            connection,
            caller,
            user_code,
            approve=sent.approve,
            name=sent.device_name,
            scopes=sent.scopes,
            address=address,
            now=parts.clock(),
        )
    )
    if not found:
        message = "no device waits under this code: it is mistyped, too old, or was answered already"
        raise Invalid([Fault("user-code", message, "/user_code")])
    return Answer({"approved": sent.approve}).response()


@router.post(
    "/v1/device-pairings/token",
    **operation(
        "fetch_device_token",
        "Ask whether the owner has approved, and get the token once",
        tag=_TAG,
        access=OPEN,
        body=PollIn,
        example=POLL,
        answer=TokenMadeOut,
        problems=[
            "authorization-pending",
            "slow-down",
            "access-denied",
            "expired-token",
            "invalid-grant",
            "not-ready",
            "busy",
            "storage-full",
        ],
    ),
)
def fetch_token(parts: Context, body: JsonBody) -> Response:
    device_code = read(PollIn, body.value).device_code.get_secret_value()
    outcome, made = parts.database.write(lambda connection: devices.poll(connection, device_code, parts.clock()))
    if made is None:
        raise Problem(*_REFUSALS[outcome])
    return Answer(shown_made(*made), 200, NO_STORE).response()


@router.get(
    "/pair",
    **operation(
        "pairing_page",
        "The page that a device's QR code leads to",
        tag=_TAG,
        access=OPEN,
        answer="text/html",
        problems=["invalid-query"],
    ),
)
async def pair(query: Annotated[PairQuery, Query()]) -> Response:
    code = None if query.user_code is None else read_user_code(query.user_code)
    return HTMLResponse(pairing_page(code), headers={**NO_STORE, "Referrer-Policy": "no-referrer"})
