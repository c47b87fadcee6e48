"""What a caller would rather have (RFC 7240)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from fastapi import Depends, Request

from service.http.openapi import describes, request_header

MINIMAL = "return=minimal"


def preference(headers: Iterable[str], name: str) -> str | None:
    """The value of a preference, empty where it is sent without one; None where it is not sent. Of one that is sent twice the
    first counts (section 2)."""
    for part in ",".join(headers).split(","):
        told, _, value = (piece.strip() for piece in part.partition(";")[0].partition("="))
        if told.lower() == name:
            return value.strip('"').lower()
    return None


@describes(headers=(request_header("Prefer", f"{MINIMAL}: of what is as it was sent only what is new to the sender."),))
async def _prefers_minimal(request: Request) -> bool:
    return preference(request.headers.getlist("prefer"), "return") == "minimal"


PrefersMinimal = Annotated[bool, Depends(_prefers_minimal)]
