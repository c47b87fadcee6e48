"""Programs of the service started as forks of one process that has imported everything, which takes a tenth of the time of a new
interpreter. What such a program sees is what a new one sees: its arguments, its environment, its folder, its signals."""

from __future__ import annotations

import multiprocessing
import os
import runpy
import signal
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from multiprocessing.process import BaseProcess
from multiprocessing.reduction import DupFd
from pathlib import Path
from subprocess import CompletedProcess, TimeoutExpired
from tempfile import TemporaryFile
from typing import IO, Any

ROOT = Path(__file__).resolve().parents[1]

# The same as service/processes.py asks for: in one process there is one server of forks.
_CONTEXT = multiprocessing.get_context("forkserver")


class ForkedProgram:
    """A running program with the parts of subprocess.Popen that tests use. What it prints is read from `stdout`, both streams
    in one."""

    def __init__(self, program: Sequence[str], arguments: Sequence[str], environment: Mapping[str, str]) -> None:
        """`program`: ("-m", module) or ("-c", text)."""
        reading, writing = os.pipe()
        self.stdout: IO[str] = os.fdopen(reading, encoding="utf-8")
        try:
            self._process = _started(program, arguments, environment, writing, writing)
        finally:
            os.close(writing)
        assert self._process.pid is not None
        self.pid: int = self._process.pid

    @property
    def returncode(self) -> int | None:
        return self._process.exitcode

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        self._process.join(timeout)
        status = self._process.exitcode
        if status is None:
            raise TimeoutExpired("a program of the service", timeout or 0.0)
        return status

    def send_signal(self, sign: int) -> None:
        if self.poll() is None:
            with suppress(ProcessLookupError):
                os.kill(self.pid, sign)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


def run_forked(
    program: Sequence[str], arguments: Sequence[str], environment: Mapping[str, str], timeout: float
) -> CompletedProcess[str]:
    """Like subprocess.run with `capture_output` and `text`. Raises TimeoutExpired."""
    with TemporaryFile() as output, TemporaryFile() as errors:
        process = _started(program, arguments, environment, output.fileno(), errors.fileno())
        process.join(timeout)
        if process.exitcode is None:
            process.kill()
            raise TimeoutExpired(list(arguments), timeout)
        told = [stream.read().decode() for stream in (output, errors) if stream.seek(0) == 0]
        return CompletedProcess(list(arguments), process.exitcode, *told)


def _started(
    program: Sequence[str], arguments: Sequence[str], environment: Mapping[str, str], output: int, errors: int
) -> BaseProcess:
    _CONTEXT.set_forkserver_preload(["__main__", "service.inside"])
    handed = (_Handed(output), _Handed(errors))
    process = _CONTEXT.Process(target=_run, args=(tuple(program), tuple(arguments), dict(environment), handed))
    process.start()
    return process


class _Handed:
    """A file descriptor that goes with what is sent to a process that is being started."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def __reduce__(self) -> tuple[Any, ...]:
        return _taken, (DupFd(self._descriptor),)


def _taken(duplicate: Any) -> int:
    return int(duplicate.detach())


def _run(program: tuple[str, str], arguments: tuple[str, ...], environment: dict[str, str], printed: Any) -> None:
    """All of a new process: it becomes that program."""
    # Whoever starts further programs hands on what stands at 0, and nothing but 0, 1 and 2 is there in them.
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    sys.stdin = os.fdopen(0, closefd=False)
    for stream, handed in enumerate(printed, 1):
        os.dup2(handed, stream)
        os.close(handed)
    for output in (sys.stdout, sys.stderr):
        output.reconfigure(write_through=True)  # type: ignore[union-attr]
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(ROOT)
    kind, what = program
    if kind == "-m":
        sys.argv = [what, *arguments]
        runpy.run_module(what, run_name="__main__", alter_sys=True)
    else:
        sys.argv = [kind, *arguments]
        exec(compile(what, "<program>", "exec"), {"__name__": "__main__"})
