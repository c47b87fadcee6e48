"""Requests that are answered later: 202, a job, and the answer that would have been given."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.accounts.model import Owner
from service.http.dependencies import context_of
from service.http.job_runs import MOST_ATTEMPTS, JobRunner
from service.jobs.model import DONE, FAILED
from service.jobs.store import JobStore, waiting_jobs
from tests.conftest import Running, running, settings_for

pytestmark = pytest.mark.anyio

LEASE = timedelta(seconds=30)

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Hill farms",
    "slots": [{"id": "pony", "label": "Pony", "accepts": "year_on_coin BETWEEN 1900 AND 1950"}],
}
COINS = [{"id": f"c{number}", "facts": {"year_on_coin": 1890 + number * 7}} for number in range(8)]
LATER = {"Prefer": "respond-async"}


@pytest.fixture
async def idle(database_url: str, tmp_path: Path, anyio_backend: str) -> AsyncIterator[Running]:
    """A service that does no job by itself."""
    settings = settings_for(database_url, photos_dir=tmp_path / "photos", jobs_in_server=False)
    async with running(settings) as started:
        yield started


async def over(service: Running, answer: httpx.Response, headers: Mapping[str, str]) -> dict[str, Any]:
    """The job once it is over."""
    assert answer.status_code == 202, answer.text
    for _ in range(600):
        job: dict[str, Any] = (await service.client.get(answer.headers["location"], headers=headers)).json()
        if job["state"] in ("done", "failed", "cancelled"):
            return job
        await asyncio.sleep(0.1)
    raise AssertionError(job)


async def test_a_job_ends_with_the_answer_that_would_have_been_given(service: Running) -> None:
    headers = service.collector()
    body = {"definition": SET, "holdings": COINS}
    now = await service.client.post("/v1/evaluations", json=body, headers=headers)
    later = await service.client.post("/v1/evaluations", json=body, headers={**headers, **LATER})
    assert later.headers["preference-applied"] == "respond-async"
    assert later.json()["state"] == "queued"
    job = await over(service, later, headers)
    assert (job["state"], job["status"], job["attempts"]) == ("done", 200, 1)
    result = await service.client.get(job["result"], headers=headers)
    assert (result.status_code, result.content) == (now.status_code, now.content)
    assert result.headers["content-type"] == now.headers["content-type"]
    listed = (await service.client.get("/v1/jobs", headers=headers)).json()["items"]
    assert [entry["id"] for entry in listed] == [job["id"]]
    tally = context_of(service.app).job_tally
    while tally.running:
        await asyncio.sleep(0.01)
    # It may have done what other tests left.
    assert tally.outcomes[DONE] >= 1
    assert tally.seconds > 0


async def test_what_its_process_counts_is_counted_here(service: Running) -> None:
    headers, counts = service.collector(), context_of(service.app).job_tally.counts
    stored = await service.client.post("/v1/definitions", json={"document": SET}, headers=headers)
    body = {"definition": {"id": stored.json()["id"]}, "holdings": "mine"}
    made = await service.client.post("/v1/evaluations", json=body, headers={**headers, **LATER})
    assert (await over(service, made, headers))["status"] == 200
    assert sum(counts["cache_requests", ("columns", outcome)] for outcome in ("hit", "patch", "miss")) > 0


async def test_a_refusal_is_an_answer_too(service: Running) -> None:
    headers = service.collector()
    body = {"definition": {**SET, "slots": [{"id": "x"}]}, "holdings": []}
    now = await service.client.post("/v1/evaluations", json=body, headers=headers)
    job = await over(
        service, await service.client.post("/v1/evaluations", json=body, headers={**headers, **LATER}), headers
    )
    result = await service.client.get(job["result"], headers=headers)
    assert (result.status_code, result.content) == (now.status_code, now.content) != (200, b"")


async def test_strangers_are_answered_at_once(service: Running) -> None:
    answer = await service.client.post("/v1/evaluations", json={"definition": SET, "holdings": COINS}, headers=LATER)
    assert answer.status_code == 200


async def test_another_owner_has_no_such_job(service: Running) -> None:
    ada, ben = service.collector(), service.collector()
    made = await service.client.post("/v1/definition-checks", json=SET, headers={**ada, **LATER})
    where = made.headers["location"]
    for path in (where, f"{where}/result", f"{where}/events"):
        assert (await service.client.get(path, headers=ben)).status_code == 404
    assert (await service.client.delete(where, headers=ben)).status_code == 404
    await over(service, made, ada)


async def test_what_is_cancelled_has_no_answer_and_what_is_over_is_forgotten(service: Running) -> None:
    headers = service.collector()
    many = [{"id": str(number), "facts": {"year_on_coin": 1700 + number % 300}} for number in range(1_500)]
    slots = [{"id": str(number), "accepts": f"year_on_coin > {number}"} for number in range(1_500)]
    body = {"definition": {**SET, "slots": slots}, "holdings": many}
    made = await service.client.post("/v1/evaluations", json=body, headers={**headers, **LATER})
    where = made.headers["location"]
    assert (await service.client.delete(where, headers=headers)).status_code == 204
    assert (await over(service, made, headers))["state"] == "cancelled"
    assert (await service.client.get(f"{where}/result", headers=headers)).status_code == 409
    assert (await service.client.delete(where, headers=headers)).status_code == 204
    assert (await service.client.get(where, headers=headers)).status_code == 404


async def test_events_tell_of_it_until_it_is_over(service: Running) -> None:
    headers = service.collector()
    made = await service.client.post("/v1/definition-checks", json=SET, headers={**headers, **LATER})
    told = await service.client.get(f"{made.headers['location']}/events", headers=headers, timeout=120)
    assert told.headers["content-type"].startswith("text/event-stream")
    assert '"state": "done"' in told.text.strip().splitlines()[-1]


async def test_an_attempt_that_lost_the_job_does_not_end_it(idle: Running) -> None:
    """A job that is taken up again after its lease ends once: by the attempt that holds it."""
    context = context_of(idle.app)
    headers = idle.collector()
    held: list[str] = []

    async def nobody(owner_id: str, job_id: str) -> None:
        held.extend((owner_id, job_id))

    idle.app.state.job_queue.added = nobody
    made = await idle.client.post("/v1/definition-checks", json=SET, headers={**headers, **LATER})
    owner, name, now = Owner(held[0]), held[1], context.now()
    first = context.database.write(lambda c: JobStore(c, owner).take_up(name, now, LEASE, 4))
    assert first is not None
    # Nobody else while it is held; after that another attempt, which counts.
    assert context.database.write(lambda c: JobStore(c, owner).take_up(name, now, LEASE, 4)) is None
    late = now + LEASE + timedelta(seconds=1)
    second = context.database.write(lambda c: JobStore(c, owner).take_up(name, late, LEASE, 4))
    assert second is not None
    assert (first[0].attempts, second[0].attempts) == (1, 2)
    assert not context.database.write(lambda c: JobStore(c, owner).end(name, 1, "failed", late))
    assert context.database.write(
        lambda c: JobStore(c, owner).end(name, 2, "failed", late, detail="ended by the second")
    )
    assert not context.database.write(lambda c: JobStore(c, owner).end(name, 2, "done", late))
    job = await over(idle, made, headers)
    assert (job["state"], job["detail"]) == ("failed", "ended by the second")


async def test_a_job_that_every_attempt_died_of_ends_as_failed(idle: Running) -> None:
    context, headers = context_of(idle.app), idle.collector()
    held: list[str] = []

    async def nobody(owner_id: str, job_id: str) -> None:
        held.extend((owner_id, job_id))

    idle.app.state.job_queue.added = nobody
    made = await idle.client.post("/v1/definition-checks", json=SET, headers={**headers, **LATER})
    owner, name, long_ago = Owner(held[0]), held[1], context.now() - timedelta(days=1)
    for attempt in range(MOST_ATTEMPTS):
        begun = long_ago + attempt * 2 * LEASE
        taken = context.database.write(
            lambda c, begun=begun: JobStore(c, owner).take_up(name, begun, LEASE, MOST_ATTEMPTS)
        )
        assert taken is not None
        # Held by one that is alive, or to be begun once more: it goes on.
        context.database.write(lambda c, begun=begun: JobStore(c, owner).give_up(name, begun, MOST_ATTEMPTS))
        assert context.database.read(lambda c: JobStore(c, owner).get(name)).state == "running"
    await JobRunner(context).run(owner.id, name)
    job = await over(idle, made, headers)
    assert (job["state"], job["attempts"]) == ("failed", MOST_ATTEMPTS)
    assert f"begun {MOST_ATTEMPTS} times" in job["detail"]
    assert context.job_tally.outcomes[FAILED] == 1
    assert not [row for row in context.database.read(lambda c: waiting_jobs(c, context.now(), 100)) if row[1] == name]


async def test_a_token_that_was_revoked_has_nothing_done(idle: Running) -> None:
    headers = idle.collector()
    other = idle.another_token(headers)
    held: list[tuple[str, str]] = []

    async def nobody(owner_id: str, job_id: str) -> None:
        held.append((owner_id, job_id))

    idle.app.state.job_queue.added = nobody
    made = await idle.client.post("/v1/definition-checks", json=SET, headers={**other, **LATER})
    tokens = (await idle.client.get("/v1/account/tokens", headers=headers)).json()["items"]
    (another,) = [token["id"] for token in tokens if token["name"] == "another"]
    revoked = await idle.client.delete(f"/v1/account/tokens/{another}", headers=headers)
    assert revoked.status_code == 204
    await JobRunner(context_of(idle.app)).run(*held[0])
    job = await over(idle, made, headers)
    assert job["state"] == "failed"
    assert "token" in job["detail"]
    tally = context_of(idle.app).job_tally
    assert (tally.running, tally.outcomes) == (0, {FAILED: 1})


async def test_so_many_jobs_and_no_more(idle: Running) -> None:
    headers = idle.collector()

    async def nobody(owner_id: str, job_id: str) -> None:
        del owner_id, job_id

    idle.app.state.job_queue.added = nobody
    answers = [
        await idle.client.post("/v1/definition-checks", json=SET, headers={**headers, **LATER}) for _ in range(21)
    ]
    assert [answer.status_code for answer in answers] == [202] * 20 + [503]
    assert answers[-1].headers["retry-after"]
    # Whatever service has this database next does not find them.
    for answer in answers[:-1]:
        assert (await idle.client.delete(answer.headers["location"], headers=headers)).status_code == 204
