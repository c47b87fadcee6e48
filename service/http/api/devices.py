"""Devices: paired with a short code (RFC 8628), listed, renamed, revoked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from fastapi import Query, Request
from msgspec import Meta
from pydantic import AfterValidator, Field, StringConstraints
from sqlalchemy import Connection
from starlette.responses import Response

from service.accounts import devices as actions
from service.accounts.devices import Decision
from service.accounts.model import Caller, Token, ordered
from service.accounts.pairing import INTERVAL_SECONDS, LIFETIME, PollOutcome, read_user_code
from service.accounts.store import AccountStore
from service.errors import Fault, Invalid
from service.formats.qr import qr_code
from service.http.api.account import DeviceOut, Scopes, TokenMadeOut, device_fields, token_made_out
from service.http.api.app import app_page
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import AccountCaller, ClientAddress, Context, DeviceId, Json, UnreadPatch
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.problems import Problem, base_url
from service.http.responses import Paged, Reply, Sends, Tagged, tagged, with_secret
from service.http.wire import In, Name, Out, QueryIn, Secret
from service.rules.shape_messages import complaint

devices = router("", "Devices")

_REFUSALS: Mapping[PollOutcome, tuple[str, str]] = {
    PollOutcome.PENDING: ("authorization-pending", "the owner has not approved the code yet"),
    PollOutcome.SLOW_DOWN: ("slow-down", "too soon: wait five seconds longer between polls from now on"),
    PollOutcome.DENIED: ("access-denied", "the owner denied the code"),
    PollOutcome.EXPIRED: ("expired-token", "the code is no longer valid: begin a new pairing"),
    PollOutcome.UNKNOWN: ("invalid-grant", "the device code is unknown, or its token was fetched already"),
}
_POLL_PROBLEMS = tuple(kind for kind, _ in _REFUSALS.values())


# --- requests ------------------------------------------------------------------------------------------------------------


def _user_code(text: str) -> str:
    code = read_user_code(text)
    if code is None:
        raise complaint("user_code", "a code is eight letters without vowels, such as WDJB-MJHT")
    return code


class DecisionIn(In):
    """The owner's answer to a device's code."""

    user_code: Annotated[str, StringConstraints(min_length=1, max_length=40), AfterValidator(_user_code)] = Field(
        description="As the device shows it; case, spaces and hyphens do not matter."
    )
    approve: bool = Field(description="true only when the device is yours and in front of you.")
    device_name: Name = Field("device", description="By which it is known in the list of devices.")
    scopes: Scopes = Field(description="At most those of your own token.")

    def decision(self) -> Decision:
        return Decision(self.user_code, self.approve, self.device_name, ordered(self.scopes))


class PollIn(In):
    """A device's question for its token (RFC 8628, section 3.4)."""

    grant_type: Literal["urn:ietf:params:oauth:grant-type:device_code"]
    device_code: Secret


class DevicePatch(In):
    """A JSON Merge Patch of a device."""

    name: Name


class PairQuery(QueryIn):
    """What a QR code brings along."""

    user_code: str | None = Field(None, max_length=40, description="The code that the device shows.")


# --- answers -------------------------------------------------------------------------------------------------------------


class PairingOut(Out):
    """What the device keeps and shows (RFC 8628, section 3.2)."""

    device_code: Annotated[str, Meta(description="The device's own secret.")]
    user_code: Annotated[str, Meta(description="To be shown, such as WDJB-MJHT.")]
    verification_uri: str
    verification_uri_complete: str
    expires_in: Annotated[int, Meta(description="Seconds.")]
    interval: Annotated[int, Meta(description="Seconds to wait between two questions for the token.")]
    qr_svg: Annotated[str, Meta(description="verification_uri_complete as a QR code (ISO/IEC 18004), an SVG image.")]


class DecidedOut(Out):
    """What became of the pairing."""

    approved: bool


def _device_out(token: Token, caller: Caller) -> DeviceOut:
    return DeviceOut(**device_fields(token, caller))


def _device_tag(token: Token) -> str:
    """Changes with the name; the rest of a device never changes, but for its last use."""
    return entity_tag("device", token.id, token.name)


# --- devices -------------------------------------------------------------------------------------------------------------


