"""The history of a set over HTTP: noting how it stands, reading who sat where and until when."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from typing import Any

import pytest

from service.progress.actions import history as history_actions
from service.runtime import utc_now
from tests.conftest import Running

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Pence",
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": "old", "label": "An old penny", "accepts": "denomination = 'penny' AND year_on_coin < 1901"},
        {"id": "new", "label": "A later penny", "accepts": "denomination = 'penny' AND year_on_coin >= 1901"},
    ],
    "free_choice": [{"id": "any", "label": "Any florin", "places": 3, "accepts": "denomination = 'florin'"}],
}


async def kept(service: Running) -> tuple[str, dict[str, str]]:
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": SET}, headers=mine)
    assert made.status_code == 201, made.text
    return made.headers["location"], mine


async def coin(service: Running, mine: dict[str, str], number: str, denomination: str = "penny", **facts: Any) -> str:
    body = {"number": number, "facts": {"denomination": denomination, **facts}}
    made = await service.client.post("/v1/holdings", json=body, headers=mine)
    assert made.status_code == 201, made.text
    return str(made.json()["id"])


async def sold(service: Running, mine: dict[str, str], identity: str) -> None:
    gone = await service.client.delete(f"/v1/holdings/{identity}", headers={**mine, "If-Match": "*"})
    assert gone.status_code == 204


async def note(service: Running, where: str, mine: dict[str, str], **sent: Any) -> dict[str, Any]:
    answer = await service.client.post(f"{where}/history", json=sent, headers=mine)
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


async def history(service: Running, where: str, mine: dict[str, str], query: str = "") -> dict[str, Any]:
    answer = await service.client.get(f"{where}/history{query}", headers=mine)
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


def told(body: dict[str, Any]) -> list[tuple[str, str, str]]:
    return [(change["place"], change["event"], change["holding"]) for change in body["changes"]]


def rows(body: dict[str, Any]) -> list[tuple[str, str, str, str | None]]:
    return [(item["place"], item["holding"], item["since"], item["until"]) for item in body["items"]]


async def test_coins_come_are_replaced_and_leave(service: Running) -> None:
    where, mine = await kept(service)
    worn = await coin(service, mine, "1", year_on_coin=1890, grade=10)
    first = await note(service, where, mine, on="2026-01-10")
    assert told(first) == [("old", "filled", worn)]
    assert (first["noted_on"], first["summary"]["filled"]) == ("2026-01-10", 1)
    sharp = await coin(service, mine, "2", year_on_coin=1895, grade=60)
    second = await note(service, where, mine, on="2026-02-10")
    assert told(second) == [("old", "replaced", sharp)]
    assert second["changes"][0]["before"] == worn
    await sold(service, mine, sharp)
    await sold(service, mine, worn)
    assert told(await note(service, where, mine, on="2026-03-10")) == [("old", "emptied", sharp)]
    found = await history(service, where, mine)
    assert rows(found) == [("old", sharp, "2026-02-10", "2026-03-10"), ("old", worn, "2026-01-10", "2026-02-10")]
    assert [(item["label"], item["number"], item["kept"]) for item in found["items"]] == [
        ("An old penny", None, False)
    ] * 2
    assert (found["noted_on"], found["summary"]["filled"]) == ("2026-03-10", 0)


async def test_a_question_for_a_day_is_answered_as_the_set_stood(service: Running) -> None:
    where, mine = await kept(service)
    assert await history(service, where, mine, "?on=2026-01-01") == {
        "items": [],
        "next": None,
        "noted_on": None,
        "summary": None,
    }
    worn = await coin(service, mine, "1", year_on_coin=1890, grade=10)
    await note(service, where, mine, on="2026-01-10")
    later = await coin(service, mine, "2", year_on_coin=1950, grade=60)
    await note(service, where, mine, on="2026-02-10")
    assert rows(await history(service, where, mine, "?on=2026-01-09")) == []
    between = await history(service, where, mine, "?on=2026-02-09")
    assert rows(between) == [("old", worn, "2026-01-10", None)]
    assert (between["noted_on"], between["summary"]["filled"]) == ("2026-01-10", 1)
    assert between["items"][0]["number"] == "1"
    at_last = await history(service, where, mine, "?on=2030-01-01")
    assert {row[1] for row in rows(at_last)} == {worn, later}
    assert rows(await history(service, where, mine, f"?holding={later}")) == [("new", later, "2026-02-10", None)]
    assert rows(await history(service, where, mine, "?place=old")) == [("old", worn, "2026-01-10", None)]


async def test_the_same_note_again_changes_nothing(service: Running) -> None:
    where, mine = await kept(service)
    await coin(service, mine, "1", year_on_coin=1890)
    await note(service, where, mine, on="2026-01-10")
    before = await history(service, where, mine)
    again = await note(service, where, mine, on="2026-01-10")
    assert again["changes"] == []
    assert await history(service, where, mine) == before
    # Without a day it is noted of today.
    today = utc_now().date()
    assert (await note(service, where, mine))["noted_on"] in {str(today), str(today - timedelta(days=1))}


async def test_no_day_before_the_last_note_and_none_to_come(service: Running) -> None:
    where, mine = await kept(service)
    await note(service, where, mine, on="2026-01-10")
    for day, words in (("2026-01-09", "noted on 2026-01-10 already"), ("2999-01-01", "still to come")):
        answer = await service.client.post(f"{where}/history", json={"on": day}, headers=mine)
        assert answer.status_code == 422
        (fault,) = answer.json()["errors"]
        assert (fault["code"], fault["pointer"]) == ("day-order", "/on")
        assert words in fault["message"]


async def test_coins_stay_where_they_were_when_nothing_speaks_against_it(service: Running) -> None:
    where, mine = await kept(service)
    florins = [await coin(service, mine, str(n), "florin") for n in range(3)]
    await note(service, where, mine, on="2026-01-10")
    sat = {row[1]: row[0] for row in rows(await history(service, where, mine))}
    assert set(sat) == set(florins)
    await sold(service, mine, florins[0])
    second = await note(service, where, mine, on="2026-01-11")
    assert told(second) == [(sat[florins[0]], "emptied", florins[0])]


async def test_a_doubt_that_is_settled_is_an_event_of_its_own(service: Running) -> None:
    where, mine = await kept(service)
    unread = await coin(service, mine, "1")
    first = await note(service, where, mine, on="2026-01-10")
    ((place, event, holding),) = told(first)
    assert (event, holding, first["changes"][0]["basis"]) == ("filled", unread, "tentative")
    year = 1890 if place == "old" else 1950
    patch = {**mine, "If-Match": "*", "Content-Type": "application/merge-patch+json"}
    body = {"facts": {"year_on_coin": year}}
    assert (await service.client.patch(f"/v1/holdings/{unread}", json=body, headers=patch)).status_code == 200
    assert told(await note(service, where, mine, on="2026-01-11")) == [(place, "settled", unread)]
    found = await history(service, where, mine)
    assert [(item["basis"], item["until"]) for item in found["items"]] == [
        ("filled", None),
        ("tentative", "2026-01-11"),
    ]


async def test_the_history_comes_in_pages_that_keep_their_filter(service: Running) -> None:
    where, mine = await kept(service)
    florins = {await coin(service, mine, str(n), "florin") for n in range(3)}
    await coin(service, mine, "p", year_on_coin=1950)
    await note(service, where, mine, on="2026-01-10")
    seen: list[str] = []
    address = f"{where}/history?limit=2&on=2026-01-10"
    while address:
        answer = await service.client.get(address, headers=mine)
        assert answer.status_code == 200, answer.text
        seen += [item["holding"] for item in answer.json()["items"]]
        address = answer.json()["next"]
        assert (f'<{address}>; rel="next"' == answer.headers.get("link")) is (address is not None)
    assert len(seen) == len(set(seen)) == 4
    assert florins < set(seen)
    for query in ("?holding=x", "?on=2026-02-30", "?limit=0", "?cursor=x", "?plaze=old"):
        assert (await service.client.get(f"{where}/history{query}", headers=mine)).status_code == 422, query


async def test_notes_made_at_the_same_time_double_nothing(service: Running) -> None:
    where, mine = await kept(service)
    for n in range(3):
        await coin(service, mine, str(n), "florin")
    answers = await asyncio.gather(
        *(service.client.post(f"{where}/history", json={"on": "2026-01-10"}, headers=mine) for _ in range(6))
    )
    assert {answer.status_code for answer in answers} <= {200, 409}
    # Whoever came first filled the places; the others found nothing to change, or were told to send it again.
    assert sorted(len(answer.json()["changes"]) for answer in answers if answer.status_code == 200)[-2:] == [0, 3]
    assert len(rows(await history(service, where, mine))) == 3


async def test_what_changes_while_the_set_is_worked_out_makes_it_be_worked_out_again(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    where, mine = await kept(service)
    worn = await coin(service, mine, "1", year_on_coin=1890)
    real, arrivals = history_actions._prepared, ["2"]

    async def slowly(*asked: Any) -> Any:
        act = await real(*asked)
        if arrivals:
            await coin(service, mine, arrivals.pop(), year_on_coin=1950)
        return act

    monkeypatch.setattr(history_actions, "_prepared", slowly)
    body = await note(service, where, mine, on="2026-01-10")
    # The coin that arrived meanwhile is in it.
    assert [event for _, event, _ in told(body)] == ["filled", "filled"]
    assert worn in {row[1] for row in rows(await history(service, where, mine))}
    arrivals.extend("abcdefgh")
    answer = await service.client.post(f"{where}/history", json={"on": "2026-01-11"}, headers=mine)
    assert answer.status_code == 409
    assert answer.json()["type"].endswith("/problems/clash")
    assert (await history(service, where, mine))["noted_on"] == "2026-01-10"


async def test_a_note_is_made_once_under_its_key_even_after_a_later_note(service: Running) -> None:
    where, mine = await kept(service)
    await coin(service, mine, "1", year_on_coin=1890)
    keyed = {**mine, "Idempotency-Key": "k"}
    first = await service.client.post(f"{where}/history", json={"on": "2026-01-10"}, headers=keyed)
    await note(service, where, mine, on="2026-01-11")
    again = await service.client.post(f"{where}/history", json={"on": "2026-01-10"}, headers=keyed)
    assert (again.status_code, again.content) == (200, first.content)


async def test_the_history_is_nobody_elses(service: Running) -> None:
    where, mine = await kept(service)
    await coin(service, mine, "1", year_on_coin=1890)
    await note(service, where, mine, on="2026-01-10")
    stranger = service.collector()
    assert (await service.client.get(f"{where}/history", headers=stranger)).status_code == 404
    assert (await service.client.post(f"{where}/history", json={}, headers=stranger)).status_code == 404
    assert (await service.client.get(f"{where}/history")).status_code == 401


async def test_a_note_may_go_by_a_published_revision_while_a_draft_is_worked_on(service: Running) -> None:
    where, mine = await kept(service)
    await coin(service, mine, "1", year_on_coin=1890)
    published = await service.client.post(f"{where}/revisions?acknowledged=true", headers={**mine, "If-Match": "*"})
    assert published.status_code == 201, published.text
    draft = {**SET, "slots": SET["slots"][1:]}
    changed = await service.client.put(where, json={"document": draft}, headers={**mine, "If-Match": "*"})
    assert changed.status_code == 200
    assert (await note(service, where, mine, on="2026-01-10", revision=1))["summary"]["filled"] == 1
    assert [event for _, event, _ in told(await note(service, where, mine, on="2026-01-11"))] == ["emptied"]
    missing = await service.client.post(f"{where}/history", json={"revision": 7}, headers=mine)
    assert missing.status_code == 404
