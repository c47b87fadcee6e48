"""Accounts, tokens, invitations and devices on the wire."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, SecretStr, StringConstraints
from pydantic_core import PydanticCustomError

from service.accounts.model import EVALUATE, READ, WRITE, Caller, Invitation, Token
from service.accounts.pairing import INTERVAL_SECONDS, LIFETIME
from service.accounts.passwords import LONGEST, SHORTEST
from service.http.conditional import entity_tag
from service.http.wire import AccountName, In, Name, OldOut, OldPageOut, Secret, Text

_DAY_SECONDS = 24 * 60 * 60


def _new_password(value: SecretStr) -> SecretStr:
    if not SHORTEST <= len(value.get_secret_value()) <= LONGEST:
        raise PydanticCustomError("password", f"a password has {SHORTEST} to {LONGEST} characters; spaces are welcome")
    return value


NewPassword = Annotated[SecretStr, AfterValidator(_new_password)]
Scope = Literal["read", "write", "evaluate", "admin"]
Scopes = Annotated[list[Scope], Field(min_length=1, max_length=4)]
_USUAL_SCOPES = (READ, WRITE, EVALUATE)


def _usual_scopes() -> Any:
    return list(_USUAL_SCOPES)


class InvitationIn(In):
    """An invitation to open an account."""

    note: Annotated[Text, StringConstraints(max_length=200)] | None = Field(None, description="For whom it is.")
    expires_in_seconds: int = Field(7 * _DAY_SECONDS, ge=60, le=30 * _DAY_SECONDS)


class RedemptionIn(In):
    """What makes an account of an invitation."""

    invitation: Secret
    name: AccountName = Field(description="Differs from every other account's in more than case.")
    password: NewPassword


class PasswordIn(In):
    """A new password."""

    old_password: Secret | None = Field(None, description="Needed when a password was set before.")
    new_password: NewPassword
    revoke_other_tokens: bool = Field(False, description="true: every other token and device ends.")


class LogInIn(In):
    """What makes a token of a name and a password."""

    name: Annotated[Text, StringConstraints(min_length=1, max_length=100)]
    password: Secret
    token_name: Name = Field(description="By which it is known in the list of tokens.")
    scopes: Scopes = Field(default_factory=_usual_scopes)
    expires_in_seconds: int = Field(90 * _DAY_SECONDS, ge=60, le=3650 * _DAY_SECONDS)


class DecisionIn(In):
    """What the owner says to a device's code."""

    user_code: Annotated[str, StringConstraints(min_length=1, max_length=40)] = Field(
        description="As the device shows it; case, spaces and hyphens do not matter."
    )
    approve: bool = Field(description="true only when the device is yours and in front of you.")
    device_name: Name = Field("device", description="By which it is known in the list of devices.")
    scopes: Scopes = Field(default_factory=_usual_scopes, description="At most those of your own token.")


class PollIn(In):
    """A device's question for its token (RFC 8628, section 3.4)."""

    grant_type: Literal["urn:ietf:params:oauth:grant-type:device_code"]
    device_code: Secret


class DevicePatch(In):
    """A JSON Merge Patch of a device."""

    name: Name


class AccountOut(OldOut):
    """Whoever asks."""

    id: str
    name: str
    is_admin: bool = Field(description="Whether it may invite others.")
    has_password: bool
    created_at: datetime
    token_id: str
    scopes: list[str] = Field(description="What the token that was sent allows.")


class TokenOut(OldOut):
    """A token; its text is shown once, when it is made."""

    id: str
    name: str
    scopes: list[str]
    is_device: bool
    is_this: bool = Field(description="Whether it is the one that was sent with this request.")
    created_at: datetime
    expires_at: datetime | None
    last_used_at: datetime | None = Field(description="To the minute.")


class TokenPageOut(OldPageOut):
    """A page of tokens."""

    items: list[TokenOut]


