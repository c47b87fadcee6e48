"""What a club offers, announces and is shown, in the database."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, and_, delete, insert, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.accounts.model import Owner
from service.clubs.model import NOTHING_SHOWN, Announcement, ClubOffer, Consent, Copy, Membership
from service.clubs.tables import (
    club_announcement,
    club_consent,
    club_copy,
    club_definition,
    club_member,
    club_revision,
    club_standing,
)
from service.errors import NotFound


@dataclass(frozen=True, slots=True)
class ShownDefinition:
    """A member who shows something of one definition, and what is remembered of the standing, if anything: `basis` names all
    that it follows from. `counts` None with a basis: it could not be evaluated. `places` and `spares` only when asked for."""

    member: str
    name: str
    owner: Owner
    consent: Consent
    basis: str | None
    counts: Mapping[str, Any] | None
    places: list[list[str]] | None = None
    spares: list[list[Any]] | None = None


@dataclass(frozen=True, slots=True, order=True)
class OfferedIn:
    """A definition of a club, by their ids."""

    club: str
    definition: str


def offers_with_standings(connection: Connection, after: OfferedIn | None, most: int) -> list[OfferedIn]:
    """Up to `most` definitions, of all clubs, of which a member shows a standing or spares, in the order of their ids."""
    table = club_consent
    ids = (table.c.club_id, table.c.club_definition_id)
    query = select(*ids).where(or_(table.c.standing, table.c.spares)).distinct().order_by(*ids).limit(most)
    if after is not None:
        later = and_(table.c.club_id == after.club, table.c.club_definition_id > after.definition)
        query = query.where(or_(table.c.club_id > after.club, later))
    return [OfferedIn(row.club_id, row.club_definition_id) for row in connection.execute(query)]


class OfferStore:
    """One club's definitions, within one transaction. Whoever changes something holds the club first."""

    def __init__(self, connection: Connection, club: str) -> None:
        self._connection = connection
        self._club = club

    def newest(self, identity: str) -> ClubOffer:
        """The newest revision that is offered."""
        row = self._connection.execute(self._newest().where(club_definition.c.id == identity)).first()
        if row is None:
            raise NotFound("definition", identity)
        return _offered(row)

    def revision(self, identity: str, number: int) -> ClubOffer:
        table = club_revision
        this = (table.c.club_id == self._club, table.c.club_definition_id == identity, table.c.number == number)
        row = self._connection.execute(select(table).where(*this)).first()
        if row is None:
            raise NotFound("revision", str(number))
        return _offered(row)

    def page(self, after: str | None, limit: int) -> tuple[ClubOffer, ...]:
        """Up to `limit` definitions in the order of their ids, each with its newest revision."""
        query = self._newest().order_by(club_definition.c.id).limit(limit)
        if after is not None:
            query = query.where(club_definition.c.id > after)
        return tuple(_offered(row) for row in self._connection.execute(query))

    def add(self, made: ClubOffer) -> None:
        """A new definition, or a newer revision of one that there is."""
        this = (club_definition.c.club_id == self._club, club_definition.c.id == made.definition)
        if self._connection.execute(update(club_definition).where(*this).values(newest=made.number)).rowcount == 0:
            row = {"club_id": self._club, "id": made.definition, "newest": made.number}
            self._connection.execute(insert(club_definition).values(**row))
        parts = {"number": made.number, "digest": made.digest, "title": made.title, "note": made.note}
        more = {"document": dict(made.document), "offered_by": made.offered_by, "offered_at": made.offered_at}
        self._connection.execute(
            insert(club_revision).values(club_id=self._club, club_definition_id=made.definition, **parts, **more)
        )

    def delete(self, identity: str) -> None:
        this = (club_definition.c.club_id == self._club, club_definition.c.id == identity)
        self._connection.execute(delete(club_definition).where(*this))

    def announce(self, made: Announcement) -> None:
        row = {"id": made.id, "kind": made.kind, "club_definition_id": made.definition, "title": made.title}
        more = {"revision": made.revision, "note": made.note, "offered_by": made.by, "at": made.at}
        self._connection.execute(insert(club_announcement).values(club_id=self._club, **row, **more))

    def announcements(self, after: str | None, limit: int) -> tuple[Announcement, ...]:
        """Up to `limit` announcements, the oldest first."""
        table = club_announcement
        query = select(table).where(table.c.club_id == self._club).order_by(table.c.id).limit(limit)
        if after is not None:
            query = query.where(table.c.id > after)
        rows = self._connection.execute(query)
        return tuple(
            Announcement(r.id, r.kind, r.club_definition_id, r.title, r.revision, r.note, r.offered_by, r.at)
            for r in rows
        )

    def _newest(self) -> Select[Any]:
        same = and_(
            club_revision.c.club_id == club_definition.c.club_id,
            club_revision.c.club_definition_id == club_definition.c.id,
            club_revision.c.number == club_definition.c.newest,
        )
        query = select(club_revision).select_from(club_definition.join(club_revision, same))
        return query.where(club_definition.c.club_id == self._club)


