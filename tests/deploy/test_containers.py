"""What Dockerfile and docker-compose.yml promise: a valid file, no root, nothing written but where it must be, limits, health, a
database that only the service reaches. Each look at a file is also made at one that breaks the promise."""

from __future__ import annotations

import copy
import fnmatch
import json
import os
import re
import stat
import subprocess
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema_rs import Draft7Validator
from pydantic import SecretStr
from typer.main import get_command

from service.__main__ import app
from service.settings import PREFIX, Settings
from tests.openapi import openapi_document
from tests.supply.parts import BUILD_LOCK, LOCK

ROOT = Path(__file__).resolve().parents[2]
COMPOSE_TEXT = (ROOT / "docker-compose.yml").read_text(encoding="utf-8")
RECIPE = (ROOT / "Dockerfile").read_text(encoding="utf-8")
SCHEMA = json.loads((ROOT / "tests" / "data" / "compose-spec" / "compose-spec.json").read_text(encoding="utf-8"))
OURS = ("setwright", "worker", "backup", "restore")
VARIABLES = {PREFIX + name.upper() for name in Settings.model_fields}


def composed() -> dict[str, Any]:
    made: dict[str, Any] = yaml.safe_load(COMPOSE_TEXT)
    return made


def stages() -> dict[str, list[tuple[str, str]]]:
    """The instructions of each stage of the Dockerfile."""
    joined = re.sub(r"\\\n(?:#.*\n)*", " ", re.sub(r"^#.*\n", "", RECIPE, flags=re.MULTILINE))
    found: dict[str, list[tuple[str, str]]] = {}
    name = ""
    for line in joined.splitlines():
        word, _, rest = line.strip().partition(" ")
        if word == "FROM":
            base, as_name = re.fullmatch(r"(\S+) AS (\S+)", rest).groups()  # type: ignore[union-attr]
            assert base == "${PYTHON_IMAGE}"
            name = as_name
            found[name] = []
        elif word and name:
            found[name].append((word, re.sub(r"\s+", " ", rest)))
    return found


def of(stage: str, word: str) -> list[str]:
    return [rest for instruction, rest in stages()[stage] if instruction == word]


# --- docker-compose.yml -----------------------------------------------------------------------------------------------


def faults_of_schema(told: dict[str, Any]) -> list[str]:
    return [f"{error.instance_path}: {error.message[:80]}" for error in Draft7Validator(SCHEMA).iter_errors(told)]


def test_the_composition_is_one_by_the_specification() -> None:
    assert faults_of_schema(composed()) == []
    for break_it in (
        lambda told: told["services"]["setwright"].update(memory_limit="1g"),
        lambda told: told["services"]["database"]["deploy"]["resources"]["limits"].update(memory=["1g"]),
        lambda told: told["networks"].update(inside={"private": True}),
    ):
        broken = composed()
        break_it(broken)
        assert len(faults_of_schema(broken)) == 1


def broken_promises(told: dict[str, Any]) -> Iterator[str]:
    """What a composition does not keep of what docs/deploy.md promises."""
    for name, service in told["services"].items():
        user = str(service.get("user", ""))
        if not re.fullmatch(r"[1-9]\d*:[1-9]\d*", user):
            yield f"{name}: runs as '{user}'"
        if service.get("read_only") is not True:
            yield f"{name}: its root file system can be written to"
        if service.get("cap_drop") != ["ALL"] or service.get("cap_add"):
            yield f"{name}: it has capabilities"
        if service.get("security_opt") != ["no-new-privileges:true"] or service.get("privileged"):
            yield f"{name}: it can get more rights"
        limits = service.get("deploy", {}).get("resources", {}).get("limits", {})
        if not {"cpus", "memory", "pids"} <= set(limits):
            yield f"{name}: no limits"
        if name not in ("worker", "restore") and not service.get("healthcheck", {}).get("test"):
            yield f"{name}: nobody sees whether it is well"
        if not any(entry.startswith("/tmp:") for entry in service.get("tmpfs", ())):
            yield f"{name}: no /tmp"
        for port in service.get("ports", ()):
            if name != "proxy" and not port.startswith("127.0.0.1:"):
                yield f"{name}: everybody reaches port {port}"
        for volume in service.get("volumes", ()):
            if volume.partition(":")[0] not in told["volumes"]:
                yield f"{name}: it writes to {volume}"
        networks = set(service["networks"])
        if name == "database" and networks != {"inside"}:
            yield "database: reached from outside"
        if name == "proxy" and "inside" in networks:
            yield "proxy: it reaches the database"
        for value in (service.get("environment") or {}).values():
            if re.search(r"postgresql://[^@]*:", str(value)):
                yield f"{name}: a password in an address"
    if told["networks"]["inside"].get("internal") is not True:
        yield "inside: reached from outside"


