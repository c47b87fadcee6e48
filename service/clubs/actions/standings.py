"""What members show their club of one definition: found remembered, or evaluated member by member.

Nobody's coins are read but those of members who show something of this definition. Sessions are closed before anything is
computed, and after computing it is looked again who still shows what.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache, partial
from typing import Any

from sqlalchemy import Connection

from service.accounts.store import AccountStore
from service.clubs.model import ClubOffer, Membership
from service.clubs.standings import basis, reads_the_day, stand
from service.clubs.store.offers import CopyStore, OfferStore, ShownDefinition, ShownStore
from service.definitions.model import NO_DECISIONS, Decisions
from service.definitions.store import DefinitionStore
from service.errors import Invalid, NotFound, SetwrightError
from service.evaluation.known_rules import KnownRules
from service.facts.own_vocabularies import OwnVocabulary
from service.holdings.columns.store import held_by
from service.holdings.model import StoredHolding
from service.progress.actions.editions import stamps
from service.progress.actions.stored_set import catalogue_of, stored_holdings
from service.progress.evaluate import EvaluationRequest
from service.reference import actions as reference
from service.reference.model import NOTHING_OWN, OwnReference
from service.reference.store import IssueStore
from service.rules.definition import Definition
from service.runtime import Context

STANDING, SPARES = "standing", "spares"
# A page ends early after so many evaluations that were not remembered: each takes some tenths of a second at 2,000 coins.
MOST_NEW = 10
# Under set-level rules one member's evaluation may use so much of the solver; what then is not proven says so.
BUDGET_SECONDS = 2.0


@dataclass(frozen=True, slots=True)
class ShownPage:
    """A page of members, and the definition that they were evaluated against. `last` is the member after whom the list goes on;
    None on its last page."""

    offered: ClubOffer
    members: Sequence[ShownDefinition]
    last: str | None
    day: date


async def shown_page(
    context: Context,
    member: Membership,
    identity: str,
    what: str,
    after: str | None,
    limit: int,
    *,
    whole: bool = False,
) -> ShownPage:
    """One page of the members who show this (`standing` or `spares`) of the definition; with `whole` their places and spares
    too. It is shorter than its limit where more evaluations are not remembered than one request makes. Raises NotFound."""
    day, bases = context.today(), dict[str, str]()
    offered = await newest_offered(context, member.club, identity)

    def look(connection: Connection) -> tuple[Sequence[ShownDefinition], str | None]:
        found = ShownStore(connection, member.club, identity).page(what, after, limit + 1, whole=whole)
        bases.update((shown.owner.id, basis_of(connection, shown, offered, day)) for shown in found)
        new = [at for at, shown in enumerate(found) if shown.basis != bases[shown.owner.id]]
        listed = found[: min(limit, new[MOST_NEW] if len(new) > MOST_NEW else limit)]
        return listed, listed[-1].member if len(found) > len(listed) else None

    found, last = await context.read(look)
    members = await renewed(context, member.club, what, offered, found, bases, day)
    return ShownPage(offered, members, last, day)


async def shown_one(
    context: Context, member: Membership, identity: str, what: str, name: str
) -> tuple[ShownPage, ShownDefinition]:
    """One member who shows this of the definition, whole. Raises NotFound for everybody else alike."""
    day, offered = context.today(), await newest_offered(context, member.club, identity)

    def look(connection: Connection) -> tuple[ShownDefinition, str]:
        shown = ShownStore(connection, member.club, identity).one(what, name)
        return shown, basis_of(connection, shown, offered, day)

    shown, current = await context.read(look)
    members = await renewed(context, member.club, what, offered, [shown], {shown.owner.id: current}, day)
    if not members:
        raise NotFound("member", name)
    return ShownPage(offered, members, None, day), members[0]


async def newest_offered(context: Context, club: str, identity: str) -> ClubOffer:
    """The newest revision, with its document read once the session is closed. Raises NotFound."""
    offered = await context.read(lambda connection: OfferStore(connection, club).newest(identity))
    await context.run(lambda: _read(offered))
    return offered


async def renewed(
    context: Context,
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
            shown = await context.compute(partial(evaluated, context, offered, shown, day))
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
        await context.write(remember)
    owners = [shown.owner.id for shown in members]
    still = await context.read(lambda c: ShownStore(c, club, offered.definition).still(what, owners))
    return [shown for shown in members if shown.owner.id in still]


def evaluated(context: Context, offered: ClubOffer, shown: ShownDefinition, day: date) -> ShownDefinition:
    """The member's coins against the newest revision, under what the member decided for the copy of it, if there is one."""
    theirs = context.database.read(lambda connection: theirs_of(connection, shown, offered, day))
    try:
        found = stand(theirs.request(offered, day))
    except Invalid:
        # One member's coins do not keep the club from seeing the others.
        return replace(shown, basis=theirs.basis, counts=None, places=[], spares=[])
    return replace(shown, basis=theirs.basis, counts=found.counts, places=found.places, spares=found.spares)


