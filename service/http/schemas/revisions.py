"""Changes between revisions, withdrawal, impact and adoption on the wire."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from service.analysis.diff import CHANGE_KINDS
from service.definitions.model import Revision
from service.http.schemas.evaluations import SummaryOut
from service.http.wire import Day, In, OldOut, Text

Number = Annotated[int, Field(ge=1, le=2**31 - 1)]
_LATEST = "Left out: the draft, or else the newest revision."


class RevisionChangesQuery(BaseModel):
    """Which two revisions to compare, and in which form."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    from_: Number | None = Field(None, alias="from", description="Left out: the revision that the set follows.")
    to: Number | None = Field(None, description=_LATEST)
    today: Day | None = Field(None, description="The day that decides what is defunct; left out: today in UTC.")
    format: Literal["json", "text"] | None = Field(
        None, description="text is one sentence a line; left out: the one that Accept prefers, or JSON."
    )


class ImpactQuery(BaseModel):
    """Which revision to try."""

    model_config = ConfigDict(extra="forbid")

    to: Number | None = Field(None, description=_LATEST)
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


class WithdrawalIn(In):
    """Why a revision is withdrawn."""

    reason: Annotated[Text, StringConstraints(min_length=1, max_length=500)] | None = None


class AdoptionIn(In):
    """The revision that the set follows from now on."""

    revision: Number | None = Field(
        description="The number of a published revision; null: the draft, or else the newest one not withdrawn."
    )


class RevisionStampOut(OldOut):
    """Which revision."""

    revision: int
    status: Literal["draft", "published", "withdrawn"]
    digest: str
    title: str


class RevisionChangeOut(OldOut):
    """One change by its meaning. A place has its id in either revision and a JSON pointer into either document."""

    kind: Literal[CHANGE_KINDS]  # type: ignore[valid-type]
    words: str = Field(description="The change as a sentence.")
    old: list[str]
    new: list[str]
    old_pointers: list[str]
    new_pointers: list[str]
    before: Any = None
    after: Any = None
    newly_accepted: dict[str, Any] | None = Field(None, description="The facts of a coin that only now fits.")
    no_longer_accepted: dict[str, Any] | None = Field(None, description="The facts of a coin that only fitted before.")
    limit: str | None = Field(
        None, description="What kept an exact answer away: budget, arithmetic, attribute, or pairs of places."
    )
    counted: str | None = Field(None, description="How the rule that a constraint counts by changed.")
    places: dict[str, list[list[str]]] | None = Field(
        None, description="What a change of the scope makes of places (old and new id) whose own rule is the same."
    )
    keys: dict[str, list[str]] | None = Field(None, description="Keys that a group has more and fewer.")


class RevisionChangesOut(OldOut):
    """All changes from one revision to another."""

    definition: str
    from_: RevisionStampOut = Field(alias="from")
    to: RevisionStampOut
    changes: list[RevisionChangeOut]
    reference_edition: str
    engine_version: str


class FollowedOut(OldOut):
    """Which revision the owner's set follows."""

    adopted: int | None = Field(description="null: none was chosen, so the draft, or else the newest not withdrawn.")
    follows: RevisionStampOut


class CarriedOut(OldOut):
    """What goes along with its place, and what does not, with the reason."""

    carried: list[dict[str, Any]]
    dropped: list[dict[str, Any]]


class AdoptedOut(FollowedOut):
    """The adoption, and what became of the owner's decisions and notes. What was dropped is kept nowhere but in this
    answer."""

    pins: CarriedOut
    nevers: CarriedOut
    want_notes: CarriedOut


class PlacesImpactOut(OldOut):
    """Places by what becomes of them."""

    gained: list[dict[str, Any]]
    lost: list[dict[str, Any]] = Field(description="With the reason, and the places that take over its coins.")
    renamed: list[dict[str, Any]] = Field(description="Another id or label; the place goes on.")
    opened: list[dict[str, Any]] = Field(description="Held a coin before and is empty then.")
    filled: list[dict[str, Any]]


class CoinsImpactOut(OldOut):
    """Coins that do not stay where they are. `number` is the owner's own."""

    moved: list[dict[str, Any]]
    coming_in: list[dict[str, Any]]
    falling_out: list[dict[str, Any]]


class ImpactOut(OldOut):
    """What adopting a revision does to the set. Nothing of it is stored."""

    definition: str
    from_: RevisionStampOut = Field(alias="from")
    to: RevisionStampOut
    in_words: list[str]
    changes: list[RevisionChangeOut]
    places: PlacesImpactOut
    coins: CoinsImpactOut
    before: SummaryOut
    after: SummaryOut
    proven_optimal: bool
    pins: CarriedOut
    nevers: CarriedOut
    want_notes: CarriedOut
    holdings_state: str
    evaluated_on: str
    reference_edition: str
    engine_version: str


def stamp(revision: Revision) -> dict[str, Any]:
    """Which revision, as plain values."""
    return {
        "revision": revision.number,
        "status": revision.status,
        "digest": revision.digest,
        "title": revision.title,
    }
