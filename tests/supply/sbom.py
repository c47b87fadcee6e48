"""The bill of materials of the image, in CycloneDX, by cyclonedx-py from the lock."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.supply.parts import LOCK, ROOT


def write_sbom(target: Path, lock: Path = LOCK) -> None:
    """Writes it as JSON, each package with its version, package URL and the hashes of its files. cyclonedx-py checks it against
    the schema of CycloneDX. Raises SystemExit with what was wrong."""
    target.parent.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "cyclonedx_py", "requirements", str(lock)]
    command += ["--pyproject", str(ROOT / "pyproject.toml"), "--output-reproducible", "--validate"]
    done = subprocess.run([*command, "--output-file", str(target)], capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"cyclonedx-py made no bill of materials:\n{done.stderr}")
