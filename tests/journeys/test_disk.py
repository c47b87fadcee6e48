"""A disk that is full, or takes no changes: writes are refused with the reason, reading goes on, and the service does not call
itself ready."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import create_engine, text

from service.database.engine import Database, read_url
from service.database.errors import ReadOnly
from service.database.migrate import write_nothing_new
from service.holdings.photos.images import PNG
from tests.conftest import SERVER_URL, running, settings_for
from tests.pictures import coin, picture
from tests.promises.plugin import Promise
from tests.server import Server, serving

HOLDING = {"facts": {"denomination": "crown"}}


class Untranslated(Server):
    """The control: what the disk says means nothing, and readiness tries nothing, as the server was before."""

    program = (
        "-c",
        "from service.__main__ import main\n"
        "from service.blobs.folder import FolderStore\n"
        "from service.database import errors\n"
        "from service.http.api import service\n"
        "errors._meaning = lambda error, writing: None\n"
        "service._try_writes = lambda state, context: None\n"
        "raise SystemExit(main())",
    )


@contextmanager
def mounted(folder: Path, *options: str) -> Iterator[Callable[..., None]]:
    """A file system of its own at a folder, and what mounts it anew with other options. Skips where one may not."""

    def mount(*more: str) -> None:
        subprocess.run(["mount", *more, str(folder)], check=True, capture_output=True)

    folder.mkdir()
    try:
        mount(*options)
    except (subprocess.CalledProcessError, FileNotFoundError):
        pytest.skip("no file system can be mounted here: that takes root")
    try:
        yield mount
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True, capture_output=True)


@dataclass
class Client:
    """A collector with a coin and a photo of it, at a server."""

    http: httpx.Client
    holding: str = ""
    photos: int = 0

    def begin(self) -> None:
        self.holding = self.http.post("/v1/holdings", json=HOLDING).raise_for_status().json()["id"]

    def write(self) -> httpx.Response:
        return self.http.post("/v1/holdings", json=HOLDING)

    def keep_photo(self) -> httpx.Response:
        """Another photo each time: one that is there already is not kept again."""
        self.photos += 1
        image = picture(PNG, coin(width=64 + self.photos))
        where = f"/v1/holdings/{self.holding}/photos?side=obverse"
        return self.http.post(where, content=image, headers={"Content-Type": PNG})

    def reads(self) -> list[int]:
        paths = ("/v1/holdings", f"/v1/holdings/{self.holding}", "/v1/definitions", "/v1/account", "/health/live")
        return [self.http.get(path).status_code for path in paths]

    def is_ready(self) -> int:
        return self.http.get("/health/ready").status_code


@contextmanager
def at(folder: Path, kind: type[Server] = Server) -> Iterator[Client]:
    url, photos = f"sqlite:///{folder / 'own.sqlite3'}", folder / "photos"
    with ExitStack() as stack:
        server = stack.enter_context(serving(url, kind=kind, settings={"photos_dir": photos, "log_level": "error"}))
        headers = {"Authorization": f"Bearer {server.token()}"}
        client = Client(stack.enter_context(httpx.Client(base_url=server.address, headers=headers, timeout=30)))
        client.begin()
        assert client.keep_photo().status_code == 201
        yield client


def is_problem(answer: httpx.Response, status: int, kind: str) -> bool:
    return answer.status_code == status and answer.json()["type"].endswith(f"/problems/{kind}")


def ready_again(client: Client, status: int) -> bool:
    """Whether the service says so within its time of trust."""
    until = time.monotonic() + 15
    while client.is_ready() != status:
        if time.monotonic() > until:
            return False
        time.sleep(0.5)
    return True


def fill(file: Path) -> None:
    with file.open("wb", buffering=0) as disk:
        for size in (65_536, 4_096):
            try:
                while disk.write(bytes(size)) == size:
                    pass
            except OSError:
                continue


@pytest.mark.process
def test_a_full_disk_keeps_nobody_from_reading(tmp_path: Path, promise: Promise) -> None:
    folder = tmp_path / "small"
    with mounted(folder, "-t", "tmpfs", "-o", "size=6m", "tmpfs"), at(folder) as client:
        assert client.is_ready() == 200
        fill(folder / "rest")
        written = 0
        while (refused := client.write()).status_code == 201:
            written += 1
            assert written < 1_000
        assert is_problem(refused, 507, "storage-full"), refused.text
        photo = client.keep_photo()
        assert is_problem(photo, 507, "storage-full"), photo.text
        assert ready_again(client, 507)
        reads = client.reads()
        assert reads == [200] * 5
        listed = client.http.get("/v1/holdings?limit=200&count=true").json()
        (folder / "rest").unlink()
        # With room again the same is written, and the service is ready.
        assert client.write().status_code == 201
        assert client.keep_photo().status_code == 201
        assert ready_again(client, 200)
        promise(
            18,
            "a full disk",
            kept=f"507 for a coin and for a photo, readiness 507, reads {reads}, {len(listed['items'])} coins there",
            control="with room again the same requests: 201",
            engine="SQLite",
        )


def read_only(folder: Path, image: Path, kind: type[Server]) -> tuple[list[httpx.Response], int, list[int]]:
    """The refusals, readiness and reads of a server whose file system took no more changes after a fault: it is told that there
    was one (ext4, "abort"), whatever files are open."""
    with image.open("wb") as disk:
        disk.truncate(24 * 1024 * 1024)
    try:
        subprocess.run(["mkfs.ext4", "-q", str(image)], check=True, capture_output=True)
    except (subprocess.CalledProcessError, FileNotFoundError):
        pytest.skip("no ext4 file system can be made here")
    with mounted(folder, "-o", "loop", str(image)) as mount, at(folder, kind) as client:
        assert client.is_ready() == 200
        mount("-o", "remount,abort")
        with pytest.raises(OSError, match="Read-only"):
            (folder / "x").touch()
        refused = [client.write(), client.keep_photo(), client.write()]
        if kind is Server:
            assert ready_again(client, 503)
        return refused, client.is_ready(), client.reads()


@pytest.mark.process
def test_a_read_only_disk_keeps_nobody_from_reading(tmp_path: Path, promise: Promise) -> None:
    refused, ready, reads = read_only(tmp_path / "disk", tmp_path / "image", Server)
    for answer in refused:
        assert is_problem(answer, 503, "read-only"), answer.text
        assert answer.headers["retry-after"] == "30"
    assert (ready, reads) == (503, [200] * 5)
    broken, called, _ = read_only(tmp_path / "other", tmp_path / "another", Untranslated)
    statuses = [answer.status_code for answer in broken]
    promise(
        18,
        "a disk that becomes read-only",
        kept=f"503 with Retry-After for writes, readiness {ready}, reads {reads}",
        control=f"errors of the disk not understood: {statuses}, readiness {called}",
        engine="SQLite",
    )
    assert 500 in statuses
    assert called == 200


@pytest.mark.anyio
@pytest.mark.skipif(SERVER_URL is None, reason="SQLite has no such databases")
async def test_a_postgresql_that_takes_no_changes_keeps_nobody_from_reading(
    empty_database_url: str, tmp_path: Path, promise: Promise, monkeypatch: pytest.MonkeyPatch
) -> None:
    def says(value: str) -> None:
        """Every new connection's transactions are, or are not, read-only; open ones are closed."""
        assert SERVER_URL is not None
        url = read_url(empty_database_url)
        engine = create_engine(read_url(SERVER_URL), isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text(f"ALTER DATABASE {url.database} SET default_transaction_read_only = {value}"))
            connection.execute(
                text(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE datname = :name AND pid <> pg_backend_pid()"
                ),
                {"name": url.database},
            )
        engine.dispose()

    async with running(settings_for(empty_database_url, photos_dir=tmp_path)) as service:
        owner = service.collector()

        async def told(method: str, path: str, **more: Any) -> httpx.Response:
            return await service.client.request(method, path, headers=owner, **more)

        assert (await told("GET", "/health/ready")).status_code == 200
        says("on")
        refused = await told("POST", "/v1/holdings", json=HOLDING)
        assert is_problem(refused, 503, "read-only"), refused.text
        assert refused.headers["retry-after"] == "30"
        # What readiness tries, on a connection that nobody has told to write.
        fresh = Database(empty_database_url)
        with pytest.raises(ReadOnly):
            fresh.write(write_nothing_new)
        fresh.close()
        says("on")
        reads = [(await told("GET", path)).status_code for path in ("/v1/holdings", "/v1/account")]
        assert reads == [200, 200]
        says("on")
        with monkeypatch.context() as broken:
            broken.setattr("service.database.errors._meaning", lambda error, writing: None)
            control = (await told("POST", "/v1/holdings", json=HOLDING)).status_code
        assert control == 500
        says("off")
        assert (await told("POST", "/v1/holdings", json=HOLDING)).status_code == 201
        assert (await told("GET", "/health/ready")).status_code == 200
    promise(
        18,
        "a database that takes no changes",
        kept=f"503 with Retry-After for a write, and readiness fails, reads {reads}; 201 afterwards",
        control=f"errors of the database not understood: {control}",
    )
