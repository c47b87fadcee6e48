"""What members show their club of one definition: found remembered, or evaluated member by member.

Nobody's coins are read but those of members who show something of this definition. Sessions are closed before anything is
computed, and after computing it is looked again who still shows what.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache, partial
from typing import Any

from fastapi import Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service import runtime
from service.accounts.store import AccountStore
from service.clubs.model import ClubOffer, Membership
from service.clubs.offers import CopyStore, OfferStore, ShownDefinition, ShownStore
from service.clubs.standings import basis, reads_the_day, stand
from service.database.types import written
from service.definitions.model import NO_DECISIONS, Decisions
from service.definitions.store import DefinitionStore
from service.errors import Invalid, NotFound, SetwrightError
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.http.conditional import entity_tag
from service.http.pagination import PageQuery, PlainPage, identity_key, plain_page
from service.http.schemas.club_definitions import stamp_of
from service.progress.actions.evaluate import catalogue_of, editions, stamps, stored_holdings, today
from service.progress.evaluate import EvaluationRequest
from service.reference import actions as reference
from service.reference.model import OwnIssues
from service.reference.store import IssueStore
from service.rules.definition import Definition
from service.rules.document import read as read_document

STANDING, SPARES = "standing", "spares"
# A page ends early after so many evaluations that were not remembered: each takes some tenths of a second at 2,000 coins.
MOST_NEW = 10
# Under set-level rules one member's evaluation may use so much of the solver; what then is not proven says so.
BUDGET_SECONDS = 2.0


@dataclass(frozen=True, slots=True)
class ShownPage:
    """A page of members, and the definition that they were evaluated against."""

    offered: ClubOffer
    members: Sequence[ShownDefinition]
    next: str | None
    day: date

    def as_json(self, show: Callable[[ShownDefinition], Mapping[str, Any]]) -> dict[str, Any]:
        return {"items": [show(shown) for shown in self.members], "next": self.next, **self.stamp()}

    def headers(self) -> dict[str, str]:
        return PlainPage([], self.next).headers()

    def stamp(self) -> dict[str, Any]:
        return {"definition": stamp_of(self.offered), "evaluated_on": self.day.isoformat(), **editions()}


async def shown_page(
    request: Request,
    parts: runtime.Context,
    seat: Membership,
    identity: str,
    what: str,
    query: PageQuery,
    *,
    whole: bool = False,
) -> ShownPage:
    """One page of the members who show this (`standing` or `spares`) of the definition; with `whole` their places and spares
    too. Raises NotFound."""
    day, bases = today(), dict[str, str]()
    offered = await newest_offered(parts, seat, identity)

    def look(connection: Connection) -> PlainPage:
        store = ShownStore(connection, seat.club, identity)

        def find(after: str | None, limit: int) -> Sequence[ShownDefinition]:
            found = store.page(what, identity_key(after), limit, whole=whole)
            bases.update((shown.owner.id, basis_of(connection, shown, offered, day)) for shown in found)
            return found

        def most(found: Sequence[ShownDefinition]) -> int:
            new = [at for at, shown in enumerate(found) if shown.basis != bases[shown.owner.id]]
            return new[MOST_NEW] if len(new) > MOST_NEW else len(found)

        return plain_page(request, query, find, lambda shown: shown.member, lambda shown: shown, most)

    found = await run_in_threadpool(parts.database.read, look)
    members = await renewed(parts, seat.club, what, offered, found.items, bases, day)
    return ShownPage(offered, members, found.next, day)


async def shown_one(parts: runtime.Context, seat: Membership, identity: str, what: str, member: str) -> ShownPage:
    """One member who shows this of the definition, whole. Raises NotFound for everybody else alike."""
    day, offered = today(), await newest_offered(parts, seat, identity)

    def look(connection: Connection) -> tuple[ShownDefinition, str]:
        shown = ShownStore(connection, seat.club, identity).one(what, member)
        return shown, basis_of(connection, shown, offered, day)

    shown, current = await run_in_threadpool(parts.database.read, look)
    members = await renewed(parts, seat.club, what, offered, [shown], {shown.owner.id: current}, day)
    if not members:
        raise NotFound("member", member)
    return ShownPage(offered, members, None, day)


async def newest_offered(parts: runtime.Context, seat: Membership, identity: str) -> ClubOffer:
    """The newest revision, with its document read once the session is closed. Raises NotFound."""
    offered = await run_in_threadpool(
        parts.database.read, lambda connection: OfferStore(connection, seat.club).newest(identity)
    )
    await run_in_threadpool(_read, offered)
    return offered


async def renewed(
    parts: runtime.Context,
    club: str,
    what: str,
    offered: ClubOffer,
    found: Sequence[ShownDefinition],
    bases: Mapping[str, str],
    day: date,
) -> Sequence[ShownDefinition]:
    """The members with their standings of now, without those who ceased to show them meanwhile."""
    members, new = [], []
    for shown in found:
        if shown.basis != bases[shown.owner.id]:
            shown = await parts.limiter.run(partial(_evaluated, parts, offered, shown, day))
            new.append(shown)
        members.append(shown)
    if not new:
        return members

    def remember(connection: Connection) -> None:
        store = ShownStore(connection, club, offered.definition)
        for shown in new:
            store.remember(shown)

    # That it could not be written is no reason to refuse a request that only reads.
    with suppress(SetwrightError):
        await run_in_threadpool(parts.database.write, remember)
    owners = [shown.owner.id for shown in members]
    still = await run_in_threadpool(
        parts.database.read, lambda c: ShownStore(c, club, offered.definition).still(what, owners)
    )
    return [shown for shown in members if shown.owner.id in still]


def _evaluated(parts: runtime.Context, offered: ClubOffer, shown: ShownDefinition, day: date) -> ShownDefinition:
    """The member's coins against the newest revision, under what the member decided for the copy of it, if there is one."""
    theirs = parts.database.read(lambda connection: theirs_of(connection, shown, offered, day))
    try:
        found = stand(theirs.measurement(offered, day))
    except Invalid:
        # One member's coins do not keep the club from seeing the others.
        return replace(shown, basis=theirs.basis, counts=None, places=[], spares=[])
    return replace(shown, basis=theirs.basis, counts=found.counts, places=found.places, spares=found.spares)


