"""A dictionary-encoded column: what is known of one attribute, one small code for each row."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from service.evaluation.column_index import Dictionary
from service.facts.holding import Holding, View
from service.facts.knowledge import Knowledge

Codes = npt.NDArray[np.unsignedinteger[Any]]


class AttributeColumn:
    """`entries[codes[row]]` is what is known; entry 0 is None, nothing recorded. `codes` has shape (rows,) and the smallest
    unsigned type that the number of entries asks for."""

    __slots__ = ("codes", "dictionary")

    def __init__(self, codes: npt.NDArray[np.integer[Any]], entries: Sequence[Knowledge | None] | Dictionary) -> None:
        """Columns with the same entries may share their dictionary, and so its indexes."""
        self.dictionary = entries if isinstance(entries, Dictionary) else Dictionary(entries)
        size = len(self.dictionary)
        kind = np.uint8 if size <= 256 else np.uint16 if size <= 65_536 else np.uint32
        self.codes: Codes = codes.astype(kind, copy=False)

    @property
    def entries(self) -> tuple[Knowledge | None, ...]:
        """All that is known of some row, each once."""
        return self.dictionary.entries


def column_of(rows: Sequence[View] | Sequence[Holding], name: str) -> AttributeColumn:
    """The column of an attribute by the facts of each row."""
    entries: dict[Knowledge | None, int] = {None: 0}
    codes = (entries.setdefault(row.facts.get(name), len(entries)) for row in rows)
    return AttributeColumn(np.fromiter(codes, np.uint32, len(rows)), tuple(entries))
