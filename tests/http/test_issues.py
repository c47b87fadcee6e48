"""The owner's own issues beside the shipped ones: kept, changed, imported, and seen by every evaluation of mine."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.reference import actions as reference
from tests.conftest import Running
from tests.factories import seats_of
from tests.http.examples import ISSUE, ISSUES_CSV, ISSUES_IMPORT

pytestmark = pytest.mark.anyio

SHIPPED = "euro-ad-0-01"
FIELDS = {name: part for name, part in ISSUE.items() if name != "id"}
WHERE = f"/v1/issues/{ISSUE['id']}"
STAMP = {"source": "own observation", "edition": "2026-11-25"}


def an_issue(identity: str, **facts: Any) -> dict[str, Any]:
    return {"id": identity, "label": identity, "facts": facts, "look_alikes": [], **STAMP}


async def keep(service: Running, mine: dict[str, str], identity: str, **facts: Any) -> str:
    """Records an issue; its address."""
    answer = await service.client.post("/v1/issues", json=an_issue(identity, **facts), headers=mine)
    assert answer.status_code == 201, answer.text
    return str(answer.headers["location"])


async def send_import(service: Running, mine: dict[str, str], issues: list[Any], query: str = "") -> Any:
    return await service.client.post(f"/v1/issues/imports{query}", json={**STAMP, "issues": issues}, headers=mine)


async def send_sheet(service: Running, mine: dict[str, str], sheet: str, query: str = "") -> Any:
    headers = {**mine, "Content-Type": "text/csv"}
    return await service.client.post(f"/v1/issues/imports{query}", content=sheet.encode(), headers=headers)


async def own(service: Running, mine: dict[str, str]) -> list[dict[str, Any]]:
    items = (await service.client.get("/v1/issues?private=true&limit=200", headers=mine)).json()["items"]
    assert all(item["private"] for item in items)
    return [{name: item[name] for name in an_issue("")} for item in items]


def faults(answer: Any) -> list[tuple[str, str]]:
    assert answer.status_code == 422, answer.text
    return [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]]


# --- kept one by one ---------------------------------------------------------------------------------------------------


async def test_an_issue_is_kept_read_changed_and_deleted(service: Running) -> None:
    mine = service.collector()
    made = await service.client.post("/v1/issues", json=ISSUE, headers=mine)
    assert (made.status_code, made.headers["location"]) == (201, WHERE)
    assert {name: made.json()[name] for name in ISSUE} == ISSUE
    assert (made.json()["private"], made.json()["unknown_attributes"]) == (True, [])
    read = await service.client.get(WHERE, headers=mine)
    assert read.json() == made.json()
    tag = read.headers["etag"]
    assert tag == made.headers["etag"]
    assert (await service.client.get(WHERE, headers={**mine, "If-None-Match": tag})).status_code == 304
    changed = {**FIELDS, "facts": {"denomination": "florin"}}
    assert (await service.client.put(WHERE, json=changed, headers=mine)).status_code == 428
    put = await service.client.put(WHERE, json=changed, headers={**mine, "If-Match": tag})
    assert (put.status_code, put.json()["facts"]) == (200, {"denomination": "florin"})
    assert put.json()["created_at"] == made.json()["created_at"]
    assert (await service.client.put(WHERE, json=changed, headers={**mine, "If-Match": tag})).status_code == 412
    assert (await service.client.delete(WHERE, headers=mine)).status_code == 428
    assert (await service.client.delete(WHERE, headers={**mine, "If-Match": tag})).status_code == 412
    gone = await service.client.delete(WHERE, headers={**mine, "If-Match": put.headers["etag"]})
    assert (gone.status_code, gone.content) == (204, b"")
    assert (await service.client.get(WHERE, headers=mine)).status_code == 404


async def test_the_digits_of_a_number_are_kept(service: Running) -> None:
    mine = service.collector()
    where = await keep(service, mine, "digits")
    body = json.dumps(FIELDS).replace("28.5", "28.50").encode()
    headers = {**mine, "If-Match": "*", "Content-Type": "application/json"}
    assert (await service.client.put(where, content=body, headers=headers)).status_code == 200
    assert b'"diameter":28.50' in (await service.client.get(where, headers=mine)).content


async def test_without_an_id_the_server_makes_one(service: Running) -> None:
    mine = service.collector()
    made = await service.client.post("/v1/issues", json=FIELDS, headers=mine)
    assert made.headers["location"] == f"/v1/issues/{made.json()['id']}"
    assert (await service.client.get(made.headers["location"], headers=mine)).status_code == 200


async def test_an_id_with_unusual_letters_is_found_again(service: Running) -> None:
    mine = service.collector()
    where = await keep(service, mine, "Ö 1? 50%#a")
    assert (await service.client.get(where, headers=mine)).json()["id"] == "Ö 1? 50%#a"


async def test_source_and_edition_have_to_be_said(service: Running) -> None:
    answer = await service.client.post("/v1/issues", json={"label": "x"}, headers=service.collector())
    assert faults(answer) == [("missing", "/source"), ("missing", "/edition")]


async def test_a_taken_id_clashes_be_it_shipped_or_ones_own(service: Running) -> None:
    mine = service.collector()
    await keep(service, mine, "taken")
    for name in ("taken", SHIPPED):
        answer = await service.client.post("/v1/issues", json=an_issue(name), headers=mine)
        assert answer.status_code == 409
        assert name in answer.json()["detail"]
    # Another collector is free to use it.
    await keep(service, service.collector(), "taken")


async def test_a_shipped_issue_is_the_same_for_all(service: Running) -> None:
    mine = service.collector()
    for method in ("put", "delete"):
        content: dict[str, Any] = {"json": FIELDS} if method == "put" else {}
        answer = await service.client.request(
            method, f"/v1/issues/{SHIPPED}", headers={**mine, "If-Match": "*"}, **content
        )
        assert answer.status_code == 409
        assert "comes with the service" in answer.json()["detail"]
    shown = (await service.client.get(f"/v1/issues/{SHIPPED}")).json()
    assert (shown["private"], shown["look_alikes"]) == (False, [])
    # The stamps of data/euro_issues.json.
    assert shown["source"].startswith("Council Regulation (EU) No 729/2014")
    assert shown["edition"] == "2014 recast"


async def test_a_request_sent_again_makes_one_issue(service: Running) -> None:
    mine = {**service.collector(), "Idempotency-Key": "k"}
    first = await service.client.post("/v1/issues", json=FIELDS, headers=mine)
    again = await service.client.post("/v1/issues", json=FIELDS, headers=mine)
    assert (again.status_code, again.content) == (201, first.content)
    assert len(await own(service, mine)) == 1


async def test_facts_are_read_by_what_my_definitions_declare(service: Running) -> None:
    mine = service.collector()
    sent = an_issue("declared", shelf="top", grade=99)
    answer = await service.client.post("/v1/issues", json=sent, headers=mine)
    assert faults(answer) == [("value", "/facts/grade")]
    kept = await service.client.post("/v1/issues", json=an_issue("declared", shelf="top"), headers=mine)
    assert kept.json()["unknown_attributes"] == [{"attribute": "shelf", "did_you_mean": None}]
    document = {
        "format": "set-definition/1",
        "title": "x",
        "attributes": [{"name": "shelf", "type": "integer"}],
        "slots": [{"id": "a", "accepts": "shelf = 1"}],
    }
    assert (await service.client.post("/v1/definitions", json={"document": document}, headers=mine)).status_code == 201
    answer = await service.client.put(
        "/v1/issues/declared", json={**FIELDS, "facts": {"shelf": "top"}}, headers={**mine, "If-Match": "*"}
    )
    assert faults(answer) == [("type", "/facts/shelf")]


async def test_anothers_issue_does_not_exist(service: Running) -> None:
    mine, stranger = service.collector(), service.collector()
    where = await keep(service, mine, "mine-alone")
    for headers in (stranger, {}):
        assert (await service.client.get(where, headers=headers)).status_code == 404
    headers = {**stranger, "If-Match": "*"}
    assert (await service.client.put(where, json=FIELDS, headers=headers)).status_code == 404
    assert (await service.client.delete(where, headers=headers)).status_code == 404
    assert await own(service, stranger) == []
    assert [entry["id"] for entry in await own(service, mine)] == ["mine-alone"]


# --- listed ------------------------------------------------------------------------------------------------------------


async def test_all_are_listed_together_in_the_order_of_ids(service: Running) -> None:
    mine = service.collector()
    # Where engines would sort these by the language of the server, capitals and accents show it.
    names = ["Zebra", "aardvark", "euro-b", "euro-zz", "zebra", "Ärger", "euro-ad-0-011"]
    for name in names:
        await keep(service, mine, name)
    found, address = [], "/v1/issues?limit=90"
    while address:
        answer = (await service.client.get(address, headers=mine)).json()
        found += [item["id"] for item in answer["items"]]
        address = answer["next"]
    assert found == sorted([*names, *reference.shipped_issues()])
    bare = (await service.client.get("/v1/issues?limit=200")).json()["items"]
    assert not {item["id"] for item in bare} & set(names)


async def test_words_pick_issues_by_id_and_label_on_every_page(service: Running) -> None:
    mine = service.collector()
    for name in ("Heller of ANDORRA", "Heller of nowhere", "other"):
        await keep(service, mine, name)
    found, address = [], "/v1/issues?contains=andorra&limit=3"
    while address:
        answer = (await service.client.get(address, headers=mine)).json()
        found += [item["id"] for item in answer["items"]]
        address = answer["next"]
    assert found[0] == "Heller of ANDORRA"
    assert len(found) == 1 + sum("Andorra" in issue.label for issue in reference.shipped_issues().values()) > 4
    answer = await service.client.get("/v1/issues?contains=nowhere+HELLER&private=true", headers=mine)
    assert [item["id"] for item in answer.json()["items"]] == ["Heller of nowhere"]


@pytest.mark.parametrize("path", ["%00", "a%00b", "x" * 201, "%F0%9F", "..%2f"])
async def test_what_can_be_no_id_names_nothing(service: Running, path: str) -> None:
    for headers in ({}, service.collector()):
        assert (await service.client.get(f"/v1/issues/{path}", headers=headers)).status_code == 404


# --- imported ----------------------------------------------------------------------------------------------------------


async def test_an_import_is_told_first_and_then_done(service: Running) -> None:
    mine = service.collector()
    await keep(service, mine, "b", grade=1)
    await keep(service, mine, "c", grade=1)
    sent = [an_issue("a", grade=1), an_issue("b", grade=2), an_issue("c", grade=1)]
    told = (await send_import(service, mine, sent, "?dry_run=true")).json()
    assert [told[name] for name in ("dry_run", "created", "updated", "unchanged")] == [True, 1, 1, 1]
    assert [(item["outcome"], item["id"]) for item in told["items"]] == [
        ("created", "a"),
        ("updated", "b"),
        ("unchanged", "c"),
    ]
    assert [entry["id"] for entry in await own(service, mine)] == ["b", "c"]
    done = (await send_import(service, mine, sent)).json()
    assert done == {**told, "dry_run": False}
    assert await own(service, mine) == sent


async def test_an_import_sent_again_changes_nothing(service: Running) -> None:
    mine = service.collector()
    sent = [an_issue("a", diameter=2.5, motifs=["ship"]), an_issue("b", mintmark={"none": True})]
    assert (await send_import(service, mine, sent)).json()["created"] == 2
    before = (await service.client.get("/v1/issues/a", headers=mine)).headers["etag"]
    again = (await send_import(service, mine, sent)).json()
    assert [again[name] for name in ("created", "updated", "unchanged")] == [0, 0, 2]
    assert (await service.client.get("/v1/issues/a", headers=mine)).headers["etag"] == before


async def test_one_refused_row_refuses_all_unless_it_is_to_be_skipped(service: Running) -> None:
    mine = service.collector()
    sent: list[Any] = [
        an_issue("good", grade=1),
        {"id": "bad", "label": "", "facts": {"strike": "prof", "grade": 99}},
        an_issue(SHIPPED),
        an_issue("good"),
        None,
        {**an_issue("lists"), "facts": {"problems": ["holed", "hold"]}},
    ]
    pointers = [
        ("too-short", "/issues/1/label"),
        ("value", "/issues/1/facts/strike"),
        ("value", "/issues/1/facts/grade"),
        ("clashing-id", "/issues/2/id"),
        ("clashing-id", "/issues/3/id"),
        ("model-type", "/issues/4"),
        ("value", "/issues/5/facts/problems/1"),
    ]
    assert faults(await send_import(service, mine, sent)) == pointers
    assert await own(service, mine) == []
    told = (await send_import(service, mine, sent, "?dry_run=true")).json()
    assert [(row["code"], row["pointer"]) for row in told["refused"]] == pointers
    assert [row["row"] for row in told["refused"]] == [2, 2, 2, 3, 4, 5, 6]
    assert [row["nearest"] for row in told["refused"]] == [None, "proof", None, None, None, None, "holed"]
    assert (told["created"], told["refused_rows"]) == (1, 5)
    done = (await send_import(service, mine, sent, "?skip_refused=true")).json()
    assert {**done, "dry_run": True} == told
    assert await own(service, mine) == sent[:1]


async def test_a_dry_run_and_the_import_are_two_requests_under_one_key(service: Running) -> None:
    mine = {**service.collector(), "Idempotency-Key": "k"}
    assert (await send_import(service, mine, [an_issue("a")], "?dry_run=true")).status_code == 200
    first = await send_import(service, mine, [an_issue("a")])
    assert first.json()["created"] == 1
    assert (await send_import(service, mine, [an_issue("a")])).content == first.content
    other = await send_import(service, mine, [an_issue("a")], "?skip_refused=true")
    assert other.json()["type"].endswith("/problems/idempotency-key-reused")


async def test_a_sheet_is_imported_cell_by_cell(service: Running) -> None:
    mine = service.collector()
    answer = await send_sheet(service, mine, ISSUES_CSV)
    assert (answer.status_code, answer.json()["created"]) == (200, 1), answer.text
    assert await own(service, mine) == [
        {
            "id": "ambria-crown-1892",
            "label": "Duchy of Ambria, 1 crown",
            "facts": {
                "denomination": "crown",
                "year_on_coin": {"one_of": [1892, 1893]},
                "mintmark": {"none": True},
                "motifs": ["horse", "ship"],
            },
            "look_alikes": [],
            "source": "Register of the fictional mint of Ambria",
            "edition": "second",
        }
    ]
    again = await send_sheet(service, mine, "\ufeff" + ISSUES_CSV.replace("\r\n", "\n"))
    assert [again.json()[name] for name in ("created", "updated", "unchanged")] == [0, 0, 1]


async def test_cells_are_read_by_the_type_of_their_attribute(service: Running) -> None:
    mine = service.collector()
    sheet = (
        "id,label,look_alikes,diameter,commemorative,tender_from,denomination,motifs,facts.shelf\n"
        'a,A,b; c ,2.50,Yes,1999-01-01,5,[],"{""from"": 1}"\n'
        "\n"
        'b,"""B""",,,false,-,"""-""",ship,3\n'
    )
    answer = await send_sheet(service, mine, sheet, "?source=own+observation&edition=2026-11-25")
    assert answer.status_code == 200, answer.text
    assert answer.json()["unknown_attributes"] == [{"attribute": "shelf", "did_you_mean": None}]
    first, second = await own(service, mine)
    assert (first["look_alikes"], first["source"], first["edition"]) == (["b", "c"], *STAMP.values())
    assert first["facts"] == {
        "diameter": 2.5,
        "commemorative": True,
        "tender_from": "1999-01-01",
        "denomination": "5",
        "motifs": [],
        "shelf": {"from": 1},
    }
    assert second["label"] == "B"
    assert second["facts"] == {
        "commemorative": False,
        "tender_from": {"none": True},
        "denomination": "-",
        "motifs": ["ship"],
        "shelf": 3,
    }


async def test_refused_rows_of_a_sheet_name_their_lines(service: Running) -> None:
    mine = service.collector()
    sheet = (
        "id,label,strike,grade,diameter,commemorative,motifs,facts.shelf\n"
        'a,"two\nlines",proof,1,1,yes,ship,1\n'
        'b,,prof,fine,"2,5",perhaps,"{""one_of"": 1",wood\n'
        "c,C,proof,1,1,yes,ship,1,2\n"
    )
    query = "?source=s&edition=e"
    told = (await send_sheet(service, mine, sheet, f"{query}&dry_run=true")).json()
    assert told["created"] == 1
    assert [(row["row"], row["line"], row["id"], row["pointer"]) for row in told["refused"]] == [
        (2, 4, "b", "/issues/1/facts/motifs"),
        (2, 4, "b", "/issues/1/facts/shelf"),
        (2, 4, "b", "/issues/1/label"),
        (2, 4, "b", "/issues/1/facts/strike"),
        (2, 4, "b", "/issues/1/facts/grade"),
        (2, 4, "b", "/issues/1/facts/diameter"),
        (2, 4, "b", "/issues/1/facts/commemorative"),
        (3, 5, "c", "/issues/2"),
    ]
    assert [row["nearest"] for row in told["refused"]] == [None, None, None, "proof", *[None] * 4]
    refused = await send_sheet(service, mine, sheet, query)
    assert {fault["line"] for fault in refused.json()["errors"]} == {4, 5}
    assert await own(service, mine) == []


async def test_wrong_columns_are_told_all_at_once(service: Running) -> None:
    answer = await send_sheet(service, service.collector(), "label,grade,grade,finess,x;y\n")
    told = [(f["code"], f.get("column"), f.get("hint")) for f in answer.json()["errors"]]
    assert answer.status_code == 422
    assert told == [
        ("doubled-name", 3, None),
        ("unknown-attribute", 4, "did you mean 'fineness'?"),
        ("unknown-attribute", 5, "columns are separated by commas, and named as /v1/attributes has it"),
        ("missing", None, None),
        ("missing", None, "send it as ?source=, or as a column"),
        ("missing", None, "send it as ?edition=, or as a column"),
    ]


@pytest.mark.parametrize(
    ("sheet", "status"),
    [
        ('id,label\na,"open', 400),
        ('id,label\n"a"b,c', 400),
        ("id,label\n" + "a" * 200_000, 400),
        ("id,label\na,\0", 400),
        ("id,label\n" + "".join(f"{n},x\n" for n in range(5_001)), 422),
        ("id,label," + ",".join(f"facts.x{n}" for n in range(1_000)), 422),
    ],
)
async def test_a_broken_sheet_is_refused(service: Running, sheet: str, status: int) -> None:
    mine = service.collector()
    answer = await send_sheet(service, mine, sheet, "?source=s&edition=e")
    assert (answer.status_code, len(answer.json()["errors"])) == (status, 1), answer.text
    assert await own(service, mine) == []


async def test_the_stamp_of_json_stands_in_the_body(service: Running) -> None:
    answer = await send_import(service, service.collector(), [], "?source=x")
    assert answer.json()["type"].endswith("/problems/invalid-query")
    for text in ("%00", ""):
        answer = await send_sheet(service, service.collector(), "id,label\n", f"?source={text}&edition=e")
        assert answer.json()["type"].endswith("/problems/invalid-query")


async def test_what_is_exported_is_imported_again_without_a_change(service: Running) -> None:
    mine, other = service.collector(), service.collector()
    await send_import(
        service, mine, [*ISSUES_IMPORT["issues"], an_issue("odd", mint="=1+1", shelf=["x"], edge={"none": True})]
    )
    await send_sheet(service, mine, ISSUES_CSV)
    sheet = await service.client.get("/v1/issues?format=csv&private=true", headers=mine)
    assert sheet.headers["content-type"] == "text/csv; charset=utf-8"
    # No spreadsheet runs it.
    assert ',"""=1+1"""' in sheet.text
    again = (await send_sheet(service, mine, sheet.text)).json()
    assert [again[name] for name in ("created", "updated", "unchanged")] == [0, 0, 3]
    assert (await send_sheet(service, other, sheet.text)).json()["created"] == 3
    assert await own(service, other) == await own(service, mine)


async def test_the_shipped_catalogue_comes_as_a_sheet_too(service: Running) -> None:
    sheet = (await service.client.get("/v1/issues?format=csv")).text
    assert sheet.count("\r\n") == 1 + len(reference.shipped_issues())
    answer = await service.client.get("/v1/issues?format=csv&cursor=x")
    assert answer.json()["type"].endswith("/problems/invalid-query")


# --- seen by evaluations -----------------------------------------------------------------------------------------------

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Florins",
    "scope": "denomination = 'florin' OR denomination = 'crown'",
    "slots": [{"id": "old", "label": "Old", "accepts": "denomination = 'florin' AND year_on_coin < 1900"}],
    "one_per": [
        {
            "id": "mints",
            "attribute": "mint",
            "accepts": "denomination = 'florin' AND grade > 60",
            "keys": {"from": "catalogue", "where": "denomination = 'florin'"},
        }
    ],
}


async def kept_set(service: Running, mine: dict[str, str], document: dict[str, Any] = SET) -> str:
    made = await service.client.post("/v1/definitions", json={"document": document}, headers=mine)
    assert made.status_code == 201, made.text
    return str(made.headers["location"])


async def hold(service: Running, mine: dict[str, str], issue: Any) -> str:
    made = await service.client.post("/v1/holdings", json={"issue": issue}, headers=mine)
    assert made.status_code == 201, made.text
    return str(made.json()["id"])


async def evaluation(service: Running, mine: dict[str, str], where: str) -> Any:
    answer = await service.client.get(f"{where}/evaluation", headers=mine)
    assert answer.status_code == 200, answer.text
    return answer


async def test_a_holding_fills_a_place_by_what_its_issue_says(service: Running) -> None:
    mine = service.collector()
    where = await kept_set(service, mine)
    await keep(service, mine, "own-florin", denomination="florin", year_on_coin=1891, mint="Tower")
    coin = await hold(service, mine, "own-florin")
    answer = await evaluation(service, mine, where)
    assert seats_of(answer.json()) == {"old": coin}
    # The keys of a group come from the owner's issues as well.
    assert [place["key"] for place in answer.json()["one_per"][0]["places"]] == ["Tower"]
    assert "ignored_facts" not in answer.json()
    asked = {"definition": {"id": where.rsplit("/", 1)[1]}, "holdings": "mine"}
    assert seats_of((await service.client.post("/v1/evaluations", json=asked, headers=mine)).json()) == {"old": coin}
    inline = {"definition": SET, "holdings": "mine"}
    assert seats_of((await service.client.post("/v1/evaluations", json=inline, headers=mine)).json()) == {"old": coin}
    told = {"definition": asked["definition"], "holding": coin, "place": "old"}
    explained = (await service.client.post("/v1/explanations", json=told, headers=mine)).json()
    assert explained["places"][0]["verdict"] == "yes"


async def test_an_issue_of_the_request_goes_before_the_kept_one(service: Running) -> None:
    mine = service.collector()
    where = await kept_set(service, mine)
    await keep(service, mine, "own-florin", denomination="florin", year_on_coin=1891)
    await hold(service, mine, "own-florin")
    asked = {
        "definition": {"id": where.rsplit("/", 1)[1]},
        "holdings": "mine",
        "issues": [{"id": "own-florin", "facts": {"denomination": "florin", "year_on_coin": 1901}}],
    }
    assert seats_of((await service.client.post("/v1/evaluations", json=asked, headers=mine)).json()) == {}


async def test_the_evaluation_and_its_tag_follow_the_issue(service: Running) -> None:
    mine = service.collector()
    where = await kept_set(service, mine)
    at = await keep(service, mine, "own-florin", denomination="florin", year_on_coin=1891)
    coin = await hold(service, mine, "own-florin")
    tags = []
    for seated, step in (({"old": coin}, "put"), ({}, "delete"), ({"old": coin}, None)):
        for address in ("evaluation", "want-list"):
            answer = await service.client.get(f"{where}/{address}", headers=mine)
            tags.append(answer.headers["etag"])
            known = {**mine, "If-None-Match": tags[-1]}
            assert (await service.client.get(f"{where}/{address}", headers=known)).status_code == 304
        assert seats_of((await evaluation(service, mine, where)).json()) == seated
        headers = {**mine, "If-Match": "*"}
        if step == "put":
            later = {**FIELDS, "facts": {"denomination": "florin", "year_on_coin": 1901}}
            assert (await service.client.put(at, json=later, headers=headers)).status_code == 200
        elif step == "delete":
            assert (await service.client.delete(at, headers=headers)).status_code == 204
    assert len(set(tags)) == len(tags) == 6
    # The holding names it still, and the evaluation says that nobody knows it: the coin may be anything.
    answer = await evaluation(service, mine, where)
    assert answer.json()["slots"][0]["status"] == "tentative"
    assert [(entry["holding"], entry["pointer"]) for entry in answer.json()["ignored_facts"]] == [(coin, "/issue")]
    assert (await service.client.get(f"/v1/holdings/{coin}", headers=mine)).json()["issue"] == "own-florin"


async def test_candidate_issues_are_one_world_each(service: Running) -> None:
    mine = service.collector()
    rule = "(year_on_coin = 1891 AND edge = 'plain') OR (year_on_coin = 1892 AND edge = 'milled')"
    slots = [{"id": "either", "accepts": rule}, {"id": "first", "accepts": "year_on_coin = 1891"}]
    where = await kept_set(service, mine, {"format": "set-definition/1", "title": "x", "slots": slots})
    await keep(service, mine, "plain", year_on_coin=1891, edge="plain")
    await keep(service, mine, "milled", year_on_coin=1892, edge="milled")
    coin = await hold(service, mine, {"one_of": ["plain", "milled"]})
    # Year and edge go together: were they apart, a milled one of 1891 would leave the first place undecided.
    told = {"definition": {"id": where.rsplit("/", 1)[1]}, "holding": coin}
    explained = (await service.client.post("/v1/explanations", json=told, headers=mine)).json()
    assert {place["place"]: place["verdict"] for place in explained["places"]} == {
        "either": "yes",
        "first": "undecided",
    }
    tray = {"coins": [{"id": "t", "issue": {"one_of": ["plain", "milled"]}}]}
    assert (await service.client.post("/v1/candidates", json=tray, headers=mine)).status_code == 200
    unknown = {"coins": [{"id": "t", "issue": "none-such"}]}
    assert faults(await service.client.post("/v1/candidates", json=unknown, headers=mine)) == [
        ("unknown-issue", "/coins/0/issue")
    ]


async def test_the_check_looks_for_gaps_among_my_issues(service: Running) -> None:
    mine = service.collector()
    # A scope that no shipped issue is in.
    where = await kept_set(service, mine, {**SET, "scope": "legend_issuer = 'AMBRIA'"})
    await keep(service, mine, "a-crown", denomination="crown", legend_issuer="AMBRIA")
    findings = (await service.client.get(f"{where}/check", headers=mine)).json()["findings"]
    assert [f["message"] for f in findings if f["code"] == "gap"] == [
        "The issue 'a-crown' is in scope and fits no place."
    ]


async def test_a_fact_that_does_not_fit_the_definition_is_left_out_and_named(service: Running) -> None:
    mine = service.collector()
    await keep(service, mine, "shelved", shelf="top", denomination="florin")
    document = {
        "format": "set-definition/1",
        "title": "x",
        "attributes": [{"name": "shelf", "type": "integer"}],
        "slots": [{"id": "any", "accepts": "denomination = 'florin'"}, {"id": "one", "accepts": "shelf = 1"}],
    }
    where = await kept_set(service, mine, document)
    coin = await hold(service, mine, "shelved")
    answer = (await evaluation(service, mine, where)).json()
    assert seats_of(answer)["any"] == coin
    (ignored,) = answer["ignored_facts"]
    assert (ignored["holding"], ignored["pointer"], ignored["code"]) == (coin, "/issue", "ignored")
    assert ignored["message"].endswith("issue is left out: of the issue 'shelved': 'shelf' takes a number, not a text.")


async def test_anothers_issue_means_nothing_to_my_coins(service: Running) -> None:
    mine = service.collector()
    await keep(service, service.collector(), "theirs", denomination="florin", year_on_coin=1891)
    where = await kept_set(service, mine)
    coin = await hold(service, mine, "theirs")
    answer = (await evaluation(service, mine, where)).json()
    assert answer["slots"][0]["status"] == "tentative"
    assert [entry["holding"] for entry in answer["ignored_facts"]] == [coin]
