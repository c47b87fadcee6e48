"""Coins that are not owned yet, over HTTP: with an account on all my sets, without one on a set in the body."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.progress.whatif import Evaluated
from tests.conftest import Running
from tests.http.examples import CANDIDATES, DOCUMENT
from tests.http.named import ensure_named

pytestmark = pytest.mark.anyio


def changed(**more: Any) -> dict[str, Any]:
    return {**copy.deepcopy(CANDIDATES), **more}


def faults(answer: Any) -> list[tuple[str, str]]:
    assert answer.status_code == 422, answer.text
    return [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]]


async def test_without_an_account_everything_stands_in_the_body(service: Running) -> None:
    answer = await service.client.post("/v1/candidates", json=CANDIDATES)
    assert answer.status_code == 200, answer.text
    (one,) = answer.json()["sets"]
    assert [(c["coin"], c["effect"], c["places"]) for c in one["candidates"]] == [
        ("tray-1", "fills", ["worn"]),
        ("tray-2", "spare", []),
    ]
    purchase = {"buy": ["tray-1"], "cost": 30.5, "currency": "GBP", "required_gain": 1, "possible_gain": 1}
    assert one["purchase"] == {**purchase, "proven": True}
    assert (await service.client.post("/v1/candidates", json={"coins": [{}]})).status_code == 401


async def test_the_definition_in_the_body_may_be_wrapped(service: Running) -> None:
    bare = await service.client.post("/v1/candidates", json=changed(definition=DOCUMENT))
    wrapped = await service.client.post("/v1/candidates", json=changed(definition={"document": DOCUMENT}))
    assert (bare.status_code, wrapped.text) == (200, bare.text)
    broken = {"document": {**DOCUMENT, "slots": {}}}
    answer = await service.client.post("/v1/candidates", json=changed(definition=broken))
    assert "/definition/document/slots" in [pointer for _, pointer in faults(answer)]


async def test_a_tray_is_tried_on_all_my_sets_or_on_those_named(service: Running) -> None:
    mine = service.collector()
    attributes = [{"name": "x_toned", "type": "boolean"}]
    second = {**DOCUMENT, "title": "Toned", "attributes": attributes, "slots": [{"id": "t", "accepts": "x_toned"}]}
    names = []
    for document in (DOCUMENT, second):
        made = await service.client.post("/v1/definitions", json={"document": document}, headers=mine)
        assert made.status_code == 201, made.text
        names.append(made.json()["id"])
    held = {"facts": {"denomination": "crown", "grade": 60, "x_toned": False}}
    await service.client.post("/v1/holdings", json=held, headers=mine)
    coins = [{"facts": {"denomination": "crown", "grade": 65, "x_toned": True}}]
    answer = await service.client.post("/v1/candidates", json={"coins": coins}, headers=mine)
    found = {one["title"]: one["candidates"][0]["effect"] for one in answer.json()["sets"]}
    assert found == {"Two crowns": "spare", "Toned": "fills"}
    assert [ensure_named(one) for one in answer.json()["sets"]] == [1, 1]
    asked = {"coins": coins, "definitions": [names[1]]}
    answer = await service.client.post("/v1/candidates", json=asked, headers=mine)
    assert [one["definition"]["id"] for one in answer.json()["sets"]] == [names[1]]
    stranger = service.collector()
    assert (await service.client.post("/v1/candidates", json=asked, headers=stranger)).status_code == 404
    coins[0]["facts"]["x_tonned"] = True
    answer = await service.client.post("/v1/candidates", json=asked, headers=mine)
    assert faults(answer) == [("unknown-attribute", "/coins/0/facts/x_tonned")]


async def test_my_nevers_hold_for_candidates_too(service: Running) -> None:
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=mine)
    held = {"facts": {"denomination": "crown", "grade": 20}}
    coin = (await service.client.post("/v1/holdings", json=held, headers=mine)).json()["id"]
    sent = {"nevers": [{"holding": coin, "place": "worn"}]}
    where = f"{made.headers['location']}/pins"
    body = {"coins": [{"facts": {"denomination": "crown", "grade": 10}}]}
    before = (await service.client.post("/v1/candidates", json=body, headers=mine)).json()
    assert (await service.client.put(where, json=sent, headers={**mine, "If-Match": "*"})).status_code == 200
    after = (await service.client.post("/v1/candidates", json=body, headers=mine)).json()
    assert [one["sets"][0]["candidates"][0]["effect"] for one in (before, after)] == ["spare", "fills"]


async def test_what_is_wrong_with_a_tray_is_told_all_at_once(service: Running) -> None:
    coins = changed()["coins"]
    post = service.client.post
    twice = [{**coins[0], "id": "coin"}, {**coins[1], "id": "coin"}]
    assert faults(await post("/v1/candidates", json=changed(coins=twice))) == [("clashing-id", "/coins/1/id")]
    owned = [{**coins[0], "id": "coin-1"}]
    assert faults(await post("/v1/candidates", json=changed(coins=owned))) == [("clashing-id", "/coins/0/id")]
    mixed = [coins[0], {**coins[1], "currency": "EUR"}]
    assert faults(await post("/v1/candidates", json=changed(coins=mixed))) == [("currency", "/coins/1/currency")]
    wrong: list[dict[str, Any]] = [{"facts": {"grade": "fine", "yaer": 1}}, {"issue": "no-such-issue", "price": -1}]
    assert faults(await post("/v1/candidates", json=changed(coins=wrong))) == [("money", "/coins/1/price")]
    wrong[1].pop("price")
    found = faults(await post("/v1/candidates", json=changed(coins=wrong)))
    assert [pointer for _, pointer in found] == ["/coins/0/facts/grade", "/coins/0/facts/yaer"]
    assert faults(await post("/v1/candidates", json=changed(coins=wrong[1:]))) == [("unknown-issue", "/coins/0/issue")]
    assert faults(await post("/v1/candidates", json=changed(coins=[])))[0][1] == "/coins"
    assert faults(await post("/v1/candidates", json=changed(coins=[{}] * 501)))[0][1] == "/coins"
    both = changed(definitions=["x"])
    assert faults(await post("/v1/candidates", json=both)) == [("clash", "/definitions")]


async def test_too_many_coins_times_sets_are_refused_by_name(service: Running) -> None:
    mine = service.collector()
    for _ in range(11):
        made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=mine)
        assert made.status_code == 201
    answer = await service.client.post("/v1/candidates", json={"coins": [{}] * 500}, headers=mine)
    assert faults(answer) == [("over-limit", "/definitions")]
    answer = await service.client.post("/v1/candidates", json={"coins": [{}] * 3}, headers=mine)
    assert len(answer.json()["sets"]) == 11


async def test_a_set_is_evaluated_once_for_all_trays_until_something_changes(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=mine)
    held = {"facts": {"denomination": "crown", "grade": 60}}
    coin = (await service.client.post("/v1/holdings", json=held, headers=mine)).json()["id"]
    built: list[int] = []
    begin = Evaluated.__init__
    monkeypatch.setattr(Evaluated, "__init__", lambda *args, **more: (built.append(1), begin(*args, **more))[1])

    async def asked(**more: Any) -> tuple[int, Any]:
        built.clear()
        body = {"coins": [{"id": "new", "facts": {"denomination": "crown", "grade": 65}}], **more}
        answer = await service.client.post("/v1/candidates", json=body, headers=mine)
        assert answer.status_code == 200, answer.text
        return len(built), answer.json()

    first = await asked()
    assert first[0] == 1
    assert await asked() == (0, first[1])
    other_coin = await asked(coins=[{"id": "other", "facts": {"denomination": "shilling"}}])
    assert other_coin[0] == 0
    # Whatever the evaluation follows from makes another one.
    assert (await asked(budget_seconds=3.0))[0] == 1
    assert (await asked(today="2020-01-01"))[0] == 1
    changes = [
        ("POST", "/v1/holdings", held),
        ("PATCH", f"/v1/holdings/{coin}", {"facts": {"grade": 66}}),
        (
            "PUT",
            f"/v1/definitions/{made.json()['id']}/pins",
            {"pins": [{"holding": coin, "place": "sharp"}], "nevers": []},
        ),
        (
            "POST",
            "/v1/issues",
            {"id": "own-1", "label": "Own", "facts": {"denomination": "crown"}, "source": "mine", "edition": "1"},
        ),
        ("PUT", "/v1/account/presumptions", {"presume": [{"facts": {"material": "silver"}}], "identify": []}),
    ]
    for method, address, body in changes:
        headers = {**mine, "If-Match": "*"} if method in ("PATCH", "PUT") else dict(mine)
        if method == "PATCH":
            headers["Content-Type"] = "application/merge-patch+json"
        sent = await service.client.request(method, address, json=body, headers=headers)
        assert sent.status_code < 300, (address, sent.text)
        assert (await asked())[0] == 1, address
        assert (await asked())[0] == 0, address
