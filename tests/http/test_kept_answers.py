"""Answers that are kept: byte for byte those that are computed, never older than what is stored, given before the framework."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
import pytest
from starlette.responses import Response

from service.accounts.model import Owner, token_digest
from service.accounts.store import AccountStore
from service.app import create_app
from service.errors import Busy, NotFound
from service.http.answered_before import AnsweredBefore
from service.http.answers import Address, Answers
from service.http.api import evaluations, lists
from service.progress.actions.store import FOLLOWED, SET_KEY, SETS_KEY, load_sets_key, set_key_of, sets_key_of
from service.progress.actions.stored_set import SetKey, SetsKey, load_key
from tests.clock import Clock
from tests.conftest import PLAIN, Running, running, settings_for
from tests.http.set_changes import CHANGES, Collector, change, done, move_in
from tests.logs import listening
from tests.owners import recognise

pytestmark = pytest.mark.anyio
ALONE = "evaluation?today=2026-01-02"


@asynccontextmanager
async def computing(url: str) -> AsyncIterator[Running]:
    """The service of the same database that keeps nothing: each answer goes through the framework and is computed."""
    app = create_app(settings_for(url, answers_bytes=0))
    app.user_middleware = [layer for layer in app.user_middleware if layer.cls is not AnsweredBefore]  # type: ignore[comparison-overlap]
    async with app.router.lifespan_context(app):
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(
            transport=transport, base_url="http://setwright.test", headers=PLAIN, timeout=60
        ) as client:
            yield Running(app, client)


@pytest.fixture
async def fresh(database_url: str) -> AsyncIterator[Running]:
    async with computing(database_url) as started:
        yield started


@pytest.fixture
async def worker(database_url: str) -> AsyncIterator[Running]:
    """One more that keeps answers, of the same database."""
    async with running(settings_for(database_url)) as started:
        yield started


def count_framework(service: Running) -> Callable[[], int]:
    """How many requests came as far as the framework's routes since."""
    reached = 0
    honest = service.app.router.middleware_stack

    async def counting(scope: Any, receive: Any, send: Any) -> None:
        nonlocal reached
        reached += 1
        await honest(scope, receive, send)

    service.app.router.middleware_stack = counting
    # The stack is built with the first request, around the router.
    assert service.app.middleware_stack is not None
    return lambda: reached


def whole(answer: httpx.Response) -> tuple[int, list[tuple[bytes, bytes]], bytes]:
    """All that follows from what was asked; each request has an id of its own."""
    headers = [header for header in answer.headers.raw if header[0] != b"x-request-id"]
    return answer.status_code, headers, answer.content


# --- the same bytes ----------------------------------------------------------------------------------------------------------


async def callers(service: Running, mine: Mapping[str, str]) -> dict[str, dict[str, str]]:
    database, now = service.app.state.database, datetime.now(UTC)
    revoked = service.another_token(dict(mine))
    digest = token_digest(revoked["Authorization"].removeprefix("Bearer "))

    def revoke(connection: Any) -> None:
        owner = recognise(connection, mine["Authorization"].removeprefix("Bearer "))
        AccountStore(connection).revoke(owner, digest, now)

    database.write(revoke)
    token = mine["Authorization"].removeprefix("Bearer ")
    return {
        "owner": dict(mine),
        "reader": service.another_token(dict(mine), scopes=("read",)),
        "evaluator": service.another_token(dict(mine), scopes=("evaluate",)),
        "writer": service.another_token(dict(mine), scopes=("write",)),
        "expired": service.another_token(dict(mine), expires_at=now - timedelta(seconds=1)),
        "revoked": revoked,
        "stranger": service.collector(),
        "nobody": {},
        "unknown": {"Authorization": "Bearer swt_unknown"},
        "basic": {"Authorization": "Basic dXNlcjpwYXNz"},
        "empty": {"Authorization": "Bearer "},
        "lower": {"Authorization": f"bearer  {token} "},
    }


