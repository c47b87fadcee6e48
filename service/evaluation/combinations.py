"""Rows of columns put together where they agree. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.int64]
_INT64 = 2**62


def combined(columns: Sequence[npt.NDArray[np.integer]], rows: int) -> tuple[Codes, Codes]:
    """One row of each combination of codes (none negative) that occurs in these columns, and for every row the number of its
    combination; shapes (combinations,) and (rows,). The row is the first that has it. Without columns all rows are alike."""
    key, size = np.zeros(rows, np.int64), 1
    for codes in columns:
        width = int(codes.max(initial=0)) + 1
        if size * width >= _INT64:
            # Numbered anew, there are no more of them than rows.
            _, key = np.unique(key, return_inverse=True)
            size = int(key.max(initial=0)) + 1
        key, size = key * width + codes, size * width
    _, first, kind = np.unique(key, return_index=True, return_inverse=True)
    return first, kind.reshape(-1)
