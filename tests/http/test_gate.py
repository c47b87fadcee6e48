"""The gate of requests: who comes in, who waits, who is refused, and when a place is given back."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from types import SimpleNamespace
from typing import Any

import pytest
from starlette.types import Message, Receive, Scope, Send

from service.accounts.model import token_digest
from service.http.gate import ACCEPTED, Gate, Gated
from service.http.known_callers import LATELY_SECONDS, KnownCallers, digest_of
from tests.conftest import settings_for

pytestmark = pytest.mark.anyio
CALLERS = KnownCallers()
STATE = SimpleNamespace(state=SimpleNamespace(settings=settings_for("sqlite:///x"), known_callers=CALLERS))
MEMBER, MADE_UP = [(b"authorization", b"Bearer x")], [(b"authorization", b"Bearer y")]
CALLERS.accept(token_digest("x"))


class Work:
    """An application whose requests end when the test says so; `done` are the paths in the order of their ends."""

    def __init__(self) -> None:
        self.begun: list[str] = []
        self.ends: dict[str, asyncio.Event] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        path = scope["path"]
        self.begun.append(path)
        if scope["method"] == "POST":
            while (await receive())["more_body"]:
                pass
        self.ends.setdefault(path, asyncio.Event())
        await self.ends[path].wait()
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"", "more_body": False})

    def end(self, *paths: str) -> None:
        for path in paths:
            self.ends.setdefault(path, asyncio.Event()).set()


class House:
    """A gate, what is behind it, and the requests of a test."""

    def __init__(self, at_once: int, waiting: int, seconds: float = 30) -> None:
        self.work, self.gate = Work(), Gate(at_once, waiting, seconds)
        self._layer = Gated(self.work, self.gate)
        self._tasks: list[asyncio.Task[Message | None]] = []

    async def ask(self, path: str, *given: Any, **scope: Any) -> asyncio.Task[Message | None]:
        """Begins a request; its result is the start of the answer."""
        task = asyncio.create_task(self._asked(path, *given, **scope))
        self._tasks.append(task)
        await settled()
        return task

    async def _asked(
        self, path: str, headers: Sequence[tuple[bytes, bytes]] = (), receive: Receive | None = None, **more: Any
    ) -> Message | None:
        told: list[Message] = []

        async def send(message: Message) -> None:
            told.append(message)

        async def nothing() -> Message:
            return {"type": "http.request", "body": b"", "more_body": False}

        scope = {"type": "http", "method": "GET", "path": path, "headers": [*headers], "app": STATE, **more}
        await self._layer(scope, receive or nothing, send)
        return told[0] if told else None

    def is_empty(self) -> bool:
        return (self.gate.inside, self.gate.waiting) == (0, 0)

    async def close(self) -> None:
        for task in self._tasks:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task


async def settled() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


def status(task: asyncio.Task[Message | None]) -> int | None:
    """None while there is no answer."""
    if not task.done():
        return None
    told = task.result()
    assert told is not None
    return int(told["status"])


@pytest.fixture
async def house_of(anyio_backend: str) -> AsyncIterator[Callable[..., House]]:
    made: list[House] = []

    def make(*given: Any) -> House:
        made.append(House(*given))
        return made[-1]

    yield make
    for house in made:
        await house.close()
        assert house.is_empty()


@asynccontextmanager
async def filled(house: House, strangers: int) -> AsyncIterator[list[asyncio.Task[Message | None]]]:
    """A house with so many requests of strangers that do not end."""
    yield [await house.ask(f"/stranger/{number}") for number in range(strangers)]


async def test_strangers_leave_room_for_accounts(house_of: Callable[..., House]) -> None:
    house = house_of(4, 8)
    async with filled(house, 20) as strangers:
        assert house.work.begun == ["/stranger/0", "/stranger/1"]
        # Four wait, the others are told at once, with the time after which to come back.
        assert [status(task) for task in strangers] == [None] * 6 + [503] * 14
        refusal = strangers[6].result()
        assert refusal is not None
        assert {(b"retry-after", b"2"), (b"content-type", b"application/problem+json")} <= set(refusal["headers"])
        member = await house.ask("/member", MEMBER)
        assert house.work.begun[2:] == ["/member"]
        house.work.end("/member")
        await settled()
        assert status(member) == 200
        # A place of strangers goes to the one who has waited longest.
        house.work.end("/stranger/1")
        await settled()
        assert house.work.begun[3:] == ["/stranger/2"]


async def test_a_token_that_nobody_accepted_is_a_strangers(house_of: Callable[..., House]) -> None:
    house = house_of(4, 8)
    for number in range(20):
        await house.ask(f"/made-up/{number}", MADE_UP)
    assert house.work.begun == ["/made-up/0", "/made-up/1"]
    await house.ask("/member", MEMBER)
    assert house.work.begun[2:] == ["/member"]


async def test_who_is_accepted_further_in_has_the_place_of_an_account(house_of: Callable[..., House]) -> None:
    house, accept = house_of(4, 8), {}

    async def work(scope: Scope, receive: Receive, send: Send) -> None:
        accept[scope["path"]] = scope.get(ACCEPTED)
        await Work.__call__(house.work, scope, receive, send)

    house._layer = Gated(work, house.gate)
    for number in range(4):
        await house.ask(f"/new/{number}", MADE_UP)
    assert house.work.begun == ["/new/0", "/new/1"]
    for _ in range(2):
        accept["/new/0"]()
    await settled()
    assert house.work.begun[2:] == ["/new/2"]
    # One who has given the place back already changes nothing.
    house.work.end("/new/0")
    await settled()
    accept["/new/0"]()
    accept["/new/1"]()
    await settled()
    assert house.work.begun[3:] == ["/new/3"]
    await house.ask("/member", MEMBER)
    assert accept["/member"] is None


def test_a_token_is_known_for_a_while_and_until_it_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    callers = KnownCallers(lambda: now[0])

    def knows(*headers: tuple[bytes, bytes]) -> bool:
        return callers.knows({"headers": headers})

    digest = digest_of({"headers": MEMBER})
    assert digest == token_digest("x")
    callers.accept(digest)
    assert knows(*MEMBER)
    # The first of several is the one that is looked up.
    assert [knows(*MEMBER, *MADE_UP), knows(*MADE_UP, *MEMBER)] == [True, False]
    assert not any(knows((b"authorization", other)) for other in (b"x", b"Basic x", b"Bearer", b"Bearer  ", b""))
    now[0] = LATELY_SECONDS
    assert not knows(*MEMBER)
    callers.accept(digest)
    assert knows(*MEMBER)
    callers.forget(digest)
    assert not knows(*MEMBER)
    monkeypatch.setattr("service.http.known_callers._MOST", 10)
    for number in range(20):
        callers.accept(str(number))
    assert list(callers._accepted) == [str(number) for number in range(10, 20)]


async def test_the_control_with_one_class_lets_strangers_fill_the_house(
    house_of: Callable[..., House], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.http.gate._STRANGERS_PART", 1.0)
    house = house_of(4, 8)
    async with filled(house, 20):
        await house.ask("/member", MEMBER)
        assert "/member" not in house.work.begun


async def test_accounts_come_first_and_take_the_place_of_the_last_stranger(house_of: Callable[..., House]) -> None:
    house = house_of(2, 4)
    inside = [await house.ask(f"/in/{number}", MEMBER) for number in range(2)]
    strangers = [await house.ask(f"/stranger/{number}") for number in range(2)]
    members = [await house.ask(f"/member/{number}", MEMBER) for number in range(4)]
    assert [status(task) for task in strangers] == [503, 503]
    assert [status(task) for task in members] == [None] * 4
    assert status(await house.ask("/member/late", MEMBER)) == 503
    assert (house.gate.counts.full, house.gate.waiting) == (3, 4)
    house.work.end("/in/0")
    await settled()
    assert house.work.begun == ["/in/0", "/in/1", "/member/0"]
    assert status(inside[0]) == 200


async def test_whoever_waits_too_long_is_told_so(house_of: Callable[..., House]) -> None:
    house = house_of(2, 4, 0.2)
    for number in range(2):
        await house.ask(f"/in/{number}", MEMBER)
    begun = asyncio.get_running_loop().time()
    late = await house.ask("/late", MEMBER)
    await asyncio.wait([late], timeout=10)
    assert status(late) == 503
    assert 0.15 < asyncio.get_running_loop().time() - begun < 5
    assert (house.gate.counts.late, house.gate.waiting) == (1, 0)


async def test_a_caller_who_leaves_while_waiting_frees_the_queue(house_of: Callable[..., House]) -> None:
    house = house_of(2, 4)
    for number in range(2):
        await house.ask(f"/in/{number}", MEMBER)
    leaves = await house.ask("/leaves", MEMBER)
    leaves.cancel()
    await settled()
    assert house.gate.waiting == 0
    # One that was let in and cancelled in the same moment gives its place back.
    leaves, stays = await house.ask("/leaves", MEMBER), await house.ask("/stays", MEMBER)
    house.work.end("/in/0")
    while house.gate.counts.waited != 3 or house.gate.waiting == 2:
        await asyncio.sleep(0)
    leaves.cancel()
    house.work.end("/in/1", "/stays")
    await settled()
    assert status(stays) == 200


async def test_what_nobody_waits_for_is_not_begun(house_of: Callable[..., House]) -> None:
    house = house_of(2, 4)
    told = {"setwright.is_gone": lambda: True}
    task = await house.ask("/gone", MEMBER, **told)
    assert (task.result(), house.work.begun, house.gate.counts.gone) == (None, [], 1)


async def test_health_is_always_answered(house_of: Callable[..., House]) -> None:
    house = house_of(2, 0)
    for number in range(2):
        await house.ask(f"/in/{number}", MEMBER)
    assert status(await house.ask("/v1/account", MEMBER)) == 503
    for path in ("/health/live", "/health/ready", "/metrics"):
        house.work.end(path)
        assert status(await house.ask(path)) == 200


async def test_a_stream_takes_no_place(house_of: Callable[..., House]) -> None:
    house = house_of(2, 0)
    ends = asyncio.Event()

    async def stream(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await ends.wait()
        await send({"type": "http.response.body", "body": b"", "more_body": False})

    house.work.__class__ = type("Stream", (Work,), {"__call__": staticmethod(stream)})
    streams = [await house.ask("/stream", MEMBER) for _ in range(10)]
    assert house.gate.inside == 0
    ends.set()
    await settled()
    assert [status(task) for task in streams] == [200] * 10


async def slow_bodies(house: House) -> tuple[list[asyncio.Task[Message | None]], asyncio.Event]:
    """As many requests as there are places, whose bodies come when the event is set."""
    comes = asyncio.Event()

    async def receive() -> Message:
        await comes.wait()
        return {"type": "http.request", "body": b"x", "more_body": False}

    headers = [*MEMBER, (b"content-length", b"1")]
    paths = [f"/upload/{number}" for number in range(2)]
    tasks = [await house.ask(path, headers, receive, method="POST") for path in paths]
    assert house.work.begun == paths
    await asyncio.sleep(0.2)
    return tasks, comes


async def test_a_slow_body_takes_no_place(house_of: Callable[..., House]) -> None:
    house = house_of(2, 4)
    uploads, come = await slow_bodies(house)
    for number in range(2):
        await house.ask(f"/in/{number}", MEMBER)
    assert house.work.begun[2:] == ["/in/0", "/in/1"]
    waiting = await house.ask("/waiting", MEMBER)
    # Once they are whole they wait for a place again, before those that came later.
    come.set()
    await settled()
    assert (house.gate.inside, house.gate.waiting) == (2, 3)
    house.work.end("/in/0", "/in/1", "/upload/0", "/upload/1")
    await settled()
    assert [status(task) for task in uploads] == [200, 200]
    assert house.work.begun[4:] == ["/waiting"]
    house.work.end("/waiting")
    await settled()
    assert status(waiting) == 200


async def test_the_control_that_waits_for_bodies_with_a_place_is_full(
    house_of: Callable[..., House], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.http.gate._BODY_SECONDS", 60)
    house = house_of(2, 4)
    await slow_bodies(house)
    await house.ask("/in", MEMBER)
    assert "/in" not in house.work.begun
