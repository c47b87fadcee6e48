"""Purging what sync keeps: the log of mutations, as far as it is older than the oldest sync that is promised; and what was
recorded of holdings that were deleted.

What stays: the marker of each deleted holding, so that no copy brings it back unasked; and the id of each mutation, so that none
takes effect twice, however late it is sent again. A device whose state is older than the log starts over (410), keeps what it has
not sent, and loses nothing. One that edits a holding of which the marker alone is left sends its copy first.
"""

from __future__ import annotations

from datetime import datetime
from functools import partial

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.engine import Database
from service.errors import NotFound
from service.holdings.photos.store import PhotoStore
from service.holdings.sync.store import Purged, SyncStore

# So many entries are taken in one transaction, which holds the account: its devices wait no longer than that.
MOST_AT_ONCE = 2_000


def purge(
    database: Database, logged_before: datetime | None, deleted_before: datetime | None, most: int = MOST_AT_ONCE
) -> tuple[int, int]:
    """Purges the logs of all accounts of what came before one time, and what was recorded of holdings that were deleted before
    another; None: of nothing. Returns how many entries were taken out, and of how many deleted holdings the values. It may run
    at any time, in several servers; what it did not finish is done by the next one."""
    entries = holdings = 0
    for owner in database.read(lambda connection: AccountStore(connection).owners()):
        done = Purged(None, most, 0)
        while max(done.entries, done.holdings) >= most:
            some = partial(
                _purge_some, owner=owner, logged_before=logged_before, deleted_before=deleted_before, most=most
            )
            done = database.write(some)
            entries, holdings = entries + done.entries, holdings + done.holdings
    return entries, holdings


def _purge_some(
    connection: Connection, owner: Owner, logged_before: datetime | None, deleted_before: datetime | None, most: int
) -> Purged:
    accounts, store = AccountStore(connection), SyncStore(connection, owner)
    try:
        accounts.lock(owner)
    except NotFound:
        return Purged(None, 0, 0)
    begins, entries, holdings = None, 0, 0
    if logged_before is not None:
        begins, entries = store.purge_log(logged_before, most)
    if begins is not None:
        accounts.put_oldest(owner, begins)
    if deleted_before is not None:
        holdings = store.empty_deleted(deleted_before, most)
    if holdings:
        PhotoStore(connection, owner).remove_of_purged()
    return Purged(begins, entries, holdings)
