"""The modules that a browser is sent are the programs that were written: TypeScript's parser, which shares nothing with what
strips them, has the same tree of both."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from service.web.files import SOURCE, WORKER, files
from tests.generated_clients.workshop import HERE, run

pytestmark = pytest.mark.clients


def differing(workshop: Path, changed: dict[str, tuple[bytes, bytes]]) -> list[str]:
    """The modules that are another program; in those of `changed` a piece of what is sent is replaced."""
    for folder in ("sources", "sent"):
        shutil.rmtree(workshop / folder, ignore_errors=True)
    for path, file in files().items():
        if not path.startswith(SOURCE) or path == SOURCE + WORKER:
            continue
        name = path.removeprefix(SOURCE)
        sent, (before, after) = files()[name].content, changed.get(name, (b"", b""))
        assert before in sent
        for folder, content in (("sources", file.content), ("sent", sent.replace(before, after, 1))):
            target = workshop / folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
    shutil.copy(HERE / "same_program.js", workshop)
    return run("node", "same_program.js", "sources", "sent", cwd=workshop).splitlines()


def test_what_is_sent_is_the_same_program(workshop: Path) -> None:
    assert differing(workshop, {}) == []


def test_the_control_sees_a_changed_token_and_a_lost_end_of_a_line(workshop: Path) -> None:
    planted = {
        "kept/said.js": (b"true", b"false"),
        "sheet/tray.js": (b"return best", b"return\nbest"),
        "kept/api.js": (b"`", b"` "),
    }
    assert differing(workshop, planted) == sorted(planted)
