"""Headers of preferences: what a caller would rather have (RFC 9110, section 12.4.2)."""

from __future__ import annotations

import re

from fastapi import Request

from service.reference.languages import Language, best_language

LONGEST_HEADER = 2_000
_WEIGHT = re.compile(r"0(?:\.[0-9]{0,3})?|1(?:\.0{0,3})?")


def joined(request: Request, name: str) -> str | None:
    """All values of a header, as one list; None where it is not sent."""
    values = request.headers.getlist(name)
    return ", ".join(values) if values else None


def weights(header: str) -> dict[str, float]:
    """What the header names, each with its weight."""
    found: dict[str, float] = {}
    for part in header[:LONGEST_HEADER].split(","):
        kind, *parameters = (piece.strip().lower() for piece in part.split(";"))
        told = [piece.removeprefix("q=") for piece in parameters if piece.startswith("q=")]
        found[kind] = float(told[0]) if told and _WEIGHT.fullmatch(told[0]) else 1.0
    return found


def preferred(header: str) -> list[str]:
    """What the header names, the most welcome first; what it refuses is left out."""
    told = weights(header)
    # Sorting is stable: of equals the first one.
    return sorted((kind for kind in told if told[kind] > 0), key=lambda kind: -told[kind])


def preferred_language(request: Request) -> Language:
    """The language that the request would rather be answered in, of those that there are."""
    return best_language(preferred(joined(request, "accept-language") or ""))
