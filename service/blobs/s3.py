"""Blobs in a bucket of an S3-compatible store, one object each."""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from service.blobs.store import NO_ROOM, PIECE_BYTES, UNREACHABLE
from service.database.errors import StorageFull, Unreachable

# In one request, whole or not at all: past this the library would send parts, which a server that ends leaves behind.
_ONE_PART = 1024 * 1024 * 1024
_CONNECT_SECONDS, _READ_SECONDS, _TRIES = 5, 30, 2
# In which a file has to begin to arrive.
_ADDRESS_GOOD_FOR = timedelta(hours=1)

if TYPE_CHECKING:
    from urllib3 import BaseHTTPResponse


class S3Store:
    """A bucket of an S3-compatible store, an object for each image, which is there as a whole or not at all. Of several stores
    in one bucket each has its own `prefix`."""

    def __init__(self, endpoint: str, bucket: str, key: str, secret: str, region: str, prefix: str = "") -> None:
        try:
            import urllib3
            from minio import Minio
            from minio.error import MinioException, S3Error
        except ImportError as error:
            raise RuntimeError("photos in S3 need one more library: install setwright[s3]") from error
        self._bucket, self._prefix = bucket, prefix
        self._troubles = (MinioException, urllib3.exceptions.HTTPError, OSError)
        self._refusal = S3Error
        address = urlsplit(endpoint)
        timeout = urllib3.Timeout(connect=_CONNECT_SECONDS, read=_READ_SECONDS)
        tries = urllib3.Retry(_TRIES, backoff_factor=0.2, status_forcelist=(500, 502, 503, 504))
        self._pool = urllib3.PoolManager(timeout=timeout, retries=tries)
        self._client = Minio(
            address.netloc,
            access_key=key,
            secret_key=secret,
            secure=address.scheme == "https",
            # Told, so that the library does not ask the store for it.
            region=region,
            http_client=self._pool,
        )

    def put(self, owner: str, name: str, content: bytes) -> None:
        with self._of_store():
            self._client.put_object(
                self._bucket, self._key(owner, name), io.BytesIO(content), len(content), part_size=_ONE_PART
            )

    def put_file(self, owner: str, name: str, source: Path) -> None:
        """The library reads a part into memory before it sends it, and what it sends in several parts leaves some of them behind
        when the server ends meanwhile. So the file is sent by HTTP itself, in one request, to an address that is signed (AWS
        Signature Version 4, query parameters); of up to 5 GiB (Amazon S3, "Uploading objects")."""
        with self._of_store(), source.open("rb") as file:
            digest = base64.b64encode(hashlib.file_digest(file, _md5).digest()).decode()
            length = file.tell()
            file.seek(0)
            address = self._client.presigned_put_object(self._bucket, self._key(owner, name), _ADDRESS_GOOD_FOR)
            # The store refuses what does not arrive as it was (Content-MD5, RFC 1864).
            headers = {"Content-Length": str(length), "Content-MD5": digest}
            answer = self._pool.request("PUT", address, body=file, headers=headers)
            if answer.status in (413, 507):
                raise StorageFull(NO_ROOM)
            if answer.status != 200:
                raise Unreachable(UNREACHABLE)

    def get(self, owner: str, name: str) -> bytes | None:
        with self._of_store():
            answer = self._opened(owner, name)
            if answer is None:
                return None
            try:
                return bytes(answer.read())
            finally:
                answer.close()
                answer.release_conn()

    def pieces(self, owner: str, name: str) -> Iterator[bytes] | None:
        with self._of_store():
            answer = self._opened(owner, name)
        return None if answer is None else self._pieces(answer)

    def _pieces(self, answer: BaseHTTPResponse) -> Iterator[bytes]:
        with self._of_store():
            try:
                yield from answer.stream(PIECE_BYTES)
            finally:
                answer.close()
                answer.release_conn()

    def _opened(self, owner: str, name: str) -> BaseHTTPResponse | None:
        try:
            return self._client.get_object(self._bucket, self._key(owner, name))
        except self._refusal as refusal:
            if _is_absent(refusal.code):
                return None
            raise

    def has(self, owner: str, name: str) -> bool:
        with self._of_store():
            try:
                self._client.stat_object(self._bucket, self._key(owner, name))
            except self._refusal as refusal:
                if _is_absent(refusal.code):
                    return False
                raise
            return True

    def remove(self, owner: str, name: str) -> None:
        with self._of_store():
            self._client.remove_object(self._bucket, self._key(owner, name))

    def names(self, owner: str) -> Iterator[str]:
        with self._of_store():
            prefix = self._key(owner, "")
            for entry in self._client.list_objects(self._bucket, prefix=prefix, recursive=True):
                yield str(entry.object_name).removeprefix(prefix)

    def owners(self) -> Iterator[str]:
        with self._of_store():
            for entry in self._client.list_objects(self._bucket, prefix=self._prefix):
                name = str(entry.object_name).removeprefix(self._prefix)
                # Where another store is, which has a prefix.
                if entry.is_dir and not name.startswith("."):
                    yield name.rstrip("/")

    def try_write(self) -> None:
        """Another server's trouble is told when a photo is kept there."""

    def clear_abandoned(self) -> None:
        """Nothing is left behind by an object that did not arrive."""

    def _key(self, owner: str, name: str) -> str:
        return f"{self._prefix}{owner}/{name}"

    @contextmanager
    def _of_store(self) -> Iterator[None]:
        try:
            yield
        except self._refusal as refusal:
            full = refusal.code in ("QuotaExceeded", "XMinioStorageFull", "EntityTooLarge")
            raise (StorageFull(NO_ROOM) if full else Unreachable(UNREACHABLE)) from refusal
        except self._troubles as error:
            raise Unreachable(UNREACHABLE) from error


def _md5() -> hashlib._Hash:
    """Against damage on the way, not against anybody."""
    return hashlib.md5(usedforsecurity=False)


def _is_absent(code: str | None) -> bool:
    return code in ("NoSuchKey", "NoSuchObject")
