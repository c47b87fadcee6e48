"""Parts of an evaluation: what they say is what the whole says."""

from __future__ import annotations

from typing import Any

import pytest

from service.progress.result import PARTS
from tests.conftest import Running

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Pence",
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": "old", "label": "Old", "accepts": "denomination = 'penny' AND year_on_coin < 1901"},
        {"id": "new", "label": "New", "accepts": "denomination = 'penny' AND year_on_coin >= 1901"},
    ],
}
COINS: list[dict[str, Any]] = [
    {"facts": {"denomination": "penny", "year_on_coin": 1890, "grade": 8}},
    *({"number": str(n), "facts": {"denomination": "penny", "grade": n}} for n in range(1, 6)),
    *({"facts": {"denomination": "florin", "grade": n}} for n in range(1, 4)),
    {"facts": {"denomination": "penny"}, "status": "sold"},
]


async def kept(service: Running) -> tuple[str, dict[str, str]]:
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": SET}, headers=mine)
    assert made.status_code == 201, made.text
    for coin in COINS:
        assert (await service.client.post("/v1/holdings", json=coin, headers=mine)).status_code == 201
    return f"{made.headers['location']}/evaluation", mine


async def pages_of(service: Running, where: str, mine: dict[str, str]) -> list[dict[str, Any]]:
    found = []
    following: str | None = where
    while following is not None:
        answer = await service.client.get(following, headers=mine)
        assert answer.status_code == 200, answer.text
        found.append(answer.json())
        following = found[-1]["next"]
        assert ("link" in answer.headers) == (following is not None)
    return found


async def test_every_part_is_as_it_stands_in_the_whole(service: Running) -> None:
    where, mine = await kept(service)
    whole = (await service.client.get(where, headers=mine)).json()
    stamps = whole.keys() - set(PARTS)
    for name in PARTS:
        part = (await service.client.get(f"{where}/parts?part={name}", headers=mine)).json()
        assert part == {key: value for key, value in whole.items() if key in stamps | {name}} | (
            {"ignored_facts": []} if name == "ignored_facts" else {}
        )
    assert (await service.client.get(f"{where}/parts", headers=mine)).json().keys() == stamps | {"summary"}
    every = "&".join(f"part={name}" for name in PARTS if name in whole)
    assert (await service.client.get(f"{where}/parts?{every}", headers=mine)).json() == whole


async def test_a_part_that_there_is_not_is_refused(service: Running) -> None:
    where, mine = await kept(service)
    for query in ("part=colour", "part=", "part=summary&colour=red"):
        answer = await service.client.get(f"{where}/parts?{query}", headers=mine)
        assert answer.status_code == 422, answer.text
    assert "summary" in (await service.client.get(f"{where}/parts?part=colour", headers=mine)).text


@pytest.mark.parametrize("limit", [1, 3, 200])
async def test_coins_that_sit_nowhere_come_page_by_page(service: Running, limit: int) -> None:
    where, mine = await kept(service)
    whole = (await service.client.get(where, headers=mine)).json()
    pages = await pages_of(service, f"{where}/unplaced?limit={limit}", mine)
    assert [item for page in pages for item in page["items"]] == whole["unplaced"]
    assert len(whole["unplaced"]) == 8
    for page in pages:
        assert len(page["items"]) <= limit
        assert list(page["named"]) == [item["holding"] for item in page["items"]]


@pytest.mark.parametrize("limit", [1, 2, 200])
async def test_coins_in_doubt_come_page_by_page(service: Running, limit: int) -> None:
    where, mine = await kept(service)
    whole = (await service.client.get(where, headers=mine)).json()
    pages = await pages_of(service, f"{where}/doubts?limit={limit}", mine)
    told = [item for page in pages for item in page["items"]]
    assert told == [conflict for conflict in whole["conflicts"] if conflict["kind"] == "undecided"]
    assert len(told) == 5
    assert {item["holding"] for item in pages[0]["items"]} == set(pages[0]["named"])


async def test_a_cursor_of_another_list_is_refused(service: Running) -> None:
    where, mine = await kept(service)
    page = (await service.client.get(f"{where}/doubts?limit=1", headers=mine)).json()
    cursor = page["next"].split("cursor=")[1]
    assert (await service.client.get(f"{where}/unplaced?cursor={cursor}", headers=mine)).status_code == 422
    assert (await service.client.get(f"{where}/doubts?cursor=zz", headers=mine)).status_code == 422
