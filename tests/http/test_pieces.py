"""The check of a piece over HTTP (figures: tests/shipped_data/check_values.json names the laws)."""

from __future__ import annotations

from typing import Any

import pytest

from tests.conftest import Running
from tests.http.examples import PIECE_CHECK

pytestmark = pytest.mark.anyio

# 31 U.S.C. 5113(a): 0.13 g either way; 3.11 g of the one alloy, 2.5 g of the other.
COPPER, ZINC = "us-cent-1982-copper", "us-cent-1982-zinc"


async def checked(service: Running, headers: dict[str, str] | None = None, **body: Any) -> dict[str, Any]:
    answer = await service.client.post("/v1/piece-checks", json=body, headers=headers)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


async def refused(service: Running, **body: Any) -> list[tuple[str, str]]:
    answer = await service.client.post("/v1/piece-checks", json=body)
    assert answer.status_code == 422, answer.text
    return [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]]


async def a_holding(service: Running, mine: dict[str, str], **content: Any) -> str:
    made = await service.client.post("/v1/holdings", json=content, headers=mine)
    assert made.status_code == 201, made.text
    identity: str = made.json()["id"]
    return identity


async def test_a_tolerance_says_whether_it_is_the_laws(service: Running) -> None:
    found = await checked(service, issue="gb-florin-925", measured={"weight_measured": 11.3, "thickness": 2})
    told = {test["attribute"]: (test["tolerance"], test["tolerance_from"]) for test in found["tests"]}
    assert told["weight_measured"][1] == "common practice"
    assert told["thickness"] == (None, None)


async def test_a_light_cent_of_1982_is_of_the_other_alloy(service: Running) -> None:
    found = await checked(service, **PIECE_CHECK)
    assert (found["verdict"], found["remaining"], found["settled"]) == ("impossible", [ZINC], True)
    weight = found["tests"][0]
    assert (weight["published"], weight["tolerance"], weight["tolerance_from"]) == (3.11, 0.13, "law")
    assert weight["measured"] == {"from": 2.45, "to": 2.55}
    assert "31 U.S.C. 5113" in weight["source"]
    verdicts = {one["issue"]: one["verdict"] for one in found["look_alikes"]}
    assert verdicts == {
        ZINC: "consistent", "us-cent-1873": "impossible", "us-cent-1943-steel": "impossible",
    }  # fmt: skip
    assert found["reference_edition"]


async def test_weight_cannot_settle_a_florin_of_1920_and_says_what_would(service: Running) -> None:
    found = await checked(service, issue="gb-florin-925", measured={"weight_measured": 11.31, "year_on_coin": 1920})
    assert (found["verdict"], found["settled"]) == ("consistent", False)
    assert found["remaining"] == ["gb-florin-925", "gb-florin-500"]
    assert [(one["attribute"], one["tells"]) for one in found["would_tell"]] == [
        ("fineness", "by a professional"),
        ("weight_measured", "no"),
    ]


async def test_the_fine_weight_names_its_rule_and_keeps_the_fraction(service: Running) -> None:
    found = await checked(service, issue="gb-sovereign", measured={"weight_measured": {"from": 7.9, "to": 8.0}})
    by_law, printed, measured = found["fine_weight"]
    # 934 1/2 sovereigns from 20 troy pounds of 22 carat gold: 0.235420 oz, exactly 440/1869 (uk.sovereign.agw).
    assert (by_law["rule"], by_law["exact_troy_ounces"]) == ("legal weight x legal fineness", "440/1869")
    assert (by_law["troy_ounces"], by_law["places"]["troy_ounces"]) == (0.235420, 6)
    assert printed["rule"] == "printed weight x printed fineness"
    assert printed["exact_troy_ounces"] != by_law["exact_troy_ounces"]
    assert measured["grams"] == {"from": 7.2417, "to": 7.3333}
    assert measured["exact_grams"] == {"from": "869/120", "to": "22/3"}


async def test_numbers_keep_their_digits(service: Running) -> None:
    body = b'{"issue": "thaler-1780", "measured": {"weight_measured": 28.06680000000000000001}}'
    headers = {"Content-Type": "application/json"}
    answer = await service.client.post("/v1/piece-checks", content=body, headers=headers)
    assert b'"measured":28.06680000000000000001' in answer.content


