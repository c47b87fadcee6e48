"""Stateless evaluations and explanations over HTTP."""

from __future__ import annotations

import threading
from typing import Any

import anyio
import pytest

from service.progress import evaluate as progress
from service.progress.result import Evaluation
from tests.conftest import Running, running, settings_for
from tests.http.examples import DOCUMENT, EVALUATION, EXPLANATION

pytestmark = pytest.mark.anyio


async def evaluate(service: Running, headers: dict[str, str] | None = None, **changes: Any) -> Any:
    return await service.client.post("/v1/evaluations", json={**EVALUATION, **changes}, headers=headers)


def pointers(answer: Any) -> list[str]:
    assert answer.status_code == 422, answer.text
    return [error["pointer"] for error in answer.json()["errors"]]


async def test_everything_inline_needs_no_account(service: Running) -> None:
    answer = await evaluate(service)
    assert answer.status_code == 200, answer.text
    body = answer.json()
    assert (body["summary"]["filled"], body["summary"]["tentative"]) == (1, 1)
    assert {slot["place"]: slot["holding"] for slot in body["slots"]} == {"sharp": "coin-1", "worn": "coin-2"}
    assert body["evaluated_on"] == "2026-11-25"
    assert body["reference_edition"]


async def test_the_same_body_gives_the_same_bytes(service: Running) -> None:
    first = await evaluate(service)
    turned = await evaluate(service, holdings=list(reversed(EVALUATION["holdings"])))
    assert (await evaluate(service)).content == first.content == turned.content


async def test_a_body_may_come_as_yaml(service: Running) -> None:
    text = """
definition:
  format: set-definition/1
  title: Crowns
  slots: [{id: a, label: A, accepts: "denomination = 'crown'"}]
holdings: [{id: c, facts: {denomination: crown}}]
"""
    answer = await service.client.post("/v1/evaluations", content=text, headers={"Content-Type": "application/yaml"})
    assert (answer.status_code, answer.json()["summary"]["filled"]) == (200, 1)


@pytest.mark.parametrize(
    ("form", "media_type", "words"),
    [
        ("text", "text/plain", "fits no place. Closest: 'Worn crown'; it"),
        ("html", "text/html", "<td>possible</td><td>coin-2</td>"),
        ("csv", "text/csv", "worn,Worn crown,required,possible,coin-2,"),
    ],
)
async def test_an_evaluation_to_print(service: Running, form: str, media_type: str, words: str) -> None:
    extra = {"id": "coin-3", "facts": {"denomination": "shilling", "grade": 3}}
    body = {**EVALUATION, "holdings": [*EVALUATION["holdings"], extra]}
    asked = await service.client.post(f"/v1/evaluations?format={form}", json=body)
    accepted = await service.client.post("/v1/evaluations", json=body, headers={"Accept": media_type})
    assert asked.status_code == accepted.status_code == 200
    assert asked.headers["content-type"] == f"{media_type}; charset=utf-8"
    assert asked.text == accepted.text
    assert words in asked.text
    # JSON wins where the query says so; another form is refused with the place.
    plain = await service.client.post("/v1/evaluations?format=json", json=body, headers={"Accept": media_type})
    assert plain.json()["summary"]["filled"] == 1
    wrong = await service.client.post("/v1/evaluations?format=pdf", json=body)
    assert wrong.status_code == 422
    if form != "csv":
        assert "no valuation" in asked.text


async def test_a_stored_evaluation_to_print_has_a_tag_for_each_form(service: Running) -> None:
    mine = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=mine)
    where = f"{made.headers['location']}/evaluation"
    tags = set()
    for form in ("json", "text", "html", "csv"):
        answer = await service.client.get(f"{where}?format={form}", headers=mine)
        assert answer.status_code == 200
        tags.add(tag := answer.headers["etag"])
        again = await service.client.get(f"{where}?format={form}", headers={**mine, "If-None-Match": tag})
        assert again.status_code == 304
    assert len(tags) == 4


async def test_what_is_kept_here_needs_an_account(service: Running) -> None:
    assert (await evaluate(service, holdings="mine")).status_code == 401
    assert (await evaluate(service, definition={"id": "0191aaaa-0000-7000-8000-000000000000"})).status_code == 401
    assert (await evaluate(service, headers={"Authorization": "Bearer swt_wrong"})).status_code == 401


