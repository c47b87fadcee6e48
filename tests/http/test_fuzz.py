"""Requests made up from the OpenAPI document, sent to a really running server: no answer is a fault of the service, and
every answer is one that the document declares. A step of its own (.ci/run), since it takes minutes:

    python -m pytest -p schemathesis -n 2 -m fuzz tests/http/test_fuzz.py
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from schemathesis import Case, GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.config import SchemathesisConfig
from schemathesis.core.parameters import ParameterLocation
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

from service.http.openapi import OPEN
from tests.conftest import own_database
from tests.http.examples import (
    CLUB,
    DEFINITION_IMPORT,
    DOCUMENT,
    EXHIBITION,
    HOLDING,
    HOLDINGS_IMPORT,
    ISSUE,
    LOG_IN,
    REDEMPTION,
    VOCABULARY,
)
from tests.openapi import openapi_document
from tests.pictures import photo_upload
from tests.server import Server, serving

pytestmark = pytest.mark.fuzz

EXAMPLES = 12
# Of characters that may take twelve bytes in an address; uvicorn's limit for it and the headers is 64 KiB.
LONGEST_QUERY = 5_000
# Another name than the example has, which is to be created.
WORDS = "words-of-ambria"
SHOWN = {"standing": True, "spares": True, "display": True, "photos": True}
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]

SCHEMA = schemathesis.openapi.from_dict(openapi_document(), config=SchemathesisConfig.from_dict({}))
# The watch goes on for a quarter of an hour; it is looked at over a real connection elsewhere.
OPERATIONS = {result.ok().definition.raw["operationId"]: result.ok() for result in SCHEMA.get_all_operations()}
del OPERATIONS["watch_holdings"]
# It takes nothing but the token, and ends the one that all else is asked with.
del OPERATIONS["log_out"]


@dataclass(frozen=True)
class Target:
    """A running server, the token of its account, and ids of what the account keeps."""

    address: str
    headers: dict[str, str]
    holding: str
    definition: str
    issue: str
    brought: str
    shown: str
    photo: str
    file: str
    share: str
    secret: str
    vocabulary: str
    waiting: str
    club: str
    member: str
    offer: str
    displayed: str
    way: str
    swap: str


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with own_database(tmp_path_factory.mktemp("fuzz")) as url, serving(url) as server:
        yield server
        assert "unforeseen" not in server.printed


@pytest.fixture
def target(server: Server, request: pytest.FixtureRequest) -> Iterator[Target]:
    """A holding and a published definition for this test alone, which may delete them; a club and an import that waits where
    the operation's path goes to one."""
    path = OPERATIONS[request.node.callspec.params["name"]].path
    headers = {"Authorization": f"Bearer {server.token()}"}
    if "{club_id}" in path:
        # What the tests before left in the first account, sets by the hundred, would stand in the way of a swap.
        headers = entered(server)
    with httpx.Client(base_url=server.address, headers=headers, timeout=10) as client:
        holding = client.post("/v1/holdings", json=HOLDING).raise_for_status().json()["id"]
        definition = client.post("/v1/definitions", json={"document": DOCUMENT}).raise_for_status().json()["id"]
        client.post(f"/v1/definitions/{definition}/revisions", headers={"If-Match": "*"}).raise_for_status()
        # Deleted by the test before it, perhaps: its id is free again then, and so is the name.
        client.post("/v1/issues", json=ISSUE)
        client.post("/v1/vocabularies", json={**VOCABULARY, "name": WORDS})
        brought = client.post("/v1/holdings/imports", json=HOLDINGS_IMPORT).raise_for_status().json()["import_id"]
        if path.endswith("/pulls"):
            definition = copied(client, definition)
        shown = (
            client.post(f"/v1/definitions/{definition}/exhibitions", json=EXHIBITION).raise_for_status().json()["id"]
        )
        shot = client.post(f"/v1/holdings/{holding}/photos?side=edge", **photo_upload(headers)).raise_for_status()
        share = client.post("/v1/shares", json={"definition": definition, "revision": 1}).raise_for_status().json()
        waiting = holding
        if path.startswith("/v1/imports/"):
            waiting = client.post("/v1/imports", json=DEFINITION_IMPORT).raise_for_status().json()["id"]
        club = club_of(client, definition, entered(server)) if "{club_id}" in path else (holding,) * 6
        secret = share["link"].rpartition("/")[2]
        kept = (
            holding,
            definition,
            ISSUE["id"],
            brought,
            shown,
            shot.json()["id"],
            shot.json()["sha256"],
            share["id"],
            secret,
        )
        yield Target(server.address, headers, *kept, WORDS, waiting, *club)
        # Only so many imports may wait.
        for left in client.get("/v1/imports?limit=200").raise_for_status().json()["items"]:
            client.delete(f"/v1/imports/{left['id']}", headers={"If-Match": "*"})


