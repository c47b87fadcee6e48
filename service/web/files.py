"""The files of the web app: their addresses, media types and digests. They are read once.

`static/` has the app's own, `vendor/` those of other authors (VENDOR.toml). Of the app's own modules a browser is sent the
program alone (`stripped`); as they were written they stand below `source/`, for whoever reads them. What the app needs is also in
one answer, from which the service worker keeps it: compressed together the files are smaller by a sixth, and they are of one
version.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from service.web.stripped import stripped

STATIC = Path(__file__).resolve().parent / "static"
VENDOR = Path(__file__).resolve().parent / "vendor"
INDEX, WORKER, SOURCE, ALL = "index.html", "sw.js", "source/", "all.json"

# What a browser may be given; files of other kinds are none of the app's.
_MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".json": "application/json",
    ".webmanifest": "application/manifest+json",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class File:
    """One file: its address below /app/, its media type, its bytes and their SHA-256 as hexadecimal digits."""

    path: str
    media_type: str
    content: bytes
    digest: str


@cache
def files() -> Mapping[str, File]:
    """All files of the app by their addresses below /app/, with the worker and the answer that it keeps them from.

    That answer is `{"version", "files": [[path, media type, text], ...]}`; the page has the path "".
    """
    found = {file.path: file for file in _read()}
    kept = [file for path, file in found.items() if path != WORKER and not path.startswith(SOURCE)]
    version = _digest(json.dumps({file.path: file.digest for file in kept}).encode())[:16]
    texts = [("" if file.path == INDEX else file.path, file.media_type, file.content.decode()) for file in kept]
    found[ALL] = _file(ALL, json.dumps({"version": version, "files": texts}, ensure_ascii=False).encode())
    # A browser takes another worker, and with it all files anew, when its bytes differ.
    about = json.dumps({"version": version, "all": f"/app/{ALL}"})
    found[WORKER] = _file(WORKER, f"const APP = {about};\n".encode() + found[WORKER].content)
    return found


def _read() -> Iterator[File]:
    for folder, prefix in ((STATIC, ""), (VENDOR, "vendor/")):
        for path in sorted(folder.rglob("*")):
            if path.suffix in _MEDIA_TYPES and path.is_file():
                name, content = path.relative_to(folder).as_posix(), path.read_bytes()
                if folder == STATIC and path.suffix == ".js":
                    yield _file(SOURCE + name, content)
                    content = stripped(content)
                yield _file(prefix + name, content)


def _file(path: str, content: bytes) -> File:
    return File(path, _MEDIA_TYPES[Path(path).suffix], content, _digest(content))


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