class CopyStore:
    """Which of an owner's definitions were taken from clubs, within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def of(self, identity: str) -> Copy | None:
        """The owner's copy of a club's definition."""
        this = (club_copy.c.owner_id == self._owner.id, club_copy.c.club_definition_id == identity)
        row = self._connection.execute(select(club_copy).where(*this)).first()
        return None if row is None else Copy(row.definition_id, row.revision)

    def source(self, definition: str) -> tuple[str, str, int] | None:
        """The club, its definition and the revision that the owner's definition was taken from, if it was."""
        this = (club_copy.c.owner_id == self._owner.id, club_copy.c.definition_id == definition)
        row = self._connection.execute(select(club_copy).where(*this)).first()
        return None if row is None else (row.club_id, row.club_definition_id, row.revision)

    def note(self, definition: str, number: int) -> None:
        """The owner's definition took in this revision of the club's; nothing happens where it came from elsewhere."""
        this = (club_copy.c.owner_id == self._owner.id, club_copy.c.definition_id == definition)
        self._connection.execute(update(club_copy).where(*this).values(revision=number))

    def add(self, taken: ClubOffer, club: str, definition: str) -> None:
        row = {"club_id": club, "club_definition_id": taken.definition, "revision": taken.number}
        self._connection.execute(insert(club_copy).values(owner_id=self._owner.id, definition_id=definition, **row))


