"""Coins that are not owned yet, on the wire."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.formats.shapes import AttributeName
from service.holdings.model import NamedIssueIn
from service.http.inputs import AnyDefinition, AnyHoldings, Id, IssueIn, Seconds, VocabularyIn
from service.http.schemas.evaluations import DefinitionStampOut
from service.http.wire import Day, In, OldOut
from service.progress.candidates import MOST_COINS

DEAREST = Decimal(10) ** 12
MOST_SETS = 100


def _money(value: Any) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not 0 <= value <= DEAREST:
        raise PydanticCustomError("money", "a sum of money is a number from 0 to 1000000000000")
    return Decimal(value)


Money = Annotated[Decimal, BeforeValidator(_money), WithJsonSchema({"type": "number", "minimum": 0, "maximum": 10**12})]


class CoinIn(In):
    """A coin that is not owned yet."""

    id: Id | None = Field(None, description="Your name for it; left out: candidate-1 and so on.")
    facts: dict[AttributeName, Any] = Field(default_factory=dict, max_length=500)
    issue: NamedIssueIn = None
    price: Money | None = None
    currency: Annotated[str, StringConstraints(pattern="^[A-Z]{3}$")] | None = Field(
        None, description="A code of three letters (ISO 4217)."
    )


class CandidatesIn(In):
    """A tray of coins, and the sets to try them on: those kept here, or one that stands in the body with its holdings,
    for which no account is needed."""

    coins: list[CoinIn] = Field(min_length=1, max_length=MOST_COINS)
    definitions: list[Id] | None = Field(
        None, max_length=MOST_SETS, description="Ids of definitions kept here; left out: all of them."
    )
    definition: AnyDefinition | None = None
    holdings: AnyHoldings = Field("mine", description="With `definition`: the holdings to try the coins on.")
    issues: list[IssueIn] = Field(default_factory=list, description="With `definition`.")
    vocabularies: list[VocabularyIn] = Field(default_factory=list, max_length=100, description="With `definition`.")
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")
    budget: Money | None = Field(None, description="For each set: which of the coins with a price to buy for this sum.")
    budget_seconds: Seconds = 10.0


class CandidateOut(OldOut):
    """What one coin would do in one set."""

    coin: str
    effect: Literal["fills", "betters", "frees", "helps_constraint", "spare", "outside", "undecided"]
    certain_gain: int
    possible_gain: int
    required_gain: int
    fits: list[str]
    may_fit: list[str]
    places: list[str] = Field(description="The places that are empty without it and filled with it.")
    frees: list[dict[str, Any]] = Field(description="The coins that leave their place, from where and to where.")
    betters: dict[str, Any] | None = None
    closest: dict[str, Any] | None = None
    settle: list[dict[str, Any]] | None = None
    proven: bool
    message: str


class PurchaseOut(OldOut):
    """Which coins to buy: most required places, then most places, then the least money, then the fewest coins."""

    buy: list[str] | None
    cost: float | None = None
    currency: str | None = None
    required_gain: int | None = None
    possible_gain: int | None = None
    proven: bool | None = None
    limit: str | None = Field(None, description="Why there is no exact answer.")


class CandidatesOfSetOut(OldOut):
    """A tray against one set."""

    definition: DefinitionStampOut
    title: str
    candidates: list[CandidateOut]
    purchase: PurchaseOut | None = None
    ignored_facts: list[dict[str, Any]] | None = None


class CandidatesOut(OldOut):
    """A tray against each set."""

    evaluated_on: str
    sets: list[CandidatesOfSetOut]
    reference_edition: str
    engine_version: str
