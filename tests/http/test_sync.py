"""Sync over HTTP: batches, changes page by page, states that prove their history."""

from __future__ import annotations

import json
import uuid
from typing import Any

import pytest
from sqlalchemy import update as sa_update

from service.database.ids import new_id
from service.holdings.sync.fingerprints import former_fingerprint_of
from service.holdings.tables import mutation
from tests.conftest import Running
from tests.openapi import openapi_document, validator

pytestmark = pytest.mark.anyio

NOON = "2026-11-25T12:00:00Z"


def create(identity: str, **patch: Any) -> dict[str, Any]:
    return {"mutation_id": new_id(), "op": "create", "id": identity, "patch": patch, "edited_at": NOON}


def update(identity: str, patch: dict[str, Any], seen: dict[str, Any], at: str = NOON, **more: Any) -> dict[str, Any]:
    made = {"mutation_id": new_id(), "op": "update", "id": identity, "patch": patch, "from": seen}
    return {**made, "edited_at": at, **more}


async def send(service: Running, owner: dict[str, str], *mutations: dict[str, Any], **more: Any) -> Any:
    body = {"client_id": "phone", "mutations": list(mutations), **more}
    answer = await service.client.post("/v1/holdings/sync", json=body, headers=owner)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def changed(service: Running, owner: dict[str, str], since: str | None = None, limit: int = 500) -> Any:
    query: dict[str, Any] = {"limit": limit} | ({"since": since} if since else {})
    answer = await service.client.get("/v1/holdings/changes", params=query, headers=owner)
    assert answer.status_code == 200, answer.text
    return answer.json()


def statuses(answer: Any) -> list[str]:
    return [response["status"] for response in answer["responses"]]


async def test_what_a_phone_made_offline_is_a_holding_like_any_other(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, denomination="crown", grade=40, number="B-3", tags=["silver"])
    first = await send(service, owner, made)
    assert statuses(first) == ["applied"]
    (record,) = first["list"]
    assert (record["facts"], record["number"]) == ({"denomination": "crown", "grade": 40}, "B-3")
    assert set(record["writers"].values()) == {made["mutation_id"]}
    assert set(record["writers"]) == {"denomination", "grade", "number", "tags"}
    shown = (await service.client.get(f"/v1/holdings/{coin}", headers=owner)).json()
    assert (shown["facts"], shown["conflicts"]) == (record["facts"], [])
    later = update(coin, {"grade": None, "mintmark": {"none": True}}, {"grade": made["mutation_id"], "mintmark": None})
    assert (await send(service, owner, later))["list"][0]["facts"] == {
        "denomination": "crown",
        "mintmark": {"none": True},
    }


async def test_two_devices_that_did_not_see_each_other_lose_nothing(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, grade=30, year_on_coin=1890)
    seen = {"grade": made["mutation_id"]}
    await send(service, owner, made)
    phone = update(coin, {"grade": 40}, seen, "2026-11-25T12:30:00Z")
    laptop = update(
        coin, {"grade": 45, "note": "sharper than I thought"}, {**seen, "note": None}, "2026-11-25T12:10:00Z"
    )
    assert statuses(await send(service, owner, phone)) == ["applied"]
    met = await send(service, owner, laptop)
    assert statuses(met) == ["conflict"]
    (record,) = met["list"]
    assert (record["facts"]["grade"], record["note"]) == (40, "sharper than I thought")
    (conflict,) = record["conflicts"]
    assert (conflict["kind"], conflict["attribute"], conflict["value"]) == ("value", "grade", 45)
    # For the rules the coin is one or the other until the owner says which.
    slots = [
        {"id": "fine", "label": "Fine", "accepts": "grade >= 42"},
        {"id": "any", "label": "Any", "accepts": "grade >= 40"},
    ]
    document = {"format": "set-definition/1", "title": "T", "slots": slots}
    body = {"definition": document, "holdings": "mine"}
    told = (await service.client.post("/v1/evaluations", json=body, headers=owner)).json()
    assert {slot["place"]: slot["status"] for slot in told["slots"]} == {"fine": "empty", "any": "filled"}
    resolved = update(coin, {"grade": 45}, {"grade": record["writers"]["grade"]}, resolves=[conflict["id"]])
    (after,) = (await send(service, owner, resolved))["list"]
    assert (after["facts"]["grade"], after["conflicts"]) == (45, [])


