"""The need sheets of all sets of an owner, read in one snapshot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.definitions.store import DefinitionStore
from service.errors import Fault, Invalid, OverLimit
from service.evaluation.cost import in_turn
from service.holdings.columns.store import held_by
from service.progress.actions.candidates import MOST_SETS
from service.progress.actions.editions import editions
from service.progress.actions.store import load_sets_key
from service.progress.actions.stored_set import LoadedRequest, SetsKey, StoredSet, load_stored_set
from service.progress.need_sheet import SheetVocabularies, need_sheet, no_sheet
from service.progress.need_sheet_answer import NeedSheet, NeedSheets
from service.reference.store import IssueStore

_TRIES = 1


@dataclass(frozen=True, slots=True)
class StoredSets:
    """All sets of an owner, of one snapshot, with what their answers follow from."""

    key: SetsKey
    sets: Sequence[StoredSet]

    def need_sheets(self, day: date) -> NeedSheets:
        """The sheets for a day. Takes its time: call it outside the event loop."""
        vocabularies = SheetVocabularies()
        asked = [one.ask(day) for one in self.sets]
        ahead = [(one, one.cost_ahead(tries=_TRIES)) for one in asked]
        made = [_sheet(one, vocabularies) for one in in_turn("making the sheets", "sets", ahead)]
        return NeedSheets(
            format="need-sheet/1",
            evaluated_on=day,
            holdings_state=self.key.state,
            **editions(),
            vocabularies=vocabularies.found,
            sets=made,
        )


def load_sets(connection: Connection, owner: Owner) -> StoredSets:
    """Every set of the owner's with the holdings. Raises OverLimit where there are too many."""
    found = [line.id for line, _ in DefinitionStore(connection, owner).page(None, MOST_SETS + 1)]
    if len(found) > MOST_SETS:
        raise OverLimit([Fault.of("over-limit", "need sheets are made of up to {most} sets", most=MOST_SETS)])
    holdings, own = held_by(connection, owner), IssueStore(connection, owner).own_reference()
    sets = [load_stored_set(connection, owner, name, holdings=holdings, own=own) for name in found]
    return StoredSets(load_sets_key(connection, owner), sets)


def _sheet(ask: LoadedRequest, vocabularies: SheetVocabularies) -> NeedSheet:
    try:
        return need_sheet(ask.evaluated(tries=_TRIES), vocabularies)
    except (Invalid, OverLimit) as refusal:
        return no_sheet(ask.request, "; ".join(fault.message for fault in refusal.faults))
