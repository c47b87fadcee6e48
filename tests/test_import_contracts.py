"""Every import contract is proven by breaking it once: a copy of the code with one wrong import must be refused."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
BREAKS = {
    "layers": ("service/facts/truth.py", "import service.rules.text"),
    "pure-core": ("service/evaluation/table.py", "import sqlalchemy"),
    "pydantic-at-the-border": ("service/rules/binding.py", "import pydantic"),
    "markup-in-formats": ("service/http/pages.py", "import html"),
    "lark-in-cql2": ("service/rules/operators.py", "import lark"),
    "ortools-in-assignment": ("service/progress/evaluate.py", "import ortools"),
    "http-in-http": ("service/holdings/actions.py", "import fastapi"),
    "client-alone": ("service/client/model.py", "import service.database.ids"),
    "tables-behind-stores": ("service/holdings/model.py", "import service.holdings.store"),
}
pytest.importorskip("importlinter", reason="import-linter comes with the checks, not with the tests")


def contracts() -> list[str]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return [contract["id"] for contract in settings["tool"]["importlinter"]["contracts"]]


def test_every_contract_has_a_break() -> None:
    assert sorted(contracts()) == sorted(BREAKS)


@pytest.mark.parametrize("contract", contracts())
def test_a_wrong_import_breaks_the_contract(contract: str, tmp_path: Path) -> None:
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    shutil.copytree(ROOT / "service", tmp_path / "service", ignore=shutil.ignore_patterns("__pycache__"))
    path, line = BREAKS[contract]
    source = (tmp_path / path).read_text(encoding="utf-8")
    (tmp_path / path).write_text(source.replace("\nfrom __future__", f"\n{line}\nfrom __future__", 1), encoding="utf-8")
    command = [sys.executable, "-c", "from importlinter.cli import lint_imports_command as run; run()"]
    ended = subprocess.run(
        [*command, "--no-cache", "--contract", contract], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 1, ended.stdout + ended.stderr
    assert "BROKEN" in ended.stdout
