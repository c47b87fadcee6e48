"""Long answers are encoded in portions: the bytes are those of one call."""

from __future__ import annotations

from typing import Annotated, Any

import pytest
from msgspec import UNSET, Meta, Struct, UnsetType

from service.http.responses import ENCODER, encode


class Entry(Struct, tag="entry"):
    name: str
    more: int | UnsetType = UNSET


class Answer(Struct, rename={"by_name": "by-name"}, omit_defaults=True):
    every: list[Any]
    by_name: Annotated[dict[str, Entry], Meta(description="By name.")]
    left_out: int | UnsetType = UNSET
    note: str = ""


@pytest.mark.parametrize("count", [0, 1, 2_000, 2_001, 4_000, 5_999])
def test_portions(count: int) -> None:
    entries = [Entry(f'"{number}"\n', UNSET if number % 2 else number) for number in range(count)]
    answer = Answer(
        [*entries, None] if count else [], {entry.name: entry for entry in entries}, left_out=count or UNSET
    )
    before = list(answer.every)
    assert encode(answer) == ENCODER.encode(answer)
    assert answer.every == before
    assert encode({"every": before}) == ENCODER.encode({"every": before})


def test_nothing() -> None:
    assert encode(None) == b""
