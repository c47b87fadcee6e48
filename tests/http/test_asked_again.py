"""Requests that come again, byte for byte, are answered where they arrive: with the bytes that the layers and the framework would
send, never older than what is stored, charged, counted and logged as any other."""

from __future__ import annotations

import asyncio
import itertools
import socket
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.accounts.model import token_digest
from service.accounts.store import CALLER, AccountStore
from service.http import asked_again
from service.http.asked_again import AskedAgain
from service.progress.actions.stored_set import SetKey
from tests.conftest import SERVER_URL, Running, running, settings_for
from tests.http.set_changes import CHANGES, Collector, done, move_in
from tests.http.test_kept_answers import QUERIES, SENT, callers, computing, stale, without
from tests.http.wire import Line, connected, on_the_wire, request, standing, without_what_varies
from tests.logs import listening
from tests.owners import recognise

pytestmark = [
    pytest.mark.anyio,
    pytest.mark.skipif(
        SERVER_URL is not None, reason="on PostgreSQL a look-up waits, so that nothing is answered at once"
    ),
]
EVALUATION = "evaluation?today=2026-01-02"


def again(service: Running) -> AskedAgain:
    found: AskedAgain = service.app.state.asked_again
    return found


@asynccontextmanager
async def wired(url: str, **settings: object) -> AsyncIterator[tuple[Running, int]]:
    async with running(settings_for(url, **settings)) as service, on_the_wire(service) as (asked, port):
        yield asked, port


async def moved_in(service: Running) -> tuple[Collector, bytes]:
    """A new account, and its request for the evaluation of its first set."""
    mine = await move_in(service.client, service.collector())
    return mine, request(f"{mine.sets[0]}/{EVALUATION}", dict(mine.headers))


async def learned(line: Line, service: Running, sent: bytes) -> bytes:
    """The answer to a request that comes so often that it is recognised from then on."""
    for _ in range(4):
        before = again(service).answered
        answer = await line.ask(sent)
        if again(service).answered > before:
            return answer
    raise AssertionError(answer)


async def until(comes: Callable[[], bool]) -> None:
    async with asyncio.timeout(30):
        while not comes():
            await asyncio.sleep(0.01)


async def revoke(service: Running, headers: dict[str, str]) -> None:
    token, now = headers["Authorization"].removeprefix("Bearer "), datetime.now(UTC)
    service.app.state.database.write(
        lambda connection: AccountStore(connection).revoke(recognise(connection, token), token_digest(token), now)
    )


# --- the same bytes ----------------------------------------------------------------------------------------------------------


async def test_no_byte_differs_from_what_the_layers_send(database_url: str) -> None:
    async with wired(database_url) as (service, port), wired(database_url) as (layers, other_port):
        layers.app.state.asked_again = None
        mine = await move_in(service.client, service.collector())
        everybody = await callers(service, mine.headers)
        paths = [f"{mine.sets[0]}/{rest}{query}" for rest in ("evaluation", "want-list") for query in QUERIES]
        paths += ["/v1/need-sheets", f"{mine.sets[0]}/evaluation/", f"{mine.sets[0].upper()}/evaluation", "/v1/account"]
        compared = 0
        async with connected(port) as line, connected(other_port) as other:
            for path in paths:
                first = await service.client.get(path, headers=dict(mine.headers))
                tag = first.headers.get("etag", '"none"').strip('"')
                for (who, headers), more in itertools.product(everybody.items(), SENT):
                    if who != "owner" and more not in (SENT[0], SENT[5]):
                        continue
                    said = {name: of.replace("THE TAG", tag) for name, of in more.items()}
                    for method in ("GET", "HEAD") if who == "owner" else ("GET",):
                        sent = request(path, headers | said, method)
                        with listening() as told:
                            expected = without_what_varies(await other.ask(sent))
                        for _ in range(4):
                            with listening() as log:
                                assert without_what_varies(await line.ask(sent)) == expected, (method, path, who, said)
                            assert lines_of(log.entries) == lines_of(told.entries), (method, path, who, said)
                            compared += 1
        assert compared > 2_000
        assert again(service).answered > 500


