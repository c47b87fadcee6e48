"""What an account presumes: kept, checked, and honoured wherever its coins are judged (rules.md, section 9)."""

from __future__ import annotations

from typing import Any

from tests.conftest import Running

WHERE = "/v1/account/presumptions"
SOUND = {"presume": [{"facts": {"object_kind": "coin", "problems": []}}], "identify": []}
SET = {
    "format": "set-definition/1",
    "title": "Sound coins",
    "slots": [{"id": "sound", "label": "A sound coin", "accepts": "object_kind = 'coin' AND count(problems) = 0"}],
}


async def presume(service: Running, owner: dict[str, str], body: dict[str, Any], etag: str = "*") -> Any:
    return await service.client.put(WHERE, json=body, headers={**owner, "If-Match": etag})


async def done(service: Running, owner: dict[str, str], method: str, address: str, body: Any = None) -> Any:
    answer = await service.client.request(method, address, json=body, headers={**owner, "If-Match": "*"})
    assert answer.is_success, (address, answer.text)
    return answer.json() if answer.content else None


async def a_coin(service: Running, owner: dict[str, str], **facts: Any) -> str:
    identity: str = (await done(service, owner, "POST", "/v1/holdings", {"facts": facts}))["id"]
    return identity


async def a_set(service: Running, owner: dict[str, str], document: dict[str, Any] | None = None) -> str:
    made = await done(service, owner, "POST", "/v1/definitions", {"document": document or SET})
    identity: str = made["id"]
    return identity


async def test_presumptions_are_kept_under_a_version_and_are_nobody_elses(service: Running) -> None:
    owner, other = service.collector(), service.collector()
    first = await service.client.get(WHERE, headers=owner)
    assert (first.status_code, first.json()) == (200, {"presume": [], "identify": []})
    assert (await service.client.put(WHERE, json=SOUND, headers=owner)).status_code == 428
    body = {
        "presume": [*SOUND["presume"], {"where": "denomination = 'shilling'", "facts": {"fineness": 0.925}}],
        "identify": [{"where": {"op": "=", "args": [{"property": "issuer"}, "GB"]}, "issues": ["us-cent-1982-copper"]}],
    }
    put = await presume(service, owner, body, first.headers["etag"])
    assert (put.status_code, put.json()) == (200, body)
    again = await service.client.get(WHERE, headers={**owner, "If-None-Match": put.headers["etag"]})
    assert again.status_code == 304
    assert (await presume(service, owner, SOUND, first.headers["etag"])).status_code == 412
    read = await service.client.get(WHERE, headers=owner)
    assert (read.json(), read.headers["etag"]) == (body, put.headers["etag"])
    assert "0.925" in read.text
    assert (await service.client.get(WHERE, headers=other)).json() == {"presume": [], "identify": []}


async def test_every_fault_of_presumptions_is_told_with_its_place(service: Running) -> None:
    body = {
        "presume": [
            {"where": "fines = 1", "facts": {"fineness": {"one_of": [0.5, 0.9]}, "minted": 3}},
            {"facts": {"grade": "high"}, "when": 1},
            {"where": "TRUE"},
        ],
        "identify": [{"where": "grade >"}, {"where": "TRUE", "issues": ["nowhere"]}],
        "also": True,
    }
    answer = await presume(service, service.collector(), body)
    assert answer.status_code == 422
    assert sorted(fault["pointer"] for fault in answer.json()["errors"]) == [
        "/also",
        "/identify/0/where",
        "/identify/1/issues/0",
        "/presume/0/facts/fineness",
        "/presume/0/facts/minted",
        "/presume/0/where",
        "/presume/1/facts/grade",
        "/presume/1/when",
        "/presume/2/facts",
    ]


async def test_an_attribute_of_an_own_set_is_known(service: Running) -> None:
    owner, body = service.collector(), {"presume": [{"where": "cabinet = 'oak'", "facts": {"cabinet": "oak"}}]}
    assert (await presume(service, owner, body)).status_code == 422
    attributes = [{"name": "cabinet", "type": "text", "label": "Cabinet"}]
    await a_set(service, owner, {**SET, "attributes": attributes})
    assert (await presume(service, owner, body)).status_code == 200
    # A set that does not know it is evaluated all the same.
    plain = await a_set(service, owner)
    assert (await done(service, owner, "GET", f"/v1/definitions/{plain}/evaluation"))["summary"]["places"] == 1


