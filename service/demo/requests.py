"""Asking the demo's server: values there, answers back."""

from __future__ import annotations

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
