"""The app's modules for tests of them in Chromium, without a server of ours behind: a blank page, and each variant of the modules
under an address of its own, where a planted fault replaces a piece of their text."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

from service.web.files import SOURCE, files

HERE = Path(__file__).parent
BLANK = b"<!doctype html><title>blank</title>"
# By module what is replaced by what.
Planted = Mapping[str, tuple[str, str]]


class Modules:
    """Serves `/app/...` as the service does, and `/VARIANT/...` with the planted faults of that variant. `scripts` of the tests
    stand beside the modules."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.variants: dict[str, Planted] = {"sound": {}}

    def content(self, path: str) -> tuple[bytes, str] | None:
        variant, _, name = path.removeprefix("/").partition("/")
        if path == "/":
            return BLANK, "text/html"
        script = HERE / name
        if "/" not in name and script.suffix == ".js" and script.exists():
            return script.read_bytes(), "text/javascript"
        file = files().get(name)
        if file is None or (variant != "app" and variant not in self.variants):
            return None
        text, planted = file.content, self.variants.get(variant, {}).get(name)
        if planted is not None:
            before, after = planted
            text = files()[SOURCE + name].content
            assert text.count(before.encode()) == 1, (name, before)
            text = text.replace(before.encode(), after.encode())
        return text, file.media_type


@contextmanager
def modules_served() -> Iterator[Modules]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            found = served.content(self.path)
            self.send_response(404 if found is None else 200)
            content, kind = found or (b"", "text/plain")
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(content)))
            self.send_header("Cache-Control", "no-store")
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_: object) -> None:
            return None

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        server.daemon_threads = True
        served = Modules(f"http://127.0.0.1:{server.server_address[1]}")
        Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield served
        finally:
            server.shutdown()
