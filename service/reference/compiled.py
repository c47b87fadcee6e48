"""Definitions that were read once are kept: of 500 places reading takes some 35 ms, and happens with nearly every request.

What is read follows from the document, digit for digit, from the vocabularies and from the edition of the reference data; so it
is found by the document's text, which is written anew in a third of a millisecond. The digest would not do: documents whose
numbers differ only in trailing zeros share one, and are worded differently.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import msgspec

from service.facts.vocabulary import Vocabulary
from service.reference import shipped
from service.rules.definition import Definition
from service.rules.document import read_definition

# Of text. What is read of it takes some twenty times as much.
MOST_BYTES = 2 * 1024 * 1024
_ENCODER = msgspec.json.Encoder(decimal_format="number")


@dataclass(frozen=True, slots=True)
class _Kept:
    """What was read, and by which vocabularies."""

    schemes: Mapping[str, Vocabulary]
    edition: str
    definition: Definition


@dataclass(slots=True)
class CompiledCounts:
    """How often a definition that was asked for was kept, or had to be read, since the start; how often one was let go of."""

    hits: int = 0
    misses: int = 0
    evictions: int = 0


COUNTS = CompiledCounts()
_KEPT: dict[tuple[bytes, int], _Kept] = {}


def read_kept(document: Mapping[str, Any], schemes: Mapping[str, Vocabulary]) -> Definition:
    """The checked definition of a document that is kept here, and so came from JSON. Raises Invalid as `read_definition` does."""
    key, edition = (_ENCODER.encode(document), id(schemes)), shipped.edition()
    # Each step is one of the interpreter's, since other threads change the table meanwhile.
    found = _KEPT.pop(key, None)
    # An id may be that of other vocabularies by now, unless those that had it are kept: they are, with what was read.
    if found is None or found.schemes is not schemes or found.edition != edition:
        COUNTS.misses += 1
        found = _Kept(schemes, edition, read_definition(document, vocabularies=schemes))
    else:
        COUNTS.hits += 1
    _KEPT[key] = found
    _shorten()
    return found.definition


def _shorten() -> None:
    """Lets go of what was asked for longest ago."""
    keys = list(_KEPT)
    size = sum(len(text) for text, _ in keys)
    for key in keys:
        if size <= MOST_BYTES:
            return
        size -= len(key[0])
        if _KEPT.pop(key, None) is not None:
            COUNTS.evictions += 1


def kept_bytes() -> int:
    """The length of the texts of all that are kept."""
    return sum(len(text) for text, _ in list(_KEPT))
