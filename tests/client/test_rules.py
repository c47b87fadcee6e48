"""What a device does beyond the merge: whose file, whose turn, which clock, what a refusal means, photos, edits as a file."""

from __future__ import annotations

import hashlib
import json
import threading
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.client import Device
from service.client.device import OtherAccount
from service.client.store import LocalStore
from service.client.transport import Transport
from tests.client.test_device import START, Home, body_of, home, other_answer, problem, synced
from tests.http.test_photos import another
from tests.pictures import coin as picture_of_a_coin
from tests.pictures import picture

__all__ = ["home"]


def posts(home: Home) -> list[Any]:
    return [body_of(one) for one in home.line.asked if one.method == "POST"]


def known_to_all(home: Home) -> tuple[Device, Device, str]:
    phone, laptop = home.device("phone"), home.device("laptop")
    coin = phone.record({"grade": 30})
    synced(phone, laptop)
    return phone, laptop, coin


# --- verdicts ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", [400, 413, 422])
def test_a_batch_that_is_refused_is_halved_until_the_one_is_found(home: Home, status: int) -> None:
    phone, _, _ = known_to_all(home)
    coins = [phone.record({"grade": number}) for number in range(1, 5)]
    bad = phone.store.outbox()[2]
    carry = home.line.handle_request

    def refuse(request: httpx.Request) -> httpx.Response:
        if request.method == "POST" and bad in body_of(request)["mutations"]:
            home.line.asked.append(request)
            return problem(status, detail="no")
        return carry(request)

    home.line.handle_request = refuse  # type: ignore[method-assign]
    synced(phone)
    ((refused, told),) = phone.attention()
    assert (refused, told["status"]) == (bad, status)
    assert home.slept == []
    assert set(phone.holdings()) >= {*coins} - {bad["id"]}
    # Sent once more, when the service takes it.
    del home.line.handle_request  # type: ignore[attr-defined]
    phone.send_again(bad["mutation_id"])
    synced(phone)
    assert (phone.attention(), set(phone.holdings()) >= {*coins}) == ([], True)


def test_a_400_of_somebody_on_the_way_is_no_verdict(home: Home) -> None:
    phone, _, coin = known_to_all(home)
    phone.edit(coin, {"grade": 31})
    home.line.faults = [other_answer(400)] * 6
    assert not phone.sync().is_complete
    assert (len(phone.store.outbox()), phone.attention()) == (1, [])


def test_a_fault_of_the_frame_blames_no_mutation(home: Home) -> None:
    phone, _, coin = known_to_all(home)
    phone.edit(coin, {"grade": 31})
    home.line.faults = [problem(422, errors=[{"pointer": "/known_state", "code": "state", "message": "no"}])]
    report = phone.sync()
    assert (report.is_complete, report.problem) == (False, "No")
    assert (len(phone.store.outbox()), phone.attention()) == (1, [])
    home.line.faults = [problem(422, errors=[{"pointer": "/mutations/0/id", "code": "id", "message": "no"}])]
    synced(phone)
    assert len(phone.attention()) == 1


def test_what_cannot_be_sent_keeps_no_change_away(home: Home) -> None:
    phone, laptop, coin = known_to_all(home)
    laptop.edit(coin, {"note": "by the laptop"})
    synced(laptop)
    phone.edit(coin, {"grade": 31})
    home.line.faults = [problem(507)]
    report = phone.sync()
    assert (report.is_complete, report.sent, report.taken) == (False, 0, 1)
    assert phone.holdings()[coin] == {"grade": 31, "note": "by the laptop"}
    assert len(phone.store.outbox()) == 1
    synced(phone, laptop)
    assert laptop.holdings()[coin] == {"grade": 31, "note": "by the laptop"}


# --- whose file, whose turn ----------------------------------------------------------------------------------------------


def test_a_file_belongs_to_one_account(home: Home) -> None:
    phone, _, coin = known_to_all(home)
    phone.edit(coin, {"grade": 31})
    mine, home.owner = home.owner, home.service.collector()
    before = len(posts(home))
    theirs = home.device("phone")
    report = theirs.sync()
    assert (report.is_complete, report.problem) == (False, "this file belongs to another account: nothing was sent")
    assert (len(posts(home)), len(theirs.store.outbox())) == (before, 1)
    # Another token of the same account goes on.
    home.owner = home.service.another_token(mine)
    synced(home.device("phone"))
    assert len(posts(home)) == before + 1


