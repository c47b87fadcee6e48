"""One folder with the pinned packages for all tests that need Node.js."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.generated_clients.workshop import HERE, run
from tests.openapi import formatted


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the document and the pinned packages."""
    folder = tmp_path_factory.mktemp("clients")
    names = ("package.json", "package-lock.json", "tsconfig.json", "journey.ts", "journey.py", "redocly.yaml")
    for name in (*names, "generator.yaml", "mypy.ini", "web_app.json", "standalone.d.ts"):
        shutil.copy(HERE / name, folder)
    shutil.copy(HERE / "spectral.yaml", folder / ".spectral.yaml")
    (folder / "openapi.json").write_bytes(formatted())
    run("npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", cwd=folder)
    return folder
