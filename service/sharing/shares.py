"""A share: a link that shows one revision of a definition to whoever has it. Pure.

The link's secret is made like a token and kept as its hash only. A share may follow its definition: then it shows the
revisions that were published later, too. It shows the document and nothing of its owner.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.accounts.model import is_worth_noting

OPEN, REVOKED, EXPIRED, USED_UP = "open", "revoked", "expired", "used up"


@dataclass(frozen=True, slots=True)
class Share:
    """A link to the revision `revision` of `definition`. `name` is the owner's word for it, shown to nobody else.
    `uses_left` None: as often as anybody likes."""

    id: str
    definition: str
    revision: int
    name: str | None
    follows: bool
    created_at: datetime
    expires_at: datetime | None = None
    uses_left: int | None = None
    revoked_at: datetime | None = None
    last_used_at: datetime | None = None

    def status(self, now: datetime) -> str:
        """open, revoked, expired or used up."""
        if self.revoked_at is not None:
            return REVOKED
        if self.expires_at is not None and self.expires_at <= now:
            return EXPIRED
        return USED_UP if self.uses_left is not None and self.uses_left <= 0 else OPEN

    def shows(self, number: int) -> bool:
        """Whether this revision may be seen through the link, if there is one."""
        return number == self.revision or (self.follows and number > self.revision)

    def is_worth_noting(self, now: datetime) -> bool:
        """Whether the last use that is written down is old enough to be written again."""
        return is_worth_noting(self.last_used_at, now)
