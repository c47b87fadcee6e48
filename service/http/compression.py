"""Answers in the codings that a caller takes (RFC 9110, section 8.4): zstd, brotli or gzip.

A strong entity tag means the very bytes, so that it differs between codings (section 8.8.3.3): the coding is added to it, and
taken off again where a caller sends it back (conditional.py). What is not to be stored is not compressed: it has a secret in it,
whose length would show what else of the answer it resembles, and part of that may be the caller's choice ("BREACH").
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from functools import lru_cache

from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette_compress import CompressMiddleware, add_compress_type, remove_compress_type

from service.http.conditional import coded_tag, tag_as_sent
from service.http.weights import weights

# What is shorter fits into a packet or two as it is.
LEAST_BYTES = 1_000
# No other request gets its turn while so many bytes are compressed: that takes about a millisecond.
_PIECE = 64 * 1024
_CODINGS = ("zstd", "br", "gzip")
_ANSWER, _SEND = "setwright.answer", "setwright.uncompressed"

remove_compress_type("text/event-stream")
for kind in ("text/csv", "text/turtle", "application/yaml", "application/schema+json"):
    add_compress_type(kind)


def coding_of(headers: Iterable[tuple[bytes, bytes]]) -> str | None:
    """The coding in which a request's answer may be sent: the first of ours that its Accept-Encoding takes; None: as it is."""
    values = [value for name, value in headers if name == b"accept-encoding"]
    return _chosen(b",".join(values)) if values else None


@lru_cache(1_000)
def _chosen(accepted: bytes) -> str | None:
    ranges = weights(accepted.decode("latin-1"))
    return next((coding for coding in _CODINGS if ranges.get(coding, ranges.get("*", 0.0)) > 0), None)


class Compression:
    """The layer that compresses what the framework answers, if that is text and long enough."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._layer = CompressMiddleware(self._answered, minimum_size=LEAST_BYTES)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def named(message: Message) -> None:
            if message["type"] == "http.response.start":
                _name_coding(scope, message)
            await send(message)

        scope[_SEND] = send
        await self._layer(scope, receive, named)

    async def _answered(self, scope: Scope, receive: Receive, send: Send) -> None:
        plain: Send = scope[_SEND]
        chosen = send

        async def choose(message: Message) -> None:
            nonlocal chosen
            if message["type"] == "http.response.start":
                # The layer writes into the list, which may be of an answer that is kept.
                message = {**message, "headers": list(message.get("headers", ()))}
                chosen = plain if _is_secret(message["headers"]) else send
                await chosen(message)
            elif chosen is plain:
                await plain(message)
            else:
                await _in_pieces(message, send)

        await self._app(scope, receive, choose)


def _is_secret(headers: Iterable[tuple[bytes, bytes]]) -> bool:
    return any(name.lower() == b"cache-control" and b"no-store" in value for name, value in headers)


async def _in_pieces(message: Message, send: Send) -> None:
    body: bytes = message.get("body", b"")
    for at in range(0, len(body) - _PIECE, _PIECE):
        await send({"type": "http.response.body", "body": body[at : at + _PIECE], "more_body": True})
        await asyncio.sleep(0)
    last = max(0, (len(body) - 1) // _PIECE * _PIECE)
    await send({**message, "body": body[last:]})


def _name_coding(scope: Scope, start: Message) -> None:
    """Adds the coding to the entity tag. Where the caller has the answer already, the tag is the one of those that were sent."""
    headers = start["headers"]
    tags = [place for place, (name, _) in enumerate(headers) if name.lower() == b"etag"]
    if not tags:
        return
    (place,) = tags
    tag = headers[place][1].decode("latin-1")
    if start["status"] == 304:
        tag = tag_as_sent(scope["headers"], tag)
        headers.append((b"vary", b"Accept-Encoding"))
    else:
        coding = next((value for name, value in headers if name.lower() == b"content-encoding"), b"").decode("latin-1")
        tag = coded_tag(tag, coding) if coding in _CODINGS else tag
    headers[place] = (b"etag", tag.encode("latin-1"))


async def _sent(scope: Scope, _: Receive, send: Send) -> None:
    answer: Response = scope[_ANSWER]
    await send({"type": "http.response.start", "status": answer.status_code, "headers": list(answer.raw_headers)})
    await _in_pieces({"type": "http.response.body", "body": answer.body, "more_body": False}, send)


_compress = CompressMiddleware(_sent, minimum_size=LEAST_BYTES)


async def in_coding(answer: Response, coding: str | None) -> Response:
    """An answer as the layer would send it to a caller who takes a coding: another one, which can be sent again and again."""
    told: list[Message] = []

    async def collect(message: Message) -> None:
        told.append(message)

    accepted = [] if coding is None else [(b"accept-encoding", coding.encode())]
    scope = {"type": "http", "headers": accepted, _ANSWER: answer}
    await _compress(scope, _nothing, collect)
    start = told[0]
    _name_coding(scope, start)
    coded = Response(status_code=answer.status_code)
    coded.body = b"".join(message.get("body", b"") for message in told[1:])
    if coded.body == answer.body:
        # The same bytes take no memory of their own.
        coded.body = answer.body
    coded.raw_headers = start["headers"]
    if all(name != b"content-length" for name, _ in start["headers"]):
        coded.raw_headers.append((b"content-length", str(len(coded.body)).encode()))
    return coded


async def _nothing() -> Message:
    return {"type": "http.disconnect"}
