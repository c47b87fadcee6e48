"""The units for systemd: they can be read, they fit the program, and each is confined. systemd's own tool judges them, and is
shown worse ones, which it must refuse."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from pydantic import SecretStr
from typer.main import get_command

from service.__main__ import app
from service.settings import PREFIX, Settings

UNITS = Path(__file__).resolve().parents[2] / "docs" / "deploy" / "systemd"
SERVICES = ("setwright-web@.service", "setwright-worker.service", "setwright-backup.service")
# From 0, closed, to 10, open to everything; a plain unit has 9.
WORST = 1.6
BEGIN = "# --- what all of Setwright's services may do"
with_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="it needs systemd-analyze (Debian: apt install systemd)"
)


def unit(name: str) -> str:
    return (UNITS / name).read_text(encoding="utf-8")


def directives(text: str) -> list[tuple[str, str]]:
    return re.findall(r"^(\w+)=(.*)$", text, re.MULTILINE)


def only(text: str, name: str) -> str:
    (value,) = [value for key, value in directives(text) if key == name]
    return value


def put(folder: Path, **changed: str) -> list[str]:
    """All units in a folder, with programs that are there; `changed` texts take the place of some by their name."""
    names = []
    for path in sorted(UNITS.glob("setwright*")):
        text = changed.get(path.name, path.read_text(encoding="utf-8"))
        # An instance of the template, which is what systemd runs.
        name = path.name.replace("@.", "@8001.")
        (folder / name).write_text(text.replace("/opt/setwright/bin/setwright", "/bin/true"), encoding="utf-8")
        names.append(name)
    return names


def complaints(folder: Path, names: list[str]) -> str:
    done = subprocess.run(
        ["systemd-analyze", "verify", *(f"./{name}" for name in names)],
        cwd=folder, env={"PATH": "/usr/bin:/bin", "SYSTEMD_LOG_LEVEL": "warning"}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    ours = [line for line in (done.stdout + done.stderr).splitlines() if "setwright" in line]
    return "\n".join([*ours, *([f"exit status {done.returncode}"] if done.returncode else [])])


@with_systemd
def test_systemd_can_read_every_unit(tmp_path: Path) -> None:
    names = put(tmp_path)
    assert len(names) == 5
    assert complaints(tmp_path, names) == ""
    misspelt = unit("setwright-worker.service").replace("ProtectSystem=", "ProtectSytem=")
    assert "Unknown key" in complaints(tmp_path, put(tmp_path, **{"setwright-worker.service": misspelt}))
    senseless = unit("setwright-backup.timer").replace("03:10:00", "25:10:00")
    assert "Failed to parse calendar" in complaints(tmp_path, put(tmp_path, **{"setwright-backup.timer": senseless}))


def exposure(folder: Path, name: str) -> float:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", f"./{name}"],
        cwd=folder, env={"PATH": "/usr/bin:/bin"}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    found = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    return float(found[1])


@with_systemd
@pytest.mark.parametrize("name", SERVICES)
def test_every_service_is_confined(name: str, tmp_path: Path) -> None:
    put(tmp_path)
    found = exposure(tmp_path, name.replace("@.", "@8001."))
    print(f"{name}: {found} of 10")
    assert found <= WORST
    # The control: the same unit without what confines it, and one with a single hole.
    open_text = unit(name).partition(BEGIN)[0]
    put(tmp_path, **{name: open_text})
    assert exposure(tmp_path, name.replace("@.", "@8001.")) > 8
    put(tmp_path, **{name: unit(name).replace("CapabilityBoundingSet=\n", "")})
    assert exposure(tmp_path, name.replace("@.", "@8001.")) > WORST


def test_all_services_are_confined_by_the_same_lines() -> None:
    blocks = {re.split(r"\n\[Install\]", unit(name).partition(BEGIN)[2])[0].strip() for name in SERVICES}
    assert len(blocks) == 1
    (block,) = blocks
    assert {"User=setwright", "NoNewPrivileges=true", "ProtectSystem=strict", "CapabilityBoundingSet="} <= set(
        block.splitlines()
    )
    for name in SERVICES:
        told = dict(directives(unit(name)))
        assert {"MemoryMax", "CPUQuota", "TasksMax"} <= set(told), name
    # Processes that work for a request lower their priority and limit their memory; systemd would refuse them that.
    assert (
        "@resources"
        not in only(block, "RestrictAddressFamilies") + block.partition("SystemCallFilter=~")[2].splitlines()[0]
    )


def test_the_units_call_commands_of_the_program() -> None:
    commands = get_command(app).commands  # type: ignore[attr-defined]
    program, name, *options = only(unit("setwright-web@.service"), "ExecStart").replace("%i", "8001").split()
    asked = commands[name].make_context(name, options).params
    assert (asked["host"], asked["port"]) == ("127.0.0.1", 8001)
    assert only(unit("setwright-worker.service"), "ExecStart") == f"{program} worker"
    # The script of docs/deploy/backup.sh: into a folder that it may write to, and how many are kept.
    shell, script, folder, keep = only(unit("setwright-backup.service"), "ExecStart").split()
    assert (shell, Path(script).name, keep.isdigit()) == ("/bin/sh", "backup.sh", True)
    assert only(unit("setwright-backup.service"), "ReadWritePaths") == folder


def test_the_settings_of_the_units_are_settings_and_are_read(tmp_path: Path) -> None:
    password = tmp_path / "database-password"
    password.write_text("a:b@c/d", encoding="utf-8")
    told = dict(directives((UNITS / "settings").read_text(encoding="utf-8")))
    by_hand = dict(told)
    for value in (value for key, value in directives(unit("setwright-web@.service")) if key == "Environment"):
        told |= dict(word.partition("=")[::2] for word in value.split())
    assert told.pop("PYTHONUNBUFFERED") == "1"
    # A command that is typed by hand has no unit: without these a backup would look for photos elsewhere, and have none.
    assert by_hand == {name: value for name, value in told.items() if name != "SETWRIGHT_JOBS_IN_SERVER"}
    assert told.pop("SETWRIGHT_DATABASE_PASSWORD_FILE") == "/etc/setwright/database-password"
    assert set(told) <= {PREFIX + name.upper() for name in Settings.model_fields}
    fields = {key.removeprefix(PREFIX).lower(): text for key, text in told.items()}
    url = SecretStr(fields.pop("database_url"))
    settings = Settings(database_url=url, database_password_file=password, **fields)  # type: ignore[arg-type]
    assert settings.database.password == "a:b@c/d"
    assert settings.photos_folder.is_relative_to("/var/lib/setwright")
    assert settings.first_token_path.is_relative_to("/var/lib/setwright")
    assert len(settings.trusted_networks) == 2
