"""What is removed by and by: photos that nothing names, and answers kept for requests that are sent again. Safe at any time,
and in several servers at once."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import anyio
from anyio import to_thread

from service.accounts.store import forget_answers
from service.blobs.store import BlobStore
from service.database.engine import Database
from service.holdings.photos.actions import sweep
from service.settings import Settings

LOG = logging.getLogger(__name__)
_ROUND_SECONDS = 86_400


@dataclass(frozen=True, slots=True)
class Removed:
    """How many of each were removed."""

    answers: int
    photos: int


def tidy(database: Database, shelf: BlobStore, settings: Settings, now: datetime) -> Removed:
    """One round over all owners. Raises what a place raises that cannot be reached."""
    answers = database.write(
        lambda connection: forget_answers(connection, now - timedelta(days=settings.answers_kept_days))
    )
    return Removed(answers, sweep(database, shelf, now - timedelta(days=settings.photos_kept_days)))


async def keep_tidy(database: Database, shelf: BlobStore, settings: Settings) -> None:
    """A round each day, for as long as the service runs. What fails waits for the next one."""
    while True:
        await anyio.sleep(_ROUND_SECONDS)
        try:
            await to_thread.run_sync(tidy, database, shelf, settings, datetime.now(UTC))
        except Exception:
            LOG.exception("tidying stopped")