def lines_of(entries: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """What was logged of requests; each has an id."""
    found = [entry for entry in entries if entry.get("part") == "requests"]
    assert all(len(entry["request"]) == 32 and entry["ms"] >= 0 for entry in found)
    return [{name: of for name, of in entry.items() if name not in ("ms", "request")} for entry in found]


async def test_it_is_counted_as_any_request(database_url: str) -> None:
    async with wired(database_url) as (service, port):
        _, sent = await moved_in(service)
        series = {"method": "GET", "route": "/v1/definitions/{id}/evaluation", "status": "2xx"}

        def counted() -> tuple[float, float, float]:
            value = service.app.state.metrics.registry.get_sample_value
            of_route = {name: of for name, of in series.items() if name != "status"}
            names = ("setwright_requests_total", "setwright_request_seconds_count", "setwright_sent_bytes_total")
            found = [value(name, series if name == names[0] else of_route) or 0.0 for name in names]
            return found[0], found[1], found[2]

        async with connected(port) as line:
            answer = await learned(line, service, sent)
            hits, before = service.app.state.answers.counts.hits, counted()
            assert [await line.ask(sent) for _ in range(3)]
            after = counted()
        body = len(answer.partition(b"\r\n\r\n")[2])
        assert tuple(now - then for now, then in zip(after, before, strict=True)) == (3, 3, 3 * body)
        assert service.app.state.answers.counts.hits == hits + 3
        assert service.app.state.metrics.in_flight == 0


async def test_a_long_answer_arrives_whole_however_slowly_it_is_read(database_url: str) -> None:
    async with wired(database_url) as (service, port):
        headers = service.collector()
        places = [{"id": f"p{n}", "label": f"Place {n} {'long ' * 38}", "accepts": f"grade = {n}"} for n in range(480)]
        body = {"document": {"format": "set-definition/1", "title": "Long", "slots": places}}
        where = (await done(service.client, headers, "POST", "/v1/definitions", body)).headers["location"]
        sent, loop = request(f"{where}/evaluation", headers), asyncio.get_running_loop()
        async with connected(port) as line:
            expected = without_what_varies(await learned(line, service, sent))
        assert len(expected) > 100_000
        before = again(service).answered
        slow = socket.socket()
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
        slow.setblocking(False)
        await loop.sock_connect(slow, ("127.0.0.1", port))
        await loop.sock_sendall(slow, sent)
        await asyncio.sleep(0.2)
        (connection,) = (
            each for each in service.app.state.connections._all.waiting if each.client == slow.getsockname()
        )
        assert connection.flow.write_paused
        # The second comes while the first is still being sent.
        await loop.sock_sendall(slow, sent)
        await asyncio.sleep(0.2)
        assert again(service).answered == before + 1
        line = Line(*await asyncio.open_connection(sock=slow, limit=2**24))
        assert [without_what_varies(await line.answer()) for _ in range(2)] == [expected] * 2
        assert without_what_varies(await line.ask(sent)) == expected
        assert again(service).answered == before + 2
        line.writer.close()


# --- never older than what is stored -----------------------------------------------------------------------------------------


async def stale_over_sockets(url: str, changes: Sequence[str], workers: int = 2) -> tuple[set[str], list[int]]:
    """After which changes an answer was old, and how often each worker answered at once."""
    async with AsyncExitStack() as stack:
        served = [(await stack.enter_async_context(wired(url)))[0] for _ in range(workers)]
        fresh = await stack.enter_async_context(computing(url))
        mine: Collector = await move_in(served[0].client, served[0].collector())
        return await stale(served, fresh, mine, changes), [again(service).answered for service in served]


async def test_two_workers_that_change_things_in_turn_give_no_old_answer(database_url: str) -> None:
    found, answered = await stale_over_sockets(database_url, (*CHANGES, "day"))
    assert found == set()
    assert all(each > 50 for each in answered), answered


@pytest.mark.parametrize(
    ("part", "after"), [("state", "state"), ("decisions", "decisions"), ("own", "presumption"), ("day", "day")]
)
async def test_a_key_without_one_of_its_parts_is_caught(
    database_url: str, monkeypatch: pytest.MonkeyPatch, part: str, after: str
) -> None:
    monkeypatch.setattr(SetKey, "version", without(part))
    found, _ = await stale_over_sockets(database_url, (after,), workers=1)
    assert after in found


async def test_a_token_counts_as_it_stands_at_each_request(database_url: str) -> None:
    async with wired(database_url) as (service, port):
        mine = await move_in(service.client, service.collector())
        path, first = f"{mine.sets[0]}/{EVALUATION}", dict(mine.headers)
        soon = datetime.now(UTC) + timedelta(minutes=5)
        short = service.another_token(first, expires_at=soon)
        revoked = service.another_token(first)
        async with connected(port) as line:
            for headers in (short, revoked, first):
                assert b" 200 " in await learned(line, service, request(path, headers))
            await revoke(service, revoked)
            assert (await line.ask(request(path, revoked))).startswith(b"HTTP/1.1 401 ")
            service.app.state.clock = lambda: soon + timedelta(seconds=1)
            assert (await line.ask(request(path, short))).startswith(b"HTTP/1.1 401 ")
            assert (await line.ask(request(path, first))).startswith(b"HTTP/1.1 200 ")
            # The framework has written its use down meanwhile.
            digest = token_digest(first["Authorization"].removeprefix("Bearer "))
            assert service.app.state.database.look_up(CALLER, digest=digest).last_used_at > soon


async def test_of_an_account_that_was_deleted_nothing_is_given(database_url: str) -> None:
    async with wired(database_url) as (service, port):
        mine, sent = await moved_in(service)
        async with connected(port) as line:
            await learned(line, service, sent)
            name = (await service.client.get("/v1/account", headers=dict(mine.headers))).json()["name"]
            answer = await service.client.request(
                "DELETE", "/v1/account", headers=dict(mine.headers), json={"name": name}
            )
            assert answer.is_success, answer.text
            assert (await line.ask(sent)).startswith(b"HTTP/1.1 401 ")


# --- what it costs its account -----------------------------------------------------------------------------------------------


async def test_each_is_charged_and_past_its_quota_an_account_is_refused(database_url: str) -> None:
    async with wired(database_url, rate_account="40/hour") as (service, port):
        _, sent = await moved_in(service)
        async with connected(port) as line:
            left, before = standing(await learned(line, service, sent)), again(service).answered
            assert 3 < left < 40
            for expected in range(left - 1, -1, -1):
                answer = await line.ask(sent)
                assert answer.startswith(b"HTTP/1.1 200 ")
                assert standing(answer) == expected
            assert again(service).answered == before + left
            for refused in range(1, 4):
                assert (await line.ask(sent)).startswith(b"HTTP/1.1 429 ")
                assert service.app.state.quotas.refusals["account"] == refused
            assert again(service).answered == before + left


async def test_where_other_processes_count_too_it_goes_the_usual_way(database_url: str) -> None:
    class Shared:
        counted = 0

        async def incr(self, key: str, expiry: int, amount: int = 1) -> int:
            self.counted += amount
            return self.counted

    async with wired(database_url, rate_account="1000/hour") as (service, port):
        _, sent = await moved_in(service)
        async with connected(port) as line:
            await learned(line, service, sent)
            shared = service.app.state.quotas._shared = Shared()
            before = again(service).answered
            for expected in (999, 998):
                assert standing(await line.ask(sent)) == expected
            assert (again(service).answered, shared.counted) == (before, 2)


# --- connections -------------------------------------------------------------------------------------------------------------


async def test_only_a_request_that_is_whole_and_alone_is_recognised(database_url: str) -> None:
    async with wired(database_url) as (service, port):
        mine = await move_in(service.client, service.collector())
        path, headers = f"{mine.sets[0]}/{EVALUATION}", dict(mine.headers)
        sent = request(path, headers)
        async with connected(port) as line:
            expected = without_what_varies(await learned(line, service, sent))
            before = again(service).answered
            # Two at once, and one in pieces.
            line.writer.write(sent + sent)
            assert [without_what_varies(await line.answer()) for _ in range(2)] == [expected] * 2
            line.writer.write(sent[:40])
            await asyncio.sleep(0.05)
            assert without_what_varies(await line.ask(sent[40:])) == expected
            assert again(service).answered == before
            assert without_what_varies(await line.ask(sent)) == expected
            assert again(service).answered == before + 1

            # What is another request each time, by what it says.
            for number in range(4):
                answer = await line.ask(request(path, headers | {"X-Request-Id": "the-same-each-time"}))
                assert b"\r\nx-request-id: the-same-each-time\r\n" in answer
                traced = f"00-{number + 1:032x}-00f067aa0ba902b7-01"
                assert (await line.ask(request(path, headers | {"traceparent": traced}))).startswith(b"HTTP/1.1 200 ")
            assert (await line.ask(request(path, headers, "HEAD"))).startswith(b"HTTP/1.1 200 ")
            assert again(service).answered == before + 1

        closing = request(path, headers | {"Connection": "close"})
        for _ in range(3):
            async with connected(port) as line:
                assert b"\r\nconnection: close\r\n" in (await line.ask(closing)).lower()
                assert await line.reader.read() == b""
        assert again(service).answered == before + 1


async def test_such_a_connection_has_its_place_and_its_deadlines(database_url: str) -> None:
    async with wired(database_url) as (service, port):
        mine, sent = await moved_in(service)
        async with connected(port) as line:
            await learned(line, service, sent)
        table = service.app.state.connections
        async with connected(port) as silent, connected(port) as line, connected(port) as other:
            names = [each.writer.get_extra_info("sockname") for each in (silent, other, line)]
            await until(lambda: {each.client for each in table._all.waiting} >= set(names))
            before = again(service).answered
            for each in (line, other, line):
                assert (await each.ask(sent)).startswith(b"HTTP/1.1 200 ")
            assert again(service).answered == before + 3
            # The one that was answered last has waited least.
            waiting = [each for each in table._all.waiting if each.client in names]
            assert [each.client for each in waiting] == names
            # One that asked nothing has a deadline for a head; the others have the one between two requests.
            assert [each._head_deadline is not None for each in waiting] == [True, False, False]
            assert [each.timeout_keep_alive_task is not None for each in waiting] == [False, True, True]
            # What is not recognised is answered there too.
            assert (await line.ask(request("/v1/account", dict(mine.headers)))).startswith(b"HTTP/1.1 200 ")
            assert (await line.ask(sent)).startswith(b"HTTP/1.1 200 ")
            assert again(service).answered == before + 4


async def test_where_there_is_no_room_for_a_connection_it_is_refused(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with wired(database_url) as (service, port):
        _, sent = await moved_in(service)
        async with connected(port) as line:
            await learned(line, service, sent)
        honest = service.app.state.connections.enter
        monkeypatch.setattr(service.app.state.connections, "enter", lambda connection: honest(connection) and False)
        before = again(service).answered
        async with connected(port) as line:
            assert (await line.ask(sent)).startswith(b"HTTP/1.1 503 ")
        assert again(service).answered == before


# --- keeping -----------------------------------------------------------------------------------------------------------------


async def test_what_came_longest_ago_is_forgotten_first(database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asked_again, "_MOST", 2)
    async with wired(database_url) as (service, port):
        mine = await move_in(service.client, service.collector())
        days = [date(2026, 1, day) for day in (1, 2, 3)]
        sent = [request(f"{mine.sets[0]}/evaluation?today={day}", dict(mine.headers)) for day in days]
        async with connected(port) as line:

            async def are_recognised(*which: int) -> list[bool]:
                found = []
                for number in which:
                    before = again(service).answered
                    await line.ask(sent[number])
                    found.append(again(service).answered > before)
                return found

            for number in (0, 1):
                await learned(line, service, sent[number])
            assert await are_recognised(0, 1, 0) == [True, True, True]
            await learned(line, service, sent[2])
            assert await are_recognised(0, 1) == [True, False]
        # No token is kept with them.
        kept = again(service)._known
        assert len(kept) == 2
        assert all(len(digest) == 32 for digest in kept)
