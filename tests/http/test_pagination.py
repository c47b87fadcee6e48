"""Lists come in pages that miss nothing and repeat nothing."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.conftest import Running

pytestmark = pytest.mark.anyio


async def recorded(service: Running, owner: dict[str, str], count: int) -> list[str]:
    made = [await service.client.post("/v1/holdings", json={"number": str(n)}, headers=owner) for n in range(count)]
    return sorted(answer.json()["id"] for answer in made)


@pytest.mark.parametrize("limit", [1, 3, 7, 8, 200])
async def test_the_pages_together_are_the_list(service: Running, limit: int) -> None:
    owner = service.collector()
    ids = await recorded(service, owner, 7)
    seen: list[str] = []
    address: str | None = f"/v1/holdings?limit={limit}"
    while address is not None:
        answer = await service.client.get(address, headers=owner)
        items = answer.json()["items"]
        assert 1 <= len(items) <= limit
        seen += [item["id"] for item in items]
        address = answer.json()["next"]
        link = re.fullmatch(r'<(.*)>; rel="next"', answer.headers.get("link", ""))
        assert (link[1] if link else None) == address
    assert seen == ids


async def all_pages(service: Running, owner: dict[str, str], address: str) -> list[dict[str, Any]]:
    found, following = list[dict[str, Any]](), address
    while following:
        answer = await service.client.get(following, headers=owner)
        assert answer.status_code == 200, (following, answer.text)
        found += answer.json()["items"]
        following = answer.json()["next"]
    return found


@pytest.mark.parametrize("letter", ["x", "\U0001fa99", '"', "\x01"])
@pytest.mark.parametrize("sort", ["note", "-note", "location", "date_as_written"])
async def test_pages_go_on_behind_long_texts(service: Running, sort: str, letter: str) -> None:
    owner, numbers = service.collector(), []
    for ending in "bab":
        text = letter * 199 + ending + letter * 100
        long = {"note": text * 20, "location": text, "facts": {"date_as_written": text}}
        made = await service.client.post(
            "/v1/holdings", json={"number": f"{ending}{len(numbers)}", **long}, headers=owner
        )
        assert made.status_code == 201, made.text
        numbers.append(made.json()["number"])
    found = await all_pages(service, owner, f"/v1/holdings?limit=1&sort={sort}")
    assert [one["number"] for one in found] == (["b0", "b2", "a1"] if sort.startswith("-") else ["a1", "b0", "b2"])


async def test_pages_go_on_behind_long_names(service: Running) -> None:
    owner, names = service.collector(), [letter + "\U0001fa99" * 199 for letter in "abc"]
    for name in names:
        issue = {"id": name, "label": "Made up", "source": "Ada", "edition": "1", "facts": {}}
        made = await service.client.post("/v1/issues", json=issue, headers=owner)
        assert made.status_code == 201, made.text
    found = await all_pages(service, owner, "/v1/issues?limit=1&private=true")
    assert [one["id"] for one in found] == names


async def test_what_is_deleted_or_added_between_pages_does_not_shift_the_rest(service: Running) -> None:
    owner = service.collector()
    ids = await recorded(service, owner, 6)
    first = (await service.client.get("/v1/holdings?limit=3", headers=owner)).json()
    gone = await service.client.get(f"/v1/holdings/{ids[0]}", headers=owner)
    await service.client.delete(f"/v1/holdings/{ids[0]}", headers={**owner, "If-Match": gone.headers["etag"]})
    second = (await service.client.get(first["next"], headers=owner)).json()
    assert [item["id"] for item in second["items"]] == ids[3:]


async def test_an_empty_list_is_one_empty_page(service: Running) -> None:
    answer = await service.client.get("/v1/holdings", headers=service.collector())
    assert answer.json() == {"items": [], "next": None}


@pytest.mark.parametrize(
    "query",
    [
        "limit=0",
        "limit=201",
        "limit=x",
        "limit=1e2",
        "cursor=x",
        "cursor=%00",
        "offset=3",
        "cursor=" + "a" * 2_501,
        "cursor=W10",
    ],
)
async def test_a_query_that_does_not_fit_is_refused(service: Running, query: str) -> None:
    for path in ("/v1/holdings", "/v1/definitions", "/v1/issues"):
        answer = await service.client.get(f"{path}?{query}", headers=service.collector())
        assert answer.status_code == 422, (path, answer.text)
        assert answer.json()["type"].endswith("/problems/invalid-query")
        assert answer.json()["errors"]


async def test_a_cursor_is_bound_to_its_list(service: Running) -> None:
    owner = service.collector()
    await recorded(service, owner, 2)
    following = (await service.client.get("/v1/holdings?limit=1", headers=owner)).json()["next"]
    elsewhere = following.replace("/v1/holdings", "/v1/definitions")
    assert (await service.client.get(elsewhere, headers=owner)).status_code == 422


async def test_the_catalogue_comes_in_pages_too(service: Running) -> None:
    seen: list[str] = []
    address: str | None = "/v1/issues?limit=97"
    while address is not None:
        answer = (await service.client.get(address)).json()
        seen += [item["id"] for item in answer["items"]]
        address = answer["next"]
    assert len(seen) == len(set(seen)) > 97
    assert seen == sorted(seen)
