"""The most memory that a process had, as the system remembers it (proc(5): VmHWM of status, clear_refs). `pid` is a number or
`self`. What it has now is psutil's `memory_info().rss`."""

from __future__ import annotations

import ctypes
import os
import tempfile
import threading
from pathlib import Path


def most_resident(pid: int | str = "self") -> int:
    """In bytes, since its start or since `forget_most`; 0 for a process that has ended and was not waited for. Raises OSError
    where there is none."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8", errors="replace").splitlines()
    return 1024 * next((int(line.split()[1]) for line in lines if line.startswith("VmHWM:")), 0)


def forget_most(pid: int | str = "self") -> None:
    """From here on the most is remembered anew."""
    Path(f"/proc/{pid}/clear_refs").write_text("5")


def count_heaps() -> int:
    """How many glibc has divided the memory of this process into (malloc_info(3))."""
    library = ctypes.CDLL(None)
    library.fopen.restype = ctypes.c_void_p
    with tempfile.NamedTemporaryFile() as file:
        stream = ctypes.c_void_p(library.fopen(os.fsencode(file.name), b"w"))
        library.malloc_info(0, stream)
        library.fclose(stream)
        return file.read().decode().count("<heap nr=")


def heaps_of_threads() -> int:
    """How many heaps there are while twelve threads hold memory at the same time."""
    met = threading.Barrier(13)

    def hold() -> None:
        # Larger than what Python allots by itself (512 bytes).
        held = [bytearray(2_000) for _ in range(100)]
        met.wait()
        met.wait()
        held.clear()

    threads = [threading.Thread(target=hold) for _ in range(12)]
    for thread in threads:
        thread.start()
    met.wait()
    heaps = count_heaps()
    met.wait()
    return heaps
