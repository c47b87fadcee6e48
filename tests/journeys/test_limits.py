"""Whatever is sent, the service's memory stays within what each of its processes may take, and every request ends: by its
deadline, or soon after its caller has left. A real server; figures are those of its processes as the system counts them."""

from __future__ import annotations

import io
import json
import struct
import threading
import time
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest

from tests.load import Load, percentile
from tests.load import request as load_request
from tests.load import run as run_load
from tests.process_memory import forget_most, most_resident
from tests.promises.plugin import Promise
from tests.promises.rows import SQLITE
from tests.server import Server, serving

pytestmark = pytest.mark.process

MEBIBYTE = 1024 * 1024
# What the process that serves may grow by, and what one for work may take besides what it has at its start (promise 19).
WEB_GROWTH = 50 * MEBIBYTE
WORK_BYTES = 300 * MEBIBYTE
# Shorter than usual, so that the test is.
REQUEST_SECONDS, ANONYMOUS_SECONDS = 8.0, 4.0
# A busy machine starts a process late, and looks at deadlines late.
MARGIN_SECONDS = 12.0

JSON, YAML = "application/json", "application/yaml"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
ODS = "application/vnd.oasis.opendocument.spreadsheet"
SETTINGS: dict[str, object] = {
    "work_bytes": WORK_BYTES,
    "anonymous_work_bytes": WORK_BYTES,
    "request_seconds": REQUEST_SECONDS,
    "anonymous_seconds": ANONYMOUS_SECONDS,
}


class Unguarded(Server):
    """The control: everything is read in the process that serves, however large it is, and nothing is told its deadline."""

    program = (
        "-c",
        "import sys\n"
        "import service.http.request_body as bodies\n"
        "bodies._LONGEST_HERE = dict.fromkeys(['application/json', 'application/yaml', 'text/csv'], 1 << 40)\n"
        "import service.http.elsewhere as elsewhere\n"
        "elsewhere.Deadline.seconds_left = property(lambda self: 600.0)\n"
        # Estimates refuse nothing either.
        "begun = elsewhere.Deadline.__init__\n"
        "elsewhere.Deadline.__init__ = lambda self, at, seconds: begun(self, at, 600.0, [])\n"
        "elsewhere._left = lambda receive: __import__('asyncio').sleep(600)\n"
        "from service.__main__ import main\n"
        "sys.exit(main())",
    )


@dataclass(frozen=True)
class Hostile:
    """One request, and whether it comes with an account."""

    name: str
    method: str
    path: str
    body: bytes = b""
    kind: str = JSON
    signed: bool = True


def _slots(count: int, rule: str = "year_on_coin > {}") -> list[dict[str, Any]]:
    return [{"id": f"s{number}", "accepts": rule.format(number)} for number in range(count)]


def _coins(count: int) -> list[dict[str, Any]]:
    return [{"id": f"c{number}", "facts": {"year_on_coin": 1000 + number % 900}} for number in range(count)]


def _set(**members: Any) -> dict[str, Any]:
    return {"format": "set-definition/1", "title": "x", **members}


def _evaluation(definition: Mapping[str, Any], coins: int, **members: Any) -> bytes:
    return json.dumps({"definition": definition, "holdings": _coins(coins), **members}).encode()


def _zip(**files: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, content in files.items():
            archive.writestr(name.replace("__", "/").replace("_DOT_", "."), content)
    return packed.getvalue()


def _xlsx(cells: bytes) -> bytes:
    """A workbook whose one sheet has these rows (ECMA-376, part 1, section 18.3)."""
    space = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
    relation = b"http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    return _zip(
        **{
            "[Content_Types].xml": b'<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
            b'<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            b'<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.'
            b'spreadsheetml.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/'
            b'vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>',
            "_rels/.rels": b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
            b'<Relationship Id="r1" Type="' + relation + b'/officeDocument" Target="xl/workbook.xml"/></Relationships>',
            "xl/workbook.xml": b"<workbook " + space + b' xmlns:r="' + relation + b'"><sheets>'
            b'<sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>',
            "xl/_rels/workbook.xml.rels": b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
            b'relationships"><Relationship Id="r1" Type="' + relation + b'/worksheet" Target="worksheets/sheet1.xml"/>'
            b"</Relationships>",
            "xl/worksheets/sheet1.xml": b"<worksheet " + space + b"><sheetData>" + cells + b"</sheetData></worksheet>",
        }
    )


