"""Files of other authors that are kept here as their npm packages have them.

`python -m tests.vendored` fetches each package by npm in the version that VENDOR.toml names and compares the bytes. It needs npm
and is a step of .ci/run; the digests are compared by tests/web/test_files.py, without a network.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = (ROOT / "service" / "web" / "vendor", ROOT / "tests" / "web" / "axe-core")


@dataclass(frozen=True, slots=True)
class Vendored:
    """One file of another author: where it is kept, and where it comes from."""

    path: Path
    name: str
    version: str
    in_package: str
    licence: str
    sha256: str
    about: str


def vendored() -> Iterator[Vendored]:
    """Every entry of every VENDOR.toml."""
    for folder in FOLDERS:
        told = tomllib.loads((folder / "VENDOR.toml").read_text(encoding="utf-8"))
        for entry in told["file"]:
            yield Vendored(**{**entry, "path": folder / entry["path"]})


def differing(entries: Iterable[Vendored]) -> list[str]:
    """The files that are not what their packages have, in words."""
    found, entries = [], list(entries)
    with TemporaryDirectory(prefix="setwright-vendored-") as folder:
        for package in sorted({f"{entry.name}@{entry.version}" for entry in entries}):
            archive = _fetched(package, Path(folder))
            with tarfile.open(archive) as opened:
                for entry in entries:
                    if f"{entry.name}@{entry.version}" != package:
                        continue
                    member = opened.extractfile(f"package/{entry.in_package}")
                    if member is None or member.read() != entry.path.read_bytes():
                        found.append(f"{entry.path.relative_to(ROOT)} is not {entry.in_package} of {package}")
    return found


def _fetched(package: str, folder: Path) -> Path:
    ended = subprocess.run(
        ["npm", "pack", "--silent", "--ignore-scripts", package], cwd=folder, capture_output=True, text=True, check=True
    )
    return folder / ended.stdout.split()[-1]


def main() -> int:
    entries = list(vendored())
    found = differing(entries)
    print("".join(f"{line}\n" for line in found), end="")
    print(f"{len(entries)} files of other authors compared, {len(found)} differ.")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
