"""Definitions that were read once are kept: of 500 places reading takes some 35 ms, and happens with nearly every request.

What is read follows from the document, digit for digit, from the vocabularies and from the edition of the reference data; so it
is found by the document's text, which is written anew in a third of a millisecond. The digest would not do: documents whose
numbers differ only in trailing zeros share one, and are worded differently.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import msgspec

from service.evaluation.known_rules import KeptCounts, KnownRules
from service.facts.vocabulary import Vocabulary
from service.reference import shipped
from service.rules.definition import Definition
from service.rules.document import read_definition

# Of text. What is read of it takes some twenty times as much.
MOST_BYTES = 2 * 1024 * 1024
# Of what evaluations found out about the rules of all of them.
MOST_RULE_BYTES = 24 * 1024 * 1024
_ENCODER = msgspec.json.Encoder(decimal_format="number")


@dataclass(slots=True)
class _Kept:
    """What was read, and by which vocabularies; and what evaluations found out about its rules, with what that took when it was
    asked for last."""

    schemes: Mapping[str, Vocabulary]
    edition: str
    definition: Definition
    rules: KnownRules | None = None
    rule_bytes: int = 0


COUNTS, RULE_COUNTS = KeptCounts(), KeptCounts()
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


def keep_at_most(text_bytes: int) -> None:
    """Bounds what this process keeps by the length of the definitions' texts."""
    global MOST_BYTES, MOST_RULE_BYTES
    MOST_BYTES, MOST_RULE_BYTES = text_bytes, 12 * text_bytes


def known_rules(definition: Definition, day: date) -> KnownRules | None:
    """What evaluations for a day found out about the rules of a definition that is kept here; None where it is not kept any
    more."""
    # Nearly always the one that was read last.
    kept = next((one for one in reversed(list(_KEPT.values())) if one.definition is definition), None)
    if kept is None:
        return None
    found = kept.rules
    if found is None or found.day != day:
        RULE_COUNTS.misses += 1
        found = kept.rules = KnownRules(definition, day)
    else:
        RULE_COUNTS.hits += 1
    kept.rule_bytes = found.nbytes
    _shorten_rules()
    return found


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


def _shorten_rules() -> None:
    """The same of what was found out about rules."""
    size = rule_bytes()
    for kept in list(_KEPT.values()):
        if size <= MOST_RULE_BYTES:
            return
        if kept.rules is not None:
            size -= kept.rule_bytes
            kept.rules, kept.rule_bytes = None, 0
            RULE_COUNTS.evictions += 1


def kept_bytes() -> int:
    """The length of the texts of all that are kept."""
    return sum(len(text) for text, _ in list(_KEPT))


def rule_bytes() -> int:
    """About what it takes that was found out about rules."""
    return sum(kept.rule_bytes for kept in list(_KEPT.values()))
