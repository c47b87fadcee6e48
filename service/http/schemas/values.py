"""What a piece cost or is worth, on the wire: exact decimals, one currency each."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.http.wire import In, OldOut, Text

MOST_VALUES = 20
DEAREST = 10**12
# Currencies have up to four places behind the point (ISO 4217, minor units); two more are for amounts worked out.
FINEST_PLACES = 6

Basis = Literal["paid", "market estimate", "insured", "replacement", "appraised"]
Currency = Annotated[str, StringConstraints(pattern="^[A-Z]{3}$")]


def _amount(value: Any) -> int | Decimal:
    """The number as it came: what is stored is what was written, digit for digit."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not 0 <= value <= DEAREST:
        raise PydanticCustomError("money", f"an amount is a number from 0 to {DEAREST}")
    if isinstance(value, Decimal):
        exponent = value.as_tuple().exponent
        if value.is_signed() or not isinstance(exponent, int) or not -FINEST_PLACES <= exponent <= 0:
            message = f"an amount is written plainly, with up to {FINEST_PLACES} places behind the point"
            raise PydanticCustomError("money", message)
    return value


def _written_day(value: Any) -> str:
    try:
        if isinstance(value, str) and date.fromisoformat(value).isoformat() == value:
            return value
    except ValueError:
        pass
    raise PydanticCustomError("date", "a date is written year-month-day, such as 2026-11-25")


Amount = Annotated[Any, BeforeValidator(_amount), WithJsonSchema({"type": "number", "minimum": 0, "maximum": DEAREST})]
WrittenDay = Annotated[str, BeforeValidator(_written_day), WithJsonSchema({"type": "string", "format": "date"})]


class ValueIn(In):
    """What one piece of the holding cost or is worth, in one currency. Of a holding of several like pieces the amount is
    for one of them, so that it stays true when a piece is sold."""

    basis: Basis = Field(description="What the amount says.")
    amount: Amount = Field(description="For one piece; kept exactly as written, up to six places behind the point.")
    currency: Currency = Field(description="A code of three letters (ISO 4217).")
    on: WrittenDay | None = Field(None, description="The day that it was paid, estimated or agreed.")
    by: Annotated[Text, StringConstraints(min_length=1, max_length=200)] | None = Field(
        None, description="Who says so: a dealer, an appraiser, the owner."
    )
    note: Annotated[Text, StringConstraints(max_length=1_000)] | None = None


class ValueOut(OldOut):
    """What one piece cost or is worth."""

    basis: Basis
    amount: Annotated[Any, WithJsonSchema({"type": "number", "minimum": 0})]
    currency: str
    on: str | None = None
    by: str | None = None
    note: str | None = None