async def test_kept_and_inline_parts_mix(service: Running) -> None:
    owner = service.collector()
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
    coin = {"facts": {"denomination": "crown", "grade": 30}}
    held = await service.client.post("/v1/holdings", json=coin, headers=owner)
    identity = made.json()["id"]
    kept = await evaluate(service, owner, definition={"id": identity})
    assert kept.json()["definition"] == {"id": identity, "revision": 1, "digest": made.json()["digest"]}
    mine = await evaluate(service, owner, holdings="mine")
    assert mine.json()["slots"][0]["holding"] == held.json()["id"]
    assert mine.json()["holdings_state"].startswith("1.")
    both = await evaluate(service, owner, definition={"id": identity, "revision": 1}, holdings="mine")
    assert both.json()["summary"]["filled"] == 1
    assert (await evaluate(service, owner, definition={"id": identity, "revision": 2})).status_code == 404
    assert (await evaluate(service, service.collector(), definition={"id": identity})).status_code == 404


async def test_faults_of_every_part_are_told_at_once(service: Running) -> None:
    holdings = [{"id": "a", "facts": {"grade": 99}}, {"id": "a", "facts": {"finess": 1}}]
    issues = [{"id": "i", "facts": {"weight": "heavy"}}]
    assert pointers(await evaluate(service, holdings=holdings, issues=issues)) == [
        "/issues/0/facts/weight",
        "/holdings/0/facts/grade",
        "/holdings/1/facts/finess",
        "/holdings/1/id",
    ]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"holdings": "yours"}, ["/holdings"]),
        ({"holdings": {}}, ["/holdings"]),
        ({"definition": []}, ["/definition"]),
        ({"definition": "x"}, ["/definition"]),
        ({"definition": {"id": 3}}, ["/definition/id"]),
        ({"definition": {"id": "x", "revison": 3}}, ["/definition/revison"]),
        (
            {"definition": {**DOCUMENT, "slots": [{"id": "a", "label": "A", "accepts": "x ="}]}},
            ["/definition/slots/0/accepts"],
        ),
        ({"budget_seconds": 0}, ["/budget_seconds"]),
        ({"budget_seconds": 61, "today": "tomorrow"}, ["/today", "/budget_seconds"]),
        ({"today": "2026-02-30"}, ["/today"]),
        ({"pins": [{"holding": "coin-1"}]}, ["/pins/0/place"]),
        ({"previous": [{"place": "worn", "holding": ""}]}, ["/previous/0/holding"]),
        ({"hodlings": []}, ["/hodlings"]),
        (
            {"vocabularies": [{"name": "v", "concepts": [{"id": "a", "broader": ["b"]}]}]},
            ["/vocabularies/0/concepts/0/broader/0"],
        ),
        (
            {"vocabularies": [{"name": "v", "concepts": [{"id": "a", "ended": "long ago"}]}]},
            ["/vocabularies/0/concepts/0/ended"],
        ),
        (
            {
                "vocabularies": [
                    {"name": "v", "concepts": [{"id": "a", "started": "1900-01-01", "ended": "1900-01-01"}]},
                    {
                        "name": "w",
                        "concepts": [
                            {"id": "b", "started": "1990-01-01", "ended": "1989-12-31"},
                            {"id": "c", "ended": "1990-10-02", "current": True},
                        ],
                    },
                ]
            },
            ["/vocabularies/1/concepts/0/ended", "/vocabularies/1/concepts/1/current"],
        ),
        ({"issues": [{"id": "a", "facts": {}}, {"id": "a", "facts": {}}]}, ["/issues/1/id"]),
        ({"holdings": [{"id": "a", "issue": "nowhere"}]}, ["/holdings/0/issue"]),
    ],
)
async def test_what_does_not_fit_is_refused_with_its_place(
    service: Running, changes: dict[str, Any], expected: list[str]
) -> None:
    assert pointers(await evaluate(service, **changes)) == expected


