"""Accounts, tokens and states."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from service.accounts.actions import open_first_account
from service.accounts.model import ORIGIN, PREFIXES, masked, new_token, token_digest
from service.accounts.store import AccountStore
from service.accounts.tables import token as token_table
from service.database import migrate
from service.database.engine import Database
from service.errors import NotAuthenticated
from tests.owners import open_account, recognise

NOW = datetime.now(UTC)


@pytest.fixture
def database(empty_database: Database) -> Database:
    migrate.upgrade(empty_database)
    return empty_database


def test_the_first_account_is_made_once(database: Database) -> None:
    token = database.write(lambda c: open_first_account(c, NOW))
    assert token is not None
    assert database.write(lambda c: open_first_account(c, NOW)) is None
    assert database.read(lambda c: recognise(c, token))


def test_a_token_has_256_random_bits_and_is_stored_as_its_hash_only(database: Database) -> None:
    assert len({new_token() for _ in range(1_000)}) == 1_000
    _, token = database.write(lambda c: open_account(c, "somebody"))
    # 32 bytes in base64 without padding.
    assert len(token.removeprefix("swt_")) == 43
    row = database.read(lambda c: c.execute(select(token_table)).one())
    assert token not in str(tuple(row))
    assert row.digest == token_digest(token)


@pytest.mark.parametrize("wrong", ["", "swt_", "swt_" + "a" * 43, "\ud800", "\u00e9" * 50, "x" * 100_000])
def test_a_wrong_token_is_unwelcome(database: Database, wrong: str) -> None:
    database.write(lambda c: open_account(c, "somebody"))
    with pytest.raises(NotAuthenticated):
        database.read(lambda c: recognise(c, wrong))


def test_a_token_ends_when_it_is_revoked_and_when_its_time_is_over(database: Database) -> None:
    owner, token = database.write(lambda c: open_account(c, "somebody"))
    short, past = new_token(), new_token()

    def add(name: str, until: datetime) -> None:
        database.write(lambda c: AccountStore(c).add_token(owner, token_digest(name), "phone", NOW, until))

    add(short, NOW + timedelta(hours=1))
    add(past, NOW - timedelta(seconds=1))
    assert database.read(lambda c: recognise(c, short)) == owner
    with pytest.raises(NotAuthenticated):
        database.read(lambda c: recognise(c, past))
    database.write(lambda c: AccountStore(c).revoke(owner, token_digest(short), NOW))
    with pytest.raises(NotAuthenticated):
        database.read(lambda c: recognise(c, short))
    assert database.read(lambda c: recognise(c, token)) == owner


def test_a_state_counts_and_proves_its_history() -> None:
    first, other = ORIGIN.after("a"), ORIGIN.after("b")
    assert (first.number, other.number) == (1, 1)
    assert first != other
    assert first.after("b") != other.after("a")
    assert str(first).startswith("1.")
    assert len(first.chain) == len(ORIGIN.chain) == 32


def test_the_stored_state_follows_its_changes(database: Database) -> None:
    owner, _ = database.write(lambda c: open_account(c, "somebody"))
    for change in ("a", "b", "c"):
        database.write(lambda c, n=change: AccountStore(c).put_state(owner, AccountStore(c).lock(owner).after(n)))
    assert database.read(lambda c: AccountStore(c).state(owner)) == ORIGIN.after("a").after("b").after("c")


@pytest.mark.parametrize("prefix", PREFIXES)
def test_whatever_secret_is_made_here_is_blotted_out(prefix: str) -> None:
    secret = new_token(prefix)
    assert masked(f"refused: {secret}, twice {secret}") == f"refused: {prefix}..., twice {prefix}..."
    assert masked("swx_nothing of ours") == "swx_nothing of ours"
