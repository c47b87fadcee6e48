"""What a request costs with 100, 1,000 and 10,000 owners on hash partitions.

CPU of the server and of PostgreSQL, by real requests to a real server for each number of owners, in turns. `python -m
tests.benchmarks.owners`; needs SETWRIGHT_TEST_DATABASE_URL.

Every owner has one set that all follow and sixty coins. The first is made through the API; the others are copies of its rows.
A hundred of the owners ask, in turns, and what a server keeps in memory is bounded to less than a hundred take: nobody finds
what an earlier request left there.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import statistics
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, text

from service.accounts.model import new_token, token_digest
from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import migration_engine, upgrade
from service.database.partitions import SCHEMA
from tests.benchmarks.data import SEED, a_coin
from tests.benchmarks.run import machine
from tests.benchmarks.servers import (
    YEARS,
    Answer,
    Caller,
    a_document,
    cpu_of,
    cpu_of_family,
    family_of,
    memory_of,
    publish,
)
from tests.conftest import SERVER_URL, own_database
from tests.owners import open_account
from tests.server import Server, serving

OWNERS = (100, 1_000, 10_000)
COINS, PLACES, EDITS, PARTITIONS = 60, 40, 5, 8
# By kind of request in one turn; a turn of each number of owners follows the other.
AT_ONCE, TURNS, ACTIVE = 20, 15, 100
AT = "2026-11-25T12:00:00Z"
# Columns of sixty coins take some 25 kB, an answer some 60.
MEMORY = {"SETWRIGHT_WARM_BYTES": "500000", "SETWRIGHT_ANSWERS_BYTES": "500000"}
FILTER = quote("grade >= 60")


@dataclass(frozen=True)
class Member:
    """One of the owners: how it logs in. Coins and set have the same ids with all of them."""

    identity: str
    token: str

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"}


@dataclass(frozen=True)
class House:
    """A database with so many owners, and its server."""

    owners: int
    members: Sequence[Member]
    coins: Sequence[str]
    definition: str
    caller: Caller
    cpu: Callable[[], tuple[float, float]]
    memory: Callable[[], float]


@dataclass(frozen=True)
class Cost:
    """Median milliseconds of CPU that one request took, of the server's processes and of PostgreSQL's."""

    kind: str
    owners: int
    server_ms: float
    database_ms: float

    @property
    def ms(self) -> float:
        return self.server_ms + self.database_ms


@dataclass(frozen=True)
class Bytes:
    """What an owner takes in the database, with indexes and log, and what a coin of it does."""

    owner: float
    coin: float


# --- owners in bulk ---------------------------------------------------------------------------------------------------------


def first_coins(caller: Caller) -> tuple[str, ...]:
    """Sixty coins, as a device sends them."""
    chance = random.Random(SEED)
    coins = tuple(new_id() for _ in range(COINS))
    edits = [(coin, a_coin(chance, number, YEARS)["facts"]) for number, coin in enumerate(coins)]
    mutations = [
        {"mutation_id": new_id(), "op": "create", "id": coin, "patch": facts, "edited_at": AT} for coin, facts in edits
    ]
    sent = caller.post("/v1/holdings/sync", {"client_id": "phone", "mutations": mutations})
    assert {one["status"] for one in sent.json["responses"]} == {"applied"}, sent
    return coins


def copies(database: Database, template: Member, owners: int) -> tuple[list[Member], Bytes]:
    """So many owners in all, the others with the rows of the first under their own names."""
    members = [Member(new_id(), new_token()) for _ in range(owners - 1)]
    values = {
        "ids": [member.identity for member in members],
        "digests": [token_digest(member.token) for member in members],
        "template": template.identity,
    }

    def copy(connection: Connection) -> None:
        connection.execute(text("CREATE TEMP TABLE made (id uuid, digest text) ON COMMIT DROP"))
        connection.execute(
            text("INSERT INTO made SELECT * FROM unnest(CAST(:ids AS uuid[]), CAST(:digests AS text[]))"), values
        )
        own = {"account": {"id": "m.id", "name": "m.id::text", "folded_name": "m.id::text"}}
        # A token's first request in each minute notes that it was used, a write of its own: of many owners more are first ones.
        used = "now() + interval '1 day'"
        own["token"] = {"owner_id": "m.id", "digest": "m.digest", "last_used_at": used}
        _copy(connection, "account", "id", own["account"], values)
        _copy(connection, "token", "owner_id", own["token"], values)
        # References were checked with the first owner's rows; checking each copy again takes most of the time.
        connection.execute(text("SET LOCAL session_replication_role = replica"))
        for table in ("definition", "definition_revision", "holding", "mutation", "catalogue"):
            _copy(connection, table, "owner_id", {"owner_id": "m.id"}, values)

    before = _sizes(database)
    engine = migration_engine(database.url)
    try:
        with engine.begin() as connection:
            copy(connection)
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("VACUUM ANALYZE"))
            connection.execute(text("CHECKPOINT"))
    finally:
        engine.dispose()
    after = _sizes(database)
    grown = {table: after[table] - before[table] for table in after}
    count = max(len(members), 1)
    of_coins = (grown.get("holding", 0) + grown.get("mutation", 0)) / count / COINS
    return [template, *members], Bytes(sum(grown.values()) / count, of_coins)


def _copy(connection: Connection, table: str, key: str, own: Mapping[str, str], values: Mapping[str, Any]) -> None:
    names = connection.execute(
        text(
            "SELECT column_name FROM information_schema.columns WHERE table_name = :t AND table_schema = 'public' ORDER BY 1"
        ),
        {"t": table},
    ).scalars()
    columns = {name: own.get(name, f"t.{name}") for name in names}
    connection.execute(
        text(
            f"INSERT INTO {table} ({', '.join(columns)}) SELECT {', '.join(columns.values())} "
            f"FROM {table} t, made m WHERE t.{key} = :template"
        ),
        values,
    )


def _sizes(database: Database) -> dict[str, int]:
    """Bytes by table, with all partitions, indexes and long values; the directory of tokens is one of the tables."""
    query = text(
        """
        SELECT coalesce(i.inhparent, c.oid)::regclass::text AS name, sum(pg_total_relation_size(c.oid)) AS bytes
        FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace LEFT JOIN pg_inherits i ON i.inhrelid = c.oid
        WHERE c.relkind = 'r' AND n.nspname IN ('public', :schema) GROUP BY 1
        """
    )
    return database.read(lambda c: {row.name: int(row.bytes) for row in c.execute(query, {"schema": SCHEMA})})


# --- servers ----------------------------------------------------------------------------------------------------------------


@contextmanager
def a_house(owners: int, partitions: int) -> Iterator[tuple[House, Bytes]]:
    with ExitStack() as stack:
        folder = stack.enter_context(TemporaryDirectory())
        url = stack.enter_context(own_database(Path(folder)))
        database = Database(url)
        upgrade(database, partitions=partitions)
        owner, token = database.write(lambda connection: open_account(connection, "the first"))
        template = Member(owner.id, token)
        definition = database.write(lambda connection: publish(connection, owner, a_document(PLACES)))
        with serving(url) as server:
            coins = first_coins(Caller(server, template.headers))
        members, took = copies(database, template, owners)
        database.close()
        server = stack.enter_context(serving(url))
        cpu, memory = clocks(server, database)
        yield House(owners, members, coins, definition, Caller(server), cpu, memory), took


def clocks(server: Server, database: Database) -> tuple[Callable[[], tuple[float, float]], Callable[[], float]]:
    """The CPU clocks of the server's processes and of PostgreSQL's for them, and the server's memory in MiB."""
    name, ours = database.url.database, cpu_of_family(server.process.pid)

    def theirs() -> list[int]:
        engine = migration_engine(database.url.set(database="postgres"))
        query = text("SELECT pid FROM pg_stat_activity WHERE datname = :name AND backend_type = 'client backend'")
        try:
            with engine.connect() as connection:
                return list(connection.execute(query, {"name": name}).scalars())
        finally:
            engine.dispose()

    def cpu() -> tuple[float, float]:
        return ours(), sum(cpu_of(pid)() for pid in theirs())

    return cpu, lambda: sum(memory_of(pid) for pid in family_of(server.process.pid))


