"""Holdings over HTTP."""

from __future__ import annotations

import json
import uuid
from typing import Any

import httpx
import pytest

from service.database.ids import new_id
from service.holdings.model import merged
from tests.conftest import Running

pytestmark = pytest.mark.anyio

PATCH = {"Content-Type": "application/merge-patch+json"}


async def record(service: Running, owner: dict[str, str], **holding: Any) -> httpx.Response:
    answer = await service.client.post("/v1/holdings", json=holding, headers=owner)
    assert answer.status_code == 201, answer.text
    return answer


def faults(answer: httpx.Response, status: int = 422) -> list[tuple[str, str]]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    return [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]]


async def test_a_recorded_holding_reads_as_it_was_sent(service: Running) -> None:
    owner, identity = service.collector(), new_id()
    sent = {
        "id": identity,
        "facts": {
            "denomination": "crown",
            "weight": 28.28,
            "mintmark": {"none": True},
            "year_on_coin": {"one_of": [1892, 1893]},
        },
        "issue": None,
        "quantity": 3,
        "status": "on approval",
        "number": "A-17",
        "note": "from a fair",
        "location": "cabinet 2",
        "tags": ["silver", "worn"],
    }
    made = await service.client.post("/v1/holdings", json=sent, headers=owner)
    assert made.status_code == 201
    assert made.headers["location"] == f"/v1/holdings/{identity}"
    read = await service.client.get(f"/v1/holdings/{identity}", headers=owner)
    assert {name: read.json()[name] for name in sent} == sent
    assert read.json() == made.json()
    assert read.headers["etag"] == made.headers["etag"]


async def test_numbers_come_back_digit_for_digit(service: Running) -> None:
    owner = service.collector()
    raw = b'{"facts": {"weight": 28.2760, "fineness": 0.900}}'
    made = await service.client.post("/v1/holdings", content=raw, headers={**owner, "Content-Type": "application/json"})
    assert b'"weight":28.2760' in made.content
    assert b'"fineness":0.900' in (await service.client.get(made.headers["location"], headers=owner)).content


async def test_what_is_left_out_has_its_default(service: Running) -> None:
    made = (await record(service, service.collector())).json()
    assert (made["facts"], made["quantity"], made["status"], made["tags"], made["note"]) == ({}, 1, "held", [], None)


async def test_text_is_kept_in_composed_form(service: Running) -> None:
    made = await record(service, service.collector(), note="Mu\u0308nze")
    assert made.json()["note"] == "M\u00fcnze"


async def test_every_fault_is_told_at_once_with_its_place(service: Running) -> None:
    sent = {
        "facts": {"grade": "fine", "weight": [1], "mintmark": None},
        "quantity": 0,
        "status": "eaten",
        "tags": ["", 1],
        "colour": "red",
        "id": str(uuid.uuid4()),
    }
    answer = await service.client.post("/v1/holdings", json=sent, headers=service.collector())
    own = {"/quantity", "/status", "/tags/0", "/tags/1", "/colour", "/id"}
    assert {pointer for _, pointer in faults(answer)} == own | {"/facts/grade", "/facts/weight/0", "/facts/mintmark"}


async def test_a_bare_null_is_refused_with_the_way_to_say_none(service: Running) -> None:
    answer = await service.client.post("/v1/holdings", json={"facts": {"mintmark": None}}, headers=service.collector())
    assert [pointer for _, pointer in faults(answer)] == ["/facts/mintmark"]
    assert '{"none": true}' in answer.json()["errors"][0]["hint"]


async def test_an_unknown_attribute_is_kept_and_pointed_out(service: Running) -> None:
    made = await record(service, service.collector(), facts={"finess": 900, "zzz": 1})
    assert made.json()["facts"] == {"finess": 900, "zzz": 1}
    assert made.json()["unknown_attributes"] == [
        {"attribute": "finess", "did_you_mean": "fineness"},
        {"attribute": "zzz", "did_you_mean": None},
    ]