SENT: tuple[dict[str, str], ...] = (
    {},
    {"Accept": "text/csv;q=0.5, text/html"},
    {"Accept": "application/xml"},
    {"If-None-Match": "*"},
    {"If-None-Match": '"another", W/"THE TAG"'},
    {"If-None-Match": '"THE TAG"'},
    {"If-None-Match": "no tag"},
    {"If-None-Match": '"\u00e9"'},
    {"Accept-Encoding": "gzip"},
    {"Accept-Encoding": "zstd", "If-None-Match": '"THE TAG-zstd"'},
    {"Accept-Encoding": "br;q=0.5, zstd;q=0"},
)
QUERIES = ("", "?", "?today=2026-01-02", "?today=never", "?revision=1", "?revision=9", "?presume=false", "?format=text",
           "?format=text&format=csv", "?upgrades=3", "?more=1")  # fmt: skip


DIGITS = """{"document": {"format": "set-definition/1", "title": "Above", "slots": [{"id": "high", "label": "High",
    "accepts": {"op": ">", "args": [{"property": "face_value"}, %s]}}]}}"""


async def test_digits_that_a_digest_does_not_tell_apart_are_told_apart(service: Running, fresh: Running) -> None:
    headers = service.collector()
    sent = {**headers, "Content-Type": "application/json", "If-Match": "*"}
    await done(service.client, headers, "POST", "/v1/holdings", {"facts": {"denomination": "penny", "face_value": 1}})
    where = (await service.client.post("/v1/definitions", content=DIGITS % "1.50", headers=sent)).headers["location"]
    seen = set()
    for step in ("1.50", "1.5", "published"):
        if step == "published":
            await done(service.client, headers, "POST", f"{where}/revisions?acknowledged=true")
        else:
            assert (await service.client.put(where, content=DIGITS % step, headers=sent)).is_success
        for _ in range(2):
            given = await service.client.get(f"{where}/evaluation", headers=headers)
            assert whole(given) == whole(await fresh.client.get(f"{where}/evaluation", headers=headers)), step
        assert ("1.50" in given.text) == (step == "1.50"), step
        seen.add(given.headers["etag"])
    assert len(seen) == 3


async def test_no_byte_differs_from_what_is_computed_whoever_asks_in_whatever_way(
    service: Running, fresh: Running
) -> None:
    mine = await move_in(service.client, service.collector())
    where = mine.sets[0]
    known = await callers(service, mine.headers)
    paths = [f"{where}/{rest}{query}" for rest in ("evaluation", "want-list") for query in QUERIES]
    paths += [f"/v1/need-sheets{query}" for query in ("", *QUERIES[2:4])] + ["/v1/need-sheets/", "/v1/need-sheetsx"]
    paths += [f"{where.upper()}/evaluation", f"{where}/evaluation/", f"{where}x/evaluation", f"{where}/evaluation%0A"]
    tried = 0

    async def logged(ask: Awaitable[httpx.Response]) -> tuple[httpx.Response, list[dict[str, Any]]]:
        with listening() as log:
            answer = await ask
        varying = ("ms", "request")
        return answer, [{name: of for name, of in entry.items() if name not in varying} for entry in log.entries]

    for path in paths:
        tag = (await service.client.get(path, headers=dict(mine.headers))).headers.get("etag", '"none"').strip('"')
        for (who, headers), sent in itertools.product(known.items(), SENT):
            # Whoever else asks is told the same whatever else comes along.
            if who != "owner" and sent not in (SENT[0], SENT[5]):
                continue
            more = {name: value.replace("THE TAG", tag).encode() for name, value in sent.items()}
            every = {name: value.encode() for name, value in headers.items()} | more
            for method in ("GET", "HEAD") if who == "owner" else ("GET",):
                computed, expected = await logged(fresh.client.request(method, path, headers=every))
                for _ in range(2):
                    given, lines = await logged(service.client.request(method, path, headers=every))
                    assert whole(given) == whole(computed), (method, path, who, sent)
                    assert lines == expected, (method, path, who, sent)
                    tried += 1
        for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS"):
            given = await service.client.request(method, path, headers=dict(mine.headers))
            assert whole(given) == whole(await fresh.client.request(method, path, headers=dict(mine.headers))), path
    assert tried > 1_000
    assert service.app.state.answers.counts.hits > 200


