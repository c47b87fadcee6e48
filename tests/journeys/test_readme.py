"""Every example of the README, and of the page on definitions in a repository, runs somewhere: here, or in the test that is named
beside it. A new example without a test fails."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml
from typer.main import get_command

from service.__main__ import app
from service.analysis.findings import check_definition
from service.client import Device
from service.reference import actions as reference
from tests.named_tests import exists
from tests.server import serving
from tests.strategies import TODAY
from tests.test_repository import README, ROOT, shell_lines

PAGE = (ROOT / "docs" / "definitions-in-a-repository.md").read_text(encoding="utf-8")

# What begins a command of the README, and the test that runs it; or, after "not run: ", why none does.
COMMANDS = {
    "curl ": "tests/test_repository.py::test_every_request_of_the_readme_works_in_its_order",
    ".venv/bin/setwright check ": "tests/offline/test_check.py::test_the_commands_on_files_in_the_readme_run",
    ".venv/bin/setwright schema": "tests/offline/test_check.py::test_the_commands_on_files_in_the_readme_run",
    ".venv/bin/setwright evaluate ": "tests/offline/test_check.py::test_the_commands_on_files_in_the_readme_run",
    ".venv/bin/setwright explain ": "tests/offline/test_check.py::test_the_commands_on_files_in_the_readme_run",
    ".venv/bin/setwright serve": "tests/journeys/test_readme.py::test_the_python_of_the_readme_runs_against_a_served_service",
    "TOKEN=": "not run: it stands for the token that the first start prints",
    "python3 -m venv": "not run: it installs packages; CI runs the second as it is written, "
    "tests/journeys/test_demo.py the demo of the first",
}
# The blocks of other languages, by how many there are.
BLOCKS = {
    "yaml": "tests/journeys/test_readme.py::test_the_definition_of_the_readme_passes_its_own_check",
    "python": "tests/journeys/test_readme.py::test_the_python_of_the_readme_runs_against_a_served_service",
}


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def test_every_example_of_the_readme_is_run_or_has_its_reason() -> None:
    languages = re.findall(r"^```(\w*)$", README, re.MULTILINE)
    assert set(filter(None, languages)) == {"sh", *BLOCKS}
    # An opening and a closing fence for each, and no fence without a language.
    assert len(languages) == 2 * len(list(filter(None, languages)))
    for line in shell_lines():
        ways = [how for begin, how in COMMANDS.items() if line.startswith(begin)]
        assert len(ways) == 1, f"no test runs: {line}"
    for begin, how in COMMANDS.items():
        assert any(line.startswith(begin) for line in shell_lines()), begin
        assert how.startswith("not run: ") or exists(how), how
    assert all(map(exists, BLOCKS.values()))


def test_the_definition_of_the_readme_passes_its_own_check() -> None:
    (text,) = blocks(README, "yaml")
    document = yaml.safe_load(text)
    definition = reference.read_definition(document)
    assert check_definition(definition, {}, TODAY) == []
    # The control: what its examples expect is looked at.
    document["examples"][0]["fits"], document["examples"][0]["not"] = [], ["old"]
    (found,) = check_definition(reference.read_definition(document), {}, TODAY)
    assert (found.code, found.pointer) == ("example-fails", "/examples/0/not/0")


@pytest.mark.process
@pytest.mark.timeout(120)
def test_the_python_of_the_readme_runs_against_a_served_service(
    empty_database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (text,) = blocks(README, "python")
    assert [line for line in shell_lines() if line == ".venv/bin/setwright serve"]
    monkeypatch.chdir(tmp_path)
    with serving(empty_database_url) as server:
        token = server.token()
        assert token is not None, server.printed
        # What the block does is done on the server: nothing of the coin is there before it is synchronised.
        namespace: dict[str, Any] = {"token": token}
        exec(compile(text.replace("http://127.0.0.1:8000", server.address), "README.md", "exec"), namespace)
        device = namespace["device"]
        assert isinstance(device, Device)
        device.close()
        answer = httpx.get(f"{server.address}/v1/holdings", headers={"Authorization": f"Bearer {token}"})
    assert [item["number"] for item in answer.json()["items"]] == ["P-7"]
    assert (tmp_path / "fair.sqlite3").exists()


def test_the_examples_of_the_page_on_repositories_name_what_there_is() -> None:
    (command,) = blocks(PAGE, "sh")
    words = shlex.split(command)
    assert words[:3] == ["setwright", "schema", ">"]
    begin, hooks, job = blocks(PAGE, "yaml")
    assert f"$schema=./{words[3]}" in begin
    assert yaml.safe_load(begin) == {"format": "set-definition/1"}
    (known,) = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
    assert [hook["id"] for repo in yaml.safe_load(hooks)["repos"] for hook in repo["hooks"]] == [known["id"]]
    # The steps that use the program: run by tests/offline/test_check.py in this format.
    runs = [step["run"] for step in yaml.safe_load(job)["jobs"]["check"]["steps"] if "run" in step]
    (check,) = [shlex.split(run) for run in runs if run.startswith("setwright ")]
    asked = get_command(app).commands[check[1]].make_context(check[1], check[2:]).params  # type: ignore[attr-defined]
    assert asked["form"] == "github"
    assert json.loads((ROOT / "set_definitions" / words[3]).read_text(encoding="utf-8"))["$id"]
