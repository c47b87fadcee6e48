"""What tests record of promises: files of lines in one folder, one file a process, put together afterwards."""

from __future__ import annotations

import os
import uuid
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path

import msgspec

from tests.promises.rows import ROWS

MOST_SHOWN = 20


class Record(msgspec.Struct, frozen=True):
    """One figure, or one control's figure, of one test on one engine. `kept` says what was measured of the service, `control`
    what the same test saw in a variant that is broken on purpose."""

    row: int
    name: str
    engine: str
    test: str
    kept: str | None = None
    control: str | None = None
    # What `{count}` in the figure stands for; the counts of equal figures are added up.
    count: int = 0
    # What has to be the same on all engines, by name.
    same: dict[str, str] = {}


class Shown(msgspec.Struct, frozen=True):
    """What all tests of one name recorded on one engine."""

    row: int
    name: str
    engine: str
    kept: tuple[str, ...]
    control: tuple[str, ...]
    same: dict[str, str] = {}


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
    together: dict[tuple[int, str, str], tuple[Counter[str], Counter[str], dict[str, str]]] = {}
    for record in sorted(records, key=lambda record: (record.row, record.name, record.engine, record.test)):
        kept, control, same = together.setdefault((record.row, record.name, record.engine), (Counter(), Counter(), {}))
        if record.kept:
            kept[record.kept] += record.count
        if record.control:
            control[record.control] += record.count
        same |= record.same
    return [Shown(*key, _told(kept), _told(control), same) for key, (kept, control, same) in together.items()]


def _told(counted: Counter[str]) -> tuple[str, ...]:
    return tuple(text.replace("{count}", f"{count:,}") for text, count in counted.items())


def differing(shown: Sequence[Shown]) -> Iterator[str]:
    """What should be the same on all engines and is not."""
    first: dict[tuple[int, str], Shown] = {}
    for one in shown:
        other = first.setdefault((one.row, one.name), one)
        for name in sorted(one.same.keys() | other.same.keys()):
            if one.same.get(name) != other.same.get(name):
                yield (
                    f"row {one.row}, '{one.name}', {name}: {other.same.get(name)} on {other.engine}, "
                    f"{one.same.get(name)} on {one.engine}"
                )


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
    return [*complaints, *islice(differing(shown), MOST_SHOWN)]
