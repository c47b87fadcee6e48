"""The export of an account, answered later: a job whose answer is a file, for its owner alone, gone with the job."""

from __future__ import annotations

import hashlib
import io
import json
import uuid
import zipfile
from collections.abc import AsyncIterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from service.accounts.model import Owner
from service.blobs.store import PIECE_BYTES
from service.http.dependencies import context_of
from service.http.job_runs import MOST_ATTEMPTS, JobRunner
from service.jobs.files import keep_file, sweep_files
from service.jobs.store import JobStore
from service.runtime import Context
from service.worker import maintain
from tests.account_data.large_accounts import plant_photos
from tests.conftest import Running, running, settings_for
from tests.http.test_jobs import LATER, LEASE, over
from tests.owners import recognise

pytestmark = pytest.mark.anyio

MEBIBYTE = 2**20
EXPORT = "/v1/account/export"


@pytest.fixture
async def idle(database_url: str, tmp_path: Path, anyio_backend: str) -> AsyncIterator[Running]:
    """A service that does no job by itself."""
    settings = settings_for(database_url, photos_dir=tmp_path / "photos", jobs_in_server=False)
    async with running(settings) as started:
        yield started


def owner_of(service: Running, headers: dict[str, str]) -> Owner:
    token = headers["Authorization"].removeprefix("Bearer ")
    owner: Owner = service.app.state.database.read(lambda connection: recognise(connection, token))
    return owner


def with_photos(service: Running, headers: dict[str, str], count: int = 6) -> list[bytes]:
    """The digests of so many photos of a megabyte, which the account has from now on."""
    context = context_of(service.app)
    return plant_photos(context.database, context.blobs, owner_of(service, headers), count, MEBIBYTE)


def files_of(context: Context, owner: Owner) -> list[str]:
    return list(context.job_files.names(owner.id))


def without_its_moment(raw: bytes) -> dict[str, bytes]:
    """The files of an export, but the manifest, which says when it was made."""
    made = zipfile.ZipFile(io.BytesIO(raw))
    return {name: made.read(name) for name in made.namelist() if name != "manifest.json"}


async def exported_later(service: Running, headers: dict[str, str]) -> dict[str, object]:
    answer = await service.client.get(EXPORT, headers={**headers, **LATER})
    job = await over(service, answer, headers)
    assert (job["state"], job["status"]) == ("done", 200), job
    return job


async def test_it_is_the_export_that_would_have_been_given_and_lies_in_a_file(service: Running) -> None:
    headers, context = service.collector(), context_of(service.app)
    owner, digests = owner_of(service, headers), with_photos(service, headers)
    now = await service.client.get(EXPORT, headers=headers)
    assert (now.status_code, files_of(context, owner)) == (200, [])
    job = await exported_later(service, headers)
    (name,) = files_of(context, owner)
    result = await service.client.get(str(job["result"]), headers=headers)
    assert (result.status_code, result.headers["content-type"]) == (200, "application/zip")
    assert result.headers["cache-control"] == "no-store"
    assert result.headers["content-disposition"] == now.headers["content-disposition"]
    assert int(result.headers["content-length"]) == len(result.content) > len(digests) * MEBIBYTE
    assert context.job_files.get(owner.id, name) == result.content
    # Tokens and devices say when they were last used; all else is the same.
    later, at_once = without_its_moment(result.content), without_its_moment(now.content)
    assert {key: raw for key, raw in later.items() if "token" not in key} == {
        key: raw for key, raw in at_once.items() if "token" not in key
    }
    photos = [raw for key, raw in later.items() if key.startswith("photos/")]
    assert sorted(hashlib.sha256(raw).digest() for raw in photos) == sorted(digests)
    # Nothing is left in the folder of what is laid down for a while.
    assert list(context.spool.iterdir()) == []


