"""Transcripts: recorded with the reference client against a real server, and replayed without one."""

from __future__ import annotations

import base64
import gzip
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any
from unittest import mock

import httpx
import msgspec
from anyio.from_thread import BlockingPortal
from sqlalchemy import delete, update

from service.accounts.tables import account
from service.client import Device
from service.client.model import as_json, from_json
from service.holdings.photos.tables import photo_file
from service.holdings.tables import holding, mutation
from tests.conftest import Running
from tests.owners import recognise

FOLDER = Path(__file__).parent
FORMAT = "device-transcript/1"
ACCOUNT = "00000000-0000-7000-8000-0000000000aa"
Step = Mapping[str, Any]


def written(transcript: Mapping[str, Any]) -> str:
    """As a file; numbers digit for digit."""
    return msgspec.json.format(as_json(transcript), indent=1).decode() + "\n"


def transcripts() -> dict[str, Any]:
    """Those that are committed, by name."""
    return {path.stem: from_json(path.read_bytes()) for path in sorted(FOLDER.glob("*.json"))}


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text)


def identity(number: int) -> str:
    """The id of this number: of version 7, the same each time."""
    return str(uuid.UUID(int=(0x0192_0000_0000 + number) << 80 | 7 << 76 | number << 64 | 2 << 62 | number))


# --- requests and answers as they are written ----------------------------------------------------------------------------


def request_as_told(request: httpx.Request) -> dict[str, Any]:
    told: dict[str, Any] = {"method": request.method, "path": request.url.path, "query": dict(request.url.params)}
    if "prefer" in request.headers:
        told["prefer"] = request.headers["prefer"]
    content = request.content
    if request.headers.get("content-encoding") == "gzip":
        content = gzip.decompress(content)
    if request.headers.get("content-type", "").startswith("image/"):
        told |= {"media_type": request.headers["content-type"], "base64": base64.b64encode(content).decode()}
    elif content:
        told["body"] = from_json(content)
    return told


def answer_of(told: Mapping[str, Any]) -> httpx.Response:
    return httpx.Response(told["status"], content=as_json(told["body"]), headers=told["headers"])


def store_of(device: Device) -> dict[str, Any]:
    """What a client has to have afterwards, however it keeps it."""
    return {
        "holdings": device.holdings(),
        "conflicts": [{"holding": coin, "conflict": conflict} for coin, conflict in device.conflicts()],
        "outbox": device.store.outbox(),
        "journal": [each["mutation_id"] for each in device.store.journal()],
        "attention": [{"mutation": each, "error": error} for each, error in device.attention()],
        "unsent_photos": device.store.unsent_photos(),
        "since": device.store.note("since"),
        "known_state": device.store.note("known"),
    }


def as_plain(value: Any) -> Any:
    """As it is once it was written and read."""
    return from_json(as_json(value))


# --- a device with given ids and a given clock ---------------------------------------------------------------------------


@dataclass
class Fixed:
    """What a device takes instead of chance and a clock."""

    now: datetime
    ids: list[str] = field(default_factory=list)

    def clock(self) -> datetime:
        return self.now

    def new_id(self, _: datetime) -> str:
        return self.ids.pop(0)


@contextmanager
def device_at(path: Path, fixed: Fixed, transport: httpx.BaseTransport, step: Step) -> Iterator[Device]:
    with mock.patch("service.client.device.new_id", fixed.new_id), ExitStack() as stack:
        made = Device(
            path,
            "http://setwright.test",
            step.get("token", "token"),
            name="phone",
            transport=transport,
            sleep=lambda _: None,
            now=fixed.clock,
        )
        stack.callback(made.close)
        yield made


def act(device: Device, step: Step) -> None:
    """What the owner does on the device."""
    coin, changes = step.get("holding"), step.get("changes", {})
    match step["action"]:
        case "record":
            assert device.record(step.get("facts", {}), **step.get("fields", {})) == coin
        case "edit":
            device.edit(coin, changes)
        case "delete":
            device.delete(coin)
        case "revive":
            device.revive(coin, changes)
        case "resolve":
            (conflict,) = (each for at, each in device.conflicts() if at == coin and each["kind"] == step["kind"])
            device.resolve(coin, conflict, take_other=step["take_other"])
        case "dismiss":
            device.dismiss(step["mutation_id"])
        case "add_photo":
            device.add_photo(coin, base64.b64decode(step["base64"]), step["side"], step["media_type"])
        case other:
            raise AssertionError(other)


# --- recording -----------------------------------------------------------------------------------------------------------


@dataclass
class Recorder(httpx.BaseTransport):
    """Carries requests to the service, and notes them with their answers. `faults`: what becomes of the next ones, in order: null
    (nothing), "lost", "cut" (its answer is), or an answer that is made up."""

    service: Running
    portal: BlockingPortal
    owner: dict[str, str]
    account: str
    fixed: Fixed
    faults: list[Any] = field(default_factory=list)
    exchanges: list[dict[str, Any]] = field(default_factory=list)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        exchange: dict[str, Any] = {"request": request_as_told(request)}
        self.exchanges.append(exchange)
        fault = self.faults.pop(0) if self.faults else None
        if fault == "lost":
            exchange["answer"] = None
            raise httpx.ConnectError("lost", request=request)
        if isinstance(fault, dict):
            exchange |= {"answer": fault, "made_up": True}
            return answer_of(fault)
        told = self._told(request)
        if fault == "cut":
            exchange["answer"] = None
            raise httpx.ReadError("cut", request=request)
        if isinstance(fault, list):
            (change,) = fault
            change(told["body"])
            exchange["made_up"] = True
        exchange["answer"] = told
        return answer_of(told)

    def _told(self, request: httpx.Request) -> dict[str, Any]:
        async def carry() -> httpx.Response:
            headers = {**dict(request.headers), "authorization": self.owner["Authorization"]}
            return await self.service.client.request(
                request.method, request.url, content=request.content, headers=headers
            )

        answer = self.portal.call(carry)
        body = from_json(answer.content.replace(self.account.encode(), ACCOUNT.encode()))
        headers = {"content-type": answer.headers["content-type"], "date": format_datetime(self.fixed.now, usegmt=True)}
        return {"status": answer.status_code, "headers": headers, "body": body}


