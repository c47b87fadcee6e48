"""A device against the whole service in this process, over a line that loses, doubles and answers for others."""

from __future__ import annotations

import gzip
import random
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal
from sqlalchemy import delete, update

from service.accounts.tables import account
from service.client import Device
from service.client.model import flat, from_json
from service.holdings.tables import holding
from service.holdings.tables import mutation as log
from tests.conftest import Running, running, settings_for
from tests.owners import recognise

START = datetime(2026, 11, 25, 12, tzinfo=UTC)
Fault = str | httpx.Response | None


class Killed(BaseException):
    """The device's program ends here."""


@dataclass
class Line(httpx.BaseTransport):
    """Carries requests to the service. `faults`: what happens to the next ones, in order: "lost" (the request), "cut" (its
    answer), "doubled", "killed" (the device, after the service has done it), or somebody else's answer."""

    portal: BlockingPortal
    client: httpx.AsyncClient
    faults: list[Fault] = field(default_factory=list)
    asked: list[httpx.Request] = field(default_factory=list)
    # The service's clock.
    date: datetime = START

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request)
        fault = self.faults.pop(0) if self.faults else None
        if isinstance(fault, httpx.Response):
            return fault
        if fault == "lost":
            raise httpx.ConnectError("no network", request=request)
        for _ in range(2 if fault == "doubled" else 1):
            answer = self.portal.call(self._carry, request)
        if fault == "cut":
            raise httpx.ReadError("cut", request=request)
        if fault == "killed":
            raise Killed
        return answer

    async def _carry(self, request: httpx.Request) -> httpx.Response:
        answer = await self.client.request(
            request.method, request.url, content=request.content, headers=dict(request.headers)
        )
        kept = {name: answer.headers[name] for name in ("content-type", "retry-after") if name in answer.headers}
        return httpx.Response(answer.status_code, content=answer.content, headers={**kept, **self.dated()})

    def dated(self) -> dict[str, str]:
        return {"date": format_datetime(self.date, usegmt=True)}

    def sent(self) -> list[Any]:
        """The mutations of each batch so far."""
        return [body_of(one)["mutations"] for one in self.asked if one.method == "POST"]


def body_of(request: httpx.Request) -> Any:
    """What a request says, compressed or not."""
    is_compressed = request.headers.get("content-encoding") == "gzip"
    return from_json(gzip.decompress(request.content) if is_compressed else request.content)


@dataclass
class Home:
    """A service, one collector, and devices of hers."""

    service: Running
    line: Line
    owner: dict[str, str]
    folder: Path
    stack: ExitStack
    slept: list[float] = field(default_factory=list)
    clock: datetime = START

    def device(self, name: str) -> Device:
        """The device of that name; opened again, it has the same file."""
        made = Device(
            self.folder / name,
            "http://setwright.test",
            self.owner["Authorization"].removeprefix("Bearer "),
            name=name,
            transport=self.line,
            sleep=self.slept.append,
            now=self.now,
        )
        self.stack.callback(made.close)
        return made

    def now(self) -> datetime:
        self.clock += timedelta(seconds=1)
        return self.clock

    def change(self, work: Callable[[Any, Any], Any]) -> None:
        """What happens behind the devices' backs, in the database."""
        token = self.owner["Authorization"].removeprefix("Bearer ")
        self.service.app.state.database.write(lambda c: work(c, recognise(c, token)))

    def forget(self) -> None:
        """A backup from before the first holding is restored."""

        def work(connection: Any, owner: Any) -> None:
            for table in (log, holding):
                connection.execute(delete(table).where(table.c.owner_id == owner.id))
            origin = {"state": 0, "chain": "0" * 32}
            connection.execute(update(account).where(account.c.id == owner.id).values(**origin))

        self.change(work)


@pytest.fixture
def home(database_url: str, tmp_path: Path) -> Iterator[Home]:
    with ExitStack() as stack:
        portal = stack.enter_context(start_blocking_portal())
        service = stack.enter_context(portal.wrap_async_context_manager(running(settings_for(database_url))))
        line = Line(portal, service.client)
        yield Home(service, line, service.collector(), tmp_path, stack)


def synced(*devices: Device) -> None:
    for device in devices:
        report = device.sync()
        assert report.is_complete, report


def other_answer(status: int, told: Any = None, **headers: str) -> httpx.Response:
    return httpx.Response(status, json=told if told is not None else {"title": "No"}, headers=headers)


