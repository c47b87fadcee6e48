"""Definitions over HTTP: drafts, immutable revisions, and what is kept of them."""

from __future__ import annotations

import copy
import json
from typing import Any

import httpx
import pytest
import yaml

from tests.conftest import Running
from tests.http.examples import DOCUMENT

pytestmark = pytest.mark.anyio


def titled(title: str) -> dict[str, Any]:
    return {**copy.deepcopy(DOCUMENT), "title": title}


async def drafted(service: Running, owner: dict[str, str], title: str = "Two crowns") -> httpx.Response:
    made = await service.client.post("/v1/definitions", json={"document": titled(title)}, headers=owner)
    assert made.status_code == 201, made.text
    return made


async def published(service: Running, owner: dict[str, str], made: httpx.Response) -> httpx.Response:
    headers = {**owner, "If-Match": made.headers["etag"]}
    where = f"/v1/definitions/{made.json()['id']}"
    answer = await service.client.post(f"{where}/revisions", headers=headers)
    assert answer.status_code == 201, answer.text
    return answer


async def test_a_new_definition_is_a_draft_of_its_first_revision(service: Running) -> None:
    owner = service.collector()
    made = await drafted(service, owner)
    body = made.json()
    assert (body["status"], body["revision"], body["title"], body["document"]) == ("draft", 1, "Two crowns", DOCUMENT)
    assert body["digest"].startswith("sha-256:")
    assert [rule["pointer"] for rule in body["rules"]] == ["/slots/0/accepts", "/slots/1/accepts"]
    assert body["rules"][0]["text"] == DOCUMENT["slots"][0]["accepts"]
    assert body["rules"][0]["json"]["op"] == "and"
    read = await service.client.get(made.headers["location"], headers=owner)
    assert (read.json(), read.headers["etag"]) == (body, made.headers["etag"])


async def test_a_document_may_come_as_yaml(service: Running) -> None:
    owner = service.collector()
    text = (
        "format: set-definition/1\ntitle: Crowns\nslots:\n  - {id: a, label: A, accepts: \"denomination = 'crown'\"}\n"
    )
    headers = {**owner, "Content-Type": "application/yaml"}
    made = await service.client.post("/v1/definitions", content=text, headers=headers)
    assert (made.status_code, made.json()["title"]) == (201, "Crowns")
    wrong = await service.client.post("/v1/definitions", content=text.replace("crown'", "crown"), headers=headers)
    assert wrong.status_code == 422
    assert wrong.json()["errors"][0]["pointer"] == "/slots/0/accepts"
    broken = await service.client.post("/v1/definitions", content="a: [", headers=headers)
    assert broken.status_code == 400


async def test_every_fault_of_a_document_points_into_the_body(service: Running) -> None:
    document = titled("x")
    document["slots"][0]["accepts"] = "finess > 900"
    document["slots"][1]["accepts"] = "grade >="
    answer = await service.client.post("/v1/definitions", json={"document": document}, headers=service.collector())
    assert answer.status_code == 422
    errors = answer.json()["errors"]
    assert [error["pointer"] for error in errors] == ["/document/slots/0/accepts", "/document/slots/1/accepts"]
    assert "did you mean 'fineness'" in errors[0]["message"]
    assert (errors[0]["line"], errors[0]["column"]) == (1, 1)


async def test_a_published_revision_never_changes_and_the_next_draft_follows_it(service: Running) -> None:
    owner = service.collector()
    made = await drafted(service, owner, "First")
    where = made.headers["location"]
    first = await published(service, owner, made)
    assert (first.json()["status"], first.json()["revision"]) == ("published", 1)
    assert first.headers["location"] == f"{where}/revisions/1"
    # Without a draft the definition is its newest revision, and there is nothing to publish.
    head = await service.client.get(where, headers=owner)
    assert (head.json()["status"], head.json()["revision"]) == ("published", 1)
    nothing = await service.client.post(f"{where}/revisions", headers={**owner, "If-Match": head.headers["etag"]})
    assert nothing.status_code == 409
    redrafted = await service.client.put(
        where, json={"document": titled("Second")}, headers={**owner, "If-Match": head.headers["etag"]}
    )
    assert (redrafted.json()["status"], redrafted.json()["revision"]) == ("draft", 2)
    assert (await service.client.get(f"{where}/revisions/1", headers=owner)).json()["title"] == "First"
    assert (await service.client.get(f"{where}/revisions/2", headers=owner)).status_code == 404
    await published(service, owner, redrafted)
    listed = (await service.client.get(f"{where}/revisions", headers=owner)).json()["items"]
    assert [(entry["revision"], entry["title"]) for entry in listed] == [(1, "First"), (2, "Second")]
    assert (await service.client.get(f"{where}/revisions/1", headers=owner)).json() == {
        **first.json(),
    }


