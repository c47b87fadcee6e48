"""The insurance list on the wire."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema

from service.database.ids import read_id
from service.holdings.model import ValueBasis
from service.http.schemas.evaluations import DefinitionStampOut
from service.http.wire import Day, OldOut


def _identity(value: str) -> str:
    identity = read_id(value)
    if identity is None:
        raise ValueError("this is the id of a definition")
    return identity


DefinitionName = Annotated[str, AfterValidator(_identity), WithJsonSchema({"type": "string", "format": "uuid"})]
Sum = Annotated[Any, WithJsonSchema({"type": "number", "minimum": 0})]


class InsuranceQuery(BaseModel):
    """Which values, of which coins, on which day, and in which form."""

    model_config = ConfigDict(extra="forbid")

    basis: ValueBasis | None = Field(None, description="Values of this basis only; left out: the newest of each.")
    on: Day | None = Field(None, description="Later values do not count; left out: today in UTC.")
    definition: DefinitionName | None = Field(None, description="Only the pieces that sit in this set on that day.")
    format: Literal["json", "csv", "text"] | None = Field(
        None, description="text is 76 columns wide; left out: the first that Accept prefers, or JSON."
    )


class ValueOut(OldOut):
    """What one piece cost or is worth."""

    basis: ValueBasis
    amount: Annotated[Any, WithJsonSchema({"type": "number", "minimum": 0})]
    currency: str
    on: str | None = None
    by: str | None = None
    note: str | None = None


class LineOut(OldOut):
    """Pieces that are held."""

    holding: str
    number: str | None
    location: str | None
    pieces: int
    description: str = Field(description="The facts in a few words.")


class CountedValueOut(ValueOut):
    """The value that counts of one basis. `amount` is for one piece."""

    total: Sum = Field(description="For all pieces of the line.")


class ValuedOut(LineOut):
    """Pieces with a value."""

    values: list[CountedValueOut]


class TotalOut(OldOut):
    """The sum of one basis in one currency."""

    basis: ValueBasis
    currency: str
    amount: Sum
    pieces: int


class InsuranceListOut(OldOut):
    """What is held and what it is said to be worth. An owner's record: no valuation."""

    on: str
    basis: ValueBasis | None
    definition: DefinitionStampOut | None
    pieces: int
    valued: list[ValuedOut]
    unvalued: list[LineOut]
    unvalued_pieces: int
    totals: list[TotalOut] = Field(description="Never added up over two currencies or two bases.")
    cautions: list[str]
