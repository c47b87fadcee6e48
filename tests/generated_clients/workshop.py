"""Running what npm and pip installed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent


def run(*command: str, cwd: Path, **environment: str) -> str:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    ended = subprocess.run(
        command, cwd=cwd, env={**os.environ, "PATH": path, **environment}, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, f"{command}\n{ended.stdout[-8000:]}\n{ended.stderr[-8000:]}"
    return ended.stdout