async def test_a_change_of_presumptions_changes_every_answer_that_rests_on_them(service: Running) -> None:
    owner = service.collector()
    coin, identity = await a_coin(service, owner, grade=20), await a_set(service, owner)
    mine = f"/v1/definitions/{identity}/evaluation"
    before = await service.client.get(mine, headers=owner)
    assert before.json()["summary"]["tentative"] == 1
    await presume(service, owner, SOUND)
    after = await service.client.get(mine, headers={**owner, "If-None-Match": before.headers["etag"]})
    [place] = after.json()["slots"]
    assert (place["status"], place["holding"], place["presumed"]) == ("filled", coin, ["object_kind", "problems"])
    assert after.json()["summary"]["presumed"] == 1
    await presume(service, owner, {})
    gone = await service.client.get(mine, headers={**owner, "If-None-Match": after.headers["etag"]})
    assert gone.json()["summary"]["tentative"] == 1


async def test_presumptions_hold_on_every_path_that_judges_the_owners_coins(service: Running) -> None:
    owner = service.collector()
    coin, identity = await a_coin(service, owner, grade=20), await a_set(service, owner)
    await presume(service, owner, SOUND)

    async def ask(method: str, address: str, body: Any = None) -> Any:
        return await done(service, owner, method, address, body)

    for definition in ({"id": identity}, SET):
        body = {"definition": definition, "holdings": "mine"}
        assert (await ask("POST", "/v1/evaluations", body))["summary"]["filled"] == 1
        bare = await ask("POST", "/v1/evaluations", {**body, "presume": False})
        assert (bare["summary"]["filled"], bare["summary"]["tentative"]) == (0, 1)
        # Entries of the request come before the account's.
        holed = [{"facts": {"problems": ["holed"]}}]
        assert (await ask("POST", "/v1/evaluations", {**body, "presumptions": holed}))["summary"]["filled"] == 0
        explained = await ask("POST", "/v1/explanations", {"definition": definition, "holding": coin, "place": "sound"})
        [told] = explained["places"]
        assert told["verdict"] == "yes"
        facts = [fact for clause in clauses_of(told) for fact in clause.get("facts", [])]
        assert {fact["from"] for fact in facts} == {"presumed"}
        assert all(fact["entry"] == {"list": "account", "index": 0} for fact in facts)
        candidate = {"definition": definition} if "id" not in definition else {"definitions": [identity]}
        [tried] = (await ask("POST", "/v1/candidates", {**candidate, "coins": [{"facts": {"grade": 60}}]}))["sets"]
        assert tried["candidates"][0]["effect"] == "spare"
    shared = await ask("POST", "/v1/allocations", {"mode": "in_order", "sets": [{"definition": identity}]})
    assert shared["sets"][0]["summary"]["filled"] == 1
    assert (await ask("GET", f"/v1/definitions/{identity}/want-list"))["wanted"] == []
    assert (await ask("GET", "/v1/doubts"))["facts"] == []
    assert (await ask("GET", f"/v1/definitions/{identity}/impact?to=1"))["before"]["filled"] == 1
    shown = await ask("POST", f"/v1/definitions/{identity}/exhibitions", {"title": "Sound", "on": "2026-11-25"})
    assert shown["summary"]["filled"] == 1
    noted = await ask("POST", f"/v1/definitions/{identity}/history", {})
    assert noted["summary"]["filled"] == 1
    assert (await ask("GET", f"/v1/insurance-list?definition={identity}"))["pieces"] == 1
    in_place = await ask("GET", f"/v1/holdings?filter=set('{identity}') = 'sound'")
    assert [one["id"] for one in in_place["items"]] == [coin]
    await presume(service, owner, {"presume": [{"facts": {"problems": ["holed"]}}]})
    assert len((await ask("GET", f"/v1/definitions/{identity}/want-list"))["wanted"]) == 1
    assert (await ask("GET", f"/v1/insurance-list?definition={identity}"))["pieces"] == 0
    assert (await ask("GET", f"/v1/holdings?filter=set('{identity}') = 'sound'"))["items"] == []


async def test_a_filter_and_an_order_of_holdings_see_what_is_presumed(service: Running) -> None:
    owner = service.collector()
    plain = await a_coin(service, owner, grade=20)
    holed = await a_coin(service, owner, problems=["holed"], fineness=0.9)
    wish = "/v1/holdings?filter=count(problems) = 0"
    assert (await done(service, owner, "GET", wish))["items"] == []
    await presume(service, owner, {"presume": [{"facts": {"problems": [], "fineness": 0.5}}]})
    assert [one["id"] for one in (await done(service, owner, "GET", wish))["items"]] == [plain]
    ordered = await done(service, owner, "GET", "/v1/holdings?sort=-fineness")
    assert [one["id"] for one in ordered["items"]] == [holed, plain]


def clauses_of(told: Any) -> list[Any]:
    """All clauses of an explanation, from the outermost in."""
    if isinstance(told, list):
        return [clause for one in told for clause in clauses_of(one)]
    if not isinstance(told, dict):
        return []
    return [told, *(clause for part in told.values() for clause in clauses_of(part))]
