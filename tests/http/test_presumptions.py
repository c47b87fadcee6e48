"""What an account presumes: kept, checked, and honoured wherever its coins are judged (rules.md, section 9)."""

from __future__ import annotations

from typing import Any

from tests.conftest import Running
from tests.http import clubhouse

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
    # What is wrong in itself is told before what changed meanwhile.
    assert (await presume(service, owner, {"identify": [{"issues": None}]}, first.headers["etag"])).status_code == 422
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


async def test_a_kept_set_is_evaluated_without_presumptions_under_a_tag_of_its_own(service: Running) -> None:
    owner = service.collector()
    coin, identity = await a_coin(service, owner, grade=20), await a_set(service, owner)
    await presume(service, owner, SOUND)
    mine = f"/v1/definitions/{identity}/evaluation"
    with_them = await service.client.get(mine, headers=owner)
    bare = f"{mine}?presume=false"
    # Neither answer stands in for the other.
    without = await service.client.get(bare, headers={**owner, "If-None-Match": with_them.headers["etag"]})
    assert (without.status_code, without.headers["etag"] == with_them.headers["etag"]) == (200, False)
    [place] = without.json()["slots"]
    assert (place["status"], place["holding"], "presumed" in place) == ("tentative", coin, False)
    assert without.json()["summary"]["presumed"] == 0
    assert with_them.json()["slots"][0]["status"] == "filled"
    for address, known in ((bare, without), (f"{mine}?presume=true", with_them)):
        again = await service.client.get(address, headers={**owner, "If-None-Match": known.headers["etag"]})
        assert (again.status_code, again.headers["etag"]) == (304, known.headers["etag"])
    refused = await service.client.get(f"{mine}?presume=maybe", headers=owner)
    assert (refused.status_code, "presume" in refused.text) == (422, True)


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


YEARS = {
    "format": "set-definition/1",
    "title": "Two sound crowns",
    "slots": [{"id": f"y{year}", "accepts": f"year_on_coin = {year} AND count(problems) = 0"} for year in (1901, 1902)],
}


async def test_in_a_club_each_members_own_presumptions_count(service: Running) -> None:
    club = await clubhouse.founded(service)
    offer = await club.offered(YEARS)
    ida, jan = await club.newcomer(), await club.newcomer()
    for _ in range(2):
        await a_coin(service, ida, year_on_coin=1901)
        await a_coin(service, jan, year_on_coin=1902, problems=[])
    for who in (ida, jan):
        await club.shows(who, offer, standing=True, spares=True, display=True)

    async def filled(who: dict[str, str]) -> tuple[int, int]:
        counts = (await club.get(f"{offer}/standings/{club.id_of(who)}", club.steward))["counts"]
        return counts["filled"], counts["tentative"]

    async def swaps() -> list[set[str]]:
        found = (await club.get(f"{offer}/swaps", ida))["items"]
        return [{leg["place"] for leg in swap["legs"]} for swap in found]

    async def displayed() -> tuple[int, int, int]:
        summary = (await club.get(f"{offer}/display", club.steward))["summary"]
        return summary["filled"], summary["tentative"], summary["empty"]

    # What may be sound is no spare.
    assert ((await filled(ida)), (await filled(jan))) == ((0, 1), (1, 0))
    assert (await swaps(), await displayed()) == ([], (1, 1, 0))
    # Ida does not note that a coin is sound, Jan notes it of the few of his that are.
    await presume(service, ida, SOUND)
    await presume(service, jan, {"presume": [{"facts": {"problems": ["holed"]}}]})
    assert ((await filled(ida)), (await filled(jan))) == ((1, 0), (1, 0))
    assert (await swaps(), await displayed()) == ([{"y1901", "y1902"}], (2, 0, 0))
    await presume(service, ida, {"presume": [{"facts": {"problems": ["holed"]}}]})
    await presume(service, jan, SOUND)
    assert ((await filled(ida)), (await filled(jan))) == ((0, 0), (1, 0))
    assert (await swaps(), await displayed()) == ([], (1, 0, 1))


GUIDE = {"source": "a list of the club", "edition": "3"}
FLORIN = {"issuer": "x-ambria", "denomination": "florin"}


