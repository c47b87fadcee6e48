"""What stands around the code says what is so: the README's commands, the containers, the pins."""

from __future__ import annotations

import importlib
import json
import re
import shlex
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from service.__main__ import app
from service.settings import PREFIX, Settings
from tests.conftest import Running

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
VARIABLES = {PREFIX + name.upper() for name in Settings.model_fields}


def shell_lines() -> list[str]:
    """Every command in the README's shell blocks, lines joined where a quote or a backslash goes on."""
    lines: list[str] = []
    for block in re.findall(r"^```sh\n(.*?)^```", README, re.MULTILINE | re.DOTALL):
        waiting = ""
        for line in block.splitlines():
            waiting += line.removesuffix("\\") if line.endswith("\\") else line + "\n"
            if line.endswith("\\"):
                continue
            try:
                shlex.split(waiting)
            except ValueError:
                continue
            lines.append(waiting.strip())
            waiting = ""
        assert not waiting, f"a quote stays open: {waiting}"
    return lines


def requests_of_the_readme() -> list[dict[str, Any]]:
    """The curl commands as method, address, headers and body."""
    found = []
    for line in shell_lines():
        words = shlex.split(line)
        if words[0] != "curl":
            continue
        asked: dict[str, Any] = {"method": "GET", "headers": {}, "content": None}
        rest = iter(words[1:])
        for word in rest:
            if word == "-H":
                name, value = next(rest).split(": ", 1)
                asked["headers"][name] = value
            elif word in ("-d", "--data-binary"):
                body = next(rest)
                asked["content"] = (ROOT / body[1:]).read_bytes() if body.startswith("@") else body.encode()
                asked["method"] = "POST" if asked["method"] == "GET" else asked["method"]
            elif word == "-X":
                asked["method"] = next(rest)
            elif word.startswith("http://127.0.0.1:8000/"):
                asked["url"] = word.removeprefix("http://127.0.0.1:8000")
            else:
                assert word == "-s", f"this test does not know the option {word}"
        found.append(asked)
    return found


# --- the README -------------------------------------------------------------------------------------------------------


def test_the_readme_has_one_command_to_see_it_work_and_one_to_test() -> None:
    commands = [line for line in shell_lines() if line.startswith("python3 -m venv")]
    assert len(commands) == 2
    show, run_tests = commands
    assert show.endswith(" && .venv/bin/setwright demo")
    assert run_tests.endswith(" && .venv/bin/python -m pytest -n 3 --dist worksteal")
    for command in commands:
        assert "-c .ci/constraints.txt" in command
    assert PROJECT["scripts"] == {"setwright": "service.__main__:main"}
    assert get_command(app).commands["demo"].make_context("demo", ["--once"]).params["once"] is True


