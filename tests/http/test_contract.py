"""The OpenAPI document is what it was when it was last looked at, and the service does what it says."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import jsonschema_rs
import pytest
from pydantic import SecretStr

from service.accounts.recovery import make_reset
from service.http import openapi
from service.http.preferences import MINIMAL
from service.http.problems import PROBLEM_KINDS
from service.http.quotas import Rate
from service.http.wire import EXAMPLES, Out
from service.rules.messages import MESSAGES
from tests.conftest import Running
from tests.factories import a_document, a_holding, a_measurement, result_of
from tests.http import clubhouse, doors
from tests.http.comparable import altered, fingerprint
from tests.http.examples import (
    DECISION,
    DEFINITION_IMPORT,
    DOCUMENT,
    EVALUATION,
    EXHIBITION,
    EXPLANATION,
    HOLDING,
    HOLDINGS_IMPORT,
    ISSUE,
    LOG_IN,
    PASSWORD,
    POLL,
    REDEMPTION,
)
from tests.http.named import ensure_all_named
from tests.messages import ensure_worded
from tests.openapi import COMMITTED, closed, formatted, openapi_document, operations, validator
from tests.pictures import photo_upload, picture
from tests.promises.plugin import Promise


def test_the_document_is_the_committed_one() -> None:
    assert formatted() == COMMITTED.read_bytes(), "the interface changed; if that is meant: python -m tests.openapi"


def test_every_operation_is_described_in_full() -> None:
    names = []
    for method, path, declared in operations():
        where = (method, path)
        names.append(declared["operationId"])
        # One sentence, and the description begins with one.
        assert declared["summary"] and not re.search(r"\. |\.$", declared["summary"]), where
        assert re.match(r"[A-Z`]", declared["description"]), where
        assert len(declared["tags"]) == 1, where
        assert declared["x-access"], where
        assert bool(declared["x-scope"]) is (declared["x-access"] != openapi.OPEN), where
        for status, answer in declared["responses"].items():
            assert answer["description"], (where, status)
            if int(status) >= 400:
                assert set(answer["content"]) == {"application/problem+json"}, (where, status)
        for content in declared.get("requestBody", {}).get("content", {}).items():
            # A file of bytes is no value that could stand in JSON.
            is_file = content[1]["schema"].get("format") == "binary"
            assert is_file or "example" in content[1] or content[0] == "application/yaml", where
    assert len(set(names)) == len(names) >= 25


def test_every_example_belongs_to_a_body() -> None:
    bodies = {
        content["schema"].get("$ref", "").rpartition("/")[2]
        for _, _, declared in operations()
        for content in declared.get("requestBody", {}).get("content", {}).values()
        if "example" in content
    }
    assert {name.split()[0] for name in EXAMPLES} <= bodies


def test_every_reference_leads_somewhere() -> None:
    document = openapi_document()

    def references(node: Any) -> Iterator[str]:
        if isinstance(node, dict):
            if isinstance(node.get("$ref"), str):
                yield node["$ref"]
            for child in node.values():
                yield from references(child)
        elif isinstance(node, list):
            for child in node:
                yield from references(child)

    found = set(references(document))
    assert found
    for reference in found:
        node: Any = document
        for step in reference.removeprefix("#/").split("/"):
            node = node[step]


def test_two_models_of_one_name_are_refused() -> None:
    other = type("ClubOut", (Out,), {})

    def get_other() -> Any:
        """Another club."""

    get_other.__annotations__["return"] = other
    with pytest.raises(TypeError, match="there is a schema ClubOut already"):
        openapi.router("/v1", "Clubs").get("/other")(get_other)


def test_every_request_example_fits_its_schema() -> None:
    document, tried = openapi_document(), 0
    for method, path, declared in operations():
        for content in declared.get("requestBody", {}).get("content", {}).values():
            if "example" in content:
                validator(document, content["schema"]).validate(content["example"])
                tried += 1
        assert tried or method != "post", path
    assert tried >= 6


async def with_real_secrets(service: Running, owner: dict[str, str]) -> dict[str, dict[str, dict[str, str]]]:
    """What stands in the place of an example's secrets, by path and method: the examples hold none."""
    opened, waiting = await doors.begun(service), await doors.begun(service)
    assert (await doors.decide(service, owner, opened["user_code"])).status_code == 200
    text, name = (await doors.invited(service, owner))["invitation"], f"{REDEMPTION['name']} {uuid4()}"
    club, own = await clubhouse.founded(service), await clubhouse.published(service, owner)
    newer = await clubhouse.published(service, owner, {**DOCUMENT, "title": "Two crowns, again"})
    reset_name = await doors.somebody_with_a_password(service)
    database, now = service.app.state.database, service.app.state.clock()
    reset = database.write(lambda connection: make_reset(connection, reset_name, now))
    own_name = (await service.client.get("/v1/account", headers=owner)).json()["name"]
    assert (LOG_IN["name"], LOG_IN["password"]) == (REDEMPTION["name"], REDEMPTION["password"])
    assert {"user_code", "device_code"} <= DECISION.keys() | POLL.keys()
    return {
        "/v1/account/redemptions": {"post": {"invitation": text, "name": name}},
        "/v1/account/tokens": {"post": {"name": name}},
        "/v1/account/password-resets": {"post": {"name": reset_name, "reset": reset}},
        "/v1/account": {"delete": {"name": own_name, "password": PASSWORD["new_password"]}},
        "/v1/device-pairings/approvals": {"post": {"user_code": waiting["user_code"]}},
        "/v1/device-pairings/token": {"post": {"device_code": opened["device_code"]}},
        "/v1/shares": {"post": {"definition": await doors.published(service, owner)}},
        "/v1/club-memberships": {"post": {"invitation": (await club.invitation())["invitation"]}},
        "/v1/clubs/{club_id}/definitions": {"post": {"definition_id": own}},
        "/v1/clubs/{club_id}/definitions/{id}/revisions": {"post": {"definition_id": newer}},
    }