class TokenMadeOut(OldOut):
    """A new token, in the shape of RFC 6749, section 5.1. Its text is not kept and cannot be had again."""

    access_token: str
    token_type: str
    scope: str = Field(description="Scopes with spaces between them.")
    expires_in: int | None = Field(description="Seconds; null: until it is revoked.")
    id: str
    name: str


class InvitationOut(OldOut):
    """An invitation; its text is shown once, when it is made."""

    id: str
    note: str | None
    status: str = Field(description="open, used, revoked or expired.")
    created_at: datetime
    expires_at: datetime
    used_at: datetime | None


class InvitationMadeOut(InvitationOut):
    """A new invitation with the text to hand over."""

    invitation: str


class InvitationPageOut(OldPageOut):
    """A page of invitations."""

    items: list[InvitationOut]


class RedeemedOut(OldOut):
    """The account that was opened."""

    id: str
    name: str


class DeviceOut(OldOut):
    """A paired device: its token, under the name that its owner gave it."""

    id: str
    name: str
    scopes: list[str]
    is_this: bool
    created_at: datetime
    last_used_at: datetime | None


class DevicePageOut(OldPageOut):
    """A page of devices."""

    items: list[DeviceOut]


class PairingOut(OldOut):
    """What the device keeps and shows (RFC 8628, section 3.2)."""

    device_code: str = Field(description="The device's own secret.")
    user_code: str = Field(description="To be shown, such as WDJB-MJHT.")
    verification_uri: str
    verification_uri_complete: str
    expires_in: int = Field(description="Seconds.")
    interval: int = Field(description="Seconds to wait between two questions for the token.")
    qr_svg: str = Field(description="verification_uri_complete as a QR code (ISO/IEC 18004), an SVG image.")


class DecidedOut(OldOut):
    """What became of the pairing."""

    approved: bool


def shown_account(caller: Caller) -> dict[str, Any]:
    account = caller.account
    return {
        "id": account.owner.id,
        "name": account.name,
        "is_admin": account.is_admin,
        "has_password": account.password_hash is not None,
        "created_at": account.created_at,
        "token_id": caller.token.id,
        "scopes": caller.token.scopes,
    }


def shown_device(token: Token, caller: Caller) -> dict[str, Any]:
    return {
        "id": token.id,
        "name": token.name,
        "scopes": token.scopes,
        "is_this": token.id == caller.token.id,
        "created_at": token.created_at,
        "last_used_at": token.last_used_at,
    }


def shown_token(token: Token, caller: Caller) -> dict[str, Any]:
    return {**shown_device(token, caller), "is_device": token.is_device, "expires_at": token.expires_at}


def shown_made(token: Token, text: str) -> dict[str, Any]:
    lifetime = None if token.expires_at is None else int((token.expires_at - token.created_at).total_seconds())
    parts = {"scope": " ".join(token.scopes), "expires_in": lifetime, "id": token.id, "name": token.name}
    return {"access_token": text, "token_type": "Bearer", **parts}


def shown_invitation(invitation: Invitation, now: datetime) -> dict[str, Any]:
    return {
        "id": invitation.id,
        "note": invitation.note,
        "status": invitation.status(now),
        "created_at": invitation.created_at,
        "expires_at": invitation.expires_at,
        "used_at": invitation.used_at,
    }


def shown_pairing(device_code: str, user_code: str, address: str, qr_svg: str) -> dict[str, Any]:
    """`address` is where the user code is typed in."""
    return {
        "device_code": device_code,
        "user_code": user_code,
        "verification_uri": address,
        "verification_uri_complete": complete(address, user_code),
        "expires_in": int(LIFETIME.total_seconds()),
        "interval": INTERVAL_SECONDS,
        "qr_svg": qr_svg,
    }


def complete(address: str, user_code: str) -> str:
    """The address with the code in it."""
    return f"{address}?user_code={user_code}"


def device_tag(token: Token) -> str:
    """Changes with the name; the rest of a device never changes, but for its last use."""
    return entity_tag("device", token.id, token.name)
