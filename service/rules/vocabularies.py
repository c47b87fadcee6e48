"""Vocabularies that a document carries: their JSON shape, and what it means."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from service.errors import Fault
from service.facts.own_vocabularies import OwnVocabulary
from service.facts.vocabulary import Abbreviation, Concept, TaggedName

MOST_VOCABULARIES = 20
MOST_CONCEPTS = 500
"""Of one vocabulary in a definition; those that an account keeps may be larger."""

_Term = Annotated[str, Field(min_length=1, max_length=200)]
_Text = Annotated[str, Field(min_length=1, max_length=500)]
_Terms = Annotated[list[_Term], Field(max_length=50)]
_Texts = Annotated[list[_Text], Field(max_length=100)]
_DayIn = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d$")]
_Language = Annotated[
    str, Field(min_length=1, max_length=35, pattern=r"^[A-Za-z]{1,8}(-[A-Za-z0-9]{1,8})*$", description="BCP 47")
]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class AbbreviationIn(_Model):
    """A short or popular name of a term; `issuer`: only on its coins."""

    text: _Text
    issuer: _Term | None = None


class TaggedNameIn(_Model):
    """A name of a term in one language, as `skos:prefLabel`, `altLabel` or `hiddenLabel`."""

    text: _Text
    language: _Language
    kind: Literal["preferred", "alternative", "hidden"] = "alternative"


class ConceptIn(_Model):
    """One term. Of an issuer `started` and `ended` are the first and the last day on which it existed; `current`: it exists
    still. `matches` are IRIs of the same concept elsewhere (`skos:exactMatch`)."""

    id: _Term
    label: Annotated[str, Field(max_length=500)] = ""
    broader: _Terms = []
    alternative_labels: _Texts = []
    names: Annotated[list[TaggedNameIn], Field(max_length=200)] = []
    abbreviations: Annotated[list[AbbreviationIn], Field(max_length=100)] = []
    note: Annotated[str, Field(max_length=4_000)] = ""
    started: _DayIn | None = None
    ended: _DayIn | None = None
    current: bool = False
    matches: Annotated[list[_Text], Field(max_length=50)] = []
    iri: Annotated[str, Field(max_length=500)] = ""


class VocabularyIn(_Model):
    """A small vocabulary of the definition's own, or, with `extends`, additions to one that is there."""

    name: _Term
    extends: _Term | None = None
    label: Annotated[str, Field(max_length=500)] = ""
    concepts: Annotated[list[ConceptIn], Field(max_length=MOST_CONCEPTS)]


def read_own(shape: Mapping[str, Any], faults: list[Fault], pointer: str) -> OwnVocabulary:
    """An entry whose shape is right; of days that are none the fault is added."""
    concepts = shape["concepts"]
    made = (read_concept(entry, faults, f"{pointer}/concepts/{at}") for at, entry in enumerate(concepts))
    return OwnVocabulary(shape["name"], tuple(made), shape["extends"], shape["label"])


def read_concept(entry: Mapping[str, Any], faults: list[Fault], pointer: str) -> Concept:
    """A concept whose shape is right."""
    started, ended = (_day(entry[name], faults, f"{pointer}/{name}") for name in ("started", "ended"))
    if started is not None and ended is not None and ended < started:
        faults.append(Fault.of("value", "'{id}' ended before it started", f"{pointer}/ended", id=entry["id"]))
    if entry["current"] and ended is not None:
        faults.append(Fault.of("value", "'{id}' ended, so it is not `current`", f"{pointer}/current", id=entry["id"]))
    return Concept(
        id=entry["id"],
        label=entry["label"] or entry["id"],
        broader=tuple(dict.fromkeys(entry["broader"])),
        alternative_labels=tuple(dict.fromkeys(entry["alternative_labels"])),
        note=entry["note"],
        started=started,
        ended=ended,
        current=entry["current"],
        matches=tuple(dict.fromkeys(entry["matches"])),
        abbreviations=tuple(Abbreviation(short["text"], short["issuer"]) for short in entry["abbreviations"]),
        names=tuple(TaggedName(name["text"], name["language"], name["kind"]) for name in entry["names"]),
        iri=entry["iri"],
    )


def concept_of_json(entry: Mapping[str, Any]) -> Concept:
    """What `concept_as_json` wrote."""
    return read_concept(ConceptIn.model_validate(entry).model_dump(), [], "")


def concept_as_json(concept: Concept) -> dict[str, Any]:
    """A concept as a document has it, what is empty left out."""
    written: dict[str, Any] = {
        "id": concept.id,
        "label": concept.label,
        "broader": list(concept.broader),
        "alternative_labels": list(concept.alternative_labels),
        "names": [{"text": name.text, "language": name.language, "kind": name.kind} for name in concept.names],
        "abbreviations": [
            _without_none({"text": short.text, "issuer": short.issuer}) for short in concept.abbreviations
        ],
        "note": concept.note,
        "started": None if concept.started is None else concept.started.isoformat(),
        "ended": None if concept.ended is None else concept.ended.isoformat(),
        "current": concept.current,
        "matches": list(concept.matches),
        "iri": concept.iri,
    }
    return {name: value for name, value in written.items() if value}


def _without_none(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in entry.items() if value is not None}


def _day(written: str | None, faults: list[Fault], pointer: str) -> date | None:
    if written is None:
        return None
    try:
        return date.fromisoformat(written)
    except ValueError:
        faults.append(
            Fault.of(
                "value", "'{written}' is no day of the calendar", pointer, "for example 1990-10-02", written=written
            )
        )
        return None
