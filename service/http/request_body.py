"""Receiving a request's body: its media type, its size, the time it takes."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Collection, Sequence
from typing import Any

from fastapi import Request
from starlette.requests import ClientDisconnect

from service.formats.strict_json import CSV, JSON, YAML, is_declared_past, parse_json, parse_yaml, plain_text
from service.holdings.photos.images import PHOTO_TYPES
from service.http.problems import Problem
from service.runtime import in_thread

_YAML_BYTES = 1024 * 1024
# From here on a body is parsed outside the event loop.
_LARGE_BYTES = 64 * 1024


async def read_body(
    request: Request, *, most_bytes: int, takes: Sequence[str] = (JSON,), files: Collection[str] = ()
) -> tuple[str, Any, bytes]:
    """The media type, the plain value and the bytes of the body; of the media types in `files` the bytes are the value. Raises
    Problem with every fault that was found."""
    kind = _media_type(request, takes, files)
    if kind == YAML:
        most_bytes = min(most_bytes, _YAML_BYTES)
    raw = await receive(request, most_bytes)
    if kind in files or kind in PHOTO_TYPES:
        # A spreadsheet is read by who knows how many rows it may have, a photo by who knows how many pixels.
        return kind, raw, raw
    parse = parse_yaml if kind == YAML else plain_text if kind == CSV else parse_json
    if len(raw) < _LARGE_BYTES and kind != YAML:
        return kind, parse(raw), raw
    return kind, await in_thread(lambda: parse(raw)), raw


async def receive(request: Request, most_bytes: int) -> bytes:
    """The bytes of the body, counted while they come, so that an undeclared length is bounded too."""
    too_large = Problem("body-too-large", f"this operation takes bodies of up to {most_bytes} bytes")
    declared = request.headers.get("content-length", "")
    if is_declared_past(declared, most_bytes):
        raise too_large
    parts: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(request.app.state.settings.receive_seconds):
            async for part in request.stream():
                size += len(part)
                if size > most_bytes:
                    raise too_large
                parts.append(part)
    except TimeoutError:
        raise Problem("request-timeout", "the body was not received in time") from None
    except ClientDisconnect:
        raise Problem("bad-request", "the connection ended before the body did") from None
    return b"".join(parts)


def _media_type(request: Request, takes: Sequence[str], files: Collection[str]) -> str:
    wanted = f"this operation takes {' or '.join(takes)}"
    if request.headers.get("content-encoding", "identity").strip().lower() != "identity":
        raise Problem("unsupported-media-type", f"{wanted}, without a Content-Encoding")
    kind, _, parameters = request.headers.get("content-type", "").partition(";")
    kind = kind.strip().lower()
    charset = re.search(r'charset\s*=\s*"?([^\s";]+)', parameters, re.IGNORECASE)
    # In which encoding a file of text is, the file tells.
    is_utf_8 = charset is None or kind in files or charset[1].lower() in ("utf-8", "utf8", "us-ascii")
    if kind not in takes or not is_utf_8:
        raise Problem(
            "unsupported-media-type",
            f"{wanted}, in UTF-8",
            headers={f"Accept-{request.method.title()}": ", ".join(takes)},
        )
    return kind
