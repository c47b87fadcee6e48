"""Accounts for tests that work below HTTP, opened and recognised now."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import Connection

from service.accounts import actions
from service.accounts.model import Owner


def open_account(connection: Connection, name: str, *, is_admin: bool = False) -> tuple[Owner, str]:
    """A new account and its token."""
    return actions.open_account(connection, name, datetime.now(UTC), is_admin=is_admin)


def recognise(connection: Connection, token: str) -> Owner:
    """Whose token this is. Raises NotAuthenticated."""
    return actions.identify(connection, token, datetime.now(UTC)).owner
