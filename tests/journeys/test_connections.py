"""Connections of a real server: whoever keeps them open without asking anything shuts nobody out, and they end in time."""

from __future__ import annotations

import contextlib
import json
import re
import resource
import selectors
import signal
import socket
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest

from service.http.connections import ConnectionTable
from tests.conftest import settings_for
from tests.promises.plugin import Promise
from tests.server import Server, serving

pytestmark = pytest.mark.process

HEAD_SECONDS = 2
HALF_OPEN = 1_010
UNREAD_SECONDS = 4
PART_OF_A_HEAD = b"GET /health/live HTTP/1.1\r\nHost: here\r\nX-Note: "


class WithoutDeadlines(Server):
    """The control: uvicorn's own connections, as the server had them before, and a short time to end in."""

    program = (
        "-c",
        "import uvicorn, service.__main__ as program\n"
        "run, program.GRACE_SECONDS = uvicorn.run, 4\n"
        "plain = {'http': 'h11', 'limit_concurrency': 1000}\n"
        "uvicorn.run = lambda *given, **named: run(*given, **{**named, **plain})\n"
        "raise SystemExit(program.main())",
    )


def read_answer(answer: bytes) -> tuple[int, dict[str, str], bytes]:
    """Status, headers and body of what a server sent."""
    head, _, body = answer.partition(b"\r\n\r\n")
    first, *lines = head.decode("latin-1").split("\r\n")
    headers = dict(line.lower().split(": ", 1) for line in lines)
    return int(first.split()[1]), headers, body


@pytest.fixture
def url(tmp_path: Path) -> str:
    # What a connection is does not depend on the database.
    return f"sqlite:///{tmp_path / 'connections.sqlite3'}"


@contextmanager
def connected(server: Server) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as made:
        yield made


def account(server: Server) -> dict[str, str]:
    return {"Authorization": f"Bearer {server.token()}"}


# --- half-open connections -----------------------------------------------------------------------------------------------


@dataclass
class HalfOpen:
    """Connections on which a head was begun: what the server sent on each, and how many it closed after so many seconds."""

    sent: dict[socket.socket, bytes] = field(default_factory=dict)
    closed_after: list[float] = field(default_factory=list)

    def open(self, server: Server, stack: ExitStack) -> None:
        for _ in range(HALF_OPEN):
            made = stack.enter_context(socket.create_connection(("127.0.0.1", server.port), timeout=10))
            made.sendall(PART_OF_A_HEAD)
            self.sent[made] = b""

    def watch(self, seconds: float) -> None:
        """Sends one byte more on each every second and notes which the server closes, until all are closed or time is up."""
        started = time.monotonic()
        with selectors.DefaultSelector() as watched:
            for made in self.sent:
                made.setblocking(False)
                watched.register(made, selectors.EVENT_READ)
            trickle = started + 1
            while watched.get_map() and time.monotonic() < started + seconds:
                for key, _ in watched.select(0.2):
                    made = key.fileobj
                    assert isinstance(made, socket.socket)
                    try:
                        got = made.recv(10_000)
                    except OSError:
                        got = b""
                    self.sent[made] += got
                    if not got:
                        watched.unregister(made)
                        self.closed_after.append(time.monotonic() - started)
                if time.monotonic() > trickle:
                    trickle += 1
                    for key in watched.get_map().values():
                        with contextlib.suppress(OSError):
                            key.fileobj.send(b"x")  # type: ignore[union-attr]


def besieged(url: str, kind: type[Server], **settings: object) -> tuple[list[int], HalfOpen]:
    """What a well-behaved client is answered meanwhile, on new connections and on a kept one, and what becomes of the others."""
    half_open = HalfOpen()
    with serving(url, kind=kind, settings={"head_seconds": HEAD_SECONDS, **settings}) as server, ExitStack() as stack:
        half_open.open(server, stack)
        headers, statuses = account(server), []
        with httpx.Client(base_url=server.address, headers=headers, timeout=10) as client:
            for _ in range(10):
                statuses.append(client.get("/v1/account").status_code)
                statuses.append(httpx.get(f"{server.address}/v1/account", headers=headers, timeout=10).status_code)
        half_open.watch(HEAD_SECONDS * 2.5)
    return statuses, half_open