async def test_the_answer_tells_which_terms_the_words_were_taken_for(service: Running) -> None:
    """Codes of ISO 3166-1 (GB, US; USA is the alpha-3 code); a quarter is a quarter dollar: common practice of the trade, no
    source."""
    owner, client = service.collector(), service.client
    words = {
        "name": "beasts",
        "extends": "motifs",
        "concepts": [{"id": "quagga", "alternative_labels": ["Bontquagga"]}],
    }
    assert (await client.post("/v1/vocabularies", json=words, headers=owner)).status_code == 201
    facts = {
        "issuer": "USA",
        "denomination": "quarter",
        "mint": "Ambria",
        "year_on_coin": 1965,
        "main_motifs": {"has": ["Bontquagga", "lion"], "perhaps": ["Lions"]},
        "material": {"none": True},
        "unheard": "USA",
    }
    made = await record(service, owner, facts=facts)
    assert made.json()["facts"] == facts
    assert made.json()["understood"] == [
        {"attribute": "issuer", "value": "USA", "as": "US"},
        {"attribute": "denomination", "value": "quarter", "as": "quarter dollar"},
        {"attribute": "main_motifs", "value": "Bontquagga", "as": "quagga"},
        {"attribute": "main_motifs", "value": "Lions", "as": "lion"},
    ]
    where = made.headers["location"]
    got = await client.get(where, headers=owner)
    assert (got.headers["etag"], got.json()) == (made.headers["etag"], made.json())
    patch = {"facts": {"issuer": {"one_of": ["United Kingdom", "US"]}, "main_motifs": None}}
    sent = owner | {"If-Match": made.headers["etag"], "Content-Type": "application/merge-patch+json"}
    changed = await client.patch(where, json=patch, headers=sent)
    assert changed.json()["understood"] == [{"attribute": "issuer", "value": "United Kingdom", "as": "GB"}]
    # What was told is what rules see.
    for rule, number in (("issuer IN ('GB', 'US')", 1), ("issuer = 'GB'", 0), ("issuer IN ('FR')", 0)):
        found = await client.get("/v1/holdings", params={"filter": rule}, headers=owner)
        assert len(found.json()["items"]) == number, rule
    plain = await record(service, owner, facts={"issuer": "GB", "denomination": "shilling"})
    assert plain.json()["understood"] == []


async def test_a_text_in_the_notation_of_collectors_is_refused_with_what_to_write(service: Running) -> None:
    """VF-30 is 30, .925 is 925 of a thousand: common practice of the trade, no source."""
    owner, client = service.collector(), service.client
    facts = {"grade": "VF-30", "fineness": "925", "year_on_coin": "1901", "diameter": "wide"}
    answer = await client.post("/v1/holdings", json={"facts": facts}, headers=owner)
    told = {error["pointer"]: error.get("hint") for error in answer.json()["errors"]}
    assert told == {
        "/facts/grade": "write 30",
        "/facts/fineness": "write 0.925",
        "/facts/year_on_coin": "write 1901",
        "/facts/diameter": None,
    }
    made = await record(service, owner, facts={"grade": 30})
    sent = owner | {"If-Match": made.headers["etag"], "Content-Type": "application/merge-patch+json"}
    refused = await client.patch(made.headers["location"], json={"facts": {"grade": "MS64"}}, headers=sent)
    assert [error["hint"] for error in refused.json()["errors"]] == ["write 64"]


async def test_an_attribute_that_a_definition_declares_is_known_and_its_values_are_checked(service: Running) -> None:
    owner = service.collector()
    document = {
        "format": "set-definition/1",
        "title": "Counted",
        "attributes": [{"name": "spots", "type": "integer"}],
        "slots": [{"id": "a", "label": "A", "accepts": "spots = 3"}],
    }
    early = await record(service, owner, facts={"spots": "three"}, note="old")
    assert early.json()["unknown_attributes"] == [{"attribute": "spots", "did_you_mean": None}]
    assert (await service.client.post("/v1/definitions", json={"document": document}, headers=owner)).status_code == 201
    assert (await record(service, owner, facts={"spots": 3})).json()["unknown_attributes"] == []
    refused = await service.client.post("/v1/holdings", json={"facts": {"spots": "three"}}, headers=owner)
    assert [pointer for _, pointer in faults(refused)] == ["/facts/spots"]
    # What was recorded before the declaration does not stop the owner from changing something else.
    headers = {**owner, **PATCH, "If-Match": early.headers["etag"]}
    changed = await service.client.patch(early.headers["location"], content='{"note": "new"}', headers=headers)
    assert (changed.status_code, changed.json()["note"]) == (200, "new")


async def test_a_patch_merges_and_null_removes_a_fact(service: Running) -> None:
    owner = service.collector()
    made = await record(service, owner, facts={"grade": 40, "mintmark": "S", "edge": "milled"}, note="x", quantity=2)
    patch = {"facts": {"grade": 45, "mintmark": None}, "note": None, "quantity": None}
    headers = {**owner, **PATCH, "If-Match": made.headers["etag"]}
    changed = await service.client.patch(made.headers["location"], json=patch, headers=headers)
    assert changed.status_code == 200, changed.text
    assert changed.json()["facts"] == {"grade": 45, "edge": "milled"}
    assert (changed.json()["note"], changed.json()["quantity"]) == (None, 1)
    assert changed.headers["etag"] != made.headers["etag"]


