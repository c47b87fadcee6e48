"""The pieces that an owner holds, or those that sit in one set: read in one snapshot, worked out without a transaction."""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.facts.core_attributes import CORE
from service.facts.holding import HELD
from service.holdings.columns.store import held_by
from service.holdings.model import StoredHolding
from service.progress.actions.editions import stamps
from service.progress.actions.stored_set import StoredSet, load_stored_set
from service.progress.description import Describer, FactTeller, describer, fact_teller
from service.progress.evaluate import evaluate_unnamed
from service.progress.history import recorded_placements
from service.progress.piece import Piece
from service.progress.result import DefinitionStamp
from service.reference import actions as reference
from service.reference.model import OwnReference
from service.reference.store import IssueStore
from service.rules.phrases import ENGLISH_SPEECH, Speech


@dataclass(frozen=True, slots=True)
class HeldPieces:
    """What lists of pieces follow from, of one snapshot; `mine` is the set whose pieces are wanted."""

    owner: Owner
    holdings: Sequence[StoredHolding]
    state: str
    own: OwnReference
    mine: StoredSet | None

    def version(self, day: date) -> tuple[object, ...]:
        """What the pieces of a day follow from."""
        of_set = None if self.mine is None else self.mine.version(day)
        return (self.owner.id, self.state, self.own.version, day, of_set, *stamps())

    def describer(self, speech: Speech = ENGLISH_SPEECH) -> Describer:
        """Describes a holding by what is recorded of it."""
        return describer(CORE, reference.vocabularies_with(self.own), self._issue_facts(), speech)

    def teller(self, speech: Speech = ENGLISH_SPEECH) -> FactTeller:
        """Tells single facts of a holding in words."""
        return fact_teller(CORE, reference.vocabularies_with(self.own), self._issue_facts(), speech)

    def pieces(self, day: date) -> tuple[list[Piece], DefinitionStamp | None]:
        """All that are held, by id; or those in the set, in the order of its places, with which definition that is. Takes its
        time."""
        if self.mine is None:
            return self._all(), None
        result = evaluate_unnamed(self.mine.ask(day).request)
        places: dict[str, list[str]] = {}
        for placement in recorded_placements(result):
            places.setdefault(placement.holding, []).append(placement.label)
        known = {holding.id: holding for holding in self.holdings if holding.id in places}
        placed = [Piece(coin, known[coin].data, len(labels), labels) for coin, labels in places.items()]
        return placed, result.definition

    def chosen(self, holdings: Iterable[StoredHolding]) -> list[Piece]:
        """These, whether they are held or not, in their order."""
        return [Piece(holding.id, holding.data, holding.data.get("quantity", 1)) for holding in holdings]

    def _all(self) -> list[Piece]:
        return self.chosen(one for one in self.holdings if one.data.get("status", "held") in HELD)

    def _issue_facts(self) -> Mapping[str, Mapping[str, Any]]:
        return ChainMap(dict(self.own.facts), dict(reference.issue_facts()))


def load_held(connection: Connection, owner: Owner, definition: str | None) -> HeldPieces:
    """The owner's holdings, and the set of which only the placed pieces are wanted. Raises NotFound."""
    holdings, own = held_by(connection, owner), IssueStore(connection, owner).own_reference()
    mine = load_stored_set(connection, owner, definition, holdings=holdings, own=own) if definition else None
    return HeldPieces(owner, holdings, str(AccountStore(connection).state(owner)), own, mine)
