"""Rows with equal codes in several columns, put together. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.int64]
# So many more cells than rows a table of flags may have; sorting is dearer up to about there.
_MOST_CELLS = 8
_SMALL = 1 << 16


def grouped(columns: Sequence[npt.NDArray[np.integer[Any]]], rows: int) -> tuple[Numbers, Numbers]:
    """One row of each kind, and of every row the number of its kind; rows are of one kind where all the columns (each of shape
    (rows,), codes from 0) have equal codes. Shapes (kinds,) and (rows,). Time: rows times columns, and the sorting of a
    column where its codes are many."""
    kind, kinds = np.zeros(rows, np.int64), min(rows, 1)
    for codes in columns:
        if rows == 0:
            break
        size = int(codes.max()) + 1
        if size == 1:
            continue
        kind, kinds = _renumbered(kind * size + codes, kinds * size)
    first = np.zeros(kinds, np.int64)
    # The last assignment of a place counts, so this leaves the first row of each kind.
    first[kind[::-1]] = np.arange(rows - 1, -1, -1)
    return first, kind


def _renumbered(keys: Numbers, cells: int) -> tuple[Numbers, int]:
    """The keys, from 0 to cells - 1, numbered without gaps; and how many there are."""
    if cells <= max(_SMALL, _MOST_CELLS * len(keys)):
        is_met = np.zeros(cells, bool)
        is_met[keys] = True
        return (np.cumsum(is_met) - 1)[keys], int(np.count_nonzero(is_met))
    met, numbers = np.unique(keys, return_inverse=True)
    return numbers.reshape(-1), len(met)
