"""TABLE of the sheets that labels are printed on: sizes in millimetres, the labels in the middle of the page.

The sizes are common ones of the trade in stationery (no source); a new sheet is one entry in label_sheets.json.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from msgspec import Struct, json

_TABLE = Path(__file__).resolve().with_name("label_sheets.json")
Millimetres = tuple[float, float]


class LabelSheet(Struct, frozen=True):
    """One kind of sheet. Sizes are width and height."""

    name: str
    title: str
    page: Millimetres
    columns: int
    rows: int
    label: Millimetres
    gap: Millimetres
    cut: bool = False

    @property
    def count(self) -> int:
        """How many labels a sheet has."""
        return self.columns * self.rows

    @property
    def margin(self) -> Millimetres:
        """What is left beside the labels, and above them."""
        counts = (self.columns, self.rows)
        taken = [n * size + (n - 1) * gap for n, size, gap in zip(counts, self.label, self.gap, strict=True)]
        left, top = ((whole - part) / 2 for whole, part in zip(self.page, taken, strict=True))
        return (round(left, 3), round(top, 3))

    @property
    def letters(self) -> float:
        """The height of the letters in points: as many lines of a small label have to fit as of a large one."""
        return round(min(9.0, 4 + self.label[1] / 9), 2)


@cache
def label_sheets() -> Mapping[str, LabelSheet]:
    """All sheets by name."""
    return {sheet.name: sheet for sheet in json.decode(_TABLE.read_bytes(), type=list[LabelSheet])}
