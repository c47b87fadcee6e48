"""Pins and nevers that are kept, what each costs, and the price of a rule, over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import Running
from tests.factories import seats_of
from tests.http.named import ensure_named

pytestmark = pytest.mark.anyio

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Pence",
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": "old", "label": "Old", "accepts": "denomination = 'penny' AND year_on_coin < 1901"},
        {"id": "any", "label": "Any", "accepts": "denomination = 'penny'"},
    ],
    "one_per": [{"id": "mints", "attribute": "mint", "accepts": "grade > 90", "keys": {"from": "holdings"}}],
    "constraints": [{"id": "few", "kind": "at_most", "per": ["denomination"], "count": 1, "places": ["old", "any"]}],
}
FREE = {**SET, "constraints": []}


async def kept(service: Running, document: dict[str, Any] = FREE) -> tuple[str, dict[str, str], dict[str, str]]:
    """The address of the set, its owner, and the ids of a worn and a sharp old penny."""
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": document}, headers=mine)
    assert made.status_code == 201, made.text
    ids = {}
    for name, grade in (("worn", 10), ("sharp", 60)):
        facts = {"denomination": "penny", "year_on_coin": 1890, "grade": grade}
        ids[name] = (await service.client.post("/v1/holdings", json={"facts": facts}, headers=mine)).json()["id"]
    return made.headers["location"], mine, ids


async def decide(service: Running, where: str, mine: dict[str, str], **sent: Any) -> Any:
    tag = (await service.client.get(f"{where}/pins", headers=mine)).headers["etag"]
    answer = await service.client.put(f"{where}/pins", json=sent, headers={**mine, "If-Match": tag})
    assert answer.status_code == 200, answer.text
    return answer


async def seats(service: Running, where: str, mine: dict[str, str]) -> dict[str, str]:
    return seats_of((await service.client.get(f"{where}/evaluation", headers=mine)).json())


async def test_nothing_is_decided_at_first_and_what_is_decided_is_kept(service: Running) -> None:
    where, mine, ids = await kept(service)
    first = await service.client.get(f"{where}/pins", headers=mine)
    assert first.json() == {"pins": [], "nevers": []}
    sent = {"pins": [{"holding": ids["worn"], "place": "old"}], "nevers": [{"holding": ids["sharp"], "place": "any"}]}
    made = await decide(service, where, mine, **sent)
    again = await service.client.get(f"{where}/pins", headers=mine)
    assert again.json() == made.json() == sent
    assert again.headers["etag"] == made.headers["etag"] != first.headers["etag"]
    same = {**mine, "If-None-Match": made.headers["etag"]}
    assert (await service.client.get(f"{where}/pins", headers=same)).status_code == 304


async def test_a_change_needs_the_version_that_was_read(service: Running) -> None:
    where, mine, ids = await kept(service)
    tag = (await service.client.get(f"{where}/pins", headers=mine)).headers["etag"]
    sent = {"pins": [{"holding": ids["worn"], "place": "old"}]}
    assert (await service.client.put(f"{where}/pins", json=sent, headers=mine)).status_code == 428
    headers = {**mine, "If-Match": tag}
    assert (await service.client.put(f"{where}/pins", json=sent, headers=headers)).status_code == 200
    assert (await service.client.put(f"{where}/pins", json=sent, headers=headers)).status_code == 412


async def test_unknown_coins_and_places_are_refused_all_at_once(service: Running) -> None:
    where, mine, ids = await kept(service)
    sent = {
        "pins": [
            {"holding": "stranger", "place": "old"},
            {"holding": ids["worn"], "place": "odl"},
            {"holding": ids["worn"], "place": "mints/Heaton"},
            {"holding": ids["worn"], "place": "any"},
            {"holding": ids["worn"], "place": "any"},
        ],
        "nevers": [{"holding": ids["worn"], "place": "any"}, {"holding": ids["sharp"], "place": "mints/"}],
    }
    answer = await service.client.put(f"{where}/pins", json=sent, headers={**mine, "If-Match": "*"})
    assert answer.status_code == 422
    assert [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]] == [
        ("unknown-holding", "/pins/0/holding"),
        ("unknown-place", "/pins/1/place"),
        ("clashing-id", "/pins/4"),
        ("contradiction", "/nevers/0"),
        ("unknown-place", "/nevers/1/place"),
    ]
    assert answer.json()["errors"][1]["hint"] == "did you mean 'old'?"
    assert (await service.client.get(f"{where}/pins", headers=mine)).json() == {"pins": [], "nevers": []}


async def test_my_evaluation_and_its_tag_follow_the_decisions(service: Running) -> None:
    where, mine, ids = await kept(service)
    one = {**SET, "slots": SET["slots"][:1], "constraints": []}
    headers = {**mine, "If-Match": "*"}
    assert (await service.client.put(where, json={"document": one}, headers=headers)).status_code == 200
    assert await seats(service, where, mine) == {"old": ids["sharp"]}
    before = await service.client.get(f"{where}/evaluation", headers=mine)
    wants = await service.client.get(f"{where}/want-list", headers=mine)
    await decide(service, where, mine, pins=[{"holding": ids["worn"], "place": "old"}])
    for address, tag in (("evaluation", before.headers["etag"]), ("want-list", wants.headers["etag"])):
        answer = await service.client.get(f"{where}/{address}", headers={**mine, "If-None-Match": tag})
        assert answer.status_code == 200
    assert await seats(service, where, mine) == {"old": ids["worn"]}
    asked: dict[str, Any] = {"definition": {"id": where.rsplit("/", 1)[1]}, "holdings": "mine"}
    answer = await service.client.post("/v1/evaluations", json=asked, headers=mine)
    assert seats_of(answer.json()) == {"old": ids["worn"]}
    # What the request itself says goes before what is kept.
    asked["nevers"] = [{"holding": ids["worn"], "place": "old"}]
    answer = await service.client.post("/v1/evaluations", json=asked, headers=mine)
    assert seats_of(answer.json()) == {"old": ids["sharp"]}
    assert not [c for c in answer.json()["conflicts"] if c["kind"] == "pin"]
    await decide(service, where, mine, nevers=[{"holding": ids["worn"], "place": "old"}])
    assert await seats(service, where, mine) == {"old": ids["sharp"]}


async def test_each_decision_tells_what_it_costs(service: Running) -> None:
    where, mine, ids = await kept(service)
    nevers = [{"holding": ids["worn"], "place": place} for place in ("old", "any")]
    await decide(service, where, mine, nevers=nevers[:1], pins=[{"holding": ids["sharp"], "place": "any"}])
    costs = (await service.client.get(f"{where}/pins/costs", headers=mine)).json()["costs"]
    told = [(cost["kind"], cost["certain_gain"], cost["possible_gain"], cost["required_gain"]) for cost in costs]
    # Certain is counted with the pins that are kept, so each of the two decisions lowers it.
    assert told == [("pin", 1, 1, 1), ("never", 1, 1, 1)]
    assert costs[1]["changes"] == [{"place": "old", "label": "Old", "with": None, "without": ids["worn"]}]
    answer = (await service.client.get(f"{where}/pins/costs", headers=mine)).json()
    assert ensure_named(answer) == 2 == len(answer["named"])
    await decide(service, where, mine, nevers=nevers[1:])
    costs = (await service.client.get(f"{where}/pins/costs", headers=mine)).json()["costs"]
    assert [(cost["certain_gain"], cost["possible_gain"]) for cost in costs] == [(0, 0)]


async def test_a_pin_that_costs_a_preference_says_which(service: Running) -> None:
    one = {**SET, "slots": SET["slots"][:1], "constraints": []}
    where, mine, ids = await kept(service, one)
    await decide(service, where, mine, pins=[{"holding": ids["worn"], "place": "old"}])
    (cost,) = (await service.client.get(f"{where}/pins/costs", headers=mine)).json()["costs"]
    assert cost["betters"] == {"place": "old", "criterion": {"highest": "grade"}, "from": 10, "to": 60}
    assert cost["changes"] == [{"place": "old", "label": "Old", "with": ids["worn"], "without": ids["sharp"]}]


async def test_a_rule_has_its_price(service: Running) -> None:
    where, mine, _ = await kept(service, SET)
    (price,) = (await service.client.get(f"{where}/rule-prices", headers=mine)).json()["rules"]
    gain = {"certain_gain": 1, "possible_gain": 1, "required_gain": 1, "proven": True}
    assert price == {
        "constraint": "few", "label": "few", "kind": "at_most", "pointer": "/constraints/0", "without": gain, "one_more": gain,
    }  # fmt: skip


async def test_decisions_go_with_their_definition_and_outlive_their_coins(service: Running) -> None:
    where, mine, ids = await kept(service)
    await decide(service, where, mine, pins=[{"holding": ids["worn"], "place": "old"}])
    headers = {**mine, "If-Match": "*"}
    assert (await service.client.delete(f"/v1/holdings/{ids['worn']}", headers=headers)).status_code == 204
    answer = (await service.client.get(f"{where}/evaluation", headers=mine)).json()
    assert [c["reason"] for c in answer["conflicts"] if c["kind"] == "pin"] == ["unknown_holding"]
    (cost,) = (await service.client.get(f"{where}/pins/costs", headers=mine)).json()["costs"]
    assert cost["possible_gain"] == 0
    assert (await service.client.delete(where, headers=headers)).status_code == 204
    assert (await service.client.get(f"{where}/pins", headers=mine)).status_code == 404
