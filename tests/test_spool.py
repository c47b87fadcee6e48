"""What is laid down for a while goes with whoever laid it down, however that ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from service.spool import opened_spool, piece_folder, remove_abandoned
from tests.server import ROOT

_HOLDS = """
import sys, time
from pathlib import Path
from service.spool import opened_spool
with opened_spool(Path(sys.argv[1])) as folder:
    (folder / "answer").write_bytes(b"long")
    print(folder, flush=True)
    time.sleep(600)
"""


def test_a_folder_is_gone_at_the_end_with_all_in_it(tmp_path: Path) -> None:
    with opened_spool(tmp_path) as folder:
        (folder / "answer").write_bytes(b"long")
        assert folder.parent == tmp_path
    assert list(tmp_path.iterdir()) == []


def test_a_folder_of_one_that_was_killed_is_removed_and_one_that_is_held_stays(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", _HOLDS, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        held = Path(process.stdout.readline().strip())
        with opened_spool(tmp_path) as own:
            # The control: it is looked at while both are held.
            assert sorted(tmp_path.iterdir()) == sorted([held, own])
            process.send_signal(signal.SIGKILL)
            process.wait()
            assert (held / "answer").exists()
            remove_abandoned(tmp_path)
            assert list(tmp_path.iterdir()) == [own]
    finally:
        process.kill()
        process.wait()
        process.stdout.close() if process.stdout else None


def test_one_that_is_being_made_stays_for_an_hour_and_what_is_not_ours_for_good(tmp_path: Path) -> None:
    coming, other = tmp_path / "setwright-spool-x", tmp_path / "setwright-other"
    coming.mkdir()
    other.mkdir()
    (tmp_path / "setwright-spool-y").symlink_to(other)
    remove_abandoned(tmp_path)
    assert coming.exists()
    long_ago = time.time() - 7_200
    os.utime(coming, (long_ago, long_ago))
    os.utime(other, (long_ago, long_ago))
    remove_abandoned(tmp_path)
    assert (coming.exists(), other.exists()) == (False, True)


def test_nothing_more_is_laid_down_after_a_piece_has_ended(tmp_path: Path) -> None:
    with piece_folder(tmp_path) as folder:
        (folder / "half").write_bytes(b"x")
        assert folder.stat().st_mode & 0o777 == 0o700
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(FileNotFoundError):
        (folder / "late").write_bytes(b"x")