def entered(server: Server) -> dict[str, str]:
    """A new account's headers."""
    first = {"Authorization": f"Bearer {server.token()}"}
    with httpx.Client(base_url=server.address, headers=first, timeout=10) as client:
        text = client.post("/v1/account/invitations", json={}).raise_for_status().json()["invitation"]
        named = {**REDEMPTION, "invitation": text, "name": f"Ida Lund {uuid4()}"}
        client.post("/v1/account/redemptions", json=named).raise_for_status()
        token = client.post("/v1/account/tokens", json={**LOG_IN, "name": named["name"]}).raise_for_status().json()
    return {"Authorization": f"Bearer {token['access_token']}"}


def copied(client: httpx.Client, original: str) -> str:
    """A copy whose original has a newer revision, which the copy knows of."""
    where, anyway = f"/v1/definitions/{original}", {"If-Match": "*"}
    copy = client.post(f"{where}/copies", json={}).raise_for_status().json()["id"]
    client.post(f"/v1/definitions/{copy}/revisions?acknowledged=true", headers=anyway).raise_for_status()
    client.put(where, json={"document": {**DOCUMENT, "title": "Again"}}, headers=anyway).raise_for_status()
    client.post(f"{where}/revisions?acknowledged=true", headers=anyway).raise_for_status()
    client.post(f"/v1/definitions/{copy}/origin/checks").raise_for_status()
    identity: str = copy
    return identity


def club_of(client: httpx.Client, definition: str, other: dict[str, str]) -> tuple[str, str, str, str, str, str]:
    """The ids of a club, of the founder in it, of what it offers, of a photo in its display, of a way in and of a swap."""
    club = client.post("/v1/clubs", json=CLUB).raise_for_status().json()
    where = f"/v1/clubs/{club['id']}"
    offer = client.post(f"{where}/definitions", json={"definition_id": definition}).raise_for_status().json()["id"]
    client.put(f"{where}/definitions/{offer}/consent", json=SHOWN).raise_for_status()
    # Whichever coin of those that fit is taken, it has a photo.
    for kept in client.get("/v1/holdings?limit=200").raise_for_status().json()["items"]:
        client.post(f"/v1/holdings/{kept['id']}/photos?side=obverse", **photo_upload({})).raise_for_status()
    display = client.get(f"{where}/definitions/{offer}/display").raise_for_status().json()
    displayed = next(photo["image"].rpartition("/")[2] for coin in display["exhibits"] for photo in coin["photos"])
    way = client.post(f"{where}/invitations", json={}).raise_for_status().json()["id"]
    return club["id"], club["member_id"], offer, displayed, way, proposed(client, where, offer, other)


def proposed(client: httpx.Client, club: str, offer: str, headers: dict[str, str]) -> str:
    """A swap that another account proposes, once each has what the other lacks."""
    # Coins that are there already would sit in the empty place, if only for the time being.
    for kept in client.get("/v1/holdings?limit=200").raise_for_status().json()["items"]:
        if (kept["facts"].get("denomination"), kept["facts"].get("grade")) not in [("crown", 45), ("crown", 60)]:
            client.delete(f"/v1/holdings/{kept['id']}", headers={"If-Match": "*"}).raise_for_status()
    text = client.post(f"{club}/invitations", json={}).raise_for_status().json()["invitation"]
    with httpx.Client(base_url=client.base_url, headers=headers, timeout=10) as other:
        other.post("/v1/club-memberships", json={"invitation": text, "name": "Ida Lund"}).raise_for_status()
        for who, grade in ((other, 10), (other, 20), (client, 45), (client, 60)):
            crown = {"facts": {"denomination": "crown", "grade": grade}}
            who.post("/v1/holdings", json=crown).raise_for_status()
        consent = {"standing": True, "spares": True}
        other.put(f"{club}/definitions/{offer}/consent", json=consent).raise_for_status()
        swaps = other.get(f"{club}/definitions/{offer}/swaps").raise_for_status().json()["items"]
        body = {"definition_id": offer, "swap": swaps[0]["key"]}
        identity: str = other.post(f"{club}/swaps", json=body).raise_for_status().json()["id"]
    return identity


