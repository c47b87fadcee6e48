"""Answers about revisions, as they are sent: what changed, what following another one does, what is carried over. Pure."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType, field

from service.analysis.diff_wording import RevisionChange
from service.definitions.model import RevisionStamp
from service.progress.named import Named
from service.progress.result import Status, Summary, Tier
from service.rules.messages import Message

Loss = Literal["place-split", "place-merged", "place-removed", "no-such-place", "unknown-place"]


# --- decisions and notes that are carried over with their places ---------------------------------------------------------


class CarriedPlacing(Struct):
    """A pin or a never that is carried over."""

    holding: str
    place: str
    to: str


class DroppedPlacing(Message, frozen=True, kw_only=True):
    """A pin or a never whose place does not survive."""

    holding: str
    place: str
    reason: Loss
    into: Annotated[list[str], Meta(description="The places that take over the place's coins.")]


class CarriedPlacings(Struct):
    """What is carried over with its place, and what is not."""

    carried: list[CarriedPlacing]
    dropped: list[DroppedPlacing]


class CarriedNote(Struct):
    """A note to the want list that is carried over."""

    place: str
    to: str


class WantNote(Struct):
    """A note to the want list."""

    min_grade: int | UnsetType = UNSET
    most_to_pay: Decimal | UnsetType = UNSET
    currency: str | UnsetType = UNSET
    note: str | UnsetType = UNSET


class DroppedNote(Message, frozen=True, kw_only=True):
    """A note whose place does not survive."""

    place: str
    note: WantNote
    reason: Loss
    into: list[str]


class CarriedNotes(Struct):
    """What is carried over with its place, and what is not."""

    carried: list[CarriedNote]
    dropped: list[DroppedNote]


# --- places and coins ----------------------------------------------------------------------------------------------------


class GainedPlace(Struct):
    """A place that only the later revision has."""

    place: str
    label: str
    tier: Tier
    status: Status
    holding: str | None


class LostPlace(Message, frozen=True, kw_only=True):
    """A place that only the earlier revision has."""

    place: str
    label: str
    tier: Tier
    status: Status
    holding: str | None
    reason: Loss
    into: Annotated[list[str], Meta(description="The places that take over its coins.")]


class RenamedPlace(Struct):
    """A place that goes on under another id or label."""

    from_: str = field(name="from")
    to: str
    label_before: str
    label: str


class TurnedPlace(Struct):
    """A place that is empty before or after, and not both."""

    place: str
    from_: Annotated[str, Meta(description="Its address in the earlier revision.")] = field(name="from")
    label: str
    holding: str | None


class PlacesImpact(Struct):
    """Places by what becomes of them."""

    gained: list[GainedPlace]
    lost: list[LostPlace]
    renamed: list[RenamedPlace]
    opened: Annotated[list[TurnedPlace], Meta(description="Held a coin before and is empty then.")]
    filled: list[TurnedPlace]


class MovedCoin(Struct):
    """A coin that moves to another place."""

    holding: str
    from_: str = field(name="from")
    to: str
    number: str | None


class ArrivingCoin(Struct):
    """A coin that has a place only then."""

    holding: str
    to: str
    number: str | None


class LeavingCoin(Struct):
    """A coin that has no place any more."""

    holding: str
    from_: str = field(name="from")
    reason: Annotated[
        str, Meta(description="As in `unplaced` of an evaluation; empty where another piece of the holding is placed.")
    ]
    number: str | None


class CoinsImpact(Struct):
    """Coins that do not stay where they are. `number` is the owner's own."""

    moved: list[MovedCoin]
    coming_in: list[ArrivingCoin]
    falling_out: list[LeavingCoin]


# --- the answers ---------------------------------------------------------------------------------------------------------


class RevisionChanges(Struct):
    """All changes from one revision to another."""

    definition: str
    from_: RevisionStamp = field(name="from")
    to: RevisionStamp
    changes: list[RevisionChange]
    reference_edition: str
    engine_version: str


class FollowedRevision(Struct):
    """Which revision the owner's set follows."""

    adopted: Annotated[
        int | None, Meta(description="null: none was chosen, so the draft, or else the newest not withdrawn.")
    ]
    follows: RevisionStamp


class AdoptedRevision(FollowedRevision):
    """The adoption, and what became of the owner's decisions and notes. What was dropped is kept nowhere but in this
    answer."""

    pins: CarriedPlacings
    nevers: CarriedPlacings
    want_notes: CarriedNotes


class Impact(Struct):
    """What adopting a revision does to the set. Nothing of it is stored."""

    definition: str
    from_: RevisionStamp = field(name="from")
    to: RevisionStamp
    changes: list[RevisionChange]
    places: PlacesImpact
    coins: CoinsImpact
    before: Summary
    after: Summary
    proven_optimal: bool
    pins: CarriedPlacings
    nevers: CarriedPlacings
    want_notes: CarriedNotes
    in_words: Annotated[list[str], Meta(description="The texts of `messages`, then of `changes`.")]
    messages: Annotated[list[Message], Meta(description="What happens to the set, in a sentence or two.")]
    named: Named
    holdings_state: str
    evaluated_on: date
    reference_edition: str
    engine_version: str
