"""Where a member's copy of a club's definition comes from, for pulling newer revisions (service.sharing.actions.pulls)."""

from __future__ import annotations

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.clubs.actions.members import admit
from service.clubs.model import MEMBER, ClubOffer
from service.clubs.store.offers import CopyStore, OfferStore
from service.sharing.model import PulledRevision


class ClubUpstream:
    """The clubs that an owner is a member of. Implements service.sharing.actions.pulls.Upstream."""

    def ends(
        self, connection: Connection, owner: Owner, definition: str, number: int | None
    ) -> tuple[PulledRevision, PulledRevision] | None:
        """The club's revision that was taken first, and the one of this number or else the newest; None for a definition that
        was not taken from a club. Raises NotFound if the owner is not a member any more."""
        source = CopyStore(connection, owner).source(definition)
        if source is None:
            return None
        club, offered, first = source
        admit(connection, club, owner, MEMBER)
        offers = OfferStore(connection, club)
        found = offers.newest(offered) if number is None else offers.revision(offered, number)
        return _revision(offers.revision(offered, first)), _revision(found)

    def record_pull(self, connection: Connection, owner: Owner, definition: str, number: int) -> None:
        """The club's revision of this number was merged into the copy."""
        CopyStore(connection, owner).note(definition, number)


def _revision(offer: ClubOffer) -> PulledRevision:
    return PulledRevision(offer.number, offer.digest, offer.document)
