"""Two servers of one database, in processes of their own, write and read in turn: neither ever gives an answer that is older than
what is stored. A third keeps no answers and computes each."""

from __future__ import annotations

from contextlib import AsyncExitStack

import httpx
import pytest

from tests.http.set_changes import CHANGES, change, move_in
from tests.server import serving

pytestmark = pytest.mark.anyio


async def test_neither_gives_an_answer_older_than_what_is_stored(
    empty_database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with AsyncExitStack() as stack:
        servers = [stack.enter_context(serving(empty_database_url)) for _ in range(2)]
        monkeypatch.setenv("SETWRIGHT_ANSWERS_BYTES", "0")
        servers.append(stack.enter_context(serving(empty_database_url)))
        token = next(filter(None, (server.token() for server in servers)))
        headers = {"Authorization": f"Bearer {token}"}
        one, other, fresh = [
            await stack.enter_async_context(httpx.AsyncClient(base_url=server.address, headers=headers, timeout=60))
            for server in servers
        ]
        mine = await move_in(one, headers)
        seen = set()
        for number, what in enumerate(("nothing", *CHANGES)):
            if what in CHANGES:
                await change((one, other)[number % 2], mine, what)
            for path in mine.paths:
                computed = await fresh.get(path)
                # What is answered twice is kept, and there to be given again after the next change.
                for client in (one, other, one, other):
                    given = await client.get(path)
                    assert (given.status_code, given.content) == (computed.status_code, computed.content), (what, path)
                    assert given.headers.get("etag") == computed.headers.get("etag"), (what, path)
                seen.add(computed.content)
        assert len(seen) > 3 * len(CHANGES)