async def test_an_own_issue_that_replaces_another_is_the_candidate(service: Running) -> None:
    owner = service.collector()
    document = {**SET, "slots": [{"id": "sterling", "accepts": "fineness = 0.925"}]}
    coin, identity = await a_coin(service, owner, **FLORIN), await a_set(service, owner, document)
    await presume(service, owner, {"identify": [{"where": "issuer = 'x-ambria'"}]})

    async def placed() -> str:
        [place] = (await done(service, owner, "GET", f"/v1/definitions/{identity}/evaluation"))["slots"]
        return str(place["status"])

    first = {"id": "florin", "label": "Florin", "facts": {**FLORIN, "fineness": 0.8}, **GUIDE}
    await done(service, owner, "POST", "/v1/issues", first)
    assert await placed() == "empty"
    better = {"id": "florin-2", "label": "Florin", "facts": {**FLORIN, "fineness": 0.925}, **GUIDE}
    await done(service, owner, "POST", "/v1/issues", better)
    assert await placed() == "tentative"
    body = {**{name: better[name] for name in better if name != "id"}, "replaces": "florin"}
    changed = await done(service, owner, "PUT", "/v1/issues/florin-2", body)
    assert changed["replaces"] == "florin"
    assert (await done(service, owner, "GET", "/v1/issues/florin-2"))["replaces"] == "florin"
    assert await placed() == "filled"
    explained = await done(
        service,
        owner,
        "POST",
        "/v1/explanations",
        {"definition": {"id": identity}, "holding": coin, "place": "sterling"},
    )
    [fact] = [fact for clause in clauses_of(explained["places"]) for fact in clause.get("facts", [])]
    assert (fact["from"], fact["issue"]) == ("identified", "florin-2")
    # A coin that names the replaced issue is one of it.
    await done(service, owner, "POST", "/v1/holdings", {"issue": "florin"})
    filter_ = await done(service, owner, "GET", "/v1/holdings?filter=fineness = 0.8")
    assert [one["issue"] for one in filter_["items"]] == ["florin"]
    # A list of issues that an author made takes what replaces one of them.
    await presume(service, owner, {"identify": [{"where": "issuer = 'x-ambria'", "issues": ["florin"]}]})
    assert await placed() == "filled"


async def test_an_issue_replaces_another_that_is_there(service: Running) -> None:
    owner = service.collector()
    wrong = {
        "nowhere": {"id": "a", "replaces": "in no catalogue"},
        "itself": {"id": "a", "replaces": "a"},
    }
    for name, fields in wrong.items():
        body = {"label": "A", "facts": {}, **GUIDE, **fields}
        answer = await service.client.post("/v1/issues", json=body, headers=owner)
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/replaces"), name
    for fields in ({"id": "a"}, {"id": "b", "replaces": "a"}):
        await done(service, owner, "POST", "/v1/issues", {"label": "A", "facts": {}, **GUIDE, **fields})
    round_about = {"label": "A", "facts": {}, **GUIDE, "replaces": "b"}
    answer = await service.client.put("/v1/issues/a", json=round_about, headers={**owner, "If-Match": "*"})
    assert answer.json()["errors"][0]["code"] == "replaces"
    rows = [
        {"id": "c", "label": "C"},
        {"id": "d", "label": "D", "replaces": "c"},
        {"id": "e", "label": "E", "replaces": "z"},
    ]
    brought = {"issues": rows, **GUIDE}
    refused = await service.client.post("/v1/issues/imports", json=brought, headers=owner)
    assert [fault["pointer"] for fault in refused.json()["errors"]] == ["/issues/2/replaces"]
    report = await done(service, owner, "POST", "/v1/issues/imports?skip_refused=true", brought)
    assert (report["created"], report["refused"][0]["row"], report["items"][1]["replaces"]) == (2, 3, "c")
    sheet = (await service.client.get("/v1/issues?private=true&format=csv", headers=owner)).text
    assert sheet.splitlines()[0] == "id,label,look_alikes,source,edition,replaces"
    assert "d,D,,a list of the club,3,c" in sheet.splitlines()