# --- requests ---------------------------------------------------------------------------------------------------------------

Ask = Callable[[House, Member], Answer]
UNCHANGED = "304"


def small_get(house: House, member: Member) -> Answer:
    return house.caller.get(f"/v1/holdings/{house.coins[0]}", member.headers)


def evaluation(house: House, member: Member) -> Answer:
    return house.caller.get(f"/v1/definitions/{house.definition}/evaluation", member.headers)


def unchanged(house: House, member: Member, tag: str) -> Answer:
    where = f"/v1/definitions/{house.definition}/evaluation"
    return house.caller.get(where, {**member.headers, "If-None-Match": tag})


def filtered(house: House, member: Member) -> Answer:
    return house.caller.get(f"/v1/holdings?limit=20&filter={FILTER}", member.headers)


def sync(house: House, member: Member) -> Answer:
    edits = [
        {
            "mutation_id": new_id(),
            "op": "update",
            "id": coin,
            "patch": {"note": "seen"},
            "edited_at": AT,
            "from": {"note": None},
        }
        for coin in random.sample(house.coins, EDITS)
    ]
    return house.caller.post("/v1/holdings/sync", {"client_id": "phone", "mutations": edits}, member.headers)


KINDS: dict[str, tuple[Ask, int]] = {
    "small GET": (small_get, 200),
    UNCHANGED: (evaluation, 304),
    "filter page": (filtered, 200),
    "cold evaluation": (evaluation, 200),
    "sync of 5 edits": (sync, 200),
}


