"""docs/deploy/backup.sh: the newest are kept, an older one goes only when a newer one is whole, and a failure ends nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tarfile
import time
from pathlib import Path

import pytest

from tests.backup.installation import prepare
from tests.conftest import settings_for
from tests.server import ROOT

SCRIPT = ROOT / "docs" / "deploy" / "backup.sh"
OLD = [f"setwright-202611{day:02}T031000Z.tar" for day in range(1, 6)]


def program(folder: Path, body: str) -> dict[str, str]:
    """An environment in which `setwright` does this."""
    found = folder / "bin" / "setwright"
    found.parent.mkdir(exist_ok=True)
    found.write_text(f"#!/bin/sh\n{body}\n", encoding="utf-8")
    found.chmod(0o755)
    return {**os.environ, "PATH": f"{found.parent}:{os.environ['PATH']}"}


def run(folder: Path, environment: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    command = ["sh", str(SCRIPT), str(folder), *arguments]
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "backups of the club"
    made.mkdir()
    for name in [*OLD, "setwright-notes.tar", "other.tar"]:
        (made / name).write_text(name, encoding="utf-8")
    return made


def test_the_newest_are_kept_and_nothing_of_others_is_deleted(tmp_path: Path, folder: Path) -> None:
    done = run(folder, program(tmp_path, 'echo whole > "$2"'), "3")
    assert (done.returncode, done.stderr) == (0, "")
    left = sorted(path.name for path in folder.iterdir())
    (new,) = set(left) - {*OLD, "setwright-notes.tar", "other.tar"}
    assert left == sorted([new, *OLD[3:], "setwright-notes.tar", "other.tar"])
    assert done.stdout.count("Deleted") == 3
    # What it makes only its owner reads.
    assert (folder / new).stat().st_mode & 0o077 == 0


def test_a_backup_that_fails_deletes_nothing(tmp_path: Path, folder: Path) -> None:
    before = sorted(path.name for path in folder.iterdir())
    done = run(folder, program(tmp_path, "echo no room >&2; exit 1"), "1")
    assert done.returncode == 1
    assert sorted(path.name for path in folder.iterdir()) == before
    # The control: the same command, whose backup is made, does delete.
    assert run(folder, program(tmp_path, 'echo whole > "$2"'), "1").returncode == 0
    assert not (folder / OLD[-1]).exists()


@pytest.mark.parametrize("keep", ["0", "", "two", "-1", "3x"])
def test_it_does_not_guess_how_many_to_keep(tmp_path: Path, folder: Path, keep: str) -> None:
    done = run(folder, program(tmp_path, 'echo whole > "$2"'), keep)
    assert done.returncode == 2
    assert "is no number from 1 on" in done.stderr
    assert (folder / OLD[0]).exists()


def test_it_goes_on_after_a_failure_and_ends_when_it_is_told_to(tmp_path: Path, folder: Path) -> None:
    environment = program(
        tmp_path, f'[ -e "{tmp_path}/mended" ] || {{ touch "{tmp_path}/mended"; exit 1; }}; echo whole > "$2"'
    )
    process = subprocess.Popen(
        ["sh", str(SCRIPT), str(folder), "2", "1"],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    until = time.monotonic() + 30
    while (folder / OLD[-2]).exists():
        assert time.monotonic() < until
        time.sleep(0.05)
    process.send_signal(signal.SIGTERM)
    _, told = process.communicate(timeout=10)
    assert process.returncode == 0
    assert "no backup was made; trying again in 1 s" in told


@pytest.mark.process
def test_it_backs_up_a_real_database(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'coins.sqlite3'}"
    prepare(settings_for(url))
    folder = tmp_path / "backups"
    folder.mkdir()
    environment = program(tmp_path, f'cd "{ROOT}" && exec "{sys.executable}" -m service "$@"')
    done = run(folder, {**environment, "SETWRIGHT_DATABASE_URL": url}, "2")
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    (made,) = folder.iterdir()
    with tarfile.open(made) as packed:
        assert any(name.endswith("database.sqlite3") for name in packed.getnames())