@devices.get("/v1/devices")
def list_devices(request: Request, context: Context, caller: AccountCaller, query: Paging) -> Paged[DeviceOut]:
    """Paired devices, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: AccountStore(connection).tokens(
                caller.owner, identity_key(after), limit, context.now(), devices_only=True
            ),
            lambda device: device.id,
            lambda device: _device_out(device, caller),
        )
    )


@devices.get("/v1/devices/{id}")
def get_device(context: Context, caller: AccountCaller, id: DeviceId, known: IfNoneMatch) -> Tagged[DeviceOut]:
    """One paired device."""
    device = context.database.read(lambda connection: AccountStore(connection).device(caller.owner, id, context.now()))
    return known.not_modified_or(_device_tag(device), lambda: _device_out(device, caller))


@devices.patch("/v1/devices/{id}")
def rename_device(
    context: Context, caller: AccountCaller, id: DeviceId, expected: IfMatch, body: UnreadPatch[DevicePatch]
) -> Tagged[DeviceOut]:
    """Give a device another name (JSON Merge Patch)."""
    owner, now = caller.owner, context.now()

    def act(connection: Connection) -> Token:
        # Whether there is such a device comes before what is wrong with the body.
        AccountStore(connection).device(owner, id, now)
        name = body.read().name
        return actions.rename_device(
            connection, owner, id, name, now, expect=lambda before: expected.check(_device_tag(before))
        )

    device = context.database.write(act)
    return tagged(_device_out(device, caller), _device_tag(device))


@devices.delete("/v1/devices/{id}")
def revoke_device(context: Context, caller: AccountCaller, id: DeviceId) -> None:
    """Revoke a device: from the next request on its token is worth nothing."""
    # Without If-Match: a lost device is revoked whatever its name is by now.
    context.database.write(
        lambda connection: AccountStore(connection).revoke_by_id(caller.owner, id, context.now(), devices_only=True)
    )


# --- pairing -------------------------------------------------------------------------------------------------------------


@devices.post("/v1/device-pairings", responses=problems("too-many-attempts", "not-ready", "busy", "storage-full"))
def begin_pairing(request: Request, context: Context, address: ClientAddress) -> Reply[PairingOut]:
    """Begin to pair this device: codes to keep, to show and to scan (RFC 8628)."""
    begun = context.database.write(lambda connection: actions.begin_pairing(connection, address, context.now()))
    where = f"{base_url(request)}/pair"
    complete = f"{where}?user_code={begun.user_code}"
    qr_svg = qr_code(complete).svg_inline(scale=4)
    lifetime = int(LIFETIME.total_seconds())
    made = PairingOut(begun.device_code, begun.user_code, where, complete, lifetime, INTERVAL_SECONDS, qr_svg)
    return with_secret(made, status=200)


@devices.post("/v1/device-pairings/approvals", responses=problems("too-many-attempts"))
def decide_pairing(context: Context, caller: AccountCaller, body: Json[DecisionIn]) -> DecidedOut:
    """Approve or deny a device by the code that it shows."""
    found = context.database.write(
        lambda connection: actions.decide_pairing(connection, caller, body.decision(), context.now())
    )
    if not found:
        # Raised only now: the attempt is counted.
        message = "no device is waiting with this code: it is mistyped, expired, or was answered already"
        raise Invalid([Fault("user-code", message, "/user_code")])
    return DecidedOut(body.approve)


@devices.post("/v1/device-pairings/token", responses=problems(*_POLL_PROBLEMS, "not-ready", "busy", "storage-full"))
def fetch_device_token(context: Context, body: Json[PollIn]) -> Reply[TokenMadeOut]:
    """Ask whether the owner has approved, and get the token once."""
    device_code = body.device_code.get_secret_value()
    outcome, made = context.database.write(
        lambda connection: actions.poll_pairing(connection, device_code, context.now())
    )
    if made is None:
        raise Problem(*_REFUSALS[outcome])
    return with_secret(token_made_out(*made), status=200)


@devices.get("/pair")
async def pairing_page(
    query: Annotated[PairQuery, Query()],  # noqa: ARG001 - the page reads it itself
) -> Annotated[Response, Sends(media=("text/html",))]:
    """The page that a device's QR code leads to: the web app, where whoever is signed in approves the code or denies it."""
    # It looks nothing up, so it reveals nothing.
    return app_page()
