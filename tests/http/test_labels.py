"""Labels for holders over HTTP: which coins, in which order, what stands on them, and on which sheet."""

from __future__ import annotations

import re
from typing import Any

import pytest

from service.formats.label_sheets import label_sheets
from tests.conftest import Running

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Two pence",
    "slots": [
        {"id": "new", "label": "A later penny", "accepts": "denomination = 'penny' AND year_on_coin >= 1901"},
        {"id": "old", "label": "An old penny", "accepts": "denomination = 'penny' AND year_on_coin < 1901"},
    ],
}
COINS: list[dict[str, Any]] = [
    {
        "number": "P-1",
        "location": "behind the clock",
        "values": [{"basis": "insured", "amount": 77, "currency": "EUR"}],
        "facts": {"denomination": "penny", "year_on_coin": 1890, "issuer": "GB", "material": "bronze", "grade": 40},
    },
    {"number": "P-2", "facts": {"denomination": "penny", "year_on_coin": {"one_of": [1901, 1902]}}},
    {"quantity": 3, "facts": {"denomination": "florin"}},
    {"number": "S-9", "status": "sold", "facts": {"denomination": "crown"}},
]


async def kept(service: Running) -> tuple[dict[str, str], list[str]]:
    """The headers of the owner, and the ids of the coins."""
    mine = service.collector()
    made = [await service.client.post("/v1/holdings", json=coin, headers=mine) for coin in COINS]
    return mine, [one.json()["id"] for one in made]


async def labels(service: Running, mine: dict[str, str], **asked: Any) -> list[dict[str, Any]]:
    answer = await service.client.get("/v1/holdings/labels", params=asked, headers=mine)
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["labels"]
    return found


async def test_what_stands_on_a_label(service: Running) -> None:
    mine, ids = await kept(service)
    found = await labels(service, mine)
    assert found == [
        {"holding": ids[0], "number": "P-1", "title": "1890 penny, United Kingdom", "facts": ["bronze, 40"]},
        {"holding": ids[1], "number": "P-2", "title": "1901 or 1902 penny", "facts": []},
        {"holding": ids[2], "number": None, "title": "florin", "facts": ["3 pieces"]},
    ]


async def test_a_grade_stands_on_a_label_as_it_was_written(service: Running) -> None:
    mine = service.collector()
    facts = {"denomination": "thaler", "material": "silver", "grade": {"from": 20, "to": 38}, "grade_words": "ss"}
    await service.client.post("/v1/holdings", json={"number": "T", "facts": facts}, headers=mine)
    (label,) = await labels(service, mine)
    assert label["facts"] == ["silver, ss"]


async def test_which_coins_and_in_which_order(service: Running) -> None:
    mine, ids = await kept(service)
    made = await service.client.post("/v1/definitions", json={"document": SET}, headers=mine)
    of_set = await labels(service, mine, definition=made.json()["id"])
    assert [(one["holding"], one["facts"]) for one in of_set] == [
        (ids[1], ["A later penny"]),
        (ids[0], ["bronze, 40", "An old penny"]),
    ]
    picked = await labels(service, mine, ids=f"{ids[3]},{ids[0].upper()}")
    assert [one["holding"] for one in picked] == [ids[3], ids[0]]
    by_rule = await labels(service, mine, filter="denomination = 'penny'")
    assert [one["number"] for one in by_rule] == ["P-1", "P-2"]


async def test_the_page_begins_where_the_sheet_still_has_labels(service: Running) -> None:
    mine, _ = await kept(service)
    asked = {"format": "html", "sheet": "a4-38x21", "first": "64"}
    page = await service.client.get("/v1/holdings/labels", params=asked, headers=mine)
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    sheets = page.text.split('<section class="sheet">')[1:]
    assert [sheet.count('<div class="label">') for sheet in sheets] == [65, 1]
    assert "1890 penny" in sheets[0] and "florin" in sheets[1]
    # A QR code for each number, none for the coin without one.
    assert page.text.count("<svg") == 2
    assert "behind the clock" not in page.text and "77" not in re.sub("<svg.*?</svg>", "", page.text)
    text = await service.client.get("/v1/holdings/labels?format=text", headers=mine)
    assert text.text.startswith("1890 penny, United Kingdom\nbronze, 40\nP-1\n\n1901 or 1902 penny\nP-2\n\n")