@dataclass(frozen=True, slots=True)
class MemberSet:
    """What a member's standing follows from, of one snapshot, and its name."""

    basis: str
    held: Sequence[StoredHolding]
    own: OwnReference
    decisions: Decisions

    def request(self, offered: ClubOffer, day: date) -> EvaluationRequest:
        definition = read_offered(offered, self.own)
        issues = catalogue_of(self.own, definition.attributes)
        coins, _ = stored_holdings(self.held, definition.attributes, issues, definition.vocabularies)
        asked = (definition, coins, day, definition.vocabularies, issues, self.decisions.pins, self.decisions.nevers)
        presumptions = self.own.presumed.read(definition.attributes, definition.vocabularies)
        return EvaluationRequest(
            *asked,
            presumptions=presumptions,
            replaces=self.own.replaces,
            budget_seconds=BUDGET_SECONDS,
            known_rules=_known_rules(offered, self.own, day),
        )


def theirs_of(connection: Connection, shown: ShownDefinition, offered: ClubOffer, day: date) -> MemberSet:
    held, own = held_by(connection, shown.owner), IssueStore(connection, shown.owner).own_reference()
    decisions = _decisions(connection, shown, offered)
    return MemberSet(basis_of(connection, shown, offered, day), held, own, decisions)


def read_offered(offered: ClubOffer, own: OwnReference = NOTHING_OWN) -> Definition:
    """The offered definition, with the vocabularies of a member."""
    return _read_once(_Document(offered.digest, offered.document), own.vocabularies)[0]


def _known_rules(offered: ClubOffer, own: OwnReference, day: date) -> KnownRules:
    """What members with the same vocabularies have in common on one day."""
    definition, _, by_day = _read_once(_Document(offered.digest, offered.document), own.vocabularies)
    if day not in by_day:
        by_day.clear()
    return by_day.setdefault(day, KnownRules(definition, day))


def basis_of(connection: Connection, shown: ShownDefinition, offered: ClubOffer, day: date) -> str:
    """One name for all that the member's standing follows from, of one snapshot."""
    state = AccountStore(connection).state(shown.owner)
    own, decisions = IssueStore(connection, shown.owner).version(), _decisions(connection, shown, offered)
    on = day if _read(offered)[1] else ""
    return basis(offered.digest, state, own, decisions.version, on, *stamps())


def _decisions(connection: Connection, shown: ShownDefinition, offered: ClubOffer) -> Decisions:
    copy = CopyStore(connection, shown.owner).of(offered.definition)
    return NO_DECISIONS if copy is None else DefinitionStore(connection, shown.owner).decisions(copy.definition)


@dataclass(frozen=True, slots=True)
class _Document:
    """A document by its digest, which stands for it."""

    digest: str
    document: Mapping[str, Any] = field(compare=False)


def _read(offered: ClubOffer) -> tuple[Definition, bool]:
    """The definition, and whether its rules read the day."""
    return _read_once(_Document(offered.digest, offered.document), ())[:2]


@lru_cache(maxsize=32)
def _read_once(of: _Document, own: tuple[OwnVocabulary, ...]) -> tuple[Definition, bool, dict[date, KnownRules]]:
    """Hundreds of places take about as long to read as a member's coins to evaluate."""
    schemes = reference.vocabularies_with(OwnReference(vocabularies=own))
    definition = reference.read_stored(of.document, schemes)
    return definition, reads_the_day(definition), {}