def _png(width: int, height: int) -> bytes:
    """A picture of one colour (PNG, third edition, sections 5 and 11)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    pixels = zlib.compress(b"\0" * (height * (1 + 3 * width)), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def _at_most(count: int) -> list[dict[str, Any]]:
    return [
        {"id": f"k{number}", "kind": "at_most", "count": 3 + number, "where": f"year_on_coin > {1000 + 150 * number}"}
        for number in range(count)
    ]


def hostile_bodies(photo_path: str) -> Iterator[Hostile]:
    """The table of promise 19."""
    evaluations, imports = "/v1/evaluations", "/v1/holdings/imports?dry_run=true"
    large = 31 * MEBIBYTE
    for name, piece in {
        "objects": b"{},",
        "lists": b"[],",
        "numbers past all": b"1e999,",
        "numbers": b"1.5,",
        "texts": b'"",',
        "nulls": b"null,",
        "long texts": b'"' + b"x" * 1000 + b'",',
    }.items():
        whole = b"[" + piece * (large // len(piece)) + b"0]"
        yield Hostile(f"31 MiB of {name}", "POST", evaluations, whole)
        yield Hostile(f"31 MiB of {name}, no account", "POST", evaluations, whole, signed=False)
    yield Hostile("31 MiB of doubled names", "POST", evaluations, b"{" + b'"a":1,' * (large // 6) + b'"a":1}')
    yield Hostile("31 MiB of names", "POST", evaluations, _names(large))
    yield Hostile(
        "31 MiB of coins", "POST", evaluations, b'{"definition":{},"holdings":[' + b"{}," * 8_000_000 + b"1]}"
    )
    yield Hostile("31 MiB of brackets", "POST", evaluations, b"[" * large)
    yield Hostile("31 MiB of one text", "POST", evaluations, b'"' + b"\\u0041" * (large // 6) + b'"')
    yield Hostile("1 MiB of YAML objects", "POST", evaluations, b"- {}\n" * 200_000, YAML)
    yield Hostile("1 MiB of YAML lists", "POST", "/v1/definition-checks", b"[" + b"a," * 500_000 + b"a]", YAML)
    yield Hostile("64 KiB of YAML, no account", "POST", evaluations, b"- {}\n" * 13_000, YAML, signed=False)
    yield Hostile("1 MiB of objects as a definition", "POST", "/v1/definitions", b"[" + b"{}," * 340_000 + b"0]")
    yield Hostile("1 MiB of mutations", "POST", "/v1/holdings/sync", b'{"mutations":[' + b"{}," * 340_000 + b"0]}")
    empty = b'<row r="1">' + b"<c/>" * 4_000_000 + b"</row>"
    yield Hostile("a sheet of empty cells", "POST", imports, _xlsx(empty), XLSX)
    rows = b"".join(b'<row r="%d"><c><v>1</v></c></row>' % number for number in range(1, 900_000))
    yield Hostile("a sheet of rows", "POST", imports, _xlsx(rows), XLSX)
    repeated = b'<table:table-row table:number-rows-repeated="1000000"><table:table-cell table:number-columns-repeated="10000" '
    office = b'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"'
    table = b'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"'
    content = b"<office:document-content " + office + b" " + table + b"><office:body><office:spreadsheet><table:table>"
    content += (
        repeated + b"/></table:table-row></table:table></office:spreadsheet></office:body></office:document-content>"
    )
    yield Hostile(
        "a sheet of repeated cells", "POST", imports, _zip(mimetype=ODS.encode(), content_DOT_xml=content), ODS
    )
    yield Hostile("9 MiB of commas as CSV", "POST", imports, b"a,b\n" + b"," * (9 * MEBIBYTE), "text/csv")
    yield Hostile("9 MiB of lines as CSV", "POST", imports, b"year\n" * (9 * MEBIBYTE // 5), "text/csv")
    yield Hostile("a picture of 25 million pixels", "POST", photo_path, _png(5_000, 4_990), "image/png")
    yield Hostile("100,000 coins, 2,000 places", "POST", evaluations, _evaluation(_set(slots=_slots(2_000)), 100_000))


def _names(size: int) -> bytes:
    count = size // 14
    return b"{" + b",".join(b'"n%08d":0' % number for number in range(count)) + b"}"


@dataclass
class Watch:
    """The most memory that the processes of a server had since the beginning (resident set, bytes). The system remembers it of
    each (proc(5): status, clear_refs), so that it is enough to look now and then, before one has ended."""

    server: Server
    web: int = 0
    work: int = 0
    is_over: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Watch:
        forget_most(self.server.process.pid)
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.is_over.set()
        self._thread.join()

    def _look(self) -> None:
        serving = psutil.Process(self.server.process.pid)
        is_last = False
        while not is_last:
            is_last = self.is_over.wait(0.1)
            self.web = max(self.web, most_resident(serving.pid))
            for process in serving.children(recursive=True):
                with suppress(OSError):
                    self.work = max(self.work, most_resident(process.pid))


def _resident(server: Server) -> int:
    return int(psutil.Process(server.process.pid).memory_info().rss)


def _warm(server: Server) -> str:
    """What every server has been asked once, and the address for photos of a coin."""
    token = {"Authorization": f"Bearer {server.token()}"}
    with httpx.Client(base_url=server.address, timeout=120) as client:
        coin = client.post("/v1/holdings", json={"facts": {"year_on_coin": 1901}}, headers=token).json()["id"]
        small = _evaluation(_set(slots=_slots(3)), 3)
        # A stranger's process stands back, and on a busy machine may be too late.
        for headers, expected in (({}, (200, 422)), (token, (200,))):
            sent = {**headers, "Content-Type": JSON}
            assert client.post("/v1/evaluations", content=small, headers=sent).status_code in expected
            checked = client.post("/v1/definition-checks", json=_set(slots=_slots(60)), headers=headers)
            assert checked.status_code in expected
        many = _evaluation(_set(slots=_slots(100)), 1_000)
        assert client.post("/v1/evaluations", content=many, headers={**token, "Content-Type": JSON}).status_code == 200
    return f"/v1/holdings/{coin}/photos?side=obverse"


def _send(server: Server, hostile: Hostile, timeout: float = 120) -> httpx.Response:
    headers = {"Content-Type": hostile.kind}
    if hostile.signed:
        headers["Authorization"] = f"Bearer {server.token()}"
    with httpx.Client(base_url=server.address, timeout=timeout) as client:
        return client.request(hostile.method, hostile.path, content=hostile.body or None, headers=headers)


@pytest.mark.long
def test_memory_is_bounded_whatever_the_body(tmp_path: Path, promise: Promise) -> None:
    with serving(f"sqlite:///{tmp_path / '1.sqlite3'}", settings=SETTINGS) as server:
        photos = _warm(server)
        begun = _resident(server)
        told = {}
        with Watch(server) as watch:
            for hostile in hostile_bodies(photos):
                answer = _send(server, hostile)
                assert answer.status_code < 500 or answer.status_code == 503, (hostile.name, answer.text)
                told[hostile.name] = (answer.status_code, (watch.web - begun) // MEBIBYTE)
                assert watch.web - begun <= WEB_GROWTH, (hostile.name, told)
        assert len(told) >= 30
        # A process for work has imported what it needs, some 150 MiB, before the limit is set.
        assert 0 < watch.work <= WORK_BYTES + 300 * MEBIBYTE
    with serving(f"sqlite:///{tmp_path / '2.sqlite3'}", kind=Unguarded, settings=SETTINGS) as server:
        _warm(server)
        begun = _resident(server)
        objects = next(iter(hostile_bodies("")))
        with Watch(server) as unguarded:
            _send(server, Hostile("objects", "POST", objects.path, objects.body[: 6 * MEBIBYTE - 2] + b"0]"))
        assert unguarded.web - begun > WEB_GROWTH
    promise(
        19,
        "memory is bounded by class",
        kept=f"{len(told)} bodies: web +{(watch.web - begun) // MEBIBYTE} MiB at most, a process for work "
        f"{watch.work // MEBIBYTE} MiB in all",
        control=f"read where it is served: +{(unguarded.web - begun) // MEBIBYTE} MiB for 6 MiB",
        engine=SQLITE,
    )


def _busy_seconds(server: Server) -> float:
    """Processor time of all processes of the server so far, ended ones included."""
    spent = 0.0
    serving = psutil.Process(server.process.pid)
    for process in (serving, *serving.children(recursive=True)):
        with suppress(psutil.Error):
            times = process.cpu_times()
            spent += times.user + times.system
    return spent


def _becomes_idle(server: Server, within: float) -> bool:
    """Whether its processes cease to compute: less than a tenth of the processor over a second."""
    until = time.monotonic() + within
    while time.monotonic() < until:
        before = _busy_seconds(server)
        time.sleep(1.0)
        # Of processes that ended meanwhile the time is gone from the sum: such a second tells nothing.
        if 0 <= _busy_seconds(server) - before < 0.1:
            return True
    return False


LARGEST_SHARED = {
    mode: f"500 coins shared by 100 sets of 200 places, {mode}, no account" for mode in ("jointly", "in_order")
}
NO_ROOM = "500 coins, 200 places, five at_most"


def hostile_work() -> Iterator[Hostile]:
    """The table of promise 20: what would compute for long."""
    hard = _set(slots=_slots(200), constraints=_at_most(5))
    yield Hostile(
        f"{NO_ROOM}, no account",
        "POST",
        "/v1/evaluations",
        _evaluation(hard, 500, budget_seconds=10),
        signed=False,
    )
    yield Hostile(
        "2,000 coins, 200 places, five at_most", "POST", "/v1/evaluations", _evaluation(hard, 2_000, budget_seconds=60)
    )
    # It has no room for the search; once the solver's library did not fit either.
    yield Hostile(NO_ROOM, "POST", "/v1/evaluations", _evaluation(hard, 500, budget_seconds=60))
    pattern = "%a" * 200
    rules = [" AND ".join(f"motto LIKE '{pattern}{end}%'" for end in "bcdefgh") for _ in range(2)]
    patterns = _set(
        attributes=[{"name": "motto", "type": "text"}],
        slots=[{"id": f"p{number}", "accepts": rule} for number, rule in enumerate(rules * 40)],
    )
    yield Hostile("patterns", "POST", "/v1/definition-checks", json.dumps(patterns).encode(), signed=False)
    many = _evaluation(_set(slots=_slots(2_000), constraints=_at_most(5)), 30_000, budget_seconds=60)
    yield Hostile("30,000 coins, 2,000 places, five at_most", "POST", "/v1/evaluations", many)
    # The largest that the limits on sizes let through: 100 sets, and as many coins and places as callers without an account have.
    for mode, name in LARGEST_SHARED.items():
        shared = {"mode": mode, "holdings": _coins(500), "sets": [{"definition": _set(slots=_slots(200))}] * 100}
        yield Hostile(name, "POST", "/v1/allocations", json.dumps(shared).encode(), signed=False)
    doubts = _set(slots=_slots(300, "year_on_coin > {} AND grade > 10 OR weight_measured < 3"))
    tray = {"coins": [{"facts": {}} for _ in range(50)], "definition": doubts, "holdings": _coins(1_000)}
    yield Hostile("50 coins to try", "POST", "/v1/candidates", json.dumps(tray).encode())


def _longest(server: Server, hostile: Hostile) -> tuple[int, float, str]:
    """The status, the seconds that it took, and what is said of a problem."""
    started = time.monotonic()
    answer = _send(server, hostile)
    told = answer.json().get("detail", "") if answer.status_code >= 400 else ""
    return answer.status_code, time.monotonic() - started, told


@pytest.mark.long
def test_every_request_ends_and_nothing_goes_on_when_its_caller_left(tmp_path: Path, promise: Promise) -> None:
    table = list(hostile_work())
    with serving(f"sqlite:///{tmp_path / '3.sqlite3'}", settings=SETTINGS) as server:
        _warm(server)
        assert _becomes_idle(server, 60)
        took = {}
        for hostile in table:
            limit = REQUEST_SECONDS if hostile.signed else ANONYMOUS_SECONDS
            status, seconds, _ = took[hostile.name] = _longest(server, hostile)
            assert status in (200, 422, 503), hostile.name
            assert seconds < limit + MARGIN_SECONDS, took
        refused = [name for name, (status, *_) in took.items() if status == 422]
        # Which of its limits they reach first depends on the machine.
        of_a_request = ("the 4 seconds that one request may take", "MiB of memory that one request may take")
        for mode, name in LARGEST_SHARED.items():
            status, _, told = took[name]
            assert status == 422
            if mode == "jointly" and told.startswith("the first"):
                assert "up to 2000000 are solved together" in told
                continue
            assert told.endswith(of_a_request), told
            assert told.startswith(("'Share my coins out among", "sharing the coins out", "evaluating"))
        assert NO_ROOM in refused, took
        # The caller leaves after a second.
        for hostile in table:
            with suppress(httpx.TimeoutException):
                _send(server, hostile, timeout=1.0)
        assert _becomes_idle(server, MARGIN_SECONDS)
        # Whoever comes next is served.
        status, *_ = _longest(
            server, Hostile("small", "POST", "/v1/evaluations", _evaluation(_set(slots=_slots(3)), 3))
        )
        assert status == 200
    with serving(
        f"sqlite:///{tmp_path / '4.sqlite3'}", kind=Unguarded, settings={**SETTINGS, "work_bytes": 2048 * MEBIBYTE}
    ) as server:
        _warm(server)
        # What nothing but a deadline ends: it is not too much by its estimate, has room enough, and is granted 60 s of search.
        hard = _set(slots=_slots(200), constraints=_at_most(5))
        heavy = Hostile("no end", "POST", "/v1/evaluations", _evaluation(hard, 500, budget_seconds=60))
        with suppress(httpx.TimeoutException):
            _send(server, heavy, timeout=1.0)
        assert not _becomes_idle(server, ANONYMOUS_SECONDS + 2)
    longest = max(seconds for _, seconds, _ in took.values())
    promise(
        20,
        "every request ends",
        kept=f"{len(table)} requests: {longest:.1f} s at most where {REQUEST_SECONDS:g} are allowed, {len(refused)} refused; "
        "idle after their callers left",
        control="without deadlines it still computes",
        engine=SQLITE,
    )


class SharedByAll(Server):
    """The control: strangers are told apart nowhere, and have the rooms of members."""

    program = (
        "-c",
        "import sys\n"
        "import service.http.elsewhere as elsewhere\n"
        "import service.http.gate as gate\n"
        "import service.settings as settings\n"
        "gate._STRANGERS_PART = 1.0\n"
        "whole = settings.Settings.rooms.fget\n"
        "settings.Settings.rooms = property(lambda self: (whole(self)[0],) * 2)\n"
        "from service.http.api import evaluations\n"
        "import service.runtime as runtime\n"
        "from dataclasses import replace\n"
        "opened = runtime.opened\n"
        "import service.http.dependencies as dependencies\n"
        "before = dependencies.set_context\n"
        "import service.app as app\n"
        "app.set_context = lambda made, context: before(made, replace(context, strangers=context.members))\n"
        "from service.__main__ import main\n"
        "sys.exit(main())",
    )


STRANGERS, SECONDS = 200, 6.0
# Twice what is promised: the strangers and this process share the processors with the server.
SMALL_SECONDS = 0.5


def _beside_strangers(server: Server) -> tuple[list[float], list[bool], Load]:
    """The seconds of an account's small requests while strangers, half of the time with tokens that they made up, ask for what is
    heavy, in order; whether each of its small evaluations was answered meanwhile; and what the strangers got."""
    hard = _set(slots=_slots(200), constraints=_at_most(5))
    asked = [
        load_request("POST", path, told, body)
        for told in ({}, {"Authorization": "Bearer swt_made-up"})
        for path, body in (
            ("/v1/evaluations", _evaluation(hard, 300, budget_seconds=10)),
            ("/v1/definition-checks", json.dumps(_set(slots=_slots(150))).encode()),
            ("/v1/evaluations", b"[" + b"{}," * 20_000 + b"0]"),
        )
    ]
    headers = {"Authorization": f"Bearer {server.token()}"}
    small = {"definition": _set(slots=_slots(60)), "holdings": _coins(300)}
    took, evaluated, strangers = [], [], []
    until = time.monotonic() + SECONDS - 0.5

    def evaluate() -> None:
        with httpx.Client(base_url=server.address, headers=headers, timeout=60) as client:
            while time.monotonic() < until:
                evaluated.append(client.post("/v1/evaluations", json=small).status_code == 200)

    threads = [
        threading.Thread(
            target=lambda: strangers.append(run_load(server.port, STRANGERS, SECONDS, asked, patience=30))
        ),
        threading.Thread(target=evaluate),
    ]
    for thread in threads:
        thread.start()
    with httpx.Client(base_url=server.address, headers=headers, timeout=60) as client:
        time.sleep(1.5)
        while time.monotonic() < until:
            for path in ("/v1/holdings?limit=5", "/v1/account", "/v1/definitions"):
                begun = time.monotonic()
                assert client.get(path).status_code == 200
                took.append(time.monotonic() - begun)
            time.sleep(0.02)
    for thread in threads:
        thread.join()
    return sorted(took), evaluated, strangers[0]


@pytest.mark.alone
def test_strangers_do_not_slow_members_down(tmp_path: Path, promise: Promise) -> None:
    quiet = {**SETTINGS, "log_level": "warning"}
    with serving(f"sqlite:///{tmp_path / '5.sqlite3'}", settings=quiet) as server:
        _warm(server)
        took, evaluated, load = _beside_strangers(server)
    with serving(f"sqlite:///{tmp_path / '6.sqlite3'}", kind=SharedByAll, settings=quiet) as server:
        _warm(server)
        shared, evaluated_then, _ = _beside_strangers(server)
    figure = (
        f"beside {STRANGERS} strangers ({sum(load.statuses.values())} answers, {len(load.good)} good): p99 of {len(took)} small "
        f"requests {percentile(took, 99) * 1000:.0f} ms, {sum(evaluated)} of {len(evaluated)} evaluations answered"
    )
    control = (
        f"one room for all: {sum(evaluated_then)} of {len(evaluated_then)} evaluations answered, p99 "
        f"{percentile(shared, 99) * 1000:.0f} ms"
    )
    print(figure, "|", control)
    assert percentile(took, 99) < SMALL_SECONDS, figure
    assert evaluated and all(evaluated), figure
    # They are refused, or wait behind the strangers'.
    assert sum(evaluated_then) < len(evaluated) / 2, control
    promise(21, "strangers do not slow members down", kept=figure, control=control, engine=SQLITE)