def problem(status: int, **more: Any) -> httpx.Response:
    """A problem document of the service."""
    return other_answer(status, {"type": "http://setwright.test/problems/x", "title": "No", "status": status, **more})


def test_a_day_offline_and_then_all_of_it_is_with_the_service(home: Home) -> None:
    phone, laptop = home.device("phone"), home.device("laptop")
    home.line.faults = ["lost"] * 6
    coin = phone.record({"denomination": "crown", "grade": 40, "number": 7}, number="B-3", tags=["silver"])
    phone.edit(coin, {"grade": None, "mintmark": {"none": True}})
    other = phone.record({"denomination": "florin"})
    phone.delete(other)
    report = phone.sync()
    assert (report.is_complete, report.sent, report.problem) == (False, 0, "the service was not reached: ConnectError")
    seen = {
        "denomination": "crown", "mintmark": {"none": True}, "number": "B-3", "facts.number": 7, "tags": ["silver"]
    }  # fmt: skip
    assert phone.holdings() == {coin: seen}
    synced(phone, laptop)
    assert laptop.holdings() == phone.holdings() == {coin: seen}
    assert laptop.store.records() == phone.store.records()
    assert (phone.store.outbox(), phone.conflicts(), phone.attention()) == ([], [], [])


def test_from_is_the_own_pending_edit_and_stays_as_it_was_fixed(home: Home) -> None:
    phone, laptop = home.device("phone"), home.device("laptop")
    coin = phone.record({"grade": 30})
    synced(phone, laptop)
    (made,) = phone.store.journal()
    phone.edit(coin, {"grade": 31})
    phone.edit(coin, {"grade": 32, "note": "n"})
    laptop.edit(coin, {"grade": 33})
    synced(laptop)
    first, second = phone.store.outbox()
    assert first["from"] == {"grade": made["mutation_id"]}
    assert second["from"] == {"grade": first["mutation_id"], "note": None}
    home.line.faults = ["cut"] * 6
    assert not phone.sync().is_complete
    synced(phone)
    assert {str(batch) for batch in home.line.sent()[-7:]} == {str([first, second])}


@pytest.mark.parametrize("fault", ["lost", "cut", "doubled"])
def test_a_bad_line_makes_nothing_happen_twice_or_never(home: Home, fault: str) -> None:
    phone, laptop = home.device("phone"), home.device("laptop")
    coin = phone.record({"grade": 30}, tags=["a"])
    phone.edit(coin, {"tags": ["a", "b"]})
    home.line.faults = [fault, None, fault]
    synced(phone, laptop)
    assert laptop.holdings() == {coin: {"grade": 30, "tags": ["a", "b"]}}
    assert [record["conflicts"] for record in laptop.store.records()] == [[]]


def test_a_program_killed_after_any_request_goes_on_where_it_was(home: Home) -> None:
    laptop = home.device("laptop")
    coin = laptop.record({"grade": 30})
    synced(laptop)
    for number, faults in enumerate((["killed"], [None, "killed"], ["lost", "killed"])):
        phone = home.device("phone")
        phone.sync()
        phone.edit(coin, {"grade": 40 + number})
        home.line.faults = list(faults)
        with pytest.raises(Killed):
            phone.sync()
        phone = home.device("phone")
        assert phone.holdings()[coin] == {"grade": 40 + number}
        synced(phone, laptop)
        assert (phone.store.records(), phone.store.outbox()) == (laptop.store.records(), [])
        assert laptop.holdings()[coin] == {"grade": 40 + number}
        assert laptop.conflicts() == []


@pytest.mark.parametrize("status", [401, 403, 404, 409, 451])
def test_no_refusal_of_the_device_makes_it_drop_anything(home: Home, status: int) -> None:
    phone = home.device("phone")
    coin = phone.record({"grade": 30})
    home.line.faults = [other_answer(status)]
    report = phone.sync()
    assert (report.is_complete, report.problem) == (False, f"{status} No")
    assert (len(phone.store.outbox()), home.slept) == (1, [])
    synced(phone)
    assert phone.holdings() == {coin: {"grade": 30}}


@pytest.mark.parametrize(
    "answer", [httpx.Response(200, text="<html>Pay for the network</html>"), other_answer(200, {"welcome": "here"})]
)
def test_the_page_of_somebody_elses_network_is_no_answer(home: Home, answer: httpx.Response) -> None:
    phone = home.device("phone")
    phone.record({"grade": 30})
    home.line.faults = [answer]
    assert not phone.sync().is_complete
    assert len(phone.store.outbox()) == 1
    synced(phone)


