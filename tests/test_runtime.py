"""The gate before the solver."""

from __future__ import annotations

import threading

import anyio
import pytest

from service.errors import Busy
from service.runtime import ByteGate, Limiter

pytestmark = pytest.mark.anyio


async def test_past_the_queue_a_call_is_refused_at_once_and_later_ones_are_served() -> None:
    gate, door = Limiter(at_once=1, waiting=1), threading.Event()
    done: list[int] = []

    def call(number: int) -> int:
        door.wait(10)
        return number

    async def enter(number: int) -> None:
        done.append(await gate.run(lambda: call(number)))

    async with anyio.create_task_group() as group:
        group.start_soon(enter, 1)
        group.start_soon(enter, 2)
        await anyio.sleep(0.05)
        with pytest.raises(Busy) as caught:
            await gate.run(lambda: 3)
        assert caught.value.retry_after_seconds > 0
        door.set()
    assert done == [1, 2]
    assert await gate.run(lambda: 4) == 4


async def test_the_event_loop_goes_on_while_a_call_computes() -> None:
    gate, door = Limiter(at_once=1, waiting=0), threading.Event()

    async def open_the_door() -> None:
        await anyio.sleep(0.01)
        door.set()

    async with anyio.create_task_group() as group:
        group.start_soon(open_the_door)
        assert await gate.run(lambda: door.wait(10)) is True


async def test_a_call_that_fails_frees_its_place() -> None:
    gate = Limiter(at_once=1, waiting=0)

    def fail() -> None:
        raise ValueError

    for _ in range(3):
        with pytest.raises(ValueError):
            await gate.run(fail)
    assert await gate.run(lambda: 1) == 1


async def test_a_body_waits_for_none_that_gave_up_before_it() -> None:
    gate, inside = ByteGate(100), list[str]()
    await gate.enter(60, 5)

    async def enter(name: str, size: int, seconds: float) -> None:
        try:
            await gate.enter(size, seconds)
        except Busy:
            inside.append(f"{name} gave up")
        else:
            inside.append(name)

    with anyio.fail_after(5):
        async with anyio.create_task_group() as group:
            group.start_soon(enter, "large", 80, 0.1)
            await anyio.sleep(0.02)
            # There is room for it, and it comes behind one for which there is none.
            group.start_soon(enter, "small", 20, 60)
    assert inside == ["large gave up", "small"]
