"""YAML, all of it: a text as the value that it stands for, a value as a text that says the same (`load_yaml` reads it back to
the very same value), and where in a text the part is that a JSON pointer names. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import yaml

from service.errors import Fault, Invalid, Sentence, recognised

_LINE = 110
# What some reader of YAML might take for something else than a text (a number, a date, yes or no, an end of line) is put in
# quotes. Written so are texts that begin with a letter and go on as words.
_WORDS = re.compile(r"[A-Za-z][A-Za-z0-9 _./(),;'<>=+-]*")
_NO_WORD = frozenset(("true", "false", "yes", "no", "on", "off", "null", "y", "n"))


class _Dumper(yaml.SafeDumper):
    """Texts in quotes unless they are plain words; decimals with every digit; no anchors."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def _text(dumper: yaml.SafeDumper, text: str) -> yaml.Node:
    plain = _WORDS.fullmatch(text) and text.lower() not in _NO_WORD and not text.endswith(" ")
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=None if plain else '"')


def _decimal_text(dumper: yaml.SafeDumper, number: Decimal) -> yaml.Node:
    return dumper.represent_scalar("tag:yaml.org,2002:float", str(number))


_Dumper.add_representer(str, _text)
_Dumper.add_representer(Decimal, _decimal_text)


def as_yaml(document: Any) -> str:
    """The document as YAML, members in their order."""
    written: str = yaml.dump(document, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=_LINE)
    return written


# --- reading ---------------------------------------------------------------------------------------------------------


class _Loader(yaml.SafeLoader):
    """YAML 1.1 without its surprises: `no` and `1_000` stay texts, dates stay texts, decimals stay exact."""


_Loader.yaml_implicit_resolvers = {
    first: [
        (tag, pattern) for tag, pattern in resolvers if tag in ("tag:yaml.org,2002:null", "tag:yaml.org,2002:merge")
    ]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
_BOOLEAN = r"^(?:true|false)$"
_INTEGER = r"^[-+]?(?:0|[1-9][0-9]*)$"
_DECIMAL = r"^[-+]?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?$"


def _add_resolvers() -> None:
    for tag, pattern, first in (
        ("tag:yaml.org,2002:bool", _BOOLEAN, "tf"),
        ("tag:yaml.org,2002:int", _INTEGER, "-+0123456789"),
        ("tag:yaml.org,2002:float", _DECIMAL, "-+0123456789"),
    ):
        _Loader.add_implicit_resolver(tag, re.compile(pattern), list(first))


# What the library says most often of a text that is none.
_OF_THE_LIBRARY = (
    "mapping values are not allowed here",
    "mapping values are not allowed in this context",
    "sequence entries are not allowed here",
    "could not find expected ':'",
    "found unexpected end of stream",
    "found unexpected document separator",
    "found unexpected ':'",
    "found a tab character that violates indentation",
    "expected <block end>, but found {found}",
    "expected ',' or '{sign}', but got {found}",
    "expected the node content, but found {found}",
    "expected <document start>, but found {found}",
    "but found another document",
    "found character {character} that cannot start any token",
    "found unknown escape character {character}",
    "could not determine a constructor for the tag {tag}",
)


def _why(error: yaml.MarkedYAMLError) -> Sentence:
    problem = error.problem or ""
    return problem if isinstance(problem, Sentence) else recognised(problem, _OF_THE_LIBRARY)


def _refusal(message: str, where: Any) -> yaml.MarkedYAMLError:
    return yaml.MarkedYAMLError(problem=Sentence(message), problem_mark=where.start_mark)


def _boolean(_: _Loader, node: yaml.Node) -> bool:
    if node.value not in ("true", "false"):
        raise _refusal("true or false is needed here", node)
    return str(node.value) == "true"


def _integer(_: _Loader, node: yaml.Node) -> int:
    text = str(node.value)
    if len(text) > 20:
        raise _refusal("a whole number has at most 19 digits", node)
    return int(text)


def _decimal(_: _Loader, node: yaml.Node) -> Decimal:
    text = str(node.value)
    if len(text) > 45:
        raise _refusal("a number has at most 40 digits", node)
    try:
        return Decimal(text)
    except ArithmeticError:
        raise _refusal("a number is needed here", node) from None


def _mapping(loader: _Loader, node: yaml.MappingNode) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for key_node, value_node in node.value:
        key = loader.construct_object(key_node, deep=True)
        if not isinstance(key, str):
            raise _refusal("names of members are texts", key_node)
        if key in made:
            raise _refusal(Sentence("the member '{key}' stands twice", key=key[:80]), key_node)
        made[key] = loader.construct_object(value_node, deep=True)
    return made


# No other tags: no dates, no bytes, no sets, nothing that JSON cannot say.
_Loader.yaml_constructors = {
    tag: made
    for tag, made in yaml.SafeLoader.yaml_constructors.items()
    if tag is None or tag.rpartition(":")[2] in ("null", "str", "seq")
}
_add_resolvers()
_Loader.add_constructor("tag:yaml.org,2002:bool", _boolean)
_Loader.add_constructor("tag:yaml.org,2002:int", _integer)
_Loader.add_constructor("tag:yaml.org,2002:float", _decimal)
_Loader.add_constructor("tag:yaml.org,2002:map", _mapping)

_LONGEST_YAML = 1_048_576
_DEEPEST_YAML = 64


def load_yaml(text: str) -> Any:
    """A YAML document as the JSON value that it stands for; anchors are refused. Raises Invalid with line and column."""
    if len(text) > _LONGEST_YAML:
        raise Invalid([Fault.of("over-limit", "a YAML document has at most {most} characters", most=_LONGEST_YAML)])
    try:
        _check_events(yaml.parse(text, Loader=_Loader))
        return yaml.load(text, Loader=_Loader)  # noqa: S506 - a SafeLoader with fewer tags
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (None, None)
        raise Invalid(
            [Fault("yaml", Sentence("this is not YAML: {why}", why=_why(error)), line=line, column=column)]
        ) from None
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise Invalid([Fault.of("yaml", "this is not YAML: {why}", why=str(error).splitlines()[0][:200])]) from None


def _check_events(events: Iterator[yaml.Event]) -> None:
    depth = 0
    for event in events:
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None) is not None:
            raise _refusal("anchors and aliases are not taken", event)
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
            if depth > _DEEPEST_YAML:
                raise _refusal(Sentence("the document is nested deeper than {most}", most=_DEEPEST_YAML), event)
        if isinstance(event, yaml.CollectionEndEvent):
            depth -= 1