async def test_what_cannot_be_printed_says_what_to_do(service: Running) -> None:
    mine, ids = await kept(service)
    for asked, said in (
        ({"sheet": "a3"}, "the sheets are a4-70x37"),
        ({"sheet": "a4-70x37", "first": "25"}, "take 1 to 24"),
        ({"ids": ids[0], "filter": "grade > 1"}, "one of them"),
        ({"ids": "x"}, "ids of holdings"),
        ({"filter": "grade >"}, "filter"),
    ):
        answer = await service.client.get("/v1/holdings/labels", params=asked, headers=mine)
        assert (answer.status_code, said in answer.text) == (422, True), answer.text
    stranger = service.collector()
    other = await service.client.get(f"/v1/holdings/labels?ids={ids[0]}", headers=stranger)
    assert other.status_code == 404
    assert await labels(service, stranger) == []
    assert (await service.client.get("/v1/holdings/labels")).status_code == 401


async def test_the_same_labels_are_not_sent_twice(service: Running) -> None:
    mine, _ = await kept(service)
    first = await service.client.get("/v1/holdings/labels", headers=mine)
    known = {**mine, "If-None-Match": first.headers["etag"]}
    assert (await service.client.get("/v1/holdings/labels", headers=known)).status_code == 304
    for other in ("?first=2", "?sheet=a4-48x25", "?format=html"):
        assert (await service.client.get(f"/v1/holdings/labels{other}", headers=known)).status_code == 200
    await service.client.post("/v1/holdings", json={}, headers=mine)
    assert (await service.client.get("/v1/holdings/labels", headers=known)).status_code == 200


async def test_labels_by_a_filter_follow_from_the_sets_that_it_names(service: Running) -> None:
    mine, ids = await kept(service)
    made = (await service.client.post("/v1/definitions", json={"document": SET}, headers=mine)).json()["id"]
    asked = {"filter": f"set('{made}') = 'old'"}
    first = await service.client.get("/v1/holdings/labels", params=asked, headers=mine)
    assert [one["holding"] for one in first.json()["labels"]] == [ids[0]]
    pins = await service.client.get(f"/v1/definitions/{made}/pins", headers=mine)
    never = {"nevers": [{"holding": ids[0], "place": "old"}]}
    await service.client.put(
        f"/v1/definitions/{made}/pins", json=never, headers={**mine, "If-Match": pins.headers["etag"]}
    )
    known = {**mine, "If-None-Match": first.headers["etag"]}
    again = await service.client.get("/v1/holdings/labels", params=asked, headers=known)
    assert (again.status_code, again.json()["labels"]) == (200, [])
    known = {**mine, "If-None-Match": again.headers["etag"]}
    assert (await service.client.get("/v1/holdings/labels", params=asked, headers=known)).status_code == 304


async def test_a_filter_is_asked_for_the_day_of_the_labels(service: Running) -> None:
    mine = service.collector()
    coin = {"facts": {"denomination": "penny", "issuer": "CSHH"}}
    await service.client.post("/v1/holdings", json=coin, headers=mine)
    for day, count in (("1970-01-01", 0), ("2026-01-01", 1)):
        assert len(await labels(service, mine, filter="defunct(issuer)", today=day)) == count, day


def test_every_sheet_fits_its_page() -> None:
    for name, sheet in label_sheets().items():
        assert min(sheet.margin) >= 0, name
        assert 1 <= sheet.count <= 100, name
