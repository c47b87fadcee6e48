"""`.ci/requirements.lock`: the pins of `.ci/constraints.txt` that the image needs, each with the SHA-256 of the files that may be
installed. pip takes no hashes in constraints of an editable installation, hence a file of its own."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from packaging.utils import canonicalize_name

from tests.supply.parts import ARCHITECTURES

# Debian 12 has glibc 2.36.
_GLIBC = range(36, 4, -1)
_HEAD = """\
# The packages of the image, for `pip install --require-hashes --no-deps`: the pins of constraints.txt with the SHA-256 of
# their files for CPython 3.11 on Linux (x86_64, aarch64). Renew: python -m tests.supply lock.
"""
_BUILD_HEAD = """\
# What builds the service and those packages that come as source; it is not in the image. To update, change the version,
# then: python -m tests.supply lock.
"""


def lock(packages: Mapping[str, str]) -> str:
    """The text of the lock of these versions by name. Asks the package index that pip is set up with."""
    return _HEAD + _entries(packages)


def build_lock(packages: Mapping[str, str]) -> str:
    """The same for what builds, which is not in the image."""
    return _BUILD_HEAD + _entries(packages)


def _entries(packages: Mapping[str, str]) -> str:
    hashes: dict[str, set[str]] = {name: set() for name in packages}
    for architecture in ARCHITECTURES:
        for item in _found(packages, architecture):
            name = canonicalize_name(item["metadata"]["name"])
            hashes[name].add(item["download_info"]["archive_info"]["hashes"]["sha256"])
    return "".join(_entry(name, packages[name], hashes[name]) for name in sorted(packages))


def _entry(name: str, version: str, hashes: set[str]) -> str:
    return " \\\n".join([f"{name}=={version}", *(f"    --hash=sha256:{digest}" for digest in sorted(hashes))]) + "\n"


def _found(packages: Mapping[str, str], architecture: str) -> list[dict[str, Any]]:
    """The file of each package that pip would install on such a machine, by pip's own report."""
    tags = [f"manylinux_2_{minor}_{architecture}" for minor in _GLIBC]
    tags += [f"{old}_{architecture}" for old in ("manylinux2014", "manylinux2010", "manylinux1")]
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        command = [sys.executable, "-m", "pip", "install", "-q", "--dry-run", "--ignore-installed", "--no-deps"]
        command += ["--implementation=cp", "--python-version=3.11", f"--target={folder}/none", f"--report={report}"]
        command += [f"--platform={tag}" for tag in tags]
        command += [f"{name}=={version}" for name, version in packages.items()]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise SystemExit(f"pip found no file of every package for {architecture}:\n{done.stderr}")
        found: list[dict[str, Any]] = json.loads(report.read_text(encoding="utf-8"))["install"]
    return found
