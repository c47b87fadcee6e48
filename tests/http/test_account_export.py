"""The export of an account has all that is kept of it, and nothing of anybody else; a fresh account is made of it again."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Column, MetaData, String, Table, inspect, text

from service.account_data.contents import EXPORTED, LEFT_OUT
from service.accounts.model import PREFIXES
from service.database.engine import Database
from service.database.ids import new_id
from service.database.migrate import upgrade
from tests.conftest import Running
from tests.http.crowded_house import Person
from tests.http.house_writes import Neighbours, some
from tests.owners import open_account
from tests.server import ROOT, run_program

pytestmark = pytest.mark.anyio

PINS = ("pins", "nevers")


async def exported(at: Neighbours, who: Person) -> zipfile.ZipFile:
    answer = await at.house.done("GET", "/v1/account/export", who)
    assert answer.headers["content-type"] == "application/zip"
    assert answer.headers["cache-control"] == "no-store"
    assert int(answer.headers["content-length"]) == len(answer.content)
    return zipfile.ZipFile(io.BytesIO(answer.content))


def rows_in(made: zipfile.ZipFile, table: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in made.read(f"tables/{table}.jsonl").splitlines()]


def untold(tables: Iterator[tuple[str, list[str]]]) -> list[str]:
    """Tables with an owner that are neither exported nor left out for a reason."""
    known = EXPORTED.keys() | LEFT_OUT.keys()
    return sorted(name for name, columns in tables if "owner_id" in columns and name not in known)


def test_every_table_of_an_owner_is_exported_or_left_out_for_a_reason(database: Database) -> None:
    def tables(connection: Any) -> list[tuple[str, list[str]]]:
        found = inspect(connection)
        return [(name, [c["name"] for c in found.get_columns(name)]) for name in found.get_table_names()]

    there = database.read(tables)
    assert untold(iter(there)) == []
    assert not EXPORTED.keys() & LEFT_OUT.keys()
    assert all(LEFT_OUT.values())
    assert EXPORTED.keys() | LEFT_OUT.keys() <= {name for name, _ in there}
    # The control: a table that is added and forgotten.
    planted = Table("planted", MetaData(), Column("owner_id", String(36), primary_key=True))
    assert untold(iter([*there, (planted.name, [column.name for column in planted.c])])) == ["planted"]


async def test_all_of_one_account_and_nothing_of_another(at: Neighbours) -> None:
    rows, made = at.house.rows(), await exported(at, at.ada)
    for name in EXPORTED:
        kept = {"id": at.ada.id} if name == "account" else {"owner_id": at.ada.id}
        there = list(some(rows, name, kept))
        told = rows_in(made, name)
        assert len(told) == len(there) > 0 or name == "past_mutation", name
        left_out = EXPORTED[name].without
        for row in told:
            assert row.keys() == there[0].keys() - left_out, name
            assert row["id" if name == "account" else "owner_id"] == at.ada.id
    whole = {name: made.read(name) for name in made.namelist()}
    everything = b"".join(whole.values())
    for other in at.house.people[1:]:
        assert other.id.encode() not in everything
        for club in at.house.clubs:
            assert at.house.members[club, other.id].encode() not in b"".join(
                raw for name, raw in whole.items() if name.startswith("clubs/")
            )
    # Ben's coins have the same ids and other grades; Cem's have ids of their own.
    assert all(identity.encode() not in everything for identity in at.cem.ids["holding"])
    secrets = [text_ for texts in at.ada.texts.values() for text_ in texts]
    secrets.append(at.ada.headers["Authorization"].removeprefix("Bearer "))
    assert all(secret.encode() not in everything for secret in secrets)
    for row in [*some(rows, "token", {"owner_id": at.ada.id}), *some(rows, "share", {"owner_id": at.ada.id})]:
        assert row["digest"].encode() not in everything
    swaps = json.loads(whole["clubs/swaps.json"])
    assert swaps
    mine = set(at.ada.ids["holding"])
    for swap in swaps:
        assert {gift["holding"] for gift in swap["gives"]} <= mine
        assert len(swap["gives"]) == len(swap["for"]) == 1
    assert {club["id"] for club in json.loads(whole["clubs/clubs.json"])} == set(at.ada.ids["club"])
    images = at.house.blobs()
    photos = {name: raw for name, raw in whole.items() if name.startswith("photos/")}
    assert len(photos) == len({row["digest"] for row in some(rows, "photo_file", {"owner_id": at.ada.id})})
    assert set(photos.values()) == {
        image for (owner, name), image in images.items() if owner == at.ada.id and name.endswith("-full")
    }


async def test_the_manifest_names_every_file_with_its_digest(at: Neighbours) -> None:
    made = await exported(at, at.ada)
    manifest = json.loads(made.read("manifest.json"))
    assert manifest["format"] == "setwright-account/1"
    assert sorted(entry["name"] for entry in manifest["files"]) == sorted({*made.namelist()} - {"manifest.json"})
    for entry in manifest["files"]:
        raw = made.read(entry["name"])
        assert (len(raw), hashlib.sha256(raw).hexdigest()) == (entry["bytes"], entry["sha256"])
        if entry["name"].endswith(".jsonl"):
            assert entry["rows"] == len(raw.splitlines())
    assert {f"tables/{name}" for name in LEFT_OUT} <= manifest["left_out"].keys()
    assert manifest["missing"] == []
    read_me = made.read("README.txt").decode()
    assert all(
        part in read_me for part in ("holdings.json", "holdings.csv", "definitions/", "tables/", "manifest.json")
    )


async def test_links_to_others_are_exported_without_their_secret(at: Neighbours) -> None:
    link = f"https://coins.example/v1/shared/{PREFIXES[4]}{'a' * 43}"
    database, owner = at.house.service.app.state.database, at.ada.id
    stored = owner.replace("-", "") if database.is_sqlite else owner
    for name in ("definition_import", "definition_origin"):
        change = text(f"UPDATE {name} SET address = :link WHERE owner_id = :owner")
        database.write(lambda c, change=change: c.execute(change, {"link": link, "owner": stored}))
    made = await exported(at, at.ada)
    for name in ("definition_import", "definition_origin"):
        assert {row["address"] for row in rows_in(made, name)} == {"https://coins.example/v1/shared/sws_..."}


async def test_a_picture_that_is_lost_is_named(at: Neighbours) -> None:
    rows = at.house.rows()
    row = next(iter(some(rows, "photo_file", {"owner_id": at.ada.id})))
    digest = row["digest"]
    at.house.service.app.state.blobs.remove(at.ada.id, f"{digest[:2]}/{digest[2:4]}/{digest}-full")
    manifest = json.loads((await exported(at, at.ada)).read("manifest.json"))
    assert manifest["missing"] == [f"photos/{digest}.png"]


async def test_a_fresh_account_made_of_it_evaluates_the_same(at: Neighbours) -> None:
    """Holdings and definitions of the export, sent as the README says: every evaluation comes out equal."""
    made, fresh = await exported(at, at.ada), at.house.service.collector()
    ask = at.house.ask

    async def sent(method: str, address: str, body: Any) -> Any:
        answer = await ask(method, address, fresh, json=body)
        assert answer.is_success, (address, answer.text)
        return answer.json() if answer.content else None

    for row in rows_in(made, "vocabulary"):
        await sent("POST", "/v1/vocabularies", {"name": row["name"], **row["content"]})
    names = ("id", "label", "facts", "look_alikes", "source", "edition", "replaces")
    for row in rows_in(made, "issue"):
        await sent("POST", "/v1/issues", {name: row[name] for name in names if row[name] is not None})
    (presumed,) = rows_in(made, "presumption")
    await sent("PUT", "/v1/account/presumptions", {name: presumed[name] for name in ("presume", "identify")})
    collection = made.read("holdings.json")
    answer = await ask(
        "POST", "/v1/holdings/imports", fresh, content=collection, headers={"Content-Type": "application/json"}
    )
    assert answer.is_success, answer.text
    compared = 0
    for identity in at.ada.ids["definition"]:
        for number in (1, 2, 3):
            document = json.loads(made.read(f"definitions/{identity}/{number}.json"))
            new = (await sent("POST", "/v1/definitions", {"document": document}))["id"]
            await sent("POST", f"/v1/definitions/{new}/revisions?acknowledged=true", None)
            (decided,) = [row for row in rows_in(made, "definition_pins") if row["definition_id"] == identity]
            pairs = {
                name: [dict(zip(("holding", "place"), pair, strict=True)) for pair in decided[name]] for name in PINS
            }
            await sent("PUT", f"/v1/definitions/{new}/pins", pairs)
            old = await ask("GET", f"/v1/definitions/{identity}/evaluation?revision={number}", at.ada.headers)
            now = await ask("GET", f"/v1/definitions/{new}/evaluation?revision=1", fresh)
            assert old.status_code == now.status_code == 200, (old.text, now.text)
            assert _result(now.json()) == _result(old.json())
            assert _result(old.json())["slots"]
            compared += 1
    assert compared == 9
    # The control: with a coin less the comparison fails.
    coins = json.loads(collection)["holdings"]
    seat = next(slot for slot in _result(old.json())["slots"] if slot.get("holding"))["holding"]
    assert seat in {coin["id"] for coin in coins}
    assert (await ask("DELETE", f"/v1/holdings/{seat}", fresh)).status_code == 204
    changed = await ask("GET", f"/v1/definitions/{new}/evaluation?revision=1", fresh)
    assert _result(changed.json()) != _result(old.json())
    # The table says the same as the JSON.
    table = list(csv.reader(io.StringIO(made.read("holdings.csv").decode())))
    assert {cells[0] for cells in table[1:]} == {coin["id"] for coin in coins}


def _result(answer: dict[str, Any]) -> dict[str, Any]:
    """What an evaluation says, without what names the definition and its revision."""
    return {name: value for name, value in answer.items() if name not in ("definition", "holdings", "holdings_state")}


async def test_csv_is_imported_again_without_loss(at: Neighbours) -> None:
    made, fresh = await exported(at, at.ada), at.house.service.collector()
    answer = await at.house.ask(
        "POST", "/v1/holdings/imports", fresh, content=made.read("holdings.csv"), headers={"Content-Type": "text/csv"}
    )
    assert answer.is_success, answer.text
    again = await at.house.ask("GET", "/v1/holdings/export?format=json", fresh)
    key = {"key": lambda coin: coin["id"]}
    assert sorted(again.json()["holdings"], **key) == sorted(json.loads(made.read("holdings.json"))["holdings"], **key)


async def test_every_file_in_it_is_dated_by_the_moment_of_the_export(service: Running) -> None:
    service.app.state.clock = lambda: datetime(2031, 2, 3, 4, 5, 6, tzinfo=UTC)
    answer = await service.client.get("/v1/account/export", headers=service.collector())
    content = io.BytesIO(answer.content)
    dated = {(2031, 2, 3, 4, 5, 6)}
    with zipfile.ZipFile(content, "a") as made:
        assert {about.date_time for about in made.infolist()} == dated
        # The control: a file that is written by its name alone is dated by the machine's clock.
        made.writestr("planted.json", b"{}")
        assert {about.date_time for about in made.infolist()} != dated


async def test_only_one_is_made_at_a_time_and_the_others_wait_their_turn(service: Running) -> None:
    owner = service.collector()
    weak = service.another_token(owner, scopes=["read", "write"])
    assert (await service.client.get("/v1/account/export", headers=weak)).status_code == 403
    from service.runtime import Limiter

    service.app.state.export_limiter = Limiter(at_once=1, waiting=0)
    async with service.app.state.export_limiter.turn():
        assert (await service.client.get("/v1/account/export", headers=owner)).status_code == 503
    answer = await service.client.get("/v1/account/export", headers=owner)
    made = zipfile.ZipFile(io.BytesIO(answer.content))
    # An empty account has all the same files.
    assert json.loads(made.read("holdings.json")) == {"holdings": []}
    assert {f"tables/{name}.jsonl" for name in EXPORTED} <= {*made.namelist()}


def test_the_command_writes_a_file_for_its_owner_alone(empty_database_url: str, tmp_path: Path) -> None:
    database, target = Database(empty_database_url), tmp_path / "ida.zip"
    upgrade(database)
    database.write(lambda connection: open_account(connection, "Ida Lund"))
    database.close()
    done = run_program(empty_database_url, "export-account", "ida lund", str(target))
    assert done.returncode == 0, done.stderr
    assert target.stat().st_mode & 0o777 == 0o600
    assert "manifest.json" in zipfile.ZipFile(target).namelist()
    before = target.read_bytes()
    for name, where in (("ida lund", target), ("nobody", tmp_path / "b.zip"), ("ida lund", tmp_path / "no" / "c.zip")):
        refused = run_program(empty_database_url, "export-account", name, str(where))
        assert (refused.returncode, "Traceback" in refused.stderr) == (1, False), refused.stderr
    assert target.read_bytes() == before
    assert [path.name for path in tmp_path.glob("*.zip*")] == ["ida.zip"]


# Exports an account in a process of its own, and tells the most memory that its values took.
_MEASURED = """
import sys, tracemalloc
from datetime import datetime, UTC
from tempfile import TemporaryFile
from pathlib import Path
from service.account_data.export import write_export
from service.accounts.model import Owner
from service.blobs.folder import FolderStore
from service.database.engine import Database
from service.holdings.store import HoldingStore
database, owners, folder = Database(sys.argv[1]), sys.argv[2:4], Path(sys.argv[4])
tracemalloc.start()
for owner in owners:
    tracemalloc.reset_peak()
    with TemporaryFile() as file:
        write_export(database, FolderStore(folder), Owner(owner), file, datetime.now(UTC))
        print(tracemalloc.get_traced_memory()[1], file.tell())
