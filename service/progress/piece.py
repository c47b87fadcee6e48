"""A piece that a list or a label speaks of. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Piece:
    """What is kept of a holding, how many of its pieces are meant, and the labels of the places where they sit."""

    id: str
    data: Mapping[str, Any]
    count: int
    places: Sequence[str] = ()
