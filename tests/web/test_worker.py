"""The service worker from one version of the app to the next, in Chromium: what it keeps is whole and of one version."""

from __future__ import annotations

import json
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest

from service.http.api.app import APP_POLICY
from service.web.files import ALL, INDEX, SOURCE, WORKER, files
from tests.web.browser import Page, browser, ensure_browser

OF_BEFORE = (Path(__file__).parent / "worker_of_before.js").read_text(encoding="utf-8")


class Deployed:
    """A server of the app's files alone, which can be replaced by one of another version, and taken down."""

    def __init__(self) -> None:
        self.contents: dict[str, bytes] = {}
        self.is_up = True
        here = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                path = self.path.removeprefix("/app/").partition("?")[0]
                known = here.contents.get(path) or here.contents[INDEX]
                if not here.is_up:
                    self.connection.close()
                    return
                self.send_response(200)
                self.send_header("Content-Type", (files().get(path) or files()[INDEX]).media_type)
                self.send_header("Content-Security-Policy", APP_POLICY)
                self.send_header("Content-Length", str(len(known)))
                self.end_headers()
                self.wfile.write(known)

            def log_message(self, format: str, *of: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._server.server_port}"
        Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def deploy(self) -> None:
        """The app as it is."""
        self.contents = {path: file.content for path, file in files().items()}

    def deploy_of_before(self) -> None:
        """The app with the worker that asked for each file by itself."""
        self.deploy()
        kept = ["", *(path for path in files() if path not in (INDEX, WORKER, ALL) and not path.startswith(SOURCE))]
        about = json.dumps({"version": "before", "files": kept})
        self.contents[WORKER] = f"const APP = {about};\n{OF_BEFORE}".encode()
        del self.contents[ALL]

    def deploy_half(self, worker: bytes) -> None:
        """A newer worker, while another process answers with the files of today."""
        version = json.loads(files()[ALL].content)["version"]
        self.contents[WORKER] = worker.replace(version.encode(), b"0123456789abcdef")


@pytest.fixture
def deployed() -> Iterator[Deployed]:
    ensure_browser()
    server = Deployed()
    try:
        yield server
    finally:
        server.close()


@pytest.fixture
def page(deployed: Deployed) -> Iterator[Page]:
    with browser(deployed.address) as page:
        yield page


def kept(page: Page) -> dict[str, dict[str, list[str]]]:
    """What the worker keeps: caches by name, of each file its text and its policy by its address."""
    found: dict[str, dict[str, list[str]]] = page.driver.execute_async_script(
        """const done = arguments[0];
        (async () => {
            const all = {};
            for (const name of await caches.keys()) {
                const cache = await caches.open(name);
                all[name] = {};
                for (const request of await cache.keys()) {
                    const answer = await cache.match(request);
                    all[name][new URL(request.url).pathname] = [
                        await answer.text(), answer.headers.get("content-type"), answer.headers.get("content-security-policy")
                    ];
                }
            }
            done(all);
        })();"""
    )
    return found


def takes_another(page: Page) -> str:
    """Has the browser look for another worker; the state that one ends in, or "none"."""
    state: str = page.driver.execute_async_script(
        """const done = arguments[0];
        (async () => {
            const registration = await navigator.serviceWorker.ready;
            await registration.update().catch(() => {});
            const worker = registration.installing ?? registration.waiting;
            if (!worker) return done("none");
            const told = () => { if (["activated", "redundant"].includes(worker.state)) done(worker.state); };
            worker.addEventListener("statechange", told);
            told();
        })();"""
    )
    return state


def whole() -> dict[str, list[str]]:
    """What is to be kept of the app as it is."""
    return {
        f"/app/{'' if path == INDEX else path}": [file.content.decode(), file.media_type, APP_POLICY]
        for path, file in files().items()
        if path not in (WORKER, ALL) and not path.startswith(SOURCE)
    }


def test_the_worker_of_before_makes_room_and_what_is_kept_is_of_one_version(deployed: Deployed, page: Page) -> None:
    name = f"app-{json.loads(files()[ALL].content)['version']}"
    deployed.deploy_of_before()
    page.open("/app/sign-in")
    page.run_until("return navigator.serviceWorker.controller !== null")
    assert set(kept(page)) == {"app-before"}
    deployed.deploy()
    assert takes_another(page) == "activated"
    assert kept(page) == {name: whole()}
    # A newer worker, and files of another version: the browser stays with what it has.
    deployed.deploy_half(files()[WORKER].content)
    assert takes_another(page) == "redundant"
    assert kept(page) == {name: whole()}
    # And it opens with nobody there, under the same policy.
    deployed.is_up = False
    page.open("/app/sign-in")
    page.until("h1", says="Sign in")
    tried = "try { document.body.innerHTML = '<b>x</b>'; return 'done' } catch (error) { return error.name }"
    assert page.run(tried) == "TypeError"


def test_a_worker_that_does_not_compare_versions_is_seen(deployed: Deployed, page: Page) -> None:
    """The control: files of one version are kept under the name of another."""
    deployed.deploy()
    page.open("/app/sign-in")
    page.run_until("return navigator.serviceWorker.controller !== null")
    compares = b"version !==APP.version"
    assert compares in files()[WORKER].content
    deployed.deploy_half(files()[WORKER].content.replace(compares, b"version ===null"))
    assert takes_another(page) == "activated"
    assert kept(page) == {"app-0123456789abcdef": whole()}
