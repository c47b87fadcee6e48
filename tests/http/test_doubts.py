"""Over HTTP: which unknown fact of my coins changes most."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import Running
from tests.http.named import ensure_named

pytestmark = pytest.mark.anyio


def a_set(title: str, accepts: str) -> dict[str, Any]:
    slots = [{"id": "one", "label": "One", "accepts": accepts}]
    return {"document": {"format": "set-definition/1", "title": title, "slots": slots}}


async def kept(service: Running, owner: dict[str, str], **sets: str) -> list[str]:
    found = []
    for title, accepts in sets.items():
        made = await service.client.post("/v1/definitions", json=a_set(title, accepts), headers=owner)
        found.append(made.json()["id"])
    return found


async def hold(service: Running, owner: dict[str, str], number: str, **holding: Any) -> str:
    made = await service.client.post("/v1/holdings", json={"number": number, **holding}, headers=owner)
    assert made.status_code == 201, made.text
    return str(made.json()["id"])


async def test_the_fact_that_helps_two_sets_comes_before_the_one_that_helps_one(service: Running) -> None:
    owner = service.collector()
    ids = await kept(
        service, owner, Old="year_on_coin < 1850", Middle="year_on_coin BETWEEN 1840 AND 1860", Fine="grade >= 40"
    )
    worn = await hold(service, owner, "A-1", facts={"year_on_coin": {"one_of": [1845, 1861]}, "grade": 3})
    vague = await hold(service, owner, "A-2", facts={"year_on_coin": 1900, "grade": {"from": 35, "to": 45}})
    answer = await service.client.get("/v1/doubts", headers=owner)
    assert answer.status_code == 200, answer.text
    found = answer.json()
    assert sorted(one["definition"]["id"] for one in found["sets"]) == sorted(ids)
    assert [(e["holding"], e["number"], e["attributes"], e["best"]["certain_gain"]) for e in found["facts"]] == [
        (worn, "A-1", ["year_on_coin"], 2),
        (vague, "A-2", ["grade"], 1),
    ]
    assert found["facts"][0]["worst"]["possible_gain"] == -2
    assert ensure_named(found) == 2
    assert [found["named"][one]["number"] for one in (worn, vague)] == ["A-1", "A-2"]
    assert found["facts"][0]["look_at"]["year_on_coin"].startswith("reverse")
    # What it says comes true: with the fact recorded both sets have the place for certain.
    tag = (await service.client.get(f"/v1/holdings/{worn}", headers=owner)).headers["etag"]
    headers = {**owner, "If-Match": tag, "Content-Type": "application/merge-patch+json"}
    patch = {"facts": {"year_on_coin": {"one_of": [1845]}}}
    assert (await service.client.patch(f"/v1/holdings/{worn}", json=patch, headers=headers)).status_code == 200
    after = (await service.client.get("/v1/doubts", headers=owner)).json()
    assert [e["holding"] for e in after["facts"]] == [vague]
    only = (await service.client.get(f"/v1/doubts?definition={ids[0]}", headers=owner)).json()
    assert (only["facts"], len(only["sets"])) == ([], 1)


async def test_candidate_issues_come_with_the_features_that_tell_them_apart(service: Running) -> None:
    owner = service.collector()
    await kept(service, owner, Cents="denomination = '1 euro cent'")
    coin = await hold(service, owner, "B-1", issue={"one_of": ["euro-de-0-01", "euro-de-0-02", "euro-de-0-05"]})
    found = (await service.client.get("/v1/doubts", headers=owner)).json()
    (features,) = found["features"]
    assert features["holding"] == coin
    # Council Regulation (EU) 729/2014, Annex I: 16.25, 18.75 and 21.25 mm; one look at the size or the value is enough.
    assert len(features["features"]) == 1
    assert len(set(map(str, features["features"][0]["values"].values()))) == 3
    (entry,) = found["facts"]
    assert (entry["attributes"], entry["best"]["values"]) == (["issue"], {"issue": "euro-de-0-01"})


async def test_what_is_asked_wrongly_is_refused(service: Running) -> None:
    owner, stranger = service.collector(), service.collector()
    (mine,) = await kept(service, owner, Old="year_on_coin < 1850")
    assert (await service.client.get("/v1/doubts")).status_code == 401
    assert (await service.client.get(f"/v1/doubts?definition={mine}", headers=stranger)).status_code == 404
    assert (await service.client.get("/v1/doubts?definition=x", headers=owner)).status_code == 404
    assert (await service.client.get("/v1/doubts?today=tomorrow", headers=owner)).status_code == 422
    assert (await service.client.get("/v1/doubts?sets=1", headers=owner)).status_code == 422
    empty = (await service.client.get("/v1/doubts", headers=stranger)).json()
    assert (empty["sets"], empty["facts"], empty["features"], empty["left_out"]) == ([], [], [], 0)
