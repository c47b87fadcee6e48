"""What every answer tells a browser about itself: that its media type is meant, and what a page may load, run and send."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.formats.html import CARD, LABELS, PAGE, PRINT, page_policy

Header = tuple[bytes, bytes]

NOSNIFF: Header = (b"x-content-type-options", b"nosniff")
# A year (RFC 6797, section 6.1.1). Names below the service's own are their owner's business.
_HTTPS_ONLY: Header = (b"strict-transport-security", b"max-age=31536000")
# Of an address that an account's pages stand at, nobody else is told.
_NO_REFERRER: Header = (b"referrer-policy", b"no-referrer")
# What a browser shows as a document besides pages: it loads and runs nothing.
_INERT: Header = (
    b"content-security-policy",
    b"default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
)
_DOCUMENTS = (b"image/svg+xml", b"text/xml", b"application/xml", b"application/xhtml+xml")


class SafeHeaders:
    """The layer that adds them, each once, where an answer does not have its own."""

    def __init__(self, app: ASGIApp, *, is_https: bool) -> None:
        self._app, self._is_https = app, is_https

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = with_safe_headers(message.get("headers", ()), is_https=self._is_https)
            await send(message)

        await self._app(scope, receive, safely if scope["type"] == "http" else send)


def with_safe_headers(headers: Iterable[Header], *, is_https: bool) -> list[Header]:
    """The headers of an answer with those that it has not got itself."""
    names = {name.lower(): value for name, value in headers}
    kind = names.get(b"content-type", b"").partition(b";")[0].strip().lower()
    more = (NOSNIFF, _HTTPS_ONLY) if is_https else (NOSNIFF,)
    if kind == b"text/html":
        more = (*more, *_of_pages())
    elif kind in _DOCUMENTS:
        more = (*more, _INERT)
    return [*headers, *((name, value) for name, value in more if name not in names)]


@cache
def _of_pages() -> tuple[Header, Header]:
    """Every page has one of these styles."""
    return (b"content-security-policy", page_policy(PAGE, PRINT, CARD, LABELS).encode()), _NO_REFERRER