def test_nothing_runs_as_root_or_writes_or_grows_or_is_reached_where_it_should_not() -> None:
    assert list(broken_promises(composed())) == []


@pytest.mark.parametrize(
    ("break_it", "seen"),
    [
        (lambda told: told["services"]["setwright"].pop("user"), "setwright: runs as ''"),
        (lambda told: told["services"]["worker"].update(user="0:0"), "worker: runs as '0:0'"),
        (lambda told: told["services"]["database"].update(read_only=False), "database: its root file system"),
        (lambda told: told["services"]["proxy"].update(cap_add=["NET_ADMIN"]), "proxy: it has capabilities"),
        (lambda told: told["services"]["backup"].pop("security_opt"), "backup: it can get more rights"),
        (lambda told: told["services"]["setwright"]["deploy"]["resources"]["limits"].pop("memory"), "setwright: no limits"),
        (lambda told: told["services"]["setwright"].pop("healthcheck"), "setwright: nobody sees"),
        (lambda told: told["services"]["database"].update(ports=["5432:5432"]), "database: everybody reaches"),
        (lambda told: told["services"]["database"].update(networks=["inside", "outside"]), "database: reached from outside"),
        (lambda told: told["networks"].update(inside={}), "inside: reached from outside"),
        (lambda told: told["services"]["setwright"]["volumes"].append("./data:/data"), "setwright: it writes to ./data"),
    ],
)  # fmt: skip
def test_each_broken_promise_is_seen(break_it: Callable[[dict[str, Any]], object], seen: str) -> None:
    broken = copy.deepcopy(composed())
    break_it(broken)
    (fault,) = broken_promises(broken)
    assert fault.startswith(seen)


def test_the_composition_has_its_parts_and_each_waits_for_what_it_needs() -> None:
    services = composed()["services"]
    assert {name: service.get("profiles", []) for name, service in services.items()} == {
        "database": [], "setwright": [], "worker": [], "proxy": ["tls"], "backup": ["backup"], "restore": ["restore"],
    }  # fmt: skip
    assert services["setwright"]["depends_on"] == {"database": {"condition": "service_healthy"}}
    for name in ("worker", "proxy", "backup"):
        assert services[name]["depends_on"] == {"setwright": {"condition": "service_healthy"}}
    assert services["restore"]["depends_on"] == {"database": {"condition": "service_healthy"}}
    # Whoever asks the database is on its network.
    assert all("inside" in services[name]["networks"] for name in OURS)
    targets = {service["build"]["target"] for service in services.values() if "build" in service}
    assert targets == {"setwright", "proxy"} <= set(stages())


def test_base_images_come_with_digests_from_the_installation() -> None:
    # Nobody here can know a digest that is right tomorrow; without one compose stops and says what to do.
    assert composed()["services"]["database"]["image"].startswith("${SETWRIGHT_POSTGRES_IMAGE:?")
    arguments = {
        service["build"]["args"]["PYTHON_IMAGE"][:26]
        for service in composed()["services"].values()
        if "build" in service
    }
    assert arguments == {"${SETWRIGHT_PYTHON_IMAGE:?"}
    assert re.search(r"^ARG PYTHON_IMAGE$", RECIPE, re.MULTILINE)
    assert "ARG PYTHON_IMAGE=" not in RECIPE


@pytest.mark.parametrize(
    ("image", "accepted"),
    [
        (f"python:3.11-slim-bookworm@sha256:{'0123456789abcdef' * 4}", True),
        (f"registry.test:5000/python@sha256:{'0' * 64}", True),
        ("python:3.11-slim-bookworm", False),
        ("python@sha256:0123", False),
        (f"python@sha256:{'0' * 64}0", False),
        (f"python@md5:{'0' * 64}", False),
        ("", False),
    ],
)
def test_the_build_stops_when_its_base_is_named_without_a_digest(image: str, accepted: bool) -> None:
    command = of("build", "RUN")[0]
    done = subprocess.run(
        ["sh", "-c", command], env={**os.environ, "PYTHON_IMAGE": image}, capture_output=True, text=True, check=False
    )
    assert (done.returncode == 0) is accepted
    assert accepted or "name the base with its digest" in done.stderr


