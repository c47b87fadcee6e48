"""The export of a large account as a job, in real processes: its memory does not grow with the account, and one that is killed in
the middle ends elsewhere, once, with nothing left behind."""

from __future__ import annotations

import hashlib
import signal
import time
import zipfile
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest

from service.blobs import blob_store_of, job_files_of
from service.database.engine import Database
from service.settings import Settings
from tests.account_data.large_accounts import plant_photos
from tests.conftest import settings_for
from tests.journeys.test_job_workers import PATIENCE_SECONDS, a_worker
from tests.owners import recognise
from tests.process_memory import forget_most, most_resident
from tests.server import Server, free_port, serving

pytestmark = pytest.mark.process

MEBIBYTE = 2**20
PHOTOS, PHOTO_BYTES = 40, 5 * MEBIBYTE
LATER = {"Prefer": "respond-async"}

# The control: an answer that is held whole before it is laid down. Run by every interpreter at its start, those of
# the processes for work too.
_HELD_WHOLE = """
import io, sys
if "service" in sys.argv or "--multiprocessing-fork" in sys.argv or sys.argv == ["-c"]:
    import service.http.api.account_data as operations
    import service.http.elsewhere as elsewhere
    import service.inside as inside
    async def whole(self, scope, receive, send):
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        await send({"type": "http.response.body", "body": self._file.getvalue(), "more_body": False})
    def kept(self):
        path = self.folder / "answer"
        path.write_bytes(b"".join(self.pieces))
        return elsewhere.AnswerCopy(self.status, self.headers, path, inside.Counter())
    inside._Body.answer = kept
    operations.answer_file = lambda request: io.BytesIO()
    elsewhere.FileAnswer.__call__ = whole
    inside.LONGEST_IN_MEMORY = 1 << 40
"""


class New(Server):
    is_new = True


def settings_in(url: str, folder: Path) -> Settings:
    return settings_for(url, photos_dir=folder / "photos", spool_dir=folder / "spool")


def asked_with(folder: Path) -> dict[str, object]:
    (folder / "spool").mkdir(exist_ok=True)
    return {"photos_dir": folder / "photos", "spool_dir": folder / "spool", "job_lease_seconds": 3}


def with_many_photos(url: str, folder: Path, token: str) -> tuple[str, list[bytes]]:
    """Gives the account of the token large photos; its id, and their digests."""
    database = Database(url)
    owner = database.read(lambda connection: recognise(connection, token))
    digests = plant_photos(database, blob_store_of(settings_in(url, folder)), owner, PHOTOS, PHOTO_BYTES)
    database.close()
    return owner.id, digests


def asked(client: httpx.Client) -> str:
    """Where the job is."""
    answer = client.get("/v1/account/export", headers=LATER)
    assert answer.status_code == 202, answer.text
    return answer.headers["location"]


def over(client: httpx.Client, where: str) -> Mapping[str, Any]:
    until = time.monotonic() + PATIENCE_SECONDS
    while True:
        job: Mapping[str, Any] = client.get(where).json()
        if job["state"] not in ("queued", "running"):
            return job
        assert time.monotonic() < until, job
        time.sleep(0.2)


def fetched(client: httpx.Client, job: Mapping[str, Any], target: Path) -> list[bytes]:
    """The digests of the photos in the result."""
    with client.stream("GET", job["result"]) as answer, target.open("wb") as file:
        assert answer.status_code == 200
        for piece in answer.iter_bytes():
            file.write(piece)
    found = []
    with zipfile.ZipFile(target) as made:
        assert made.testzip() is None
        for name in made.namelist():
            if name.startswith("photos/"):
                with made.open(name) as photo:
                    found.append(hashlib.file_digest(photo, "sha256").digest())  # type: ignore[arg-type]
    return found


def pids_of(server: Server) -> set[int]:
    process = psutil.Process(server.process.pid)
    return {process.pid, *(child.pid for child in process.children(recursive=True))}


def begin_to_measure(server: Server) -> dict[int, int]:
    """What each process of the server has now, in bytes; from here on its most is remembered anew."""
    found = {}
    for pid in pids_of(server):
        forget_most(pid)
        found[pid] = psutil.Process(pid).memory_info().rss
    return found


def grown(before: Mapping[int, int]) -> float:
    """By how many MiB these processes were larger at most, all added up."""
    return sum(max(0, most_resident(pid) - rss) for pid, rss in before.items()) / MEBIBYTE


