"""The insurance list of an owner: read in one snapshot, worked out without a transaction."""

from __future__ import annotations

from collections import ChainMap, Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.facts.core_attributes import CORE
from service.facts.holding import HELD
from service.holdings.columns.store import held_by
from service.holdings.model import StoredHolding, ValueBasis
from service.progress.actions.editions import stamps
from service.progress.actions.stored_set import StoredSet, load_stored_set
from service.progress.description import describer
from service.progress.evaluate import evaluate_unnamed
from service.progress.history import recorded_placements
from service.progress.insurance import InsuranceList, Piece, insurance_list
from service.reference import actions as reference
from service.reference.model import OwnReference
from service.reference.store import IssueStore


@dataclass(frozen=True, slots=True)
class InsuredHoldings:
    """What the list follows from, of one snapshot; `mine` is the set whose pieces are wanted."""

    owner: Owner
    holdings: Sequence[StoredHolding]
    state: str
    own: OwnReference
    mine: StoredSet | None

    def version(self, day: date, basis: ValueBasis | None) -> tuple[object, ...]:
        """What the list of a day follows from."""
        of_set = None if self.mine is None else self.mine.version(day)
        return (self.owner.id, self.state, self.own.version, day, basis, of_set, *stamps())

    def insurance_list(self, day: date, basis: ValueBasis | None) -> InsuranceList:
        """The list. Takes its time."""
        issues = ChainMap(dict(self.own.facts), dict(reference.issue_facts()))
        describe = describer(CORE, reference.vocabularies_with(self.own), issues)
        if self.mine is None:
            held = [holding for holding in self.holdings if holding.data.get("status", "held") in HELD]
            pieces = [Piece(holding.id, holding.data, holding.data.get("quantity", 1)) for holding in held]
            return insurance_list(pieces, describe, day, basis=basis)
        result = evaluate_unnamed(self.mine.ask(day).request)
        counts = Counter(placement.holding for placement in recorded_placements(result))
        placed = [holding for holding in self.holdings if counts[holding.id]]
        pieces = [Piece(holding.id, holding.data, counts[holding.id]) for holding in placed]
        return insurance_list(pieces, describe, day, basis=basis, definition=result.definition)


def load_insured(connection: Connection, owner: Owner, definition: str | None) -> InsuredHoldings:
    """The owner's holdings, and the set of which only the placed pieces are wanted. Raises NotFound."""
    holdings, own = held_by(connection, owner), IssueStore(connection, owner).own_reference()
    mine = load_stored_set(connection, owner, definition, holdings=holdings, own=own) if definition else None
    return InsuredHoldings(owner, holdings, str(AccountStore(connection).state(owner)), own, mine)
