"""The processes of a server: which there are, how much memory they have, and one killed now and then."""

from __future__ import annotations

import threading
import time
from collections import Counter, defaultdict
from collections.abc import Callable

import psutil

MIB = 1024 * 1024
_SAMPLE_SECONDS = 5.0


def workers_of(server: int) -> list[psutil.Process]:
    """The web workers of a server, the oldest first: its children that serve."""
    children = psutil.Process(server).children()
    serving = [child for child in children if "spawn_main" in " ".join(_command(child))]
    return sorted(serving, key=lambda child: child.create_time())


def _command(process: psutil.Process) -> list[str]:
    try:
        return list(process.cmdline())
    except psutil.Error:
        return []


class Watch(threading.Thread):
    """Samples the memory of every process below some roots, and kills one worker of each kind every so often: the youngest, so
    that the oldest shows what becomes of its memory."""

    def __init__(
        self,
        web: int,
        jobs: Callable[[], list[psutil.Process]],
        kill_seconds: float,
        stop: threading.Event,
    ) -> None:
        super().__init__(name="watch", daemon=True)
        self._web, self._jobs, self._kill_seconds, self._ending = web, jobs, kill_seconds, stop
        self._began = time.monotonic()
        self.samples: dict[tuple[int, str], list[tuple[float, float]]] = defaultdict(list)
        self.total: list[tuple[float, float]] = []
        self.kills: Counter[str] = Counter()
        self.seen: dict[int, float] = {}
        self.failure = ""

    def run(self) -> None:
        next_kill = self._kill_seconds
        try:
            while not self._ending.is_set():
                self._sample()
                if self._minute() * 60 >= next_kill:
                    next_kill += self._kill_seconds
                    self._kill("web worker", workers_of(self._web))
                    self._kill("job worker", self._jobs())
                self._ending.wait(_SAMPLE_SECONDS)
        except Exception as problem:
            self.failure = f"watch: {problem!r}"

    def _minute(self) -> float:
        return (time.monotonic() - self._began) / 60

    def _sample(self) -> None:
        minute, total = self._minute(), 0.0
        for process, role in self._processes():
            try:
                memory = process.memory_info()
                # Pages of files are the system's: those of a solver's code are read when it solves first, and all processes
                # share them.
                size = (memory.rss - memory.shared) / MIB
                self.seen[process.pid] = process.create_time()
            except psutil.Error:
                continue
            total += size
            self.samples[process.pid, role].append((minute, size))
        self.total.append((minute, total))

    def _processes(self) -> list[tuple[psutil.Process, str]]:
        web = psutil.Process(self._web)
        serving = workers_of(self._web)
        found = [(web, "supervisor"), *((worker, "web worker") for worker in serving)]
        found += [(job, "job worker") for job in self._jobs()]
        known = {process.pid for process, _ in found}
        for process, role in list(found[1:]):
            try:
                below = process.children(recursive=True)
            except psutil.Error:
                continue
            found += [(child, f"work of a {role}") for child in below if child.pid not in known]
        return found

    def _kill(self, kind: str, processes: list[psutil.Process]) -> None:
        if len(processes) < 2:
            # One alone is not killed: nobody would be left to go on, or it was killed and its successor is not there yet.
            self.kills[f"{kind}, not killed"] += bool(processes)
            return
        processes[-1].kill()
        self.kills[kind] += 1

    def left(self) -> list[str]:
        """Processes that were seen and are still there."""
        found = []
        for pid, created in self.seen.items():
            try:
                process = psutil.Process(pid)
                if process.create_time() == created and process.status() != psutil.STATUS_ZOMBIE:
                    found.append(f"{pid} {' '.join(_command(process))[:100]}")
            except psutil.Error:
                continue
        return found