def test_the_settings_of_the_containers_are_settings_and_are_read(tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_text("a:b@c/d\n", encoding="utf-8")
    services = composed()["services"]
    for name in OURS:
        given = services[name]["environment"]
        given.pop("TMPDIR", None)
        assert set(given) <= VARIABLES
        assert given["SETWRIGHT_DATABASE_PASSWORD_FILE"] == "/run/secrets/database-password"
        assert services[name]["secrets"] == ["database-password"]
        # A default of compose, ${NAME:-default}, counts as such.
        plain = {key: re.sub(r"\$\{\w+:-([^}]*)\}", r"\1", value) for key, value in given.items()}
        fields: dict[str, Any] = {key.removeprefix(PREFIX).lower(): text for key, text in plain.items()}
        fields["database_password_file"] = password
        settings = Settings(database_url=SecretStr(fields.pop("database_url")), **fields)
        assert (settings.database.password, settings.is_sqlite) == ("a:b@c/d", False)
    database = services["database"]["environment"]
    assert (settings.database.username, settings.database.database) == (
        database["POSTGRES_USER"],
        database["POSTGRES_DB"],
    )
    assert settings.database.host == "database"
    # The proxy's fixed address is the one that is believed.
    assert plain["SETWRIGHT_TRUSTED_PROXIES"] == services["proxy"]["networks"]["outside"]["ipv4_address"]
    assert services["setwright"]["networks"]["outside"]["ipv4_address"] != plain["SETWRIGHT_TRUSTED_PROXIES"]
    told = (ROOT / "docs" / "deploy" / "Caddyfile").read_text(encoding="utf-8")
    assert set(services["proxy"]["environment"]) <= set(re.findall(r"\{\$(SETWRIGHT_\w+)", told))


def test_what_can_be_written_to_is_a_volume_that_the_image_made_for_its_user() -> None:
    (made,) = [re.findall(r"install -d -o (\d+) -g \d+ -m 0700 ([^&|]+)", line) for line in of("setwright", "RUN")]
    ((user, folders),) = made
    assert f"{user}:{user}" == composed()["services"]["setwright"]["user"] == of("setwright", "USER")[0]
    for name in OURS:
        for volume in composed()["services"][name]["volumes"]:
            assert volume.split(":")[1] in folders.split()
    assert composed()["services"]["proxy"]["user"] == of("proxy", "USER")[0]


def test_the_commands_of_the_containers_are_commands_of_the_program() -> None:
    services = composed()["services"]
    program, name, *options = services["setwright"]["command"]
    asked = get_command(app).commands[name].make_context(name, list(options)).params  # type: ignore[attr-defined]
    assert (program, asked["host"], asked["workers"]) == ("setwright", "0.0.0.0", 2)
    (address,) = re.findall(
        r"http://127\.0\.0\.1:(\d+)(/[\w/]+)", " ".join(services["setwright"]["healthcheck"]["test"])
    )
    assert int(address[0]) == asked["port"]
    assert "get" in openapi_document()["paths"][address[1]]
    assert [port.rpartition(":")[2] for port in services["setwright"]["ports"]] == [str(asked["port"])]
    assert services["worker"]["command"] == ["setwright", "worker"]
    assert services["backup"]["command"][1] == "/usr/local/bin/setwright-backup"
    # It writes photos, which the backup only reads, and unpacks where the disk is.
    restore = services["restore"]
    assert restore["entrypoint"][0] == "setwright"
    assert restore["entrypoint"][1] in get_command(app).commands  # type: ignore[attr-defined]
    assert restore["volumes"] == ["photos:/var/lib/setwright/photos", "backups:/backups"]
    assert restore["environment"]["TMPDIR"] == "/backups"
    assert ("COPY", "docs/deploy/backup.sh /usr/local/bin/setwright-backup") in stages()["setwright"]


# --- the Dockerfile ---------------------------------------------------------------------------------------------------


def test_the_image_is_built_in_stages_and_takes_only_the_finished_environment() -> None:
    assert list(stages()) == ["build", "proxy", "setwright"]
    assert of("setwright", "COPY") == [
        "--from=build /opt/setwright /opt/setwright",
        "docs/deploy/backup.sh /usr/local/bin/setwright-backup",
    ]
    final = " ".join(of("setwright", "RUN"))
    assert not re.search(r"\b(gcc|build-essential|make|python3-dev|git|curl)\b", final)
    assert "pip uninstall -y" in final
    assert re.findall(r"apt-get install -y --no-install-recommends ([\w -]+?) &&", final) == ["postgresql-client"]


def test_the_image_has_no_root_a_health_check_and_labels() -> None:
    for stage in ("proxy", "setwright"):
        words = [word for word, _ in stages()[stage]]
        assert words.index("USER") < words.index("CMD")
        assert re.fullmatch(r"[1-9]\d{3,}:[1-9]\d{3,}", of(stage, "USER")[0])
        assert len(of(stage, "HEALTHCHECK")) == 1
    (labels,) = of("setwright", "LABEL")
    for name in ("title", "version", "revision", "licenses", "base.name"):
        assert f"org.opencontainers.image.{name}=" in labels
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    assert f"VERSION={version}" in of("setwright", "ARG")
    assert composed()["services"]["setwright"]["image"] == f"setwright:{version}"


def test_every_package_of_the_image_is_compared_with_its_hash() -> None:
    commands = " && ".join(of("build", "RUN"))
    installs = re.findall(r"pip (?:--python \S+ )?(?:install|wheel) [^&]*", commands)
    assert len(installs) == 4
    for install in installs:
        assert "--no-deps" in install
        # From the index with hashes, or from what those made, without any index.
        assert ("--require-hashes" in install) != ("--no-index" in install), install
    for lock in (BUILD_LOCK, LOCK):
        assert f"-r .ci/{lock.name}" in commands


def sent_to_the_builder(name: str) -> bool:
    """Whether .dockerignore lets a file through; the last line that says something of it counts."""
    let = True
    for line in (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            pattern = line.removeprefix("!").removeprefix("**/")
            parts = name.split("/")
            prefixes = ["/".join(parts[:end]) for end in range(1, len(parts) + 1)]
            pool = parts if line.startswith("**/") else prefixes
            if any(fnmatch.fnmatch(part, pattern) for part in pool):
                let = line.startswith("!")
    return let


def test_all_that_the_image_copies_is_there_and_is_sent_and_no_secret_is() -> None:
    copied = [
        word for stage in stages() for line in of(stage, "COPY") if "--from" not in line for word in line.split()[:-1]
    ]
    assert {"pyproject.toml", "service", "migrations", ".ci/requirements.lock"} <= set(copied)
    assert [name for name in copied if not (ROOT / name).exists() or not sent_to_the_builder(name)] == []
    for name in (
        ".env",
        "secrets/database-password",
        ".git/config",
        "tests/conftest.py",
        "service/__pycache__/app.pyc",
    ):
        assert not sent_to_the_builder(name), name
    assert sent_to_the_builder("service/app.py")


# --- the scripts ------------------------------------------------------------------------------------------------------


def stand_in(folder: Path, body: str) -> Path:
    """A container engine that says what a real one would, since none reaches a registry from here."""
    program = folder / "engine"
    program.write_text(f"#!/bin/sh\n{body}\n", encoding="utf-8")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return program


def prepare(folder: Path, engine: Path) -> subprocess.CompletedProcess[str]:
    command = ["sh", str(ROOT / "docs" / "deploy" / "prepare.sh")]
    environment = {**os.environ, "CONTAINER_ENGINE": str(engine)}
    return subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)


def test_the_preparation_makes_a_password_and_writes_digests_and_changes_nothing_later(tmp_path: Path) -> None:
    digest = "sha256:" + "0123456789abcdef" * 4
    engine = stand_in(tmp_path, f'case "$*" in "image inspect "*) echo "somewhere/python@{digest}" ;; esac')
    done = prepare(tmp_path, engine)
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    secret = tmp_path / "secrets" / "database-password"
    password = secret.read_text(encoding="utf-8")
    assert re.fullmatch(r"\S{32}", password)
    assert password not in done.stdout
    assert (stat.S_IMODE(secret.stat().st_mode), stat.S_IMODE(secret.parent.stat().st_mode)) == (0o444, 0o700)
    text = (tmp_path / ".env").read_text(encoding="utf-8")
    assert text.splitlines() == [
        f"SETWRIGHT_PYTHON_IMAGE=python:3.11-slim-bookworm@{digest}",
        f"SETWRIGHT_POSTGRES_IMAGE=postgres:15-alpine@{digest}",
    ]
    asked = set(re.findall(r"\$\{(\w+):\?", COMPOSE_TEXT))
    assert asked == set(re.findall(r"^(\w+)=", text, re.MULTILINE))
    assert prepare(tmp_path, engine).stdout == ""
    assert (secret.read_text(encoding="utf-8"), (tmp_path / ".env").read_text(encoding="utf-8")) == (password, text)


def test_the_preparation_stops_when_no_digest_is_told(tmp_path: Path) -> None:
    done = prepare(tmp_path, stand_in(tmp_path, "echo python:3.11"))
    assert done.returncode == 1
    assert "does not tell the digest of python:3.11-slim-bookworm" in done.stderr
    assert (tmp_path / ".env").read_text(encoding="utf-8") == ""