def memory_of(url: str, folder: Path) -> float:
    """By how much the processes grow that export the large account and send it, after a small one."""
    warm = {"solves_at_once": 1, "work_at_start": True}
    with (
        serving(url, kind=New, settings={**asked_with(folder), **warm}) as server,
        httpx.Client(base_url=server.address, timeout=120) as client,
    ):
        token = server.token()
        assert token is not None
        client.headers["Authorization"] = f"Bearer {token}"
        # Everything is loaded, and every process there.
        small = over(client, asked(client))
        assert fetched(client, small, folder / "small.zip") == []
        _, digests = with_many_photos(url, folder, token)
        before = begin_to_measure(server)
        job = over(client, asked(client))
        assert (job["state"], job["status"]) == ("done", 200), job
        assert sorted(fetched(client, job, folder / "large.zip")) == sorted(digests)
        assert before.keys() == pids_of(server)
        return grown(before)


@pytest.mark.long
def test_memory_does_not_grow_with_the_photos(
    another_database_url: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "own").mkdir()
    more = memory_of(another_database_url(), tmp_path / "own")
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "sitecustomize.py").write_text(_HELD_WHOLE)
    monkeypatch.setenv("PYTHONPATH", str(broken), prepend=":")
    control = memory_of(another_database_url(), broken)
    size = PHOTOS * PHOTO_BYTES // MEBIBYTE
    print(f"export of {size} MiB of photos: all processes +{more:.1f} MiB; held whole +{control:.1f} MiB")
    assert more < 40
    assert control > size / 2 > more


def spooled(folder: Path) -> int:
    """How many bytes are laid down for a while."""
    return sum(path.stat().st_size for path in (folder / "spool").rglob("*") if path.is_file())


def files_left(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "spool").rglob("*") if path.is_file())


def killed_in_the_middle(client: httpx.Client, where: str, folder: Path, victims: list[Any]) -> int:
    """Kills whoever has written a part of the export; the number of the victim."""
    until = time.monotonic() + PATIENCE_SECONDS
    while spooled(folder) < 4 * MEBIBYTE:
        assert time.monotonic() < until
        time.sleep(0.005)
    number = next(
        number
        for number, victim in enumerate(victims)
        if any(
            path.startswith(str(folder / "spool"))
            for child in psutil.Process(victim.pid).children(recursive=True)
            for path in (file.path for file in child.open_files())
        )
    )
    victims[number].send_signal(signal.SIGKILL)
    return number


@pytest.mark.long
def test_one_that_is_killed_in_the_middle_ends_elsewhere_once(empty_database_url: str, tmp_path: Path) -> None:
    url, folder = empty_database_url, tmp_path
    settings = asked_with(folder)
    is_sqlite = url.startswith("sqlite")
    jobs_here = {} if is_sqlite else {"jobs_in_server": False}
    with ExitStack() as stack:
        server = stack.enter_context(serving(url, settings={**settings, **jobs_here}))
        token = server.token()
        assert token is not None
        headers = {"Authorization": f"Bearer {token}"}
        owner, digests = with_many_photos(url, folder, token)
        workers = [] if is_sqlite else [stack.enter_context(a_worker(url, free_port(), settings)) for _ in range(2)]
        with httpx.Client(base_url=server.address, timeout=120, headers=headers) as client:
            where = asked(client)
            killed_in_the_middle(client, where, folder, [server.process] if is_sqlite else workers)
        if is_sqlite:
            server.process.wait(30)
            assert files_left(folder), "it was killed in the middle"
            server = stack.enter_context(serving(url, settings=settings))
        with httpx.Client(base_url=server.address, timeout=120, headers=headers) as client:
            job = over(client, where)
            assert (job["state"], job["status"], job["attempts"]) == ("done", 200, 2), job
            assert sorted(fetched(client, job, folder / "result.zip")) == sorted(digests)
            files = job_files_of(settings_in(url, folder))
            assert len(list(files.names(owner))) == 1
            if not is_sqlite:
                # What the dead worker laid down goes when the next process begins there.
                assert len(files_left(folder)) == 1
                stack.enter_context(a_worker(url, free_port(), settings))
            assert files_left(folder) == []
            assert client.delete(where).status_code == 204
            assert list(files.names(owner)) == []
