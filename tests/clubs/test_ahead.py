"""Standings that are worked out ahead of being asked for: the answers are the same bytes, and a run has its bounds."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service import worker
from service.clubs.actions import ahead, standings
from service.clubs.actions.ahead import Renewal, StandingsAhead, outdated, renew
from service.clubs.store.offers import offers_with_standings
from service.clubs.tables import club_standing
from service.errors import TooHeavy
from service.http.dependencies import context_of
from service.runtime import Context, opened
from tests.conftest import SERVER_URL, Running, running, settings_for
from tests.http.clubhouse import Clubhouse, Headers, coin, founded, published
from tests.http.examples import DOCUMENT

pytestmark = pytest.mark.anyio

WORN, SHARP = {"denomination": "crown", "grade": 10}, {"denomination": "crown", "grade": 60}
PATHS = ("standings", "spares", "spares?place=sharp")


@pytest.fixture
async def alone(empty_database_url: str, tmp_path: Path, anyio_backend: str) -> AsyncIterator[Running]:
    """A service whose clubs are those of the test."""
    async with running(settings_for(empty_database_url, photos_dir=tmp_path, jobs_in_server=False)) as started:
        yield started


async def shown(service: Running, members: int = 2) -> tuple[Clubhouse, list[Headers], str]:
    """A club of which so many members show one definition; the first shows his spares alone."""
    club = await founded(service)
    offer = await club.offered()
    others = [await club.newcomer() for _ in range(members)]
    for number, member in enumerate(others):
        for facts in (WORN, SHARP, SHARP)[: number + 2]:
            await coin(service, member, **facts)
        await club.shows(member, offer, standing=number > 0, spares=True)
    return club, others, offer


def kept(service: Running) -> dict[tuple[str, str], str]:
    """By owner and definition what the standing that is kept was made of."""
    rows = context_of(service.app).database.read(lambda c: list(c.execute(club_standing.select())))
    return {(str(row.owner_id), str(row.club_definition_id)): row.basis for row in rows}


def forget(service: Running) -> None:
    context_of(service.app).database.write(lambda c: c.execute(club_standing.delete()))


async def answers(club: Clubhouse, offer: str, members: list[Headers]) -> list[tuple[bytes, str | None]]:
    paths = [*PATHS, *(f"{what}/{club.id_of(member)}" for what in ("standings", "spares") for member in members[1:])]
    found = []
    for path in paths:
        answer = await club.service.client.get(f"{club.address}{offer}/{path}", headers=club.steward)
        assert answer.status_code == 200, answer.text
        found.append((answer.content, answer.headers.get("etag")))
    return found


async def test_what_was_worked_out_ahead_is_answered_byte_for_byte_as_when_asked(
    alone: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    club, members, offer = await shown(alone)
    schedule = StandingsAhead(context_of(alone.app))
    assert await answers(club, offer, members)
    evaluated: list[Any] = []
    real = standings.stand
    monkeypatch.setattr(standings, "stand", lambda request: evaluated.append(request) or real(request))
    for change in ("nothing is kept", "coins", "another revision"):
        if change == "nothing is kept":
            forget(alone)
        elif change == "coins":
            await coin(alone, members[0], **SHARP)
            await coin(alone, members[1], **WORN)
        else:
            newer = {"definition_id": await another_definition(alone, club.steward)}
            sent = await alone.client.post(f"{club.address}{offer}/revisions", json=newer, headers=club.steward)
            assert sent.status_code == 201
        done = await schedule.run()
        assert (done.renewed, done.failed, done.left) == (2, 0, 0), change
        ahead_of = await answers(club, offer, members)
        # Nothing was left to do for whoever asked.
        assert evaluated == [], change
        before = kept(alone)
        forget(alone)
        assert await answers(club, offer, members) == ahead_of, change
        assert (kept(alone), len(evaluated)) == (before, 2)
        evaluated.clear()
        # Nothing changed since.
        again = await schedule.run()
        assert (again.renewed, again.failed, again.left) == (0, 0, 0)


async def another_definition(service: Running, owner: Headers) -> str:
    return await published(
        service, owner, {**DOCUMENT, "slots": [*DOCUMENT["slots"], {"id": "any", "accepts": "true"}]}
    )


async def test_only_what_is_shown_is_worked_out(alone: Running) -> None:
    club, members, offer = await shown(alone)
    await club.shows(members[1], offer, display=True)
    assert (await StandingsAhead(context_of(alone.app)).run()).renewed == 1
    assert len(kept(alone)) == 1
    await club.shows(members[0], offer)
    assert (await StandingsAhead(context_of(alone.app)).run()).renewed == 0
    assert kept(alone) == {}


async def test_a_piece_ends_after_its_time_and_the_next_goes_on(alone: Running) -> None:
    await shown(alone, members=3)
    context = context_of(alone.app)
    (offer,) = context.database.read(lambda connection: offers_with_standings(connection, None, 10))
    assert await outdated(context, [offer], 0.0) == ([offer], 1)
    # Of no time at all nothing is done but what it may not do without.
    pieces = [await renew(context, offer, seconds) for seconds in (-1.0, 60.0)]
    assert pieces == [Renewal(0, 0, 3), Renewal(3, 0, 0)]
    assert await outdated(context, [offer], 60.0) == ([], 1)


async def test_a_run_has_its_bounds_and_the_next_one_goes_on(alone: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    club, members, _ = await shown(alone)
    # Another one of the same club.
    await club.shows(members[0], await club.offered(), standing=True)
    await shown(alone)
    context = context_of(alone.app)
    offers = context.database.read(lambda connection: offers_with_standings(connection, None, 10))
    assert len(set(offers)) == 3
    pieces = [None, *offers]
    for before, offer in zip(pieces, offers, strict=False):
        found = context.database.read(lambda c, before=before: offers_with_standings(c, before, 1))  # type: ignore[misc]
        assert found == [offer]
    assert context.database.read(lambda connection: offers_with_standings(connection, offers[-1], 1)) == []
    asked: list[tuple[str, Any]] = []

    class Members:
        """Processes of which each piece of work ends as the test says."""

        waiting = 0

        async def run(self, place: str, settings: Any, at: Any, what: Any, *more: Any, **rest: Any) -> Any:
            asked.append((place.partition(":")[2], what))
            if place.endswith("outdated_standings"):
                return list(what), len(what)
            if what == offers[1]:
                raise TooHeavy("x", "y")
            return Renewal(2, 0, 0)

    members: Any = Members()
    schedule = StandingsAhead(replace(context, members=members))
    monkeypatch.setattr(ahead, "_LOOKED_AT_ONCE", 2)
    monkeypatch.setattr(ahead, "MOST_OFFERS", 2)
    # One that takes too much keeps nobody else from it.
    done = await schedule.run()
    assert ((done.renewed, done.failed), [what for name, what in asked if name.startswith("renew")]) == (
        (2, 1),
        offers[:2],
    )
    asked.clear()
    assert (await schedule.run()).renewed == 2
    assert [what for name, what in asked if name.startswith("renew")] == offers[2:]
    # It begins again, and not at all where requests wait, or there is no time.
    asked.clear()
    assert (await schedule.run()).renewed == 2
    assert [what for name, what in asked if name.startswith("renew")] == offers[:2]
    asked.clear()
    members.waiting = 1
    assert await schedule.run() == Renewal(0, 0, 0)
    members.waiting = 0
    monkeypatch.setattr(ahead, "RUN_SECONDS", 0.0)
    assert await schedule.run() == Renewal(0, 0, 0)
    assert asked == []


async def test_the_one_server_does_it_by_itself_and_goes_on_after_an_error(
    alone: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not context_of(alone.app).database.is_sqlite:
        pytest.skip("on PostgreSQL the queue has it done")
    runs: list[Context] = []

    async def fail(schedule: StandingsAhead) -> None:
        runs.append(schedule._context)
        raise RuntimeError("canary")

    monkeypatch.setattr(StandingsAhead, "run", fail)
    monkeypatch.setattr(worker, "MINUTE_SECONDS", 0.01)
    settings = context_of(alone.app).settings.model_copy(update={"standings_minutes": 1})
    with opened(settings) as context:
        async with worker.background(context):
            while len(runs) < 2:
                await asyncio.sleep(0.01)
        assert context.job_runs["standings"].failed >= 2


@pytest.mark.skipif(SERVER_URL is None, reason="on SQLite the one server does it by itself")
async def test_the_queue_has_it_done(empty_database_url: str, tmp_path: Path) -> None:
    async with running(settings_for(empty_database_url, photos_dir=tmp_path, standings_minutes=59)) as service:
        await shown(service)
        assert kept(service) == {}
        # What the schedule does each time; once an hour is too seldom to wait for.
        await service.app.state.job_queue._app.configure_task("standings").defer_async(timestamp=0)
        runs = context_of(service.app).job_runs["standings"]
        # It may also do it by itself, if the test begins at the turn of an hour.
        while not (runs.failed or len(kept(service)) == 2):
            await asyncio.sleep(0.05)
        assert runs.failed == 0
