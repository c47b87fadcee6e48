"""A definition is brought from a link or a file, looked at, and kept when its owner says so; its origin is asked for newer
revisions, which are offered and never adopted by themselves."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.fetch.client import Fetcher
from service.http.dependencies import context_of
from service.rules.document import document_digest
from service.sharing.actions.polling import check_due
from service.sharing.model import MOST_OFFERED, MOST_PENDING_IMPORTS, pause_after
from service.sharing.store import DueOriginStore
from tests.conftest import Running, running, settings_for
from tests.fetch.hosts import Answering, Names, Network, host, says
from tests.http import doors
from tests.http.examples import DOCUMENT
from tests.logs import listening

pytestmark = pytest.mark.anyio

SECOND: dict[str, Any] = {**DOCUMENT, "title": "Two crowns, again"}
BROKEN: dict[str, Any] = {
    **DOCUMENT,
    "slots": [{"id": "worn", "accepts": "finess = 1"}, {"id": "worn", "accepts": "grade >"}],
}


def a_share(document: Any = DOCUMENT, **changes: Any) -> dict[str, Any]:
    """What a link tells."""
    told = {
        "title": "Two crowns",
        "revision": 1,
        "digest": document_digest(DOCUMENT),
        "published_at": "2026-11-25T10:00:00Z",
    }
    return {
        **told,
        "follows": True,
        "newest_revision": 1,
        "document": document,
        "later": "a field of tomorrow",
        **changes,
    }


def sharing(value: Any, tag: str = '"one"') -> Answering:
    return says(json.dumps(value).encode(), f"ETag: {tag}")


def from_loopback(service: Running) -> None:
    service.app.state.fetcher = Fetcher(from_loopback=True)


async def started(service: Running, owner: dict[str, str], **body: Any) -> Any:
    return await service.client.post("/v1/imports", json=body, headers=owner)


async def definitions(service: Running, owner: dict[str, str]) -> list[Any]:
    items: list[Any] = (await service.client.get("/v1/definitions", headers=owner)).json()["items"]
    return items


async def imports(service: Running, owner: dict[str, str]) -> list[Any]:
    items: list[Any] = (await service.client.get("/v1/imports", headers=owner)).json()["items"]
    return items


async def test_a_link_is_fetched_looked_at_and_kept_only_when_it_is_confirmed(service: Running) -> None:
    from_loopback(service)
    owner = service.collector()
    async with host(sharing(a_share(revision=3, newest_revision=3))) as port:
        link = f"http://127.0.0.1:{port}/v1/shared/sws_x"
        made = await started(service, owner, **{"from": link, "digest": document_digest(DOCUMENT)})
    assert made.status_code == 201, made.text
    told = made.json()
    assert (told["status"], told["kind"], told["address"]) == ("waiting", "share", link)
    assert (told["title"], told["revision"], told["digest"]) == ("Two crowns", 3, document_digest(DOCUMENT))
    assert told["document"] == DOCUMENT
    assert "Worn crown: a crown, grade less than 40. Note: Through many hands." in told["in_words"]
    check = await service.client.post("/v1/definition-checks", json={"definition": DOCUMENT})
    assert (told["counts"], told["findings"]) == (check.json()["counts"], check.json()["findings"])
    assert await definitions(service, owner) == []
    where = made.headers["location"]
    assert (await service.client.get(where, headers=owner)).json() == told
    # Yes.
    kept = await service.client.post(f"{where}/confirmation", headers=owner)
    assert kept.status_code == 201, kept.text
    assert (kept.json()["status"], kept.json()["revision"], kept.json()["digest"]) == (
        "published",
        1,
        document_digest(DOCUMENT),
    )
    assert kept.json()["document"] == DOCUMENT
    definition = kept.json()["id"]
    assert [item["id"] for item in await definitions(service, owner)] == [definition]
    assert [(item["status"], item["definition"]) for item in await imports(service, owner)] == [
        ("confirmed", definition)
    ]
    origin = (await service.client.get(f"/v1/definitions/{definition}/origin", headers=owner)).json()
    assert (origin["kind"], origin["address"], origin["revision"]) == ("share", link, 3)
    assert (origin["digest"], origin["newest_revision"], origin["available"]) == (document_digest(DOCUMENT), 3, [])
    # Once.
    again = await service.client.post(f"{where}/confirmation", headers=owner)
    assert (again.status_code, definition in again.json()["detail"]) == (409, True)
    assert (await service.client.delete(where, headers=owner)).status_code == 204
    assert len(await definitions(service, owner)) == 1


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        ("application/yaml", b"format: set-definition/1\ntitle: Two\nslots:\n- {id: a, accepts: grade > 3}\n"),
        (
            "application/json",
            b'{"format": "set-definition/1", "title": "Two", "slots": [{"id": "a", "accepts": "grade > 3"}]}',
        ),
        (
            "application/yaml",
            b"document:\n  format: set-definition/1\n  title: Two\n  slots:\n  - {id: a, accepts: grade > 3}\n",
        ),
    ],
)
async def test_a_file_is_the_document_by_itself_or_wrapped(service: Running, kind: str, content: bytes) -> None:
    owner = service.collector()
    made = await service.client.post("/v1/imports", content=content, headers={**owner, "Content-Type": kind})
    assert made.status_code == 201, made.text
    assert (made.json()["kind"], made.json()["address"], made.json()["title"]) == ("file", None, "Two")
    kept = await service.client.post(f"{made.headers['location']}/confirmation", headers=owner)
    where = kept.headers["location"]
    assert (await service.client.get(f"{where}/origin", headers=owner)).json()["kind"] == "file"
    # There is nobody to ask.
    assert (await service.client.post(f"{where}/origin/checks", headers=owner)).status_code == 409


async def test_a_document_under_another_name_is_refused_with_its_place(service: Running) -> None:
    answer = await started(service, service.collector(), definition=DOCUMENT)
    assert answer.status_code == 422
    assert [(fault["code"], fault["pointer"]) for fault in answer.json()["errors"]] == [("wrapping", "/definition")]


@pytest.mark.parametrize("body", [{}, {"from": "https://coins.example.org/", "document": BROKEN}, {"digest": "x"}])
async def test_an_import_has_either_a_link_or_a_document(service: Running, body: dict[str, Any]) -> None:
    answer = await started(service, service.collector(), **body)
    assert answer.status_code == 422
    faults = answer.json()["errors"]
    assert faults
    # The faults of a document are named, too, so that all can be corrected at once.
    assert any(fault["pointer"].startswith("/document/slots") for fault in faults) is ("document" in body)


async def test_an_address_may_have_a_definition_by_itself(service: Running) -> None:
    from_loopback(service)
    yaml = says(
        b"format: set-definition/1\ntitle: Two\nslots:\n- {id: a, accepts: grade > 3}\n", kind="application/yaml"
    )
    async with host(yaml) as port:
        made = await started(service, service.collector(), **{"from": f"http://127.0.0.1:{port}/two.yaml"})
    assert (made.status_code, made.json()["kind"], made.json()["revision"]) == (201, "file", None)


LONG: dict[str, Any] = {
    **DOCUMENT,
    "slots": [{"id": f"s{number}", "accepts": f"year_on_coin = {1500 + number}"} for number in range(300)],
}


@pytest.mark.parametrize("document", [LONG, {**LONG, "slots": [*LONG["slots"], *BROKEN["slots"]]}, [LONG]])
async def test_what_is_long_is_checked_in_a_process_for_work_as_here(
    service: Running, monkeypatch: pytest.MonkeyPatch, document: Any
) -> None:
    from_loopback(service)
    members = context_of(service.app).members
    assert members is not None

    async def answers() -> tuple[int, list[tuple[int, Any]]]:
        before, found, owner = members.tally.done, [], service.collector()
        async with host(says(json.dumps(document).encode())) as port:
            ways = [{"from": f"http://127.0.0.1:{port}/one"}]
            ways += [{"document": document}] if isinstance(document, dict) else []
            for way in ways:
                answer = await started(service, owner, **way)
                told = answer.json()
                told = {name: told.get(name) for name in ("findings", "in_words", "digest", "errors", "type", "detail")}
                found.append((answer.status_code, told))
        return members.tally.done - before, found

    elsewhere, told = await answers()
    # What was fetched and cannot be read is refused there, and so never done; what was sent is answered there either way.
    (of_link, _), *of_body = told
    assert elsewhere == (of_link == 201) + len(of_body)
    monkeypatch.setattr("service.sharing.actions.imports.is_read_quickly", lambda fetched: True)
    service.app.state.settings = service.app.state.settings.model_copy(update={"small_work_milliseconds": 60_000.0})
    here, same = await answers()
    assert (here, same) == (0, told)


async def test_a_document_with_faults_is_answered_with_all_of_them_and_not_kept(service: Running) -> None:
    from_loopback(service)
    owner = service.collector()
    faults = ["/document/slots/0/accepts", "/document/slots/1/accepts", "/document/slots/1/id"]
    sent = await started(service, owner, document=BROKEN)
    async with host(sharing(a_share(BROKEN, digest=document_digest(BROKEN)))) as port:
        fetched = await started(service, owner, **{"from": f"http://127.0.0.1:{port}/"})
    for answer in (sent, fetched):
        assert answer.status_code == 422
        assert sorted(fault["pointer"] for fault in answer.json()["errors"]) == faults
    assert await imports(service, owner) == []


def problem_of(answer: Any) -> str:
    assert answer.status_code == 422, answer.text
    kind: str = answer.json()["type"].rpartition("/")[2]
    return kind


REFUSED: list[tuple[Answering, str]] = [
    (sharing(a_share(digest=document_digest(SECOND))), "digest-mismatch"),
    (sharing(a_share(SECOND)), "digest-mismatch"),
    (sharing([]), "fetch-unreadable"),
    (sharing({"document": DOCUMENT}), "fetch-unreadable"),
    (sharing({**a_share(), "revision": True}), "fetch-unreadable"),
    (sharing({**a_share(), "revision": 0}), "fetch-unreadable"),
    (sharing({**a_share(), "document": []}), "fetch-unreadable"),
    (says(b'{"a": 1, "a": 2}'), "fetch-unreadable"),
    (says(b'{"a": NaN}'), "fetch-unreadable"),
    (says(b'{"a": "\xff"}'), "fetch-unreadable"),
    (says(b"[" * 100_000), "fetch-unreadable"),
    (says(b"a: &a [1]\nb: *a\n", kind="application/yaml"), "fetch-unreadable"),
    (says(b""), "fetch-unreadable"),
    (says(b"{}", status="404 Not Found"), "fetch-failed"),
    (says(b" " * (1024 * 1024 + 1)), "fetch-too-large"),
    (says(b"", "Location: https://coins.example.org/", status="302 Found"), "fetch-redirected"),
]


@pytest.mark.parametrize(("answering", "kind"), REFUSED)
async def test_what_cannot_be_taken_is_refused_by_name(service: Running, answering: Answering, kind: str) -> None:
    from_loopback(service)
    owner = service.collector()
    async with host(answering) as port:
        answer = await started(service, owner, **{"from": f"http://127.0.0.1:{port}/sws_canary-secret"})
    assert problem_of(answer) == kind
    assert "canary" not in answer.text
    assert await imports(service, owner) == []


async def test_the_digest_that_one_expects_is_held_against_the_document(service: Running) -> None:
    from_loopback(service)
    owner = service.collector()
    async with host(sharing(a_share())) as port:
        link = f"http://127.0.0.1:{port}/"
        wrong = await started(service, owner, **{"from": link, "digest": document_digest(SECOND)})
        right = await started(service, owner, **{"from": link, "digest": document_digest(DOCUMENT)})
    assert (problem_of(wrong), wrong.json()["errors"][0]["pointer"]) == ("digest-mismatch", "/digest")
    assert right.status_code == 201


async def test_without_the_setting_nothing_on_this_machine_is_asked(service: Running) -> None:
    network = Network()
    service.app.state.fetcher.network = network
    service.app.state.fetcher.resolve = Names(home_example_org=[["127.0.0.1"]])
    for link in (
        "http://127.0.0.1:8000/",
        "https://127.0.0.1:8000/",
        "https://localhost/",
        "https://home.example.org/",
    ):
        answer = await started(service, service.collector(), **{"from": link})
        assert problem_of(answer) == "address-not-allowed"
        assert answer.json()["errors"][0]["pointer"] == "/from"
    assert network.dialled == []


async def test_a_request_that_is_sent_again_does_not_ask_again(service: Running) -> None:
    from_loopback(service)
    owner, asked = service.collector(), []

    async def answering(head: bytes, writer: asyncio.StreamWriter) -> None:
        asked.append(head)
        await sharing(a_share())(head, writer)

    headers = {**owner, "Idempotency-Key": "one"}
    async with host(answering) as port:
        body = {"from": f"http://127.0.0.1:{port}/"}
        first = await service.client.post("/v1/imports", json=body, headers=headers)
    # The host is gone by now.
    again = await service.client.post("/v1/imports", json=body, headers=headers)
    assert (first.status_code, again.status_code, again.json()) == (201, 201, first.json())
    other = await service.client.post("/v1/imports", json={"document": DOCUMENT}, headers=headers)
    assert other.json()["type"].endswith("/idempotency-key-reused")
    assert (len(asked), len(await imports(service, owner))) == (1, 1)


async def test_imports_wait_for_a_day_and_only_so_many(service: Running) -> None:
    owner = service.collector()
    first = (await started(service, owner, document=DOCUMENT)).headers["location"]
    for _ in range(MOST_PENDING_IMPORTS - 1):
        assert (await started(service, owner, document=DOCUMENT)).status_code == 201
    full = await started(service, owner, document=DOCUMENT)
    assert (full.status_code, str(MOST_PENDING_IMPORTS) in full.json()["detail"]) == (409, True)
    service.app.state.clock = lambda: datetime.now(UTC) + timedelta(hours=24, seconds=1)
    for method, more in (("GET", ""), ("DELETE", ""), ("POST", "/confirmation")):
        assert (await service.client.request(method, first + more, headers=owner)).status_code == 404
    assert await imports(service, owner) == []
    assert (await started(service, owner, document=DOCUMENT)).status_code == 201


# --- copies and origins -----------------------------------------------------------------------------------------------


async def test_a_copy_is_a_draft_that_knows_where_it_came_from(service: Running) -> None:
    owner = service.collector()
    original = await doors.published(service, owner)
    await doors.publish(service, owner, original, SECOND)
    where = f"/v1/definitions/{original}/copies"
    mine = await service.client.post(where, json={"revision": 1, "title": "Mine"}, headers=owner)
    assert mine.status_code == 201, mine.text
    assert (mine.json()["status"], mine.json()["document"]) == ("draft", {**DOCUMENT, "title": "Mine"})
    origin = (await service.client.get(f"{mine.headers['location']}/origin", headers=owner)).json()
    assert (origin["kind"], origin["definition"], origin["address"]) == ("own", original, None)
    assert (origin["title"], origin["revision"], origin["digest"]) == ("Two crowns", 1, document_digest(DOCUMENT))
    newest = await service.client.post(where, json={}, headers=owner)
    assert newest.json()["document"] == SECOND
    draft = (await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)).json()["id"]
    assert (await service.client.post(f"/v1/definitions/{draft}/copies", json={}, headers=owner)).status_code == 409
    assert (await service.client.post(where, json={"revision": 3}, headers=owner)).status_code == 404
    assert (await service.client.get(f"/v1/definitions/{original}/origin", headers=owner)).status_code == 404
    # The copy is followed like any other origin.
    checks = f"{mine.headers['location']}/origin/checks"
    found = (await service.client.post(checks, headers=owner)).json()
    assert (found["outcome"], [entry["revision"] for entry in found["origin"]["available"]]) == ("newer", [2])
    assert (await service.client.post(checks, headers=owner)).json()["outcome"] == "unchanged"


async def followed(service: Running, owner: dict[str, str], link: str) -> str:
    """The address of a definition that was imported from the link."""
    made = await started(service, owner, **{"from": link})
    assert made.status_code == 201, made.text
    kept = await service.client.post(f"{made.headers['location']}/confirmation", headers=owner)
    where: str = kept.headers["location"]
    return where


class Origin:
    """A host whose answers can be changed while it stands."""

    def __init__(self) -> None:
        self.answers: Callable[[str], Answering] = lambda path: sharing(a_share())
        self.heads: list[str] = []

    async def __call__(self, head: bytes, writer: asyncio.StreamWriter) -> None:
        self.heads.append(head.decode())
        await self.answers(head.decode().split()[1])(head, writer)


def newer(path: str) -> Answering:
    if path.endswith("/revisions/4"):
        return sharing(a_share(SECOND, revision=4, newest_revision=4, digest=document_digest(SECOND)))
    return sharing(a_share(newest_revision=4), '"two"')


async def test_what_is_newer_is_offered_and_nothing_is_adopted(service: Running) -> None:
    from_loopback(service)
    owner, origin = service.collector(), Origin()
    async with host(origin) as port:
        where = await followed(service, owner, f"http://127.0.0.1:{port}/v1/shared/sws_x?format=json")
        origin.answers = lambda path: says(b"", status="304 Not Modified")
        checked = (await service.client.post(f"{where}/origin/checks", headers=owner)).json()
        assert (checked["outcome"], checked["problem"]) == ("unchanged", None)
        assert 'If-None-Match: "one"' in origin.heads[-1]
        origin.answers = newer
        checked = (await service.client.post(f"{where}/origin/checks", headers=owner)).json()
        assert checked["outcome"] == "newer"
        assert origin.heads[-1].startswith("GET /v1/shared/sws_x/revisions/4 HTTP/1.1")
        offered = checked["origin"]["available"]
        assert [(entry["revision"], entry["digest"], entry["title"]) for entry in offered] == [
            (4, document_digest(SECOND), "Two crowns, again")
        ]
        # The next question names the newer version, and a host that tells the same again tells nothing new.
        checked = (await service.client.post(f"{where}/origin/checks", headers=owner)).json()
        assert (checked["outcome"], checked["origin"]["newest_revision"]) == ("unchanged", 4)
        assert 'If-None-Match: "two"' in origin.heads[-1]
    one = (await service.client.get(f"{where}/origin/revisions/4", headers=owner)).json()
    assert one["document"] == SECOND
    assert (await service.client.get(f"{where}/origin/revisions/5", headers=owner)).status_code == 404
    mine = (await service.client.get(where, headers=owner)).json()
    assert (mine["revision"], mine["document"]) == (1, DOCUMENT)


FAILING: list[tuple[Callable[[str], Answering], str]] = [
    (lambda path: says(b"{}", status="404 Not Found"), "fetch-failed"),
    (lambda path: sharing(a_share(SECOND, digest=document_digest(SECOND))), "digest-mismatch"),
    (lambda path: sharing(a_share(newest_revision=4)), "fetch-unreadable"),
    (
        lambda path: newer(path) if "revisions" not in path else sharing(a_share(SECOND, revision=4)),
        "digest-mismatch",
    ),
    (
        lambda path: (
            newer(path)
            if "revisions" not in path
            else sharing(a_share(BROKEN, revision=4, digest=document_digest(BROKEN)))
        ),
        "invalid",
    ),
    (lambda path: says(b" " * 2_000_000), "fetch-too-large"),
]


@pytest.mark.parametrize(("answers", "kind"), FAILING)
async def test_a_failure_is_told_kindly_and_nothing_is_offered(
    service: Running, answers: Callable[[str], Answering], kind: str
) -> None:
    from_loopback(service)
    owner, origin = service.collector(), Origin()
    async with host(origin) as port:
        where = await followed(service, owner, f"http://127.0.0.1:{port}/v1/shared/sws_x")
        origin.answers = answers
        answer = await service.client.post(f"{where}/origin/checks", headers=owner)
    assert answer.status_code == 200, answer.text
    checked = answer.json()
    assert checked["outcome"] == "failed"
    assert checked["problem"]["type"] == f"http://setwright.test/problems/{kind}"
    state = checked["origin"]
    assert (state["failures"], state["last_problem"], state["available"], state["newest_revision"]) == (1, kind, [], 1)


async def test_an_origin_that_fails_is_left_alone_longer_and_longer(service: Running) -> None:
    from_loopback(service)
    owner, origin = service.collector(), Origin()
    now = datetime.now(UTC).replace(microsecond=0)
    service.app.state.clock = lambda: now
    async with host(origin) as port:
        where = await followed(service, owner, f"http://127.0.0.1:{port}/v1/shared/sws_x")
        origin.answers = lambda path: says(b"{}", status="503 Later")
        for failures in (1, 2, 3):
            checked = (await service.client.post(f"{where}/origin/checks", headers=owner)).json()
            assert checked["origin"]["failures"] == failures
            then = datetime.fromisoformat(checked["origin"]["next_check_at"])
            assert pause_after(failures, 1) <= then - now <= pause_after(failures, 0)
            asked = len(origin.heads)
            early = await service.client.post(f"{where}/origin/checks", headers=owner)
            assert (early.status_code, early.json()["type"]) == (429, "http://setwright.test/problems/asked-too-soon")
            assert 0 < int(early.headers["retry-after"]) <= (then - now).total_seconds() + 1
            assert len(origin.heads) == asked
            now = then
        # One good answer, and all is as before.
        origin.answers = lambda path: sharing(a_share())
        checked = (await service.client.post(f"{where}/origin/checks", headers=owner)).json()
        assert (checked["outcome"], checked["origin"]["failures"], checked["origin"]["next_check_at"]) == (
            "unchanged",
            0,
            None,
        )
        assert checked["origin"]["last_problem"] is None


async def test_two_checks_at_once_offer_a_revision_once(service: Running) -> None:
    from_loopback(service)
    owner, origin = service.collector(), Origin()
    async with host(origin) as port:
        where = await followed(service, owner, f"http://127.0.0.1:{port}/v1/shared/sws_x")
        origin.answers = newer
        checks = [service.client.post(f"{where}/origin/checks", headers=owner) for _ in range(4)]
        answers = await asyncio.gather(*checks)
    assert {answer.status_code for answer in answers} == {200}
    kept = (await service.client.get(f"{where}/origin", headers=owner)).json()
    assert [entry["revision"] for entry in kept["available"]] == [4]


async def test_an_origin_that_says_more_and_more_fills_no_database(service: Running) -> None:
    from_loopback(service)
    owner, origin = service.collector(), Origin()
    async with host(origin) as port:
        where = await followed(service, owner, f"http://127.0.0.1:{port}/v1/shared/sws_x")
        for number in range(2, MOST_OFFERED + 4):
            told = a_share(newest_revision=number), a_share(SECOND, revision=number, digest=document_digest(SECOND))
            origin.answers = lambda path, told=told: sharing(told["revisions" in path])
            checked = (await service.client.post(f"{where}/origin/checks", headers=owner)).json()
            assert checked["outcome"] == "newer"
    offered = [entry["revision"] for entry in checked["origin"]["available"]]
    assert offered == list(range(4, MOST_OFFERED + 4))


async def test_origins_that_are_due_are_asked_once_whoever_asks(empty_database_url: str, tmp_path: Path) -> None:
    """Every server of one database asks now and then for all owners; two at the same time ask each origin once."""
    async with running(settings_for(empty_database_url, photos_dir=tmp_path)) as service:
        await due_origins(service)


async def due_origins(service: Running) -> None:
    from_loopback(service)
    owners, origin = [service.collector() for _ in range(3)], Origin()
    now = datetime.now(UTC)
    service.app.state.clock = lambda: now
    async with host(origin) as port:
        link = f"http://127.0.0.1:{port}/v1/shared/sws_x"
        places = [await followed(service, owner, link) for owner in owners]
        file = await service.client.post("/v1/imports", json={"document": DOCUMENT}, headers=owners[0])
        await service.client.post(f"{file.headers['location']}/confirmation", headers=owners[0])
        origin.answers, origin.heads = newer, []
        assert await check_due(context_of(service.app), 6) == {}
        now += timedelta(hours=6)
        both = await asyncio.gather(*(check_due(context_of(service.app), 6) for _ in range(2)))
        assert both[0] + both[1] == {"newer": 3}
        assert sum(" /v1/shared/sws_x HTTP" in head for head in origin.heads) == 3
        assert await check_due(context_of(service.app), 6) == {}
        # The control: two that do not claim what they ask ask twice.
        now += timedelta(hours=6)
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(DueOriginStore, "claim", lambda *_: True)
            careless = await asyncio.gather(*(check_due(context_of(service.app), 6) for _ in range(2)))
        assert (careless[0] + careless[1]).total() == 6
        # What fails has its pause, however long ago it is that it answered.
        origin.answers = lambda path: says(b"{}", status="404 Not Found")
        now += timedelta(hours=6)
        assert await check_due(context_of(service.app), 6) == {"failed": 3}
        assert await check_due(context_of(service.app), 0) == {}
    for owner, where in zip(owners, places, strict=True):
        state = (await service.client.get(f"{where}/origin", headers=owner)).json()
        assert (state["failures"], [entry["revision"] for entry in state["available"]]) == (1, [4])


async def test_an_origin_can_be_forgotten(service: Running) -> None:
    owner = service.collector()
    where = f"{await doors.copied(service, owner)}/origin"
    tag = (await service.client.get(where, headers=owner)).headers["etag"]
    assert (await service.client.get(where, headers={**owner, "If-None-Match": tag})).status_code == 304
    assert (await service.client.delete(where, headers=owner)).status_code == 428
    assert (await service.client.delete(where, headers={**owner, "If-Match": '"x"'})).status_code == 412
    assert (await service.client.delete(where, headers={**owner, "If-Match": tag})).status_code == 204
    assert (await service.client.get(where, headers=owner)).status_code == 404


async def test_a_links_secret_stands_in_no_log_and_no_refusal(
    service: Running, capfd: pytest.CaptureFixture[str]
) -> None:
    """Promise 14, for the links of others: in log and answers of imports and checks that fail."""
    from_loopback(service)
    now, owner, origin, secret = datetime.now(UTC), service.collector(), Origin(), "sws_canary-of-the-link-0815"
    service.app.state.clock = lambda: now
    told = []
    with listening() as written:
        async with host(origin) as port:
            link = f"http://127.0.0.1:{port}/v1/shared/{secret}"
            where = await followed(service, owner, link)
            leads_on = [lambda path: says(b"", f"Location: http://{secret}{path}", status="302 Found")]
            for answers in [entry[0] for entry in FAILING] + leads_on:
                origin.answers = answers
                refused = await started(service, owner, **{"from": link, "digest": f"sha-256:{'0' * 64}"})
                assert refused.status_code == 422
                checked = (await service.client.post(f"{where}/origin/checks", headers=owner)).json()
                assert checked.pop("origin")["failures"] > 0
                told += [refused.text, json.dumps(checked)]
                now += timedelta(days=1)
            told.append((await started(service, owner, **{"from": f"http://{secret}/{secret}"})).text)
    logged = written.getvalue() + "".join(capfd.readouterr())
    assert "method=POST route=/v1/imports" in logged, "the log must have been seen"
    assert secret not in logged
    assert secret not in "".join(told)
    # The controls: it went over the wire, its owner sees it, and a client that logs whole addresses would have told it.
    assert secret in "".join(origin.heads)
    assert secret in (await service.client.get(f"{where}/origin", headers=owner)).json()["address"]
    with listening() as written, suppress(httpx.TransportError):
        logging.getLogger("httpx").setLevel(logging.INFO)
        async with host(says(b"{}")) as port, httpx.AsyncClient(trust_env=False) as client:
            await client.get(f"http://127.0.0.1:{port}/{secret}")
    assert secret in written.getvalue()
