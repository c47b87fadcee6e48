"""What a club's standings cost through the whole service (JSON out, in this process, no socket), beside the bare evaluations of
the same coins in the same run.

The members' holdings are written straight into their table: how they come in is measured by `syncing`.
"""

from __future__ import annotations

import asyncio
import random
import statistics
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert

from service.accounts.store import AccountStore
from service.clubs.actions import members as joining
from service.clubs.actions import offers
from service.clubs.model import Consent, Membership
from service.clubs.standings import stand
from service.database.ids import new_id
from service.definitions import actions as definitions
from service.definitions.store import DefinitionStore
from service.holdings.store import HoldingStore
from service.holdings.tables import holding
from service.progress.actions.stored_set import catalogue_of, stored_holdings
from service.progress.evaluate import EvaluationRequest
from service.reference import shipped
from service.reference.model import NOTHING_OWN
from service.rules.document import read_definition
from tests.benchmarks.data import PREFER, SEED, TODAY, a_coin, a_slot
from tests.benchmarks.servers import NOW, YEARS, a_row
from tests.conftest import Running, own_database, running, settings_for
from tests.owners import open_account

SAMPLE = 20


@dataclass(frozen=True)
class Filled:
    """A club all of whose members show their standing and their spares of one definition."""

    service: Running
    headers: dict[str, str]
    club: str
    offer: str
    document: dict[str, Any]
    seats: list[Membership]

    @property
    def address(self) -> str:
        return f"/v1/clubs/{self.club}/definitions/{self.offer}"

    async def paged(self, path: str) -> tuple[list[float], list[dict[str, Any]]]:
        """The seconds of every page, and all items."""
        where: str | None = self.address + path
        times, items = [], []
        while where:
            begun = time.perf_counter()
            answer = await self.service.client.get(where, headers=self.headers)
            times.append(time.perf_counter() - begun)
            assert answer.status_code == 200, answer.text
            items += answer.json()["items"]
            where = answer.json()["next"]
        return times, items


@dataclass(frozen=True)
class Standings:
    """Seconds. Cold: nothing was evaluated yet; warm: nothing changed since; changed: one member got one coin. `evaluations` is
    what evaluating alone takes for so many members, their coins loaded and read before."""

    cold: float
    cold_page: float
    evaluations: float
    warm: float
    warm_page: float
    changed_page: float
    spares_for_a_place: float
    one_member: float


def measured(server_url: str | None, members: int, coins: int, places: int) -> Standings:
    with tempfile.TemporaryDirectory() as folder, own_database(Path(folder), server_url) as url:
        return asyncio.run(_measured(url, members, coins, places))


async def standing(service: Running, members: int, coins: int, places: int) -> tuple[float, list[dict[str, Any]]]:
    """Seconds of CPU of the standings of a new club none of whose members was evaluated, and these."""
    case = filled(service, members, coins, places)
    begun = time.process_time()
    _, listed = await case.paged("/standings")
    return time.process_time() - begun, listed


async def _measured(url: str, members: int, coins: int, places: int) -> Standings:
    async with running(settings_for(url)) as service:
        case = filled(service, members, coins, places)
        cold, first = await case.paged("/standings")
        assert len(first) == members
        assert all(entry["counts"]["filled"] for entry in first)
        warm, again = await case.paged("/standings")
        assert again == first
        evaluations = _bare(case, first) * members / min(SAMPLE, members)
        changed = _one_coin_more(case)
        after, _ = await case.paged("/standings")
        spares, _ = await case.paged("/spares?place=place-0000")
        one, _ = await case.paged(f"/spares/{changed.id}?limit=200")
    return Standings(
        sum(cold),
        max(cold),
        evaluations,
        sum(warm),
        statistics.median(warm),
        max(after),
        sum(spares),
        one[0],
    )


def filled(service: Running, members: int, coins: int, places: int) -> Filled:
    """The club, founded, offered to, joined and filled without HTTP."""
    chance, database = random.Random(SEED), service.app.state.database
    slots = [a_slot(chance, number, places, False, YEARS) for number in range(places)]
    document = {"format": "set-definition/1", "title": "The club's set", "prefer": PREFER, "slots": slots}

    def begin(connection: Connection) -> tuple[str, list[Membership], str]:
        owner, token = open_account(connection, f"steward {new_id()}")
        _, steward = joining.found(connection, owner, "A large club", None, "The founder", NOW)
        line, _ = definitions.draft(connection, owner, None, document, NOW)
        definitions.publish(connection, owner, line.id, NOW, expect=lambda _: None)
        assert DefinitionStore(connection, owner).line(line.id).published == 1
        offered = offers.offer(connection, steward, line.id, None, None, NOW)
        seats = [steward, *(_joined(connection, steward, number) for number in range(1, members))]
        for seat in seats:
            offers.show(connection, seat, offered.definition, Consent(True, True), datetime.now(UTC))
        return token, seats, offered.definition

    token, seats, offer = database.write(begin)
    for seat in seats:
        facts = [a_coin(chance, number, YEARS)["facts"] for number in range(coins)]
        rows = [a_row(seat.owner, number, {"facts": one}) for number, one in enumerate(facts, 1)]
        database.write(lambda connection, rows=rows: connection.execute(insert(holding), rows))
    return Filled(service, {"Authorization": f"Bearer {token}"}, seats[0].club, offer, document, seats)


def _joined(connection: Connection, steward: Membership, number: int) -> Membership:
    owner, _ = open_account(connection, f"member {number} {new_id()}")
    _, secret = joining.invite(connection, steward, "member", None, timedelta(days=1), NOW)
    return joining.join(connection, owner, secret, f"Member {number}", NOW)[1]


def _one_coin_more(case: Filled) -> Membership:
    """A member whose holdings changed, as far as the state tells."""
    seat = case.seats[len(case.seats) // 2]
    row = a_row(seat.owner, 1_000_000, {"facts": {"denomination": "crown", "grade": 70}})

    def act(connection: Connection) -> None:
        accounts = AccountStore(connection)
        accounts.put_state(seat.owner, accounts.lock(seat.owner).after(row["id"]))
        connection.execute(insert(holding), [row])

    case.service.app.state.database.write(act)
    return seat


def _bare(case: Filled, listed: list[dict[str, Any]]) -> float:
    """Seconds to evaluate some of the members, without loading their coins; the answers are those of the service."""
    database, definition = (
        case.service.app.state.database,
        read_definition(case.document, vocabularies=shipped.vocabularies()),
    )
    issues, taken = catalogue_of(NOTHING_OWN, definition.attributes), 0.0
    told = {entry["member"]["id"]: entry["counts"] for entry in listed}
    for seat in case.seats[:SAMPLE]:
        held = database.read(lambda connection, seat=seat: HoldingStore(connection, seat.owner).all())
        coins, _ = stored_holdings(held, definition.attributes, issues, definition.vocabularies)
        request = EvaluationRequest(definition, coins, TODAY, definition.vocabularies, issues)
        begun = time.perf_counter()
        counts = stand(request).counts
        taken += time.perf_counter() - begun
        assert {name: counts[name] for name in told[seat.id]} == told[seat.id]
    return taken