def turns(members: Sequence[Member], seed: int) -> Iterator[Member]:
    """A hundred of them, whatever their number, in a random order, again and again in the same: what an owner's first request
    costs more than the next is paid by all sizes alike."""
    order = random.Random(seed).sample(members, min(ACTIVE, len(members)))
    while True:
        yield from order


def measured(houses: Sequence[House], rounds: int) -> list[Cost]:
    """Each kind of request to each house in turns."""
    found = []
    for kind, (ask, status) in KINDS.items():
        asking = {house.owners: turns(house.members, SEED) for house in houses}
        times: dict[int, list[tuple[float, float]]] = {house.owners: [] for house in houses}
        for number in range(rounds + 1):
            for house in houses if number % 2 else reversed(houses):
                house.caller.hang_up()
                who = [next(asking[house.owners]) for _ in range(AT_ONCE)]
                asks: list[Callable[[], Answer]] = [partial(ask, house, member) for member in who]
                if kind == UNCHANGED:
                    # The tags are found before, and that is not measured.
                    tags = [evaluation(house, member).headers["etag"] for member in who]
                    asks = [partial(unchanged, house, member, tag) for member, tag in zip(who, tags, strict=True)]
                before = house.cpu()
                answers = [each() for each in asks]
                after = house.cpu()
                assert {answer.status for answer in answers} == {status}, (kind, answers[0])
                if number:
                    # The first turn plans statements and opens connections.
                    times[house.owners].append(tuple(b - a for a, b in zip(before, after, strict=True)))  # type: ignore[arg-type]
        for owners, rows in times.items():
            ours, theirs = (statistics.median(row[part] for row in rows) / AT_ONCE * 1_000 for part in (0, 1))
            found.append(Cost(kind, owners, ours, theirs))
    return found


def run(owners: Sequence[int], partitions: int, rounds: int) -> tuple[list[Cost], dict[int, Bytes], dict[int, float]]:
    """The costs, what an owner takes by number of owners, and the server's memory at the end in MiB."""
    assert SERVER_URL is not None
    os.environ.update(MEMORY)
    with ExitStack() as stack:
        made = [stack.enter_context(a_house(number, partitions)) for number in owners]
        costs = measured([house for house, _ in made], rounds)
        return costs, {house.owners: took for house, took in made}, {h.owners: h.memory() for h, _ in made}


def ratios(costs: Sequence[Cost]) -> dict[tuple[str, int], float]:
    """By kind and number of owners: the cost in that with the fewest owners."""
    fewest = min(cost.owners for cost in costs)
    base = {cost.kind: cost.ms for cost in costs if cost.owners == fewest}
    return {(cost.kind, cost.owners): cost.ms / base[cost.kind] for cost in costs}


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.owners", description=__doc__.splitlines()[0])
    parser.add_argument("--owners", type=int, nargs="+", default=list(OWNERS))
    parser.add_argument("--partitions", type=int, default=PARTITIONS, help="0: whole tables")
    parser.add_argument("--turns", type=int, default=TURNS)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there as well")
    asked = parser.parse_args(arguments)
    if SERVER_URL is None:
        print("SETWRIGHT_TEST_DATABASE_URL names no PostgreSQL: SQLite has no partitions", file=sys.stderr)
        return 2
    costs, took, memory = run(asked.owners, asked.partitions, asked.turns)
    compared = ratios(costs)
    here = machine()
    print(
        f"{here.processor}, {here.cores} cores, load {here.load:.1f}; {asked.partitions} partitions; {COINS} coins each"
    )
    print(f"{'request':<18}{'owners':>8}{'server ms':>11}{'database ms':>13}{'both ms':>10}{'ratio':>8}")
    for cost in costs:
        ratio = compared[cost.kind, cost.owners]
        print(
            f"{cost.kind:<18}{cost.owners:>8,}{cost.server_ms:>11.2f}{cost.database_ms:>13.2f}{cost.ms:>10.2f}{ratio:>8.2f}"
        )
    for number, each in took.items():
        print(
            f"{number:,} owners: {each.owner:,.0f} bytes an owner, {each.coin:,.0f} a coin; server {memory[number]:.0f} MiB"
        )
    if asked.json:
        rows = [{**asdict(cost), "ratio": compared[cost.kind, cost.owners]} for cost in costs]
        asked.json.write_text(json.dumps(rows, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
