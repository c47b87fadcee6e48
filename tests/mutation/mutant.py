"""A mutant: one small change of the service's text that some test has to notice."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path

Found = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


class NotApplicable(ValueError):
    """The text that a mutant changes is not there exactly once."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """In `function` of `module` (a qualified name, such as `Store.add`) the text `fragment` becomes `replacement`.

    `tests` are what pytest is called with. `equivalent` is the reason why no test can tell the mutant from the original.
    """

    module: str
    function: str
    fragment: str
    replacement: str
    tests: tuple[str, ...]
    equivalent: str = ""

    @property
    def name(self) -> str:
        return f"{self.module}:{self.function}: {self.fragment} -> {self.replacement}"

    def path(self, root: Path) -> Path:
        return root.joinpath(*self.module.split(".")).with_suffix(".py")

    def applied_to(self, source: str) -> str:
        """The module's text with the change. Raises NotApplicable."""
        lines = source.splitlines(keepends=True)
        found = _defined(ast.parse(source), self.function.split("."))
        if found is None:
            raise NotApplicable(f"there is no {self.function} in {self.module}")
        start, end = min([found.lineno, *(node.lineno for node in found.decorator_list)]) - 1, found.end_lineno
        text = "".join(lines[start:end])
        if text.count(self.fragment) != 1:
            raise NotApplicable(f"{self.module}:{self.function} has {text.count(self.fragment)} times: {self.fragment}")
        changed = text.replace(self.fragment, self.replacement)
        if changed == text:
            raise NotApplicable(f"{self.module}:{self.function}: the replacement changes nothing")
        result = "".join([*lines[:start], changed, *lines[end:]])
        ast.parse(result)
        return result


def _defined(tree: ast.AST, names: list[str]) -> Found | None:
    for name in names:
        children = (node for node in ast.iter_child_nodes(tree) if isinstance(node, Found))
        inside = next((node for node in children if node.name == name), None)
        if inside is None:
            return None
        tree = inside
    assert isinstance(tree, Found)
    return tree
