"""What the image is made of is known exactly: versions, files by their hash, licences, a bill of materials."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from importlib.metadata import distribution
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.supply.audit import Outcome, audit
from tests.supply.notice import NOTICE, licence, notice
from tests.supply.parts import (
    BUILD_LOCK,
    CONSTRAINTS,
    LOCK,
    ROOT,
    asked,
    build_pins,
    environment,
    needed,
    pins,
    shipped,
)
from tests.supply.sbom import write_sbom

# These are of the extra [checks], which the README's test command leaves out; .ci/run comes back with them.
with_checks = pytest.mark.skipif(find_spec("pip_audit") is None, reason="it needs the extra [checks]")


def hashes(text: str) -> dict[str, list[str]]:
    """The hashes of a lock by normalized name. Raises ValueError for a line that is none of a lock."""
    found: dict[str, list[str]] = {}
    name = ""
    for line in text.splitlines():
        bare = line.removesuffix(" \\")
        if line.startswith("#"):
            continue
        if pin := re.fullmatch(r"([a-z0-9-]+)==[\w.]+", bare):
            name = pin[1]
            found[name] = []
        elif name and (told := re.fullmatch(r" {4}--hash=sha256:([0-9a-f]{64})", bare)):
            found[name].append(told[1])
        else:
            raise ValueError(line)
    return found


# --- the lock ---------------------------------------------------------------------------------------------------------


def disagreement(lock: str, wanted: dict[str, str]) -> list[str]:
    """What a lock has otherwise than it should."""
    held, files = pins(lock), hashes(lock)
    wrong = [
        f"{name}: {held.get(name)} is locked, {version} is pinned"
        for name, version in wanted.items()
        if held.get(name) != version
    ]
    wrong += [f"{name}: nothing needs it" for name in held if name not in wanted]
    wrong += [f"{name}: no hash" for name, told in files.items() if not told]
    # A compiled package has a file for each architecture.
    for name in wanted:
        tags = distribution(name).read_text("WHEEL") or ""
        if "Root-Is-Purelib: false" in tags and len(files.get(name, ())) < 2:
            wrong.append(f"{name}: it is compiled, and has one hash")
    return wrong


def test_the_lock_has_what_the_constraints_pin_and_no_more() -> None:
    text, wanted = LOCK.read_text(encoding="utf-8"), shipped()
    assert len(wanted) > 60
    assert disagreement(text, wanted) == []
    assert {"psycopg-binary", "minio", "redis", "opentelemetry-sdk"} <= set(wanted)
    assert not {"pytest", "hypothesis", "mypy", "pip-audit", "setuptools"} & set(wanted)
    # The control: each fault is seen.
    assert disagreement(text.replace("fastapi==", "fastapi==9"), wanted) != []
    assert disagreement(re.sub(r"^numpy==.*\n(    .*\n)+", "", text, flags=re.MULTILINE), wanted) != []
    assert disagreement(text + "left-over==1\n", wanted) == ["left-over: nothing needs it", "left-over: no hash"]
    one_less = re.sub(r"^(numpy==.*\n    .*?)( \\\n    .*)", r"\1", text, flags=re.MULTILINE)
    assert disagreement(one_less, wanted) == ["numpy: it is compiled, and has one hash"]


def test_what_builds_is_locked_too_and_is_what_the_project_asks_for() -> None:
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["build-system"]["requires"]
    locked = build_pins()
    for text in told:
        requirement = Requirement(text)
        assert requirement.specifier.contains(locked[canonicalize_name(requirement.name)])
    assert all(hashes(BUILD_LOCK.read_text(encoding="utf-8")).values())


def test_a_package_that_only_one_platform_needs_is_found_by_its_marker() -> None:
    linux = environment("x86_64")
    assert "colorama" not in needed(asked(), linux)
    with_marker = [Requirement("rich; sys_platform == 'win32'"), Requirement("idna")]
    assert needed(with_marker, linux) == {"idna"}


def test_pip_takes_no_hashes_in_constraints_of_an_editable_installation(tmp_path: Path) -> None:
    """The reason for two files. Should pip learn it, one is enough."""
    (tmp_path / "pyproject.toml").write_text(
        '[build-system]\nrequires = ["setuptools"]\nbuild-backend = "setuptools.build_meta"\n'
        '[project]\nname = "tiny"\nversion = "1"\n',
        encoding="utf-8",
    )
    constraints = tmp_path / "constraints.txt"
    constraints.write_text(f"tiny==1 --hash=sha256:{'0' * 64}\nidna==3.20 --hash=sha256:{'0' * 64}\n", encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "--dry-run",
        "--no-index",
        "-c",
        str(constraints),
        "-e",
        str(tmp_path),
        "idna",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode != 0
    assert "cannot be installed when requiring hashes" in done.stderr + done.stdout


# --- licences ---------------------------------------------------------------------------------------------------------


def rows(text: str) -> list[tuple[str, ...]]:
    """Package, version and licence of each row; compiled libraries differ by architecture."""
    return [tuple(cell.strip() for cell in line.split("|")[1:4]) for line in text.splitlines() if line.startswith("| ")]


def test_the_notice_names_every_package_with_its_version_and_its_licence() -> None:
    committed, wanted = NOTICE.read_text(encoding="utf-8"), shipped()
    assert rows(committed) == rows(notice(wanted))
    assert {(name, version) for name, version, _ in rows(committed)[2:]} == set(wanted.items())
    conditions = committed[committed.index("## With conditions") : committed.index("## All of them")]
    for name, text in {"psycopg": "LGPL-3.0-only", "psycopg-binary": "LGPL-3.0-only", "certifi": "MPL-2.0"}.items():
        assert f"`{name}` {text}" in conditions
    # The control: another version is another notice.
    assert rows(committed.replace(f"| {wanted['certifi']} |", "| 2020.1.1 |")) != rows(notice(wanted))


def test_every_licence_is_an_expression_of_known_licences() -> None:
    known = {
        "0BSD",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "CC0-1.0",
        "ISC",
        "LGPL-3.0-only",
        "LGPL-3.0-or-later",
        "MIT",
        "MIT-0",
        "MIT-CMU",
        "MPL-2.0",
        "PSF-2.0",
        "Unlicense",
        "Zlib",
        "AND",
        "OR",
    }
    used = {
        word for name in shipped() for word in licence(distribution(name)).replace("(", " ").replace(")", " ").split()
    }
    # One that is not in the list is looked at by a person before it is shipped.
    assert used - known == set()
    assert "MPL-2.0" in used


# --- the bill of materials --------------------------------------------------------------------------------------------


@with_checks
def test_the_bill_of_materials_is_valid_and_complete(tmp_path: Path) -> None:
    from cyclonedx.schema import SchemaVersion
    from cyclonedx.validation.json import JsonStrictValidator

    target = tmp_path / "made" / "sbom.cdx.json"
    write_sbom(target)
    text = target.read_text(encoding="utf-8")
    told = json.loads(text)
    assert (told["bomFormat"], told["metadata"]["component"]["name"]) == ("CycloneDX", "setwright")
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(text) is None
    named = {canonicalize_name(part["name"]): part for part in told["components"]}
    assert {name: part["version"] for name, part in named.items()} == shipped()
    locked = hashes(LOCK.read_text(encoding="utf-8"))
    assert {name: sorted(hashes_of(part)) for name, part in named.items()} == {
        name: sorted(told) for name, told in locked.items()
    }
    assert all(part["purl"].startswith("pkg:pypi/") for part in named.values())
    # The control: the same look at a lock that lacks a package, and at what is no bill.
    short = tmp_path / "short.lock"
    short.write_text(re.sub(r"^certifi==.*\n(    .*\n)+", "", LOCK.read_text(encoding="utf-8"), flags=re.MULTILINE))
    write_sbom(tmp_path / "short.json", short)
    lacking = {
        canonicalize_name(part["name"]) for part in json.loads((tmp_path / "short.json").read_text())["components"]
    }
    assert set(shipped()) - lacking == {"certifi"}
    assert (
        JsonStrictValidator(SchemaVersion.V1_6).validate_str(text.replace('"type": "library"', '"type": "coin"'))
        is not None
    )


def hashes_of(part: dict[str, Any]) -> set[str]:
    sources = [part, *part.get("externalReferences", ())]
    return {entry["content"] for source in sources for entry in source.get("hashes", ())}


# --- known faults -----------------------------------------------------------------------------------------------------


@contextmanager
def database_of_faults(faulty: str | None, status: int = 200) -> Iterator[str]:
    """An OSV database that knows one fault, of one package, or none."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked_for = json.loads(self.rfile.read(int(self.headers["Content-Length"])))["package"]["name"]
            affected = [{"package": {"name": asked_for, "ecosystem": "PyPI"}, "ranges": []}]
            fault = {"id": "MADE-UP-1", "summary": "A made-up fault.", "affected": affected}
            body = json.dumps({"vulns": [fault]} if asked_for == faulty else {}).encode()
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/v1/query"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@with_checks
def test_a_known_fault_fails_and_a_database_that_is_not_reached_does_not(tmp_path: Path) -> None:
    lock = tmp_path / "two.lock"
    found = re.findall(r"^(?:idna|jinja2)==.*\n(?:    .*\n)+", LOCK.read_text(encoding="utf-8"), flags=re.MULTILINE)
    lock.write_text("".join(found), encoding="utf-8")
    with database_of_faults(None) as address:
        clean = audit(lock, address)
    assert (clean.outcome, clean.status) == (Outcome.CLEAN, 0), clean.lines
    assert clean.lines == ["pip-audit: no known fault in 2 packages"]
    with database_of_faults("jinja2") as address:
        faulty = audit(lock, address)
    assert (faulty.outcome, faulty.status) == (Outcome.FAULTY, 1)
    assert any("jinja2" in line and "MADE-UP-1" in line for line in faulty.lines)
    # Its address, once nobody listens there.
    unreached = audit(lock, address)
    assert (unreached.outcome, unreached.status) == (Outcome.NOT_REACHABLE, 0)
    assert "not reachable" in unreached.lines[0]
    # What fails otherwise is no silent pass.
    with database_of_faults(None, status=500) as address:
        assert audit(lock, address).status == 1


@with_checks
def test_ci_asks_for_known_faults_and_makes_the_bill_of_materials() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for command in ("audit", "sbom"):
        assert f'"$python" -m tests.supply {command}' in script
    assert CONSTRAINTS.read_text(encoding="utf-8").count("--hash") == 0
