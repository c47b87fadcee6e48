"""One rule as its author wrote it, in CQL2 text or CQL2-JSON, with both forms of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from types import MappingProxyType

from service.rules.cql2.json import Json, canonical_tree
from service.rules.cql2.scan import Position
from service.rules.cql2.shapes import read_alike
from service.rules.cql2.text import to_text


@dataclass(frozen=True)
class Expression:
    """`json` is the canonical CQL2-JSON. `text` is the author's text, or the generated one if the rule came as JSON.
    `positions` maps the JSON pointer of every operator, attribute, value and list within `json` ("" is the whole) to
    where it begins in the author's text; it is empty if the rule came as JSON.
    """

    json: Json
    text: str
    positions: Mapping[str, Position] = field(default_factory=lambda: MappingProxyType({}))


def parse(value: object) -> Expression:
    """Reads a rule given as CQL2 text (str) or as CQL2-JSON (anything else). Raises Invalid with every fault: line and
    column for text, JSON pointers into `value` for JSON."""
    if isinstance(value, str):
        return _from_text(value)
    tree = canonical_tree(value)
    return Expression(tree, to_text(tree))


@lru_cache(maxsize=4_096)
def _from_text(text: str) -> Expression:
    tree, positions = read_alike(text)
    return Expression(tree, text, positions)