# A batch of mutations, of which each is judged by itself: what does not fit is rejected in an answer of 200.
JUDGES_PARTS = "sync_holdings"


def known_steps(target: Target, path: str) -> dict[str, Any]:
    """Steps of the path that lead to something, since made-up ones hardly ever do."""
    # What is kept in a club comes first, since a path to it goes through both.
    kept = {"clubs": target.offer, "holdings": target.holding, "issues": target.issue}
    kept |= {"shares": target.share, "imports": target.waiting}
    identity = next((kept[kind] for kind in kept if f"/v1/{kind}/" in path), target.definition)
    return {
        "name": target.vocabulary,
        "kind": "stale",
        "number": 1,
        "id": identity,
        "import_id": target.brought,
        "exhibition_id": target.shown,
        "photo_id": target.photo,
        "sha256": target.file,
        "secret": target.secret,
        "club_id": target.club,
        "member_id": target.member,
        "photo": target.displayed,
        "invitation_id": target.way,
        "swap_id": target.swap,
    }


def send(target: Target, case: Case, *, to_something: bool) -> int:
    """The status of one request, its answer checked; `to_something` aims it at what is kept, in whatever version."""
    headers, checks = target.headers, CHECKS
    judges_parts = case.operation.definition.raw["operationId"] == JUDGES_PARTS
    if to_something:
        known = known_steps(target, case.path)
        case.path_parameters = {name: known[name] for name in case.path_parameters}
        headers = {**headers, "If-Match": "*"}
    elif not judges_parts:
        # Left as it was made up, so what does not fit the document has to be refused.
        checks = [*checks, negative_data_rejection]
    # The server in front of the application refuses that by itself, and in its own words.
    assume(len(str(case.query or "")) < LONGEST_QUERY)
    answer = case.call(base_url=target.address, headers=headers, timeout=30)
    case.validate_response(answer, checks=checks)
    return answer.status_code


def has_wrong_body(case: Case) -> bool:
    body = case.meta.components.get(ParameterLocation.BODY) if case.meta else None
    return body is not None and body.mode.is_negative


def thorough(examples: int) -> settings:
    """The same requests in every run."""
    return settings(
        max_examples=examples, derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck)
    )


@pytest.mark.parametrize("name", OPERATIONS)
def test_every_answer_to_what_fits_is_one_that_the_document_declares(target: Target, name: str) -> None:
    statuses: set[int] = set()

    @thorough(EXAMPLES)
    @given(case=OPERATIONS[name].as_strategy(generation_mode=GenerationMode.POSITIVE), to_something=st.booleans())
    def run(case: Case, to_something: bool) -> None:
        statuses.add(send(target, case, to_something=to_something))

    run()
    print(name, sorted(statuses))
    # 401 alone would mean that nothing behind the door was seen.
    assert statuses - {401}


def can_be_unfitting(name: str) -> bool:
    """Whether there is anything in a request that could be wrong: a token, a body, a parameter that is not any text."""
    declared = OPERATIONS[name].definition.raw
    types = {parameter["schema"].get("type") for parameter in declared.get("parameters", [])}
    return declared["x-access"] != OPEN or "requestBody" in declared or bool(types - {"string"})


@pytest.mark.parametrize("name", list(filter(can_be_unfitting, OPERATIONS)))
def test_every_answer_to_what_does_not_fit_is_one_that_the_document_declares(target: Target, name: str) -> None:
    statuses: set[int] = set()

    @thorough(EXAMPLES)
    @given(case=OPERATIONS[name].as_strategy(generation_mode=GenerationMode.NEGATIVE), to_something=st.booleans())
    def run(case: Case, to_something: bool) -> None:
        statuses.add(send(target, case, to_something=to_something))

    run()
    print(name, sorted(statuses))
    assert statuses - {401}


