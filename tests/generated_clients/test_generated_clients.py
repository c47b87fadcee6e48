"""Clients that public generators make of the OpenAPI document: every operation is generated, strict type checks pass, and a small
journey with each works. Two public linters find no error in the document.

A step of its own in .ci/run: it needs Node.js, which the product does not. Generators: openapi-python-client,
openapi-typescript (with openapi-fetch). Linters: redocly's recommended rules, spectral's rules for OpenAPI.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import own_database
from tests.generated_clients.workshop import run
from tests.openapi import operations
from tests.server import Server, serving

pytestmark = pytest.mark.clients
EXPECTED = {
    "title": "Two crowns",
    "statuses": [["old", "filled"], ["new", "tentative"]],
    "possible": 2,
    "refused": ["/facts/denomination"],
}


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    with own_database(tmp_path, None) as url, serving(url) as started:
        yield started


def journey(command: list[str], server: Server, folder: Path) -> Any:
    token = server.token()
    assert token is not None
    return json.loads(run(*command, server.address, token, cwd=folder, PYTHONPATH=str(folder)))


def test_the_python_client_has_every_operation_and_works(workshop: Path, server: Server) -> None:
    printed = run(
        *("openapi-python-client", "generate", "--path", "openapi.json", "--config", "generator.yaml"),
        *("--meta", "none", "--output-path", "setwright_client", "--overwrite"),
        cwd=workshop,
    )
    # Nothing but other forms of a body than JSON is left out.
    complaints = re.findall(r"^(?:Unsupported content type|Cannot|Unable|Failed|Invalid).*", printed, re.MULTILINE)
    assert {
        line for line in complaints if not re.search(r"type (application/yaml|text/csv|application/vnd)", line)
    } == set()
    made = {path.stem for path in (workshop / "setwright_client" / "api").rglob("*.py") if path.stem != "__init__"}
    assert made == {declared["operationId"] for _, _, declared in operations()}
    # A fault of this generator: it leaves out an import where nothing may be left out but one of several forms of a body.
    photo = workshop / "setwright_client" / "api" / "photos" / "put_photo.py"
    lacking = photo.read_text(encoding="utf-8")
    assert "Unset" in lacking, "the fault is mended: take this away"
    assert not re.search("^from .* import .*Unset", lacking, re.MULTILINE), "the fault is mended: take this away"
    photo.write_text(f"from ...types import Unset\n{lacking}", encoding="utf-8")
    run(
        sys.executable,
        "-m",
        "mypy",
        "--config-file",
        "mypy.ini",
        "-p",
        "setwright_client",
        "-m",
        "journey",
        cwd=workshop,
    )
    told = journey([sys.executable, "journey.py"], server, workshop)
    assert told == {**EXPECTED, "conflicts": ["undecided"]}


def test_the_typescript_types_have_every_operation_and_work(workshop: Path, server: Server) -> None:
    # A member with a default may be left out of a request.
    run("npx", "openapi-typescript", "openapi.json", "-o", "api.ts", "--default-non-nullable", "false", cwd=workshop)
    text = (workshop / "api.ts").read_text(encoding="utf-8")
    for _, _, declared in operations():
        assert f'operations["{declared["operationId"]}"]' in text, declared["operationId"]
    run("npx", "tsc", "-p", "tsconfig.json", cwd=workshop)
    told = journey(["node", "built/journey.js"], server, workshop)
    held = told.pop("conflicts")
    assert told == EXPECTED
    assert len(held) == 1


def test_two_linters_find_no_error(workshop: Path) -> None:
    run("npx", "redocly", "lint", "openapi.json", "--config", "redocly.yaml", cwd=workshop)
    run("npx", "spectral", "lint", "openapi.json", "--fail-severity", "error", cwd=workshop)
    # A control: a reference that leads nowhere is an error to both.
    document = json.loads((workshop / "openapi.json").read_text(encoding="utf-8"))
    document["components"]["schemas"]["ClubOut"]["properties"]["name"] = {"$ref": "#/components/schemas/Nowhere"}
    (workshop / "wrong.json").write_text(json.dumps(document), encoding="utf-8")
    for command in (
        ["redocly", "lint", "wrong.json", "--config", "redocly.yaml"],
        ["spectral", "lint", "wrong.json", "--fail-severity", "error"],
    ):
        ended = subprocess.run(["npx", *command], cwd=workshop, capture_output=True, check=False)
        assert ended.returncode != 0, command