async def test_a_mutation_sent_again_happens_once_and_another_under_its_id_never(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, grade=30)
    first = await send(service, owner, made)
    again = await send(service, owner, made)
    assert again["responses"] == [{**first["responses"][0], "replayed": True}]
    assert again["new_state"] == again["old_state"] == first["new_state"]
    other = await send(service, owner, {**made, "patch": {"grade": 50}})
    assert (statuses(other), other["responses"][0]["error"]["type"]) == (["rejected"], "mutation-id-reused")
    assert other["list"][0]["facts"] == {"grade": 30}


async def test_a_wrong_mutation_refuses_itself_alone_with_its_places(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    bad = create(new_id(), grade=400, quantity=0)
    answer = await send(service, owner, bad, create(coin, grade=30))
    assert statuses(answer) == ["rejected", "applied"]
    assert sorted(answer["responses"][0]["error"]["pointers"]) == ["/grade", "/quantity"]
    assert [record["id"] for record in answer["list"]] == [coin]


async def test_an_update_of_what_is_not_here_is_no_verdict_and_may_follow_the_copy(service: Running) -> None:
    owner, coin, writer = service.collector(), new_id(), new_id()
    edit = update(coin, {"grade": 41}, {"grade": writer})
    lost = await send(service, owner, edit)
    assert (statuses(lost), lost["responses"][0]["error"]["type"]) == (["rejected"], "not-found")
    copy = {**create(coin, grade=40), "writers": {"grade": writer}}
    found = await send(service, owner, copy, edit)
    assert (statuses(found), found["list"][0]["facts"], found["list"][0]["conflicts"]) == (
        ["applied"] * 2,
        {"grade": 41},
        [],
    )


async def test_changes_come_page_by_page_without_a_gap_and_with_tombstones(service: Running) -> None:
    owner = service.collector()
    coins = [new_id() for _ in range(7)]
    made = [create(coin, grade=number + 1) for number, coin in enumerate(coins)]
    start = (await service.client.get("/v1/holdings/sync", headers=owner)).json()["state"]
    await send(service, owner, *made)
    gone = {"mutation_id": new_id(), "op": "destroy", "id": coins[2], "edited_at": NOON}
    gone["from"] = {"grade": made[2]["mutation_id"]}
    end = await send(service, owner, gone, update(coins[0], {"grade": 9}, {"grade": made[0]["mutation_id"]}))
    seen: list[str] = []
    since, pages, destroyed = start, 0, []
    while True:
        page = await changed(service, owner, since, 2)
        kinds = [*page["created"], *page["updated"], *page["destroyed"]]
        assert sorted(record["id"] for record in page["list"]) == sorted(kinds)
        seen += [record["id"] for record in page["list"]]
        destroyed += page["destroyed"]
        since, pages = page["new_state"], pages + 1
        if not page["has_more_changes"]:
            break
    assert (sorted(seen), destroyed, since) == (sorted(coins), [coins[2]], end["new_state"])
    assert pages == 4
    whole = await changed(service, owner)
    assert {record["id"]: record["destroyed"] for record in whole["list"]}[coins[2]] is True
    assert (await changed(service, owner, end["new_state"]))["list"] == []


async def test_a_change_by_the_ordinary_interface_is_seen_by_devices_too(service: Running) -> None:
    owner = service.collector()
    held = await service.client.post("/v1/holdings", json={"facts": {"grade": 5}}, headers=owner)
    before = await changed(service, owner)
    assert before["created"] == [held.json()["id"]]
    headers = {**owner, "If-Match": held.headers["etag"]}
    patched = await service.client.patch(
        held.headers["location"],
        json={"facts": {"grade": 6}, "note": "n"},
        headers={**headers, "Content-Type": "application/merge-patch+json"},
    )
    assert patched.status_code == 200, patched.text
    after = await changed(service, owner, before["new_state"])
    (record,) = after["list"]
    assert (after["updated"], record["facts"], record["note"]) == ([record["id"]], {"grade": 6}, "n")
    # A phone that saw the first grade and edits offline meets the laptop's edit.
    stale = update(record["id"], {"grade": 7}, {"grade": before["list"][0]["writers"]["grade"]}, "2020-01-01T00:00:00Z")
    assert statuses(await send(service, owner, stale)) == ["conflict"]
    gone = {**owner, "If-Match": "*"}
    assert (await service.client.delete(held.headers["location"], headers=gone)).status_code == 204
    last = await changed(service, owner, after["new_state"])
    assert last["destroyed"] == [record["id"]]


async def test_a_state_of_another_history_is_refused_and_the_device_starts_over(service: Running) -> None:
    owner, other = service.collector(), service.collector()
    await send(service, owner, create(new_id(), grade=1))
    theirs = (await send(service, other, create(new_id(), grade=1)))["new_state"]
    future = f"99.{uuid.uuid4().hex}"
    for state in (theirs, future):
        for answer in (
            await service.client.get("/v1/holdings/changes", params={"since": state}, headers=owner),
            await service.client.get("/v1/holdings/sync", params={"known_state": state}, headers=owner),
            await service.client.post(
                "/v1/holdings/sync", json={"client_id": "p", "known_state": state, "mutations": []}, headers=owner
            ),
        ):
            assert answer.status_code == 410, answer.text
            assert answer.json()["type"].endswith("/cannot-calculate-changes")
    assert (await service.client.get("/v1/holdings/changes?since=7", headers=owner)).status_code == 422


async def test_a_batch_for_another_state_is_refused_whole(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    state = (await send(service, owner, create(coin, grade=1)))["new_state"]
    await send(service, owner, create(new_id(), grade=1))
    body = {"client_id": "p", "if_in_state": state, "mutations": [create(new_id(), grade=2)]}
    answer = await service.client.post("/v1/holdings/sync", json=body, headers=owner)
    assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[1]) == (409, "state-mismatch")
    assert len((await changed(service, owner))["list"]) == 2


async def test_another_owner_syncs_a_holding_of_the_same_id_as_her_own(service: Running) -> None:
    owner, stranger, coin = service.collector(), service.collector(), new_id()
    await send(service, owner, create(coin, grade=1))
    lost = await send(service, stranger, update(coin, {"grade": 2}, {"grade": None}))
    assert (lost["responses"][0]["error"]["type"], lost["list"]) == ("not-found", [])
    assert (await changed(service, stranger))["list"] == []


def closed(schema: Any) -> Any:
    """The schema without room for members that it does not declare."""
    if isinstance(schema, list):
        return [closed(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        **{name: closed(part) for name, part in schema.items()},
        **({"additionalProperties": False} if "properties" in schema else {}),
    }


def ensure_declared(name: str, value: Any) -> None:
    """The value has the members that the document declares for this component, and no others."""
    document = closed(openapi_document())
    validator(document, {"$ref": f"#/components/schemas/{name}"}).validate(value)


async def test_records_conflicts_and_verdicts_of_every_kind_are_as_declared(service: Running) -> None:
    owner, coin, gone, joined = service.collector(), new_id(), new_id(), new_id()
    document = {
        "format": "set-definition/1",
        "title": "Counted",
        "attributes": [{"name": "spots", "type": "integer"}],
        "slots": [{"id": "a", "label": "A", "accepts": "spots = 3"}],
    }
    values = [{"basis": "paid", "amount": 12.5, "currency": "EUR"}]
    made = create(coin, grade=30, number="1", issue={"one_of": ["x", "y"]}, values=values)
    lost = create(gone, grade=1, spots="three")
    await send(service, owner, made, lost)
    assert (await service.client.post("/v1/definitions", json={"document": document}, headers=owner)).status_code == 201
    seen = {"grade": made["mutation_id"]}
    first = update(coin, {"grade": 40, "values": None}, {**seen, "values": made["mutation_id"]})
    unseen = [
        update(coin, {"grade": 45}, seen, "2026-11-25T11:00:00Z"),
        update(coin, {"values": [*values, *values]}, {"values": made["mutation_id"]}, "2026-11-25T11:00:00Z"),
        {"mutation_id": new_id(), "op": "destroy", "id": coin, "from": {}, "edited_at": NOON},
        # A copy whose value is not valid any more.
        {**create(joined, spots="three", grade=5), "writers": {"spots": new_id(), "grade": new_id()}},
        {
            "mutation_id": new_id(),
            "op": "destroy",
            "id": gone,
            "from": dict.fromkeys(("grade", "spots"), lost["mutation_id"]),
            "edited_at": NOON,
        },
        update(coin, {"grade": 99}, seen),
        update(new_id(), {"grade": 9}, {}),
        first,
        {**made, "patch": {}},
    ]
    answer = await send(service, owner, first, *unseen)
    kinds = ["applied", *["conflict"] * 4, "applied", "rejected", "rejected", "applied", "rejected"]
    assert statuses(answer) == kinds
    assert [one["error"]["type"] for one in answer["responses"] if "error" in one] == [
        "invalid",
        "not-found",
        "mutation-id-reused",
    ]
    ensure_declared("SyncOut", answer)
    page = await changed(service, owner)
    ensure_declared("ChangesOut", page)
    records = {record["id"]: record for record in page["list"]}
    assert {conflict["kind"] for record in records.values() for conflict in record["conflicts"]} == {
        "value",
        "destroy",
        "invalid_merge",
    }
    assert (records[gone]["destroyed"], set(records[gone])) == (
        True,
        {"id", "destroyed", "destroyed_by", "deletes", "writers", "conflicts"},
    )
    for identity in (coin, joined):
        ensure_declared("HoldingOut", (await service.client.get(f"/v1/holdings/{identity}", headers=owner)).json())
    ensure_declared("HoldingPageOut", (await service.client.get("/v1/holdings?count=true", headers=owner)).json())
    exported = (await service.client.get("/v1/holdings/export", headers=owner)).json()
    ensure_declared("ExportedCollection", exported)


# --- judged mutation by mutation -----------------------------------------------------------------------------------------


async def raw(service: Running, owner: dict[str, str], body: bytes) -> Any:
    headers = {**owner, "Content-Type": "application/json"}
    return await service.client.post("/v1/holdings/sync", content=body, headers=headers)


def as_bytes(*mutations: Any) -> bytes:
    return json.dumps({"client_id": "phone", "mutations": mutations}).encode()


# What a mutation is changed to, in JSON; the type of the refusal; one of its pointers.
WRONG = {
    "NUL": ('"patch": {"note": "a\\u0000b"}', "invalid", "/note"),
    "half a surrogate": ('"patch": {"note": "\\ud83e"}', "invalid", "/note"),
    "half a surrogate in a name": ('"patch": {"\\ud83e": 1}', "invalid", None),
    "past 2^53": ('"patch": {"quantity": 9007199254740993}', "invalid", "/quantity"),
    "of 5,000 digits": ('"patch": {"quantity": ' + "9" * 5000 + "}", "invalid", "/quantity"),
    "an exponent": ('"patch": {"weight": 1e999}', "invalid", "/weight"),
    "not a number": ('"patch": {"weight": NaN}', "invalid", "/weight"),
    "a doubled name": ('"patch": {"grade": 1, "grade": 2}', "invalid", "/grade"),
    "too deep": ('"patch": {"my own": ' + "[" * 70 + "]" * 70 + "}", "invalid", None),
    "a wrong grade": ('"patch": {"grade": 400}', "invalid", "/grade"),
    "an unknown member": ('"patch": {"grade": 4}, "colour": 1', "unsupported", "/colour"),
    "an unknown op": ('"op": "merge"', "unsupported", "/op"),
    "no op": ('"op": null', "invalid", "/op"),
    "a time without a zone": ('"edited_at": "2026-11-25T12:00:00"', "invalid", "/edited_at"),
    "no patch": ('"patch": {}', "invalid", "/patch"),
    "a wrong patch": ('"patch": []', "invalid", "/patch"),
    "a wrong holding": ('"id": "7"', "invalid", "/id"),
    "a wrong from": ('"from": {"grade": 7}', "invalid", "/from/grade"),
}


@pytest.mark.parametrize("wrong", WRONG)
async def test_one_wrong_mutation_never_holds_up_the_others(service: Running, wrong: str) -> None:
    owner, coin, other = service.collector(), new_id(), new_id()
    said, kind, pointer = WRONG[wrong]
    made, after = create(coin, grade=30), create(other, grade=31)
    edit = update(coin, {"grade": 31}, {"grade": made["mutation_id"]})
    names = {name for name in ("patch", "op", "edited_at", "id", "from") if f'"{name}":' in said}
    kept = json.dumps({name: value for name, value in edit.items() if name not in names})
    text = kept[:-1] + ", " + said + "}"
    body = as_bytes(made, "HERE", after).replace(b'"HERE"', text.encode())
    answer = await raw(service, owner, body)
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert statuses(told) == ["applied", "rejected", "applied"]
    refusal = told["responses"][1]
    assert (refusal["mutation_id"], refusal["error"]["type"]) == (edit["mutation_id"], kind)
    assert len(refusal["error"]["pointers"]) == len(refusal["error"]["messages"]) > 0
    if pointer is not None:
        assert pointer in refusal["error"]["pointers"]
    assert {record["id"]: record["facts"] for record in told["list"]} == {coin: {"grade": 30}, other: {"grade": 31}}
    ensure_declared("SyncOut", told)
    # Sent again: the same, and only what was judged is said to be replayed.
    again = (await raw(service, owner, body)).json()
    assert [one["status"] for one in again["responses"]] == ["applied", "rejected", "applied"]
    assert again["responses"][1].get("replayed", False) is (
        kind == "invalid" and wrong not in ("no op", "a wrong holding")
    )
    assert again["new_state"] == told["new_state"]


async def test_a_mutation_whose_id_cannot_be_used_is_answered_in_its_place(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    wrong = [7, None, [], {}, {"mutation_id": "a\0b"}, {"mutation_id": 5}, create(coin) | {"mutation_id": "mine"}]
    told = (await raw(service, owner, as_bytes(*wrong, create(coin, grade=3)))).json()
    assert statuses(told) == [*["rejected"] * len(wrong), "applied"]
    assert [one["mutation_id"] for one in told["responses"][:-1]] == [None, None, None, None, "a\ufffdb", None, "mine"]
    assert {one["error"]["type"] for one in told["responses"][:-1]} == {"invalid"}
    ensure_declared("SyncOut", told)


async def test_what_is_no_batch_is_refused_whole(service: Running) -> None:
    owner = service.collector()
    for body, status in (
        (b"", 400),
        (b"{", 400),
        (b'{"client_id": "\xff"}', 400),
        (b"[" * 400 + b"]" * 400, 400),
        (b"[]", 422),
        (b'"text"', 422),
        (b'{"client_id": "p", "mutations": {}}', 422),
        (b'{"client_id": "p", "mutations": [], "mutations": []}', 422),
        (b'{"client_id": "p", "colour": 1, "mutations": []}', 422),
        (as_bytes(*[{}] * 501), 422),
    ):
        answer = await raw(service, owner, body)
        assert answer.status_code == status, (body[:40], answer.text)
    # The owner's name for the device holds nothing up.
    told = await raw(service, owner, as_bytes(create(new_id())).replace(b'"phone"', b'"ph\\u0000one \\ud83e"'))
    assert statuses(told.json()) == ["applied"]


async def test_the_session_tells_limits_account_and_what_is_known(service: Running) -> None:
    owner = service.collector()
    told = (await service.client.get("/v1/holdings/sync", headers=owner)).json()
    account = (await service.client.get("/v1/account", headers=owner)).json()
    assert told["account"] == account["id"]
    assert (told["format"], told["ops"]) == ("sync/1", ["create", "update", "destroy"])
    assert told["conflict_kinds"] == ["value", "destroy", "invalid_merge"]
    long = create(new_id(), note="n") | {"from": {"x" * 90: "y" * 90}}
    body = as_bytes(long)
    assert (await raw(service, owner, body + b" " * (told["max_body_bytes"] - len(body)))).status_code == 200
    late = await raw(service, owner, body + b" " * (told["max_body_bytes"] - len(body) + 1))
    assert late.status_code == 413
    assert str(told["max_body_bytes"]) in late.json()["detail"]


async def test_the_same_content_written_otherwise_is_the_same_mutation(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, weight=12.5, price_paid={"amount": 3, "currency": "EUR"})
    assert statuses(await send(service, owner, made)) == ["applied"]
    text = as_bytes(made | {"revive": False, "from": {}, "resolves": []}).decode()
    text = text.replace("12.5", "12.50").replace('"amount": 3', '"amount": 3.0')
    text = text.replace(NOON, "2026-11-25T13:00:00.000+01:00").replace(made["mutation_id"], made["mutation_id"].upper())
    again = (await raw(service, owner, text.encode())).json()
    assert [one.get("replayed") for one in again["responses"]] == [True], again
    other = await send(service, owner, made | {"patch": {**made["patch"], "weight": 12.6}})
    assert other["responses"][0]["error"]["type"] == "mutation-id-reused"


async def test_what_an_earlier_version_logged_is_known_when_it_is_sent_again(service: Running) -> None:
    # Earlier versions hashed the members as they were written.
    owner, coin = service.collector(), new_id()
    made = create(coin, grade=30)
    first = await send(service, owner, made)
    former = mutation.c.mutation_id == made["mutation_id"]
    values = {"fingerprint": former_fingerprint_of(made)}
    service.app.state.database.write(
        lambda connection: connection.execute(sa_update(mutation).where(former).values(values))
    )
    again = await send(service, owner, made)
    assert again["responses"] == [{**first["responses"][0], "replayed": True}]


# --- several writers, deletes, refused writers ---------------------------------------------------------------------------


async def test_equal_values_of_two_devices_are_one_that_is_replaced_by_who_saw_it(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, grade=30, quantity=3)
    seen = dict.fromkeys(("grade", "quantity"), made["mutation_id"])
    both = [update(coin, {"grade": 40, "quantity": value}, seen) for value in (1, None)]
    await send(service, owner, made)
    answer = await send(service, owner, *both)
    assert statuses(answer) == ["applied", "merged"]
    (record,) = answer["list"]
    assert (record["facts"]["grade"], record["quantity"], record["conflicts"]) == (40, 1, [])
    assert record["writers"]["grade"] == "+".join(sorted(one["mutation_id"] for one in both))
    after = await send(service, owner, update(coin, {"grade": 45}, {"grade": record["writers"]["grade"]}))
    assert (statuses(after), after["list"][0]["conflicts"]) == (["applied"], [])
    # A device that had seen its own value alone leaves the other one.
    alone = [update(coin, {"grade": 50}, {"grade": record["writers"]["grade"]}), *both]
    late = await send(service, owner, update(coin, {"grade": 60}, {"grade": both[0]["mutation_id"]}), *alone[1:])
    assert statuses(late)[0] == "conflict"


async def test_a_conflict_names_device_and_time_and_shows_a_default_as_it_is(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, quantity=3)
    seen = {"quantity": made["mutation_id"]}
    await send(service, owner, made)
    removed = update(coin, {"quantity": None}, seen, "2026-11-25T11:00:00Z")
    await send(service, owner, update(coin, {"quantity": 5}, seen), client_id="phone in the coat")
    (record,) = (await send(service, owner, removed, client_id="tablet"))["list"]
    (conflict,) = record["conflicts"]
    assert (record["quantity"], conflict["value"], conflict["client"]) == (5, 1, "tablet")
    assert conflict["writers"] == [removed["mutation_id"]]
    assert conflict["at"] is not None
    shown = (await service.client.get(f"/v1/holdings/{coin}", headers=owner)).json()
    assert shown["conflicts"] == record["conflicts"]


async def test_a_from_that_names_a_refused_mutation_stands_for_what_that_one_stood_on(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, grade=30, tags=["a"])
    seen = dict.fromkeys(("grade", "tags"), made["mutation_id"])
    await send(service, owner, made)
    refused = update(coin, {"grade": 400, "tags": ["a", "b"]}, seen)
    unread = update(coin, {"grade": 5, "note": "a\0b"}, {"grade": refused["mutation_id"]})
    unknown = update(coin, {"grade": 6}, {"grade": unread["mutation_id"]}, colour=1)
    further = update(
        coin, {"grade": 40, "tags": ["a", "c"]}, {"grade": unknown["mutation_id"], "tags": refused["mutation_id"]}
    )
    answer = (await raw(service, owner, as_bytes(refused, unread, unknown, further))).json()
    assert statuses(answer) == ["rejected", "rejected", "rejected", "applied"]
    (record,) = answer["list"]
    assert (record["facts"]["grade"], record["tags"], record["conflicts"]) == (40, ["a", "c"], [])
    # A delete too.
    wrong = update(coin, {"grade": 500}, {"grade": further["mutation_id"]})
    gone = {"mutation_id": new_id(), "op": "destroy", "id": coin, "edited_at": NOON}
    gone["from"] = {"grade": wrong["mutation_id"], "tags": further["mutation_id"]}
    after = await send(service, owner, wrong, gone)
    assert (statuses(after), after["list"][0]["destroyed"]) == (["rejected", "applied"], True)


async def test_a_marker_has_all_deletes_and_a_delete_of_nothing_is_no_verdict(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, grade=30)
    await send(service, owner, made)
    seen = {"grade": made["mutation_id"]}
    deletes = [
        {"mutation_id": new_id(), "op": "destroy", "id": coin, "from": seen, "edited_at": NOON} for _ in range(2)
    ]
    (marker,) = (await send(service, owner, *deletes))["list"]
    ids = sorted(one["mutation_id"] for one in deletes)
    assert (marker["deletes"], marker["destroyed_by"]) == (ids, "+".join(ids))
    ensure_declared("SyncOut", await send(service, owner, *deletes))
    one = await send(service, owner, update(coin, {}, {}, revive=True, resolves=[ids[0]]))
    assert statuses(one) == ["conflict"]
    assert [(each["kind"], each["mutation_id"]) for each in one["list"][0]["conflicts"]] == [("destroy", ids[1])]
    lost = await send(service, owner, {**deletes[0], "mutation_id": new_id(), "id": new_id()})
    assert lost["responses"][0]["error"]["type"] == "not-found"