async def test_what_is_kept_is_given_without_the_framework_and_so_is_304(service: Running) -> None:
    mine = await move_in(service.client, service.collector())
    reached = None
    for path in mine.paths:
        first = await service.client.get(path, headers=dict(mine.headers))
        if first.status_code == 404:
            continue
        reached = reached or count_framework(service)
        before = reached()
        again = await service.client.get(path, headers=dict(mine.headers))
        assert whole(again) == whole(first)
        same = await service.client.get(path, headers={**mine.headers, "If-None-Match": first.headers["etag"]})
        assert (same.status_code, same.content) == (304, b"")
        assert reached() == before, path
    assert reached is not None


async def test_a_token_counts_as_it_stands_at_each_request(service: Running) -> None:
    clock = Clock(service)
    mine = await move_in(service.client, service.collector())
    path = f"{mine.sets[0]}/{ALONE}"
    short = service.another_token(dict(mine.headers), expires_at=clock.now + timedelta(minutes=5))
    for headers in (dict(mine.headers), short):
        for _ in range(3):
            assert (await service.client.get(path, headers=headers)).status_code == 200
    listed = (await service.client.get("/v1/account/tokens", headers=dict(mine.headers))).json()["items"]
    first_use = {token["id"]: token["last_used_at"] for token in listed}
    clock.on(minutes=2)
    assert (await service.client.get(path, headers=short)).status_code == 200
    listed = (await service.client.get("/v1/account/tokens", headers=dict(mine.headers))).json()["items"]
    assert sum(first_use[token["id"]] != token["last_used_at"] for token in listed) == 2
    clock.on(minutes=4)
    assert (await service.client.get(path, headers=short)).status_code == 401
    assert (await service.client.get(path, headers=dict(mine.headers))).status_code == 200
    (other,) = (token["id"] for token in listed if token["name"] == "first")
    await done(service.client, mine.headers, "DELETE", f"/v1/account/tokens/{other}")
    assert (await service.client.get(path, headers=dict(mine.headers))).status_code == 401


# --- never older than what is stored -------------------------------------------------------------------------------------------


async def stale(workers: list[Running], fresh: Running, mine: Collector, changes: Iterable[str]) -> set[str]:
    """After which of the changes one of the workers, which change things in turn, gave another answer than what is computed."""
    found = set()
    tomorrow = datetime.now(UTC) + timedelta(days=1)
    for number, what in enumerate(("nothing", *changes)):
        if what == "day":
            for service in (*workers, fresh):
                service.app.state.clock = lambda: tomorrow
        elif what in CHANGES:
            await change(workers[number % len(workers)].client, mine, what)
        for path in mine.paths:
            computed = await fresh.client.get(path, headers=dict(mine.headers))
            # What is answered twice is kept, and there to be given again after the next change.
            for worker in (*workers, *workers):
                given = await worker.client.get(path, headers=dict(mine.headers))
                if (given.status_code, given.content) != (computed.status_code, computed.content):
                    found.add(what)
    return found


async def test_two_workers_that_change_things_in_turn_give_no_old_answer(
    service: Running, worker: Running, fresh: Running
) -> None:
    mine = await move_in(service.client, service.collector())
    assert await stale([service, worker], fresh, mine, (*CHANGES, "day")) == set()
    for either in (service, worker):
        assert either.app.state.answers.counts.hits > 100
        assert either.app.state.answers.counts.misses > 20


def without(part: str) -> Callable[[SetKey, date], tuple[object, ...]]:
    """The version of a set, without one of its parts, and without what a draft was written as, which tells most of them."""
    honest = SetKey.version
    places = {"definition": 0, "number": 1, "digest": 2, "written": 3, "state": 4, "decisions": 5, "own": 6, "day": 7}
    left_out = {places[part], places["written"]}

    def version(key: SetKey, day: date) -> tuple[object, ...]:
        parts = honest(key, day)
        return tuple(value for place, value in enumerate(parts) if place not in left_out)

    return version