def test_a_busy_service_is_asked_again_after_the_time_that_it_said(home: Home) -> None:
    phone = home.device("phone")
    phone.record({"grade": 30})
    home.line.faults = [other_answer(503, **{"Retry-After": "7"}), "lost", other_answer(400), "lost"]
    synced(phone)
    first, *others = home.slept
    assert 7.1 <= first <= 7.3
    assert [low <= wait <= 3 * low for low, wait in zip((0.2, 0.4, 0.8), others, strict=True)] == [True] * 3


def test_a_refused_mutation_needs_attention_and_keeps_the_owners_values(home: Home) -> None:
    phone = home.device("phone")
    coin = phone.record({"grade": 30})
    phone.edit(coin, {"grade": 400})
    phone.edit(coin, {"note": "still sent"})
    synced(phone)
    ((refused, error),) = phone.attention()
    assert (refused["patch"], error["type"], error["pointers"]) == ({"grade": 400}, "invalid", ["/grade"])
    assert phone.holdings() == {coin: {"grade": 30, "note": "still sent"}}
    phone.dismiss(refused["mutation_id"])
    assert phone.attention() == []


def test_one_mutation_that_cannot_even_be_read_does_not_hold_up_the_others(home: Home) -> None:
    phone = home.device("phone")
    coins = [phone.record({"grade": number}) for number in range(1, 4)]
    phone.edit(coins[1], {"n" * 121: 1})
    coins.append(phone.record({"grade": 9}))
    synced(phone)
    ((refused, problem),) = phone.attention()
    assert (refused["patch"], problem["type"]) == ({"n" * 121: 1}, "invalid")
    assert sorted(phone.holdings()) == sorted(coins)