async def test_replacing_a_draft_needs_its_version(service: Running) -> None:
    owner = service.collector()
    made = await drafted(service, owner)
    where, sent = made.headers["location"], {"document": titled("Other")}
    assert (await service.client.put(where, json=sent, headers=owner)).status_code == 428
    headers = {**owner, "If-Match": made.headers["etag"]}
    assert (await service.client.put(where, json=sent, headers=headers)).status_code == 200
    assert (await service.client.put(where, json=sent, headers=headers)).status_code == 412
    assert (await service.client.post(f"{where}/revisions", headers=headers)).status_code == 412
    assert (await service.client.delete(where, headers=headers)).status_code == 412


async def test_only_what_was_never_published_can_be_deleted(service: Running) -> None:
    owner = service.collector()
    made = await drafted(service, owner)
    where = made.headers["location"]
    assert (await service.client.delete(where, headers={**owner, "If-Match": made.headers["etag"]})).status_code == 204
    assert (await service.client.get(where, headers=owner)).status_code == 404
    kept = await drafted(service, owner)
    answer = await published(service, owner, kept)
    headers = {**owner, "If-Match": answer.headers["etag"]}
    refused = await service.client.delete(kept.headers["location"], headers=headers)
    assert refused.status_code == 409


async def test_a_list_shows_each_definition_once_with_its_draft_first(service: Running) -> None:
    owner = service.collector()
    made = await drafted(service, owner, "Published")
    answer = await published(service, owner, made)
    where = made.headers["location"]
    await service.client.put(
        where, json={"document": titled("Next")}, headers={**owner, "If-Match": answer.headers["etag"]}
    )
    await published(service, owner, await drafted(service, owner, "Only"))
    items = (await service.client.get("/v1/definitions", headers=owner)).json()["items"]
    assert [(item["title"], item["status"], item["revision"]) for item in items] == [
        ("Next", "draft", 2),
        ("Only", "published", 1),
    ]


