"""The insurance list of an owner, worked out without a transaction."""

from __future__ import annotations

from datetime import date

from service.holdings.model import ValueBasis
from service.progress.actions.held_pieces import HeldPieces
from service.progress.insurance import InsuranceList, insurance_list


def insured(held: HeldPieces, day: date, basis: ValueBasis | None) -> InsuranceList:
    """The list of these pieces on a day. Takes its time."""
    pieces, definition = held.pieces(day)
    return insurance_list(pieces, held.describer(), day, basis=basis, definition=definition)
