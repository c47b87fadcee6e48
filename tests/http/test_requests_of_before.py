"""Requests of devices that know the first edition of sync alone, recorded then, are answered as they were.

`before/sync-first-edition.json` was recorded once, from the service as it was before photos, grouped writers and minimal answers
came. It is never made anew: a device in a drawer is not either."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.client.model import as_json, from_json
from tests.conftest import Running

pytestmark = pytest.mark.anyio

RECORDED = from_json((Path(__file__).parent / "before" / "sync-first-edition.json").read_bytes())["exchanges"]


def lost(before: Any, now: Any, place: str = "") -> Iterator[str]:
    """Where the answer of now has not what that of before had. Members may be added; everything else stays."""
    if isinstance(before, dict) and isinstance(now, dict):
        for name, value in before.items():
            if name in now:
                yield from lost(value, now[name], f"{place}/{name}")
            else:
                yield f"{place}/{name}: is gone"
    elif isinstance(before, list) and isinstance(now, list) and len(before) == len(now):
        for number, (one, other) in enumerate(zip(before, now, strict=True)):
            yield from lost(one, other, f"{place}/{number}")
    elif before != now:
        yield f"{place}: {now!r}, not {before!r}"


async def answers(service: Running) -> list[Any]:
    owner, found = service.collector(), []
    for number, exchange in enumerate(RECORDED):
        service.app.state.clock = lambda number=number: datetime(2026, 11, 25, 10, number, tzinfo=UTC)
        asked = exchange["request"]
        sent = {"content": as_json(asked["body"])} if "body" in asked else {}
        headers = {**owner, "Content-Type": "application/json"}
        answer = await service.client.request(
            asked["method"], asked["path"], params=asked["query"], headers=headers, **sent
        )
        found.append({"status": answer.status_code, "body": from_json(answer.content)})
    return found


async def test_requests_of_the_first_edition_are_answered_as_they_were(service: Running) -> None:
    found = await answers(service)
    assert list(lost([exchange["answer"] for exchange in RECORDED], found)) == []
    assert {each["status"] for each in found} == {200, 409, 410}
    # The control: what one answer says otherwise, or no more, is seen.
    changed = copy.deepcopy(found)
    changed[2]["body"]["list"][0]["writers"]["grade"] = "somebody"
    del changed[5]["body"]["responses"][1]["status"]
    changed[7]["body"]["list"].pop()
    assert len(list(lost([exchange["answer"] for exchange in RECORDED], changed))) == 3