async def test_my_evaluation_is_not_computed_again_for_whoever_has_it(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    owner = service.collector()
    made = await drafted(service, owner)
    where = f"{made.headers['location']}/evaluation?today=2026-11-25"
    await service.client.post("/v1/holdings", json={"facts": {"denomination": "crown", "grade": 30}}, headers=owner)
    first = await service.client.get(where, headers=owner)
    assert first.status_code == 200, first.text
    assert first.json()["summary"]["filled"] == 1
    assert first.json()["definition"]["id"] == made.json()["id"]
    known = {**owner, "If-None-Match": first.headers["etag"]}

    def never(_: object) -> None:
        raise AssertionError("computed again")

    with monkeypatch.context() as patched:
        patched.setattr("service.progress.actions.evaluate.evaluated", never)
        again = await service.client.get(where, headers=known)
        assert (again.status_code, again.content) == (304, b"")
    # A holding more, another day, another document: each is another answer.
    other_day = await service.client.get(where.replace("=2026-11-25", "=2026-11-26"), headers=known)
    assert other_day.status_code == 200
    await service.client.post("/v1/holdings", json={"facts": {"denomination": "crown", "grade": 60}}, headers=owner)
    more = await service.client.get(where, headers=known)
    assert (more.status_code, more.json()["summary"]["filled"]) == (200, 2)
    document = titled("Other")
    await service.client.put(
        made.headers["location"], json={"document": document}, headers={**owner, "If-Match": made.headers["etag"]}
    )
    changed = await service.client.get(where, headers={**owner, "If-None-Match": more.headers["etag"]})
    assert changed.status_code == 200


@pytest.mark.parametrize("part", ["reference.edition", "engine_version", "ENGINE"])
async def test_another_edition_or_engine_makes_a_known_evaluation_old(
    service: Running, monkeypatch: pytest.MonkeyPatch, part: str
) -> None:
    owner = service.collector()
    made = await drafted(service, owner)
    where = f"{made.headers['location']}/evaluation?today=2026-11-25"
    first = await service.client.get(where, headers=owner)
    known = {**owner, "If-None-Match": first.headers["etag"]}
    assert (await service.client.get(where, headers=known)).status_code == 304
    monkeypatch.setattr(
        f"service.progress.actions.editions.{part}", "next" if part.endswith("ENGINE") else lambda: "next"
    )
    assert (await service.client.get(where, headers=known)).status_code == 200


async def test_only_held_coins_count_and_a_revision_can_be_asked_for(service: Running) -> None:
    owner = service.collector()
    made = await drafted(service, owner)
    await published(service, owner, made)
    where = f"{made.headers['location']}/evaluation"
    coin = {"facts": {"denomination": "crown", "grade": 30}, "status": "sold"}
    await service.client.post("/v1/holdings", json=coin, headers=owner)
    answer = await service.client.get(f"{where}?revision=1", headers=owner)
    assert (answer.status_code, answer.json()["summary"]["filled"]) == (200, 0)
    assert (await service.client.get(f"{where}?revision=2", headers=owner)).status_code == 404
    for query in ("revision=0", "revision=x", "today=yesterday", "day=2026-01-01", "revision=99999999999999999999"):
        assert (await service.client.get(f"{where}?{query}", headers=owner)).status_code == 422, query


async def test_a_stored_fact_that_no_longer_fits_is_left_out_and_told(service: Running) -> None:
    owner = service.collector()
    coin = {"facts": {"spots": "three"}, "issue": "nowhere-1"}
    held = await service.client.post("/v1/holdings", json=coin, headers=owner)
    document = {
        "format": "set-definition/1",
        "title": "Counted",
        "attributes": [{"name": "spots", "type": "integer"}],
        "slots": [{"id": "a", "label": "A", "accepts": "spots = 3"}],
    }
    made = await service.client.post("/v1/definitions", json={"document": document}, headers=owner)
    answer = await service.client.get(f"{made.headers['location']}/evaluation", headers=owner)
    assert answer.status_code == 200, answer.text
    assert answer.json()["summary"]["tentative"] == 1
    ignored = [(entry["holding"], entry["pointer"]) for entry in answer.json()["ignored_facts"]]
    assert ignored == [(held.json()["id"], "/facts/spots"), (held.json()["id"], "/issue")]


FORMS = {
    "bare JSON": ("application/json", json.dumps(DOCUMENT)),
    "wrapped JSON": ("application/json", json.dumps({"document": DOCUMENT})),
    "bare YAML": ("application/yaml", yaml.safe_dump(DOCUMENT)),
    "wrapped YAML": ("application/yaml", yaml.safe_dump({"document": DOCUMENT})),
}


@pytest.mark.parametrize("form", FORMS)
async def test_a_document_comes_bare_or_wrapped_in_json_or_yaml(service: Running, form: str) -> None:
    owner, (kind, body) = service.collector(), FORMS[form]
    made = await service.client.post("/v1/definitions", content=body, headers={**owner, "Content-Type": kind})
    assert made.status_code == 201, made.text
    assert made.json()["document"] == DOCUMENT
    again = await service.client.put(
        made.headers["location"],
        content=body,
        headers={**owner, "Content-Type": kind, "If-Match": made.headers["etag"]},
    )
    assert again.status_code == 200, again.text
    wrong = body.replace("slots", "slotz")
    refused = await service.client.post("/v1/definitions", content=wrong, headers={**owner, "Content-Type": kind})
    at = "/document/slotz" if form.startswith("wrapped") else "/slotz"
    assert (refused.status_code, at in [fault["pointer"] for fault in refused.json()["errors"]]) == (422, True)


@pytest.mark.parametrize(
    ("body", "pointer", "words"),
    [
        ({"definition": DOCUMENT}, "/definition", "is in the member 'definition', which is not read"),
        ([DOCUMENT], "", "an object"),
        ("set-definition/1", "", "an object"),
    ],
)
async def test_a_wrong_wrapping_is_said_as_such(service: Running, body: Any, pointer: str, words: str) -> None:
    refused = await service.client.post("/v1/definitions", json=body, headers=service.collector())
    assert refused.status_code == 422
    (fault,) = refused.json()["errors"]
    assert (fault["code"], fault["pointer"]) == ("wrapping", pointer)
    assert words in fault["message"]
    assert '{"document": {...}}' in fault["hint"]
