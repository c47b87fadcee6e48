"""The file of a device: every step whole or not at all, exact numbers, nothing forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from service.client.model import as_json, flat, from_json, named, new_id
from service.client.store import LocalStore
from service.database.ids import is_version_7, read_id

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[LocalStore]:
    made = LocalStore(tmp_path / "device.sqlite3")
    yield made
    made.close()


def mutation(number: int, **more: Any) -> dict[str, Any]:
    return {"mutation_id": f"m{number}", "op": "update", "id": "coin", "patch": {"grade": number}, **more}


def ids(mutations: list[dict[str, Any]]) -> list[str]:
    return [each["mutation_id"] for each in mutations]


def test_a_step_that_is_broken_off_leaves_everything_as_it_was(store: LocalStore) -> None:
    store.enqueue(mutation(1))
    with pytest.raises(KeyboardInterrupt), store.step():
        store.acknowledge(mutation(1), NOW)
        store.keep_records([{"id": "coin", "destroyed": False, "writers": {}, "conflicts": []}])
        store.set_note("since", "1.a")
        raise KeyboardInterrupt
    assert (ids(store.outbox()), store.journal(), store.records(), store.note("since")) == (["m1"], [], [], None)


def test_what_was_committed_is_there_for_the_next_start(store: LocalStore, tmp_path: Path) -> None:
    with store.step():
        store.enqueue(mutation(1))
    again = LocalStore(tmp_path / "device.sqlite3")
    assert ids(again.outbox()) == ["m1"]
    again.close()


def test_a_copy_stands_right_before_its_mutation_and_only_once(store: LocalStore) -> None:
    for number in (1, 2, 3):
        store.enqueue(mutation(number))
    assert store.enqueue_copy(mutation(10), "m1")
    assert store.enqueue_copy(mutation(20), "m2")
    assert store.enqueue_copy(mutation(30), "m3")
    assert not store.enqueue_copy(mutation(21), "m2")
    assert ids(store.outbox()) == ["m10", "m1", "m20", "m2", "m30", "m3"]
    store.enqueue(mutation(4))
    assert ids(store.outbox(2)) == ["m10", "m1"]
    assert ids(store.outbox())[-1] == "m4"


def test_after_a_fresh_start_the_journal_is_sent_again_before_what_waited(store: LocalStore) -> None:
    for number in (1, 2, 3):
        store.enqueue(mutation(number))
    for number in (1, 2):
        store.acknowledge(mutation(number), NOW)
    assert store.enqueue_copy(mutation(30), "m3")
    store.send_all_again()
    assert (ids(store.outbox()), store.journal()) == (["m1", "m2", "m30", "m3"], [])
    # Another restore may need another copy.
    assert store.enqueue_copy(mutation(31), "m3")


def test_the_journal_is_kept_as_long_as_asked_and_never_shorter(store: LocalStore) -> None:
    for number, days in ((1, 40), (2, 20)):
        store.enqueue(mutation(number))
        store.acknowledge(mutation(number), NOW - timedelta(days=days))
    assert ids(store.journal(recent_only=True)) == ["m1", "m2"]
    store.nothing_is_recent(NOW, timedelta(days=30))
    assert (ids(store.journal()), store.journal(recent_only=True)) == (["m2"], [])


def test_a_refused_mutation_is_kept_with_its_reason_until_dismissed(store: LocalStore) -> None:
    store.enqueue(mutation(1))
    store.refuse(mutation(1), {"type": "invalid", "pointers": ["/grade"]})
    assert store.outbox() == []
    ((kept, error),) = store.attention()
    assert (kept, error["pointers"]) == (mutation(1), ["/grade"])
    store.dismiss("m1")
    assert store.attention() == []


def test_the_last_copy_outlives_the_marker_of_a_delete_and_a_fresh_start(store: LocalStore) -> None:
    alive = {"id": "coin", "destroyed": False, "facts": {"grade": 40}, "writers": {"grade": "m1"}, "conflicts": []}
    store.keep_records([alive])
    store.keep_records([{"id": "coin", "destroyed": True, "writers": {}, "conflicts": []}])
    assert (store.record("coin") or {})["destroyed"] is True
    store.set_records_aside()
    assert (store.record("coin"), store.records(), store.copy_of("coin")) == (None, [], alive)


@pytest.mark.parametrize("text", ["7.9880", "12345678901234567890.123456789", "0.1", "40", "true"])
def test_numbers_go_back_as_they_came(text: str) -> None:
    assert as_json(from_json(f'{{"a":{text}}}')).decode() == f'{{"a":{text}}}'


@pytest.mark.parametrize("value", [float("nan"), Decimal("Infinity"), [{"a": float("-inf")}]])
def test_what_json_has_no_number_for_is_refused_and_never_a_removal(value: Any) -> None:
    with pytest.raises(ValueError, match="no number"):
        as_json({"patch": {"weight": value}})


def test_what_only_newer_services_know_is_part_of_a_copy() -> None:
    record = {
        "id": "coin", "destroyed": False, "conflicts": [], "created_at": "x",
        "facts": {"grade": 40, "number": 7, "facts.odd": 1, "shine": {"new": ["kind"]}},
        "number": "B-3", "provenance": {"from": "a fair"},
        "writers": dict.fromkeys(("grade", "number", "facts.number", "facts.odd", "shine", "provenance", "removed"), "m1"),
    }  # fmt: skip
    assert flat(record) == {
        "grade": 40, "number": "B-3", "facts.number": 7, "facts.odd": 1, "shine": {"new": ["kind"]},
        "provenance": {"from": "a fair"},
    }  # fmt: skip
    assert named({"grade": 40, "number": 7}, {"number": "B-3"}) == {"grade": 40, "facts.number": 7, "number": "B-3"}


def test_ids_are_of_version_7_and_carry_the_time() -> None:
    made = new_id(NOW)
    assert read_id(made) == made
    assert is_version_7(made)
    assert int(made.replace("-", "")[:12], 16) == int(NOW.timestamp() * 1000)
