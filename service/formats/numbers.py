"""Numbers as people write them: 1.234,50 or 1,234.50 or 1 234.5, with a unit behind. Pure.

Whether a comma or a point before three digits is a decimal sign cannot be told from one number (1,250); a column mostly tells.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

# Digits, and what stands between digits of one number: a comma, a point, a blank or an apostrophe.
_NUMBER = re.compile(r"[0-9]++(?:[.,'\u2019 \u00a0\u202f][0-9]++)*+")
_SIGNS = re.compile(r"[.,]")
_BLANKS = re.compile(r"['\u2019 \u00a0\u202f]")
_GROUPED = re.compile(r"[0-9]{1,3}(?:['\u2019 \u00a0\u202f][0-9]{3})+(?:[.,][0-9]+)?")


def decimal_sign(cells: Iterable[str]) -> str | None:
    """The decimal sign that these cells show, "." or ","; None where they show none, or both."""
    shown = {sign for cell in cells for token in _NUMBER.findall(cell[:200]) if (sign := _certain_sign(token))}
    return shown.pop() if len(shown) == 1 else None


def is_ambiguous(cell: str) -> bool:
    """Whether the number in the cell depends on which sign is the decimal sign."""
    return any(_certain_sign(token) is None and _SIGNS.search(token) for token in _NUMBER.findall(cell[:200]))


def plain_numbers(cell: str, decimal: str) -> str:
    """The cell with each of its numbers as JSON writes it; what no sign tells is told by `decimal`."""
    return _NUMBER.sub(lambda found: _plain(found[0], decimal), cell)


def _certain_sign(token: str) -> str | None:
    """The decimal sign that a number shows by itself."""
    signs = _SIGNS.findall(token)
    if not signs:
        return None
    last: str = signs[-1]
    if len(set(signs)) == 2:
        return last
    if len(signs) > 1:
        # The same sign again and again stands between thousands.
        return "," if last == "." else "."
    whole, _, rest = token.partition(last)
    return last if len(rest) != 3 or len(_BLANKS.sub("", whole)) > 3 or whole in ("0", "00") else None


def _plain(token: str, decimal: str) -> str:
    if _BLANKS.search(token):
        if not _GROUPED.fullmatch(token):
            return token
        token = _BLANKS.sub("", token)
    sign = _certain_sign(token) or decimal
    other = "." if sign == "," else ","
    whole, _, rest = token.rpartition(sign) if sign in token else (token, "", "")
    if other in rest or sign in whole or not all(len(part) == 3 for part in whole.split(other)[1:]):
        # Two points, as in a date, or groups that are none.
        return token
    whole = whole.replace(other, "")
    return f"{whole}.{rest}" if rest else whole
