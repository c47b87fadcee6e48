"""Everything that an account keeps, in one ZIP file that is read without this program: JSON, JSON Lines, CSV and pictures.

Rows are written as they are read, a few at a time, so that memory does not grow with the collection. All of them are of one
moment; pictures are copied after that, and one that was removed in between is named in the manifest.
"""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import os
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import msgspec
from sqlalchemy import Connection, Table, func, select

from service.account_data.contents import EXPORTED, LEFT_OUT, Exported, owned_tables, owner_column
from service.accounts.model import Owner, masked
from service.accounts.store import AccountStore
from service.blobs.folder import bring_to_disk
from service.blobs.store import BlobStore
from service.clubs.store.members import ClubStore
from service.clubs.swaps.store import SwapStore
from service.database.engine import Database
from service.database.migrate import current
from service.errors import Sentence
from service.evaluation.cost import ACCURACY, Cost
from service.facts.core_attributes import CORE
from service.holdings.imports.export import exported_holding, rows_of
from service.holdings.model import StoredHolding
from service.holdings.photos.images import FULL, name_of
from service.holdings.store import HoldingStore
from service.settings import engine_version

FORMAT = "setwright-account/1"
_README = (Path(__file__).parent / "readme.md").read_text(encoding="utf-8")
_ENCODER = msgspec.json.Encoder(decimal_format="number")
# A row may have a document of a megabyte.
_ROWS_AT_ONCE = 50
_HOLDINGS_AT_ONCE = 500
# The tables of which an account may have very many rows.
_LARGE = ("holding", "mutation", "definition_revision")
_MILLISECONDS_A_ROW, _MILLISECONDS_A_MEBIBYTE = 0.2, 30.0


class ExportedFile(msgspec.Struct, frozen=True):
    """One file of an export. `rows`: how many records it has, where it has any."""

    name: str
    bytes: int
    sha256: str
    rows: int | None
    meaning: str


@dataclass(slots=True)
class Archive:
    """A ZIP that is being written, and what is in it so far."""

    zip: zipfile.ZipFile
    now: datetime
    files: list[ExportedFile] = field(default_factory=list)

    @contextmanager
    def file(self, name: str, meaning: str) -> Iterator[Part]:
        """One more file."""
        with self.zip.open(self.entry(name), "w", force_zip64=True) as opened:
            part = Part(opened)
            yield part
        self.files.append(ExportedFile(name, part.bytes, part.digest.hexdigest(), part.rows, meaning))

    def entry(self, name: str) -> zipfile.ZipInfo:
        """How a file is named and dated: by the moment of the export in UTC, whatever the machine's own clock says."""
        about = zipfile.ZipInfo(name, self.now.astimezone(UTC).timetuple()[:6])
        # Pictures are compressed already.
        about.compress_type = zipfile.ZIP_STORED if name.startswith("photos/") else zipfile.ZIP_DEFLATED
        about.external_attr = 0o600 << 16
        return about


class Part:
    """What is written of one file, with its length and digest."""

    def __init__(self, opened: IO[bytes]) -> None:
        self._opened = opened
        self.bytes, self.digest = 0, hashlib.sha256()
        self.rows: int | None = None

    def write(self, raw: bytes) -> None:
        self._opened.write(raw)
        self.digest.update(raw)
        self.bytes += len(raw)

    def write_row(self, raw: bytes) -> None:
        self.write(raw)
        self.rows = (self.rows or 0) + 1


