"""A real server behind a real proxy: an HTTP proxy of a few lines hands requests on, and says from which address they came."""

from __future__ import annotations

import http.client
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.promises.plugin import Promise
from tests.server import Server

pytestmark = pytest.mark.process

LIMIT = 12
NAME = "quotas of a real server behind a proxy"


@contextmanager
def proxy_before(server: Server) -> Iterator[str]:
    """The address of a proxy. It adds the address of its client to X-Forwarded-For, as proxies do, whatever is there; what a
    client said of itself in Forwarded it hands on."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            there = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
            headers = {name: value for name, value in self.headers.items() if name.lower() != "x-forwarded-for"}
            before = self.headers.get_all("X-Forwarded-For", [])
            headers["X-Forwarded-For"] = ", ".join([*before, self.client_address[0]])
            there.request("GET", self.path, headers=headers)
            answer = there.getresponse()
            body = answer.read()
            self.send_response_only(answer.status)
            for name, value in answer.getheaders():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)
            there.close()

        def log_message(self, *_: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as proxy:
        thread = threading.Thread(target=proxy.serve_forever)
        thread.start()
        try:
            yield f"http://127.0.0.1:{proxy.server_port}"
        finally:
            proxy.shutdown()
            thread.join(10)


def statuses(proxy: str, client: str, count: int, **headers: str) -> list[int]:
    """What somebody at an address of this machine's loopback network gets who asks so often."""
    with httpx.Client(base_url=proxy, transport=httpx.HTTPTransport(local_address=client), headers=headers) as there:
        return [there.get("/v1/functions").status_code for _ in range(count)]


@contextmanager
def serving_behind_a_proxy(folder: Path, **settings: object) -> Iterator[tuple[Server, str]]:
    url = f"sqlite:///{folder / 'callers.sqlite3'}"
    server = Server(url, settings={"rate_anonymous": f"{LIMIT}/hour", "rate_account": "", **settings})
    try:
        server.wait_until_ready()
        with proxy_before(server) as proxy:
            yield server, proxy
    finally:
        server.end(signal.SIGKILL)


@pytest.mark.timeout(180)
def test_behind_a_named_proxy_clients_are_told_apart(tmp_path: Path, promise: Promise) -> None:
    with serving_behind_a_proxy(tmp_path, trusted_proxies="127.0.0.1") as (server, proxy):
        greedy = statuses(proxy, "127.0.0.2", LIMIT + 3)
        assert greedy == [200] * LIMIT + [429] * 3
        # Whatever the client says of itself.
        assert statuses(proxy, "127.0.0.2", 1, **{"X-Forwarded-For": "192.0.2.1"}) == [429]
        modest = statuses(proxy, "127.0.0.3", 3)
        assert modest == [200] * 3
        # A Forwarded that contradicts what the proxy saw makes the proxy the caller, which others do not share.
        liar = statuses(proxy, "127.0.0.2", LIMIT + 1, Forwarded="for=192.0.2.1")
        assert liar[-1] == 429
        assert statuses(proxy, "127.0.0.3", 1) == [200]
        # With a token the address is of no matter.
        token = {"Authorization": f"Bearer {server.token()}"}
        assert httpx.get(f"{proxy}/v1/account", headers=token).status_code == 200
    promise(22, NAME, kept="proxy named: one address refused past its quota, another served")


@pytest.mark.timeout(180)
def test_behind_a_proxy_that_is_not_named_they_are_one(tmp_path: Path, promise: Promise) -> None:
    # The control: were the other address served here, the test above would prove nothing.
    with serving_behind_a_proxy(tmp_path) as (_, proxy):
        assert statuses(proxy, "127.0.0.2", LIMIT + 1)[-1] == 429
        assert statuses(proxy, "127.0.0.3", 1) == [429]
        # Nobody who is not named is believed.
        assert statuses(proxy, "127.0.0.3", 1, **{"X-Forwarded-For": "192.0.2.9"}) == [429]
    promise(22, NAME, control="proxy not named: the other address is refused too")
