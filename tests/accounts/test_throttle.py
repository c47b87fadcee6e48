"""Counts of attempts: how they grow into delays, what gives them back, and that each count stands for itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.accounts.actions import count_attempt, forgive_attempt
from service.accounts.known_devices import KnownDevice
from service.accounts.model import Owner
from service.accounts.store import AttemptStore
from service.accounts.throttle import (
    AttemptCount,
    Throttle,
    ThrottlePolicy,
    by_address,
    by_device,
    by_name,
    by_name_from,
    by_owner,
    of_log_in,
    one_more,
    pairings_by_address,
    remaining_delay,
)
from service.database import migrate
from service.database.engine import Database
from service.errors import RateLimited

NOW = datetime(2026, 11, 25, tzinfo=UTC)
SECOND = timedelta(seconds=1)
DEVICE = KnownDevice(Owner("Ida Lund"), "192.0.2.1")
POLICY = ThrottlePolicy(free=2, first=10 * SECOND, longest=60 * SECOND, memory=100 * SECOND)
FREE_OF_AN_ADDRESS, FREE_OF_A_NAME, FREE_OF_A_NAME_FROM_A_NETWORK = 30, 30, 5


# Pure -----------------------------------------------------------------------------------------------------------------


def waits(count: int, later: timedelta = timedelta(0)) -> float:
    return remaining_delay(AttemptCount(count, NOW), POLICY, NOW + later).total_seconds()


def test_the_first_attempts_are_free_and_from_then_on_each_delay_is_twice_the_one_before() -> None:
    assert [max(0, waits(count)) for count in range(8)] == [0, 0, 10, 20, 40, 60, 60, 60]


def test_the_longest_delay_holds_whatever_the_count() -> None:
    assert waits(10_000) == 60


def test_a_delay_runs_out_at_its_very_end() -> None:
    assert waits(2, 9 * SECOND) == 1
    assert waits(2, 10 * SECOND) == 0
    assert waits(2, 11 * SECOND) == -1


def test_a_count_is_forgotten_when_its_memory_is_over() -> None:
    policy = ThrottlePolicy(2, 200 * SECOND, 400 * SECOND, 100 * SECOND)
    held = AttemptCount(2, NOW)
    assert remaining_delay(held, policy, NOW + 99 * SECOND) == 101 * SECOND
    assert remaining_delay(held, policy, NOW + 100 * SECOND) == timedelta(0)
    assert one_more(held, policy, NOW + 99 * SECOND) == AttemptCount(3, NOW + 99 * SECOND)
    assert one_more(held, policy, NOW + 100 * SECOND) == AttemptCount(1, NOW + 100 * SECOND)
    assert one_more(None, policy, NOW) == AttemptCount(1, NOW)


def test_every_count_is_kept_for_one_name_one_place_or_one_owner() -> None:
    same = [
        (by_name("Ida Lund"), by_name("ida LUND")),
        (by_name_from("Ida Lund", "192.0.2.1"), by_name_from("ida LUND", "::ffff:192.0.2.1")),
        (by_device(DEVICE), by_device(KnownDevice(Owner("Ida Lund"), "192.0.2.1"))),
        (by_address("192.0.2.1"), by_address("::ffff:192.0.2.1")),
        (by_address("2001:db8:1:2:3:4:5:6"), by_address("2001:db8:1:2::1")),
        (by_address(None), by_address("no address")),
    ]
    for one, other in same:
        assert one == other
    apart = [
        by_name("Ida Lund"), by_name("Ida Lunde"), by_address("192.0.2.1"), by_address("192.0.2.2"),
        by_address("2001:db8:1:2::1"), by_address("2001:db8:1:3::1"), by_address(None), pairings_by_address("192.0.2.1"),
        pairings_by_address(None), by_owner(Owner("Ida Lund")), by_owner(Owner("192.0.2.1")), by_device(DEVICE),
        by_device(KnownDevice(Owner("Ida Lund"), "192.0.2.2")), by_device(KnownDevice(Owner("Ida"), "192.0.2.1")),
        by_name_from("Ida Lund", "192.0.2.1"), by_name_from("Ida Lund", "192.0.2.2"), by_name_from("Ida", "192.0.2.1"),
    ]  # fmt: skip
    assert len({throttle.key for throttle in apart}) == len(apart)
    assert all("192.0.2.1" not in throttle.key and "Ida" not in throttle.key for throttle in apart)


# Stored ---------------------------------------------------------------------------------------------------------------


@pytest.fixture
def database(empty_database: Database) -> Database:
    migrate.upgrade(empty_database)
    return empty_database


def counted(database: Database, throttle: Throttle) -> int:
    found = database.write(lambda connection: AttemptStore(connection).hold(throttle, NOW))
    return found.count if found else 0


def attempted(
    database: Database,
    name: str,
    address: str,
    now: datetime = NOW,
    *,
    is_right: bool,
    device: KnownDevice | None = None,
) -> bool:
    """Whether the attempt was looked at."""
    throttles = of_log_in(name, address, device)
    try:
        database.write(lambda connection: count_attempt(connection, throttles, now))
    except RateLimited:
        return False
    if is_right:
        database.write(lambda connection: forgive_attempt(connection, throttles))
    return True


def test_right_attempts_cost_nothing_however_many(database: Database) -> None:
    for _ in range(2 * FREE_OF_AN_ADDRESS):
        assert attempted(database, "Ida", "192.0.2.1", is_right=True)
    assert counted(database, by_name("Ida")) == counted(database, by_address("192.0.2.1")) == 0
    assert counted(database, by_name_from("Ida", "192.0.2.1")) == 0


def test_a_right_attempt_gives_the_address_back_one_attempt_and_no_more(database: Database) -> None:
    for number in range(4):
        assert attempted(database, f"victim {number}", "192.0.2.1", is_right=False)
    assert attempted(database, "Ida", "192.0.2.1", is_right=True)
    assert counted(database, by_address("192.0.2.1")) == 4
    assert counted(database, by_name("Ida")) == 0
    # Whoever logs in to an account of their own between guesses has no more guesses than others.
    for number in range(FREE_OF_AN_ADDRESS - 4):
        assert attempted(database, "Ida", "192.0.2.1", is_right=True)
        assert attempted(database, f"another {number}", "192.0.2.1", is_right=False)
    assert not attempted(database, "one more", "192.0.2.1", is_right=False)


def test_a_right_attempt_clears_the_count_of_its_own_name_and_network_alone(database: Database) -> None:
    tries = FREE_OF_A_NAME_FROM_A_NETWORK - 1
    for name in ("Ida", "Marta"):
        for address in ("192.0.2.1", "192.0.2.2"):
            for _ in range(tries):
                assert attempted(database, name, address, is_right=False)
    assert attempted(database, "Ida", "192.0.2.1", is_right=True)
    assert counted(database, by_name_from("Ida", "192.0.2.1")) == 0
    others = [("Ida", "192.0.2.2"), ("Marta", "192.0.2.1"), ("Marta", "192.0.2.2")]
    assert [counted(database, by_name_from(*other)) for other in others] == [tries] * 3
    # What others do under her name and from her network stays counted.
    assert [counted(database, by_name(name)) for name in ("Ida", "Marta")] == [2 * tries] * 2
    assert counted(database, by_address("192.0.2.1")) == 2 * tries


def test_an_attempt_that_is_refused_is_not_counted(database: Database) -> None:
    for _ in range(FREE_OF_A_NAME_FROM_A_NETWORK):
        assert attempted(database, "Ida", "192.0.2.1", is_right=False)
    for _ in range(3):
        assert not attempted(database, "Ida", "192.0.2.1", is_right=False)
    counts = (by_name_from("Ida", "192.0.2.1"), by_name("Ida"), by_address("192.0.2.1"))
    assert [counted(database, count) for count in counts] == [FREE_OF_A_NAME_FROM_A_NETWORK] * 3
    # The next one is looked at when the delay is over, and not a moment before.
    assert not attempted(database, "Ida", "192.0.2.1", NOW + SECOND, is_right=False)
    assert attempted(database, "Ida", "192.0.2.1", NOW + 2 * SECOND, is_right=False)


def test_guesses_from_one_network_delay_nobody_who_comes_from_another(database: Database) -> None:
    for second in range(0, 3_600, 100):
        attempted(database, "Ida", "192.0.2.1", NOW + second * SECOND, is_right=False)
    assert not attempted(database, "Ida", "192.0.2.1", NOW + 3_600 * SECOND, is_right=True)
    assert attempted(database, "Ida", "198.51.100.7", NOW + 3_600 * SECOND, is_right=True)


def test_guesses_from_many_networks_slow_a_name_down_by_seconds(database: Database) -> None:
    # Each network has guesses left of its own.
    for number in range(FREE_OF_A_NAME):
        assert attempted(database, "Ida", f"192.0.2.{number}", is_right=False)
    assert not attempted(database, "Ida", "198.51.100.7", is_right=True)
    assert attempted(database, "Marta", "198.51.100.7", is_right=True)
    later = NOW
    for number in range(40):
        later += 10 * SECOND
        assert attempted(database, "Ida", f"203.0.113.{number}", later, is_right=False)
    assert not attempted(database, "Ida", "198.51.100.7", later + 9 * SECOND, is_right=True)
    assert attempted(database, "Ida", "198.51.100.7", later + 10 * SECOND, is_right=True)


def test_a_known_device_is_counted_by_itself_alone(database: Database) -> None:
    for _ in range(FREE_OF_A_NAME_FROM_A_NETWORK):
        assert attempted(database, "Ida", "192.0.2.1", is_right=False)
    assert not attempted(database, "Ida", "192.0.2.1", is_right=True)
    before = [counted(database, count) for count in of_log_in("Ida", "192.0.2.1", None)]
    for _ in range(FREE_OF_A_NAME_FROM_A_NETWORK):
        assert attempted(database, "Ida", "192.0.2.1", is_right=False, device=DEVICE)
    assert not attempted(database, "Ida", "192.0.2.1", is_right=True, device=DEVICE)
    assert attempted(database, "Ida", "192.0.2.1", NOW + 2 * SECOND, is_right=True, device=DEVICE)
    assert counted(database, by_device(DEVICE)) == 0
    # Neither its wrong attempts nor its right one change what strangers have.
    assert [counted(database, count) for count in of_log_in("Ida", "192.0.2.1", None)] == before


def test_nothing_is_taken_back_below_nothing(database: Database) -> None:
    throttles = of_log_in("Ida", "192.0.2.1", None)
    database.write(lambda connection: count_attempt(connection, throttles, NOW))
    for _ in range(3):
        database.write(lambda connection: forgive_attempt(connection, throttles))
    assert counted(database, by_address("192.0.2.1")) == 0
    assert attempted(database, "Marta", "192.0.2.1", is_right=False)
    assert counted(database, by_address("192.0.2.1")) == 1


def test_old_counts_are_cleared_away_with_the_next_attempt(database: Database) -> None:
    assert attempted(database, "Ida", "192.0.2.1", is_right=False)
    assert attempted(database, "Marta", "192.0.2.2", NOW + timedelta(hours=23), is_right=False)
    assert attempted(database, "Dora", "192.0.2.3", NOW + timedelta(hours=24, seconds=1), is_right=False)
    assert [counted(database, by_name(name)) for name in ("Ida", "Marta", "Dora")] == [0, 1, 1]