def cost_of_export(connection: Connection, owner: Owner) -> Cost:
    """What the account's export takes, by its rows, and the bytes of its photos in a store that gives some 30 MiB a second: a
    disk gives them in a quarter of that, one elsewhere may not, and past a gibibyte nobody is to wait for it."""
    rows = sum(
        connection.execute(select(func.count()).select_from(table).where(owner_column(table) == owner.id)).scalar_one()
        for table in map(_table_named, _LARGE)
    )
    photos = _table_named("photo_file")
    size = select(func.coalesce(func.sum(photos.c.bytes), 0)).where(photos.c.owner_id == owner.id)
    mebibytes = -(-int(connection.execute(size).scalar_one()) // 2**20)
    reading, copying = 10.0 + _MILLISECONDS_A_ROW * rows, _MILLISECONDS_A_MEBIBYTE * mebibytes
    sizes: dict[str, int] = {Sentence("rows"): rows, Sentence("MiB of photos"): mebibytes}
    remedy = "the operator of the server can export the account (setwright export-account)"
    return Cost("exporting the account", reading + copying, reading / ACCURACY + copying, sizes=sizes, remedy=remedy)


def write_export(database: Database, blobs: BlobStore, owner: Owner, file: IO[bytes], now: datetime) -> None:
    """Writes the account's export to a file. Raises NotFound without the account, and what the database or the blob store
    raises when it cannot be reached."""
    with zipfile.ZipFile(file, "w") as made:
        archive = Archive(made, now)
        archive_of = {"name": "", "schema_revision": None}
        pictures: dict[str, str] = {}

        def read(connection: Connection) -> None:
            archive_of["name"] = AccountStore(connection).get(owner).name
            archive_of["schema_revision"] = current(connection)
            _holdings(archive, connection, owner)
            _definitions(archive, connection, owner)
            _clubs(archive, connection, owner)
            for table in owned_tables():
                if table.name in EXPORTED:
                    _table(archive, connection, owner, table, EXPORTED[table.name])
            photos = _table_named("photo_file")
            chosen = select(photos.c.digest, photos.c.kind).where(photos.c.owner_id == owner.id).distinct()
            pictures.update((row.digest, row.kind) for row in connection.execute(chosen))

        database.read(read)
        missing = _pictures(archive, blobs, owner, pictures)
        with archive.file("README.txt", "what is in this file") as part:
            part.write(_README.encode())
        _manifest(archive, archive_of, missing)


def write_new_file(database: Database, blobs: BlobStore, owner: Owner, target: Path, now: datetime) -> int:
    """The export as a file that there was not before, and that only its owner can read; its length. It has another name until
    it is whole. Raises as `write_export`; OSError where it cannot be written."""
    if target.exists():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    coming = target.with_name(f"{target.name}.partial")
    opened = os.open(coming, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(opened, "w+b") as file:
            write_export(database, blobs, owner, file, now)
            file.flush()
            os.fsync(file.fileno())
            length = file.tell()
        coming.rename(target)
        bring_to_disk(target.parent)
    except BaseException:
        coming.unlink(missing_ok=True)
        raise
    return length


def _holdings(archive: Archive, connection: Connection, owner: Owner) -> None:
    collection = _Collection(connection, owner)
    with archive.file("holdings.json", "all coins, as POST /v1/holdings/imports takes them") as part:
        part.rows = 0
        part.write(b'{"holdings":[')
        for number, stored in enumerate(collection):
            part.write_row((b",\n" if number else b"\n") + _ENCODER.encode(exported_holding(stored)))
        part.write(b"\n]}\n")
    with archive.file("holdings.csv", "the same as a table: headings, and a row for each coin") as part:
        for cells in rows_of(collection, CORE):
            line = io.StringIO(newline="")
            csv.writer(line).writerow(cells)
            part.write(line.getvalue().encode())
        part.rows = collection.count


class _Collection:
    """The holdings of one snapshot, read anew, a page at a time, whenever they are gone through."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._store = HoldingStore(connection, owner)
        self.count = 0

    def __iter__(self) -> Iterator[StoredHolding]:
        after, self.count = None, 0
        while page := self._store.page(after, _HOLDINGS_AT_ONCE):
            yield from page
            after = page[-1].id
            self.count += len(page)


def _definitions(archive: Archive, connection: Connection, owner: Owner) -> None:
    """Each draft and each revision as a document of its own, which can be sent to a service again."""
    drafts, revisions = _table_named("definition"), _table_named("definition_revision")
    for row in _rows(connection, drafts, owner):
        if row["draft"] is not None:
            with archive.file(f"definitions/{row['id']}/draft.json", "a draft") as part:
                part.write(_readable(row["draft"]))
    for row in _rows(connection, revisions, owner):
        with archive.file(f"definitions/{row['definition_id']}/{row['number']}.json", "a published revision") as part:
            part.write(_readable(row["document"]))


def _clubs(archive: Archive, connection: Connection, owner: Owner) -> None:
    """The account's own part of its clubs and swaps: of other members nothing, neither names nor coins."""
    clubs = ClubStore(connection)
    with archive.file("clubs/clubs.json", "clubs, and the own role and name in each") as part:
        seats = [(clubs.get(club), clubs.seat_of(club, owner)) for club in clubs.ids_of(owner)]
        shown = [
            {"id": club.id, "club": club.name, "role": seat.role, "name": seat.name, "joined_at": seat.joined_at}
            for club, seat in seats
            if seat is not None
        ]
        part.write(_readable(shown))
    with archive.file(
        "clubs/swaps.json", "swaps: what the account gives, for which of its places, its own answer"
    ) as part:
        swaps = [
            {
                "id": made.id,
                "club_id": made.club_id,
                "definition_id": made.definition_id,
                "state": made.as_of(archive.now).state,
                "reason": made.reason,
                "proposed_by_me": made.proposed_by == owner.id,
                "created_at": made.created_at,
                "expires_at": made.expires_at,
                "decided_at": made.decided_at,
                "accepted_at": made.answers[owner.id],
                "gives": [{"holding": leg.holding, "coin": leg.coin} for leg in made.legs if leg.giver == owner.id],
                "for": [
                    {"place": leg.place, "label": leg.place_label} for leg in made.legs if leg.receiver == owner.id
                ],
            }
            for made in SwapStore(connection).all_of(owner, None)
        ]
        part.write(_readable(swaps))


def _table(archive: Archive, connection: Connection, owner: Owner, table: Table, how: Exported) -> None:
    with archive.file(f"tables/{table.name}.jsonl", how.meaning) as part:
        part.rows = 0
        for row in _rows(connection, table, owner):
            kept = {name: value for name, value in row.items() if name not in how.without}
            for name in how.masked:
                kept[name] = None if kept[name] is None else masked(kept[name])
            part.write_row(_ENCODER.encode(kept) + b"\n")


def _rows(connection: Connection, table: Table, owner: Owner) -> Iterator[Mapping[str, Any]]:
    query = select(table).where(owner_column(table) == owner.id).order_by(*table.primary_key.columns)
    with connection.execution_options(yield_per=_ROWS_AT_ONCE).execute(query) as found:
        for row in found:
            yield dict(row._mapping)


def _pictures(archive: Archive, blobs: BlobStore, owner: Owner, kinds: Mapping[str, str]) -> list[str]:
    """The images in full size; the names of those that are not there."""
    missing = []
    for digest, kind in sorted(kinds.items()):
        name, pieces = f"photos/{digest}.{kind.removeprefix('image/')}", blobs.pieces(owner.id, name_of(digest, FULL))
        if pieces is None:
            missing.append(name)
            continue
        with archive.file(name, "an image; tables/photo_file.jsonl and photo.jsonl say of which coin") as part:
            for piece in pieces:
                part.write(piece)
    return missing


def _manifest(archive: Archive, about: Mapping[str, Any], missing: Iterable[str]) -> None:
    manifest = {
        "format": FORMAT,
        "account": about["name"],
        "made_at": archive.now,
        "program": engine_version(),
        "schema_revision": about["schema_revision"],
        "files": archive.files,
        "left_out": {
            **{f"tables/{name}": reason for name, reason in LEFT_OUT.items()},
            **{
                f"tables/{name}: {column}": "a secret, or what is made of one"
                for name, how in EXPORTED.items()
                for column in sorted(how.without)
            },
        },
        "missing": sorted(missing),
    }
    archive.zip.writestr(archive.entry("manifest.json"), _readable(manifest))


def _table_named(name: str) -> Table:
    return next(table for table in owned_tables() if table.name == name)


def _readable(value: Any) -> bytes:
    return msgspec.json.format(_ENCODER.encode(value), indent=1) + b"\n"
