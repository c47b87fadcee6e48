"""Which sentences the service refuses requests with, read from its code: every text that becomes the message or the hint of a
fault, what an error says, or a part of one of them. A text that is put together in any other way than as a `Sentence` cannot be
told in another language; `unsaid` has each of these."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

SERVICE = Path(__file__).resolve().parents[1] / "service"

Definition: TypeAlias = ast.FunctionDef | ast.AsyncFunctionDef

_Told: TypeAlias = tuple[int, str, bool]
# Which arguments of each are told, by position and by name, and whether they may be what somebody else wrote too.
_TOLD: Mapping[str, tuple[_Told, ...]] = {
    "Fault": ((1, "message", False), (3, "hint", False)),
    "Fault.of": ((1, "sentence", False), (3, "hint", False)),
    "Problem": ((1, "detail", False),),
    "complaint": ((1, "sentence", False),),
    "Sentence": ((0, "sentence", True),),
    "Invalid": ((1, "detail", False),),
    "InvalidQuery": ((1, "detail", False),),
    "replace": ((99, "message", False), (99, "doing", False)),
    "NotFound": ((0, "kind", False),),
    "TooHeavy": ((0, "doing", False), (1, "limit", False), (3, "remedy", False)),
    "Cost": ((0, "doing", False), (5, "remedy", False)),
    "together": ((0, "doing", True), (2, "counted", True)),
    "times": ((1, "what", True),),
    "stored_id": ((0, "kind", True),),
    "id_of": ((0, "kind", True),),
    "recognised": ((1, "sentences", False),),
    "chained": ((0, "sentence", False),),
    "in_process": ((99, "doing", False),),
    "BrokenCell": ((0, "message", False), (1, "hint", False)),
    "_Refused": ((1, "message", False), (3, "hint", False)),
    **dict.fromkeys(
        (
            *(
                "Conflict",
                "Stale",
                "Forbidden",
                "NotAuthenticated",
                "Busy",
                "StateMismatch",
                "UnknownState",
                "RateLimited",
            ),
            *("QuotaExceeded", "AskedTooSoon", "QuotaFull", "WrongCredentials", "AddressNotAllowed", "FetchFailed"),
            *("FetchUnreadable", "FetchRedirected", "FetchTooLarge", "FetchTooSlow", "DigestMismatch"),
        ),
        ((0, "sentence", False),),
    ),
}
_MAKE_SENTENCES = {"Sentence", "several", "recognised", "chained", "listed", "shape_message", "member_name"}
# What is a sentence already, or a text of whoever called.
_OWNERS = {"self", "cls", "checker", "reader"}
_SENTENCES = {"message", "hint", "told", "detail", "summary", "doing", "limit", "remedy"}


@dataclass
class _Module:
    path: str
    tree: ast.Module
    constants: dict[str, ast.expr] = field(default_factory=dict)
    functions: dict[str, list[Definition]] = field(default_factory=dict)
    # Where a name comes from, of those of the service: a path.
    imported: dict[str, str] = field(default_factory=dict)
    # What is called by which name, and in which function.
    calls: list[tuple[str, ast.Call, Definition | None]] = field(default_factory=list)


class Refusals:
    """`sentences` by where each is said; `unsaid`: where a text is none."""

    def __init__(self, root: Path = SERVICE) -> None:
        self.sentences: dict[str, str] = {}
        self.unsaid: list[str] = []
        # By module ("" for those that every module means) and name.
        self._told: dict[tuple[str, str], tuple[_Told, ...]] = {("", name): told for name, told in _TOLD.items()}
        self._modules = {
            module.path: module for module in (self._read(path, root) for path in sorted(root.rglob("*.py")))
        }
        self._seen = set[int]()
        passed = -1
        # A function that passes on what it is given is one of those that tell.
        while passed != sum(map(len, self._told.values())):
            passed = sum(map(len, self._told.values()))
            self.sentences, self.unsaid, self._seen = {}, [], set()
            for module in self._modules.values():
                for name, call, inside in module.calls:
                    self._call(module, name, call, inside)

    def _read(self, path: Path, root: Path) -> _Module:
        module = _Module(str(path.relative_to(root)), ast.parse(path.read_text(encoding="utf-8")))
        for node in ast.walk(module.tree):
            if isinstance(node, Definition):
                module.functions.setdefault(node.name, []).append(node)
            elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("service."):
                source = str(node.module).removeprefix("service.").replace(".", "/") + ".py"
                module.imported.update({name.asname or name.name: source for name in node.names})
        for statement in module.tree.body:
            match statement:
                case ast.Assign(targets=[ast.Name(id=name)], value=value):
                    module.constants[name] = value
                case ast.AnnAssign(target=ast.Name(id=name), value=ast.expr() as value):
                    module.constants[name] = value
        module.calls.extend(_calls(module.tree, None))
        return module

    def _call(self, module: _Module, name: str, call: ast.Call, inside: Definition | None) -> None:
        told = self._telling(module, name)
        for place, word, is_any in told:
            given = [keyword.value for keyword in call.keywords if keyword.arg == word]
            if len(call.args) > place and not any(isinstance(one, ast.Starred) for one in call.args[: place + 1]):
                given.append(call.args[place])
            for text in given:
                self._text(module, text, inside, is_any)
        if ("", name) in self._told:
            # A part that is a text of ours is told as well.
            plain = {word for _, word, _ in told} | {"pointer", "line", "column", "status", "code"}
            for keyword in call.keywords:
                if keyword.arg not in plain and _is_text(keyword.value):
                    self._complain(module, keyword.value)

    def _telling(self, module: _Module, name: str) -> tuple[_Told, ...]:
        """Which arguments of a function are told, by the name that it is called by."""
        if ("", name) in self._told:
            return self._told["", name]
        owner, _, last = name.rpartition(".")
        where = module.path if not owner or owner in _OWNERS else ""
        return self._told.get((where, last)) or self._told.get((module.imported.get(name, "?"), name)) or ()

    def _complain(self, module: _Module, text: ast.expr) -> None:
        self.unsaid.append(f"{module.path}:{text.lineno} {ast.unparse(text)[:200]}")

    def _text(self, module: _Module, text: ast.expr, inside: Definition | None, is_any: bool) -> None:
        """`is_any`: a text that somebody else wrote may be there as well."""
        if id(text) in self._seen:
            return
        self._seen.add(id(text))
        match text:
            case ast.Constant(value=None):
                pass
            case ast.Constant(value=str(english)):
                self.sentences.setdefault(english, f"{module.path}:{text.lineno}")
            case ast.IfExp(body=body, orelse=orelse):
                self._text(module, body, inside, is_any)
                self._text(module, orelse, inside, is_any)
            case ast.BoolOp(values=values):
                for value in values:
                    self._text(module, value, inside, is_any)
            case ast.Tuple(elts=values) | ast.List(elts=values):
                for value in values:
                    self._text(module, value, inside, is_any)
            case ast.NamedExpr(value=value):
                self._text(module, value, inside, is_any)
            case ast.Attribute(attr=attribute) if attribute in _SENTENCES:
                pass
            case ast.Name(id=name):
                self._named(module, text, name, inside, is_any)
            case ast.Subscript(value=ast.Name(id=name)) if name in module.constants:
                self._all_of(module, module.constants[name])
            case ast.Call(func=ast.Attribute(value=ast.Name(id=name), attr="get")) if name in module.constants:
                self._all_of(module, module.constants[name])
            case ast.Call(func=function):
                self._returned(module, text, ast.unparse(function), is_any)
            case ast.JoinedStr() | ast.BinOp():
                self._complain(module, text)
            case _ if not is_any:
                self._complain(module, text)

    def _named(self, module: _Module, text: ast.Name, name: str, inside: Definition | None, is_any: bool) -> None:
        values = [] if inside is None else list(_assigned(inside, name))
        for value in values:
            self._text(module, value, inside, is_any)
        if inside is not None:
            arguments = [*inside.args.posonlyargs, *inside.args.args, *inside.args.kwonlyargs]
            names = [argument.arg for argument in arguments]
            if name in names:
                place = names.index(name) - (names[0] in ("self", "cls"))
                known = self._told.get((module.path, inside.name), ())
                if place >= 0 and not inside.name.startswith("__") and name not in {word for _, word, _ in known}:
                    self._told[module.path, inside.name] = (*known, (place, name, is_any))
                return
        if name in module.constants:
            self._text(module, module.constants[name], None, is_any)
        elif not values and not is_any:
            self._complain(module, text)

    def _all_of(self, module: _Module, table: ast.expr) -> None:
        """Every text of a table."""
        for node in ast.walk(table):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
                self.sentences.setdefault(node.value, f"{module.path}:{node.lineno}")

    def _returned(self, module: _Module, call: ast.expr, called: str, is_any: bool) -> None:
        """What a function of the service gives back."""
        if called in _MAKE_SENTENCES or self._telling(module, called):
            return
        owner, _, name = called.rpartition(".")
        where = module if not owner or owner in _OWNERS else None
        if not owner and name in module.imported:
            where = self._modules.get(module.imported[name])
        functions = [] if where is None else where.functions.get(name, [])
        for function in functions:
            for node in ast.walk(function):
                if isinstance(node, ast.Return) and node.value is not None and where is not None:
                    self._text(where, node.value, function, is_any)
        if not functions and not is_any:
            self._complain(module, call)


def _is_text(part: ast.expr) -> bool:
    match part:
        case ast.Constant(value=str(text)):
            return any(map(str.isalpha, text))
        case ast.JoinedStr(values=values):
            return any(isinstance(one, ast.Constant) and any(map(str.isalpha, str(one.value))) for one in values)
        case ast.IfExp(body=body, orelse=orelse):
            return _is_text(body) or _is_text(orelse)
        case ast.BoolOp(values=values):
            return any(map(_is_text, values))
    return False


def _assigned(function: Definition, name: str) -> Iterable[ast.expr]:
    for node in ast.walk(function):
        match node:
            case ast.Assign(targets=targets, value=value):
                for target in targets:
                    if isinstance(target, ast.Name) and target.id == name:
                        yield value
                    elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
                        for one, two in zip(target.elts, value.elts, strict=True):
                            if isinstance(one, ast.Name) and one.id == name:
                                yield two
            case ast.AnnAssign(target=ast.Name(id=found), value=ast.expr() as value) if found == name:
                yield value
            case ast.NamedExpr(target=ast.Name(id=found), value=value) if found == name:
                yield value


def _calls(node: ast.AST, inside: Definition | None) -> Iterator[tuple[str, ast.Call, Definition | None]]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Call):
            yield ast.unparse(child.func), child, inside
        yield from _calls(child, child if isinstance(child, Definition) else inside)


if __name__ == "__main__":
    found = Refusals()
    print("\n".join(found.unsaid), len(found.unsaid), len(found.sentences))
