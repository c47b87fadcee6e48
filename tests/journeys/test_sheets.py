"""Three sheets as collectors write them (tests/data/sheets), from the file to the evaluation in three requests, with the answers
that their fictional owners give. Where each coin belongs was written by hand before."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.formats.strict_json import CSV, ODS, XLSX
from tests.conftest import Running

pytestmark = pytest.mark.anyio

SHEETS = Path(__file__).parent.parent / "data" / "sheets"
# At least this share of the coins is where a person would put it.
SHARE = 0.95

# What each owner answers after the dry run: nothing that the service can know by itself is in it.
BRUECKER: dict[str, Any] = {
    "answers": {
        "issuer": {
            "Deutsches Reich": "DE", "BRD": "DE", "DDR": "DDDE", "Danzig": "x-danzig",
            "Österreich-Ungarn": "x-austria-hungary",
        },
        "denomination": {
            "1 DM": "1 deutsche mark", "2 DM": "2 deutsche mark", "5 DM": "5 deutsche mark", "1/2 Franken": "1/2 franc",
            "1 Franken": "1 franc", "2 Franken": "2 francs",
        },
        "material": {
            "Kupfer": "copper", "Kupfernickel": "cupro-nickel", "Silber": "silver", "Aluminium": "aluminium",
            "Bronze": "bronze", "Nickel": "nickel", "Messing": "brass", "Eisen": "iron",
            "Aluminiumbronze": "aluminium-bronze", "Stahl, kupferplattiert": "copper-covered steel",
        },
    }
}  # fmt: skip
TARRANT: dict[str, Any] = {
    "columns": {"Ref": "number", "Type": "denomination"},
    "answers": {"issuer": {"Great Britain": "GB"}, "denomination": {"1/3 Farthing": "third farthing"}},
}
WHITCOMBE: dict[str, Any] = {
    "columns": {"Description": "main_motifs"},
    "answers": {
        "price_paid": {"$": "USD"},
        "issuer": {"Rhodesia": "RHZW"},
        "main_motifs": {
            "Emu and kangaroo with shield": ["emu"], "Sow and piglets": ["pig"], "Wheat ears": [], "Steel": [],
            "Wartime": [], "Winged head": [], "Washington": [], "Walking Liberty": [], "Kennedy": [], "Liberty head": [],
            "Peace": [], "Seated": [], "Arms": [],
        },
    },
}  # fmt: skip
CASES = [("bruecker.csv", CSV, BRUECKER), ("tarrant.xlsx", XLSX, TARRANT), ("whitcombe.ods", ODS, WHITCOMBE)]


def form(raw: bytes, kind: str, options: dict[str, Any], name: str) -> dict[str, Any]:
    return {"file": (name, raw, kind), "options": (None, json.dumps(options).encode(), "application/json")}


async def evaluated(service: Running, name: str, kind: str, options: dict[str, Any]) -> tuple[dict[str, Any], Any, Any]:
    """The first dry run, the import and the evaluation."""
    mine, raw = service.collector(), (SHEETS / name).read_bytes()
    document = json.loads((SHEETS / name).with_suffix(".definition.json").read_text(encoding="utf-8"))
    stored = await service.client.post("/v1/definitions", json={"document": document}, headers=mine)
    assert stored.status_code == 201, stored.text
    where = f"/v1/definitions/{stored.json()['id']}/evaluation"
    dry = await service.client.post(
        "/v1/holdings/imports?dry_run=true", content=raw, headers={**mine, "Content-Type": kind}
    )
    assert dry.status_code == 200, dry.text
    made = await service.client.post("/v1/holdings/imports", files=form(raw, kind, options, name), headers=mine)
    assert made.status_code == 200, made.text
    result = await service.client.get(where, headers=mine)
    assert result.status_code == 200, result.text
    kept = (await service.client.get("/v1/holdings/export", headers=mine)).json()["holdings"]
    return dry.json(), {"report": made.json(), "kept": kept}, result.json()


def places_of(result: Any, kept: Any) -> dict[str, tuple[str, list[str]]]:
    """By number of the coin: whether it is in a place (`in`), could be in one (`spare`) or not (`outside`), and which."""
    numbers = {holding["id"]: holding["number"] for holding in kept}
    found: dict[str, tuple[str, list[str]]] = {}
    groups = [place for kind in ("one_per", "free_choice") for group in result[kind] for place in group["places"]]
    for place in [*result["slots"], *groups]:
        if place.get("holding") is not None:
            found[numbers[place["holding"]]] = ("in", [place["place"]])
    for coin in result["unplaced"]:
        role = "outside" if coin["reason"] == "outside" else "spare"
        found.setdefault(numbers[coin["holding"]], (role, coin.get("places", [])))
    return found


def is_right(wanted: dict[str, Any], found: tuple[str, list[str]]) -> bool:
    """Whether the coin is where a person would put it: in its place or, where a better one is, spare for it."""
    role, places = found
    if wanted["role"] == "outside":
        return role == "outside"
    if not set(places) & set(wanted["places"]):
        return False
    return {"place": role == "in", "duplicate": role == "spare"}.get(wanted["role"], True)


async def test_what_a_german_text_file_says(service: Running) -> None:
    mine, raw = service.collector(), (SHEETS / "bruecker.csv").read_bytes()
    made = await service.client.post(
        "/v1/holdings/imports", files=form(raw, CSV, BRUECKER, "bruecker.csv"), headers=mine
    )
    report = made.json()
    assert (made.status_code, report["created"], report["refused"]) == (200, 60, []), made.text
    assert report["layout"] == {
        "encoding": "windows-1252", "separator": ";", "heading_row": 4, "decimal": ",", "dates": "day first",
        "sheet": None,
    }  # fmt: skip
    assert [row["why"] for row in report["skipped_rows"]] == [
        *["above the headings"] * 2, "blank", *["a title or section"] * 8, "a sum"
    ]  # fmt: skip
    kept = {holding["number"]: holding for holding in await exported(service, mine)}
    coin = kept["9"]
    assert (coin["facts"]["issuer"], coin["facts"]["material"]) == ("DE", "silver")
    assert (coin["facts"]["weight_measured"], coin["facts"]["diameter"], coin["note"]) == (5.55, 24, "schöne Patina")
    assert coin["price_paid"] == {"amount": 9.5, "currency": "EUR"}
    assert (coin["bought_on"], coin["bought_from"]) == ("2019-03-09", "Börse Kleinfeld")
    assert (kept["2"]["status"], coin["status"]) == ("for trade", "held")


async def test_what_a_workbook_with_merged_cells_says(service: Running) -> None:
    mine, raw = service.collector(), (SHEETS / "tarrant.xlsx").read_bytes()
    dry = await service.client.post(
        "/v1/holdings/imports?dry_run=true", content=raw, headers={**mine, "Content-Type": XLSX}
    )
    (question,) = dry.json()["questions"]
    assert (question["field"], question["heading"], question["rows"]) == (None, "Type", 60)
    assert question["candidates"][0]["value"] == "denomination"
    made = await service.client.post(
        "/v1/holdings/imports", files=form(raw, XLSX, TARRANT, "tarrant.xlsx"), headers=mine
    )
    assert (made.status_code, made.json()["created"]) == (200, 60), made.text
    kept = {holding["number"]: holding for holding in await exported(service, mine)}
    facts = {number: holding["facts"] for number, holding in kept.items()}
    # Cells that are merged over rows say the same of each.
    assert {facts[f"T{number}"]["authority"] for number in range(1, 14)} == {"Victoria"}
    wanted = {
        "T1": "farthing",
        "T2": "halfpenny",
        "T3": "penny",
        "T6": "threepence",
        "T9": "shilling",
        "T11": "half crown",
    }
    assert {number: facts[number]["denomination"] for number in wanted} == wanted
    assert kept["T15"]["price_paid"] == {"amount": 0.3, "currency": "GBP"}
    assert facts["T15"]["grade"] == {"from": 12, "to": 15}


async def test_what_an_opendocument_sheet_with_free_words_says(service: Running) -> None:
    mine, raw = service.collector(), (SHEETS / "whitcombe.ods").read_bytes()
    dry = await service.client.post(
        "/v1/holdings/imports?dry_run=true", content=raw, headers={**mine, "Content-Type": ODS}
    )
    assert (dry.status_code, dry.json()["created"], dry.json()["format"]) == (200, 60, "ods"), dry.text
    asked = {entry["value"]: [one["value"] for one in entry["candidates"]] for entry in dry.json()["questions"]}
    # Several terms in one cell are never taken silently.
    assert asked["Emu and kangaroo with shield"] == [
        ["emu"], ["kangaroo"], ["shield"], ["emu", "kangaroo", "shield"]
    ]  # fmt: skip
    taken = {entry["value"]: entry["as"] for entry in dry.json()["understood"] if entry["field"] == "main_motifs"}
    assert taken["Lion walking left"] == ["lion"]
    made = await service.client.post(
        "/v1/holdings/imports", files=form(raw, ODS, WHITCOMBE, "whitcombe.ods"), headers=mine
    )
    assert (made.status_code, made.json()["created"]) == (200, 60), made.text
    kept = {holding["number"]: holding for holding in await exported(service, mine)}
    assert kept["59"]["facts"]["main_motifs"] == ["lion"]
    assert kept["59"]["note"] == "Description: Lion walking left"
    assert kept["3"]["facts"]["mintmark"] == {"none": True}
    assert (kept["6"]["facts"]["grade"], kept["10"]["quantity"]) == (30, 2)
    assert kept["6"]["facts"]["issuer"] == "US"
    # The same file again changes nothing.
    again = await service.client.post(
        "/v1/holdings/imports", files=form(raw, ODS, WHITCOMBE, "whitcombe.ods"), headers=mine
    )
    assert (again.json()["created"], again.json()["unchanged"]) == (0, 60), again.text


async def exported(service: Running, mine: dict[str, str]) -> list[dict[str, Any]]:
    answer = await service.client.get("/v1/holdings/export", headers=mine)
    found: list[dict[str, Any]] = answer.json()["holdings"]
    return found


# One coin in thirty is not where its owner looks for it: the mark fails when that changes, and is then to be taken away.
NOT_YET = {
    "whitcombe.ods": "to its owner a pegasus is an animal; to WordNet and to the third scenario's count it is none (96.7 %)",
}
AS_A_PERSON = [
    pytest.param(*case, marks=[pytest.mark.xfail(reason=NOT_YET[case[0]], strict=True)] if case[0] in NOT_YET else [])
    for case in CASES
]


@pytest.mark.parametrize(("name", "kind", "options"), AS_A_PERSON)
async def test_a_sheet_is_evaluated_after_three_requests_as_a_person_would(
    service: Running, name: str, kind: str, options: dict[str, Any]
) -> None:
    _, made, result = await evaluated(service, name, kind, options)
    wanted = json.loads((SHEETS / name).with_suffix(".expected.json").read_text(encoding="utf-8"))
    assert made["report"]["created"] == len(wanted) == 60
    found = places_of(result, made["kept"])
    wrong = {
        number: (wanted[number], found[number]) for number in wanted if not is_right(wanted[number], found[number])
    }
    print(f"{name}: {1 - len(wrong) / len(wanted):.1%}", *wrong.items(), sep="\n  ")
    assert 1 - len(wrong) / len(wanted) >= SHARE, wrong
    # No coin is out of its set for a word that nobody asked about.
    assert not [number for number in wrong if found[number][0] == "outside"]
