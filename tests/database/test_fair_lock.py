"""The lock before SQLite's one writer."""

from __future__ import annotations

import threading
import time

import pytest

from service.database.fair_lock import FairLock
from service.errors import Busy


def queued(lock: FairLock, count: int, order: list[int]) -> list[threading.Thread]:
    """Threads that wait for the lock in the order of their numbers."""

    def wait(number: int) -> None:
        with lock.held():
            order.append(number)

    threads = []
    for number in range(count):
        thread = threading.Thread(target=wait, args=(number,))
        thread.start()
        threads.append(thread)
        while len(lock._waiting) <= number:
            time.sleep(0.001)
    return threads


def test_whoever_came_first_is_served_first() -> None:
    lock, order = FairLock(50, 10), list[int]()
    with lock.held():
        threads = queued(lock, 20, order)
    for thread in threads:
        thread.join(10)
    assert order == list(range(20))


def test_past_the_queue_a_writer_is_refused_at_once() -> None:
    lock, order = FairLock(2, 10), list[int]()
    with lock.held():
        threads = queued(lock, 2, order)
        with pytest.raises(Busy), lock.held():
            pass
    for thread in threads:
        thread.join(10)
    assert order == [0, 1]
    with lock.held():
        pass


def test_whoever_waited_too_long_leaves_and_the_lock_goes_on() -> None:
    lock = FairLock(5, 0.02)
    with lock.held():
        started = time.monotonic()
        with pytest.raises(Busy), lock.held():
            pass
        assert time.monotonic() - started < 5
    with lock.held():
        pass


def test_only_one_is_inside_at_a_time() -> None:
    lock, inside, most = FairLock(100, 30), 0, 0

    def work() -> None:
        nonlocal inside, most
        for _ in range(50):
            with lock.held():
                inside += 1
                most = max(most, inside)
                time.sleep(0)
                inside -= 1

    threads = [threading.Thread(target=work) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert most == 1
