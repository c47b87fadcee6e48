"""Asking the demo's server: values there, answers back."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
import msgspec

JSON = {"Content-Type": "application/json"}
_encoder = msgspec.json.Encoder(decimal_format="number")


class RefusedRequest(RuntimeError):
    """The server refused what the demo sent; the message holds its problem document."""


def encoded(value: object) -> bytes:
    return _encoder.encode(value)


def sent(response: httpx.Response) -> dict[str, Any]:
    """The answer. Raises Refused."""
    if response.is_error:
        raise RefusedRequest(
            f"{response.request.method} {response.request.url} answered {response.status_code}: {response.text}"
        )
    answer: dict[str, Any] = response.json()
    return answer


@contextmanager
def somebody(first: httpx.Client, name: str) -> Iterator[httpx.Client]:
    """An account of its own, by invitation of the first one, and a client that is logged in."""
    invitation = sent(first.post("/v1/account/invitations", json={"note": name}))["invitation"]
    who = {"name": name, "password": secrets.token_urlsafe()}
    sent(first.post("/v1/account/redemptions", json={"invitation": invitation, **who}))
    token = sent(first.post("/v1/account/tokens", json={**who, "token_name": "the demo"}))["access_token"]
    with httpx.Client(base_url=first.base_url, headers={"Authorization": f"Bearer {token}"}, timeout=120) as client:
        yield client
