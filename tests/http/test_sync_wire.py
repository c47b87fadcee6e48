"""What sync sends and takes: grouped writers, minimal answers, parts of records, the newest first, clocks that are wrong."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest

from service.database.ids import new_id
from service.holdings.sync.clock import edited_at
from service.http.preferences import preference
from tests.conftest import Running
from tests.http.test_sync import changed, create, ensure_declared, send, statuses, update

pytestmark = pytest.mark.anyio

Owner = dict[str, str]


async def ask(service: Running, owner: Owner, path: str = "changes", status: int = 200, **query: Any) -> Any:
    answer = await service.client.get(f"/v1/holdings/{path}", params=query, headers=owner)
    assert answer.status_code == status, answer.text
    return answer.json()


async def post(
    service: Running, owner: Owner, *mutations: Any, query: Any = None, prefer: str | None = None, **more: Any
) -> httpx.Response:
    headers = {**owner, **({} if prefer is None else {"Prefer": prefer})}
    body = {"client_id": "phone", "mutations": list(mutations), **more}
    answer = await service.client.post("/v1/holdings/sync", json=body, params=query or {}, headers=headers)
    assert answer.status_code == 200, answer.text
    return answer


async def test_grouped_writers_say_the_same(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, grade=30, denomination="crown", number="7", tags=["a"])
    edit = update(coin, {"grade": 40, "note": None}, {"grade": made["mutation_id"], "note": None})
    grouped = (await post(service, owner, made, edit, query={"writers": "grouped"})).json()
    ensure_declared("SyncOut", grouped)
    asked = {"writers": "grouped"}
    for told in (
        grouped,
        await ask(service, owner, **asked),
        await ask(service, owner, "sync/records", ids=coin, **asked),
    ):
        (record,) = told["list"]
        assert {name: sorted(names) for name, names in record["writers"].items()} == {
            made["mutation_id"]: ["denomination", "number", "tags"],
            edit["mutation_id"]: ["grade", "note"],
        }
        (flat,) = (await changed(service, owner))["list"]
        assert {by: name for name, by in flat["writers"].items()}.keys() == record["writers"].keys()
        assert {name: by for by, names in record["writers"].items() for name in names} == flat["writers"]
        assert {**record, "writers": {}} == {**flat, "writers": {}}
    await ask(service, owner, status=422, writers="by name")


async def test_an_answer_leaves_out_what_the_device_sent(service: Running) -> None:
    owner, coins = service.collector(), [new_id() for _ in range(6)]
    made = [create(coin, grade=30, tags=["a"], quantity=1) for coin in coins]
    answer = await post(service, owner, *made, prefer="return=minimal")
    assert answer.headers["preference-applied"] == "return=minimal"
    ensure_declared("SyncOut", answer.json())
    assert answer.json()["list"] == [
        {"id": coin, "as_sent": True, "writer": one["mutation_id"]} for coin, one in zip(coins, made, strict=True)
    ]
    # A repeated batch, whose answer was lost, too.
    again = (await post(service, owner, *made, prefer="return=minimal")).json()
    assert again["list"] == answer.json()["list"]
    seen = [{"grade": one["mutation_id"], "tags": one["mutation_id"]} for one in made]
    other = [
        update(coins[1], {"grade": 45}, seen[1], "2026-11-25T11:00:00Z"),
        update(coins[2], {"tags": ["a", "by the laptop"]}, seen[2]),
    ]
    await send(service, owner, *other)
    gone = {"mutation_id": new_id(), "op": "destroy", "id": coins[3], "edited_at": made[0]["edited_at"]}
    gone["from"] = {**seen[3], "quantity": made[3]["mutation_id"]}
    lost = {**gone, "mutation_id": new_id(), "id": coins[4], "from": {}}
    twice = [update(coins[0], {"note": text}, {}) for text in ("one", "two")]
    twice[1]["from"] = {"note": twice[0]["mutation_id"]}
    copy = {**create(coins[5], grade=30), "writers": {"grade": made[5]["mutation_id"]}}
    refused = update(new_id(), {"grade": 1}, {})
    batch = [
        *twice,
        # A conflict, lists merged, a delete, one that had not seen all, a copy, and a coin that is not here.
        update(coins[1], {"grade": 40}, seen[1]),
        update(coins[2], {"tags": ["a", "by the phone"]}, seen[2]),
        gone,
        lost,
        copy,
        refused,
    ]
    told = (await post(service, owner, *batch, prefer="return=minimal")).json()
    assert statuses(told) == ["applied", "applied", "conflict", "merged", "applied", "conflict", "applied", "rejected"]
    whole = {record["id"]: record for record in (await changed(service, owner))["list"]}
    by_id = {record["id"]: record for record in told["list"]}
    assert by_id[coins[0]] == {"id": coins[0], "as_sent": True, "writer": twice[1]["mutation_id"]}
    assert by_id[coins[3]] == {"id": coins[3], "as_sent": True, "writer": gone["mutation_id"]}
    for coin in (coins[1], coins[2], coins[4], coins[5]):
        assert by_id[coin] == whole[coin]
    assert len(by_id) == 6
    # Overtaken before its answer was repeated: what is there now is told.
    later = update(coins[0], {"note": "three"}, {"note": twice[1]["mutation_id"]})
    await send(service, owner, later)
    overtaken = (await post(service, owner, *twice, prefer="return=minimal")).json()
    assert overtaken["list"][0]["note"] == "three"
    # While a conflict is open the record is shown with it, whatever is edited beside it.
    beside = update(coins[1], {"note": "beside"}, {"note": None})
    (open_,) = (await post(service, owner, beside, prefer="return=minimal")).json()["list"]
    assert (len(open_["conflicts"]), open_["note"]) == (1, "beside")
    # Whoever prefers nothing of the kind is told everything, as ever.
    for prefer in (None, "return=representation", "respond-async", 'return="representation", return=minimal'):
        plain = await post(service, owner, later, prefer=prefer)
        assert "preference-applied" not in plain.headers
        ensure_declared("HoldingRecordOut", plain.json()["list"][0])


@pytest.mark.parametrize(
    ("headers", "expected"),
    [
        # RFC 7240, section 2: names in any case, quoted values, parameters, several fields; the first of two counts.
        (["return=minimal"], "minimal"),
        (['Return="minimal"; a=b, x'], "minimal"),
        (["respond-async", "return = minimal"], "minimal"),
        (["return=representation, return=minimal"], "representation"),
        (["return"], ""),
        (["returns=minimal"], None),
        ([], None),
    ],
)
def test_preferences_are_read_as_the_standard_says(headers: list[str], expected: str | None) -> None:
    assert preference(headers, "return") == expected


async def test_a_part_of_a_record_is_marked_and_is_no_copy(service: Running) -> None:
    owner, coin, gone = service.collector(), new_id(), new_id()
    made = create(coin, grade=30, denomination="crown", number="7", note="long " * 50, **{"facts.note": "x"})
    lost = create(gone, grade=1)
    delete = {"mutation_id": new_id(), "op": "destroy", "id": gone, "edited_at": made["edited_at"]}
    delete["from"] = {"grade": lost["mutation_id"]}
    late = update(coin, {"grade": 33}, {}, "2020-01-01T00:00:00Z")
    await send(service, owner, made, lost, delete, late)
    asked = {"fields": "number,status,grade,facts.note,weight"}
    page = await ask(service, owner, **asked)
    ensure_declared("ChangesOut", page)
    part, marker = page["list"]
    if part["destroyed"]:
        part, marker = marker, part
    writer = made["mutation_id"]
    (conflict,) = part.pop("conflicts")
    assert (conflict["attribute"], conflict["value"]) == ("grade", 33)
    assert part == {
        "id": coin,
        "destroyed": False,
        "partial": True,
        "facts": {"grade": 30, "note": "x"},
        "writers": {"number": writer, "grade": writer, "facts.note": writer},
        "number": "7",
        "status": "held",
    }
    assert marker == {
        "id": gone,
        "destroyed": True,
        "destroyed_by": delete["mutation_id"],
        "deletes": [delete["mutation_id"]],
        "writers": {},
        "conflicts": [],
    }
    # What it lacks is had by asking for the record.
    missing = new_id()
    told = await ask(service, owner, "sync/records", ids=f"{coin},{missing},{gone},{coin.upper()}")
    ensure_declared("RecordsOut", told)
    assert told["not_found"] == [missing]
    whole = {record["id"]: record for record in told["list"]}
    assert whole[coin]["note"] == made["patch"]["note"]
    assert whole.keys() == {coin, gone}
    assert told["state"] == page["new_state"]
    # Sent as if it were the whole it is refused, without a verdict on the mutation.
    copy = {**create(new_id(), grade=30), "writers": {"grade": writer}}
    refused = await send(service, owner, {**copy, "partial": True})
    assert (statuses(refused), refused["responses"][0]["error"]["type"]) == (["rejected"], "partial-copy")
    assert (refused["list"], refused["new_state"]) == ([], page["new_state"])
    assert statuses(await send(service, owner, copy)) == ["applied"]
    # Changes of single values are told by one who has a part as by anybody.
    edit = update(coin, {"number": "8"}, {"number": writer})
    answer = (await post(service, owner, edit, query=asked)).json()
    assert (statuses(answer), answer["list"][0]["partial"], answer["list"][0]["number"]) == (["applied"], True, "8")
    for wrong in ("", "number,", "facts", "id", ",".join(f"n{number}" for number in range(201))):
        await ask(service, owner, status=422, fields=wrong)


async def test_the_newest_come_first_and_nothing_is_missed(service: Running) -> None:
    owner, coins = service.collector(), [new_id() for _ in range(9)]
    made = [create(coin, grade=number + 1) for number, coin in enumerate(coins)]
    start = (await send(service, owner, *made))["new_state"]
    seen: list[dict[str, Any]] = []
    first: list[str] = []
    query: dict[str, Any] = {"order": "newest", "limit": 2}
    pages = 0
    while True:
        page = await ask(service, owner, **query)
        ensure_declared("ChangesOut", page)
        # Wherever it was begun it leads to the same state.
        assert (page["old_state"], page["new_state"]) == (None, start)
        assert sorted([*page["created"], *page["destroyed"]]) == sorted(record["id"] for record in page["list"])
        first += [record["id"] for record in page["list"]]
        seen += page["list"]
        # While writers go on: one that was told already, one that was not, a new one.
        await send(
            service,
            owner,
            update(coins[8 - pages], {"note": f"{pages}"}, {"note": None}),
            update(coins[pages], {"location": f"{pages}"}, {"location": None}),
            create(new_id(), grade=60 + pages),
        )
        pages += 1
        if not page["has_more_changes"]:
            break
        query["before"] = page["before"]
    assert "before" not in page
    # Coins that were changed before their turn came are left to the changes.
    assert first == [coin for coin in reversed(coins) if coin in first]
    assert coins[0] not in first
    since = page["new_state"]
    while True:
        page = await ask(service, owner, since=since, limit=2)
        seen += page["list"]
        since = page["new_state"]
        if not page["has_more_changes"]:
            break
    taken = {record["id"]: record for record in seen}
    assert taken == {record["id"]: record for record in (await changed(service, owner))["list"]}
    assert len(taken) == 9 + pages
    # A state of another history, and what does not go together.
    stranger = service.collector()
    await send(service, stranger, create(new_id(), grade=1))
    await ask(service, stranger, status=410, **query)
    for wrong in ({"since": start}, {"before": "7"}, {"before": f"{start}.x"}, {"order": "oldest"}):
        await ask(service, owner, status=422, **{"order": "newest", **wrong})
    await ask(service, owner, status=422, before=query["before"])


async def test_what_was_created_before_a_border_may_be_told_as_updated_behind_it(service: Running) -> None:
    owner, coins = service.collector(), [new_id() for _ in range(4)]
    made = [create(coin, grade=number + 1) for number, coin in enumerate(coins)]
    await send(service, owner, *made)
    first = await changed(service, owner, limit=2)
    assert first["created"] == coins[:2]
    # Its creation would have been on the first page; now it is behind the border.
    await send(service, owner, update(coins[0], {"note": "n"}, {"note": None}))
    fresh, last = new_id(), []
    await send(service, owner, create(fresh, grade=9))
    taken = {record["id"]: record for record in first["list"]}
    since, has_more = first["new_state"], True
    while has_more:
        page = await changed(service, owner, since, 2)
        taken |= {record["id"]: record for record in page["list"]}
        last += page["updated"]
        since, has_more = page["new_state"], page["has_more_changes"]
    assert last == [coins[0]]
    assert taken == {record["id"]: record for record in (await changed(service, owner))["list"]}
    # A device that begins in the middle, as after a page that was lost, knows nothing of it, and is told that it was updated.
    begun = await changed(service, owner, first["new_state"])
    assert (begun["updated"], begun["created"]) == ([coins[0]], [*coins[2:], fresh])


async def test_a_clock_that_is_off_moves_what_was_edited(service: Running) -> None:
    owner, coin = service.collector(), new_id()
    made = create(coin, grade=30)
    await send(service, owner, made)
    now = datetime.now(UTC)
    seen = {"grade": made["mutation_id"]}

    def at(moment: datetime) -> str:
        return moment.isoformat()

    laptop = update(coin, {"grade": 40}, seen, at(now - timedelta(minutes=30)))
    await send(service, owner, laptop, sent_at=at(now))
    # A phone ten days behind, on which it was edited an hour before it is sent: the earlier of both, however its clock has it.
    behind = now - timedelta(days=10)
    phone = update(coin, {"grade": 45}, seen, at(behind - timedelta(hours=1)))
    (record,) = (await send(service, owner, phone, sent_at=at(behind)))["list"]
    assert record["facts"]["grade"] == 40
    (conflict,) = record["conflicts"]
    told = datetime.fromisoformat(conflict["edited_at"])
    assert abs(told - (now - timedelta(hours=1))) < timedelta(minutes=1)
    # And one of five minutes before: that is the latest of all.
    newer = update(coin, {"grade": 50}, seen, at(behind - timedelta(minutes=5)))
    (record,) = (await send(service, owner, newer, sent_at=at(behind)))["list"]
    assert record["facts"]["grade"] == 50
    # The time at which it is sent is no part of what is sent.
    again = await send(service, owner, newer, sent_at=at(behind + timedelta(days=1)))
    assert again["responses"][0]["replayed"] is True


@pytest.mark.parametrize(
    ("told", "sent", "expected"),
    [
        ("11:00", "12:00", "11:00"),
        ("11:00", "12:01", "11:00"),
        ("11:00", "11:58", "11:02"),
        ("13:00", "14:00", "11:00"),
        ("13:00", None, "12:00"),
        ("12:30", "12:00", "12:00"),
    ],
)
def test_a_clock_is_off_where_it_is_more_than_a_minute(told: str, sent: str | None, expected: str) -> None:
    def at(text: str) -> datetime:
        return datetime.fromisoformat(f"2026-11-25T{text}:00+00:00")

    assert edited_at(at(told), None if sent is None else at(sent), at("12:00")) == at(expected)


def test_a_clock_at_the_end_of_time_stops_nothing() -> None:
    first, last = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
    now = datetime(2026, 11, 25, tzinfo=UTC)
    assert edited_at(last, first, now) == now
    assert edited_at(first, last, now) == first
