"""Receiving a request's body: its media type, its size, the time it takes."""

from __future__ import annotations

import asyncio
import re
import tempfile
from collections.abc import Collection, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import IO, Any

from fastapi import Request
from starlette.requests import ClientDisconnect

from service.errors import Sentence, chained
from service.formats.strict_json import (
    CSV,
    JSON,
    MERGE_PATCH,
    YAML,
    is_declared_past,
    parse_json,
    parse_json_parts,
    parse_yaml,
    plain_text,
)
from service.holdings.photos.images import PHOTO_TYPES
from service.http.content_codings import InflatesTooFar, inflated
from service.http.elsewhere import DEADLINE, Answered, Deadline, forwarded, is_inside, is_signed
from service.http.problems import Problem
from service.runtime import in_thread
from service.settings import Settings

_YAML_BYTES = 1024 * 1024
# From here on a body is parsed outside the event loop.
_LARGE_BYTES = 64 * 1024
# What is longer is read in a process of its own: as values a body may take 25 times its bytes (a list of `{}`).
_LONGEST_HERE = {JSON: 1024 * 1024, MERGE_PATCH: 1024 * 1024, CSV: 1024 * 1024, YAML: 8 * 1024}
_LONGEST_HERE |= dict.fromkeys(PHOTO_TYPES, 64 * 1024 * 1024)
_LONGEST_HERE_UNSIGNED = 64 * 1024
# Until it is whole, so much of a body is kept in memory.
_IN_MEMORY = 16 * 1024


async def read_body(
    request: Request,
    *,
    most_bytes: int,
    takes: Sequence[str] = (JSON,),
    files: Collection[str] = (),
    codings: Sequence[str] = (),
    by_parts: bool = False,
) -> tuple[str, Any, bytes]:
    """The media type, the plain value and the bytes of the body as they were sent; of the media types in `files` the bytes are
    the value. A body in one of the `codings` inflates to no more than `most_bytes` either; JSON `by_parts` is judged by the
    caller (see `parse_json_parts`). Raises Problem with every fault that was found, and Answered where the request was answered
    elsewhere: large bodies, and sheets, which are compressed within, are read in processes of their own."""
    coding = _coding(request, takes, codings)
    kind = _media_type(request, takes, files)
    settings: Settings = request.app.state.settings
    signed = is_signed(request.scope)
    if kind == YAML:
        most_bytes = min(most_bytes, _YAML_BYTES if signed else settings.anonymous_yaml_bytes)
    if not signed:
        most_bytes = min(most_bytes, settings.anonymous_body_bytes)
    longest = most_bytes if is_inside(request) else min(most_bytes, _longest_here(kind, signed))
    with ExitStack() as kept:
        parts = await _receive(request, most_bytes, kept)
        if parts.size > longest:
            raise Answered(await forwarded(request, parts.whole()))
        sent = raw = parts.read()
        if coding is not None:
            try:
                raw = await in_thread(lambda: inflated(coding, sent, longest))
            except InflatesTooFar:
                if longest < most_bytes:
                    raise Answered(await forwarded(request, parts.whole())) from None
                detail = Sentence(
                    "this operation takes bodies of up to {most} bytes, and this one inflates to more", most=most_bytes
                )
                raise Problem("body-too-large", detail) from None
        if len(raw) > _LARGE_BYTES:
            await _gate(request, len(raw))
    if kind in files or kind in PHOTO_TYPES:
        # A spreadsheet is read by who knows how many rows it may have, a photo by who knows how many pixels, in a process.
        return kind, raw, raw
    parse = parse_yaml if kind == YAML else plain_text if kind == CSV else parse_json_parts if by_parts else parse_json
    if len(raw) < _LARGE_BYTES and kind != YAML:
        return kind, parse(raw), sent
    return kind, await in_thread(lambda: parse(raw)), sent


def _longest_here(kind: str, signed: bool) -> int:
    longest = _LONGEST_HERE.get(kind, 0)
    return longest if signed else min(longest, _LONGEST_HERE_UNSIGNED)


