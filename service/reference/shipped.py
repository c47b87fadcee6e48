"""The reference data that comes with the service: vocabularies and catalogues of issues. Pure; read once, then kept.

Sources and licences stand in data/NOTICE.md and in each file; tests/data/make_reference_data.py makes the files.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from service.facts.vocabulary import Abbreviation, Concept, Vocabulary, build_vocabulary
from service.rules.presumptions import CatalogueClaims, CompleteSpan

VOCABULARY_FILES = ("issuers.json", "motifs.json", "denominations.json", "materials.json", "rulers.json")
CATALOGUE_FILES = ("euro_issues.json", "law_issues.json")


@cache
def vocabularies() -> Mapping[str, Vocabulary]:
    """The shipped concept schemes by name: `issuers`, `motifs`, `denominations`, `materials`, `rulers`."""
    schemes = [_scheme(json.loads(_content(name))) for name in VOCABULARY_FILES]
    return MappingProxyType({scheme.name: scheme for scheme in schemes})


@cache
def issues() -> tuple[dict[str, Any], ...]:
    """The shipped catalogue, in file order: {"id": text, "label": text, "facts": {attribute: value}, "look_alikes": ids,
    "source": text, "edition": text}. What an entry does not say of its source and edition its file says for all. Some have
    "exact" or "narrows" too: see `exact_values`, `narrows`.

    Weights are in g, sizes in mm; numbers are int or Decimal, never float. The answer is shared: copy before changing.
    """
    found: list[dict[str, Any]] = []
    for name in CATALOGUE_FILES:
        document = json.loads(_content(name), parse_float=Decimal)
        of_file = {"look_alikes": [], "source": document["source"], "edition": document["edition"]}
        found.extend({**of_file, **entry} for entry in document["issues"])
    return tuple(found)


@cache
def narrows() -> Mapping[str, str]:
    """By issue, the wider one of which it is a part (one reign of a standard). A narrower entry has all the facts of the wider
    one, its years within the other's, and more: where both are candidates for a coin the wider one has nothing to add."""
    return {entry["id"]: entry["narrows"] for entry in issues() if "narrows" in entry}


@cache
def complete() -> tuple[CompleteSpan, ...]:
    """For which issuers, denominations and years on coins the shipped catalogue says that it is complete, in file order."""
    spans = (span for name in CATALOGUE_FILES for span in json.loads(_content(name))["complete"])
    return tuple(CompleteSpan(span["issuer"], span["denomination"], span["from"], span["to"]) for span in spans)


@cache
def claims() -> CatalogueClaims:
    """What the shipped catalogue says of itself."""
    return CatalogueClaims(complete(), narrows())


@cache
def exact_values() -> Mapping[str, Mapping[str, Fraction]]:
    """By issue and attribute, the fraction that a law prescribes where the published decimal only rounds it: 11/12 for the
    fineness 0.91666, or 200/31 g (155 pieces from a kilogram)."""
    return {
        entry["id"]: {name: Fraction(part) for name, part in entry["exact"].items()}
        for entry in issues()
        if "exact" in entry
    }


@cache
def edition() -> str:
    """A short stamp of what is shipped: it changes exactly when a byte of a data file does (SHA-256, 12 hex digits)."""
    stamp = hashlib.sha256()
    for name in (*VOCABULARY_FILES, *CATALOGUE_FILES):
        stamp.update(hashlib.sha256(_content(name)).digest())
    return stamp.hexdigest()[:12]


def _content(name: str) -> bytes:
    return files("service.reference").joinpath("data", name).read_bytes()


def _scheme(document: Mapping[str, Any]) -> Vocabulary:
    return build_vocabulary(
        document["name"],
        (_concept(entry) for entry in document["concepts"]),
        label=document["label"],
        edition=document["edition"],
        source=document["source"],
        notice=document["notice"],
    )


def _concept(entry: Mapping[str, Any]) -> Concept:
    return Concept(
        id=entry["id"],
        label=entry["label"],
        broader=tuple(entry["broader"]),
        alternative_labels=tuple(entry["alternative_labels"]),
        note=entry["note"],
        started=_day(entry["started"]),
        ended=_day(entry["ended"]),
        current=entry["current"],
        matches=tuple(entry["matches"]),
        abbreviations=tuple(Abbreviation(short["text"], short.get("issuer")) for short in entry["abbreviations"]),
    )


def _day(written: str | None) -> date | None:
    return None if written is None else date.fromisoformat(written)
