"""Several sets at once over HTTP: those kept here with their pins, and sets that stand in the body."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.conftest import Running
from tests.factories import places_of, seats_of
from tests.http.examples import ALLOCATIONS, DOCUMENT

pytestmark = pytest.mark.anyio

SHIPPED = Path(__file__).parents[2] / "set_definitions"
FINEST: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "The finest",
    "slots": [{"id": "finest", "accepts": "grade >= 60"}],
}
CROWN = {"facts": {"denomination": "crown", "grade": 64}}


def changed(**more: Any) -> dict[str, Any]:
    return {**copy.deepcopy(ALLOCATIONS), **more}


def faults(answer: Any) -> list[tuple[str, str]]:
    assert answer.status_code == 422, answer.text
    return [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]]


async def kept(service: Running, owner: dict[str, str], *documents: Any) -> list[str]:
    made = [await service.client.post("/v1/definitions", json={"document": d}, headers=owner) for d in documents]
    assert [answer.status_code for answer in made] == [201] * len(documents), made[-1].text
    return [answer.json()["id"] for answer in made]


def asking(*names: str, mode: str = "in_order", **more: Any) -> dict[str, Any]:
    return {"sets": [{"definition": name} for name in names], "mode": mode, **more}


async def test_sets_in_the_body_need_no_account(service: Running) -> None:
    answer = await service.client.post("/v1/allocations", json=ALLOCATIONS)
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert [seats_of(one) for one in told["sets"]] == [{"sharp": "coin-1"}, {"finest": "coin-2"}]
    assert (told["mode"], told["evaluated_on"], told["proven_optimal"]) == ("jointly", "2026-11-25", True)
    assert (told["summary"]["possible"], told["summary"]["empty"], told["holdings_state"]) == (2, 2, None)
    answer = await service.client.post("/v1/allocations", json=changed(mode="in_order"))
    assert [seats_of(one) for one in answer.json()["sets"]] == [{"sharp": "coin-1"}, {"finest": "coin-2"}]


async def test_my_sets_share_my_holdings_in_the_order_of_the_request(service: Running) -> None:
    mine = service.collector()
    crowns, finest = await kept(service, mine, DOCUMENT, FINEST)
    coin = (await service.client.post("/v1/holdings", json=CROWN, headers=mine)).json()["id"]
    for order, places in (((crowns, finest), [{"sharp": coin}, {}]), ((finest, crowns), [{"finest": coin}, {}])):
        answer = await service.client.post("/v1/allocations", json=asking(*order), headers=mine)
        assert answer.status_code == 200, answer.text
        told = answer.json()
        assert [one["definition"]["id"] for one in told["sets"]] == list(order)
        assert [seats_of(one) for one in told["sets"]] == places
        (claim,) = (c for c in told["sets"][1]["conflicts"] if c["kind"] == "claimed")
        assert (claim["holding"], claim["by"]["definition"], claim["by"]["set"]) == (coin, order[0], 0)
        assert told["holdings_state"] == told["sets"][0]["holdings_state"] is not None
    borrowed = {**asking(crowns, finest), "sets": [{"definition": crowns, "exclusive": False}, {"definition": finest}]}
    told = (await service.client.post("/v1/allocations", json=borrowed, headers=mine)).json()
    assert [seats_of(one) for one in told["sets"]] == [{"sharp": coin}, {"finest": coin}]


async def test_the_pins_and_nevers_of_each_set_hold(service: Running) -> None:
    mine = service.collector()
    crowns, finest = await kept(service, mine, DOCUMENT, FINEST)
    coin = (await service.client.post("/v1/holdings", json=CROWN, headers=mine)).json()["id"]
    sent = {"nevers": [{"holding": coin, "place": "sharp"}]}
    where, headers = f"/v1/definitions/{crowns}/pins", {**mine, "If-Match": "*"}
    assert (await service.client.put(where, json=sent, headers=headers)).status_code == 200
    told = (await service.client.post("/v1/allocations", json=asking(crowns, finest), headers=mine)).json()
    assert [seats_of(one) for one in told["sets"]] == [{}, {"finest": coin}]
    for place, name in (("sharp", crowns), ("finest", finest)):
        where, sent = f"/v1/definitions/{name}/pins", {"pins": [{"holding": coin, "place": place}]}
        assert (await service.client.put(where, json=sent, headers=headers)).status_code == 200
    for mode in ("in_order", "jointly"):
        body = asking(finest, crowns, mode=mode)
        told = (await service.client.post("/v1/allocations", json=body, headers=mine)).json()
        assert [seats_of(one) for one in told["sets"]] == [{"finest": coin}, {}]
        assert [c["reason"] for c in told["sets"][1]["conflicts"] if c["kind"] == "pin"] == ["claimed"]


async def test_a_revision_may_be_named(service: Running) -> None:
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": FINEST}, headers=mine)
    where, name = made.headers["location"], made.json()["id"]
    await service.client.post(f"{where}/revisions?acknowledged=true", headers={**mine, "If-Match": "*"})
    for revision, status in ((1, 200), (2, 404)):
        body = {"sets": [{"definition": name, "revision": revision}], "mode": "jointly"}
        answer = await service.client.post("/v1/allocations", json=body, headers=mine)
        assert answer.status_code == status, answer.text


async def test_kept_sets_need_their_owner(service: Running) -> None:
    mine, stranger = service.collector(), service.collector()
    (name,) = await kept(service, mine, DOCUMENT)
    post = service.client.post
    assert (await post("/v1/allocations", json=asking(name))).status_code == 401
    assert (await post("/v1/allocations", json=asking(name), headers=stranger)).status_code == 404
    assert (await post("/v1/allocations", json=asking("no-id"), headers=mine)).status_code == 404
    unknown = "01980000-0000-7000-8000-000000000000"
    assert (await post("/v1/allocations", json=asking(name, unknown), headers=mine)).status_code == 404
    assert (await post("/v1/allocations", json=asking(name), headers=mine)).status_code == 200


async def test_what_does_not_go_together_is_refused_with_its_place(service: Running) -> None:
    mine = service.collector()
    name, other = await kept(service, mine, DOCUMENT, FINEST)

    async def told(body: Any) -> list[tuple[str, str]]:
        return faults(await service.client.post("/v1/allocations", json=body, headers=mine))

    assert await told(asking(name, other, name)) == [("clashing-id", "/sets/2/definition")]
    mixed = {"sets": [{"definition": name}, {"definition": FINEST}], "mode": "jointly"}
    assert await told(mixed) == [("clash", "/sets/1/definition")]
    more = {"holdings": [], "issues": [{"id": "x", "facts": {}}], "vocabularies": [{"name": "x", "concepts": []}]}
    found = await told(asking(name, **more))
    assert found == [("clash", "/issues"), ("clash", "/vocabularies"), ("clash", "/holdings")]
    inline = changed(sets=[{"definition": FINEST, "revision": 1}])
    del inline["holdings"]
    assert await told(inline) == [("clash", "/sets/0/revision"), ("missing", "/holdings")]
    assert (await told(asking(*[name] * 101)))[0][1] == "/sets"


async def test_too_many_holdings_times_sets_are_refused_by_name(service: Running) -> None:
    coins = [{"id": str(number)} for number in range(5_001)]
    sets = [{"definition": FINEST}] * 100
    answer = await service.client.post(
        "/v1/allocations", json=changed(sets=sets, holdings=coins), headers=service.collector()
    )
    assert faults(answer) == [("over-limit", "/sets")]
    assert "500000 holdings times sets" in answer.json()["errors"][0]["message"]


async def test_a_fact_that_one_set_declares_is_no_fault_in_another(service: Running) -> None:
    toned = {
        **FINEST,
        "attributes": [{"name": "x_toned", "type": "boolean"}],
        "slots": [{"id": "toned", "accepts": "x_toned"}],
    }
    counted = {
        **FINEST,
        "attributes": [{"name": "x_toned", "type": "integer"}],
        "slots": [{"id": "three", "accepts": "x_toned = 3"}],
    }
    sets = [{"definition": FINEST}, {"definition": toned}, {"definition": counted}]
    coins: list[dict[str, Any]] = [
        {"id": "a", "facts": {"grade": 10, "x_toned": True}},
        {"id": "b", "facts": {"grade": 60, "x_toned": 3}},
    ]
    answer = await service.client.post("/v1/allocations", json=changed(sets=sets, holdings=coins, mode="jointly"))
    assert answer.status_code == 200, answer.text
    one, two, three = answer.json()["sets"]
    assert [seats_of(each) for each in (one, two, three)] == [{"finest": "b"}, {"toned": "a"}, {}]
    assert "ignored_facts" not in one
    assert [(entry["holding"], entry["pointer"]) for entry in two["ignored_facts"]] == [("b", "/facts/x_toned")]
    assert [(entry["holding"], entry["pointer"]) for entry in three["ignored_facts"]] == [("a", "/facts/x_toned")]
    coins[0]["facts"] = {"x_tonned": True, "x_toned": "very", "grade": 99}
    found = faults(await service.client.post("/v1/allocations", json=changed(sets=sets, holdings=coins)))
    assert [pointer for _, pointer in found] == [f"/holdings/0/facts/{n}" for n in ("x_tonned", "x_toned", "grade")]
    assert found[0][0] == "unknown-attribute"
    assert found[1][0] != "unknown-attribute"


async def test_issues_of_the_body_count_in_every_set_and_unknown_ones_are_refused(service: Running) -> None:
    issues = [{"id": "own-1", "facts": {"denomination": "crown", "grade": 64}}]
    body = changed(holdings=[{"id": "a", "issue": "own-1"}], issues=issues)
    answer = await service.client.post("/v1/allocations", json=body)
    assert seats_of(answer.json()["sets"][0]) == {"sharp": "a"}, answer.text
    body = changed(holdings=[{"id": "a", "issue": "nowhere"}])
    assert faults(await service.client.post("/v1/allocations", json=body)) == [("unknown-issue", "/holdings/0/issue")]
    body = changed(issues=[{"id": "x", "facts": {"grade": 99}}, {"id": "x", "facts": {}}])
    found = faults(await service.client.post("/v1/allocations", json=body))
    assert [pointer for _, pointer in found] == ["/issues/0/facts/grade", "/issues/1/id"]


async def test_faults_of_all_sets_and_holdings_are_told_at_once(service: Running) -> None:
    wrong = {**FINEST, "slots": [{"id": "a", "accepts": "finess = 1"}]}
    sets = [{"definition": wrong}, {"definition": FINEST}, {"definition": wrong}]
    body = changed(sets=sets, holdings=[{"id": "a", "facts": {"grade": 99}}, {"id": "a"}])
    found = faults(await service.client.post("/v1/allocations", json=body))
    assert [pointer for _, pointer in found] == [
        *("/sets/0/definition/slots/0/accepts", "/sets/2/definition/slots/0/accepts"),
        *("/holdings/0/facts/grade", "/holdings/1/id"),
    ]


def shipped_documents() -> dict[str, Any]:
    paths = sorted(SHIPPED.glob("*.definition.*"))
    return {path.name.split(".")[0]: yaml.safe_load(path.read_text(encoding="utf-8")) for path in paths}


def shipped_holdings() -> list[dict[str, Any]]:
    """The holdings of all shipped sets as those of one owner; an id that several sets use is one coin for each."""
    found = []
    for path in sorted(SHIPPED.glob("*.holdings.json")):
        read = json.loads(path.read_text(encoding="utf-8"))
        coins = read["holdings"] if isinstance(read, dict) else read
        found += [{**coin, "id": f"{path.name.split('.')[0]}/{coin['id']}"} for coin in coins]
    return found


@pytest.mark.parametrize("mode", ["in_order", "jointly"])
async def test_the_shipped_sets_of_one_owner_share_all_their_coins(service: Running, mode: str) -> None:
    documents, coins = shipped_documents(), shipped_holdings()
    body = {
        "sets": [{"definition": document} for document in documents.values()],
        "mode": mode,
        "holdings": coins,
        "today": "2026-11-25",
        "budget_seconds": 3,
    }
    # With an account: a stranger's process stands back on a busy machine.
    answer = await service.client.post("/v1/allocations", json=body, headers=service.collector())
    assert answer.status_code == 200, answer.text
    told = answer.json()
    for one in told["sets"]:
        # The order among equals may need more time than there is; everything that counts is proven.
        assert all(level["proven"] for level in one["levels"] if level["level"] != "order")
        assert one["summary"]["possible"] <= one["alone"]["possible"]
    placed = [place["holding"] for one in told["sets"] for place in places_of(one) if place["holding"]]
    pieces = {coin["id"]: coin.get("quantity", 1) for coin in coins}
    assert len(placed) > 50
    assert all(placed.count(name) <= pieces[name] for name in set(placed))
    assert told["summary"]["possible"] == len(placed)
