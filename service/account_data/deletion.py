"""Deleting an account: everything of it goes in one transaction, and its photos and answers of jobs afterwards.

Nothing is deleted when something stands in the way: a club that would be left without a steward, or other accounts without an
administrator. What stays: definitions that others copied or that a club offers; the name that a member had in a club, in that
club's audit list, announcements and offers; backups; answers that other accounts' requests were given, as long as those are kept.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime

from sqlalchemy import Connection, delete, select, tuple_

from service.account_data.contents import ACCOUNT, owned_tables, owner_column
from service.accounts.known_devices import KnownDevice
from service.accounts.model import Account, Owner
from service.accounts.store import AccountStore, AttemptStore
from service.accounts.throttle import by_device, by_name, by_owner
from service.blobs.store import BlobStore
from service.clubs.actions.members import leave_all
from service.clubs.swaps.actions import proposals
from service.database.engine import Database
from service.errors import Conflict, NotAuthenticated, NotFound, SetwrightError
from service.holdings.photos.actions import remove_unnamed
from service.jobs.files import remove_all_files

# One statement ends well within the time that PostgreSQL gives it, however large the collection.
_ROWS_AT_ONCE = 5_000


def delete_account(
    database: Database,
    blobs: BlobStore,
    job_files: BlobStore,
    owner: Owner,
    now: datetime,
    *,
    administrator: str | None = None,
) -> None:
    """Deletes the account. `administrator` names the account that becomes one in its place. Raises Conflict when a club, or
    the other accounts, could not do without it; NotFound. Photos and answers of jobs that cannot be removed now are left to the
    daily sweep."""
    database.write(lambda connection: _delete(connection, owner, now, administrator))
    with suppress(SetwrightError):
        remove_unnamed(database, blobs, owner)
    remove_all_files(job_files, owner)


def named(database: Database, name: str) -> Account | None:
    """The account of this name."""
    return database.read(lambda connection: AccountStore(connection).named(name))


def _delete(connection: Connection, owner: Owner, now: datetime, administrator: str | None) -> None:
    store = AccountStore(connection)
    try:
        account = store.get(owner)
    except NotFound:
        raise NotAuthenticated("the account is deleted already") from None
    # All accounts before all clubs, see service.clubs.actions.members.
    proposals.end(connection, owner, now)
    _hand_over(store, account, administrator)
    leave_all(connection, owner, now)
    # Other counts are by devices and networks, and are forgotten after a day.
    for throttle in (by_name(account.name), by_owner(owner), by_device(KnownDevice(owner, "token"))):
        AttemptStore(connection).forget(throttle)
    for table in reversed(owned_tables()):
        if table.name != ACCOUNT:
            key = tuple(table.primary_key.columns)
            mine = owner_column(table) == owner.id
            some = tuple_(*key).in_(select(*key).where(mine).limit(_ROWS_AT_ONCE))
            # The owner is said twice: of a partitioned table one partition is looked at.
            while connection.execute(delete(table).where(mine, some)).rowcount == _ROWS_AT_ONCE:
                pass
    (accounts,) = (table for table in owned_tables() if table.name == ACCOUNT)
    connection.execute(delete(accounts).where(accounts.c.id == owner.id))


def _hand_over(store: AccountStore, account: Account, administrator: str | None) -> None:
    """Sees to it that somebody can still invite others."""
    if administrator is not None:
        heir = store.named(administrator)
        if heir is None or heir.owner == account.owner:
            raise Conflict(
                "there is no other account named '{administrator}' that could become the administrator",
                administrator=administrator,
            )
        store.lock(heir.owner)
        store.make_administrator(heir.owner)
        return
    if not account.is_admin or store.count() == 1:
        return
    others = [owner for owner in store.administrators() if owner != account.owner]
    if not others:
        raise Conflict(
            "this is the only administrator, and there are other accounts: the operator names another one with "
            "`setwright delete-account NAME --administrator OTHER`"
        )
    # Two administrators that are deleted at the same time do not count on each other.
    for owner in others:
        store.lock(owner)
