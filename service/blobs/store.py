"""Where the bytes of photos lie: a folder, or an S3-compatible store. Both keep them by owner and name.

`put` returns when the bytes are durable; the same name always has the same bytes, so that putting again changes nothing.
Both raise StorageFull where there is no room, and Unreachable where something else is in the way.
"""

from __future__ import annotations

import errno
import io
import os
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

from service.database.errors import StorageFull, Unreachable
from service.settings import Settings

_NO_ROOM = "the place where photos are kept has no room left; nothing was kept"
_AWAY = "the place where photos are kept cannot be reached"
# Files that are being written lie here; what is older than a day was left by a server that ended in between.
_COMING, _ABANDONED_SECONDS = ".coming", 86_400
# In one request, whole or not at all: past this the library would send parts, which a server that ends leaves behind.
_ONE_PART = 1024 * 1024 * 1024
_CONNECT_SECONDS, _READ_SECONDS, _TRIES = 5, 30, 2


class BlobStore(Protocol):
    """`owner` is an account's id; `name` has forward slashes in it, and comes from `photos.name_of`."""

    def put(self, owner: str, name: str, content: bytes) -> None: ...

    def get(self, owner: str, name: str) -> bytes | None: ...

    def has(self, owner: str, name: str) -> bool: ...

    def remove(self, owner: str, name: str) -> None: ...

    def names(self, owner: str) -> Iterator[str]: ...

    def owners(self) -> Iterator[str]: ...

    def clear_abandoned(self) -> None: ...


def blob_store_of(settings: Settings) -> BlobStore:
    """The shelf that the settings name. Nothing is opened or made before something is put there."""
    if settings.s3_endpoint:
        return S3Store(
            settings.s3_endpoint,
            settings.s3_bucket,
            settings.s3_key,
            settings.s3_secret.get_secret_value(),
            settings.s3_region,
        )
    return FolderStore(settings.photos_folder)


class FolderStore:
    """A folder for each owner. A file is written beside, brought to the disk and then renamed, so that it is there as a
    whole or not at all."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def put(self, owner: str, name: str, content: bytes) -> None:
        with _of_disk():
            target, coming = self._folder / owner / name, self._folder / _COMING
            _make(target.parent)
            _make(coming)
            written = coming / uuid.uuid4().hex
            try:
                with written.open("xb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                written.replace(target)
            except BaseException:
                written.unlink(missing_ok=True)
                raise
            _bring_to_disk(target.parent)

    def get(self, owner: str, name: str) -> bytes | None:
        with _of_disk():
            try:
                return (self._folder / owner / name).read_bytes()
            except FileNotFoundError:
                return None

    def has(self, owner: str, name: str) -> bool:
        with _of_disk():
            return (self._folder / owner / name).is_file()

    def remove(self, owner: str, name: str) -> None:
        with _of_disk():
            (self._folder / owner / name).unlink(missing_ok=True)

    def names(self, owner: str) -> Iterator[str]:
        with _of_disk():
            folder = self._folder / owner
            yield from sorted(path.relative_to(folder).as_posix() for path in folder.glob("*/*/*") if path.is_file())

    def owners(self) -> Iterator[str]:
        with _of_disk():
            yield from sorted(path.name for path in self._folder.glob("[!.]*") if path.is_dir())

    def clear_abandoned(self) -> None:
        before = time.time() - _ABANDONED_SECONDS
        with _of_disk():
            for path in (self._folder / _COMING).glob("*"):
                # Another server may take it away, or finish it, at the same time.
                with suppress(FileNotFoundError):
                    if path.stat().st_mtime < before:
                        path.unlink()


def _make(folder: Path) -> None:
    """The folder with those above it, each of them durable."""
    if folder.is_dir():
        return
    _make(folder.parent)
    folder.mkdir(mode=0o700, exist_ok=True)
    _bring_to_disk(folder.parent)


def _bring_to_disk(folder: Path) -> None:
    # Where folders cannot be opened, the system brings names to the disk by itself.
    if os.name == "nt":
        return
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


@contextmanager
def _of_disk() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise StorageFull(_NO_ROOM) from error
        raise Unreachable(_AWAY) from error


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

    def clear_abandoned(self) -> None:
        """Nothing is left behind by an object that did not arrive."""

    @contextmanager
    def _of_store(self) -> Iterator[None]:
        try:
            yield
        except self._refusal as refusal:
            full = refusal.code in ("QuotaExceeded", "XMinioStorageFull", "EntityTooLarge")
            raise (StorageFull(_NO_ROOM) if full else Unreachable(_AWAY)) from refusal
        except self._troubles as error:
            raise Unreachable(_AWAY) from error


def _is_absent(code: str | None) -> bool:
    return code in ("NoSuchKey", "NoSuchObject")
