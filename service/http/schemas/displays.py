"""A club's display on the wire."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from service.clubs.model import ClubOffer
from service.http.schemas.club_definitions import StampedOut, stamp_of
from service.http.schemas.evaluations import PlacesOut
from service.http.wire import OldOut


class DisplayQuery(BaseModel):
    """In which form."""

    model_config = ConfigDict(extra="forbid")

    format: Literal["json", "html"] | None = Field(
        None, description="html is a page to print; left out: the first that Accept prefers, or JSON."
    )


class DisplayedOut(OldOut):
    """A coin that is shown. Its id is made for this club and definition, and says nothing of the coin."""

    page: str | None
    place: str
    label: str
    status: Literal["filled", "tentative"]
    coin: str
    owner: str = Field(description="Who lends it, as the club knows the member.")
    description: str
    facts: dict[str, Any] = Field(description="Those that the definition knows.")
    issue: Any = Field(description="One that the service ships; what others say stands among the facts.")


class DisplayLoanOut(OldOut):
    """A coin that is lent, and where it is shown."""

    owner: str
    coin: str
    label: str
    place: str
    place_label: str


class LenderOut(OldOut):
    """A member who lends, and how many coins."""

    owner: str
    coins: int


class DisplaySummaryOut(PlacesOut):
    """The headline figures."""

    certain: int
    possible: int
    required: PlacesOut


class DisplayOut(StampedOut):
    """One display made of the coins of all members who consent. Nothing of a coin that is not shown."""

    summary: DisplaySummaryOut
    proven_optimal: bool
    exhibits: list[DisplayedOut] = Field(description="Page by page; those on no page at the end.")
    loans: list[DisplayLoanOut] = Field(description="By the names of their owners.")
    lenders: list[LenderOut]


def shown_display(offered: ClubOffer, made: Mapping[str, Any]) -> dict[str, Any]:
    kept = ("evaluated_on", "reference_edition", "engine_version", "summary", "proven_optimal")
    names = ("page", "place", "label", "status", "owner", "description", "facts", "issue")
    return {
        "definition": stamp_of(offered),
        **{name: made[name] for name in kept},
        "exhibits": [
            {"coin": exhibit["holding"], **{name: exhibit[name] for name in names}} for exhibit in made["exhibits"]
        ],
        "loans": [
            {"coin": loan["loan"], **{name: part for name, part in loan.items() if name != "loan"}}
            for loan in made["loans"]
        ],
        "lenders": made["lenders"],
    }