async def test_an_issue_and_its_look_alikes_may_be_inline(service: Running) -> None:
    first = {"id": "ambria-1", "facts": {"weight_legal": 10, "weight_tolerance": 0.1, "material": "bronze"}}
    second = {"id": "ambria-2", "label": "The other", "facts": {"weight_legal": 8, "weight_tolerance": 0.1}}
    found = await checked(service, issue=first, look_alikes=[second, COPPER], measured={"weight_measured": 8.05})
    assert (found["verdict"], found["remaining"], found["settled"]) == ("impossible", ["ambria-2"], True)
    assert found["look_alikes"][0]["label"] == "The other"
    assert found["tests"][0]["source"] == ""
    assert found["fine_weight"] == []


async def test_no_look_alikes_are_compared_where_none_are_wanted(service: Running) -> None:
    found = await checked(service, issue=COPPER, look_alikes=[], measured={"weight_measured": 3.1})
    assert (found["look_alikes"], found["remaining"], found["settled"]) == ([], [COPPER], False)
    assert any("No look-alikes were compared" in caution for caution in found["cautions"])


async def test_the_cautions_are_always_there(service: Running) -> None:
    found = await checked(service, issue="gb-penny-bronze", measured={})
    text = " ".join(found["cautions"])
    for words in ("no authentication and no valuation", "Never clean", "qualified professional"):
        assert words in text
    assert "local law" not in text
    silver = await checked(service, issue="gb-florin-925", measured={})
    assert "local law on export, cultural property and tax" in " ".join(silver["cautions"])
    assert silver["verdict"] == "cannot tell"


async def test_a_mounted_coin_is_not_judged_by_its_weight(service: Running) -> None:
    measured = {"weight_measured": 9.4, "problems": ["mounted"]}
    found = await checked(service, issue="gb-sovereign", measured=measured)
    assert (found["verdict"], found["tests"][0]["verdict"]) == ("cannot tell", "cannot tell")
    assert "mounted" in found["tests"][0]["why"]
    (told,) = [one for one in found["fine_weight"] if one["rule"].startswith("measured")]
    assert (told["grams"], told["troy_ounces"], told["exact_grams"]) == (None, None, None)


async def test_my_holding_is_held_against_its_issue(service: Running) -> None:
    mine = service.collector()
    kept = await a_holding(service, mine, issue=COPPER, facts={"weight_measured": 2.5, "year_on_coin": 1982})
    found = await checked(service, mine, holding=kept)
    assert (found["issue"], found["verdict"], found["remaining"]) == (COPPER, "impossible", [ZINC])
    other = await checked(service, mine, holding=kept, issue=ZINC)
    assert (other["issue"], other["verdict"]) == (ZINC, "consistent")


async def test_the_other_candidates_of_a_holding_are_its_look_alikes(service: Running) -> None:
    mine = service.collector()
    candidates = {"one_of": ["gb-penny-bronze", "us-half-dollar-1873"]}
    kept = await a_holding(service, mine, issue=candidates, facts={"weight_measured": 12.4})
    found = await checked(service, mine, holding=kept)
    assert (found["issue"], found["remaining"]) == ("gb-penny-bronze", ["us-half-dollar-1873"])


async def test_an_issue_of_my_own_is_found_for_me_alone(service: Running) -> None:
    mine = service.collector()
    issue = {
        "id": "ambria-crown", "label": "Ambria, crown", "facts": {"weight_legal": 20, "material": "silver"},
        "look_alikes": [COPPER, "ambria-nothing"], "source": "own observation", "edition": "1",
    }  # fmt: skip
    made = await service.client.post("/v1/issues", json=issue, headers=mine)
    assert made.status_code == 201, made.text
    body: dict[str, Any] = {"issue": "ambria-crown", "measured": {"weight_measured": 19.9}}
    found = await checked(service, mine, **body)
    assert (found["verdict"], found["tests"][0]["source"]) == ("consistent", "own observation")
    assert [one["issue"] for one in found["look_alikes"]] == [COPPER]
    assert any("'ambria-nothing' is in no catalogue here" in caution for caution in found["cautions"])
    assert await refused(service, **body) == [("unknown-issue", "/issue")]
    answer = await service.client.post("/v1/piece-checks", json=body, headers=service.collector())
    assert answer.status_code == 422