def recorded(service: Running, portal: BlockingPortal, scenario: Mapping[str, Any], path: Path) -> dict[str, Any]:
    """The transcript of a scenario: every step as it is said there, each sync with its requests, their answers and what the
    device has afterwards."""
    owner = service.collector()
    database = service.app.state.database
    mine = database.read(lambda c: recognise(c, owner["Authorization"].removeprefix("Bearer ")))
    server, fixed = Fixed(instant(scenario["begins"])), Fixed(instant(scenario["begins"]))
    service.app.state.clock = server.clock
    line = Recorder(service, portal, owner, mine.id, server)
    steps: list[dict[str, Any]] = []
    for number, said in enumerate(scenario["steps"]):
        step = dict(said)
        server.now = instant(scenario["begins"]) + timedelta(minutes=number)
        fixed.now = server.now + timedelta(seconds=scenario.get("device_is_ahead_seconds", 0))
        fixed.ids = list(step.get("ids", ()))
        step["at"] = fixed.now.isoformat()
        if step["step"] == "elsewhere":
            _elsewhere(line, step, database, mine)
        else:
            line.faults, line.exchanges = list(step.pop("faults", ())), []
            with device_at(path, fixed, line, step) as device:
                if step["step"] == "owner":
                    act(device, step)
                else:
                    report = device.sync()
                    step |= {"exchanges": line.exchanges, "is_complete": report.is_complete}
                step["store"] = store_of(device)
            assert not fixed.ids, step
        steps.append(step)
    made = {"format": FORMAT, "title": scenario["title"], "account": ACCOUNT, "steps": steps}
    plain: dict[str, Any] = as_plain(made)
    return plain


def _elsewhere(line: Recorder, step: dict[str, Any], database: Any, owner: Any) -> None:
    """What happens without the device: another one sends mutations, a backup from before everything is restored, or files of
    photos are lost."""
    if step.get("restored"):

        def forget(connection: Any) -> None:
            for table in (mutation, holding):
                connection.execute(delete(table).where(table.c.owner_id == owner.id))
            origin = {"state": 0, "chain": "0" * 32}
            connection.execute(update(account).where(account.c.id == owner.id).values(**origin))

        database.write(forget)
        return
    if step.get("photos_lost"):
        gone = delete(photo_file).where(photo_file.c.owner_id == owner.id)
        database.write(lambda connection: connection.execute(gone))
        return
    common = {"edited_at": step["at"]}
    body = {"client_id": "laptop", "mutations": [{**common, **each} for each in step["mutations"]]}
    headers = {**line.owner, "Content-Type": "application/json"}
    answer = line.portal.call(
        lambda: line.service.client.post("/v1/holdings/sync", content=as_json(body), headers=headers)
    )
    statuses = [each["status"] for each in answer.json()["responses"]]
    assert "rejected" not in statuses, answer.text
    step["mutations"] = body["mutations"]


# --- replaying -----------------------------------------------------------------------------------------------------------


class NotAsTold(AssertionError):
    """The client does something else than the transcript says."""


@dataclass
class Replayer(httpx.BaseTransport):
    """Gives the answers of a transcript to the requests that it has, in order, and no others."""

    exchanges: list[Any] = field(default_factory=list)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        if not self.exchanges:
            raise NotAsTold(f"one request too many: {request.method} {request.url}")
        exchange = self.exchanges.pop(0)
        asked = as_plain(request_as_told(request))
        if asked != exchange["request"]:
            raise NotAsTold(f"asked {asked}, not {exchange['request']}")
        if exchange["answer"] is None:
            raise httpx.ConnectError("no answer", request=request)
        return answer_of(exchange["answer"])


def replay(transcript: Mapping[str, Any], path: Path, looked_at: Callable[[Step], None] = lambda _: None) -> None:
    """Runs the reference client through a transcript. Raises NotAsTold."""
    line, fixed = Replayer(), Fixed(datetime.min)
    for number, step in enumerate(transcript["steps"]):
        fixed.now, fixed.ids = instant(step["at"]), list(step.get("ids", ()))
        if step["step"] == "elsewhere":
            continue
        line.exchanges = list(step.get("exchanges", ()))
        # Opened anew each time: what is not in the file is lost.
        with device_at(path, fixed, line, step) as device:
            if step["step"] == "owner":
                act(device, step)
            elif device.sync().is_complete is not step["is_complete"]:
                raise NotAsTold(f"step {number}: is_complete is not {step['is_complete']}")
            if line.exchanges:
                raise NotAsTold(f"step {number}: {line.exchanges[0]['request']} was not sent")
            found = as_plain(store_of(device))
        for name, expected in step["store"].items():
            if found[name] != expected:
                raise NotAsTold(f"step {number}: {name} is {found[name]}, not {expected}")
        looked_at(step)
