"""Labels, notes and examples of a definition are kept to the letter on every way that a document takes."""

from __future__ import annotations

from typing import Any

import pytest
import yaml

from service.formats.strict_json import parse_yaml
from tests.conftest import Running
from tests.http import doors
from tests.http.examples import CHECK

pytestmark = pytest.mark.anyio

STORY = "Bought at a fair: 'two for one'.\nSecond line <b>, \N{OWL} and \u201cquotes\u201d."
CROWNS: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Crowns with a story",
    "slots": [
        {"id": "worn", "label": "Worn", "note": STORY, "accepts": "denomination = 'crown' AND grade < 40"},
        {"id": "sharp", "label": "y", "note": "no", "accepts": "denomination = 'crown' AND grade >= 40"},
    ],
    "one_per": [
        {
            "id": "years",
            "label": "Years",
            "note": "1:2",
            "attribute": "year_on_coin",
            "keys": {"from": "holdings"},
            "tier": "optional",
        }
    ],
    "free_choice": [{"id": "any", "label": "Any", "note": "#", "places": 1, "accepts": "grade > 0"}],
    "constraints": [{"id": "few", "label": "Few", "note": STORY, "kind": "at_most", "per": ["mint"], "count": 2}],
    "layout": [{"page": "One", "label": "The first page", "note": STORY, "slots": ["worn", "sharp"]}],
    "examples": [
        {"label": STORY, "facts": {"denomination": "crown", "grade": 12}, "fits": ["worn", "any"], "not": ["sharp"]}
    ],
}


@pytest.mark.parametrize("kind", ["json", "yaml"])
async def test_words_and_examples_are_kept_when_stored_copied_shared_and_imported(service: Running, kind: str) -> None:
    owner, other = service.collector(), service.collector()
    if kind == "json":
        made = await service.client.post("/v1/definitions", json={"document": CROWNS}, headers=owner)
    else:
        headers = {**owner, "Content-Type": "application/yaml"}
        text = yaml.safe_dump(CROWNS, allow_unicode=True)
        made = await service.client.post("/v1/definitions", content=text.encode(), headers=headers)
    assert made.status_code == 201, made.text
    where = made.headers["location"]
    assert (await service.client.get(where, headers=owner)).json()["document"] == CROWNS
    digest = made.json()["digest"]
    # Notes of the check (one coin may fit two places) do not stand in the way.
    published = await service.client.post(
        f"{where}/revisions", json={}, headers={**owner, "If-Match": made.headers["etag"]}
    )
    assert published.status_code == 201, published.text
    copied = await service.client.post(f"{where}/copies", json={}, headers=owner)
    assert (copied.json()["document"], copied.json()["digest"]) == (CROWNS, digest)
    share = await doors.shared(service, owner, made.json()["id"])
    link = share["link"].partition("/v1/")[2]
    answer = await service.client.get(f"/v1/{link}")
    assert (answer.json()["document"], answer.json()["digest"]) == (CROWNS, digest)
    text = (await service.client.get(f"/v1/{link}?format=yaml")).content
    assert parse_yaml(text) == CROWNS
    page = (await service.client.get(f"/v1/{link}?format=html")).text
    assert "<b>" not in page
    sent = {"document": parse_yaml(text)} if kind == "yaml" else {"document": CROWNS}
    started = await service.client.post("/v1/imports", json=sent, headers=other)
    assert started.status_code == 201, started.text
    kept = await service.client.post(f"{started.headers['location']}/confirmation", headers=other)
    assert (kept.json()["document"], kept.json()["digest"]) == (CROWNS, digest)
    evaluated = (await service.client.get(f"/v1/definitions/{kept.json()['id']}/evaluation", headers=other)).json()
    assert evaluated["slots"][0]["note"] == evaluated["pages"][0]["note"] == STORY
    assert (evaluated["pages"][0]["label"], evaluated["free_choice"][0]["note"]) == ("The first page", "#")


async def test_an_example_that_fails_is_an_error_that_prevents_publishing(service: Running) -> None:
    document = {
        **CROWNS,
        "examples": [{"label": "sharp", "facts": {"grade": 60}, "fits": ["any", "worn"], "not": ["sharp"]}],
    }
    body = {**CHECK, "definition": document}
    found = (await service.client.post("/v1/definition-checks", json=body)).json()
    errors = [finding for finding in found["findings"] if finding["severity"] == "error"]
    assert [(finding["code"], finding["pointer"]) for finding in errors] == [
        ("example-fails", "/examples/0/fits/1"),
        ("example-fails", "/examples/0/not/0"),
    ]
    assert errors[0]["message"] == "Example 'sharp' should fit 'Worn', but does not; it needs grade less than 40."
    owner = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": document}, headers=owner)
    headers = {**owner, "If-Match": made.headers["etag"]}
    refused = await service.client.post(f"{made.headers['location']}/revisions", json={}, headers=headers)
    assert refused.status_code == 409, refused.text
    assert "example-fails" in [fault["code"] for fault in refused.json()["errors"]]


async def test_a_wrong_address_in_an_example_is_a_fault_with_its_pointer(service: Running) -> None:
    document = {**CROWNS, "examples": [{"facts": {"grade": "sharp", "gread": 1}, "fits": ["wron"]}]}
    refused = await service.client.post("/v1/definitions", json={"document": document}, headers=service.collector())
    assert refused.status_code == 422
    assert [fault["pointer"] for fault in refused.json()["errors"]] == [
        "/document/examples/0/facts/grade",
        "/document/examples/0/facts/gread",
        "/document/examples/0/fits/0",
    ]