async def test_the_holdings_of_others_are_not_there(service: Running) -> None:
    mine = service.collector()
    kept = await a_holding(service, mine, issue=COPPER, facts={"weight_measured": 2.5})
    body = {"holding": kept}
    assert (await service.client.post("/v1/piece-checks", json=body)).status_code == 401
    answer = await service.client.post("/v1/piece-checks", json=body, headers=service.collector())
    assert answer.status_code == 404


async def test_a_holding_without_an_issue_or_with_a_strange_one_is_refused(service: Running) -> None:
    mine = service.collector()
    bare = await a_holding(service, mine, facts={"weight_measured": 2.5})
    strange = await a_holding(service, mine, issue="no-such-issue", facts={"weight_measured": 2.5})
    for kept, code, pointer in ((bare, "missing", "/issue"), (strange, "unknown-issue", "/holding")):
        answer = await service.client.post("/v1/piece-checks", json={"holding": kept}, headers=mine)
        assert answer.status_code == 422
        assert [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]] == [(code, pointer)]


async def test_all_faults_are_told_at_once(service: Running) -> None:
    inline = {"id": "x", "facts": {"weight_legal": -1, "finess": 0.9}}
    found = await refused(
        service,
        issue=inline,
        look_alikes=["no-such-issue", COPPER, COPPER, {"id": COPPER, "facts": {}}, 3],
        measured={"weight_measured": "heavy", "diameter": {"from": 5, "to": 3}, "magnetic": None},
        colour="red",
    )
    assert sorted(found) == sorted(
        [
            ("unknown-field", "/colour"),
            ("type", "/measured/weight_measured"),
            ("reversed-range", "/measured/diameter"),
            ("null", "/measured/magnetic"),
            ("value", "/issue/facts/weight_legal"),
            ("unknown-attribute", "/issue/facts/finess"),
            ("unknown-issue", "/look_alikes/0"),
            ("clashing-id", "/look_alikes/2"),
            ("clashing-id", "/look_alikes/3"),
            ("type", "/look_alikes/4"),
        ]
    )


async def test_a_misspelt_issue_is_answered_with_the_nearest(service: Running) -> None:
    body = {"issue": "gb-florn-925", "measured": {}}
    answer = await service.client.post("/v1/piece-checks", json=body)
    assert answer.json()["errors"][0]["hint"] == "did you mean 'gb-florin-925'?"


async def test_an_issue_is_no_look_alike_of_itself(service: Running) -> None:
    found = await refused(service, issue=COPPER, look_alikes=[COPPER], measured={})
    assert found == [("clashing-id", "/look_alikes/0")]


async def test_a_holding_and_measurements_do_not_go_together(service: Running) -> None:
    mine = service.collector()
    kept = await a_holding(service, mine, issue=COPPER, facts={})
    body = {"holding": kept, "measured": {"weight_measured": 3}}
    answer = await service.client.post("/v1/piece-checks", json=body, headers=mine)
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["/measured"]


@pytest.mark.parametrize(
    "measured",
    [
        {"weight_measured": 1e100, "diameter": 1e-100, "thickness": {"from": 1e99}},
        {"weight_measured": {"none": True}, "problems": {"none": True}, "year_on_coin": {"none": True}},
        {"weight_measured": {"one_of": [{"none": True}, 11.3]}, "magnetic": {"one_of": [True, {"none": True}]}},
        {"weight_measured": 0, "diameter": {"to": 5}},
    ],
)
async def test_odd_measurements_and_odd_issues_are_answered(service: Running, measured: dict[str, Any]) -> None:
    odd: list[dict[str, Any]] = [
        {"weight_legal": 0, "fineness": {"from": 0.1}, "fine_weight": {"none": True}, "diameter": 0, "thickness": 0},
        {"weight_legal": 1e100, "fineness": {"from": 0.1, "to": 0.5}, "weight_tolerance": {"from": 1}},
        {"weight_legal": {"to": 4}, "material": {"none": True}, "magnetic": {"none": True}},
    ]
    inline = [{"id": str(place), "facts": facts} for place, facts in enumerate(odd)]
    for issue in ("gb-sovereign", "us-cent-1943-steel", *inline):
        others = ["us-cent-1873", *(one for one in inline if one != issue)]
        found = await checked(service, issue=issue, look_alikes=others, measured=measured)
        assert len(found["look_alikes"]) == len(others)