tracemalloc.reset_peak()
whole = database.read(lambda connection: HoldingStore(connection, Owner(owners[1])).all())
print(tracemalloc.get_traced_memory()[1], len(whole))
"""
COINS = 20_000


def test_memory_does_not_grow_with_the_collection(empty_database_url: str, tmp_path: Path) -> None:
    """An account of 20,000 coins is exported after an empty one, in the same process; the rows alone are over 30 MB."""
    database = Database(empty_database_url)
    upgrade(database)
    empty, large = [
        database.write(lambda connection, name=name: open_account(connection, name))[0].id for name in ("Ida", "Ada")
    ]
    data = json.dumps({"note": "n" * 600, "facts": {"denomination": "crown", "year_on_coin": 1889}})
    plant = text(
        "INSERT INTO holding (owner_id, id, modseq, created_modseq, destroyed, data, created_at, updated_at) "
        "VALUES (:owner, :id, :number, :number, :no, :data, :now, :now)"
    )
    hexed = str.replace if database.is_sqlite else (lambda value, *_: value)
    rows = [
        {
            "owner": hexed(large, "-", ""),
            "id": hexed(new_id(), "-", ""),
            "number": number,
            "no": False,
            "data": data,
            "now": datetime(2026, 11, 25, tzinfo=UTC).replace(tzinfo=None if database.is_sqlite else UTC),
        }
        for number in range(1, COINS + 1)
    ]
    for start in range(0, COINS, 2_000):
        database.write(lambda connection, some=rows[start : start + 2_000]: connection.execute(plant, some))
    database.close()
    command = [sys.executable, "-c", _MEASURED, empty_database_url, empty, large, str(tmp_path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=True)
    (before, _), (after, length), (whole, count) = (
        [int(word) for word in line.split()] for line in done.stdout.splitlines()
    )
    grown = (after - before) / 2**20
    print(
        f"export of {COINS} coins: {length} bytes of ZIP, memory +{grown:.1f} MiB, all at once +{whole / 2**20:.1f} MiB"
    )
    assert grown < 8
    # The control: all coins at once take several times that.
    assert (count, (whole - before) / 2**20 > 24) == (COINS, True)
