"""`docs/NOTICE.md`: under which licences the packages of the image are, from their installed metadata."""

from __future__ import annotations

import re
from collections.abc import Mapping
from importlib.metadata import Distribution, distribution

from tests.supply.parts import ROOT

NOTICE = ROOT / "docs" / "NOTICE.md"
# What packages without an SPDX expression write instead, and the expression for it.
_WRITTEN = {
    "3-Clause BSD License": "BSD-3-Clause",
    "Apache 2.0": "Apache-2.0",
    "Apache-2.0": "Apache-2.0",
    "BSD-3-Clause": "BSD-3-Clause",
    "ISC License": "ISC",
    "MIT": "MIT",
    "MIT OR Apache-2.0": "MIT OR Apache-2.0",
    "MPL-2.0": "MPL-2.0",
}
_CLASSIFIED = {"Apache Software License": "Apache-2.0", "MIT License": "MIT"}
# Their metadata say only «BSD» or «LGPL»; read in the licence files that they bring.
_READ = {
    "jinja2": "BSD-3-Clause",
    "pebble": "LGPL-3.0-only",
    "pymeeus": "LGPL-3.0-or-later",
    "scipy": "BSD-3-Clause",
    "segno": "BSD-3-Clause",
}
_COPYLEFT = re.compile(r"GPL|MPL|EPL|CDDL|EUPL")
_HEAD = """\
# Licences of what Setwright runs with

Setwright is under Apache-2.0 ([LICENSE](../LICENSE)); its shipped reference data keep the notices of their sources
([NOTICE](../service/reference/data/NOTICE.md)). It runs with the Python packages below, which the image contains in exactly these
versions. Each brings its licence and its copyright notices with it: in an installation, in the folders `*.dist-info` of
`site-packages`. This page is written by `python -m tests.supply notice` from the metadata of the packages, and CI compares it. It
repeats what their authors say and is no legal advice.

## With conditions on passing them on

{copyleft}
- **LGPL**: Setwright imports these packages as they are and changes nothing in them. Whoever passes the image on passes them on
  too: keep their licence texts, and let whoever gets it put in another version, as anybody can with a Python package (`pip
  install` in an image of their own). Their source is what their authors publish under the version below. Setwright's own code
  stays under Apache-2.0.
- **MPL-2.0** counts by file: whoever changes a file of the package publishes that file. certifi is a list of certificate
  authorities, and is not changed here.
- Wheels contain compiled libraries, whose licences the metadata do not tell one by one: their texts are in the wheels. Of those
  with conditions: libgfortran and libquadmath in numpy and scipy (GPL-3.0 with the GCC Runtime Library Exception,
  LGPL-2.1-or-later), libkeyutils in psycopg-binary (LGPL-2.1-or-later), and the COIN-OR libraries in ortools (EPL-2.0).
- The image is made from others: Debian's packages keep their licences under `/usr/share/doc`, Python's is in its own folder.

## All of them

| package | version | licence | compiled libraries in its wheel for x86_64 |
| --- | --- | --- | --- |
"""


def licence(found: Distribution) -> str:
    """The SPDX expression. Raises LookupError when the metadata have none and nobody has read its licence."""
    name, told = found.name.lower(), found.metadata
    if name in _READ:
        return _READ[name]
    if expression := told.get("License-Expression"):
        return expression
    if (text := told.get("License", "")) in _WRITTEN:
        return _WRITTEN[text]
    classified = {
        line.rpartition(" :: ")[2] for line in told.get_all("Classifier", []) if line.startswith("License ::")
    }
    if len(classified) == 1 and (only := classified.pop()) in _CLASSIFIED:
        return _CLASSIFIED[only]
    raise LookupError(f"{found.name}: read its licence and write it into tests/supply/notice.py")


def libraries(found: Distribution) -> list[str]:
    """The shared libraries of others in the wheel, without their versions; a family is told by its first name."""
    names = {
        re.split(r"-[0-9a-f]{8}|\.so", file.name)[0] for file in found.files or () if re.search(r"\.libs/", str(file))
    }
    return sorted({"libabsl_*" if name.startswith("libabsl_") else name for name in names})


def notice(packages: Mapping[str, str]) -> str:
    """The page for these versions by name, which are installed here."""
    rows, copyleft = [], []
    for name, version in packages.items():
        found = distribution(name)
        if found.version != version:
            raise SystemExit(f"{name} {found.version} is installed here, not {version}: install what is pinned first")
        expression = licence(found)
        rows.append(f"| {name} | {version} | {expression} | {' '.join(libraries(found)) or '-'} |\n")
        if _COPYLEFT.search(expression):
            copyleft.append(f"`{name}` {expression}")
    return _HEAD.format(copyleft=", ".join(copyleft) + ".\n") + "".join(rows)
