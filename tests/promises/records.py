"""What tests record of promises: files of lines in one folder, one file a process, put together afterwards."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterable, Sequence
from pathlib import Path

import msgspec

from tests.promises.rows import ROWS


class Record(msgspec.Struct, frozen=True):
    """One figure, or one control's figure, of one test on one engine. `kept` says what was measured of the service, `control`
    what the same test saw in a variant that is broken on purpose."""

    row: int
    name: str
    engine: str
    test: str
    kept: str | None = None
    control: str | None = None


class Shown(msgspec.Struct, frozen=True):
    """What all tests of one name recorded on one engine."""

    row: int
    name: str
    engine: str
    kept: tuple[str, ...]
    control: tuple[str, ...]


def write(folder: Path, records: Iterable[Record]) -> None:
    lines = b"".join(msgspec.json.encode(record) + b"\n" for record in records)
    if lines:
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / f"{os.getpid()}-{uuid.uuid4().hex}.jsonl").open("wb") as file:
            file.write(lines)


def read(folder: Path) -> list[Record]:
    found = []
    for file in sorted(folder.glob("*.jsonl")):
        found += [msgspec.json.decode(line, type=Record) for line in file.read_bytes().splitlines()]
    return found


def merged(records: Iterable[Record]) -> list[Shown]:
    """By row, name and engine; the same figure of several tests once."""
    together: dict[tuple[int, str, str], tuple[dict[str, None], dict[str, None]]] = {}
    for record in sorted(records, key=lambda record: (record.row, record.name, record.engine, record.test)):
        kept, control = together.setdefault((record.row, record.name, record.engine), ({}, {}))
        if record.kept:
            kept[record.kept] = None
        if record.control:
            control[record.control] = None
    return [Shown(*key, tuple(kept), tuple(control)) for key, (kept, control) in together.items()]


def lacking(shown: Sequence[Shown]) -> list[str]:
    """What is missing before the table is complete: a line for each row, engine, figure or control."""
    complaints = []
    for number, row in ROWS.items():
        engines = {one.engine for one in shown if one.row == number and one.kept}
        if not engines:
            complaints.append(f"row {number} ({row.promise}): no test recorded a figure")
        else:
            complaints += [
                f"row {number} ({row.promise}): no figure on {engine}" for engine in sorted(row.engines - engines)
            ]
    for one in shown:
        if one.kept and not one.control:
            complaints.append(f"row {one.row}, '{one.name}' on {one.engine}: no control recorded anything")
        if one.control and not one.kept:
            complaints.append(
                f"row {one.row}, '{one.name}' on {one.engine}: a control without the test that it belongs to"
            )
    return complaints
