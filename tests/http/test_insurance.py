"""The insurance list over HTTP, and values that stay as they were written."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from tests.conftest import Running
from tests.factories import exact_json
from tests.http.named import ensure_named

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Crowns",
    "slots": [
        {"id": "a", "accepts": "denomination = 'crown' AND grade < 40"},
        {"id": "b", "accepts": "denomination = 'crown' AND grade < 50"},
    ],
}
# As text: the numbers are sent as they stand here.
COINS = (
    """{"number": "1", "location": "album 1", "quantity": 3, "facts": {"denomination": "crown", "grade": 30, "issuer": "GB"},
    "values": [{"basis": "paid", "amount": 0.1, "currency": "EUR", "on": "2020-05-01"},
    {"basis": "insured", "amount": 12345678901.25, "currency": "EUR", "on": "2026-01-01", "by": "the owner"},
    {"basis": "insured", "amount": 1, "currency": "EUR"}]}""",
    """{"number": "2", "facts": {"denomination": "penny"}, "values": [{"basis": "paid", "amount": 0.20, "currency": "EUR"},
    {"basis": "replacement", "amount": 7, "currency": "USD"}]}""",
    """{"number": "3", "location": "box", "facts": {"denomination": "florin", "year_on_coin": 1911}}""",
    """{"number": "4", "status": "sold", "values": [{"basis": "paid", "amount": 1000, "currency": "EUR"}]}""",
)


async def kept(service: Running) -> dict[str, str]:
    mine = service.collector()
    for coin in COINS:
        headers = {**mine, "Content-Type": "application/json"}
        made = await service.client.post("/v1/holdings", content=coin, headers=headers)
        assert made.status_code == 201, made.text
    return mine


async def listed(service: Running, mine: dict[str, str], query: str = "") -> dict[str, Any]:
    answer = await service.client.get(f"/v1/insurance-list{query}", headers=mine)
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = exact_json(answer.text)
    return body


def totals(body: dict[str, Any]) -> list[tuple[str, str, str, int]]:
    return [(t["basis"], t["currency"], str(t["amount"]), t["pieces"]) for t in body["totals"]]


async def test_values_stay_as_they_were_written(service: Running) -> None:
    mine = service.collector()
    for amount in ("0.1", "12345678901.25", "0", "7", "7.00", "0.000001", "1000000000000", "999999999999.999999"):
        text = f'{{"values": [{{"basis": "paid", "amount": {amount}, "currency": "EUR", "on": "2026-01-31"}}]}}'
        headers = {**mine, "Content-Type": "application/json"}
        made = await service.client.post("/v1/holdings", content=text, headers=headers)
        assert made.status_code == 201, made.text
        read = await service.client.get(made.headers["location"], headers=mine)
        assert f'"amount":{amount},' in made.text
        assert f'"amount":{amount},' in read.text
        assert read.headers["etag"] == made.headers["etag"]
        listed = await service.client.get("/v1/insurance-list", headers=mine)
        assert f'"amount":{amount},' in listed.text


async def test_values_are_replaced_and_taken_away_by_a_patch(service: Running) -> None:
    mine = service.collector()
    made = await service.client.post("/v1/holdings", json={}, headers=mine)
    assert made.json()["values"] == []
    patch = {**mine, "If-Match": made.headers["etag"], "Content-Type": "application/merge-patch+json"}
    values = [{"basis": "appraised", "amount": 5, "currency": "CHF", "on": None, "by": "An Appraiser", "note": None}]
    changed = await service.client.patch(made.headers["location"], json={"values": values}, headers=patch)
    assert changed.json()["values"] == values
    patch["If-Match"] = changed.headers["etag"]
    wrong = await service.client.patch(made.headers["location"], json={"values": [{"amount": -1}]}, headers=patch)
    assert sorted(fault["pointer"] for fault in wrong.json()["errors"]) == [
        "/values/0/amount",
        "/values/0/basis",
        "/values/0/currency",
    ]
    gone = await service.client.patch(made.headers["location"], json={"values": None}, headers=patch)
    assert gone.json()["values"] == []


async def test_what_is_held_is_listed_with_its_newest_values(service: Running) -> None:
    mine = await kept(service)
    body = await listed(service, mine, "?on=2026-06-30")
    assert [(line["number"], line["pieces"], line["description"]) for line in body["valued"]] == [
        ("1", 3, "crown, United Kingdom"),
        ("2", 1, "penny"),
    ]
    assert [(line["number"], line["location"], line["description"]) for line in body["unvalued"]] == [
        ("3", "box", "1911 florin")
    ]
    assert totals(body) == [
        ("paid", "EUR", "0.50", 4),
        ("insured", "EUR", "37037036703.75", 3),
        ("replacement", "USD", "7", 1),
    ]
    assert (body["pieces"], body["unvalued_pieces"], body["definition"]) == (5, 1, None)
    assert ensure_named(body) == 3
    assert len(body["cautions"]) == 3
    earlier = await listed(service, mine, "?on=2025-12-31&basis=insured")
    assert totals(earlier) == [("insured", "EUR", "3", 3)]
    assert [line["number"] for line in earlier["unvalued"]] == ["3", "2"]


async def test_only_what_sits_in_a_set_now(service: Running) -> None:
    mine = await kept(service)
    made = await service.client.post("/v1/definitions", json={"document": SET}, headers=mine)
    identity = made.json()["id"]
    # Two of the three like crowns have a place.
    body = await listed(service, mine, f"?definition={identity}")
    assert [(line["number"], line["pieces"]) for line in body["valued"]] == [("1", 2)]
    assert (body["unvalued"], body["definition"]["id"]) == ([], identity)
    assert totals(body)[0] == ("paid", "EUR", "0.2", 2)
    stranger = service.collector()
    answer = await service.client.get(f"/v1/insurance-list?definition={identity}", headers=stranger)
    assert answer.status_code == 404
    assert (await listed(service, stranger))["pieces"] == 0


async def test_the_sheet_and_the_paper(service: Running) -> None:
    mine = await kept(service)
    sheet = await service.client.get("/v1/insurance-list", headers={**mine, "Accept": "text/csv"})
    assert sheet.headers["content-type"] == "text/csv; charset=utf-8"
    assert sheet.headers["x-content-type-options"] == "nosniff"
    rows = list(csv.DictReader(io.StringIO(sheet.text)))
    assert [(row["number"], row["basis"], row["total"]) for row in rows] == [
        ("1", "paid", "0.3"),
        ("1", "insured", "37037036703.75"),
        ("2", "paid", "0.20"),
        ("2", "replacement", "7"),
        ("3", "", ""),
    ]
    paper = await service.client.get("/v1/insurance-list?format=text", headers=mine)
    assert paper.headers["content-type"] == "text/plain; charset=utf-8"
    assert "- insured: 37037036703.75 EUR for 3 pieces" in paper.text
    page = await service.client.get("/v1/insurance-list?format=html", headers=mine)
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "<li>insured: 37037036703.75 EUR for 3 pieces</li>" in page.text
    assert "<td>1: 3x crown, United Kingdom; kept: album 1</td>" in page.text


async def test_the_same_list_is_not_sent_twice(service: Running) -> None:
    mine = await kept(service)
    first = await service.client.get("/v1/insurance-list?on=2026-06-30", headers=mine)
    known = {**mine, "If-None-Match": first.headers["etag"]}
    same = await service.client.get("/v1/insurance-list?on=2026-06-30", headers=known)
    assert (same.status_code, same.content) == (304, b"")
    for other in ("?on=2026-06-29", "?on=2026-06-30&basis=paid", "?on=2026-06-30&format=csv"):
        assert (await service.client.get(f"/v1/insurance-list{other}", headers=known)).status_code == 200
    await service.client.post("/v1/holdings", json={}, headers=mine)
    assert (await service.client.get("/v1/insurance-list?on=2026-06-30", headers=known)).status_code == 200
    for wrong in ("?basis=guess", "?format=pdf", "?on=x", "?definition=x", "?set=x"):
        assert (await service.client.get(f"/v1/insurance-list{wrong}", headers=mine)).status_code == 422, wrong
    assert (await service.client.get("/v1/insurance-list")).status_code == 401
