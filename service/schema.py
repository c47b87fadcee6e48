"""Every table, in one MetaData: what migrations compare with."""

from __future__ import annotations

import service.accounts.tables
import service.clubs.share_tables
import service.clubs.swap_tables
import service.clubs.tables
import service.definitions.tables
import service.holdings.photo_tables
import service.holdings.tables
import service.reference.tables
from service.database.metadata import metadata

__all__ = ["metadata", "service"]