async def test_past_a_size_it_is_a_job_without_being_asked_for(service: Running) -> None:
    headers, context = service.collector(), context_of(service.app)
    owner = owner_of(service, headers)
    plant_photos(context.database, context.blobs, owner, 1, 1_000, said=6 * 1024 * MEBIBYTE)
    answer = await service.client.get(EXPORT, headers=headers)
    assert answer.status_code == 202
    assert "preference-applied" not in answer.headers
    job = await over(service, answer, headers)
    assert (job["state"], job["doing"]) == ("done", "exporting the account")
    # A short one lies in its row.
    assert files_of(context, owner) == []
    result = await service.client.get(job["result"], headers=headers)
    assert zipfile.ZipFile(io.BytesIO(result.content)).testzip() is None
    # And past what a job may take it is refused, with what else there is.
    plant_photos(context.database, context.blobs, owner, 1, 1_000, said=60 * 1024 * MEBIBYTE)
    refused = await service.client.get(EXPORT, headers=headers)
    assert (refused.status_code, refused.json()["type"].rsplit("/", 1)[-1]) == (422, "too-heavy")
    assert "67,584 MiB of photos" in refused.text
    assert "setwright export-account" in refused.text


async def test_a_token_that_may_not_export_does_not_read_what_another_exported(service: Running) -> None:
    headers = service.collector()
    with_photos(service, headers)
    weak, stranger = service.another_token(headers, scopes=["read", "write"]), service.collector()
    assert (await service.client.get(EXPORT, headers={**weak, **LATER})).status_code == 403
    job = await exported_later(service, headers)
    where = str(job["result"])
    refused = await service.client.get(where, headers=weak)
    assert (refused.status_code, refused.json()["type"].rsplit("/", 1)[-1]) == (403, "forbidden-scope")
    assert (await service.client.get(where, headers=stranger)).status_code == 404
    assert (await service.client.get(where)).status_code == 401
    # The control: what a token that reads may ask for it also reads later.
    read = await service.client.get(f"/v1/jobs/{job['id']}", headers=weak)
    assert read.status_code == 200
    body = {"definition": {"format": "set-definition/1", "title": "x", "slots": [{"id": "a"}]}, "holdings": []}
    asked = await service.client.post("/v1/evaluations", json=body, headers={**headers, **LATER})
    answered = await over(service, asked, headers)
    assert (await service.client.get(answered["result"], headers=weak)).status_code == answered["status"]


async def test_the_file_goes_with_the_job_and_only_the_newest_few_stay(service: Running) -> None:
    headers, context = service.collector(), context_of(service.app)
    owner = owner_of(service, headers)
    with_photos(service, headers)
    most = context.settings.job_files_kept
    jobs = [await exported_later(service, headers) for _ in range(most + 1)]
    assert len(files_of(context, owner)) == most
    there = [(await service.client.get(f"/v1/jobs/{job['id']}", headers=headers)).status_code for job in jobs]
    assert there == [404] + [200] * most
    for job in jobs[1:]:
        assert (await service.client.get(str(job["result"]), headers=headers)).status_code == 200
    assert (await service.client.delete(f"/v1/jobs/{jobs[-1]['id']}", headers=headers)).status_code == 204
    assert len(files_of(context, owner)) == most - 1
    # The daily maintenance takes away the others with their jobs.
    later = context.now() + timedelta(days=context.settings.jobs_kept_days + 1)
    service.app.state.clock = lambda: later
    removed = maintain(context_of(service.app))
    assert (removed.job_files >= most - 1, files_of(context, owner)) == (True, [])
    assert (await service.client.get("/v1/jobs", headers=headers)).json()["items"] == []


async def test_deleting_the_account_takes_the_file_away(service: Running) -> None:
    headers, context = service.collector(), context_of(service.app)
    owner = owner_of(service, headers)
    with_photos(service, headers)
    await exported_later(service, headers)
    assert len(files_of(context, owner)) == 1
    name = (await service.client.get("/v1/account", headers=headers)).json()["name"]
    gone = await service.client.request("DELETE", "/v1/account", json={"name": name}, headers=headers)
    assert gone.status_code == 204, gone.text
    assert files_of(context, owner) == []


