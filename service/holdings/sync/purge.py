"""Purging the log of mutations: what is older than the oldest sync that is promised goes, and with it what was recorded of
holdings that were deleted then.

What stays: the marker of each deleted holding, so that no copy brings it back unasked; and the id of each mutation, so that none
takes effect twice, however late it is sent again. A device whose state is older than the log starts over (410), keeps what it has
not sent, and loses nothing.
"""

from __future__ import annotations

from datetime import datetime
from functools import partial

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.engine import Database
from service.errors import NotFound
from service.holdings.sync.store import Purged, SyncStore

# So many entries are taken in one transaction, which holds the account: its devices wait no longer than that.
MOST_AT_ONCE = 2_000


def purge(database: Database, before: datetime, most: int = MOST_AT_ONCE) -> tuple[int, int]:
    """Purges the logs of all accounts; returns how many entries were taken out, and of how many deleted holdings the values. It
    may run at any time, in several servers; what it did not finish is done by the next one."""
    entries = holdings = 0
    for owner in database.read(lambda connection: AccountStore(connection).owners()):
        done = Purged(None, most, 0)
        while done.entries >= most:
            done = database.write(partial(_purge_some, owner=owner, before=before, most=most))
            entries, holdings = entries + done.entries, holdings + done.holdings
    return entries, holdings


def _purge_some(connection: Connection, owner: Owner, before: datetime, most: int) -> Purged:
    accounts = AccountStore(connection)
    try:
        accounts.lock(owner)
    except NotFound:
        return Purged(None, 0, 0)
    done = SyncStore(connection, owner).purge(before, most)
    if done.begins is not None:
        accounts.put_oldest(owner, done.begins)
    return done