async def test_the_callers_own_reference_data_counts(service: Running) -> None:
    definition = {
        "format": "set-definition/1",
        "title": "Lost lands",
        "attributes": [{"name": "land", "type": "text", "vocabulary": "lands"}],
        "slots": [{"id": "a", "label": "A", "accepts": "narrower(land, 'north')"}],
    }
    vocabularies = [{"name": "lands", "concepts": [{"id": "north"}, {"id": "isle", "broader": ["north"]}]}]
    issues = [{"id": "isle-1", "facts": {"land": "isle"}}]
    answer = await evaluate(
        service,
        definition=definition,
        vocabularies=vocabularies,
        issues=issues,
        holdings=[{"id": "c", "issue": "isle-1"}],
    )
    assert answer.status_code == 200, answer.text
    assert answer.json()["summary"]["filled"] == 1


async def test_pins_nevers_and_previous_placements_are_heeded(service: Running) -> None:
    holdings = [
        {"id": "x", "facts": {"denomination": "crown", "grade": 30}},
        {"id": "y", "facts": {"denomination": "crown", "grade": 30}},
    ]

    async def sitting(**changes: Any) -> str:
        body = (await evaluate(service, holdings=holdings, **changes)).json()
        return str(next(slot["holding"] for slot in body["slots"] if slot["place"] == "worn"))

    assert await sitting() == "x"
    assert await sitting(pins=[{"holding": "y", "place": "worn"}]) == "y"
    assert await sitting(nevers=[{"holding": "x", "place": "worn"}]) == "y"
    assert await sitting(previous=[{"place": "worn", "holding": "y"}]) == "y"


async def test_an_explanation_names_what_would_settle_a_doubt(service: Running) -> None:
    answer = await service.client.post("/v1/explanations", json=EXPLANATION)
    assert answer.status_code == 200, answer.text
    (place,) = answer.json()["places"]
    assert (place["place"], place["verdict"]) == ("sharp", "undecided")
    assert "grade" in answer.text
    everywhere = await service.client.post("/v1/explanations", json={**EXPLANATION, "place": None})
    assert [place["place"] for place in everywhere.json()["places"]] == ["worn", "sharp"]
    plain = await service.client.post("/v1/explanations", json=EXPLANATION, headers={"Accept": "text/plain"})
    assert plain.headers["content-type"] == "text/plain; charset=utf-8"
    assert len(plain.text.splitlines()) == 3
    assert "may belong in" in plain.text


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"place": "shrap"}, "/place"),
        ({"holding": {"id": "a", "facts": {"grade": 99}}}, "/holding/facts/grade"),
        ({"holding": {"id": "a", "issue": "nowhere"}}, "/holding/issue"),
        ({"holding": []}, "/holding"),
        ({"holding": "not-an-id"}, "/holding"),
    ],
)
async def test_an_explanation_that_cannot_be_given_says_why(
    service: Running, changes: dict[str, Any], expected: str
) -> None:
    answer = await service.client.post("/v1/explanations", json={**EXPLANATION, **changes})
    assert pointers(answer) == [expected]


async def test_a_stored_holding_is_explained_to_its_owner_only(service: Running) -> None:
    owner = service.collector()
    held = await service.client.post("/v1/holdings", json={"facts": {"denomination": "crown"}}, headers=owner)
    asked = {**EXPLANATION, "holding": held.json()["id"]}
    assert (await service.client.post("/v1/explanations", json=asked)).status_code == 401
    assert (await service.client.post("/v1/explanations", json=asked, headers=service.collector())).status_code == 404
    answer = await service.client.post("/v1/explanations", json=asked, headers=owner)
    assert answer.json()["holding"] == held.json()["id"]


async def test_past_the_queue_the_answer_is_503_and_others_are_served_meanwhile(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    door, at_once = threading.Event(), progress.evaluate

    def slow(request: progress.EvaluationRequest) -> Evaluation:
        door.wait(20)
        return at_once(request)

    monkeypatch.setattr("service.progress.actions.evaluate.evaluate", slow)
    async with running(settings_for(database_url, solves_at_once=1, solves_waiting=1)) as service:
        statuses: list[int] = []

        async def ask() -> None:
            statuses.append((await evaluate(service)).status_code)

        async with anyio.create_task_group() as group:
            group.start_soon(ask)
            group.start_soon(ask)
            await anyio.sleep(0.2)
            refused = await evaluate(service)
            assert refused.status_code == 503
            assert int(refused.headers["retry-after"]) > 0
            owner = service.collector()
            assert (await service.client.post("/v1/holdings", json={}, headers=owner)).status_code == 201
            door.set()
        assert statuses == [200, 200]