async def test_a_file_that_is_lost_is_told(service: Running) -> None:
    headers, context = service.collector(), context_of(service.app)
    owner = owner_of(service, headers)
    with_photos(service, headers)
    job = await exported_later(service, headers)
    (name,) = files_of(context, owner)
    context.job_files.remove(owner.id, name)
    answer = await service.client.get(str(job["result"]), headers=headers)
    assert answer.status_code == 409
    assert "not there any more" in answer.text


async def held(idle: Running, headers: dict[str, str]) -> tuple[httpx.Response, str]:
    """The answer to an export that is asked for later, and the job that nobody does."""
    found: list[str] = []

    async def nobody(owner_id: str, job_id: str) -> None:
        del owner_id
        found.append(job_id)

    idle.app.state.job_queue.added = nobody
    made = await idle.client.get(EXPORT, headers={**headers, **LATER})
    return made, found[0]


async def test_an_attempt_that_lost_its_job_leaves_no_file(idle: Running) -> None:
    """While the first attempt is about to end, a second one takes the job up and ends it: one answer, one file."""
    headers, context = idle.collector(), context_of(idle.app)
    owner = owner_of(idle, headers)
    with_photos(idle, headers)
    made, name = await held(idle, headers)
    real, seen = JobRunner._end, []

    async def late(self: JobRunner, owner: Owner, job: object, *rest: object) -> str:
        if not seen:
            seen.append(files_of(context, owner))
            long_after = context.now() + 2 * LEASE
            taken = context.database.write(lambda c: JobStore(c, owner).take_up(name, long_after, LEASE, MOST_ATTEMPTS))
            assert taken is not None
            context.database.write(lambda c: JobStore(c, owner).release(name, 2))
            await JobRunner(context).run(owner.id, name)
        return await real(self, owner, job, *rest)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(JobRunner, "_end", late)
        await JobRunner(context).run(owner.id, name)
    job = await over(idle, made, headers)
    assert (job["state"], job["attempts"]) == ("done", 2), job
    (file,) = files_of(context, owner)
    # The control: the first attempt had a file, and it was not this one.
    assert (len(seen[0]), file in seen[0]) == (1, False)
    result = await idle.client.get(job["result"], headers=headers)
    assert zipfile.ZipFile(io.BytesIO(result.content)).testzip() is None


async def test_a_file_that_no_row_names_is_swept_after_a_day(idle: Running, tmp_path: Path) -> None:
    """A process may be killed after it put the file and before it ended the job."""
    headers, context = idle.collector(), context_of(idle.app)
    owner = owner_of(idle, headers)
    with_photos(idle, headers)
    made, name = await held(idle, headers)
    await JobRunner(context).run(owner.id, name)
    job = await over(idle, made, headers)
    named = files_of(context, owner)
    source = tmp_path / "source"
    source.write_bytes(b"x" * (PIECE_BYTES + 1))
    left = keep_file(context.job_files, owner, source)
    gone = keep_file(context.job_files, Owner(str(uuid.uuid4())), source)
    # It may be on its way, so that it stays for now.
    sweep_files(context.database, context.job_files, context.now())
    assert sorted(files_of(context, owner)) == sorted([*named, left])
    taken = sweep_files(context.database, context.job_files, context.now() + timedelta(days=1, minutes=1))
    assert (taken, files_of(context, owner)) == (2, named)
    assert (len(named), gone in named) == (1, False)
    assert (await idle.client.get(job["result"], headers=headers)).status_code == 200


async def test_an_answer_of_before_there_were_files_is_read(service: Running) -> None:
    headers = service.collector()
    job = await exported_later(service, headers)
    service.app.state.database.write(
        lambda c: c.exec_driver_sql(f"UPDATE job SET scopes = NULL WHERE id = '{_stored(service, str(job['id']))}'")
    )
    weak = service.another_token(headers, scopes=["read"])
    result = await service.client.get(str(job["result"]), headers=weak)
    assert json.loads(zipfile.ZipFile(io.BytesIO(result.content)).read("holdings.json")) == {"holdings": []}


def _stored(service: Running, identity: str) -> str:
    return identity.replace("-", "") if service.app.state.database.is_sqlite else identity
