"""The tree of things that a caller can act on. No HTTP in it.

    SetwrightError
    ├── Invalid                 what was sent is not right; carries every fault
    │   └── OverLimit           it is past a limit; names the limit
    ├── NotFound                no such thing, or not yours
    ├── Clash                   it is there already, or in the way
    ├── Stale                   it changed since you read it
    ├── Unwelcome               no valid token
    ├── Forbidden               it is known who asks, and that is not enough for this
    └── Busy                    too much at once; try again
        └── TooMany             too often wrong; try again later

A fault says what is wrong in the user's words, where (a JSON pointer, RFC 6901,
and for rule text a line and a column, both counted from 1), and what would be
right.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with what was sent."""

    code: str
    message: str
    pointer: str = ""
    hint: str | None = None
    line: int | None = None
    column: int | None = None

    def under(self, prefix: str) -> Fault:
        """The same fault, seen from a document in which `prefix` leads here."""
        return replace(self, pointer=prefix + self.pointer)

    def as_json(self) -> dict[str, object]:
        """The fault as it stands in a problem document; absent parts are left out."""
        parts = {
            "code": self.code,
            "message": self.message,
            "pointer": self.pointer,
            "hint": self.hint,
            "line": self.line,
            "column": self.column,
        }
        return {name: part for name, part in parts.items() if part is not None}


class SetwrightError(Exception):
    """Root of everything a caller can act on."""


class Invalid(SetwrightError):
    """What was sent is not right. `faults` holds all that was found, in document order."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("; ".join(fault.message for fault in self.faults))

    def under(self, prefix: str) -> Invalid:
        """The same refusal, seen from a document in which `prefix` leads here."""
        return type(self)(fault.under(prefix) for fault in self.faults)


class OverLimit(Invalid):
    """Past a limit that the message names."""


class NotFound(SetwrightError):
    """There is no such thing, or it is another owner's."""

    def __init__(self, kind: str, key: str) -> None:
        self.kind, self.key = kind, key
        super().__init__(f"there is no {kind} '{key}'")


class Conflict(SetwrightError):
    """It is there already, or something is in the way."""


class Stale(SetwrightError):
    """It changed since the caller read it."""


class NotAuthenticated(SetwrightError):
    """No valid token."""


class Forbidden(SetwrightError):
    """Who asks is known, or tried to say so, and that is not enough for this."""


class Busy(SetwrightError):
    """Too much at once; the caller may try again after `retry_after_seconds`."""

    def __init__(self, message: str, retry_after_seconds: int = 1) -> None:
        self.retry_after_seconds = retry_after_seconds
        super().__init__(message)


class RateLimited(Busy):
    """Too often wrong from here or under this name; not even the right one is looked at until the time is over."""
