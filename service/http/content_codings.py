"""Bodies of requests in the codings that clients may compress them with (RFC 9110, section 8.4): zstd (RFC 8878), brotli (RFC
7932), gzip (RFC 1952). What a body inflates to is bounded while it inflates."""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Callable, Iterator, Mapping

import brotli
import zstandard

from service.errors import Fault, Sentence, Unreadable

# The most that a decoder has to remember (RFC 9659, section 3).
_ZSTD_WINDOW = 8 * 1024 * 1024
# 4 bytes of zstd may stand for a block of 128 KiB: so few at a time that what they inflate to is never much.
_ZSTD_PIECE = 128
_PIECE = 64 * 1024


class InflatesTooFar(Exception):
    """The body inflates to more than it may."""


def inflated(coding: str, raw: bytes, most_bytes: int) -> bytes:
    """The body without its coding, one of CODINGS. Raises InflatesTooFar, and Unreadable where the bytes are not in that coding,
    end too early, or go on behind its end."""
    parts: list[bytes] = []
    size = 0
    try:
        for part in _INFLATE[coding](raw):
            size += len(part)
            if size > most_bytes:
                raise InflatesTooFar
            parts.append(part)
    except (brotli.error, zstandard.ZstdError, zlib.error, gzip.BadGzipFile, EOFError):
        message = Sentence(
            "the body is not in the coding {coding} that Content-Encoding names, or not whole", coding=coding
        )
        raise Unreadable([Fault("content-encoding", message)]) from None
    return b"".join(parts)


def _gzip(raw: bytes) -> Iterator[bytes]:
    with gzip.GzipFile(fileobj=io.BytesIO(raw)) as file:
        while part := file.read1(_PIECE):
            yield part


def _brotli(raw: bytes) -> Iterator[bytes]:
    decoder = brotli.Decompressor()
    yield decoder.process(raw, output_buffer_limit=_PIECE)
    while not decoder.is_finished():
        part = decoder.process(b"", output_buffer_limit=_PIECE)
        if not part and decoder.can_accept_more_data():
            raise EOFError
        yield part


def _zstd(raw: bytes) -> Iterator[bytes]:
    decoder = zstandard.ZstdDecompressor(max_window_size=_ZSTD_WINDOW).decompressobj()
    at = 0
    for at in range(0, len(raw), _ZSTD_PIECE):
        yield decoder.decompress(raw[at : at + _ZSTD_PIECE])
        if decoder.eof:
            break
    # One frame: of many short ones each takes as long as a long one.
    if not decoder.eof or decoder.unused_data or at + _ZSTD_PIECE < len(raw):
        raise EOFError


_INFLATE: Mapping[str, Callable[[bytes], Iterator[bytes]]] = {"zstd": _zstd, "br": _brotli, "gzip": _gzip}
# The first is the one to choose.
CODINGS = tuple(_INFLATE)