# Two draw texts that are made up; of two coins that fit alike a display shows the one that comes first by a name made from the
# club's own random id.
MADE_UP = {"post /v1/device-pairings", "post /v1/shares", "get /v1/clubs/{club_id}/definitions/{id}/display"}


@pytest.mark.anyio
async def test_every_example_works_and_every_answer_fits_its_schema(service: Running, promise: Promise) -> None:
    """Each operation is sent its own example (or none), and its answer is held against the document. What it says is recorded:
    whoever puts the sessions of both engines together compares the answers."""
    said: dict[str, Any] = {}
    document, owner = openapi_document(), service.collector(is_admin=True)
    quotas = service.app.state.quotas
    quotas.account, quotas.anonymous = Rate("account", 100_000, 60), Rate("anonymous", 100_000, 60)
    token, device = service.another_token(owner), (await doors.paired(service, owner))[1]
    invitation = await doors.invited(service, owner)
    real = await with_real_secrets(service, owner)
    house = await clubhouse.founded(service, owner)
    club, member, gone, offer = house.address, await house.newcomer(), await house.newcomer(), await house.offered()
    # Before there are coins of which little is known: they would sit in every place for the time being.
    swap = await house.proposed(member, owner, offer)
    photo = await house.photographed(member, offer)
    others = await clubhouse.founded(service)
    swappers = [await others.newcomer(), await others.newcomer()]
    to_propose = await others.swappers(swappers[0], swappers[1], await others.offered())
    real["/v1/clubs/{club_id}/swaps"] = {"post": to_propose}
    job = doors.job_done(service, owner)
    held = await service.client.post("/v1/holdings", json=HOLDING, headers=owner)
    made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
    where = made.headers["location"]
    shown = await service.client.post(f"{where}/exhibitions", json=EXHIBITION, headers=owner)
    sheet = await service.client.post("/v1/holdings/imports", json=HOLDINGS_IMPORT, headers=owner)
    shot = await service.client.post(f"{held.headers['location']}/photos?side=edge", **photo_upload(owner))
    brought = f"/v1/holdings/imports/{sheet.json()['import_id']}"
    shared = await doors.shared(service, owner, follows=True)
    opened = shared["link"].removeprefix("http://setwright.test")
    waiting = (await service.client.post("/v1/imports", json=DEFINITION_IMPORT, headers=owner)).headers["location"]
    copied = await doors.copied(service, owner)
    seen, invited = house.id_of(member), (await house.invitation())["id"]
    steps: list[tuple[str, str, str]] = [
        ("post", "/v1/holdings", "/v1/holdings"),
        ("get", "/v1/holdings", "/v1/holdings"),
        ("get", "/v1/holdings/{id}", held.headers["location"]),
        ("patch", "/v1/holdings/{id}", held.headers["location"]),
        ("get", "/v1/holdings/sync", "/v1/holdings/sync"),
        ("get", "/v1/holdings/changes", "/v1/holdings/changes"),
        ("post", "/v1/holdings/sync", "/v1/holdings/sync"),
        ("get", "/v1/holdings/sync/records", f"/v1/holdings/sync/records?ids={held.json()['id']}"),
        ("post", "/v1/holdings/imports", "/v1/holdings/imports"),
        ("get", "/v1/holdings/imports", "/v1/holdings/imports"),
        ("get", "/v1/holdings/imports/{import_id}", brought),
        ("post", "/v1/holdings/imports/{import_id}/undo", f"{brought}/undo"),
        ("get", "/v1/holdings/export", "/v1/holdings/export"),
        ("post", "/v1/holdings/{id}/photos", f"{held.headers['location']}/photos?side=obverse"),
        ("get", "/v1/holdings/{id}/photos", f"{held.headers['location']}/photos"),
        ("get", "/v1/holdings/{id}/photos/{photo_id}", shot.headers["location"]),
        ("get", "/v1/holdings/{id}/photos/{photo_id}/image", f"{shot.headers['location']}/image?size=160"),
        ("delete", "/v1/holdings/{id}/photos/{photo_id}", shot.headers["location"]),
        ("put", "/v1/photos/{sha256}", f"/v1/photos/{hashlib.sha256(picture()).hexdigest()}"),
        ("get", "/v1/photos/{sha256}", f"/v1/photos/{hashlib.sha256(picture()).hexdigest()}"),
        ("post", "/v1/definitions", "/v1/definitions"),
        ("put", "/v1/definitions/{id}", where),
        ("post", "/v1/definitions/{id}/revisions", f"{where}/revisions"),
        ("get", "/v1/definitions", "/v1/definitions"),
        ("get", "/v1/definitions/{id}", where),
        ("get", "/v1/definitions/{id}/revisions", f"{where}/revisions"),
        ("get", "/v1/definitions/{id}/revisions/{number}", f"{where}/revisions/1"),
        ("get", "/v1/definitions/{id}/changes", f"{where}/changes"),
        ("get", "/v1/definitions/{id}/impact", f"{where}/impact"),
        ("get", "/v1/definitions/{id}/adoption", f"{where}/adoption"),
        ("put", "/v1/definitions/{id}/adoption", f"{where}/adoption"),
        ("put", "/v1/definitions/{id}/revisions/{number}/withdrawal", f"{where}/revisions/1/withdrawal"),
        ("get", "/v1/definitions/{id}/evaluation", f"{where}/evaluation"),
        ("get", "/v1/definitions/{id}/evaluation/parts", f"{where}/evaluation/parts?part=summary&part=slots"),
        ("get", "/v1/definitions/{id}/evaluation/unplaced", f"{where}/evaluation/unplaced"),
        ("get", "/v1/definitions/{id}/evaluation/doubts", f"{where}/evaluation/doubts"),
        ("get", "/v1/definitions/{id}/check", f"{where}/check"),
        ("get", "/v1/definitions/{id}/want-list", f"{where}/want-list"),
        ("get", "/v1/definitions/{id}/pins", f"{where}/pins"),
        ("put", "/v1/definitions/{id}/pins", f"{where}/pins"),
        ("get", "/v1/definitions/{id}/pins/costs", f"{where}/pins/costs"),
        ("get", "/v1/definitions/{id}/rule-prices", f"{where}/rule-prices"),
        ("post", "/v1/definitions/{id}/history", f"{where}/history"),
        ("get", "/v1/definitions/{id}/history", f"{where}/history"),
        ("post", "/v1/definitions/{id}/exhibitions", f"{where}/exhibitions"),
        ("get", "/v1/definitions/{id}/exhibitions", f"{where}/exhibitions"),
        ("get", "/v1/definitions/{id}/exhibitions/{exhibition_id}", shown.headers["location"]),
        ("delete", "/v1/definitions/{id}/exhibitions/{exhibition_id}", shown.headers["location"]),
        ("get", "/v1/insurance-list", "/v1/insurance-list"),
        ("get", "/v1/need-sheets", "/v1/need-sheets"),
        ("get", "/v1/holdings/labels", "/v1/holdings/labels"),
        ("get", "/v1/definitions/{id}/want-notes", f"{where}/want-notes"),
        ("put", "/v1/definitions/{id}/want-notes", f"{where}/want-notes"),
        ("post", "/v1/candidates", "/v1/candidates"),
        ("post", "/v1/allocations", "/v1/allocations"),
        ("post", "/v1/piece-checks", "/v1/piece-checks"),
        ("get", "/v1/doubts", "/v1/doubts"),
        ("post", "/v1/evaluations", "/v1/evaluations"),
        ("post", "/v1/explanations", "/v1/explanations"),
        ("post", "/v1/definition-checks", "/v1/definition-checks"),
        ("post", "/v1/definition-previews", "/v1/definition-previews"),
        ("get", "/v1/holdings/counts", "/v1/holdings/counts?attribute=denomination"),
        ("get", "/v1/attributes", "/v1/attributes"),
        ("get", "/v1/functions", "/v1/functions"),
        ("get", "/v1/messages", "/v1/messages"),
        ("get", "/v1/vocabularies", "/v1/vocabularies"),
        ("get", "/v1/vocabularies/{name}", "/v1/vocabularies/issuers"),
        ("post", "/v1/vocabularies", "/v1/vocabularies"),
        ("put", "/v1/vocabularies/{name}", "/v1/vocabularies/beasts"),
        ("delete", "/v1/vocabularies/{name}", "/v1/vocabularies/beasts"),
        ("get", "/v1/catalogue/complete", "/v1/catalogue/complete"),
        ("get", "/v1/issues", "/v1/issues"),
        ("post", "/v1/issues", "/v1/issues"),
        ("get", "/v1/issues/{id}", f"/v1/issues/{ISSUE['id']}"),
        ("put", "/v1/issues/{id}", f"/v1/issues/{ISSUE['id']}"),
        ("post", "/v1/issues/imports", "/v1/issues/imports"),
        ("delete", "/v1/issues/{id}", f"/v1/issues/{ISSUE['id']}"),
        ("get", "/v1/schemas/set-definition", "/v1/schemas/set-definition"),
        ("get", "/v1/account", "/v1/account"),
        ("put", "/v1/account/password", "/v1/account/password"),
        ("get", "/v1/account/presumptions", "/v1/account/presumptions"),
        ("put", "/v1/account/presumptions", "/v1/account/presumptions"),
        ("get", "/v1/account/export", "/v1/account/export"),
        ("post", "/v1/account/redemptions", "/v1/account/redemptions"),
        ("post", "/v1/account/password-resets", "/v1/account/password-resets"),
        ("post", "/v1/account/tokens", "/v1/account/tokens"),
        ("get", "/v1/account/tokens", "/v1/account/tokens"),
        ("delete", "/v1/account/tokens/{id}", f"/v1/account/tokens/{await doors.own_id(service, token)}"),
        ("delete", "/v1/account/token", "/v1/account/token"),
        ("post", "/v1/account/invitations", "/v1/account/invitations"),
        ("get", "/v1/account/invitations", "/v1/account/invitations"),
        ("delete", "/v1/account/invitations/{id}", f"/v1/account/invitations/{invitation['id']}"),
        ("post", "/v1/device-pairings", "/v1/device-pairings"),
        ("post", "/v1/device-pairings/approvals", "/v1/device-pairings/approvals"),
        ("post", "/v1/device-pairings/token", "/v1/device-pairings/token"),
        ("get", "/pair", "/pair"),
        ("get", "/v1/devices", "/v1/devices"),
        ("get", "/v1/devices/{id}", f"/v1/devices/{device}"),
        ("patch", "/v1/devices/{id}", f"/v1/devices/{device}"),
        ("delete", "/v1/devices/{id}", f"/v1/devices/{device}"),
        ("post", "/v1/shares", "/v1/shares"),
        ("get", "/v1/shares", "/v1/shares"),
        ("get", "/v1/shares/{id}", f"/v1/shares/{shared['id']}"),
        ("get", "/v1/shared/{secret}", opened),
        ("get", "/v1/shared/{secret}/qr", f"{opened}/qr"),
        ("get", "/v1/shared/{secret}/revisions", f"{opened}/revisions"),
        ("get", "/v1/shared/{secret}/revisions/{number}", f"{opened}/revisions/1"),
        ("delete", "/v1/shares/{id}", f"/v1/shares/{shared['id']}"),
        ("post", "/v1/imports", "/v1/imports"),
        ("get", "/v1/imports", "/v1/imports"),
        ("get", "/v1/imports/{id}", waiting),
        ("post", "/v1/imports/{id}/confirmation", f"{waiting}/confirmation"),
        ("delete", "/v1/imports/{id}", waiting),
        ("post", "/v1/definitions/{id}/copies", f"{where}/copies"),
        ("get", "/v1/definitions/{id}/origin", f"{copied}/origin"),
        ("post", "/v1/definitions/{id}/origin/checks", f"{copied}/origin/checks"),
        ("get", "/v1/definitions/{id}/origin/revisions/{number}", f"{copied}/origin/revisions/2"),
        ("post", "/v1/definitions/{id}/pulls", f"{copied}/pulls"),
        ("delete", "/v1/definitions/{id}/origin", f"{copied}/origin"),
        ("post", "/v1/clubs", "/v1/clubs"),
        ("get", "/v1/clubs", "/v1/clubs"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/swaps", f"{club}{offer}/swaps"),
        ("post", "/v1/clubs/{club_id}/swaps", f"{others.address}/swaps"),
        ("get", "/v1/clubs/{club_id}/swaps", f"{others.address}/swaps"),
        ("get", "/v1/clubs/{club_id}/swaps/{swap_id}", swap),
        ("put", "/v1/clubs/{club_id}/swaps/{swap_id}/answer", f"{swap}/answer"),
        ("get", "/v1/clubs/{club_id}", club),
        ("patch", "/v1/clubs/{club_id}", club),
        ("get", "/v1/clubs/{club_id}/members", f"{club}/members"),
        ("get", "/v1/clubs/{club_id}/members/{member_id}", f"{club}/members/{seen}"),
        ("patch", "/v1/clubs/{club_id}/members/{member_id}", f"{club}/members/{seen}"),
        ("delete", "/v1/clubs/{club_id}/members/{member_id}", f"{club}/members/{house.id_of(gone)}"),
        ("get", "/v1/clubs/{club_id}/audit", f"{club}/audit"),
        ("post", "/v1/clubs/{club_id}/invitations", f"{club}/invitations"),
        ("get", "/v1/clubs/{club_id}/invitations", f"{club}/invitations"),
        ("delete", "/v1/clubs/{club_id}/invitations/{invitation_id}", f"{club}/invitations/{invited}"),
        ("post", "/v1/club-memberships", "/v1/club-memberships"),
        ("post", "/v1/clubs/{club_id}/definitions", f"{club}/definitions"),
        ("get", "/v1/clubs/{club_id}/definitions", f"{club}/definitions"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}", f"{club}{offer}"),
        ("post", "/v1/clubs/{club_id}/definitions/{id}/revisions", f"{club}{offer}/revisions"),
        ("post", "/v1/clubs/{club_id}/definitions/{id}/copies", f"{club}{offer}/copies"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/consent", f"{club}{offer}/consent"),
        ("put", "/v1/clubs/{club_id}/definitions/{id}/consent", f"{club}{offer}/consent"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/consent/preview", f"{club}{offer}/consent/preview"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/changes", f"{club}{offer}/changes"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/standings", f"{club}{offer}/standings"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/standings/{member_id}", f"{club}{offer}/standings/{seen}"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/spares", f"{club}{offer}/spares"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/spares/{member_id}", f"{club}{offer}/spares/{seen}"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/display", f"{club}{offer}/display"),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/display/{member_id}/photos/{photo}", photo),
        ("get", "/v1/clubs/{club_id}/announcements", f"{club}/announcements"),
        ("delete", "/v1/clubs/{club_id}/definitions/{id}", f"{club}{offer}"),
        ("delete", "/v1/clubs/{club_id}/membership", f"{club}/membership"),
        ("delete", "/v1/clubs/{club_id}", (await clubhouse.founded(service, owner)).address),
        ("get", "/v1/jobs", "/v1/jobs"),
        ("get", "/v1/jobs/{id}", f"/v1/jobs/{job}"),
        ("get", "/v1/jobs/{id}/result", f"/v1/jobs/{job}/result"),
        ("delete", "/v1/jobs/{id}", f"/v1/jobs/{job}"),
        ("get", "/health/live", "/health/live"),
        ("get", "/health/ready", "/health/ready"),
        ("get", "/", "/"),
        ("get", "/docs", "/docs"),
        ("get", "/docs/assets/{name}", "/docs/assets/swagger-ui.css"),
        ("get", "/problems", "/problems"),
        ("get", "/problems/{kind}", "/problems/stale"),
        ("get", "/openapi.json", "/openapi.json"),
        ("get", "/metrics", "/metrics"),
        ("delete", "/v1/holdings/{id}", held.headers["location"]),
        ("delete", "/v1/definitions/{id}", "a draft"),
        ("delete", "/v1/account", "/v1/account"),
    ]
    # The token of this test is the one for metrics as well.
    secret = SecretStr(owner["Authorization"].removeprefix("Bearer "))
    service.app.state.settings = service.app.state.settings.model_copy(update={"metrics_token": secret})
    # Answers that go on are looked at elsewhere: tests/journeys/test_sync.py, tests/http/test_jobs.py.
    streams = {("get", "/v1/holdings/events"), ("get", "/v1/jobs/{id}/events")}
    tried = {(method, path) for method, path, _ in steps}
    assert tried | streams == {(method, path) for method, path, _ in operations()}
    for method, path, address in steps:
        declared = document["paths"][path][method]
        if address == "a draft":
            address = (
                await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
            ).headers["location"]
        content = declared.get("requestBody", {}).get("content", {})
        kind = next(iter(content), None)
        # Nobody but the sides of a swap can propose it.
        headers = {**(swappers[0] if address.startswith(others.address) else owner), "If-Match": "*"}
        if address == "/v1/account/token":
            # It ends the token that it is sent with.
            headers |= service.another_token(owner, scopes=["read"])
        if any(parameter["name"] == "Prefer" for parameter in declared.get("parameters", ())):
            # So that the answer says what it made of it.
            headers["Prefer"] = MINIMAL
        if kind is None:
            answer = await service.client.request(method, address, headers=headers)
        elif kind.startswith("image/"):
            answer = await service.client.request(method, address, **photo_upload(headers))
        else:
            headers["Content-Type"] = kind
            body = content[kind]["example"] | real.get(path, {}).get(method, {})
            answer = await service.client.request(method, address, json=body, headers=headers)
        success = next(status for status in declared["responses"] if status.startswith("2"))
        assert str(answer.status_code) == success, (method, path, answer.text)
        described = declared["responses"][success]
        for name in described.get("headers", {}):
            # The last page has no next one, and what an owner wrote may be in any language.
            assert name in ("Link", "Content-Language") or name in answer.headers, (method, path, name)
        schema = described.get("content", {}).get("application/json", {}).get("schema")
        if schema is not None:
            validator(closed(document), schema).validate(answer.json())
            ensure_worded(answer.json(), MESSAGES)
            ensure_all_named(answer.json())
            said[f"{method} {path}"] = answer.json()
    same = {name: fingerprint(value) for name, value in said.items() if name not in MADE_UP}
    # The control: one value of an answer is another one.
    changed = {name: altered(said[name]) for name in same}
    seen = sum(value is not None and fingerprint(value) != same[name] for name, value in changed.items())
    assert seen > len(same) / 2
    promise(
        11,
        "every operation's answer to its example",
        kept=f"{len(same)} answers, alike on both engines but for ids, times and secrets",
        control=f"one value of an answer changed: {seen} of {len(same)} seen",
        same=same,
    )


# What is wrong with something that was sent: a code and where it is stand beside the text, as in problem documents.
FAULTS = {"FaultOut", "RefusedCell", "RefusedRow", "Rejection"}


def test_beside_every_text_for_people_are_its_code_and_its_parts() -> None:
    document = openapi_document()
    schemas = document["components"]["schemas"]
    texts = {name for name, schema in schemas.items() if {"message", "messages"} & schema.get("properties", {}).keys()}
    with_list = {name for name in texts if "message" not in schemas[name]["properties"]}
    # Lists of messages, each with its own.
    message = {"$ref": "#/components/schemas/Message"}
    assert all(schemas[name]["properties"]["messages"]["items"] == message for name in with_list - FAULTS)
    assert with_list - FAULTS
    for name in texts - with_list - FAULTS:
        assert {"message", "code", "parts"} <= set(schemas[name]["required"]), name
    assert texts >= FAULTS


def test_an_undeclared_member_of_an_answer_does_not_fit_its_closed_schema() -> None:
    document = openapi_document()
    schema = document["paths"]["/v1/evaluations"]["post"]["responses"]["200"]["content"]["application/json"]["schema"]
    request = a_measurement(a_document({"old": "year_on_coin < 1900"}), [a_holding("coin", year_on_coin=1880)])
    answer = result_of(request)
    check = validator(closed(document), schema)
    check.validate(answer)
    with pytest.raises(jsonschema_rs.ValidationError):
        check.validate({**answer, "slots": [{**answer["slots"][0], "undeclared": 1}]})


@pytest.mark.anyio
async def test_problem_answers_fit_their_schema_and_are_declared(service: Running) -> None:
    document = openapi_document()
    schema = {"$ref": "#/components/schemas/ProblemOut"}
    answers = [
        await service.client.post("/v1/evaluations", json={**EVALUATION, "holdings": 3}),
        await service.client.post("/v1/explanations", json={**EXPLANATION, "place": "x"}),
        await service.client.post("/v1/evaluations", content=b"{", headers={"Content-Type": "application/json"}),
        await service.client.get("/v1/holdings"),
        await service.client.get("/v1/vocabularies/nothing"),
    ]
    assert [answer.status_code for answer in answers] == [422, 422, 400, 401, 404]
    for answer in answers:
        validator(document, schema).validate(answer.json())


def test_every_kind_of_problem_is_declared_by_some_operation_or_comes_from_outside_of_all() -> None:
    declared = {
        kind
        for _, _, operation in operations()
        for answer in operation["responses"].values()
        for kind in answer.get("content", {}).get("application/problem+json", {}).get("examples", {})
    }
    assert set(PROBLEM_KINDS) - declared == {"method-not-allowed", "internal"}
