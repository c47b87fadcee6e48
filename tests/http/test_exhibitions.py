"""Exhibitions over HTTP: frozen, with loans by owner's name."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.conftest import Running
from tests.pictures import photo_upload

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Pence",
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": "old", "label": "An old penny", "accepts": "denomination = 'penny' AND year_on_coin < 1901"},
        {"id": "new", "label": "A later penny", "accepts": "denomination = 'penny' AND year_on_coin >= 1901"},
        {"id": "florin", "label": "A florin", "accepts": "denomination = 'florin'"},
    ],
    "layout": [{"page": "Case 1", "slots": ["new", "old"]}],
}
SHOW: dict[str, Any] = {
    "title": "Spring fair",
    "on": "2026-04-01",
    "note": "By the window.",
    "loans": [
        {"owner": "B. Lender", "label": "The 1950", "facts": {"denomination": "penny", "year_on_coin": 1950}},
        {"owner": "A. Friend", "facts": {"denomination": "crown"}},
    ],
}


async def kept(service: Running) -> tuple[str, str, dict[str, str]]:
    """The addresses of the set and of the coin that sits in it."""
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": SET}, headers=mine)
    coin = {"number": "A-1", "facts": {"denomination": "penny", "year_on_coin": 1890, "grade": 40}}
    held = await service.client.post("/v1/holdings", json=coin, headers=mine)
    assert (made.status_code, held.status_code) == (201, 201)
    return made.headers["location"], held.headers["location"], mine


async def test_the_page_has_photos_and_neither_values_nor_places_of_storage(service: Running) -> None:
    where, coin, mine = await kept(service)
    secret = {"location": "behind the clock", "values": [{"basis": "insured", "amount": 77, "currency": "EUR"}]}
    patch = {**mine, "If-Match": "*", "Content-Type": "application/merge-patch+json"}
    assert (await service.client.patch(coin, json=secret, headers=patch)).status_code == 200
    made = await service.client.post(f"{where}/exhibitions", json=SHOW, headers=mine)
    address = f"{made.headers['location']}?format=html"
    plain = await service.client.get(address, headers=mine)
    assert (plain.status_code, plain.text.count("<img")) == (200, 0)
    assert "The 1950" in plain.text and "B. Lender" in plain.text and "<h2>Case 1</h2>" in plain.text
    for side in ("reverse", "obverse"):
        assert (await service.client.post(f"{coin}/photos?side={side}", **photo_upload(mine))).status_code == 201
    known = {**mine, "If-None-Match": plain.headers["etag"]}
    page = await service.client.get(address, headers=known)
    assert page.text.count('src="data:image/') == 1
    assert "behind the clock" not in page.text and "77" not in re.sub('data:[^"]*', "", page.text)
    assert "img-src data:;" in page.headers["content-security-policy"]
    assert "script" not in page.headers["content-security-policy"]
    again = await service.client.get(address, headers={**mine, "If-None-Match": page.headers["etag"]})
    assert again.status_code == 304
    other = await service.client.get(address, headers=service.collector())
    assert other.status_code == 404


async def test_what_is_shown_is_answered_with_its_loans(service: Running) -> None:
    where, coin, mine = await kept(service)
    made = await service.client.post(f"{where}/exhibitions", json=SHOW, headers=mine)
    assert made.status_code == 201, made.text
    body = made.json()
    assert [(e["page"], e["place"], e["owner"], e["number"], e["description"]) for e in body["exhibits"]] == [
        ("Case 1", "new", "B. Lender", None, "The 1950"),
        ("Case 1", "old", None, "A-1", "1890 penny"),
    ]
    assert body["exhibits"][1]["holding"] == coin.rpartition("/")[2]
    assert body["loans"] == [
        {"owner": "B. Lender", "loan": "loan-1", "label": "The 1950", "place": "new", "place_label": "A later penny"}
    ]
    assert body["unused_loans"] == [
        {"owner": "A. Friend", "loan": "loan-2", "label": "crown", "pieces": 1, "reason": "outside"}
    ]
    assert body["summary"]["filled"] == 2
    assert (body["evaluation"]["evaluated_on"], body["definition"]["title"]) == ("2026-04-01", "Pence")
    assert body["holdings_state"] == body["evaluation"]["holdings_state"]
    # A loan is no holding.
    assert len((await service.client.get("/v1/holdings", headers=mine)).json()["items"]) == 1


async def test_nothing_that_is_changed_later_changes_it(service: Running) -> None:
    where, coin, mine = await kept(service)
    made = await service.client.post(f"{where}/exhibitions", json=SHOW, headers=mine)
    address = made.headers["location"]
    before = await service.client.get(address, headers=mine)
    assert before.json() == made.json()
    assert before.headers["etag"] == made.headers["etag"]
    text = await service.client.get(f"{address}?format=text", headers=mine)
    any_version = {**mine, "If-Match": "*"}
    patch = {**any_version, "Content-Type": "application/merge-patch+json"}
    changed = {"number": "Z", "facts": {"year_on_coin": 1950, "grade": 1}}
    assert (await service.client.patch(coin, json=changed, headers=patch)).status_code == 200
    assert (await service.client.delete(coin, headers=any_version)).status_code == 204
    other = {**SET, "title": "Nothing", "slots": SET["slots"][2:], "layout": []}
    assert (await service.client.put(where, json={"document": other}, headers=any_version)).status_code == 200
    after = await service.client.get(address, headers=mine)
    assert after.content == before.content
    assert (await service.client.get(f"{address}?format=text", headers=mine)).content == text.content
    known = {**mine, "If-None-Match": before.headers["etag"]}
    assert (await service.client.get(address, headers=known)).status_code == 304


async def test_the_list_of_exhibits_as_text(service: Running) -> None:
    where, _, mine = await kept(service)
    made = await service.client.post(f"{where}/exhibitions", json=SHOW, headers=mine)
    answer = await service.client.get(made.headers["location"], headers={**mine, "Accept": "text/plain"})
    assert answer.headers["content-type"] == "text/plain; charset=utf-8"
    assert "Accept" in answer.headers["vary"].split(", ")
    assert answer.text.splitlines() == [
        "Spring fair, 2026-04-01",
        "By the window.",
        "2 of 3 places shown",
        "",
        "Case 1",
        "1. A later penny: The 1950, lent by B. Lender",
        "2. An old penny: 1890 penny (no. A-1)",
        "",
        "Lent by",
        "- B. Lender: The 1950, for A later penny",
        "",
        "Offered and not shown",
        "- A. Friend: crown",
        "",
        "Facts and grades are the owners' opinion: no authentication, no valuation.",
    ]


async def test_exhibitions_are_listed_and_taken_down(service: Running) -> None:
    where, _, mine = await kept(service)
    titles = [f"Show {number}" for number in range(3)]
    made = [
        await service.client.post(f"{where}/exhibitions", json={**SHOW, "title": title}, headers=mine)
        for title in titles
    ]
    seen: list[str] = []
    address = f"{where}/exhibitions?limit=2"
    while address:
        page = (await service.client.get(address, headers=mine)).json()
        seen += [item["title"] for item in page["items"]]
        assert all(set(item) == {"id", "title", "on", "created_at", "summary"} for item in page["items"])
        address = page["next"]
    assert sorted(seen) == titles
    gone, tag = made[0].headers["location"], made[0].headers["etag"]
    assert (await service.client.delete(gone, headers=mine)).status_code == 428
    stale = {**mine, "If-Match": made[1].headers["etag"]}
    assert (await service.client.delete(gone, headers=stale)).status_code == 412
    assert (await service.client.delete(gone, headers={**mine, "If-Match": tag})).status_code == 204
    assert (await service.client.get(gone, headers=mine)).status_code == 404
    assert (await service.client.get(f"{where}/exhibitions/x", headers=mine)).status_code == 404
    assert len((await service.client.get(f"{where}/exhibitions", headers=mine)).json()["items"]) == 2


async def test_an_exhibition_is_made_once_under_its_key(service: Running) -> None:
    where, _, mine = await kept(service)
    keyed = {**mine, "Idempotency-Key": "show"}
    first = await service.client.post(f"{where}/exhibitions", json=SHOW, headers=keyed)
    again = await service.client.post(f"{where}/exhibitions", json=SHOW, headers=keyed)
    assert (again.status_code, again.content) == (201, first.content)
    other = await service.client.post(f"{where}/exhibitions", json={**SHOW, "title": "Other"}, headers=keyed)
    assert other.status_code == 422
    assert len((await service.client.get(f"{where}/exhibitions", headers=mine)).json()["items"]) == 1


async def test_a_better_loan_takes_the_place_and_a_like_one_does_not(service: Running) -> None:
    where, _, mine = await kept(service)
    for grade, owner in ((60, "C. Better"), (40, None)):
        loan = {"owner": "C. Better", "facts": {"denomination": "penny", "year_on_coin": 1890, "grade": grade}}
        sent = {"title": "x", "on": "2026-04-01", "loans": [loan]}
        made = await service.client.post(f"{where}/exhibitions", json=sent, headers=mine)
        assert [exhibit["owner"] for exhibit in made.json()["exhibits"]] == [owner]


async def test_what_is_wrong_with_loans_is_told_at_its_place(service: Running) -> None:
    where, _, mine = await kept(service)
    loans = [
        {"owner": "A", "facts": {"grade": 99}},
        {"owner": "B", "facts": {"finess": 1}},
    ]
    answer = await service.client.post(f"{where}/exhibitions", json={**SHOW, "loans": loans}, headers=mine)
    assert answer.status_code == 422
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["/loans/0/facts/grade", "/loans/1/facts/finess"]
    strange = [{"owner": "A", "facts": {}, "issue": "no-such-issue"}]
    answer = await service.client.post(f"{where}/exhibitions", json={**SHOW, "loans": strange}, headers=mine)
    assert [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]] == [
        ("unknown-issue", "/loans/0/issue")
    ]


async def test_an_exhibition_may_go_by_a_published_revision(service: Running) -> None:
    where, _, mine = await kept(service)
    any_version = {**mine, "If-Match": "*"}
    published = await service.client.post(f"{where}/revisions?acknowledged=true", headers=any_version)
    assert published.status_code == 201, published.text
    other = {**SET, "slots": SET["slots"][2:], "layout": []}
    assert (await service.client.put(where, json={"document": other}, headers=any_version)).status_code == 200
    for revision, places in ((1, 3), (2, 1), (None, 1)):
        sent = {**SHOW, "revision": revision}
        made = await service.client.post(f"{where}/exhibitions", json=sent, headers=mine)
        assert (made.status_code, made.json()["summary"]["places"]) == (201, places)
    missing = await service.client.post(f"{where}/exhibitions", json={**SHOW, "revision": 9}, headers=mine)
    assert missing.status_code == 404


async def test_an_exhibition_is_nobody_elses(service: Running) -> None:
    where, _, mine = await kept(service)
    made = await service.client.post(f"{where}/exhibitions", json=SHOW, headers=mine)
    stranger = {**service.collector(), "If-Match": "*"}
    for method in ("GET", "DELETE"):
        assert (await service.client.request(method, made.headers["location"], headers=stranger)).status_code == 404
    # Nor is it found under another set of the same owner.
    other = await service.client.post("/v1/definitions", json={"document": SET}, headers=mine)
    elsewhere = made.headers["location"].replace(where, other.headers["location"])
    assert (await service.client.get(elsewhere, headers=mine)).status_code == 404
