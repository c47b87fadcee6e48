"""POST /v1/definition-checks over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import Running
from tests.http.examples import CHECK, DOCUMENT
from tests.http.test_definitions import FORMS

pytestmark = pytest.mark.anyio


async def check(service: Running, document: Any, headers: dict[str, str] | None = None, **more: Any) -> Any:
    body = {**CHECK, "definition": document, **more}
    return await service.client.post("/v1/definition-checks", json=body, headers=headers)


async def test_a_sound_definition_has_no_finding_and_needs_no_account(service: Running) -> None:
    answer = await check(service, DOCUMENT)
    assert answer.status_code == 200, answer.text
    body = answer.json()
    assert body["findings"] == []
    assert body["counts"] == {"error": 0, "warning": 0, "note": 0}
    assert body["definition"]["digest"].startswith("sha-256:")


@pytest.mark.parametrize("form", FORMS)
async def test_a_document_to_check_comes_bare_or_wrapped(service: Running, form: str) -> None:
    kind, body = FORMS[form]
    headers = {"Content-Type": kind}
    answer = await service.client.post("/v1/definition-checks", content=body, headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.json() == (await check(service, DOCUMENT)).json()
    wrong = body.replace("slots", "slotz")
    told = (await service.client.post("/v1/definition-checks", content=wrong, headers=headers)).json()
    assert "/slotz" in [finding["pointer"] for finding in told["findings"]]


async def test_findings_carry_an_example_that_evaluates_as_told(service: Running) -> None:
    slots = [{"id": "a", "accepts": "grade >= 20"}, {"id": "b", "accepts": "denomination = 'crown'"}]
    document = {**DOCUMENT, "slots": slots}
    (finding,) = (await check(service, document)).json()["findings"]
    assert (finding["code"], finding["severity"]) == ("overlap", "note")
    coin = {"id": "example", "facts": finding["example"]}
    told = (await service.client.post("/v1/explanations", json={"definition": document, "holding": coin})).json()
    assert [place["verdict"] for place in told["places"]] == ["yes", "yes"]


async def test_a_document_that_cannot_be_read_has_its_faults_as_findings(service: Running) -> None:
    slots = [{"id": "a", "accepts": "grade >> 20"}, {"id": "b", "accepts": "finess = 1"}]
    body = (await check(service, {**DOCUMENT, "slots": slots})).json()
    assert [(f["code"], f["pointer"]) for f in body["findings"]] == [
        ("syntax", "/slots/0/accepts"),
        ("unknown-attribute", "/slots/1/accepts"),
    ]
    assert "did you mean 'fineness'" in body["findings"][1]["message"]
    assert body["definition"]["digest"] is None


async def test_a_stored_draft_is_checked_for_its_owner_only(service: Running) -> None:
    mine = service.collector()
    stored = (await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=mine)).json()
    assert (await check(service, {"id": stored["id"]}, headers=mine)).json()["definition"]["id"] == stored["id"]
    assert (await check(service, {"id": stored["id"]})).status_code == 401


async def test_a_definition_kept_here_is_checked_at_its_own_address(service: Running) -> None:
    mine, stranger = service.collector(), service.collector()
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=mine)
    where, if_match = made.headers["location"], {**mine, "If-Match": made.headers["etag"]}
    published = await service.client.post(f"{where}/revisions", headers=if_match)
    slots = [*DOCUMENT["slots"], {"id": "none", "label": "None", "accepts": "grade < 1"}]
    draft = {"document": {**DOCUMENT, "slots": slots}}
    changed = await service.client.put(where, json=draft, headers={**mine, "If-Match": published.headers["etag"]})
    assert changed.status_code == 200, changed.text

    async def checked(query: str, headers: dict[str, str]) -> Any:
        return await service.client.get(f"{where}/check{query}", headers=headers)

    (finding,) = (await checked("", mine)).json()["findings"]
    assert (finding["code"], finding["pointer"]) == ("never", "/slots/2/accepts")
    first = (await checked("?revision=1", mine)).json()
    assert (first["findings"], first["definition"]["revision"]) == ([], 1)
    assert (await checked("?revision=9", mine)).status_code == 404
    assert (await checked("?revision=0", mine)).status_code == 422
    assert (await checked("", stranger)).status_code == 404
    assert (await service.client.get(f"{where}/check")).status_code == 401


async def test_other_members_of_the_body_are_refused_as_elsewhere(service: Running) -> None:
    answer = await check(service, DOCUMENT, issues=[{"id": "x", "facts": {"finess": 1}}])
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/issues/0/facts/finess"


async def publish(service: Running, document: Any, query: str = "") -> Any:
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": document}, headers=mine)
    assert made.status_code == 201, made.text
    headers = {**mine, "If-Match": made.headers["etag"]}
    return await service.client.post(f"{made.headers['location']}/revisions{query}", headers=headers)


async def test_a_draft_with_an_error_cannot_be_published(service: Running) -> None:
    slots = [*DOCUMENT["slots"], {"id": "none", "label": "None", "accepts": "grade < 1"}]
    for query in ("", "?acknowledged=true"):
        answer = await publish(service, {**DOCUMENT, "slots": slots}, query)
        assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[-1]) == (409, "unsound")
        (error,) = answer.json()["errors"]
        assert (error["code"], error["pointer"]) == ("never", "/slots/2/accepts")


async def test_a_warning_is_published_once_it_is_acknowledged(service: Running) -> None:
    slots = [*DOCUMENT["slots"], {"id": "twin", "label": "Twin", "accepts": DOCUMENT["slots"][0]["accepts"]}]
    refused = await publish(service, {**DOCUMENT, "slots": slots})
    assert refused.status_code == 409
    assert [error["code"] for error in refused.json()["errors"]] == ["same"]
    assert "acknowledged=true" in refused.json()["errors"][0]["hint"]
    assert (await publish(service, {**DOCUMENT, "slots": slots}, "?acknowledged=true")).status_code == 201


async def test_notes_do_not_stand_in_the_way(service: Running) -> None:
    slots = [{"id": "a", "accepts": "grade >= 20"}, {"id": "b", "accepts": "denomination = 'crown'"}]
    assert (await publish(service, {**DOCUMENT, "slots": slots})).status_code == 201
