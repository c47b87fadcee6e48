"""A request that was answered leaves nothing behind that only a collection of garbage frees."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from service.http.middleware import EmptiedScope
from tests.conftest import Running

pytestmark = pytest.mark.anyio

ASKED = 10


@contextmanager
def no_collection() -> Iterator[None]:
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def kept_stacks() -> int:
    """Of these the framework makes three for every request."""
    return sum(type(one).__name__ == "AsyncExitStack" for one in gc.get_objects())


@pytest.mark.parametrize("path", ["/v1/holdings?limit=5", "/v1/holdings/changes", "/health/live"])
async def test_what_was_answered_is_given_back(service: Running, path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    headers = service.collector()

    async def left() -> int:
        await service.client.get(path, headers=headers)
        with no_collection():
            before = kept_stacks()
            for _ in range(ASKED):
                assert (await service.client.get(path, headers=headers)).status_code == 200
            return kept_stacks() - before

    assert await left() < ASKED
    # The control: its scope is left as it is.

    async def kept_as_it_is(self: EmptiedScope, scope: object, receive: object, send: object) -> None:
        await self._app(scope, receive, send)  # type: ignore[arg-type]

    monkeypatch.setattr(EmptiedScope, "__call__", kept_as_it_is)
    assert await left() >= 3 * ASKED
