"""Runs the fixed sample of mutants and says how many the tests notice.

    python -m tests.mutation                     all of tests/mutation/mutants.py
    python -m tests.mutation --only clubs        those whose name contains this text
    python -m tests.mutation --check             whether each still applies; no test is run
    python -m tests.mutation --jobs 1            how many at once (2 unless said)

Each mutant is put into a copy of the tree and its own tests run there until the first fails. A mutant is killed when a test
fails or the tests do not end in time; an error in collecting them counts as neither and is reported, as is a mutant that no
longer applies. Before that all tests named run once on the unchanged copy: a test that fails anyway notices nothing.
The rate is that of real mutants; equivalent ones are listed with their reasons and are not run.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

from tests.mutation.mutant import Mutant, NotApplicable
from tests.mutation.mutants import MUTANTS

ROOT = Path(__file__).resolve().parents[2]
COPIED = (
    "service",
    "tests",
    "migrations",
    "set_definitions",
    "docs",
    "pyproject.toml",
    "README.md",
    "DEVELOPERS.md",
    ".ci",
)
SECONDS = 300
KILLED, SURVIVED, BROKEN, EQUIVALENT = "killed", "survived", "BROKEN", "equivalent"


@dataclass(frozen=True, slots=True)
class Outcome:
    mutant: Mutant
    verdict: str
    detail: str = ""
    seconds: float = 0.0


def copy_of_the_tree(folder: Path) -> Path:
    """A copy that mutants can be put into."""
    ignored = shutil.ignore_patterns("__pycache__", "*.pyc")
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=ignored)
        elif source.exists():
            shutil.copy(source, folder / name)
    return folder


def run_tests(tree: Path, tests: Iterable[str], seconds: int) -> tuple[int | None, str]:
    """pytest's exit status (None when it did not end in time) and the last lines that it printed."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "--hypothesis-seed=0", "--tb=no", *tests]
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        ended = subprocess.run(
            command, cwd=tree, env=environment, capture_output=True, text=True, timeout=seconds, check=False
        )
    except subprocess.TimeoutExpired:
        return None, "not in time"
    return ended.returncode, "\n".join(ended.stdout.strip().splitlines()[-4:])


def outcome_of(mutant: Mutant, tree: Path) -> Outcome:
    path, begun = mutant.path(tree), time.monotonic()
    try:
        original = path.read_text(encoding="utf-8")
        changed = mutant.applied_to(original)
    except (NotApplicable, OSError, SyntaxError) as error:
        return Outcome(mutant, BROKEN, str(error))
    path.write_text(changed, encoding="utf-8")
    try:
        status, printed = run_tests(tree, mutant.tests, SECONDS)
    finally:
        path.write_text(original, encoding="utf-8")
    verdict = {0: SURVIVED, 1: KILLED, None: KILLED}.get(status, BROKEN)
    failed = [line.partition(" - ")[0] for line in printed.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return Outcome(mutant, verdict, failed[0] if failed else printed, time.monotonic() - begun)


def run_all(mutants: Sequence[Mutant], jobs: int) -> list[Outcome]:
    with tempfile.TemporaryDirectory() as temporary:
        trees: SimpleQueue[Path] = SimpleQueue()
        for number in range(jobs):
            folder = Path(temporary) / str(number)
            folder.mkdir()
            trees.put(copy_of_the_tree(folder))

        def one(mutant: Mutant) -> Outcome:
            tree = trees.get()
            try:
                found = outcome_of(mutant, tree)
            finally:
                trees.put(tree)
            print(f"{found.verdict:10} {found.seconds:5.0f}s  {mutant.name}\n{'':18}{found.detail}", flush=True)
            return found

        unchanged = Path(temporary) / "0"
        status, printed = run_tests(
            unchanged, sorted({test for mutant in mutants for test in mutant.tests}), 10 * SECONDS
        )
        if status != 0:
            raise SystemExit(f"the tests fail without any mutant:\n{printed}")
        with ThreadPoolExecutor(jobs) as pool:
            return list(pool.map(one, mutants))


def check(mutants: Iterable[Mutant]) -> int:
    """Says which mutants no longer apply."""
    wrong = 0
    for mutant in mutants:
        try:
            mutant.applied_to(mutant.path(ROOT).read_text(encoding="utf-8"))
        except (NotApplicable, OSError, SyntaxError) as error:
            print(f"{BROKEN}: {error}")
            wrong += 1
    return wrong


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--only", default="", help="those whose name contains this text")
    parser.add_argument("--check", action="store_true", help="whether each mutant still applies; no test is run")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args(arguments)
    chosen = [mutant for mutant in MUTANTS if asked.only in mutant.name]
    if asked.check:
        return 1 if check(chosen) else 0
    real = [mutant for mutant in chosen if not mutant.equivalent]
    outcomes = run_all(real, asked.jobs)
    counted = Counter(outcome.verdict for outcome in outcomes)
    for verdict in (SURVIVED, BROKEN):
        for outcome in outcomes:
            if outcome.verdict == verdict:
                print(f"{verdict}: {outcome.mutant.name}\n    {outcome.detail}")
    for mutant in chosen:
        if mutant.equivalent:
            print(f"{EQUIVALENT}: {mutant.name}\n    {mutant.equivalent}")
    tried = counted[KILLED] + counted[SURVIVED]
    print(f"{counted[KILLED]} of {tried} real mutants killed ({100 * counted[KILLED] / max(tried, 1):.1f} %); ", end="")
    print(f"{len(chosen) - len(real)} equivalent, {counted[BROKEN]} broken")
    return 0 if tried == counted[KILLED] and not counted[BROKEN] else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