def test_more_than_one_batch_and_more_than_one_page(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.client.device.MOST_SENT", 3)
    monkeypatch.setattr("service.client.device.MOST_TAKEN", 2)
    phone, laptop = home.device("phone"), home.device("laptop")
    coins = {phone.record({"grade": number}): number for number in range(1, 9)}
    synced(phone, laptop)
    assert [len(batch) for batch in home.line.sent()] == [3, 3, 2]
    assert {identity: values["grade"] for identity, values in laptop.holdings().items()} == coins


def test_two_who_did_not_see_each_other_keep_both_until_the_owner_decides(home: Home) -> None:
    phone, laptop = home.device("phone"), home.device("laptop")
    coin = phone.record({"grade": 30})
    synced(phone, laptop)
    phone.edit(coin, {"grade": 40})
    laptop.edit(coin, {"grade": 45, "note": "sharp"})
    synced(phone, laptop, phone)
    assert phone.holdings() == laptop.holdings() == {coin: {"grade": 45, "note": "sharp"}}
    ((identity, conflict),) = phone.conflicts()
    assert (identity, conflict["value"]) == (coin, 40)
    phone.resolve(coin, conflict, take_other=True)
    synced(phone, laptop)
    assert (laptop.holdings()[coin]["grade"], laptop.conflicts(), phone.conflicts()) == (40, [], [])


@pytest.mark.parametrize("take_other", [True, False])
def test_a_delete_that_met_an_edit_is_the_owners_to_decide(home: Home, take_other: bool) -> None:
    phone, laptop = home.device("phone"), home.device("laptop")
    coin = phone.record({"grade": 30})
    synced(phone, laptop)
    phone.delete(coin)
    laptop.edit(coin, {"grade": 45})
    synced(phone, laptop, phone)
    assert phone.holdings() == {coin: {"grade": 45}}
    ((_, conflict),) = phone.conflicts()
    phone.resolve(coin, conflict, take_other=take_other)
    synced(phone, laptop)
    assert laptop.holdings() == ({} if take_other else {coin: {"grade": 45}})
    assert laptop.conflicts() == []


def test_a_delete_that_was_seen_is_undone_with_all_that_was_there(home: Home) -> None:
    phone, laptop = home.device("phone"), home.device("laptop")
    coin = phone.record({"grade": 30, "denomination": "crown"})
    synced(phone, laptop)
    laptop.delete(coin)
    synced(laptop, phone)
    assert phone.holdings() == {}
    phone.revive(coin, {"grade": 31})
    assert phone.holdings() == {coin: {"grade": 31, "denomination": "crown"}}
    synced(phone, laptop)
    assert laptop.holdings() == {coin: {"grade": 31, "denomination": "crown"}}
    assert laptop.conflicts() == []


def test_after_a_restore_everything_finds_its_way_back(home: Home) -> None:
    phone, laptop = home.device("phone"), home.device("laptop")
    coin, gone = phone.record({"grade": 30}), phone.record({"grade": 1})
    synced(phone, laptop)
    laptop.edit(coin, {"grade": 31, "note": "by the laptop"})
    laptop.delete(gone)
    synced(laptop, phone)
    before = phone.holdings()
    home.forget()
    late = phone.record({"grade": 2})
    synced(laptop)  # it has what the phone made as a copy only
    synced(phone, laptop, phone)
    assert phone.holdings() == laptop.holdings() == {**before, late: {"grade": 2}}
    assert phone.store.records() == laptop.store.records()
    # The service forgot that 31 was written by somebody who saw 30: it may ask, it may not lose.
    assert {(conflict["attribute"], conflict["value"]) for _, conflict in phone.conflicts()} <= {("grade", 30)}
    assert (phone.attention(), laptop.attention()) == ([], [])


def test_an_edit_of_what_the_service_lost_brings_the_whole_copy_along(home: Home) -> None:
    phone, laptop = home.device("phone"), home.device("laptop")
    coin = phone.record({"grade": 30, "denomination": "crown"}, note="n")
    synced(phone, laptop)
    (made,) = phone.store.journal()
    home.forget()
    laptop.edit(coin, {"grade": 31})
    synced(laptop)
    copy, edit = home.line.sent()[-1]
    assert (copy["op"], copy["writers"]) == (
        "create",
        dict.fromkeys(("grade", "denomination", "note"), made["mutation_id"]),
    )
    assert edit["patch"] == {"grade": 31}
    synced(phone, laptop)
    assert phone.holdings() == laptop.holdings() == {coin: {"grade": 31, "denomination": "crown", "note": "n"}}


def test_fields_of_a_newer_service_are_kept_and_go_back_with_a_copy(home: Home) -> None:
    phone = home.device("phone")
    coin = phone.record({"grade": 30})
    synced(phone)
    (record,) = phone.store.records()
    newer = {**record, "provenance": {"from": "a fair"}, "writers": {**record["writers"], "provenance": "m"}, "x": 1}
    phone.store.keep_records([newer])
    phone.edit(coin, {"grade": 31})
    assert phone.store.record(coin) == newer
    assert phone._whole_copy(phone.store.outbox()[0])["patch"] == {"grade": 30, "provenance": {"from": "a fair"}}


@pytest.mark.parametrize("seed", range(4))
def test_whatever_happens_on_the_line_all_agree_in_the_end(home: Home, seed: int) -> None:
    chance = random.Random(seed)
    names, restores = ("phone", "laptop", "tablet"), 0
    for number in range(40):
        device = home.device(chance.choice(names))
        there = sorted(device.holdings())
        dice = chance.random()
        if not there or dice < 0.3:
            device.record({"grade": chance.randint(1, 70)}, tags=[f"t{number}"])
        elif dice < 0.4:
            device.delete(chance.choice(there))
        elif dice < 0.5 and device.conflicts():
            device.resolve(*chance.choice(device.conflicts()), take_other=chance.random() < 0.5)
        else:
            device.edit(chance.choice(there), {chance.choice(("grade", "quantity")): chance.randint(1, 70)})
        if chance.random() < 0.08:
            home.forget()
            restores += 1
        kinds: list[Fault] = [None, "lost", "cut", "doubled", "killed"]
        home.line.faults = [chance.choice(kinds) for _ in range(chance.randint(0, 6))]
        if chance.random() < 0.6:
            try:
                device.sync()
            except Killed:
                device = home.device(device._name)
        home.line.faults = []
    devices = [home.device(name) for name in names]
    for _ in range(3):
        synced(*devices)
    first, *others = devices
    for other in others:
        assert other.store.records() == first.store.records(), f"seed {seed}"
    assert all(not device.store.outbox() and not device.attention() for device in devices)
    assert [flat(record) for record in first.store.records() if not record["destroyed"]] == list(
        first.holdings().values()
    )
    assert restores > 0 or seed
