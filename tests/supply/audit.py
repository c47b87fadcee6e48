"""Known faults of the packages of the image, by pip-audit from the OSV database."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from tests.supply.parts import LOCK

_UNREACHED = (
    "requests.exceptions.ConnectionError",
    "ConnectionError: Could not connect",
    "requests.exceptions.ReadTimeout",
)


class Outcome(StrEnum):
    """NOT_REACHABLE says nothing about the packages, and fails nothing: the database is somewhere else."""

    CLEAN = "clean"
    FAULTY = "faulty"
    NOT_REACHABLE = "not reachable"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Audit:
    """What came of it, and lines to show."""

    outcome: Outcome
    lines: list[str]

    @property
    def status(self) -> int:
        return 1 if self.outcome in (Outcome.FAULTY, Outcome.FAILED) else 0


def audit(lock: Path = LOCK, database: str | None = None) -> Audit:
    """Asks for every package of the lock. `database` is the address of another OSV database."""
    command = [sys.executable, "-m", "pip_audit", "--requirement", str(lock), "--require-hashes", "--disable-pip"]
    command += ["--vulnerability-service=osv", "--format=json", "--progress-spinner=off", "--timeout=10"]
    command += [] if database is None else [f"--osv-url={database}"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if not done.stdout.strip():
        if any(sign in done.stderr for sign in _UNREACHED):
            return Audit(
                Outcome.NOT_REACHABLE, ["pip-audit: its database is not reachable from here; nothing was checked"]
            )
        return Audit(Outcome.FAILED, ["pip-audit failed:", *done.stderr.splitlines()[-15:]])
    looked_at = json.loads(done.stdout)["dependencies"]
    lines = [
        f"pip-audit: {entry['name']} was not checked: {entry['skip_reason']}"
        for entry in looked_at
        if "skip_reason" in entry
    ]
    skipped = len(lines)
    for entry in looked_at:
        for fault in entry.get("vulns", ()):
            mended = ", ".join(fault["fix_versions"]) or "no version yet"
            lines.append(f"pip-audit: {entry['name']} {entry['version']}: {fault['id']}, mended in {mended}")
    if skipped:
        return Audit(Outcome.FAILED, lines)
    if lines:
        return Audit(Outcome.FAULTY, lines)
    return Audit(Outcome.CLEAN, [f"pip-audit: no known fault in {len(looked_at)} packages"])
