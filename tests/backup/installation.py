"""Databases that backups and the doctor are tried on."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from sqlalchemy import Connection

from service.accounts.actions import open_first_account
from service.database.engine import Database
from service.database.migrate import upgrade
from service.settings import Settings

NOW = datetime(2026, 11, 28, 10, 30, tzinfo=UTC)


def opened(settings: Settings) -> Database:
    return Database(settings.database_url.get_secret_value())


def prepare(settings: Settings, *actions: Callable[[Connection], object], to: str = "head") -> None:
    """Brings the database up to a migration, and writes."""
    database = opened(settings)
    try:
        upgrade(database, to)
        for action in actions:
            database.write(action)
    finally:
        database.close()


def an_account(connection: Connection) -> None:
    open_first_account(connection, NOW)
