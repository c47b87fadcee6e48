"""Definitions in files, checked without a server."""

from __future__ import annotations

import json
import re
from importlib.metadata import version
from pathlib import Path

import pytest
import yaml
from typer.main import get_command

from service.__main__ import app, main
from tests.test_repository import ROOT

BAD = """format: set-definition/1
title: Pennies
slots:
  - id: old
    accepts: denomination = 'penny' AND finess > 1
  - id: new
    accepts: "grade >= 'x'"
  - id: odd
    acepts: "true"
    accepts: >-
      denomination =
      'penny' AND finess > 1
"""


def written(folder: Path, name: str, text: str) -> str:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return str(path)


def findings(capsys: pytest.CaptureFixture[str], *files: str) -> tuple[int, list[dict[str, object]]]:
    status = main(["check", "--format", "json", *files])
    found: list[dict[str, object]] = json.loads(capsys.readouterr().out)
    return status, found


def test_findings_say_where_in_the_file_they_are(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, "bad.yaml", BAD.replace('    acepts: "true"\n', ""))
    status, found = findings(capsys, path)
    assert status == 1
    assert {finding["file"] for finding in found} == {path}
    lines = BAD.splitlines()
    first, second, third = found
    # Columns of a rule are columns of the line that it is in.
    assert (first["code"], first["line"], first["column"]) == ("unknown-attribute", 5, lines[4].index("finess") + 1)
    assert (second["line"], second["column"]) == (7, lines[6].index("'x'") + 1)
    # In folded text only its beginning is known.
    assert (third["pointer"], third["line"]) == ("/slots/2/accepts", 9)


def test_a_member_that_is_not_known_is_shown_at_its_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, text in (
        ("bad.yaml", "format: set-definition/1\ntitle: Pennies\nslots:\n  - id: a\n    acepts: 'true'\n"),
        (
            "bad.json",
            '{"format": "set-definition/1", "title": "Pennies",\n"slots": [\n\t{"id": "a",\n\t\t  "acepts": "true"}]}',
        ),
    ):
        status, found = findings(capsys, written(tmp_path, name, text))
        (unknown,) = [finding for finding in found if finding["pointer"] == "/slots/0/acepts"]
        assert (status, unknown["line"], unknown["column"]) == (1, 5 if name == "bad.yaml" else 4, 5), found


def test_a_file_that_is_no_yaml_or_is_not_there_is_a_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    broken = written(tmp_path, "broken.yaml", "title: [1\nx: y")
    status, found = findings(capsys, broken, str(tmp_path / "nothing.yaml"))
    assert status == 1
    assert [(finding["code"], finding["line"]) for finding in found] == [("yaml", 2), ("unreadable", 1)]


def test_output_as_text_and_for_github(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, "bad.yaml", BAD.split("  - id: new")[0])
    assert main(["check", path]) == 1
    assert capsys.readouterr().out.startswith(f"{path}:5:41: error: ")
    assert main(["check", "--format", "github", path]) == 1
    # Workflow commands of GitHub Actions, documentation of 2025: from memory.
    assert capsys.readouterr().out.startswith(f"::error file={path},line=5,col=41,title=unknown-attribute::")


def test_the_shipped_definitions_have_no_errors(capsys: pytest.CaptureFixture[str]) -> None:
    files = sorted(map(str, (ROOT / "set_definitions").glob("*.definition.*")))
    assert len(files) >= 4
    status, found = findings(capsys, *files)
    assert status == 0, found


TRIED = """format: set-definition/1
title: Pennies
slots:
  - id: old
    accepts: denomination = 'penny' AND year_on_coin < 1901
examples:
  - label: late penny
    facts: {denomination: penny, year_on_coin: 1902}
    fits:
      - old
"""


def test_examples_are_run_and_one_that_fails_is_shown_where_it_stands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    in_yaml = written(tmp_path, "tried.yaml", TRIED)
    in_json = written(tmp_path, "tried.json", json.dumps(yaml.safe_load(TRIED), indent=1))
    status, found = findings(capsys, in_yaml, in_json)
    assert status == 1
    assert [(one["code"], one["severity"], one["pointer"]) for one in found] == [
        ("example-fails", "error", "/examples/0/fits/0")
    ] * 2
    assert found[0]["message"] == found[1]["message"]
    assert "it needs year on the coin before 1901" in str(found[0]["message"])
    for one, text in zip(found, (TRIED, Path(in_json).read_text(encoding="utf-8")), strict=True):
        line, column = int(str(one["line"])), int(str(one["column"]))
        assert text.splitlines()[line - 1][column - 1 :].strip('"') == "old"
    wrong = TRIED.replace("- old", "- odl").replace("year_on_coin: 1902", "year_on_coin: soon")
    status, found = findings(capsys, written(tmp_path, "wrong.yaml", wrong))
    assert [(one["pointer"], one["line"]) for one in found] == [
        ("/examples/0/facts/year_on_coin", 8),
        ("/examples/0/fits/0", 10),
    ]
    assert findings(capsys, written(tmp_path, "right.yaml", TRIED.replace("1902", "1889"))) == (0, [])


def test_schema_and_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    assert json.loads(capsys.readouterr().out)["properties"]["format"]
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"setwright {version('setwright')}\n"
    assert main(["chek"]) == 2


def test_the_commands_on_files_in_the_readme_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    begin = ".venv/bin/setwright "
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    section = readme.split("## Definitions in files")[1].split("\n## ")[0]
    commands = [line.removeprefix(begin) for line in section.splitlines() if line.startswith(begin)]
    assert [command.split()[0] for command in commands] == ["check", "schema", "evaluate", "explain"]
    for command in commands:
        assert main(command.split()) == 0, command


def test_the_hook_runs_a_command_that_there_is_on_files_named_as_documented() -> None:
    (hook,) = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
    assert hook["entry"].split()[0] == "setwright"
    assert hook["entry"].split()[1] in get_command(app).commands
    shipped = [path.name for path in (ROOT / "set_definitions").iterdir() if ".definition." in path.name]
    assert shipped and all(re.search(hook["files"], name) for name in shipped)
    assert not re.search(hook["files"], "pennies.holdings.json")