# --- where a part is -------------------------------------------------------------------------------------------------

Position = tuple[int, int]


class Positions:
    """Lines and columns, both counted from 1, of the parts of one text. JSON is read as the YAML that it nearly is; a tab
    counts as one column."""

    def __init__(self, text: str, *, is_json: bool) -> None:
        try:
            self._root = yaml.compose(text.replace("\t", " ") if is_json else text, Loader=yaml.SafeLoader)
        except yaml.YAMLError:
            self._root = None

    def of(self, pointer: str, *, key: bool = False) -> Position:
        """Where the part begins; `key`: where its name is. Of a part that is not there, where the nearest around it begins."""
        node, at = self._root, (1, 1)
        if node is None:
            return at
        for step in pointer.split("/")[1:]:
            found = _step(node, step.replace("~1", "/").replace("~0", "~"))
            if found is None:
                break
            named, node = found
            # A block begins below its name, so the name says better where it is.
            at = _begin(named if key or not isinstance(node, yaml.ScalarNode) else node)
        return at

    def within(self, pointer: str, line: int, column: int) -> Position:
        """Where in the file a line and column of the text at the pointer are; where the text begins, if it is folded, escaped or
        of several lines."""
        node: yaml.Node | None = self._root
        for step in pointer.split("/")[1:]:
            found = None if node is None else _step(node, step.replace("~1", "/").replace("~0", "~"))
            if found is None:
                return self.of(pointer)
            node = found[1]
        if not isinstance(node, yaml.ScalarNode) or line != 1:
            return self.of(pointer)
        row, start = _begin(node)
        quotes = 1 if node.style in ("'", '"') else 0
        is_plain = node.end_mark.line == node.start_mark.line and (
            node.end_mark.column - node.start_mark.column == len(node.value) + 2 * quotes
        )
        return (row, start + quotes + column - 1) if is_plain and node.style not in ("|", ">") else (row, start)


def _step(node: yaml.Node, step: str) -> tuple[yaml.Node, yaml.Node] | None:
    """The name and the part of one step; an entry of a list is its own name."""
    if isinstance(node, yaml.MappingNode):
        return next((pair for pair in node.value if pair[0].value == step), None)
    if isinstance(node, yaml.SequenceNode) and step.isdecimal() and int(step) < len(node.value):
        return node.value[int(step)], node.value[int(step)]
    return None


def _begin(node: yaml.Node) -> Position:
    return node.start_mark.line + 1, node.start_mark.column + 1
