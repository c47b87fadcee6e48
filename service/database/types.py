"""Column types that mean the same on SQLite and PostgreSQL."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import msgspec
from sqlalchemy import DateTime, Dialect, Text, Uuid
from sqlalchemy.types import TypeDecorator

from service.errors import plain

_ENCODER = msgspec.json.Encoder(decimal_format="number", enc_hook=plain)
_DECODER = msgspec.json.Decoder(float_hook=Decimal)


class _Identity(Uuid[str]):
    """A UUID (RFC 9562), text in the code and native where the engine has them. SQLite keeps its digits: putting
    the hyphens back takes a quarter of making a UUID of them first."""

    cache_ok = True

    def __init__(self) -> None:
        super().__init__(as_uuid=False)

    def result_processor(self, dialect: Dialect, coltype: object) -> Any:
        if dialect.supports_native_uuid:
            return super().result_processor(dialect, coltype)  # type: ignore[no-untyped-call]
        return _with_hyphens


def _with_hyphens(digits: str | None) -> str | None:
    if digits is None:
        return None
    return f"{digits[:8]}-{digits[8:12]}-{digits[12:16]}-{digits[16:20]}-{digits[20:]}"


# Ids of stored things.
Identity = _Identity()


def written(value: Any) -> str:
    """A plain value as JSON text; decimals keep every digit."""
    return _ENCODER.encode(value).decode()


def read_back(text: str) -> Any:
    """The plain value of JSON text that `written` made; numbers with a point come back as Decimal."""
    return _DECODER.decode(text)


class Document(TypeDecorator[Any]):
    """A plain value kept as JSON text.

    Text and not the engine's own JSON type: both engines then give back the same bytes, the order of members and the
    digits of a number included, and no number is too large for the engine's numeric type.
    """

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any | None, dialect: Dialect) -> str | None:
        return None if value is None else written(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any | None:
        return None if value is None else read_back(value)


class Instant(TypeDecorator[datetime]):
    """A moment in UTC. SQLite keeps no zone, so it is taken off on the way in and put back on the way out."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant carries its zone")
        value = value.astimezone(UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
