"""Whose tokens were accepted lately. Before a token is looked up it is a text that anybody may make up, so that what has to be
decided before (who comes first, how long a request may take) asks whether it is one of these."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable

from starlette.types import Scope

from service.accounts.model import token_digest

# Whoever syncs once a day is known each time.
LATELY_SECONDS = 26 * 3600
_MOST = 50_000
_DIGEST = "setwright.token_digest"


class KnownCallers:
    """The digests of these tokens, in this process's memory; those that came last where there are too many."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._accepted: OrderedDict[str, float] = OrderedDict()

    def accept(self, digest: str) -> None:
        """The token with this digest was looked up, and is good."""
        self._accepted[digest] = self._clock()
        self._accepted.move_to_end(digest)
        if len(self._accepted) > _MOST:
            self._accepted.popitem(last=False)

    def forget(self, digest: str) -> None:
        """It is good no longer."""
        self._accepted.pop(digest, None)

    def knows(self, scope: Scope) -> bool:
        """Whether a request has a token that was accepted lately."""
        digest = digest_of(scope)
        accepted = None if digest is None else self._accepted.get(digest)
        return accepted is not None and self._clock() - accepted < LATELY_SECONDS


def digest_of(scope: Scope) -> str | None:
    """The digest of the token in the request's first Authorization header; None where there is none. Worked out once."""
    if _DIGEST not in scope:
        header = next((value for name, value in scope["headers"] if name == b"authorization"), b"")
        token = bearer(header.decode("latin-1"))
        scope[_DIGEST] = None if token is None else token_digest(token)
    digest: str | None = scope[_DIGEST]
    return digest


def bearer(header: str) -> str | None:
    """The token in an Authorization header (RFC 6750, section 2.1); None where it has another form."""
    scheme, _, token = header.partition(" ")
    return token.strip() or None if scheme.lower() == "bearer" else None
