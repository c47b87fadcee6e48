"""Load on a server: so many connections, each of which asks again as soon as it has its answer. In a process of its own, which
leaves the processor to the server: `run` starts it and reads what it measured."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
NICE = 10


@dataclass(frozen=True)
class Load:
    """What was measured: answers by status, seconds of the good ones (2xx) in order, of the busiest refusals, and what went
    wrong: no answer within `patience`, or a connection that ended."""

    connections: int
    seconds: float
    statuses: Mapping[int, int]
    good: Sequence[float]
    refused: Sequence[float]
    without_retry_after: int
    late: int
    broken: int

    @property
    def goodput(self) -> float:
        return len(self.good) / self.seconds

    def __str__(self) -> str:
        return (
            f"{self.connections} connections: {self.goodput:.0f}/s good, p50 {percentile(self.good, 50) * 1000:.0f} ms, "
            f"p99 {percentile(self.good, 99) * 1000:.0f} ms, {sum(self.statuses.values()) - len(self.good)} refused, "
            f"{self.late} without an answer, {self.broken} broken"
        )


def percentile(ordered: Sequence[float], part: int) -> float:
    return ordered[min(len(ordered) - 1, len(ordered) * part // 100)] if ordered else float("nan")


def request(method: str, path: str, headers: Mapping[str, str], body: bytes = b"") -> str:
    """The text of a request."""
    lines = [f"{method} {path} HTTP/1.1", "Host: here", *(f"{name}: {value}" for name, value in headers.items())]
    if body:
        lines += ["Content-Type: application/json", f"Content-Length: {len(body)}"]
    return "\r\n".join([*lines, "", body.decode("latin-1")])


def run(port: int, connections: int, seconds: float, requests: Sequence[str], patience: float = 10) -> Load:
    """`requests` are sent in turns."""
    asked = {
        "port": port, "connections": connections, "seconds": seconds, "requests": list(requests), "patience": patience
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-m", "tests.load"],
        cwd=ROOT,
        input=json.dumps(asked),
        capture_output=True,
        text=True,
        check=True,
        timeout=seconds + patience + 60,
    )
    told = json.loads(done.stdout)
    return Load(connections, **{**told, "statuses": {int(status): n for status, n in told["statuses"].items()}})


class _Line(asyncio.Protocol):
    """One connection."""

    def __init__(self, load: _Loader, number: int) -> None:
        self._load, self._next = load, number
        self._got = b""
        self._sent = 0.0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._load.open.add(self)
        self.ask()

    def ask(self) -> None:
        requests = self._load.requests
        self._sent = time.perf_counter()
        self._transport.write(requests[self._next % len(requests)])
        self._next += 1

    def data_received(self, data: bytes) -> None:
        self._got += data
        head, found, body = self._got.partition(b"\r\n\r\n")
        if not found:
            return
        head = head.lower()
        at = head.find(b"content-length: ")
        length = int(head[at + 16 :].split(b"\r\n", 1)[0]) if at >= 0 else 0
        if len(body) < length:
            return
        self._got = body[length:]
        self._load.note(int(head[9:12]), time.perf_counter() - self._sent, b"\r\nretry-after: " in head)
        if self._load.is_going:
            self.ask()
        else:
            self._load.open.discard(self)
            self._transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        if self in self._load.open:
            self._load.open.discard(self)
            self._load.broken += 1


class _Loader:
    def __init__(self, requests: Sequence[bytes]) -> None:
        self.requests = requests
        self.open: set[_Line] = set()
        self.is_going = True
        self.broken = self.without_retry_after = 0
        self._statuses: Counter[int] = Counter()
        self._good: list[float] = []
        self._refused: list[float] = []

    def note(self, status: int, seconds: float, has_retry_after: bool) -> None:
        if not self.is_going:
            # It counts as answered, and for nothing else.
            return
        self._statuses[status] += 1
        if status < 300:
            self._good.append(seconds)
        else:
            self._refused.append(seconds)
            self.without_retry_after += not has_retry_after

    async def run(self, port: int, connections: int, seconds: float, patience: float) -> None:
        loop = asyncio.get_running_loop()
        begun = time.perf_counter()
        for number in range(connections):
            await loop.create_connection(lambda number=number: _Line(self, number), "127.0.0.1", port)  # type: ignore[misc]
        await asyncio.sleep(seconds)
        self.is_going = False
        measured = time.perf_counter() - begun
        until = time.perf_counter() + patience
        while self.open and time.perf_counter() < until:
            await asyncio.sleep(0.02)
        told = {
            "seconds": measured, "statuses": self._statuses, "good": sorted(self._good), "refused": sorted(self._refused),
            "without_retry_after": self.without_retry_after, "late": len(self.open), "broken": self.broken,
        }  # fmt: skip
        print(json.dumps(told))


if __name__ == "__main__":
    os.nice(NICE)
    given = json.load(sys.stdin)
    loader = _Loader([text.encode("latin-1") for text in given["requests"]])
    asyncio.run(loader.run(given["port"], given["connections"], given["seconds"], given["patience"]))