@pytest.mark.parametrize(
    ("part", "after", "caught"),
    [
        ("definition", (), {"nothing"}),
        ("number", ("publication", "same draft"), {"same draft"}),
        ("digest", ("draft",), {"draft"}),
        ("state", ("state",), {"state"}),
        ("decisions", ("decisions",), {"decisions"}),
        ("own", ("issue", "vocabulary", "presumption"), {"issue", "vocabulary", "presumption"}),
        ("day", ("day",), {"nothing", "day"}),
    ],
)
async def test_a_key_without_one_of_its_parts_is_caught(
    service: Running, fresh: Running, monkeypatch: pytest.MonkeyPatch, part: str, after: Sequence[str], caught: set[str]
) -> None:
    mine = await move_in(service.client, service.collector())
    monkeypatch.setattr(SetKey, "version", without(part))
    assert await stale([service], fresh, mine, after) >= caught


@pytest.mark.parametrize(
    ("part", "after", "caught"),
    [
        (1, ("decisions", "draft", "publication", "adoption"), {"decisions", "draft", "adoption"}),
        (2, ("state",), {"state"}),
        (3, ("issue", "vocabulary", "presumption"), {"issue", "vocabulary", "presumption"}),
        (4, ("day",), {"day"}),
    ],
)
async def test_a_key_of_all_sets_without_one_of_its_parts_is_caught(
    service: Running, fresh: Running, monkeypatch: pytest.MonkeyPatch, part: int, after: Sequence[str], caught: set[str]
) -> None:
    mine = await move_in(service.client, service.collector())
    honest = SetsKey.version

    def version(key: SetsKey, day: date) -> tuple[object, ...]:
        parts = honest(key, day)
        return (*parts[:part], *parts[part + 1 :])

    monkeypatch.setattr(SetsKey, "version", version)
    assert await stale([service], fresh, replace(mine, is_about_all=True), after) >= caught


@pytest.mark.parametrize(
    ("module", "place", "after", "caught"),
    [
        (evaluations, -2, ("presumption",), {"presumption"}),  # whether to presume
        (evaluations, -1, (), {"nothing"}),  # the form
        (lists, -4, (), {"nothing"}),  # the form
        (lists, -3, ("notes",), {"notes"}),
        (lists, -2, (), {"nothing"}),  # how many upgrades
        (lists, -1, (), {"nothing"}),  # the paper
    ],
)
async def test_a_tag_without_an_option_is_caught(
    service: Running,
    fresh: Running,
    monkeypatch: pytest.MonkeyPatch,
    module: Any,
    place: int,
    after: Sequence[str],
    caught: set[str],
) -> None:
    mine = await move_in(service.client, service.collector())
    honest = module.entity_tag

    def tag(*parts: object) -> str:
        kept = list(parts)
        del kept[place]
        return str(honest(*kept))

    monkeypatch.setattr(module, "entity_tag", tag)
    assert await stale([service], fresh, mine, after) >= caught


async def test_one_statement_finds_the_key_of_all_sets(service: Running) -> None:
    mine = await move_in(service.client, service.collector())
    token = mine.headers["Authorization"].removeprefix("Bearer ")
    database, keys = service.app.state.database, set[SetsKey]()
    owner = database.read(lambda connection: recognise(connection, token))
    for what in ("nothing", *CHANGES):
        if what in CHANGES:
            await change(service.client, mine, what)
        row = database.look_up(SETS_KEY, digest=token_digest(token))
        found = database.read(lambda connection: load_sets_key(connection, owner))
        assert sets_key_of(row) == found, what
        keys.add(found)
    assert len(keys) == len(CHANGES)
    assert database.look_up(SETS_KEY, digest=token_digest("another")) is None


async def test_one_statement_finds_what_several_find(service: Running) -> None:
    mine = await move_in(service.client, service.collector())
    token = mine.headers["Authorization"].removeprefix("Bearer ")
    database = service.app.state.database
    owner = database.read(lambda connection: recognise(connection, token))
    there = 0
    for what in ("nothing", *CHANGES, "withdrawal"):
        if what in CHANGES:
            await change(service.client, mine, what)
        elif what == "withdrawal":
            await done(service.client, mine.headers, "PUT", f"{mine.sets[0]}/adoption", {"revision": None})
            await done(service.client, mine.headers, "PUT", f"{mine.sets[0]}/revisions/2/withdrawal", {})
        for where, number in itertools.product((*mine.sets, mine.coin), (None, 1, 2, 3)):
            identity = where.rpartition("/")[2]
            values = {"digest": token_digest(token), "definition": identity, "number": number or FOLLOWED}
            for look in (database.look_up, *([database.look_up_at_once] if database.looks_up_at_once else [])):
                row = look(SET_KEY, **values)
                key = None if row is None else set_key_of(row, number)
                assert without_notes(key) == several(database, owner, identity, number), (what, number)
                there += key is not None
    assert there > 50


