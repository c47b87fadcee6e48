"""A stand-in for an S3-compatible store: put, get, head, delete and list of one bucket, over real HTTP. It checks the
signature of every request (AWS Signature Version 4) and the digest of every body, by code of its own."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qsl, quote, unquote, urlsplit
from xml.sax.saxutils import escape

KEY, SECRET = "fictional-key", "fictional-secret-of-a-test"
_AUTHORIZATION = re.compile(
    r"AWS4-HMAC-SHA256 Credential=(?P<key>[^/]+)/(?P<scope>[^,]+), ?SignedHeaders=(?P<names>[^,]+), ?Signature=(?P<mark>\w+)"
)
_PAGE = 5


def signature(
    secret: str,
    scope: str,
    method: str,
    path: str,
    query: str,
    headers: Mapping[str, str],
    about: Mapping[str, str] | None = None,
) -> str:
    """The signature of a request (AWS Signature Version 4): a canonical form, signed with a key of the day, the region and
    the service. `headers` are those that are signed, `about` has the time and the body's digest where no header has them."""
    about = headers if about is None else about
    names = ";".join(sorted(headers))
    lines = "".join(f"{name}:{' '.join(headers[name].split())}\n" for name in sorted(headers))
    pairs = sorted((quote(name, safe="-_.~"), quote(value, safe="-_.~")) for name, value in parse_qsl(query, True))
    canonical_query = "&".join(f"{name}={value}" for name, value in pairs)
    canonical = "\n".join((method, path, canonical_query, lines, names, about["x-amz-content-sha256"]))
    digest = hashlib.sha256(canonical.encode()).hexdigest()
    text = "\n".join(("AWS4-HMAC-SHA256", about["x-amz-date"], scope, digest))
    key = f"AWS4{secret}".encode()
    for part in scope.split("/"):
        key = hmac.digest(key, part.encode(), "sha256")
    return hmac.digest(key, text.encode(), "sha256").hex()


def _md5(content: bytes) -> str:
    return base64.b64encode(hashlib.md5(content, usedforsecurity=False).digest()).decode()


@dataclass
class Bucket:
    """What is kept, and what is to go wrong."""

    name: str
    objects: dict[str, bytes] = field(default_factory=dict)
    refused: int = 0
    fails: int = 0
    is_full: bool = False
    garbles: bool = False

    def handler(self) -> type[BaseHTTPRequestHandler]:
        return type("Handler", (_Handler,), {"bucket": self})