class ShownStore:
    """What members show of one of a club's definitions, within one transaction."""

    def __init__(self, connection: Connection, club: str, definition: str) -> None:
        self._connection = connection
        self._club = club
        self._definition = definition

    def consent(self, owner: Owner, *, hold: bool = False) -> Consent:
        """With `hold` it stays as it is until the transaction ends."""
        query = select(club_consent).where(*self._of(owner.id))
        row = self._connection.execute(query.with_for_update(read=True) if hold else query).first()
        return NOTHING_SHOWN if row is None else _consent(row)

    def set_consent(self, seat: Membership, consent: Consent) -> None:
        """Without any consent there is no row; a standing that is not shown is not remembered."""
        if not consent.is_any:
            self._connection.execute(delete(club_consent).where(*self._of(seat.owner.id)))
            return
        if not consent.counts:
            theirs = (club_standing.c.owner_id == seat.owner.id, club_standing.c.club_definition_id == self._definition)
            self._connection.execute(delete(club_standing).where(*theirs))
        values = asdict(consent)
        changed = self._connection.execute(update(club_consent).where(*self._of(seat.owner.id)).values(**values))
        if changed.rowcount == 0:
            keys = {"club_id": self._club, "club_definition_id": self._definition, "owner_id": seat.owner.id}
            self._connection.execute(insert(club_consent).values(**keys, **values))

    def page(
        self, what: str, after: str | None, limit: int | None, *, whole: bool = False
    ) -> tuple[ShownDefinition, ...]:
        """Up to `limit` members who show this (a name of Consent's), in the order of their ids; with `whole`
        also the places and spares that are remembered."""
        query = self._shown(what, whole).order_by(club_member.c.id).limit(limit)
        if after is not None:
            query = query.where(club_member.c.id > after)
        return tuple(_shown(row, whole) for row in self._connection.execute(query))

    def whole(self, what: str, owners: Collection[str] | None = None) -> tuple[ShownDefinition, ...]:
        """Every member who shows this, or those of these owners, with the places and spares that are remembered."""
        query = self._shown(what, whole=True).order_by(club_member.c.id)
        if owners is not None:
            query = query.where(club_member.c.owner_id.in_(owners))
        return tuple(_shown(row, whole=True) for row in self._connection.execute(query))

    def one(self, what: str, member: str, *, whole: bool = True) -> ShownDefinition:
        """Raises NotFound for whoever does not show it, which looks as if there were no such member."""
        row = self._connection.execute(self._shown(what, whole).where(club_member.c.id == member)).first()
        if row is None:
            raise NotFound("member", member)
        return _shown(row, whole)

    def remember(self, shown: ShownDefinition) -> None:
        """Keeps the standing, unless its member shows nothing of it any more. The row of the consent is held meanwhile, so that
        a consent that ends takes this along."""
        counts = or_(club_consent.c.standing, club_consent.c.spares)
        asking = select(club_consent.c.owner_id).where(*self._of(shown.owner.id), counts).with_for_update(read=True)
        if self._connection.execute(asking).first() is None:
            return
        keys = {"owner_id": shown.owner.id, "club_definition_id": self._definition}
        parts = {"basis": shown.basis, "counts": shown.counts, "places": shown.places, "spares": shown.spares}
        dialect = sqlite if self._connection.dialect.name == "sqlite" else postgresql
        adding = dialect.insert(club_standing).values(**keys, club_id=self._club, **parts)
        renewed = {name: adding.excluded[name] for name in parts}
        self._connection.execute(adding.on_conflict_do_update(index_elements=list(keys), set_=renewed))

    def still(self, what: str, owners: Collection[str]) -> set[str]:
        """Those of these owners who show it."""
        table = club_consent
        here = (table.c.club_id == self._club, table.c.club_definition_id == self._definition)
        query = select(table.c.owner_id).where(*here, table.c[what].is_(True), table.c.owner_id.in_(owners))
        return set(self._connection.execute(query).scalars())

    def _shown(self, what: str, whole: bool) -> Select[Any]:
        consents, seats, kept = club_consent, club_member, club_standing
        theirs = and_(seats.c.club_id == consents.c.club_id, seats.c.owner_id == consents.c.owner_id)
        its = and_(
            kept.c.owner_id == consents.c.owner_id,
            kept.c.club_definition_id == consents.c.club_definition_id,
            kept.c.club_id == consents.c.club_id,
        )
        columns: list[ColumnElement[Any]] = [kept.c.basis, kept.c.counts]
        if whole:
            columns += [kept.c.places.label("kept_places"), kept.c.spares.label("kept_spares")]
        shows = tuple(consents.c[each.name] for each in fields(Consent))
        query = select(seats.c.id, seats.c.name, seats.c.owner_id, *shows, *columns)
        query = query.select_from(consents.join(seats, theirs).outerjoin(kept, its))
        here = (consents.c.club_id == self._club, consents.c.club_definition_id == self._definition)
        return query.where(*here, consents.c[what].is_(True))

    def _of(self, owner: str) -> tuple[Any, Any, Any]:
        table = club_consent
        here = (table.c.club_id == self._club, table.c.club_definition_id == self._definition)
        return *here, table.c.owner_id == owner


def _offered(row: Row[Any]) -> ClubOffer:
    parts = (row.number, row.digest, row.title, row.document, row.note, row.offered_by, row.offered_at)
    return ClubOffer(row.club_definition_id, *parts)


def _shown(row: Row[Any], whole: bool) -> ShownDefinition:
    details = (row.kept_places, row.kept_spares) if whole else (None, None)
    return ShownDefinition(row.id, row.name, Owner(row.owner_id), _consent(row), row.basis, row.counts, *details)


def _consent(row: Row[Any]) -> Consent:
    return Consent(*(getattr(row, each.name) for each in fields(Consent)))