@pytest.fixture
def many_files() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < HALF_OPEN + 200:
        pytest.skip("this machine does not allow so many open files")
    if soft != resource.RLIM_INFINITY and soft < HALF_OPEN + 200:
        resource.setrlimit(resource.RLIMIT_NOFILE, (HALF_OPEN + 200, hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.parametrize("most", [400, 10_000], ids=["of one address", "of all"])
def test_half_open_connections_shut_nobody_out(url: str, most: int, many_files: None, promise: Promise) -> None:
    statuses, half_open = besieged(url, Server, connections_per_address=most)
    assert statuses == [200] * 20
    assert len(half_open.closed_after) == HALF_OPEN
    answers = [read_answer(sent) for sent in half_open.sent.values() if sent]
    promise(
        9,
        "half-open connections",
        kept=f"{HALF_OPEN} at once: {statuses.count(200)} of 20 requests beside them answered, all closed within "
        f"{HEAD_SECONDS + max(half_open.closed_after):.1f} s at most ({HEAD_SECONDS} s are allowed), {len(answers)} with 408",
    )
    # The others were closed to make room.
    assert min(most, 1_000) - 15 <= len(answers) <= min(most, 1_000)
    for status, headers, body in answers:
        assert (status, headers["content-type"], headers["connection"]) == (408, "application/problem+json", "close")
        assert json.loads(body)["type"].endswith("/problems/request-timeout")


def test_the_control_without_deadlines_is_shut(url: str, many_files: None, promise: Promise) -> None:
    statuses, half_open = besieged(url, WithoutDeadlines)
    promise(
        9,
        "half-open connections",
        control=f"without deadlines {statuses.count(503)} of 20 requests got 503, {len(half_open.closed_after)} were closed",
    )
    assert 503 in statuses
    assert not half_open.closed_after


# --- trickles ------------------------------------------------------------------------------------------------------------


def closed_after(server: Server, first: bytes, trickle: bytes, most_seconds: float) -> tuple[float | None, bytes]:
    """Sends a part and then a little every 0.2 s; how long until the server closes the connection, and what it sent."""
    started, got = time.monotonic(), b""
    with connected(server) as made:
        made.settimeout(0.2)
        made.sendall(first)
        while time.monotonic() < started + most_seconds:
            try:
                part = made.recv(100_000)
                if not part:
                    return time.monotonic() - started, got
                got += part
            except TimeoutError:
                pass
            except OSError:
                return time.monotonic() - started, got
            with contextlib.suppress(OSError):
                made.sendall(trickle)
    return None, got


BODY = b"POST /v1/holdings HTTP/1.1\r\nHost: here\r\nContent-Type: application/json\r\nContent-Length: 100000\r\n"
GET = b"GET /health/live HTTP/1.1\r\nHost: here\r\n\r\n"
# What is sent at once, what trickles, and the status (None: nothing is said) with which it ends.
TRICKLES: dict[str, tuple[bytes, bytes, int | None]] = {
    "nothing": (b"", b"", None),
    "a head": (PART_OF_A_HEAD, b"x", 408),
    "a second head": (GET + PART_OF_A_HEAD, b"x", 408),
    "a body": (BODY + b"Authorization: TOKEN\r\n\r\n{", b" ", 408),
    "a body that is refused": (BODY + b"\r\n{", b" ", 401),
}


SHORT = {"head_seconds": 2, "receive_seconds": 2, "keep_alive_seconds": 2, "streams_per_account": 2}


@pytest.fixture(scope="module")
def impatient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server with short deadlines."""
    with serving(f"sqlite:///{tmp_path_factory.mktemp('impatient') / 'own.sqlite3'}", settings=SHORT) as server:
        yield server


@pytest.fixture(scope="module")
def patient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """The control: the same without deadlines of connections."""
    url = f"sqlite:///{tmp_path_factory.mktemp('patient') / 'own.sqlite3'}"
    with serving(url, kind=WithoutDeadlines, settings=SHORT) as server:
        yield server


def ends(server: Server, names: Iterable[str], most_seconds: float) -> dict[str, tuple[float | None, bytes]]:
    """How those trickles end, all at the same time."""
    token = f"Bearer {server.token()}".encode()
    with ThreadPoolExecutor(len(TRICKLES)) as pool:
        going = {
            name: pool.submit(
                closed_after, server, TRICKLES[name][0].replace(b"TOKEN", token), TRICKLES[name][1], most_seconds
            )
            for name in names
        }
        return {name: future.result() for name, future in going.items()}


def test_what_trickles_ends(impatient: Server, promise: Promise) -> None:
    told = []
    for name, (seconds, got) in ends(impatient, TRICKLES, 10).items():
        assert seconds is not None, name
        assert 1.5 < seconds < 9, name
        # The last answer: the first request of two is answered as usual.
        at = got.rfind(b"HTTP/1.1 ")
        expected = TRICKLES[name][2]
        assert (read_answer(got[at:])[0] if at >= 0 else None) == expected, name
        told.append(f"{name} {seconds:.1f} s")
    promise(
        20, "trickles", kept=f"2 s being allowed for a head and 2 s for a body, these ended after: {', '.join(told)}"
    )


def test_the_control_without_deadlines_waits_for_trickles(patient: Server, promise: Promise) -> None:
    for name, (seconds, _) in ends(patient, ["nothing", "a head", "a second head"], 5).items():
        assert seconds is None, name
    promise(20, "trickles", control="without deadlines a head that trickles was still waited for after 5 s")


def unread(server: Server) -> int:
    """Asks for more than all buffers on the way hold, leaves it unread for some seconds, then counts what comes."""
    asked = 12
    with socket.socket() as made:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
        made.settimeout(10)
        made.connect(("127.0.0.1", server.port))
        made.sendall(b"GET /docs/assets/swagger-ui-bundle.js HTTP/1.1\r\nHost: here\r\n\r\n" * asked)
        time.sleep(UNREAD_SECONDS)
        got = 0
        with contextlib.suppress(OSError):
            while part := made.recv(1_000_000):
                got += len(part)
                if got > asked * 1_000_000:
                    break
    return got


def test_what_is_not_read_is_given_up(impatient: Server, patient: Server, promise: Promise) -> None:
    got = unread(impatient)
    # The control: there is so much to read.
    whole = unread(patient)
    promise(
        20,
        "a caller that does not read",
        kept=f"the connection ended with {got:,} bytes on the way, 2 s being allowed",
        control=f"without a deadline it kept {whole:,} bytes waiting for {UNREAD_SECONDS} s",
    )
    assert got < 12_000_000 < whole


def test_a_head_that_is_no_head_is_told_so(impatient: Server) -> None:
    for sent in (b"\x16\x03\x01\x02\x00 nothing\r\n\r\n", b"GET / HTTP/1.1\r\n\r\n"):
        with connected(impatient) as made:
            made.sendall(sent)
            got = b""
            while part := made.recv(10_000):
                got += part
        status, headers, body = read_answer(got)
        assert (status, headers["content-type"], headers["connection"]) == (400, "application/problem+json", "close")
        assert json.loads(body)["detail"] == "the request is not valid HTTP"


# --- streams, and the end ------------------------------------------------------------------------------------------------


def stream_of(server: Server, stack: ExitStack) -> httpx.Response:
    client = stack.enter_context(httpx.Client(base_url=server.address, headers=account(server), timeout=20))
    return stack.enter_context(client.stream("GET", "/v1/holdings/events"))


def test_past_the_connections_that_are_answered_new_ones_are_refused(url: str) -> None:
    with serving(url, settings={"connections_at_once": 4}) as server, ExitStack() as stack:
        streams = [stream_of(server, stack) for _ in range(3)]
        assert [stream.status_code for stream in streams] == [200] * 3
        # A connection that waits makes room for a new one, as often as needed.
        for _ in range(5):
            kept = stack.enter_context(httpx.Client(base_url=server.address, timeout=10))
            assert kept.get("/health/live").status_code == 200
        streams.append(stream_of(server, stack))
        assert streams[-1].status_code == 200
        refused = httpx.get(f"{server.address}/health/live", timeout=10)
        assert (refused.status_code, refused.headers["retry-after"]) == (503, "2")
        assert refused.json()["type"].endswith("/problems/busy")
        streams[0].close()
        assert httpx.get(f"{server.address}/health/live", timeout=10).status_code == 200


def test_an_account_has_a_few_streams(impatient: Server) -> None:
    with ExitStack() as stack:
        streams = [stream_of(impatient, stack) for _ in range(3)]
        assert [stream.status_code for stream in streams] == [200, 200, 503]
        assert streams[2].headers["retry-after"] == "60"
        streams[0].close()
        for _ in range(50):
            if stream_of(impatient, stack).status_code == 200:
                break
            time.sleep(0.1)
        else:
            pytest.fail("the place of a stream that ended stays taken")


def seconds_to_end(url: str, kind: type[Server]) -> tuple[float, bytes]:
    """How long a server takes to end that sends a stream of events, and the stream."""
    with serving(url, kind=kind) as server, ExitStack() as stack:
        chunks = stream_of(server, stack).iter_bytes()
        first = next(chunks)
        started = time.monotonic()
        server.process.send_signal(signal.SIGTERM)
        rest = b""
        with contextlib.suppress(httpx.TransportError):
            for chunk in chunks:
                rest += chunk
        assert server.process.wait(30) == -signal.SIGTERM
        return time.monotonic() - started, first + rest


def test_streams_end_when_the_server_does(tmp_path: Path, promise: Promise) -> None:
    seconds, stream = seconds_to_end(f"sqlite:///{tmp_path / 'one.sqlite3'}", Server)
    slow, _ = seconds_to_end(f"sqlite:///{tmp_path / 'another.sqlite3'}", WithoutDeadlines)
    promise(
        18,
        "SIGTERM while events are streamed",
        kept=f"ended after {seconds:.1f} s",
        control=f"streams that are not told of it: {slow:.1f} s of the 4 s that are allowed",
    )
    assert re.fullmatch(rb"event: state\nid: .*\ndata: .*\n\n", stream)
    assert seconds < 3
    assert slow > 3.5


def test_callers_are_told_apart_by_their_address_or_network() -> None:
    table = ConnectionTable(settings_for("sqlite:///x", trusted_proxies="10.0.0.0/8, fd00::1"))
    groups = {
        address: table.group_of(address)
        for address in (
            "192.0.2.1",
            "::ffff:192.0.2.1",
            "2001:db8::1",
            "2001:db8::ffff:2",
            "2001:db8:0:1::1",
            "fe80::1%eth0",
        )
    }
    assert groups["192.0.2.1"] == groups["::ffff:192.0.2.1"] == "192.0.2.1"
    assert groups["2001:db8::1"] == groups["2001:db8::ffff:2"] == "2001:db8::/64"
    assert groups["2001:db8:0:1::1"] == "2001:db8:0:1::/64"
    assert groups["fe80::1%eth0"] == "fe80::/64"
    # Of a trusted proxy many callers come, and a socket of this machine has no address.
    assert [table.group_of(address) for address in ("10.1.2.3", "::ffff:10.1.2.3", "fd00::1", None)] == [None] * 4