class _Handler(BaseHTTPRequestHandler):
    bucket: Bucket
    protocol_version = "HTTP/1.1"

    def do_PUT(self) -> None:
        key = self._admitted()
        if key is not None and self.bucket.is_full:
            self._refuse(507, "XMinioStorageFull")
        elif key is not None:
            self.bucket.objects[key] = self._sent
            self._answer(200, b"", ETag=f'"{hashlib.md5(self._sent).hexdigest()}"')

    def do_GET(self) -> None:
        key = self._admitted()
        if key == "":
            self._list()
        elif key is not None and key in self.bucket.objects:
            self._object(self.bucket.objects[key])
        elif key is not None:
            self._refuse(404, "NoSuchKey")

    do_HEAD = do_GET

    def do_DELETE(self) -> None:
        key = self._admitted()
        if key is not None:
            self.bucket.objects.pop(key, None)
            self._answer(204, b"")

    def log_message(self, *_: object) -> None:
        """Quiet."""

    def _admitted(self) -> str | None:
        """The key that is asked for, empty for the bucket itself; None when the request was refused."""
        self._sent = self.rfile.read(int(self.headers.get("content-length", 0)))
        if self.bucket.fails:
            self.bucket.fails -= 1
            return self._refuse(503, "SlowDown")
        if self.bucket.garbles:
            self._sent = self._sent[::-1]
        address = urlsplit(self.path)
        if "content-md5" in self.headers and self.headers["content-md5"] != _md5(self._sent):
            return self._refuse(400, "BadDigest")
        if "X-Amz-Signature=" in address.query:
            return self._key_of(address.path) if self._is_signed_by_query(address.path, address.query) else None
        told = _AUTHORIZATION.fullmatch(self.headers.get("authorization", ""))
        if told is None or told["key"] != KEY:
            return self._refuse(403, "InvalidAccessKeyId")
        signed = {name: self.headers.get(name, "") for name in told["names"].split(";")}
        if not {"host", "x-amz-date", "x-amz-content-sha256"} <= signed.keys():
            return self._refuse(403, "AccessDenied")
        expected = signature(SECRET, told["scope"], self.command, address.path, address.query, signed)
        if not hmac.compare_digest(expected, told["mark"]):
            return self._refuse(403, "SignatureDoesNotMatch")
        # Over plain HTTP the body is part of what is signed.
        if signed["x-amz-content-sha256"] != hashlib.sha256(self._sent).hexdigest():
            return self._refuse(400, "XAmzContentSHA256Mismatch")
        return self._key_of(address.path)

    def _key_of(self, path: str) -> str | None:
        bucket, _, key = unquote(path).removeprefix("/").partition("/")
        return key if bucket == self.bucket.name else self._refuse(404, "NoSuchBucket")

    def _is_signed_by_query(self, path: str, query: str) -> bool:
        """An address that is signed as a whole, whatever the body is (AWS Signature Version 4, query parameters)."""
        told = dict(parse_qsl(query, True))
        key, _, scope = told["X-Amz-Credential"].partition("/")
        rest = "&".join(part for part in query.split("&") if not part.startswith("X-Amz-Signature="))
        signed = {name: self.headers.get(name, "") for name in told["X-Amz-SignedHeaders"].split(";")}
        about = {"x-amz-date": told["X-Amz-Date"], "x-amz-content-sha256": "UNSIGNED-PAYLOAD"}
        expected = signature(SECRET, scope, self.command, path, rest, signed, about)
        if key != KEY or "host" not in signed or not hmac.compare_digest(expected, told["X-Amz-Signature"]):
            self._refuse(403, "SignatureDoesNotMatch")
            return False
        return True

    def _list(self) -> None:
        """ListObjectsV2, a few at a time."""
        query = dict(parse_qsl(urlsplit(self.path).query, True))
        prefix, delimiter, after = (
            query.get("prefix", ""),
            query.get("delimiter", ""),
            query.get("continuation-token", ""),
        )
        entries: dict[str, bool] = {}
        for key in sorted(self.bucket.objects):
            if key.startswith(prefix):
                head, cut, _ = key[len(prefix) :].partition(delimiter) if delimiter else (key[len(prefix) :], "", "")
                entries[prefix + head + cut] = bool(cut)
        names = [name for name in entries if name > after]
        shown = names[:_PAGE]
        parts = [
            f"<CommonPrefixes><Prefix>{escape(name)}</Prefix></CommonPrefixes>"
            if entries[name]
            else f"<Contents><Key>{escape(name)}</Key><LastModified>2026-11-25T12:00:00.000Z</LastModified>"
            f"<ETag>x</ETag><Size>{len(self.bucket.objects[name])}</Size><StorageClass>STANDARD</StorageClass></Contents>"
            for name in shown
        ]
        more = len(names) > len(shown)
        token = f"<NextContinuationToken>{escape(shown[-1])}</NextContinuationToken>" if more else ""
        head = f"<Name>{self.bucket.name}</Name><IsTruncated>{str(more).lower()}</IsTruncated>{token}"
        text = f'<ListBucketResult xmlns="http://s3.amazonaws.com/doc/2006-03-01/">{head}{"".join(parts)}</ListBucketResult>'
        self._answer(200, text.encode(), **{"Content-Type": "application/xml"})

    def _object(self, content: bytes) -> None:
        mark = f'"{hashlib.md5(content).hexdigest()}"'
        moment = "Wed, 25 Nov 2026 12:00:00 GMT"
        self._answer(
            200, content, **{"ETag": mark, "Last-Modified": moment, "Content-Type": "application/octet-stream"}
        )

    def _refuse(self, status: int, code: str) -> None:
        self.bucket.refused += 1
        text = f"<Error><Code>{code}</Code><Message>no</Message><RequestId>1</RequestId><HostId>1</HostId></Error>"
        self._answer(status, text.encode(), **{"Content-Type": "application/xml"})

    def _answer(self, status: int, body: bytes, **headers: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)


@contextmanager
def serving_bucket(bucket: Bucket) -> Iterator[str]:
    """The address of a store in this process."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), bucket.handler())
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def files_in(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
