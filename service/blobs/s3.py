"""Blobs in a bucket of an S3-compatible store, one object each."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit

from service.blobs.store import NO_ROOM, UNREACHABLE
from service.database.errors import StorageFull, Unreachable

# In one request, whole or not at all: past this the library would send parts, which a server that ends leaves behind.
_ONE_PART = 1024 * 1024 * 1024
_CONNECT_SECONDS, _READ_SECONDS, _TRIES = 5, 30, 2


class S3Store:
    """A bucket of an S3-compatible store, an object for each image. An object is there as a whole or not at all."""

    def __init__(self, endpoint: str, bucket: str, key: str, secret: str, region: str) -> None:
        try:
            import urllib3
            from minio import Minio
            from minio.error import MinioException, S3Error
        except ImportError as error:
            raise RuntimeError("photos in S3 need one more library: install setwright[s3]") from error
        self._bucket = bucket
        self._troubles = (MinioException, urllib3.exceptions.HTTPError, OSError)
        self._refusal = S3Error
        address = urlsplit(endpoint)
        timeout = urllib3.Timeout(connect=_CONNECT_SECONDS, read=_READ_SECONDS)
        tries = urllib3.Retry(_TRIES, backoff_factor=0.2, status_forcelist=(500, 502, 503, 504))
        self._client = Minio(
            address.netloc,
            access_key=key,
            secret_key=secret,
            secure=address.scheme == "https",
            # Told, so that the library does not ask the store for it.
            region=region,
            http_client=urllib3.PoolManager(timeout=timeout, retries=tries),
        )

    def put(self, owner: str, name: str, content: bytes) -> None:
        with self._of_store():
            self._client.put_object(
                self._bucket, f"{owner}/{name}", io.BytesIO(content), len(content), part_size=_ONE_PART
            )

    def get(self, owner: str, name: str) -> bytes | None:
        with self._of_store():
            try:
                answer = self._client.get_object(self._bucket, f"{owner}/{name}")
            except self._refusal as refusal:
                if _is_absent(refusal.code):
                    return None
                raise
            try:
                return bytes(answer.read())
            finally:
                answer.close()
                answer.release_conn()

    def has(self, owner: str, name: str) -> bool:
        with self._of_store():
            try:
                self._client.stat_object(self._bucket, f"{owner}/{name}")
            except self._refusal as refusal:
                if _is_absent(refusal.code):
                    return False
                raise
            return True

    def remove(self, owner: str, name: str) -> None:
        with self._of_store():
            self._client.remove_object(self._bucket, f"{owner}/{name}")

    def names(self, owner: str) -> Iterator[str]:
        with self._of_store():
            for entry in self._client.list_objects(self._bucket, prefix=f"{owner}/", recursive=True):
                yield str(entry.object_name).removeprefix(f"{owner}/")

    def owners(self) -> Iterator[str]:
        with self._of_store():
            for entry in self._client.list_objects(self._bucket):
                if entry.is_dir:
                    yield str(entry.object_name).rstrip("/")

    def try_write(self) -> None:
        """Another server's trouble is told when a photo is kept there."""

    def clear_abandoned(self) -> None:
        """Nothing is left behind by an object that did not arrive."""

    @contextmanager
    def _of_store(self) -> Iterator[None]:
        try:
            yield
        except self._refusal as refusal:
            full = refusal.code in ("QuotaExceeded", "XMinioStorageFull", "EntityTooLarge")
            raise (StorageFull(NO_ROOM) if full else Unreachable(UNREACHABLE)) from refusal
        except self._troubles as error:
            raise Unreachable(UNREACHABLE) from error


def _is_absent(code: str | None) -> bool:
    return code in ("NoSuchKey", "NoSuchObject")
