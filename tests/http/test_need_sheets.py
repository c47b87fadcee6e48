"""Need sheets over HTTP: a reader says of coins what POST /v1/candidates says at the same stamps; a stale sheet is seen."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest

from service.http.responses import ENCODER
from service.progress.actions import need_sheets
from tests.conftest import Running
from tests.http.set_changes import SET, change, done, move_in
from tests.need_sheets.measured import COIN, difference
from tests.need_sheets.reader import read_sheets
from tests.set_definitions import NAMES
from tests.set_definitions import a_set as a_shipped_set

pytestmark = pytest.mark.anyio

COINS: tuple[dict[str, Any], ...] = (
    {"denomination": "penny", "grade": 30},
    {"denomination": "penny", "grade": 4},
    {"denomination": "penny"},
    {"denomination": "crown", "problems": []},
    {"denomination": "crown"},
    {"denomination": "florin", "grade": 12},
    {"denomination": "farthing", "main_motifs": []},
    {"main_motifs": ["quagga"], "denomination": "farthing"},
    {"main_motifs": ["animal"], "denomination": "farthing"},
    {"grade": 20},
)
STAMPS = ("definition", "holdings_state", "reference_edition", "engine_version", "evaluated_on")


async def sheets_of(service: Running, headers: dict[str, str]) -> dict[str, Any]:
    answer = await service.client.get("/v1/need-sheets", headers=headers)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = json.loads(answer.text, parse_float=Decimal)
    return found


async def differences(service: Running, headers: dict[str, str], document: dict[str, Any]) -> list[Any]:
    """Where a reader of the document says something else than the service says now."""
    sent = {"coins": [{"id": f"{COIN}{number}", "facts": facts} for number, facts in enumerate(COINS)]}
    answer = await service.client.post("/v1/candidates", json=sent, headers=headers)
    assert answer.status_code == 200, answer.text
    said = json.loads(answer.text, parse_float=Decimal)
    sheets = read_sheets(document)
    assert len(sheets) == len(said["sets"])
    found = []
    for one in said["sets"]:
        sheet = sheets[one["definition"]["id"]]
        for facts, candidate in zip(COINS, one["candidates"], strict=True):
            told = sheet.effect(facts)
            if difference(told, candidate) is not None:
                found.append((facts, told, candidate))
    return found


async def test_a_reader_says_what_the_service_says_and_a_stale_sheet_is_seen(service: Running) -> None:
    headers = service.collector()
    mine = await move_in(service.client, headers)
    for what in ("nothing", "state", "presumption", "decisions"):
        before = await sheets_of(service, headers)
        assert await differences(service, headers, before) == []
        if what != "nothing":
            await change(service.client, mine, what)
            now = await sheets_of(service, headers)
            assert [one["definition"] for one in now["sets"]] == [one["definition"] for one in before["sets"]]
            if what == "state":
                # A better penny came: what the old sheet says of it is told apart by the stamp, and is wrong.
                assert now["holdings_state"] != before["holdings_state"]
                assert await differences(service, headers, before) != []
            assert await differences(service, headers, now) == []
    effects = {sheet.effect(facts)["effect"] for sheet in read_sheets(now).values() for facts in COINS}
    assert {"spare", "betters", "outside", "undecided"} <= effects


async def test_a_sheet_has_the_stamps_of_its_answers_and_a_tag(service: Running) -> None:
    headers = service.collector()
    await move_in(service.client, headers)
    answer = await service.client.get("/v1/need-sheets", headers=headers)
    document = answer.json()
    evaluation = (
        await service.client.get(
            f"/v1/definitions/{document['sets'][0]['definition']['id']}/evaluation", headers=headers
        )
    ).json()
    assert {name: document["sets"][0][name] for name in STAMPS} == {name: evaluation[name] for name in STAMPS}
    assert document["format"] == "need-sheet/1"
    tag = answer.headers["etag"]
    same = await service.client.get("/v1/need-sheets", headers={**headers, "If-None-Match": tag})
    assert (same.status_code, same.content) == (304, b"")
    other = await service.client.get("/v1/need-sheets?today=2026-01-02", headers={**headers, "If-None-Match": tag})
    assert (other.status_code, other.json()["evaluated_on"]) == (200, "2026-01-02")


async def test_whoever_has_no_sets_has_an_empty_document(service: Running) -> None:
    document = await sheets_of(service, service.collector())
    assert (document["sets"], document["vocabularies"]) == ([], {})
    assert (await service.client.get("/v1/need-sheets")).status_code == 401


async def test_a_set_that_cannot_be_evaluated_says_so_and_more_sets_than_may_be_are_refused(
    service: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    headers = service.collector()
    await move_in(service.client, headers)
    preference = {**SET, "title": "Steep", "prefer": [{"highest": "weight_measured"}]}
    await done(service.client, headers, "POST", "/v1/definitions", {"document": preference})
    for weight in (1e60, 1e-30):
        fact = {"facts": {"denomination": "penny", "weight_measured": weight}}
        await done(service.client, headers, "POST", "/v1/holdings", fact)
    document = await sheets_of(service, headers)
    asked = {one["title"]: one["ask"] for one in document["sets"]}
    assert asked["One of each"] is None
    assert "2^60" in asked["Steep"]
    assert {sheet.effect(COINS[0])["effect"] for sheet in read_sheets(document).values()} >= {"ask"}
    monkeypatch.setattr(need_sheets, "MOST_SETS", 2)
    refused = await service.client.get("/v1/need-sheets?today=2026-02-03", headers=headers)
    assert (refused.status_code, refused.json()["type"].rpartition("/")[2]) == (422, "over-limit")


async def test_the_shipped_sets_are_answered_offline_as_online(service: Running) -> None:
    headers = service.collector()
    for name in NAMES:
        document = json.loads(ENCODER.encode(a_shipped_set(name).definition.document))
        await done(service.client, headers, "POST", "/v1/definitions", {"document": document})
    for facts in COINS:
        await done(service.client, headers, "POST", "/v1/holdings", {"facts": facts})
    document = await sheets_of(service, headers)
    assert await differences(service, headers, document) == []
    assert len(document["vocabularies"]) >= 2
