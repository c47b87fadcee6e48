"""What a club offers its members, and what they take of it and show it. Each action is part of the caller's transaction."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.clubs.actions.members import admit, note_deed
from service.clubs.model import (
    MEMBER,
    OFFERED,
    REVISED,
    STEWARD,
    WITHDRAWN,
    Announcement,
    ClubOffer,
    Consent,
    Copy,
    Membership,
)
from service.clubs.store.offers import CopyStore, OfferStore, ShownStore
from service.clubs.swaps.actions import proposals
from service.database.ids import new_id
from service.definitions import actions as definitions
from service.definitions.model import Revision, StoredDefinition
from service.definitions.store import DefinitionStore
from service.errors import Conflict


def offer(
    connection: Connection, seat: Membership, own: str, number: int | None, note: str | None, now: datetime
) -> ClubOffer:
    """A published revision of the steward's own definition, offered to the club as the first revision of a new one."""
    by = admit(connection, seat.club, seat.owner, STEWARD, hold=True)
    return _offered(connection, by, OFFERED, new_id(), 1, _own(connection, by, own, number), note, now)


def revise(
    connection: Connection,
    seat: Membership,
    identity: str,
    own: str,
    number: int | None,
    note: str | None,
    now: datetime,
) -> ClubOffer:
    """A newer revision of what the club offers, from any of the steward's own definitions; announced, and taken up by nobody
    until they do so themselves. Raises Conflict when it says the same as the newest."""
    by = admit(connection, seat.club, seat.owner, STEWARD, hold=True)
    before, source = OfferStore(connection, seat.club).newest(identity), _own(connection, by, own, number)
    if source.digest == before.digest:
        raise Conflict("revision {revision} of what the club offers says the same already", revision=before.number)
    return _offered(connection, by, REVISED, identity, before.number + 1, source, note, now)


def withdraw(
    connection: Connection, seat: Membership, identity: str, now: datetime, *, expect: Callable[[ClubOffer], None]
) -> None:
    """Ends the offer; what members showed of it goes along, and so do swaps that are not accepted yet. Copies stay with those
    who took them."""
    by, store = admit(connection, seat.club, seat.owner, STEWARD, hold=True), OfferStore(connection, seat.club)
    before = store.newest(identity)
    expect(before)
    store.delete(identity)
    proposals.withdraw(connection, seat.club, identity, now)
    _tell(connection, by, WITHDRAWN, before, None, now)


def take(
    connection: Connection, seat: Membership, identity: str, number: int | None, now: datetime
) -> tuple[StoredDefinition, Revision, Copy]:
    """A definition of the member's own with the document that the club offers, published as it is. Raises Conflict when there is
    one already: its newer revisions are taken up there."""
    admit(connection, seat.club, seat.owner, MEMBER)
    offers, copies = OfferStore(connection, seat.club), CopyStore(connection, seat.owner)
    offered = offers.newest(identity) if number is None else offers.revision(identity, number)
    before = copies.of(identity)
    if before is not None:
        raise Conflict("your definition '{definition}' was taken from it already", definition=before.definition)
    line, _ = definitions.draft(connection, seat.owner, None, offered.document, now)
    line, revision = definitions.publish(connection, seat.owner, line.id, now, expect=lambda _: None)
    copies.add(offered, seat.club, line.id)
    return line, revision, Copy(line.id, offered.number)


def show(connection: Connection, seat: Membership, identity: str, consent: Consent, now: datetime) -> Consent:
    """What the member shows of this definition from now on. Without the spares, swaps of it that are not accepted yet are
    over."""
    consent = consent.as_kept
    # Before the club: see service.clubs.actions.members.
    AccountStore(connection).lock(seat.owner)
    own = admit(connection, seat.club, seat.owner, MEMBER, hold=True)
    OfferStore(connection, seat.club).newest(identity)
    ShownStore(connection, seat.club, identity).set_consent(own, consent)
    if not consent.spares:
        proposals.revoke(connection, own.owner, seat.club, identity, now)
    return consent


def sharing(connection: Connection, *, hold: bool = False) -> proposals.Consents:
    """Whether an owner, in a club and for a definition of it, shares his spares now; with `hold` that stays so until the
    transaction ends."""

    def shares(owner: str, club: str, definition: str) -> bool:
        return ShownStore(connection, club, definition).consent(Owner(owner), hold=hold).spares

    return shares


def _own(connection: Connection, by: Membership, own: str, number: int | None) -> Revision:
    store = DefinitionStore(connection, by.owner)
    published = store.line(own).published
    if not published:
        raise Conflict("the definition '{definition}' has no published revision to offer", definition=own)
    return store.revision(own, published if number is None else number)


def _offered(
    connection: Connection,
    by: Membership,
    kind: str,
    identity: str,
    number: int,
    source: Revision,
    note: str | None,
    now: datetime,
) -> ClubOffer:
    made = ClubOffer(identity, number, source.digest, source.title, source.document, note, by.name, now)
    OfferStore(connection, by.club).add(made)
    _tell(connection, by, kind, made, note, now)
    return made


def _tell(
    connection: Connection, by: Membership, kind: str, offered: ClubOffer, note: str | None, now: datetime
) -> None:
    parts = (offered.definition, offered.title, offered.number, note, by.name, now)
    OfferStore(connection, by.club).announce(Announcement(new_id(), kind, *parts))
    note_deed(connection, by, f"{kind}-definition", now, about=f"{offered.title}, revision {offered.number}")
