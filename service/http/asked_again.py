"""Requests that come again, byte for byte, are answered where their bytes arrive.

Devices and browsers ask for the same with the same words again and again. What such a request says follows from its bytes, so
that they need not be read, nor a scope, a task and the layers be made for it again: what it asked for is remembered by a digest
of them, as `answered_before` understood it. All else is done as for any request, by the same functions: what its answer follows
from is looked up, and the token with it, the account is charged, it is counted and logged. The request goes the usual way where
any of that would wait or refuse, and where the answer is not kept.
"""

from __future__ import annotations

import hashlib
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable

from uvicorn.protocols.http.h11_impl import STATUS_PHRASES

from service.http.answered_before import AnswersBefore, Asked
from service.http.middleware import names_of
from service.http.safe_headers import Header, with_safe_headers
from service.observability.log import log_request
from service.observability.metrics import Metrics

_MOST, _LONGEST = 2_000, 4_000
# Headers by which each request is another, or that the log has to tell of.
_OWN_EACH_TIME = frozenset({b"x-request-id", b"traceparent", b"upgrade"})
# Such an answer goes out with its head, in one piece.
_SHORT = 16 * 1024


class AskedAgain:
    """What requests asked for that came lately, by their bytes. Of one event loop, and of a database that is looked up without
    waiting."""

    def __init__(self, before: AnswersBefore, metrics: Metrics, *, is_https: bool) -> None:
        self._before, self._metrics, self._is_https = before, metrics, is_https
        # Digests, since the bytes have a token in them.
        self._known: OrderedDict[bytes, Asked] = OrderedDict()
        # How many were answered here since the start.
        self.answered = 0

    def learn(self, sent: bytes, headers: Iterable[Header], asked: Asked) -> None:
        """What a request asked for: `sent` is all that it is, with these headers."""
        if any(name in _OWN_EACH_TIME for name, _ in headers):
            return
        self._known[_digest(sent)] = asked
        if len(self._known) > _MOST:
            self._known.popitem(last=False)

    def answer(
        self, sent: bytes, default_headers: Iterable[Header], write: Callable[[bytes | memoryview], None]
    ) -> bool:
        """Writes the answer, if `sent` is a request that came before, and its answer is kept. `default_headers`: those that the
        server gives every answer."""
        if not is_short_head(sent):
            return False
        begun, digest = time.perf_counter(), _digest(sent)
        asked = self._known.get(digest)
        found = None if asked is None else self._before.find_at_once(asked)
        if asked is None or found is None:
            return False
        self._known.move_to_end(digest)
        self.answered += 1
        request, status, body = names_of(()).id, found.answer.status_code, found.answer.body
        headers = with_safe_headers([*found.headers, (b"x-request-id", request.encode())], is_https=self._is_https)
        head = _head(status, [*default_headers, *headers])
        if len(body) <= _SHORT:
            write(head + body)
        else:
            write(head)
            # Of a view the transport copies only what it has to keep.
            write(memoryview(body))
        route, spent = asked.operation.route.path, time.perf_counter() - begun
        self._metrics.count("GET", route, status, spent, len(body), 0)
        log_request(request, None, "GET", route, status, round(spent * 1000, 1), "account", len(body))
        return True


def is_short_head(sent: bytes) -> bool:
    """Whether these bytes may be a request that is recognised when it comes again: the head of a GET, and not a long one."""
    return len(sent) <= _LONGEST and sent.startswith(b"GET ") and sent.endswith(b"\r\n\r\n")


def _digest(sent: bytes) -> bytes:
    return hashlib.sha256(sent).digest()


def _head(status: int, headers: Iterable[Header]) -> bytes:
    """The head of an answer as it is sent (RFC 9112, section 4)."""
    lines = [b"HTTP/1.1 %d %b\r\n" % (status, STATUS_PHRASES[status])]
    lines += [b"%b: %b\r\n" % header for header in headers]
    lines.append(b"\r\n")
    return b"".join(lines)
