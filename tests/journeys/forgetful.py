"""A broken server, for the control of test_two_workers: what it answered once it answers for ever, whatever is stored since."""

from __future__ import annotations

import sys
from typing import Any

import service.app
from service.__main__ import main

Message = dict[str, Any]


class Forgetful:
    """Never looks at the state again: gives the first answer to a GET of one caller each time."""

    def __init__(self, app: Any) -> None:
        self._honest = app
        self._answers: dict[tuple[bytes, bytes, bytes], list[Message]] = {}

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "http" or scope["method"] != "GET" or scope["path"].startswith("/health"):
            await self._honest(scope, receive, send)
            return
        who = dict(scope["headers"]).get(b"authorization", b"")
        key = (scope["raw_path"], scope["query_string"], who)
        if key not in self._answers:
            sent: list[Message] = []

            async def keep(message: Message) -> None:
                sent.append(message)

            # The scope of a request is emptied once it was answered.
            await self._honest(dict(scope), receive, keep)
            self._answers[key] = sent
        for message in self._answers[key]:
            await send(message)


def forgetful() -> Any:
    app = _honest()
    app.add_middleware(Forgetful)
    return app


_honest = service.app.from_environment

if __name__ == "__main__":
    service.app.from_environment = forgetful
    sys.exit(main(sys.argv[1:]))
