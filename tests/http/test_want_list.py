"""The want list over HTTP: JSON, a card of 40 columns, CSV that no spreadsheet runs, a page to print."""

from __future__ import annotations

import csv
import io
from html.parser import HTMLParser
from typing import Any

import pytest

from tests.conftest import Running

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Pence & <shillings>",
    "language": "en-GB",
    "prefer": [{"where": "count(problems) = 0"}, {"highest": "grade"}],
    "slots": [
        {"id": "old", "label": "=1+1", "accepts": "denomination = 'penny' AND year_on_coin < 1901", "tier": "optional"},
        {"id": "new", "label": "A later penny", "accepts": "denomination = 'penny' AND year_on_coin >= 1901"},
        {"id": "shilling", "label": "A shilling", "accepts": "denomination = 'shilling'"},
    ],
    "free_choice": [{"id": "any", "label": "Any three florins", "places": 3, "accepts": "denomination = 'florin'"}],
    "one_per": [
        {"id": "mints", "attribute": "mint", "accepts": "denomination = 'crown'", "keys": {"from": "holdings"}}
    ],
}
COINS = [
    {"number": "7", "facts": {"denomination": "penny", "year_on_coin": 1950, "grade": 8, "problems": []}},
    {"number": "8", "facts": {"denomination": "shilling", "grade": 60, "problems": ["holed"]}},
    {"number": "9", "facts": {"denomination": "florin", "grade": 20, "problems": []}},
]


async def kept(service: Running) -> tuple[str, dict[str, str]]:
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": SET}, headers=mine)
    assert made.status_code == 201, made.text
    for coin in COINS:
        assert (await service.client.post("/v1/holdings", json=coin, headers=mine)).status_code == 201
    return f"{made.headers['location']}/want-list", mine


async def test_empty_places_come_by_tier_then_the_weakest_fillings(service: Running) -> None:
    where, mine = await kept(service)
    body = (await service.client.get(where, headers=mine)).json()
    assert [(entry["kind"], entry["place"], entry["places"]) for entry in body["wanted"]] == [
        ("empty", "any", 2),
        ("empty", "old", 1),
        ("open", "mints", 1),
    ]
    assert body["wanted"][1]["wanted"] == "a penny dated before 1901"
    assert body["wanted"][2]["wanted"] == "a crown, of a mint that no coin here shows yet"
    assert [(entry["place"], entry["number"]) for entry in body["weakest"]] == [
        ("shilling", "8"),
        ("new", "7"),
        ("any/1", "9"),
    ]
    assert body["weakest"][0]["because"] == "not: no problems, grade 60"


async def test_the_text_fits_a_card(service: Running) -> None:
    where, mine = await kept(service)
    answer = await service.client.get(f"{where}?format=text", headers=mine)
    assert answer.headers["content-type"] == "text/plain; charset=utf-8"
    assert max(len(line) for line in answer.text.splitlines()) <= 40
    assert "[ ] 2x Any three florins: a florin" in answer.text


async def test_a_cell_that_a_spreadsheet_would_run_is_defused(service: Running) -> None:
    where, mine = await kept(service)
    answer = await service.client.get(f"{where}?format=csv", headers=mine)
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert next(row["label"] for row in rows if row["place"] == "old") == "'=1+1"
    assert [row["kind"] for row in rows] == ["empty", "empty", "open", "better", "better", "better"]


class Page(HTMLParser):
    """The tags and the text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words: list[str] = []
        self.language = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag == "html":
            self.language = dict(attrs).get("lang") or ""

    def handle_data(self, data: str) -> None:
        self.words.append(data)


async def test_the_page_is_escaped_and_loads_nothing(service: Running) -> None:
    where, mine = await kept(service)
    answer = await service.client.get(f"{where}?format=html", headers=mine)
    page = Page(answer.text)
    assert page.language == "en-GB"
    assert "Pence & <shillings>" in page.words
    assert not {"script", "link", "img", "iframe", "shillings"} & set(page.tags)
    assert page.tags.count("tr") == 2 + 3 + 3


async def test_the_same_list_is_not_sent_twice_and_another_form_is(service: Running) -> None:
    where, mine = await kept(service)
    first = await service.client.get(where, headers=mine)
    known = {**mine, "If-None-Match": first.headers["etag"]}
    assert (await service.client.get(where, headers=known)).status_code == 304
    assert (await service.client.get(f"{where}?format=text", headers=known)).status_code == 200
    assert (await service.client.get(f"{where}?format=pdf", headers=mine)).status_code == 422
    assert (await service.client.get(where, headers=service.collector())).status_code == 404


@pytest.mark.parametrize(
    ("accept", "expected"),
    [
        ("*/*", "application/json"),
        ("text/csv", "text/csv; charset=utf-8"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "text/html; charset=utf-8"),
        ("text/plain;q=0.5, text/csv;q=0.4", "text/plain; charset=utf-8"),
        ("application/json;q=0, */*", "text/plain; charset=utf-8"),
        ("text/*;q=0.3, text/html;q=0.1", "text/plain; charset=utf-8"),
        ("image/png", "application/json"),
        ("text/csv;q=nonsense,;;,", "text/csv; charset=utf-8"),
    ],
)
async def test_the_form_is_the_one_that_the_caller_accepts(service: Running, accept: str, expected: str) -> None:
    where, mine = await kept(service)
    answer = await service.client.get(where, headers={**mine, "Accept": accept})
    assert (answer.status_code, answer.headers["content-type"]) == (200, expected)
    assert answer.headers["vary"] == "Accept"
    asked = await service.client.get(f"{where}?format=csv", headers={**mine, "Accept": accept})
    assert asked.headers["content-type"] == "text/csv; charset=utf-8"
