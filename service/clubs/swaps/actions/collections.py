"""What the members have who take part in a search for swaps: each one's coins against the club's set, and the other sets that
are to stay whole."""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.clubs.actions.standings import BUDGET_SECONDS, MemberSet, read_offered, theirs_of
from service.clubs.model import ClubOffer
from service.clubs.standings import basis
from service.clubs.store.offers import CopyStore, ShownDefinition
from service.clubs.swaps.model import coin_told
from service.clubs.swaps.proposal import Coin
from service.clubs.swaps.reevaluation import fewer
from service.definitions.model import Decisions, Revision, StoredDefinition
from service.definitions.store import DefinitionStore
from service.errors import Busy, Invalid
from service.progress.actions.stored_set import stored_set_request
from service.progress.description import Describer, describer
from service.progress.evaluate import EvaluationRequest
from service.reference import actions as reference
from service.runtime import Context


class Collections:
    """What members have, each loaded once and only when it is asked for, without the pieces that accepted swaps speak for.
    Called where it may take its time."""

    def __init__(
        self,
        context: Context,
        offered: ClubOffer,
        members: Mapping[str, ShownDefinition],
        promised: Mapping[Coin, int],
        day: date,
    ) -> None:
        self._context, self._offered, self._members = context, offered, members
        self._promised, self._day = promised, day
        self._theirs: dict[str, MemberSet] = {}
        self._describers: dict[str, Describer] = {}
        self.versions: dict[str, str] = {}
        """Of the other sets of whoever was asked for them."""

    def request(self, owner: str) -> EvaluationRequest:
        return self._without_promised(owner, self._loaded(owner).request(self._offered, self._day))

    def others(self, owner: str) -> list[EvaluationRequest]:
        """The owner's other sets: of each definition that has a published revision the one that he follows."""
        theirs, shown = self._loaded(owner), self._members[owner]
        found = self._context.database.read(lambda c: _others(c, shown.owner, self._offered))
        self.versions[owner] = _version(found)
        requests = []
        for revision, decisions in found:
            try:
                asked = stored_set_request(revision, theirs.held, theirs.basis, self._day, decisions, theirs.own)
            except Invalid:
                # It was stored when other things were right; there is nothing in it to lose.
                continue
            cheaper = replace(asked.request, budget_seconds=BUDGET_SECONDS)
            requests.append(self._without_promised(owner, cheaper))
        return requests

    def version(self, connection: Connection, owner: str) -> str:
        """In which version the owner's other sets are."""
        return _version(_others(connection, self._members[owner].owner, self._offered))

    def tell(self, owner: str, holding: str) -> Mapping[str, Any]:
        """What the sides of a swap are told of the coin."""
        if owner not in self._describers:
            own = self._loaded(owner).own
            definition = read_offered(self._offered, own)
            issues = ChainMap(dict(own.facts), dict(reference.issue_facts()))
            self._describers[owner] = describer(definition.attributes, definition.vocabularies, issues)
        recorded = next(kept.data for kept in self._loaded(owner).held if kept.id == holding)
        return coin_told(recorded, self._describers[owner])

    def _loaded(self, owner: str) -> MemberSet:
        """Raises Busy when the member's coins are others by now than those that the search began with."""
        if owner not in self._theirs:
            shown = self._members[owner]
            theirs = self._context.database.read(lambda c: theirs_of(c, shown, self._offered, self._day))
            if theirs.basis != shown.basis:
                raise Busy("somebody's collection changed meanwhile; ask again", 1)
            self._theirs[owner] = theirs
        return self._theirs[owner]

    def _without_promised(self, owner: str, request: EvaluationRequest) -> EvaluationRequest:
        promised = {coin: count for (giver, coin), count in self._promised.items() if giver == owner}
        return replace(request, holdings=fewer(request.holdings, promised))


def _others(connection: Connection, owner: Owner, offered: ClubOffer) -> list[tuple[Revision, Decisions]]:
    """The owner's sets but the copy of this definition that says the same. A draft is no set yet: under it the newest published
    revision counts."""
    store, copy = DefinitionStore(connection, owner), CopyStore(connection, owner).of(offered.definition)
    found, after = [], None
    while some := store.page(after, 200):
        after = some[-1][0].id
        for line, latest in some:
            if not line.published:
                continue
            revision = _followed(store, line, latest)
            if not (copy and copy.definition == line.id and revision.digest == offered.digest):
                found.append((revision, store.decisions(line.id)))
    return found


def _version(others: Sequence[tuple[Revision, Decisions]]) -> str:
    return basis(*((kept.definition, kept.digest, made.version) for kept, made in others))


def _followed(store: DefinitionStore, line: StoredDefinition, latest: Revision) -> Revision:
    if line.adopted is not None:
        return store.revision(line.id, line.adopted)
    return store.unadopted(latest if latest.status != "draft" else store.revision(line.id, line.published))
