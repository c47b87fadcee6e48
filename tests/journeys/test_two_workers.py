"""What one worker wrote the next request finds, whichever other worker of the same database answers it.

Nothing that a worker keeps in memory is needed, or believed, by another. Each worker is a server in a process of its own."""

from __future__ import annotations

import signal
from collections.abc import Awaitable, Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest

from service.accounts.model import new_token, token_digest
from service.accounts.store import AccountStore
from service.database.engine import Database
from service.database.migrate import upgrade
from tests.conftest import PARTITIONS
from tests.http.set_changes import BEASTS, SET, SOUND, done
from tests.owners import open_account
from tests.server import Server

pytestmark = [pytest.mark.anyio, pytest.mark.process]
Headers = dict[str, str]
Write = Callable[[httpx.AsyncClient], Awaitable[Any]]


class ForgetfulServer(Server):
    program = ("-m", "tests.journeys.forgetful")


@dataclass
class People:
    """Accounts of the database, opened without HTTP."""

    url: str
    count: int = 0

    def somebody(self) -> tuple[Headers, Headers, str]:
        """Two tokens of a new account, and the id of the second."""
        database = Database(self.url)
        self.count += 1
        second = new_token()

        def begin(connection: Any) -> tuple[str, str]:
            owner, token = open_account(connection, f"somebody {self.count}")
            store = AccountStore(connection)
            return token, store.add_token(owner, token_digest(second), "lap", datetime.now(UTC)).id

        try:
            first, identity = database.write(begin)
        finally:
            database.close()
        return _with(first), _with(second), identity


def _with(token: str) -> Headers:
    return {"Authorization": f"Bearer {token}"}


@dataclass
class Story:
    """What is read, by whom; and the changes of it, in order, each by one writer."""

    path: str
    reader: Headers
    writes: list[tuple[str, Write]] = field(default_factory=list)


async def a_life(people: People, client: httpx.AsyncClient) -> list[Story]:
    """Something of everything that a worker might remember, with changes of it."""
    mine, lap, lap_id = people.somebody()
    member, _, _ = people.somebody()

    def write(headers: Headers, method: str, path: str, body: Any = None) -> Write:
        kind = {"Content-Type": "application/merge-patch+json"} if method == "PATCH" else {}
        return lambda through: done(through, {**headers, **kind}, method, path, body)

    where = (await done(client, mine, "POST", "/v1/definitions", {"document": SET})).headers["location"]
    await done(client, mine, "POST", f"{where}/revisions?acknowledged=true")
    await done(client, mine, "POST", "/v1/vocabularies", {"name": "beasts", **BEASTS})
    beast = (await done(client, mine, "POST", "/v1/holdings", {"facts": {"main_motifs": ["quagga"]}})).json()["id"]
    body = {"definition": where.rpartition("/")[2], "revision": 1}
    links = [(await done(client, mine, "POST", "/v1/shares", body)).json() for _ in range(2)]
    once = (await done(client, mine, "POST", "/v1/shares", {**body, "most_uses": 1})).json()
    links_at = [httpx.URL(link["link"]).path for link in (*links, once)]
    club = (
        await done(
            client, mine, "POST", "/v1/clubs", {"name": "Friends of the Ambrian Crown", "own_name": "The founder"}
        )
    ).headers["location"]
    text = (await done(client, mine, "POST", f"{club}/invitations", {"role": "member"})).json()["invitation"]
    joined = await done(client, member, "POST", "/v1/club-memberships", {"invitation": text, "name": "A member"})
    member_at = f"{club}/members/{joined.json()['member_id']}"
    offer = (await done(client, mine, "POST", f"{club}/definitions", {"definition_id": body["definition"]})).json()[
        "id"
    ]
    standings = f"{club}/definitions/{offer}"
    shown = {"standing": True, "spares": False, "display": False}
    hidden = {**shown, "standing": False}
    sound, none = SOUND, {"presume": [], "identify": []}
    more = {**BEASTS, "concepts": [{"id": "quagga"}]}
    crown = {"facts": {"denomination": "crown", "grade": 50}}
    return [
        Story("/v1/account/presumptions", mine, [
            ("presumed", write(mine, "PUT", "/v1/account/presumptions", sound)),
            ("presumed no more", write(mine, "PUT", "/v1/account/presumptions", none)),
        ]),
        Story(f"{where}/evaluation", mine, [
            ("another coin", write(mine, "POST", "/v1/holdings", crown)),
            ("the evaluation presumes", write(mine, "PUT", "/v1/account/presumptions", sound)),
            ("the evaluation's vocabulary", write(mine, "PUT", "/v1/vocabularies/beasts", more)),
        ]),
        Story("/v1/vocabularies/beasts", mine, [
            ("vocabulary changed", write(mine, "PUT", "/v1/vocabularies/beasts", BEASTS)),
            ("vocabulary deleted", write(mine, "DELETE", "/v1/vocabularies/beasts")),
        ]),
        Story(f"/v1/holdings/{beast}", mine, [
            ("coin changed", write(mine, "PATCH", f"/v1/holdings/{beast}", {"note": "worn"})),
            ("coin deleted", write(mine, "DELETE", f"/v1/holdings/{beast}")),
        ]),
        Story("/v1/holdings?filter=grade%20%3E%3D%2040", mine, [
            ("a coin that passes a filter", write(mine, "POST", "/v1/holdings", crown)),
        ]),
        Story(links_at[0], {}, [("share revoked", write(mine, "DELETE", f"/v1/shares/{links[0]['id']}"))]),
        Story("/v1/shares", mine, [("share revoked, in the list", write(mine, "DELETE", f"/v1/shares/{links[1]['id']}"))]),
        # Its one use is the write.
        Story(f"/v1/shares/{once['id']}", mine, [("share used up", write({}, "GET", links_at[2]))]),
        Story(f"{standings}/standings", mine, [
            ("consent given", write(member, "PUT", f"{standings}/consent", shown)),
            ("consent taken back", write(member, "PUT", f"{standings}/consent", hidden)),
        ]),
        Story(member_at, mine, [("role changed", write(mine, "PATCH", member_at, {"role": "steward"}))]),
        Story(club, member, [
            ("club renamed", write(mine, "PATCH", club, {"name": "Friends of the Ambrian Florin"})),
            ("member removed", write(mine, "DELETE", member_at)),
        ]),
        Story("/v1/account", lap, [("token revoked", write(mine, "DELETE", f"/v1/account/tokens/{lap_id}"))]),
    ]  # fmt: skip