def without_notes(key: SetKey | None) -> tuple[object, ...] | None:
    return None if key is None else (key.owner, *key.version(date(2026, 1, 1)))


def several(database: Any, owner: Owner, identity: str, number: int | None) -> tuple[object, ...] | None:
    try:
        return without_notes(database.read(lambda connection: load_key(connection, owner, identity, number)))
    except NotFound:
        return None


# --- keeping -----------------------------------------------------------------------------------------------------------------


def an_address(name: str) -> Address:
    return Address("/v1/definitions/{id}/evaluation", Owner("somebody"), name)


def making(name: str, size: int = 1_000) -> Callable[[], Awaitable[tuple[Address, Response]]]:
    async def make() -> tuple[Address, Response]:
        return an_address(name), Response(name.encode() * (size // len(name)))

    return make


async def test_what_was_asked_for_longest_ago_is_let_go_of_first() -> None:
    answers = Answers(7_000)
    for name in "abc":
        await answers.once(an_address(name), making(name))
    # Each takes 1,000 bytes of body and some more.
    assert 6_000 < answers.counts.bytes <= 7_000
    assert answers.find(an_address("a")) is not None
    await answers.once(an_address("d"), making("d"))
    assert [answers.find(an_address(name)) is not None for name in "abcd"] == [True, False, True, True]
    assert (answers.counts.evictions, answers.counts.misses) == (1, 4)
    assert answers.counts.bytes <= 7_000
    await answers.once(an_address("e"), making("e", 3_500))
    assert answers.counts.bytes <= 7_000
    assert answers.find(an_address("e")) is not None


async def test_what_is_larger_than_the_place_for_all_is_not_kept() -> None:
    answers = Answers(7_000)
    await answers.once(an_address("a"), making("a"))
    assert (await answers.once(an_address("b"), making("b", 9_000))).body == b"b" * 9_000
    assert answers.find(an_address("b")) is None
    assert answers.find(an_address("a")) is not None
    nothing = Answers(0)
    await nothing.once(an_address("a"), making("a"))
    assert (nothing.find(an_address("a")), nothing.counts.bytes) == (None, 0)


async def test_of_many_who_ask_at_once_one_computes() -> None:
    answers, made = Answers(100_000), 0

    async def make() -> tuple[Address, Response]:
        nonlocal made
        made += 1
        await asyncio.sleep(0.01)
        return an_address("a"), Response(b"a")

    given = await asyncio.gather(*(answers.once(an_address("a"), make) for _ in range(10)))
    assert made == 1
    assert all(answer is given[0] for answer in given)
    assert (answers.counts.misses, answers.counts.waits) == (1, 9)


async def test_when_one_fails_or_goes_away_the_next_computes() -> None:
    answers, tries = Answers(100_000), itertools.count()

    async def make() -> tuple[Address, Response]:
        attempt = next(tries)
        await asyncio.sleep(0.01)
        if attempt == 0:
            raise Busy("later", 1)
        if attempt == 1:
            await asyncio.sleep(60)
        return an_address("a"), Response(b"a")

    asking = [asyncio.ensure_future(answers.once(an_address("a"), make)) for _ in range(4)]
    await asyncio.sleep(0.05)
    asking[1].cancel()
    given = await asyncio.gather(*asking, return_exceptions=True)
    assert isinstance(given[0], Busy)
    assert isinstance(given[1], asyncio.CancelledError)
    assert [answer.body for answer in given[2:]] == [b"a", b"a"]  # type: ignore[union-attr]
    assert next(tries) == 3


async def test_what_is_made_while_something_changes_is_kept_as_what_it_is() -> None:
    answers = Answers(100_000)
    await answers.once(an_address("older"), making("newer"))
    assert answers.find(an_address("older")) is None
    assert answers.find(an_address("newer")) is not None
