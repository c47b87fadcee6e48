"""Holdings by a filter in the rule language, in an order, counted, page by page."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, urlparse

import pytest

from tests.conftest import Running

pytestmark = pytest.mark.anyio

COINS: list[dict[str, Any]] = [
    {"number": "1", "facts": {"denomination": "crown", "grade": 40, "main_motifs": ["kiwi"]}},
    {"number": "2", "facts": {"denomination": "crown", "grade": {"from": 30, "to": 50}}},
    {"number": "3", "facts": {"denomination": "penny", "grade": 12}},
    {"number": "4", "facts": {"grade": {"one_of": [60, 8]}, "denomination": "florin"}},
    {"number": "5", "facts": {"denomination": "crown"}, "issue": {"one_of": ["euro-de-1-00", "euro-de-2-00"]}},
]


async def kept(service: Running) -> dict[str, str]:
    owner = service.collector()
    for coin in COINS:
        made = await service.client.post("/v1/holdings", json=coin, headers=owner)
        assert made.status_code == 201, made.text
    return owner


async def numbers(service: Running, owner: dict[str, str], **query: Any) -> list[str]:
    """The owner's numbers of all pages, two holdings a page."""
    found: list[str] = []
    params = {"limit": 2, **query}
    while True:
        answer = await service.client.get("/v1/holdings", params=params, headers=owner)
        assert answer.status_code == 200, answer.text
        found += [item["number"] for item in answer.json()["items"]]
        following = answer.json()["next"]
        if following is None:
            return found
        params = {name: values[0] for name, values in parse_qs(urlparse(following).query).items()}


async def test_a_filter_takes_what_fits_for_certain_and_on_demand_what_may(service: Running) -> None:
    owner = await kept(service)
    assert await numbers(service, owner, filter="denomination = 'crown' AND grade >= 35") == ["1"]
    assert await numbers(service, owner, filter="denomination = 'crown' AND grade >= 35", doubtful=True) == [
        "1",
        "2",
        "5",
    ]
    assert await numbers(service, owner, filter="narrower(main_motifs, 'bird')") == ["1"]
    # A holding inherits from its issues; with two candidates only what both say is certain.
    assert await numbers(service, owner, filter="shape = 'round'") == ["5"]
    assert await numbers(service, owner, filter="diameter = 23.25") == []
    assert await numbers(service, owner, filter="diameter = 23.25", doubtful=True) == ["1", "2", "3", "4", "5"]


async def test_an_order_puts_what_is_not_recorded_last_both_ways_and_pages_do_not_overlap(service: Running) -> None:
    owner = await kept(service)
    # A range counts by its low end, alternatives by the least of them.
    assert await numbers(service, owner, sort="grade") == ["4", "3", "2", "1", "5"]
    assert await numbers(service, owner, sort="-grade") == ["1", "2", "3", "4", "5"]
    assert await numbers(service, owner, sort="-number") == ["5", "4", "3", "2", "1"]
    assert await numbers(service, owner, sort="denomination") == ["1", "2", "5", "4", "3"]
    assert await numbers(service, owner, sort="-updated_at", filter="grade < 45") == ["3", "1"]


async def test_a_count_is_of_all_pages(service: Running) -> None:
    owner = await kept(service)
    answer = await service.client.get("/v1/holdings?limit=1&count=true&filter=denomination='crown'", headers=owner)
    assert (len(answer.json()["items"]), answer.json()["total"]) == (1, 3)


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("filter=finess > 1", "/filter"),
        ("filter=grade >", "/filter"),
        ("filter=", "/filter"),
        ("sort=grad", "/sort"),
        ("sort=", "/sort"),
    ],
)
async def test_what_is_no_rule_or_order_is_refused_with_the_nearest_name(
    service: Running, query: str, pointer: str
) -> None:
    answer = await service.client.get(f"/v1/holdings?{query}", headers=service.collector())
    assert answer.status_code == 422, answer.text
    (fault, *_) = answer.json()["errors"]
    assert fault["pointer"] == pointer


async def test_a_cursor_of_another_order_is_refused(service: Running) -> None:
    owner = await kept(service)
    first = (await service.client.get("/v1/holdings?limit=1&sort=grade", headers=owner)).json()["next"]
    cursor = parse_qs(urlparse(first).query)["cursor"][0]
    for query in (f"sort=number&cursor={cursor}", f"cursor={cursor}", "sort=grade&cursor=WyJ4Il0"):
        assert (await service.client.get(f"/v1/holdings?{query}", headers=owner)).status_code == 422