def test_one_program_at_a_time_sends_and_others_go_on_editing(home: Home) -> None:
    phone, _, coin = known_to_all(home)
    second = home.device("phone")
    phone.edit(coin, {"grade": 31})
    carry, told = home.line.handle_request, list[Any]()

    def meanwhile(request: httpx.Request) -> httpx.Response:
        answer = carry(request)
        if request.method == "POST" and not told:
            told.append(second.sync())
            second.edit(coin, {"note": "while it was sent"})
        return answer

    home.line.handle_request = meanwhile  # type: ignore[method-assign]
    synced(phone)
    assert (told[0].is_complete, told[0].problem) == (False, "another program sends from this file now")
    assert [len(post["mutations"]) for post in posts(home)] == [1, 1, 1]
    assert second.holdings()[coin] == {"grade": 31, "note": "while it was sent"}
    # The edit goes on from the one that was under way.
    first, last = phone.store.journal()[-2:]
    assert last["from"] == {"note": None}
    assert first["patch"] == {"grade": 31}


def test_edits_of_several_programs_are_all_there_and_each_goes_on_from_another(tmp_path: Path) -> None:
    """What is read and what is written by an edit is one transaction; without it two edits go on from the same one."""
    path = tmp_path / "phone"

    def work(device: Device, coin: str, number: int) -> None:
        for step in range(10):
            device.edit(coin, {"quantity": 100 * number + step})

    devices = [Device(path, "http://setwright.test", "t", sleep=lambda _: None) for _ in range(1)]
    coin = devices[0].record({"grade": 30}, quantity=7)
    made: list[BaseException] = []

    def run(number: int) -> None:
        device = Device(path, "http://setwright.test", "t", sleep=lambda _: None)
        try:
            work(device, coin, number)
        except BaseException as error:
            made.append(error)
        finally:
            device.close()

    threads = [threading.Thread(target=run, args=(number,)) for number in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert made == []
    waiting = devices[0].store.outbox()
    assert len(waiting) == 31
    seen = [mutation["from"]["quantity"] for mutation in waiting[1:]]
    assert seen == [mutation["mutation_id"] for mutation in waiting[:-1]]
    devices[0].close()


def test_the_greatest_known_state_wins(tmp_path: Path) -> None:
    store = LocalStore(tmp_path / "phone")
    for state, known in (("9.a", "9.a"), ("10.b", "10.b"), ("9.c", "10.b"), ("10.d", "10.b")):
        store.note_known(state)
        assert store.note("known") == known
    store.close()


# --- clocks --------------------------------------------------------------------------------------------------------------


def test_each_try_says_when_it_is_sent_and_the_mutation_stays_as_it_was(home: Home) -> None:
    phone, _, coin = known_to_all(home)
    phone.edit(coin, {"grade": 31})
    home.line.faults = ["lost", "cut"]
    synced(phone)
    first, second, third = posts(home)[-3:]
    assert first["sent_at"] < second["sent_at"] < third["sent_at"]
    assert first["mutations"] == second["mutations"] == third["mutations"]


def test_of_two_edits_the_later_is_shown_however_wrong_a_clock_is(home: Home) -> None:
    """The phone's clock is a month ahead. It edited first, so the laptop's value is shown."""
    phone, laptop, coin = known_to_all(home)
    right = datetime.now(UTC)
    home.clock = right + timedelta(days=30)
    phone.edit(coin, {"grade": 40})
    home.clock = right + timedelta(days=30, minutes=10)
    synced(phone)
    # Told by now, the laptop's edit is ten minutes younger than the phone's.
    home.clock = datetime.now(UTC) - timedelta(minutes=1)
    laptop.edit(coin, {"grade": 45})
    home.clock = datetime.now(UTC)
    synced(laptop, phone)
    assert phone.holdings()[coin]["grade"] == 45
    ((_, conflict),) = phone.conflicts()
    assert conflict["value"] == 40


@pytest.mark.parametrize("off", [timedelta(days=-20_000), timedelta(days=20_000)])
def test_a_wrong_clock_of_the_device_forgets_nothing(home: Home, off: timedelta) -> None:
    phone, _, coin = known_to_all(home)
    home.clock += off
    phone.edit(coin, {"grade": 31})
    synced(phone)
    home.clock -= off
    phone.edit(coin, {"grade": 32})
    synced(phone)
    assert len(phone.store.journal()) == 3
    # The service's clock is what counts.
    home.line.date = START + timedelta(days=401)
    synced(phone)
    assert phone.store.journal() == []


def test_an_answer_without_a_date_forgets_nothing_and_its_edits_are_dated_later(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    phone, _, coin = known_to_all(home)
    with monkeypatch.context() as patched:
        patched.setattr(type(home.line), "dated", lambda _: {})
        phone = home.device("phone")
        phone.edit(coin, {"grade": 31})
        synced(phone)
    assert len(phone.store.journal()) == 2
    home.line.date = START + timedelta(days=401)
    synced(phone)
    ((left,),) = (phone.store.journal(),)
    assert left["patch"] == {"grade": 31}
    assert format_datetime(START, usegmt=True) == "Wed, 25 Nov 2026 12:00:00 GMT"


# --- edits as a file -----------------------------------------------------------------------------------------------------


def test_unsent_edits_can_be_taken_to_another_device_and_both_may_send_them(home: Home, tmp_path: Path) -> None:
    phone, laptop, coin = known_to_all(home)
    phone.edit(coin, {"grade": 31, "weight": 1})
    new = phone.record({"grade": 2})
    phone.add_photo(new, another(1), "edge", "image/png")
    file = tmp_path / "edits.json"
    assert phone.save_unsent(file) == 3
    assert laptop.take_in(file) == 3
    assert laptop.take_in(file) == 0
    synced(laptop)
    before = laptop.holdings()
    assert (before[coin]["grade"], len(before[new]["photos"])) == (31, 1)
    synced(phone, laptop)
    assert phone.holdings() == laptop.holdings() == before
    assert (laptop.conflicts(), phone.store.outbox(), phone.attention()) == ([], [], [])
    where = f"/v1/photos/{hashlib.sha256(another(1)).hexdigest()}"
    assert home.line.portal.call(lambda: home.service.client.get(where, headers=home.owner)).status_code == 200
    # Taken in by a device that has sent and taken everything: nothing is left to do.
    assert phone.take_in(file) == 0
    home.owner = home.service.collector()
    stranger = home.device("stranger")
    synced(stranger)
    with pytest.raises(OtherAccount):
        stranger.take_in(file)
    file.write_text(json.dumps({"format": "x"}))
    with pytest.raises(ValueError, match="no file of unsent edits"):
        phone.take_in(file)


# --- what it does not know -----------------------------------------------------------------------------------------------


def test_conflicts_of_kinds_that_it_does_not_know_are_shown_and_can_be_settled_for_what_is_shown(home: Home) -> None:
    phone, _, coin = known_to_all(home)
    odd = {"id": "c", "kind": "half_coin", "mutation_id": "m", "edited_at": "x", "halves": [1, 2]}
    record = phone.store.record(coin)
    assert record is not None
    phone.store.keep_records([{**record, "conflicts": [odd]}])
    assert phone.conflicts() == [(coin, odd)]
    with pytest.raises(ValueError, match="half_coin"):
        phone.resolve(coin, odd, take_other=True)
    phone.resolve(coin, odd, take_other=False)
    assert phone.store.outbox()[0]["resolves"] == ["c"]


def test_a_part_of_a_record_is_never_sent_as_a_copy(home: Home) -> None:
    phone, _, coin = known_to_all(home)
    record = phone.store.record(coin)
    assert record is not None
    phone.store.keep_records([{**record, "partial": True}])
    home.forget()
    phone.edit(coin, {"note": "n"})
    # Its journal brings the coin back, so that nothing is asked for here.
    phone.store.nothing_is_recent(START + timedelta(days=500), timedelta(days=1))
    phone.sync()
    assert all(mutation["op"] != "create" for post in posts(home)[2:] for mutation in post["mutations"])
    ((refused, error),) = phone.attention()
    assert (refused["patch"], error["type"]) == ({"note": "n"}, "not-found")


# --- photos --------------------------------------------------------------------------------------------------------------


def test_a_photo_that_was_taken_offline_is_sent_with_the_edit_and_another_device_knows_it(home: Home) -> None:
    phone, laptop, coin = known_to_all(home)
    raw = picture(image=picture_of_a_coin(80, 60))
    home.line.faults = ["lost"] * 8
    named = phone.add_photo(coin, raw, "obverse", "image/jpeg", datetime(2026, 11, 25, 12, 30, tzinfo=UTC))
    assert phone.add_photo(coin, raw, "obverse", "image/jpeg", datetime(2026, 11, 25, 12, 30, tzinfo=UTC)) == named
    assert not phone.sync().is_complete
    # Six tries, and one each for what does not wait for them.
    assert home.line.faults == []
    other = laptop.add_photo(coin, another(2), "edge", "image/png")
    synced(laptop, phone, laptop)
    expected = [
        {"sha256": named, "side": "obverse", "taken_at": "2026-11-25T12:30:00Z"},
        {"sha256": other, "side": "edge", "taken_at": None},
    ]
    assert sorted(phone.holdings()[coin]["photos"], key=str) == sorted(expected, key=str)
    assert phone.holdings() == laptop.holdings()
    assert (phone.store.unsent_photos(), laptop.conflicts()) == ([], [])
    for sha256 in (named, other):
        there = home.line.portal.call(
            lambda sha256=sha256: home.service.client.get(f"/v1/photos/{sha256}", headers=home.owner)
        )
        assert there.status_code == 200
    # Neither sends the other's, nor its own again.
    home.line.asked = []
    synced(phone, laptop)
    assert [one for one in home.line.asked if one.method == "PUT"] == []


def test_a_photo_that_the_service_lost_is_sent_again_and_one_that_it_refuses_holds_up_nothing(home: Home) -> None:
    phone, laptop, coin = known_to_all(home)
    phone.add_photo(coin, another(3), "edge", "image/png")
    bad = phone.add_photo(coin, b"no picture", "edge", "image/png")
    synced(phone)
    ((refused, told),) = phone.refused_photos()
    assert (refused, told["status"]) == (bad, 422)

    def lose(connection: Any, owner: Any) -> None:
        connection.exec_driver_sql("DELETE FROM photo_file")

    home.change(lose)
    phone.edit(coin, {"note": "n"})
    synced(phone)
    good = hashlib.sha256(another(3)).hexdigest()
    sent = [one.url.path for one in home.line.asked if one.method == "PUT"]
    assert sent == [f"/v1/photos/{good}", f"/v1/photos/{bad}", f"/v1/photos/{good}"]
    synced(laptop)
    assert len(laptop.holdings()[coin]["photos"]) == 2


def test_a_service_that_takes_no_compressed_batches_any_more_gets_them_plain(home: Home) -> None:
    phone, _, coin = known_to_all(home)
    assert phone.store.note("coding") == "gzip"
    for number in range(8):
        phone.edit(coin, {"note": f"{number}" * 100})
    home.line.faults = [problem(415)]
    synced(phone)
    codings = [one.headers.get("content-encoding") for one in home.line.asked if one.method == "POST"]
    assert codings[-2:] == ["gzip", None]
    phone.edit(coin, {"note": "n"})
    home.line.faults = [problem(415)]
    report = phone.sync()
    assert (report.is_complete, phone.attention(), len(phone.store.outbox())) == (False, [], 1)


def test_a_transport_compresses_what_is_long_where_the_service_takes_it() -> None:
    asked: list[httpx.Request] = []

    def answer(request: httpx.Request) -> httpx.Response:
        asked.append(request)
        return httpx.Response(200, json={})

    transport = Transport("http://setwright.test", "t", httpx.MockTransport(answer))
    for note, is_compressed in (("n" * 2_000, True), ("n", True), ("n" * 2_000, False)):
        transport.post("/x", lambda note=note: {"note": note}, is_compressed=is_compressed)
        assert body_of(asked[-1]) == {"note": note}
    assert [len(request.content) < 1_000 for request in asked] == [True, True, False]
    transport.close()