@pytest.mark.parametrize("name", [JUDGES_PARTS])
def test_a_change_that_does_not_fit_is_rejected_by_itself(target: Target, name: str) -> None:
    rejected = 0

    @thorough(100)
    @given(case=OPERATIONS[name].as_strategy(generation_mode=GenerationMode.NEGATIVE))
    def run(case: Case) -> None:
        nonlocal rejected
        # Nothing else of the request is wrong.
        assume(has_wrong_body(case) and isinstance(case.body, dict) and "mutations" in case.body)
        case.headers, case.query, case.media_type = {}, {}, "application/json"
        answer = case.call(base_url=target.address, headers=target.headers, timeout=30)
        case.validate_response(answer, checks=CHECKS)
        if answer.status_code == 200:
            assert "rejected" in [one["status"] for one in answer.json()["responses"]]
            rejected += 1

    run()
    print(name, rejected)
    assert rejected


# Their examples are plainly no secrets, so nothing opens.
NEED_A_SECRET = {
    "log_in",
    "redeem_invitation",
    "reset_password",
    "delete_account",
    "set_password",
    "decide_pairing",
    "fetch_device_token",
    "rename_device",
    # And this one is of a definition that only a test knows.
    "create_share",
    "join_club",
    # The example names no definition that is kept.
    "offer_definition",
    "offer_revision",
    # And this one no swap that there is.
    "propose_swap",
}
# What stands in the place of something else: values that are usual somewhere in a body, and any JSON at all.
USUAL = [
    None,
    True,
    0,
    -1,
    40,
    1.5,
    2**53,
    "",
    "crown",
    "grade",
    "denomination = 'crown'",
    "mine",
    [],
    {},
    {"none": True},
]
JUNK = st.one_of(
    st.sampled_from(USUAL),
    st.recursive(
        st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text(max_size=20),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
        max_leaves=6,
    ),
)


def steps_of(value: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) of a JSON value."""
    keys = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else []
    return [pair for key in keys for pair in [(value, key), *steps_of(value[key])]]


@st.composite
def almost(draw: st.DrawFn, example: dict[str, Any]) -> dict[str, Any]:
    """The example, which works, with up to three things changed, left out or added."""
    body = deepcopy(example)
    for _ in range(draw(st.integers(0, 3))):
        places = steps_of(body)
        if not places:
            break
        container, key = draw(st.sampled_from(places))
        match draw(st.sampled_from(["change", "leave out", "add"])):
            case "change":
                # A copy: what is drawn is changed further down, and must not be for the next example.
                container[key] = deepcopy(draw(JUNK))
            case "leave out":
                del container[key]
            case "add" if isinstance(container, list):
                container.append(deepcopy(container[key]))
            case "add":
                container[draw(st.text(max_size=8))] = deepcopy(draw(JUNK))
    return body


def example_of(name: str) -> tuple[str, dict[str, Any]] | None:
    """The media type and the example of the operation's body."""
    content = OPERATIONS[name].definition.raw.get("requestBody", {}).get("content", {})
    return next(((kind, entry["example"]) for kind, entry in content.items() if "example" in entry), None)


@pytest.mark.parametrize("name", list(filter(example_of, OPERATIONS)))
def test_every_answer_to_what_almost_works_is_one_that_the_document_declares(target: Target, name: str) -> None:
    found = example_of(name)
    assert found is not None
    kind, example = found
    statuses: set[int] = set()

    @thorough(4 * EXAMPLES)
    @given(body=almost(example))
    def run(body: dict[str, Any]) -> None:
        operation = OPERATIONS[name]
        known = known_steps(target, operation.path)
        steps = {step: known[step] for step in known if f"{{{step}}}" in operation.path}
        case = operation.Case(body=body, media_type=kind, path_parameters=steps)
        statuses.add(send(target, case, to_something=True))

    run()
    print(name, sorted(statuses))
    # Both sides of the border were seen, where an example can work without a secret and can be made wrong at all.
    if name not in NEED_A_SECRET:
        assert min(statuses) < 300
        assert not steps_of(example) or 422 in statuses