def told(answer: httpx.Response) -> tuple[int, bytes]:
    return answer.status_code, answer.content


async def stale(people: People, writer: httpx.AsyncClient, reader: httpx.AsyncClient) -> tuple[set[str], set[str]]:
    """The changes that the reader did not see after the writer was answered, and all that were made."""
    missed, made = set(), set()
    for story in await a_life(people, writer):
        for what, write in story.writes:
            # Twice: what is kept at all is kept then.
            before = [told(await reader.get(story.path, headers=story.reader)) for _ in range(2)][1]
            await write(writer)
            after = told(await reader.get(story.path, headers=story.reader))
            made.add(what)
            if after == before:
                missed.add(what)
            else:
                assert after == told(await writer.get(story.path, headers=story.reader)), what
    return missed, made


@contextmanager
def workers(url: str, *kinds: type[Server]) -> Iterator[list[Server]]:
    with ExitStack() as stack:
        started = []
        for kind in kinds:
            server = kind(url)
            stack.callback(server.end, signal.SIGKILL)
            # One after another, so that each is ready in time on a busy machine.
            server.wait_until_ready()
            started.append(server)
        yield started


async def test_what_one_worker_wrote_any_other_finds(empty_database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # Workers behind one address.
    monkeypatch.setenv("SETWRIGHT_BASE_URL", "http://setwright.test")
    database = Database(empty_database_url)
    upgrade(database, partitions=PARTITIONS)
    if database.is_sqlite:
        pytest.skip("SQLite is served by one process")
    database.close()
    people = People(empty_database_url)
    people.somebody()
    with workers(empty_database_url, Server, Server, ForgetfulServer) as (first, second, broken):
        async with (
            httpx.AsyncClient(base_url=first.address, timeout=60) as one,
            httpx.AsyncClient(base_url=second.address, timeout=60) as other,
            httpx.AsyncClient(base_url=broken.address, timeout=60) as forgetful,
        ):
            for writer, reader in ((one, other), (other, one)):
                missed, made = await stale(people, writer, reader)
                assert missed == set()
                assert len(made) > 15
            # The control: a worker that never looks at the state again misses all of them.
            missed, made = await stale(people, one, forgetful)
            assert missed == made
