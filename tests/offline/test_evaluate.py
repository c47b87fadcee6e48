"""Sets and coins in files, evaluated and explained without a server."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service.__main__ import app
from service.offline import evaluate as evaluate_files
from service.progress.evaluate import evaluate
from service.progress.on_paper import evaluation_html
from tests.test_repository import ROOT

SET = """format: set-definition/1
title: Pennies
slots:
  - id: old
    label: A penny <before> 1901
    accepts: denomination = 'penny' AND year_on_coin < 1901
  - id: new
    accepts: denomination = 'penny' AND year_on_coin >= 1901
"""
COINS = "Number,Denomination,Year\nP-1,penny,1889\nP-2,penny,\nP-3,florin,1920\n"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, list(map(str, arguments)))


@pytest.fixture
def pennies(tmp_path: Path) -> tuple[Path, Path]:
    (tmp_path / "set.yaml").write_text(SET, encoding="utf-8")
    (tmp_path / "coins.csv").write_text(COINS, encoding="utf-8")
    return tmp_path / "set.yaml", tmp_path / "coins.csv"


def shipped() -> list[str]:
    names = sorted(path.name.split(".")[0] for path in (ROOT / "set_definitions").glob("*.expected.json"))
    assert len(names) >= 4
    return names


@pytest.mark.parametrize("name", shipped())
def test_shipped_sets_come_out_as_they_are_published(name: str) -> None:
    folder = ROOT / "set_definitions"
    (definition,) = folder.glob(f"{name}.definition.*")
    expected = json.loads((folder / f"{name}.expected.json").read_text(encoding="utf-8"))
    arguments = [definition, folder / f"{name}.holdings.json", "--today", expected["today"], "--format", "json"]
    answer = run("evaluate", *arguments)
    assert answer.exit_code == 0, answer.stderr
    summary = json.loads(answer.stdout)["summary"]
    wanted = {"places": expected["summary"]["places"], **expected["with_presumptions"]}
    assert {member: summary[member] for member in wanted} == wanted


def test_a_set_of_one_place_is_told_in_the_singular(tmp_path: Path) -> None:
    (tmp_path / "one.yaml").write_text("format: set-definition/1\ntitle: One\nslots: [{id: a, accepts: 'TRUE'}]\n")
    (tmp_path / "coins.csv").write_text(COINS, encoding="utf-8")
    assert "1 place: 1 filled, 0 empty" in run("evaluate", tmp_path / "one.yaml", tmp_path / "coins.csv").stdout


def test_a_sheet_in_every_format(pennies: tuple[Path, Path]) -> None:
    text = run("evaluate", *pennies)
    assert text.exit_code == 0, text.stderr
    assert "2 places: 1 filled, 1 possible, 0 empty" in text.stdout
    assert "\x1b" not in text.stdout + text.stderr
    rows = list(csv.DictReader(io.StringIO(run("evaluate", *pennies, "--format", "csv").stdout)))
    assert [(row["place"], row["status"], row["coin"]) for row in rows] == [
        ("old", "filled", "P-1"),
        ("new", "possible", "P-2"),
    ]
    page = run("evaluate", *pennies, "--format", "html").stdout
    assert "A penny &lt;before&gt; 1901" in page and "1889 penny" in page
    answer = json.loads(run("evaluate", *pennies, "--format", "json", "--today", "2020-02-29").stdout)
    assert answer["evaluated_on"] == "2020-02-29"
    assert run("evaluate", *pennies, "--today", "2021-02-29").exit_code == 2


def test_decimals_are_numbers_in_json(tmp_path: Path) -> None:
    definition, coins = tmp_path / "set.yaml", tmp_path / "coins.csv"
    accepts = "accepts: denomination = 'penny' AND diameter > 16.5 AND diameter < 16.9"
    definition.write_text(
        f"format: set-definition/1\ntitle: Fine\nprefer: [highest: fineness]\nslots:\n  - id: a\n    {accepts}\n",
        encoding="utf-8",
    )
    coins.write_text(
        "Number,Denomination,Fineness,Diameter\nP-1,penny,0.5,16.6\nP-2,penny,0.925,16.6\nP-3,penny,,\n",
        encoding="utf-8",
    )
    evaluated = json.loads(run("evaluate", definition, coins, "--format", "json").stdout)
    loses = [runner["loses_on"] for runner in evaluated["slots"][0]["alternates"] if runner["holding"] == "P-1"]
    assert [(entry["this"], entry["placed"]) for entry in loses] == [(0.5, 0.925)]
    explained = json.loads(run("explain", definition, coins, "--coin", "P-3", "--format", "json").stdout)
    (fact,) = explained["places"][0]["may_be"][0]["settle"]
    (example,) = [outcome["example"] for outcome in fact["outcomes"] if outcome["verdict"] == "yes"]
    assert isinstance(example, float) and 16.5 < example < 16.9


def test_the_command_and_the_service_print_the_same_words(pennies: tuple[Path, Path]) -> None:
    read = evaluate_files.read_set(pennies[0])
    coins = evaluate_files.read_coins(pennies[1], read)
    result = evaluate(evaluate_files.request_of(read, coins, date(2026, 11, 25)))
    printed = run("evaluate", *pennies, "--format", "html", "--today", "2026-11-25").stdout
    assert printed == evaluation_html(read.title, result)


def test_what_is_not_read_is_told(pennies: tuple[Path, Path]) -> None:
    definition, coins = pennies
    coins.write_text("My pennies\n\n" + COINS + "\n", encoding="utf-8")
    answer = run("evaluate", definition, coins)
    assert answer.exit_code == 0
    assert f"{coins}:1: note: no coin: above the headings" in answer.stderr
    assert "note" not in answer.stdout


def test_errors_say_where_and_end_with_1(pennies: tuple[Path, Path]) -> None:
    definition, coins = pennies
    coins.write_text(COINS + "P-1,penny,1890\n", encoding="utf-8")
    twice = run("evaluate", definition, coins)
    assert (twice.exit_code, twice.stdout) == (1, "")
    assert f"{coins}:5: error: row 2 is about the same holding (number 'P-1')" in twice.stderr
    definition.write_text(SET.replace("year_on_coin <", "yeer_on_coin <"), encoding="utf-8")
    wrong = run("evaluate", definition, coins)
    assert wrong.exit_code == 1
    assert f"{definition}:" in wrong.stderr and "/slots/0/accepts" in wrong.stderr
    for bad in (definition.with_name("no.csv"), definition.with_name("no.txt"), definition):
        assert run("evaluate", ROOT / "set_definitions/menagerie-table.definition.yaml", bad).exit_code == 1


def test_json_without_ids_and_with_an_issue_that_is_not_known(pennies: tuple[Path, Path]) -> None:
    definition, coins = pennies
    holdings = coins.with_suffix(".json")
    rows = [{"number": "7", "facts": {"denomination": "penny", "year_on_coin": 1890}, "tags": ["x"]}, {"facts": {}}]
    holdings.write_text(json.dumps({"holdings": rows}), encoding="utf-8")
    places = json.loads(run("evaluate", definition, holdings, "--format", "json").stdout)["slots"]
    assert places[0]["holding"] == "7" and places[0]["status"] == "filled"
    holdings.write_text(json.dumps([{"id": "a", "issue": "none-such", "facts": {}}]), encoding="utf-8")
    unknown = run("evaluate", definition, holdings)
    assert unknown.exit_code == 1
    assert f"{holdings}: error: " in unknown.stderr and "/holdings/0/issue" in unknown.stderr
    holdings.write_text('[3, {"id": "a", "colour": 1}]', encoding="utf-8")
    assert len(run("evaluate", definition, holdings).stderr.splitlines()) >= 2


def test_explanations(pennies: tuple[Path, Path]) -> None:
    fits, next_line, counts = run("explain", *pennies, "--coin", "P-1").stdout.splitlines()
    assert fits == "No. P-1 (1889 penny) fits 'A penny <before> 1901'."
    assert "does not fit: 'new'; it needs " in next_line and "1901" in next_line
    assert counts == "Fits: 1. May fit: 0. Does not fit: 1."
    doubt = run("explain", *pennies, "--coin", "P-2", "--place", "new").stdout
    assert "may belong in 'new'.\nTo check for 'new': year on the coin (" in doubt
    whole = json.loads(run("explain", *pennies, "--coin", "P-3", "--format", "json").stdout)
    assert [place["verdict"] for place in whole["places"]] == ["no", "no"]
    for wrong in (["--coin", "P-9"], ["--coin", "P-1", "--place", "odl"]):
        answer = run("explain", *pennies, *wrong)
        assert (answer.exit_code, answer.stdout) == (1, "")
        assert "error: " in answer.stderr


@pytest.mark.parametrize("command", [["evaluate"], ["explain", "--coin", "P-1"]])
def test_as_a_process(pennies: tuple[Path, Path], command: list[str]) -> None:
    asked = [sys.executable, "-m", "service", *command, *map(str, pennies)]
    done = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == "" and "\x1b" not in done.stdout
    assert "<before>" in done.stdout