@dataclass(frozen=True, slots=True)
class MemberSet:
    """What a member's standing follows from, of one snapshot, and its name."""

    basis: str
    held: tuple[StoredHolding, ...]
    own: OwnIssues
    decisions: Decisions

    def measurement(self, offered: ClubOffer, day: date) -> EvaluationRequest:
        definition = read_offered(offered)
        issues = catalogue_of(self.own, definition.attributes)
        coins, _ = stored_holdings(self.held, definition.attributes, issues)
        asked = (definition, coins, day, definition.vocabularies, issues, self.decisions.pins, self.decisions.nevers)
        return EvaluationRequest(*asked, budget_seconds=BUDGET_SECONDS)


def theirs_of(connection: Connection, shown: ShownDefinition, offered: ClubOffer, day: date) -> MemberSet:
    held, own = HoldingStore(connection, shown.owner).all(), IssueStore(connection, shown.owner).own_issues()
    decisions = _decisions(connection, shown, offered)
    return MemberSet(basis_of(connection, shown, offered, day), held, own, decisions)


def read_offered(offered: ClubOffer) -> Definition:
    return _read(offered)[0]


def basis_of(connection: Connection, shown: ShownDefinition, offered: ClubOffer, day: date) -> str:
    """One name for all that the member's standing follows from, of one snapshot."""
    state = AccountStore(connection).state(shown.owner)
    own, decisions = IssueStore(connection, shown.owner).version(), _decisions(connection, shown, offered)
    on = day if _read(offered)[1] else ""
    return basis(offered.digest, state, own, decisions.version, on, *stamps())


def _decisions(connection: Connection, shown: ShownDefinition, offered: ClubOffer) -> Decisions:
    copy = CopyStore(connection, shown.owner).of(offered.definition)
    return NO_DECISIONS if copy is None else DefinitionStore(connection, shown.owner).decisions(copy.definition)


def content_tag(value: Any) -> str:
    """The entity tag of what is shown, and of nothing else: one that followed from the holdings' state would tell when somebody
    got a coin that changes nothing shown."""
    return entity_tag(written(value))


@dataclass(frozen=True, slots=True)
class _Document:
    """A document by its digest, which stands for it."""

    digest: str
    document: Mapping[str, Any] = field(compare=False)


def _read(offered: ClubOffer) -> tuple[Definition, bool]:
    """The definition, and whether its rules read the day."""
    return _read_once(_Document(offered.digest, offered.document))


@lru_cache(maxsize=32)
def _read_once(of: _Document) -> tuple[Definition, bool]:
    """Hundreds of places take about as long to read as a member's coins to evaluate."""
    definition = read_document(of.document, vocabularies=reference.vocabularies())
    return definition, reads_the_day(definition)
