"""The types that the web app's modules tell in their comments (JSDoc), checked by TypeScript; what the service answers has the
types of the OpenAPI document (openapi-typescript). The app itself needs neither.

Not followed: what templates give, states and references of hooks (standalone.d.ts), and JSON that no comment gives a type.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from service.web.files import STATIC
from tests.generated_clients.workshop import run

pytestmark = pytest.mark.clients


@pytest.fixture(scope="module")
def app(workshop: Path) -> Path:
    """A copy of the app's modules beside the types."""
    shutil.copytree(STATIC, workshop / "static")
    run("npx", "openapi-typescript", "openapi.json", "--default-non-nullable=false", "-o", "api.d.ts", cwd=workshop)
    return workshop


def complaints(app: Path) -> list[str]:
    """The errors that TypeScript finds: the file, and what is wrong."""
    command = ("npx", "tsc", "-p", "web_app.json", "--pretty", "false")
    told = subprocess.run(command, cwd=app, capture_output=True, text=True, check=False).stdout
    return re.findall(r"^static/.*$", told, re.MULTILINE) or [line for line in told.splitlines() if "error" in line]


PLANTED = {
    "parts/a.js": 'import { say } from "../kept/words.js";\nexport const a = say(7);\n',
    "parts/b.js": 'import { loadSet } from "./data.js";\n'
    'export const b = async () => (await loadSet("x")).evaluation.summary.fill;\n',
    "sheet/c.js": 'import { arranged } from "./album.js";\nexport const c = (/** @type {any} */ x) => arranged(x, x).pages;\n',
    "sheet/d.js": "export const d = () => misspelt;\n",
}


def module_of(complaint: str) -> str:
    found = re.match(r"static/([\w/-]+\.js)", complaint)
    return complaint if found is None else found[1]


def test_the_modules_are_as_their_comments_say(app: Path) -> None:
    before = complaints(app)
    assert before == []
    # The control: a planted error of each kind is seen, and no other.
    for name, text in PLANTED.items():
        (app / "static" / name).write_text(text, encoding="utf-8")
    found = [line for line in complaints(app) if line not in before]
    assert [module_of(line) for line in found] == list(PLANTED), found
