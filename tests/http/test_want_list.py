"""The want list over HTTP: JSON, a card of 40 columns, CSV that no spreadsheet runs, a page to print."""

from __future__ import annotations

import csv
import io
from html.parser import HTMLParser
from typing import Any

import pytest

from tests.conftest import Running
from tests.http.named import ensure_named

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
    assert body["wanted"][2]["wanted"] == "a crown, of a mint that you do not have yet"
    assert [(entry["place"], entry["number"]) for entry in body["weakest"]] == [
        ("shilling", "8"),
        ("new", "7"),
        ("any/1", "9"),
    ]
    assert body["weakest"][0]["because"] == "holed; grade 60"
    assert ensure_named(body) == 3
    fewer = (await service.client.get(where, headers=mine, params={"upgrades": 1})).json()
    assert (fewer["wanted"], fewer["weakest"]) == (body["wanted"], body["weakest"][:1])


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
    # Its own sentences are in the language that was asked for; the title is in that of the set.
    assert page.language == "en"
    assert '<h1 lang="en-GB">' in answer.text
    assert "Pence & <shillings>" in page.words
    assert not {"script", "link", "img", "iframe", "shillings"} & set(page.tags)
    # Three lines of what is wanted, three of what could be better, each with a box to tick.
    assert (page.tags.count("li"), page.tags.count("span")) == (6, 6)
    assert "No. 8 (shilling)" in answer.text
    card = await service.client.get(f"{where}?format=html&paper=a6", headers=mine)
    assert '<body class="a6">' in card.text and '<body class="a4">' in answer.text
    assert card.headers["etag"] != answer.headers["etag"]


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
    assert "Accept" in answer.headers["vary"].split(", ")
    asked = await service.client.get(f"{where}?format=csv", headers={**mine, "Accept": accept})
    assert asked.headers["content-type"] == "text/csv; charset=utf-8"


NOTES = [
    {"place": "any", "min_grade": 30, "most_to_pay": 12.50, "currency": "GBP", "note": "=no holes"},
    {"place": "new", "min_grade": 20},
    {"place": "mints/Tower", "note": "not before the fair"},
]


async def noted(service: Running) -> tuple[str, dict[str, str], Any]:
    where, mine = await kept(service)
    address = where.replace("want-list", "want-notes")
    answer = await service.client.put(address, json={"notes": NOTES}, headers={**mine, "If-Match": "*"})
    assert answer.status_code == 200, answer.text
    return where, mine, answer


async def test_the_owners_notes_stand_beside_what_is_wanted(service: Running) -> None:
    where, mine, put = await noted(service)
    notes = [{"min_grade": None, "most_to_pay": None, "currency": None, "note": None, **note} for note in NOTES]
    assert put.json() == {"notes": sorted(notes, key=lambda note: str(note["place"]))}
    body = (await service.client.get(where, headers=mine)).json()
    any_florin = body["wanted"][0]
    assert {name: any_florin[name] for name in ("min_grade", "most_to_pay", "currency", "note")} == {
        "min_grade": 30,
        "most_to_pay": 12.5,
        "currency": "GBP",
        "note": "=no holes",
    }
    # The penny of grade 8 and the florin of grade 20 fall short of the grades wanted, so they come before the holed shilling.
    assert [(entry["place"], entry.get("below_min_grade")) for entry in body["weakest"]] == [
        ("new", True),
        ("any/1", True),
        ("shilling", None),
    ]
    text = (await service.client.get(f"{where}?format=text", headers=mine)).text
    assert max(map(len, text.splitlines())) <= 40
    assert "grade 30 or more; up to 12.5 GBP; =no holes" in " ".join(text.split())
    rows = list(csv.DictReader(io.StringIO((await service.client.get(f"{where}?format=csv", headers=mine)).text)))
    assert (rows[0]["min_grade"], rows[0]["most_to_pay"], rows[0]["note"]) == ("30", "12.5", "'=no holes")
    assert (
        '<span class="note">grade 20 or more</span>'
        in (await service.client.get(f"{where}?format=html", headers=mine)).text
    )


async def test_a_range_of_grades_falls_short_only_when_all_of_it_does(service: Running) -> None:
    where, mine, _ = await noted(service)
    for grade, short in (({"from": 10, "to": 19}, True), ({"from": 10, "to": 20}, None), ({"one_of": [5, 40]}, None)):
        coin = {"facts": {"denomination": "penny", "year_on_coin": 1950, "grade": grade, "problems": []}}
        made = await service.client.post("/v1/holdings", json=coin, headers=mine)
        pins = {"pins": [{"holding": made.json()["id"], "place": "new"}]}
        address = where.replace("want-list", "pins")
        assert (await service.client.put(address, json=pins, headers={**mine, "If-Match": "*"})).status_code == 200
        body = (await service.client.get(where, headers=mine)).json()
        (entry,) = (entry for entry in body["weakest"] if entry["place"] == "new")
        assert (entry["holding"], entry.get("below_min_grade")) == (made.json()["id"], short)


async def test_a_note_changes_the_tag_of_the_list_and_goes_with_an_empty_list(service: Running) -> None:
    where, mine, put = await noted(service)
    address = where.replace("want-list", "want-notes")
    before = (await service.client.get(where, headers=mine)).headers["etag"]
    stale = await service.client.put(address, json={"notes": []}, headers={**mine, "If-Match": '"x"'})
    assert stale.status_code == 412
    assert (await service.client.put(address, json={"notes": []}, headers=mine)).status_code == 428
    gone = await service.client.put(address, json={"notes": []}, headers={**mine, "If-Match": put.headers["etag"]})
    assert (gone.status_code, gone.json()) == (200, {"notes": []})
    after = await service.client.get(where, headers={**mine, "If-None-Match": before})
    assert after.status_code == 200
    assert "note" not in after.json()["wanted"][0]


async def test_a_coin_marked_keep_is_left_out_and_one_to_be_replaced_comes_first(service: Running) -> None:
    where, mine = await kept(service)

    async def mark(number: str, value: str | None) -> None:
        found = await service.client.get(f"/v1/holdings?filter=number = '{number}'", headers=mine)
        coin = f"/v1/holdings/{found.json()['items'][0]['id']}"
        tag = (await service.client.get(coin, headers=mine)).headers["etag"]
        headers = {**mine, "If-Match": tag, "Content-Type": "application/merge-patch+json"}
        patched = await service.client.patch(coin, json={"mark": value}, headers=headers)
        assert (patched.status_code, patched.json()["mark"]) == (200, value), patched.text

    await mark("8", "keep")
    await mark("9", "replace")
    weakest = (await service.client.get(where, headers=mine)).json()["weakest"]
    assert [(entry["number"], entry.get("mark")) for entry in weakest] == [("9", "replace"), ("7", None)]
    await mark("8", None)
    await mark("9", None)
    weakest = (await service.client.get(where, headers=mine)).json()["weakest"]
    assert [entry["number"] for entry in weakest] == ["8", "7", "9"]
