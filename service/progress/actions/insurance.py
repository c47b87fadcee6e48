"""The insurance list of an owner, worked out without a transaction."""

from __future__ import annotations

from datetime import date

from service.holdings.model import ValueBasis
from service.progress.actions.held_pieces import HeldPieces
from service.progress.insurance import InsuranceList, insurance_list
from service.rules.phrases import ENGLISH_SPEECH, Speech


def insured(held: HeldPieces, day: date, basis: ValueBasis | None, speech: Speech = ENGLISH_SPEECH) -> InsuranceList:
    """The list of these pieces on a day; `speech`: the language of what they are called. Takes its time."""
    pieces, definition = held.pieces(day)
    return insurance_list(pieces, held.describer(speech), day, basis=basis, definition=definition)
