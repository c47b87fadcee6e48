"""Rules that differ in their values only ("year = 1901", "year = 1902") are parsed once: what is known of the first gives the
tree of the others, which is that of `read_text`.

A set has hundreds of such rules, and reading them through the grammar took an eighth of its first evaluation. Where a value might
decide more than its own place (dates, signs, texts with escapes, more than one line), the rule is read as any other.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from types import MappingProxyType
from typing import Any

from service.errors import Invalid
from service.rules.cql2.json import Json
from service.rules.cql2.scan import Position
from service.rules.cql2.text import read_text

_LONGEST = 2_000
# A text or a whole number that stands for itself: nothing in it is an escape, is too large, or runs into what follows.
_VALUE = r"'[ !#-&(-\[\]-~]*+'(?!')|[0-9]{1,15}+(?![A-Za-z_:.0-9])"
_WORD = r"[A-Za-z_][A-Za-z_0-9]*+"
_PLAIN = re.compile(rf"(?:{_VALUE}|{_WORD}|[ (),<>=]++)*+")
_VALUES = re.compile(rf"({_VALUE})|{_WORD}")
# Found in no rule that anybody writes; as long as they are, the grammar takes them as any other value.
_FIRST_NUMBER = 900_000_000_000_000


def read_alike(text: str) -> tuple[Json, Mapping[str, Position]]:
    """What `read_text` says of the text; raises as it does."""
    if len(text) > _LONGEST or _PLAIN.fullmatch(text) is None:
        return read_text(text)
    found = [match for match in _VALUES.finditer(text) if match[1]]
    values = [match[1] for match in found]
    pieces, at = [], 0
    for match in found:
        pieces.append(text[at : match.start()])
        at = match.end()
    shape = _shape((*pieces, text[at:]), tuple(value[0] == "'" for value in values))
    return read_text(text) if shape is None else shape.read(values)


@dataclass(frozen=True, slots=True)
class _Shape:
    """`tree` has the number of a value, as _Number, where that value goes. `places` are the pointers, each with the column of
    where it begins, were all values empty, and how many values are before it."""

    tree: Any
    places: Sequence[tuple[str, int, int]]

    def read(self, values: Sequence[str]) -> tuple[Json, Mapping[str, Position]]:
        meant = [value[1:-1] if value[0] == "'" else int(value) for value in values]
        before = list(accumulate(map(len, values), initial=0))
        positions = {pointer: Position(1, column + before[count]) for pointer, column, count in self.places}
        return _filled(self.tree, meant), MappingProxyType(positions)


@dataclass(frozen=True, slots=True)
class _Number:
    value: int


@lru_cache(1_024)
def _shape(pieces: tuple[str, ...], is_text: tuple[bool, ...]) -> _Shape | None:
    """What rules of these pieces between texts and numbers have in common. None: they cannot be read, or not without their
    values."""
    signs: list[str | int] = [f"text no. {at}" if one else _FIRST_NUMBER + at for at, one in enumerate(is_text)]
    written = [f"'{sign}'" if isinstance(sign, str) else str(sign) for sign in signs]
    text, starts = pieces[0], list[int]()
    for sign, piece in zip(written, pieces[1:], strict=True):
        starts.append(len(text))
        text += sign + piece
    try:
        tree, positions = read_text(text)
    except Invalid:
        return None
    numbers = {sign: _Number(at) for at, sign in enumerate(signs)}
    template = _with_numbers(tree, numbers)
    if sorted(_numbers_in(template)) != list(range(len(signs))):
        return None
    places = []
    for pointer, position in positions.items():
        offset = position.column - 1
        count = sum(start < offset for start in starts)
        places.append((pointer, position.column - sum(map(len, written[:count])), count))
    return _Shape(template, places)


def _with_numbers(tree: Any, numbers: Mapping[str | int, _Number]) -> Any:
    """Recursive, as the two below: the depth of trees is limited."""
    if isinstance(tree, dict):
        return {name: _with_numbers(part, numbers) for name, part in tree.items()}
    if isinstance(tree, list):
        return [_with_numbers(part, numbers) for part in tree]
    return numbers.get(tree, tree) if type(tree) in (str, int) else tree


def _numbers_in(template: Any) -> Iterator[int]:
    if isinstance(template, _Number):
        yield template.value
    elif isinstance(template, dict | list):
        for part in template.values() if isinstance(template, dict) else template:
            yield from _numbers_in(part)


def _filled(template: Any, values: Sequence[str | int]) -> Any:
    kind = type(template)
    if kind is _Number:
        return values[template.value]
    if kind is dict:
        return {name: _filled(part, values) for name, part in template.items()}
    if kind is list:
        return [_filled(part, values) for part in template]
    return template
