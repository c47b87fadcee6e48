"""A club's display over HTTP: several members' coins as one set, lent for as long as they say so, nothing else told of them."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from typing import Any

import pytest
from sqlalchemy import Connection, delete

from service.clubs.actions import displays
from service.clubs.store.offers import ShownStore
from service.clubs.tables import club_consent
from tests.conftest import Running
from tests.http.clubhouse import Clubhouse, Headers, coin, founded
from tests.http.named import ensure_named

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Three <i>crowns</i>",
    "summary": "One of each.",
    "language": "en",
    "slots": [
        {"id": year, "label": f"Crown of {year}", "accepts": f"denomination = 'crown' AND year_on_coin = {year}"}
        for year in ("1887", "1892", "1902")
    ],
    "prefer": [{"highest": "grade"}],
    "layout": [{"page": "Late", "slots": ["1902"]}, {"page": "Early", "slots": ["1887", "1892"]}],
}
CANARIES = ("no-77", "canary note", "canary drawer", "canary tag", "880088", "ambria-own")


async def holding(service: Running, owner: Headers, **fields: Any) -> str:
    answer = await service.client.post("/v1/holdings", json=fields, headers=owner)
    assert answer.status_code == 201, answer.text
    identity: str = answer.json()["id"]
    return identity


def crown(year: int, grade: int = 20) -> dict[str, Any]:
    return {"denomination": "crown", "year_on_coin": year, "grade": grade}


def no_longer(connection: Connection, owner: str) -> None:
    connection.execute(delete(club_consent).where(club_consent.c.owner_id == owner))


async def two_lenders(service: Running) -> tuple[Clubhouse, str, Headers, Headers, list[str]]:
    """The club, its offer, the two members, and the ids of their coins."""
    club = await founded(service)
    ada, ben = await club.newcomer(name="Ada Fern"), await club.newcomer(name="Ben <b>Moss</b>")
    offer = await club.offered(SET)
    own: dict[str, Any] = {
        "number": "no-77",
        "note": "canary note",
        "location": "canary drawer",
        "tags": ["canary tag"],
        "values": [{"basis": "paid", "amount": 880088, "currency": "EUR", "on": "2020-01-01"}],
    }
    issue = {"id": "ambria-own", "label": "Mine", "facts": crown(1902), "source": "own", "edition": "1"}
    assert (await service.client.post("/v1/issues", json=issue, headers=ben)).status_code == 201
    ids = [await holding(service, ada, facts=crown(year, 30), **own) for year in (1887, 1892)]
    ids += [
        await holding(service, ben, issue="ambria-own", **own),
        await holding(service, ben, facts=crown(1892), **own),
    ]
    # What is sold, or fits nothing, is not shown.
    ids += [await holding(service, ben, facts=crown(1887, 60), status="sold", **own)]
    ids += [await holding(service, ben, facts={"denomination": "florin", "mint": "hidden"}, **own)]
    for who in (ada, ben):
        await club.shows(who, offer, display=True)
    return club, offer, ada, ben, ids


async def test_two_lenders_fill_a_set_that_neither_fills_alone(service: Running) -> None:
    club, offer, ada, ben, _ = await two_lenders(service)
    made = await club.get(f"{offer}/display", club.steward)
    assert [(e["page"], e["place"], e["owner"], e["description"]) for e in made["exhibits"]] == [
        ("Late", "1902", "Ben <b>Moss</b>", "1902 crown"),
        ("Early", "1887", "Ada Fern", "1887 crown"),
        ("Early", "1892", "Ada Fern", "1892 crown"),
    ]
    assert [(loan["owner"], loan["place_label"]) for loan in made["loans"]] == [
        ("Ada Fern", "Crown of 1887"),
        ("Ada Fern", "Crown of 1892"),
        ("Ben <b>Moss</b>", "Crown of 1902"),
    ]
    assert made["lenders"] == [{"owner": "Ada Fern", "coins": 2}, {"owner": "Ben <b>Moss</b>", "coins": 1}]
    assert (made["summary"]["filled"], made["summary"]["empty"], made["proven_optimal"]) == (3, 0, True)
    assert (made["definition"]["revision"], made["definition"]["title"]) == (1, SET["title"])
    assert ensure_named(made) == 3
    # The number is the owner's own, and not told.
    assert {one["number"] for one in made["named"].values()} == {None}
    for alone, filled in ((ada, 1), (ben, 2)):
        await club.shows(alone, offer)
        assert (await club.get(f"{offer}/display", ada))["summary"]["filled"] == [0, 2, 2][filled]
        await club.shows(alone, offer, display=True)


async def test_nothing_is_told_but_facts(service: Running) -> None:
    club, offer, ada, ben, ids = await two_lenders(service)
    where = f"{club.address}{offer}/display"
    plain = (await service.client.get(where, headers=ada)).text
    page = (await service.client.get(where, headers={**ada, "Accept": "text/html"})).text
    kept = (await service.client.get("/v1/holdings", headers=ben)).text
    for canary in (*CANARIES, *ids[2:]):
        # The control: it is there to be told.
        assert canary in kept
        assert canary not in plain + page
    for hidden in (*ids, "hidden", "florin"):
        assert hidden not in plain + page
    # Ids and digests are hexadecimal digits at random, which now and then hold any three.
    assert "880" not in re.sub(r"[0-9a-f-]{32,}", "", plain + page)
    assert '"year_on_coin":1902' in plain, "what an issue of one's own says goes along as facts"


async def test_a_consent_that_ends_takes_the_coins_along_with_the_next_request(service: Running) -> None:
    club, offer, ada, ben, _ = await two_lenders(service)
    where = f"{club.address}{offer}/display"
    await club.shows(ben, offer)
    without = await service.client.get(where, headers=ada)
    assert without.json()["lenders"] == [{"owner": "Ada Fern", "coins": 2}]
    await club.shows(ben, offer, display=True)
    assert len((await service.client.get(where, headers=ada)).json()["lenders"]) == 2
    # Showing something else is no consent to this.
    await club.shows(ben, offer, standing=True, spares=True)
    again = await service.client.get(where, headers=ada)
    assert (again.content, again.headers["etag"]) == (without.content, without.headers["etag"])
    assert (await service.client.delete(f"{club.address}/membership", headers=ada)).status_code == 204
    assert (await club.get(f"{offer}/display", ben))["exhibits"] == []


async def test_who_ceases_to_consent_while_it_is_computed_is_not_in_it(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    club, offer, ada, _, _ = await two_lenders(service)
    real: Callable[..., Any] = displays._displayed
    asked: list[int] = []

    def meanwhile(parts: Any, club_id: str, offered: Any, members: Any, *asked_for: Any) -> Any:
        made = real(parts, club_id, offered, members, *asked_for)
        asked.append(len(members))
        for shown in members:
            if shown.name.startswith("Ben"):
                parts.database.write(partial(no_longer, owner=shown.owner.id))
        return made

    monkeypatch.setattr(displays, "_displayed", meanwhile)
    made = await club.get(f"{offer}/display", ada)
    assert (asked, [lender["owner"] for lender in made["lenders"]]) == ([2, 1], ["Ada Fern"])


async def test_without_a_second_look_it_would_be(service: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    # The control of the test above.
    monkeypatch.setattr(ShownStore, "still", lambda store, what, owners: set(owners))
    with pytest.raises(AssertionError, match="Moss"):
        await test_who_ceases_to_consent_while_it_is_computed_is_not_in_it(service, monkeypatch)


async def test_the_tag_follows_what_is_shown_alone(service: Running) -> None:
    club, offer, ada, ben, _ = await two_lenders(service)
    where = f"{club.address}{offer}/display"
    first = await service.client.get(where, headers=ada)
    await coin(service, ben, denomination="florin")
    await coin(service, ben, **crown(1892, 10))
    known = {**ada, "If-None-Match": first.headers["etag"]}
    assert (await service.client.get(where, headers=known)).status_code == 304
    await coin(service, ben, **crown(1892, 50))
    changed = await service.client.get(where, headers=known)
    assert changed.status_code == 200
    assert {lender["owner"]: lender["coins"] for lender in changed.json()["lenders"]}["Ben <b>Moss</b>"] == 2


async def test_the_page_is_for_print(service: Running) -> None:
    club, offer, ada, _, _ = await two_lenders(service)
    where = f"{club.address}{offer}/display"
    page = await service.client.get(where, headers={**ada, "Accept": "text/html"})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert (await service.client.get(f"{where}?format=html", headers=ada)).content == page.content
    for part in (
        "<h1>Three &lt;i&gt;crowns&lt;/i&gt;</h1>",
        "3 of 3 places, lent by 2 members",
        "Facts and grades are the owners&#39; opinion: no authentication and no valuation.",
        "<td>Crown of 1902</td><td>1902 crown</td><td>Ben &lt;b&gt;Moss&lt;/b&gt;</td>",
        "<td>Ada Fern</td><td>1887 crown</td><td>Crown of 1887</td>",
    ):
        assert part in page.text
    assert page.text.index("<h2>Late</h2>") < page.text.index("<h2>Early</h2>") < page.text.index("<h2>Loans</h2>")
    assert "script" not in page.text
    assert page.headers["content-security-policy"].startswith("default-src 'none'")
    german = await service.client.get(f"{where}?format=html", headers={**ada, "Accept-Language": "de"})
    assert "<td>Crown 1902</td>" in german.text
    assert "3 von 3 Plätzen, geliehen von 2 Mitgliedern" in german.text
    assert german.headers["etag"] != page.headers["etag"]
    plain = await service.client.get(where, headers=ada)
    assert all("Accept" in answer.headers["vary"].split(", ") for answer in (plain, page))
    assert plain.headers["etag"] != page.headers["etag"]
    assert (await service.client.get(f"{where}?format=pdf", headers=ada)).status_code == 422


async def test_a_club_in_which_nobody_lends_has_an_empty_display(service: Running) -> None:
    club = await founded(service)
    offer = await club.offered(SET)
    made = await club.get(f"{offer}/display", club.steward)
    assert (made["exhibits"], made["loans"], made["lenders"], made["summary"]["places"]) == ([], [], [], 3)


async def test_too_many_coins_are_refused_without_telling_how_many(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    club, offer, ada, _, _ = await two_lenders(service)
    monkeypatch.setattr(displays, "MOST_HOLDINGS", 4)
    answer = await service.client.get(f"{club.address}{offer}/display", headers=ada)
    assert (answer.status_code, answer.json()["type"].rpartition("/")[2]) == (422, "over-limit")
    assert "4 coins" in answer.text
    monkeypatch.setattr(displays, "MOST_HOLDINGS", 5)
    assert (await service.client.get(f"{club.address}{offer}/display", headers=ada)).status_code == 200