class _Parts:
    """What came of a body: in memory while it is short, then in a file that is gone with `kept`."""

    def __init__(self, folder: Path, kept: ExitStack) -> None:
        self._folder, self._kept = folder, kept
        self._parts: list[bytes] = []
        self._file: IO[bytes] | None = None
        self.size = 0

    def add(self, part: bytes) -> None:
        self.size += len(part)
        self._parts.append(part)
        if self.size > _IN_MEMORY:
            if self._file is None:
                file = tempfile.NamedTemporaryFile(dir=self._folder, prefix="body-")  # noqa: SIM115
                self._file = self._kept.enter_context(file)
            self._file.writelines(self._parts)
            self._parts.clear()

    def whole(self) -> bytes | Path:
        """The bytes, or the file that has them."""
        if self._file is None:
            return b"".join(self._parts)
        self._file.flush()
        return Path(self._file.name)

    def read(self) -> bytes:
        """The bytes."""
        if self._file is None:
            return b"".join(self._parts)
        self._file.seek(0)
        return self._file.read()


async def _receive(request: Request, most_bytes: int, kept: ExitStack) -> _Parts:
    """The body, counted while it comes, so that an undeclared length is bounded too. The time that it takes is not the
    service's."""
    too_large = Problem(
        "body-too-large", Sentence("this operation takes bodies of up to {most} bytes", most=most_bytes)
    )
    if is_declared_past(request.headers.get("content-length", ""), most_bytes):
        raise too_large
    parts = _Parts(request.app.state.spool, kept)
    started = asyncio.get_running_loop().time()
    try:
        async with asyncio.timeout(request.app.state.settings.receive_seconds):
            async for part in request.stream():
                parts.add(part)
                if parts.size > most_bytes:
                    raise too_large
    except TimeoutError:
        raise Problem("request-timeout", "the body was not received in time") from None
    except ClientDisconnect:
        raise Problem("bad-request", "the connection ended before the body did") from None
    except OSError as error:
        raise Problem("storage-full", "there is no room to receive this body") from error
    deadline: Deadline | None = request.scope.get(DEADLINE)
    if deadline is not None:
        deadline.at += asyncio.get_running_loop().time() - started
    return parts


async def _gate(request: Request, size: int) -> None:
    """Waits until this process reads few other large bodies, of which values are made that take many times their bytes; held
    until the request ends."""
    deadline: Deadline | None = request.scope.get(DEADLINE)
    if deadline is not None:
        deadline.at_end.append(await request.app.state.large_bodies.enter(size, deadline.seconds_left))


def _coding(request: Request, takes: Sequence[str], codings: Sequence[str]) -> str | None:
    """The coding of the body, None where it has none. One that is not taken is 415, which names those that are (RFC 7694,
    section 3)."""
    named = ",".join(request.headers.getlist("content-encoding")).strip().lower() or "identity"
    if named == "identity":
        return None
    named = named.removeprefix("x-") if named == "x-gzip" else named
    if named not in codings:
        headers = {"Accept-Encoding": ", ".join(codings) or "identity"}
        kinds = chained("{first} or {last}", takes)
        detail = (
            Sentence(
                "this operation takes {kinds}, with the Content-Encoding {codings} or none",
                kinds=kinds,
                codings=", ".join(codings),
            )
            if codings
            else Sentence("this operation takes {kinds}, without a Content-Encoding", kinds=kinds)
        )
        raise Problem("unsupported-media-type", detail, headers=headers)
    return named


def _media_type(request: Request, takes: Sequence[str], files: Collection[str]) -> str:
    kind, _, parameters = request.headers.get("content-type", "").partition(";")
    kind = kind.strip().lower()
    charset = re.search(r'charset\s*=\s*"?([^\s";]+)', parameters, re.IGNORECASE)
    # In which encoding a file of text is, the file tells.
    is_utf_8 = charset is None or kind in files or charset[1].lower() in ("utf-8", "utf8", "us-ascii")
    if kind not in takes or not is_utf_8:
        raise Problem(
            "unsupported-media-type",
            Sentence("this operation takes {kinds}, in UTF-8", kinds=chained("{first} or {last}", takes)),
            headers={f"Accept-{request.method.title()}": ", ".join(takes)},
        )
    return kind
