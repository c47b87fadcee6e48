"""Threads share two heaps of glibc's in a process that serves."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

# What each thread holds is larger than what Python allots by itself (512 bytes), and they hold it at the same time.
_HOLDING = """
import ctypes, os, sys, tempfile, threading
from service.memory import settle_memory

if sys.argv[1] == "settled":
    settle_memory()
met = threading.Barrier(13)

def hold():
    held = [bytearray(2_000) for _ in range(100)]
    met.wait()
    met.wait()

threads = [threading.Thread(target=hold) for _ in range(12)]
for thread in threads:
    thread.start()
met.wait()
library = ctypes.CDLL(None)
library.fopen.restype = ctypes.c_void_p
with tempfile.NamedTemporaryFile() as file:
    stream = ctypes.c_void_p(library.fopen(file.name.encode(), b"w"))
    library.malloc_info(0, stream)
    library.fclose(stream)
    print(file.read().decode().count("<heap nr="))
met.wait()
"""


def heaps(settled: str) -> int:
    told = subprocess.run(
        [sys.executable, "-c", _HOLDING, settled], capture_output=True, text=True, check=True, timeout=60
    )
    return int(told.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other libraries of C have no such limit")
def test_threads_share_two_heaps() -> None:
    # malloc_info(3) lists them.
    assert heaps("settled") <= 2
    assert heaps("as it is") > 2
