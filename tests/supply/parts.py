"""Which packages the service runs with, and which the tests pinned them to."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
CONSTRAINTS = ROOT / ".ci" / "constraints.txt"
LOCK = ROOT / ".ci" / "requirements.lock"
BUILD_LOCK = ROOT / ".ci" / "build.lock"
# What an installation may choose; the image has them all.
EXTRAS = ("s3", "redis", "telemetry")
ARCHITECTURES = ("x86_64", "aarch64")
_PIN = re.compile(r"^([A-Za-z0-9._-]+)==([^\s\\;]+)")


def project() -> dict[str, Any]:
    told: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return told


def pins(text: str) -> dict[str, str]:
    """The versions of a file of `NAME==VERSION` lines, by normalized name."""
    found = [_PIN.match(line) for line in text.splitlines()]
    return {canonicalize_name(pin[1]): pin[2] for pin in found if pin}


def environment(architecture: str) -> dict[str, str]:
    """What markers are read against: CPython 3.11 on Linux."""
    return {
        "implementation_name": "cpython",
        "implementation_version": "3.11.14",
        "os_name": "posix",
        "platform_machine": architecture,
        "platform_python_implementation": "CPython",
        "platform_release": "",
        "platform_system": "Linux",
        "platform_version": "",
        "python_full_version": "3.11.14",
        "python_version": "3.11",
        "sys_platform": "linux",
    }


def asked() -> list[Requirement]:
    """What pyproject.toml asks for, with the extras of an installation."""
    told = project()
    extras = (entry for extra in EXTRAS for entry in told["optional-dependencies"][extra])
    return [Requirement(text) for text in (*told["dependencies"], *extras)]


def needed(requirements: Iterable[Requirement], markers: Mapping[str, str]) -> set[str]:
    """The normalized names of these packages and of all that they need, by the metadata of those that are installed here."""
    found: set[tuple[str, str]] = set()
    waiting = [(requirement, "") for requirement in requirements]
    while waiting:
        requirement, extra = waiting.pop()
        if requirement.marker and not requirement.marker.evaluate({**markers, "extra": extra}):
            continue
        name = canonicalize_name(requirement.name)
        for of in ("", *requirement.extras):
            if (name, of) not in found:
                found.add((name, of))
                waiting += [(Requirement(text), of) for text in distribution(name).requires or ()]
    return {name for name, _ in found}


@cache
def shipped() -> dict[str, str]:
    """The packages of the image with their pinned versions, on every architecture."""
    pinned = pins(CONSTRAINTS.read_text(encoding="utf-8"))
    names = {name for architecture in ARCHITECTURES for name in needed(asked(), environment(architecture))}
    return {name: pinned[name] for name in sorted(names)}


def build_pins() -> dict[str, str]:
    """What builds the service, and the packages that come as source."""
    return pins(BUILD_LOCK.read_text(encoding="utf-8"))
