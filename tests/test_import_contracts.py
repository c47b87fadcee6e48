"""Every clause of every import contract is proven by one planted import: the contract must refuse it.

A clause is one layer above another, two layers beside one another, a module that no layer names, one module that may not import,
or one module that may not be imported. The imports are planted in a copy of the graph of imports, so nothing is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("importlinter", reason="import-linter comes with the checks, not with the tests")
import grimp
from importlinter.application.use_cases import read_user_options
from importlinter.configuration import configure
from importlinter.contracts.forbidden import ForbiddenContract
from importlinter.contracts.layers import LayersContract
from importlinter.contracts.protected import ProtectedContract
from importlinter.domain.contract import Contract

configure()
ROOT = Path(__file__).resolve().parents[1]
TYPES: dict[str, type[Contract]] = {
    "forbidden": ForbiddenContract,
    "layers": LayersContract,
    "protected": ProtectedContract,
}


@cache
def settings() -> Any:
    return read_user_options(str(ROOT / "pyproject.toml"))


@cache
def graph() -> Any:
    return grimp.build_graph("service", include_external_packages=True, cache_dir=None)


def contracts() -> dict[str, dict[str, Any]]:
    return {options["id"]: options for options in settings().contracts_options}


def is_kept(options: dict[str, Any], planted: Any) -> bool:
    made = TYPES[options["type"]](
        name=options["name"], session_options=settings().session_options, contract_options=deepcopy(options)
    )
    kept: bool = made.check(planted, verbose=False).kept
    return kept


def matching(expression: str) -> list[str]:
    """The modules that a module expression names: `*` is one step, `**` one or more (import-linter's documentation)."""
    pattern = re.escape(expression).replace(r"\*\*", r"\w+(?:\.\w+)*").replace(r"\*", r"\w+")
    found = sorted(module for module in graph().modules if re.fullmatch(pattern, module))
    return found or [expression]


def planted(importer: str, imported: str) -> Any:
    changed = deepcopy(graph())
    for module in (importer, imported):
        if module not in changed.modules:
            changed.add_module(module, is_squashed=not module.startswith("service"))
    changed.add_import(importer=importer, imported=imported, line_number=1, line_contents="planted")
    return changed


def layers_of(options: dict[str, Any]) -> list[list[str]]:
    return [[name.strip() for name in layer.split("|")] for layer in options["layers"]]


def exempt(options: dict[str, Any], importer: str, imported: str) -> bool:
    """Whether the contract lets this very import pass."""
    for entry in options.get("ignore_imports", ()):
        one, other = (part.strip() for part in entry.split("->"))
        if importer in matching(one) and imported in matching(other):
            return True
    return False


def breaks() -> Iterator[tuple[str, str, str]]:
    """(contract, importer, imported) for each clause."""
    for name, options in contracts().items():
        if options["type"] == "layers":
            (container,) = options["containers"]
            levels = layers_of(options)
            for upper, lower in pairwise(levels):
                yield name, f"{container}.{lower[0]}", f"{container}.{upper[-1]}"
            for level in levels:
                for one, other in combinations(level, 2):
                    yield name, f"{container}.{one}", f"{container}.{other}"
                    yield name, f"{container}.{other}", f"{container}.{one}"
        elif options["type"] == "protected":
            for expression in options["protected_modules"]:
                for module in matching(expression):
                    yield name, f"{module.rpartition('.')[0]}.actions", module
                    yield name, "service.http.wire", module
        else:
            sources, targets = options["source_modules"], options["forbidden_modules"]
            pairs = [(source, targets[0]) for source in sources] + [(sources[0], target) for target in targets[1:]]
            for source, target in pairs:
                importers = [module for part in matching(source) for module in (part, *inside(part))]
                # A module that is exempt proves nothing.
                imported = matching(target)[0]
                importer = next(module for module in importers if not exempt(options, module, imported))
                yield name, importer, imported


def inside(module: str) -> list[str]:
    return sorted(other for other in graph().modules if other.startswith(f"{module}."))


def test_the_contracts_hold() -> None:
    assert [name for name, options in contracts().items() if not is_kept(options, deepcopy(graph()))] == []


@pytest.mark.parametrize(("contract", "importer", "imported"), list(breaks()))
def test_a_planted_import_breaks_its_clause(contract: str, importer: str, imported: str) -> None:
    assert not is_kept(contracts()[contract], planted(importer, imported))


def test_a_room_that_no_layer_names_breaks_the_layers() -> None:
    changed = deepcopy(graph())
    changed.add_module("service.attic")
    assert str(contracts()["layers"]["exhaustive"]) == "True"
    assert not is_kept(contracts()["layers"], changed)


@pytest.mark.parametrize(
    ("contract", "importer", "imported"),
    [
        ("tables-behind-stores", "service.http.api.swaps", "service.clubs.tables"),
        ("pure-core", "service.progress.evaluate", "sqlalchemy"),
        ("tables-behind-stores", "service.progress.evaluate", "service.definitions.tables"),
        ("tables-behind-stores", "service.clubs.swaps.actions.proposals", "service.clubs.swaps.tables"),
        ("tables-behind-stores", "service.clubs.swaps.actions.proposals", "service.clubs.tables"),
        ("pure-core", "service.clubs.swaps.proposal", "service.clubs.swaps.store"),
    ],
)
def test_arrows_that_once_passed_break_a_contract(contract: str, importer: str, imported: str) -> None:
    assert {importer, imported} <= graph().modules
    assert not is_kept(contracts()[contract], planted(importer, imported))


def test_no_modules_import_one_another_in_a_circle() -> None:
    """No circle of files, at whatever depth of folders."""
    modules = {module for module in graph().modules if module.startswith("service")}
    after = {module: graph().find_modules_directly_imported_by(module) & modules for module in modules}
    state: dict[str, int] = {}

    def visit(module: str, path: tuple[str, ...]) -> None:
        state[module] = 1
        for other in sorted(after[module]):
            assert state.get(other) != 1 or other == module, " -> ".join((*path, module, other))
            if other not in state:
                visit(other, (*path, module))
        state[module] = 2

    for module in sorted(modules):
        if module not in state:
            visit(module, ())
