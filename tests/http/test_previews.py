"""POST /v1/definition-previews and GET /v1/holdings/counts over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import Running
from tests.http.examples import DOCUMENT, PREVIEW

pytestmark = pytest.mark.anyio


async def preview(service: Running, headers: dict[str, str] | None = None, **body: Any) -> Any:
    answer = await service.client.post("/v1/definition-previews", json=body, headers=headers)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def test_a_preview_needs_no_account_and_says_all_at_once(service: Running) -> None:
    told = await preview(service, **PREVIEW)
    assert told["findings"] == []
    assert told["counts"] == {"error": 0, "warning": 0, "note": 0}
    assert told["holdings"] == {"coins": 2, "fit": 1, "may_fit": 1, "fit_nowhere": 0}
    # The brackets say nothing.
    assert [rule["text"] for rule in told["rules"]][1] == "denomination = 'crown' AND grade >= 40"
    assert told["rules"][0]["json"]["op"] == "and"
    assert told["in_words"][1] == "Worn crown: a crown, grade less than 40."
    assert told["named"]["coin-1"]["title"] == "crown; grade 45"


async def test_it_agrees_with_the_check_and_the_evaluation(service: Running) -> None:
    slots = [{"id": "a", "accepts": "grade >= 20"}, {"id": "b", "accepts": "denomination = 'crown'"}]
    body = {**PREVIEW, "definition": {**DOCUMENT, "slots": slots}}
    body["definition"].pop("examples", None)
    told = await preview(service, **body)
    check = {name: part for name, part in body.items() if name != "holdings"}
    checked = (await service.client.post("/v1/definition-checks", json=check)).json()
    assert told["findings"] == checked["findings"] != []
    assert told["definition"] == checked["definition"]
    evaluated = (await service.client.post("/v1/evaluations", json=body)).json()
    assert told["named"] == evaluated["named"]


async def test_a_draft_that_cannot_be_read_is_answered_all_the_same(service: Running) -> None:
    slots = [
        {"id": "a", "accepts": "grade > 20 AND finess = 1"},
        {"id": "b", "accepts": {"op": "=", "args": [{"property": "denomination"}, "penny"]}},
    ]
    told = await preview(service, definition={**DOCUMENT, "slots": slots, "layout": []})
    assert told["definition"]["digest"] is None
    assert told["holdings"] is None
    assert told["places"] == told["in_words"] == []
    wrong, right = told["rules"]
    assert (wrong["faults"][0]["line"], wrong["faults"][0]["column"]) == (1, 16)
    assert (right["text"], right["faults"]) == ("denomination = 'penny'", [])
    assert told["counts"]["error"] == len(told["findings"]) > 0


async def test_my_coins_and_a_draft_that_is_kept_here(service: Running) -> None:
    owner, other = service.collector(), service.collector()
    for grade in (10, 50, 60):
        facts = {"denomination": "crown", "grade": grade}
        made = await service.client.post("/v1/holdings", json={"facts": facts}, headers=owner)
        assert made.status_code == 201
    kept = (await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)).json()
    told = await preview(service, owner, definition={"id": kept["id"]}, holdings="mine")
    assert told["definition"]["id"] == kept["id"]
    assert told["holdings"]["fit"] == 3
    nothing = await preview(service, other, definition=DOCUMENT, holdings="mine")
    assert nothing["holdings"]["coins"] == 0
    body = {"definition": {"id": kept["id"]}, "holdings": "mine"}
    assert (await service.client.post("/v1/definition-previews", json=body)).status_code == 401
    assert (await service.client.post("/v1/definition-previews", json=body, headers=other)).status_code == 404


COINS: list[dict[str, Any]] = [
    {"facts": {"denomination": "crown", "year_on_coin": 1889, "main_motifs": ["kiwi"]}},
    {"facts": {"denomination": "crown", "year_on_coin": {"from": 1890, "to": 1899}}},
    {"facts": {"denomination": "penny", "year_on_coin": 1889}, "status": "sold"},
    {"facts": {"denomination": {"one_of": ["penny", "florin"]}}, "status": "for trade"},
    # What an issue says counts too.
    {"issue": "euro-de-1-00"},
]


async def test_counts_of_what_is_held(service: Running) -> None:
    owner, other = service.collector(), service.collector()
    for coin in COINS:
        made = await service.client.post("/v1/holdings", json=coin, headers=owner)
        assert made.status_code == 201, made.text

    async def counts(headers: dict[str, str], **query: str) -> Any:
        answer = await service.client.get("/v1/holdings/counts", params=query, headers=headers)
        assert answer.status_code == 200, answer.text
        return answer.json()

    told = await counts(owner, attribute="denomination")
    assert told["holdings"] == 4
    (found,) = told["attributes"]
    values = {one["value"]: (one["coins"], one["perhaps"]) for one in found["values"]}
    assert (values["crown"], values["penny"], values["florin"]) == ((2, 0), (0, 1), (0, 1))
    (years,) = (await counts(owner, attribute="year_on_coin"))["attributes"]
    # Of the euro the catalogue knows a span of years.
    assert (years["known"], years["ranges"]) == (3, 2)
    assert years["values"] == [{"value": 1889, "coins": 1, "perhaps": 0}]
    (motifs,) = (await counts(owner, attribute="main_motifs"))["attributes"]
    assert {"value": "bird", "coins": 0, "perhaps": 0, "with_narrower": 1} in motifs["values"]
    every = (await counts(owner))["attributes"]
    assert {one["attribute"] for one in every} >= {"denomination", "year_on_coin", "main_motifs", "issuer"}
    assert [one["known"] for one in every] == sorted((one["known"] for one in every), reverse=True)
    assert all("values" not in one for one in every)
    assert await counts(other) == {"holdings": 0, "attributes": []}
    refused = await service.client.get("/v1/holdings/counts", params={"attribute": "denominaton"}, headers=owner)
    assert refused.status_code == 422
    assert "did you mean 'denomination'" in refused.text
