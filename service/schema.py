"""Every table, in one MetaData: what migrations compare with."""

from __future__ import annotations

import service.accounts.tables
import service.clubs.swaps.tables
import service.clubs.tables
import service.definitions.tables
import service.holdings.photos.tables
import service.holdings.tables
import service.jobs.tables
import service.reference.tables
import service.sharing.tables
from service.database.metadata import metadata

__all__ = ["metadata", "service"]