# Every pair of RFC 7396, appendix A, as a fact that no table knows: (original, patch, result).
@pytest.mark.parametrize(
    ("original", "patch", "result"),
    [
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
        ({"a": "b"}, {"a": None}, {}),
        ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
        ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
        ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
        (["a", "b"], ["c", "d"], ["c", "d"]),
        ({"a": "b"}, ["c"], ["c"]),
        ({"a": "foo"}, None, None),
        ({"a": "foo"}, "bar", "bar"),
        ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
        ([1, 2], {"a": "b", "c": None}, {"a": "b"}),
        ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
    ],
)
def test_merging_gives_the_results_of_the_standards_appendix(original: Any, patch: Any, result: Any) -> None:
    assert merged(original, patch) == result


@pytest.mark.parametrize(
    ("patch", "pointer"),
    [
        ({"id": "x"}, "/id"),
        ({"colour": None}, "/colour"),
        ({"quantity": 10_001}, "/quantity"),
        ({"status": "gone"}, "/status"),
        ({"facts": {"grade": 71}}, "/facts/grade"),
        ({"facts": []}, "/facts"),
        ([], ""),
        ("x", ""),
        (None, ""),
        ({"quantity": 0, "facts": {"grade": 0}}, "/quantity /facts/grade"),
    ],
)
async def test_a_patch_that_does_not_fit_is_refused_and_changes_nothing(
    service: Running, patch: Any, pointer: str
) -> None:
    owner = service.collector()
    made = await record(service, owner, facts={"grade": 40})
    headers = {**owner, **PATCH, "If-Match": made.headers["etag"]}
    answer = await service.client.patch(made.headers["location"], content=json.dumps(patch), headers=headers)
    assert " ".join(place for _, place in faults(answer)) == pointer
    assert (await service.client.get(made.headers["location"], headers=owner)).headers["etag"] == made.headers["etag"]


async def test_a_change_says_which_version_it_changes(service: Running) -> None:
    owner = service.collector()
    made = await record(service, owner)
    where, headers = made.headers["location"], {**owner, **PATCH}
    assert (await service.client.patch(where, json={"note": "x"}, headers=headers)).status_code == 428
    assert (await service.client.delete(where, headers=owner)).status_code == 428
    first = {**headers, "If-Match": made.headers["etag"]}
    assert (await service.client.patch(where, json={"note": "x"}, headers=first)).status_code == 200
    assert (await service.client.patch(where, json={"note": "y"}, headers=first)).status_code == 412
    assert (await service.client.delete(where, headers={**owner, "If-Match": made.headers["etag"]})).status_code == 412
    assert (await service.client.get(where, headers=owner)).json()["note"] == "x"


async def test_the_same_content_written_again_has_a_new_tag(service: Running) -> None:
    owner = service.collector()
    made = await record(service, owner, note="a")
    where, tag = made.headers["location"], made.headers["etag"]
    for note in ("b", "a"):
        headers = {**owner, **PATCH, "If-Match": tag}
        tag = (await service.client.patch(where, json={"note": note}, headers=headers)).headers["etag"]
    assert tag != made.headers["etag"]


async def test_a_known_version_is_not_sent_again(service: Running) -> None:
    owner = service.collector()
    made = await record(service, owner)
    headers = {**owner, "If-None-Match": made.headers["etag"]}
    answer = await service.client.get(made.headers["location"], headers=headers)
    assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", made.headers["etag"])


async def test_a_deleted_holding_is_gone_and_its_id_is_never_used_again(service: Running) -> None:
    owner = service.collector()
    made = await record(service, owner, facts={"grade": 40})
    where, headers = made.headers["location"], {**owner, "If-Match": made.headers["etag"]}
    assert (await service.client.delete(where, headers=headers)).status_code == 204
    assert (await service.client.get(where, headers=owner)).status_code == 404
    assert (await service.client.delete(where, headers=headers)).status_code == 404
    assert (await service.client.get("/v1/holdings", headers=owner)).json()["items"] == []
    again = await service.client.post("/v1/holdings", json={"id": made.json()["id"]}, headers=owner)
    assert again.status_code == 409


async def test_an_id_is_used_once(service: Running) -> None:
    owner = service.collector()
    made = await record(service, owner)
    assert (await service.client.post("/v1/holdings", json={"id": made.json()["id"]}, headers=owner)).status_code == 409
    # Another collector's ids are another matter.
    await record(service, service.collector(), id=made.json()["id"])


@pytest.mark.parametrize(
    "issue", ["", 7, {"one_of": []}, {"one_of": ["a", 1]}, {"oneof": ["a"]}, ["a"], {"one_of": ["a"] * 51}]
)
async def test_an_issue_is_an_id_or_several(service: Running, issue: Any) -> None:
    answer = await service.client.post("/v1/holdings", json={"issue": issue}, headers=service.collector())
    assert [pointer for _, pointer in faults(answer)] == ["/issue"]