def test_ci_runs_the_very_test_command_of_the_readme() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (picking,) = re.findall(r"^command=\$\(.*\)$", script, re.MULTILINE)
    assert script.index(picking) < script.index('bash -c "$command"')
    picked = subprocess.run(
        ["bash", "-euc", f'{picking}\nprintf %s "$command"'], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    assert picked == [line for line in shell_lines() if line.startswith("python3 -m venv")][1]


def test_ci_runs_the_fuzz_step_that_a_plain_run_leaves_out() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert '"$python" -m pytest -p schemathesis -n 2 -m fuzz tests/http/test_fuzz.py' in script
    assert (ROOT / "tests" / "http" / "test_fuzz.py").exists()


def test_ci_shows_a_few_benchmarks() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert '"$python" -m tests.benchmarks --quick' in script


@pytest.mark.parametrize(
    "name", ["clubs", "data", "listing", "plots", "swaps", "syncing", "tables", "targets", "writing"]
)
def test_the_benchmarks_know_the_names_that_they_use(name: str) -> None:
    # Nothing else in CI runs all of them.
    importlib.import_module(f"tests.benchmarks.{name}")


def test_the_settings_that_the_readme_names_exist() -> None:
    named = set(re.findall(rf"\b{PREFIX}[A-Z_]+\b", README))
    assert named
    assert named <= VARIABLES


@pytest.mark.anyio
async def test_the_first_evaluation_of_the_readme_comes_out_as_it_says(service: Running) -> None:
    answer = await service.client.request(**requests_of_the_readme()[0])
    assert answer.status_code == 200, answer.text
    places = {slot["place"]: slot for slot in answer.json()["slots"]}
    assert (places["old"]["status"], places["old"]["holding"]) == ("filled", "p1")
    assert (places["new"]["status"], places["new"]["holding"]) == ("tentative", "p2")
    # "Why says POST /v1/explanations with "holding" instead of "holdings"".
    asked = json.loads(requests_of_the_readme()[0]["content"])
    (doubtful,) = [holding for holding in asked.pop("holdings") if holding["id"] == "p2"]
    answer = await service.client.post("/v1/explanations", json={**asked, "holding": doubtful})
    assert answer.status_code == 200, answer.text
    verdicts = {place["place"]: place["verdict"] for place in answer.json()["places"]}
    assert verdicts == {"old": "undecided", "new": "undecided"}
    assert "year_on_coin" in answer.text


@pytest.mark.anyio
async def test_every_request_of_the_readme_works_in_its_order(service: Running) -> None:
    token = service.collector()["Authorization"].removeprefix("Bearer ")
    identity, statuses = "", []
    for asked in requests_of_the_readme():
        headers = {name: value.replace("$TOKEN", token) for name, value in asked["headers"].items()}
        url = asked["url"].replace("/ID/", f"/{identity}/")
        answer = await service.client.request(asked["method"], url, headers=headers, content=asked["content"])
        if url == "/v1/definitions":
            identity = answer.json()["id"]
        statuses.append((asked["method"], asked["url"], answer.status_code))
    assert statuses == [
        ("POST", "/v1/evaluations", 200),
        ("POST", "/v1/definitions", 201),
        ("POST", "/v1/holdings", 201),
        ("GET", "/v1/definitions/ID/evaluation", 200),
        ("PUT", "/v1/account/presumptions", 200),
    ]


# --- documents --------------------------------------------------------------------------------------------------------

DECISIONS = ROOT / "docs" / "decisions"


def documents() -> list[Path]:
    return [
        *ROOT.glob("*.md"),
        *(ROOT / "docs").rglob("*.md"),
        *(ROOT / "set_definitions").glob("*.md"),
        *(ROOT / "service").rglob("*.md"),
    ]


@pytest.mark.parametrize("document", documents(), ids=lambda path: str(path.relative_to(ROOT)))
def test_the_links_of_a_document_lead_somewhere(document: Path) -> None:
    links = re.findall(r"\]\(([^)#]+)\)", document.read_text(encoding="utf-8"))
    inside = [link for link in links if "://" not in link]
    assert [link for link in inside if not (document.parent / link).exists()] == []


def test_the_readme_has_links() -> None:
    # The control of the test above: its pattern finds what a document links to.
    assert "DEVELOPERS.md" in re.findall(r"\]\(([^)#]+)\)", README)


def test_every_decision_is_in_the_index_and_has_its_three_parts() -> None:
    index = (DECISIONS / "README.md").read_text(encoding="utf-8")
    entries = re.findall(r"^\| (\d+) \| \[(.+)\]\((\d{3}-[a-z0-9-]+\.md)\) \|$", index, re.MULTILINE)
    files = sorted(path.name for path in DECISIONS.glob("*.md") if path.name != "README.md")
    assert len(files) >= 50
    assert [name for _, _, name in entries] == files
    for number, (said, title, name) in enumerate(entries, start=1):
        assert int(said) == int(name[:3]) == number
        lines = (DECISIONS / name).read_text(encoding="utf-8").splitlines()
        assert lines[0] == f"# {number}. {title}"
        headings = [at for at, line in enumerate(lines) if line.startswith("## ")]
        assert [lines[at] for at in headings] == ["## Context", "## Decision", "## Consequences"], name
        for begins, ends in zip(headings, [*headings[1:], len(lines)], strict=True):
            assert any(lines[begins + 1 : ends]), f"{name}: nothing under {lines[begins]}"


def test_the_tour_has_a_line_for_every_part_of_the_service() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `service/([^`]+)` \|", text, re.MULTILINE))
    parts = {f"{path.name}/" for path in (ROOT / "service").iterdir() if (path / "__init__.py").exists()}
    parts |= {path.name for path in (ROOT / "service").glob("*.py")}
    assert named == parts - {"__init__.py"}


# --- dependencies -----------------------------------------------------------------------------------------------------


def dependencies() -> list[str]:
    extras = PROJECT["optional-dependencies"].values()
    return [*PROJECT["dependencies"], *(entry for extra in extras for entry in extra)]


def name_of(requirement: str) -> str:
    """The project's name in normal form (Python packaging's specification of names)."""
    found = re.match(r"[A-Za-z0-9._-]+", requirement)
    assert found is not None, requirement
    return re.sub(r"[-_.]+", "-", found[0]).lower()


def test_every_dependency_has_a_lower_and_an_upper_bound() -> None:
    assert len(dependencies()) > 20
    assert [entry for entry in dependencies() if not re.search(r">=[\w.]+,<[\w.]+$", entry)] == []


def test_every_dependency_is_pinned_to_a_version_within_its_bounds() -> None:
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = {name_of(line): line.partition("==")[2] for line in lines if line and not line.startswith("#")}
    assert all(pins.values())

    def version(text: str) -> tuple[int, ...]:
        return tuple(int(part) for part in re.findall(r"\d+", text))

    wrong = []
    for entry in dependencies():
        low, high = re.findall(r"(?:>=|<)([\w.]+)", entry)
        pin = pins.get(name_of(entry))
        if pin is None or not version(low) <= version(pin) < version(high):
            wrong.append((entry, pin))
    assert wrong == []


# Put together here, so that this file itself holds none of them.
REGISTRIES = [
    ".".join(parts)
    for parts in (
        ("pypi", "org"),
        ("pythonhosted", "org"),
        ("pypi", "python", "org"),
        ("registry", "npmjs", "org"),
        ("registry", "yarnpkg", "com"),
        ("crates", "io"),
        ("rubygems", "org"),
        ("repo", "maven", "apache", "org"),
        ("proxy", "golang", "org"),
        ("anaconda", "org"),
        ("docker", "io"),
        ("ghcr", "io"),
        ("quay", "io"),
    )
]


def test_no_file_names_the_host_of_a_package_registry() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    files = [ROOT / name for name in listed.split("\0") if name and (ROOT / name).is_file()]
    assert Path(__file__) in files
    found = []
    for file in files:
        content = file.read_bytes().lower()
        found += [(str(file.relative_to(ROOT)), host) for host in REGISTRIES if host.encode() in content]
    assert found == []
