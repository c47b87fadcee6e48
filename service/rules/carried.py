"""What a definition takes from its owner's vocabularies, put into the document, so that it means the same to everybody."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from service.errors import Invalid
from service.facts.own_vocabularies import OwnVocabulary, with_own
from service.facts.vocabulary import Concept, Vocabulary
from service.rules.cql2.expression import parse
from service.rules.vocabularies import VocabularyIn, concept_as_json, read_own

# Members that hold a rule, wherever they stand.
_RULES = ("accepts", "where", "scope")


def with_needed(
    document: Mapping[str, Any], shipped: Mapping[str, Vocabulary], own: Sequence[OwnVocabulary]
) -> Mapping[str, Any]:
    """The document with entries of `vocabularies` for what it names of the owner's: an own vocabulary that an attribute or keys
    name, whole; of additions the terms that stand in rules, keys, presumed facts and examples, with those above and below
    them. What the document carries already stays, and gets what it lacks. A rule that cannot be read names nothing."""
    if not own:
        return document
    schemes = with_own(shipped, own, strict=False)
    carried = {entry["name"]: entry for entry in document.get("vocabularies") or ()}
    names, texts = set(_vocabulary_names(document)), set(_texts(document))
    needed: dict[str, dict[str, Any]] = {}
    for entry in own:
        is_named = entry.name in names and entry.name not in carried
        concepts = entry.concepts if entry.extends is None else _needed(entry, texts, schemes)
        if entry.extends is None and not is_named:
            continue
        there = {concept["id"] for concept in carried.get(entry.name, {}).get("concepts", ())}
        written = [concept_as_json(concept) for concept in concepts if concept.id not in there]
        if written or is_named:
            needed[entry.name] = {
                "name": entry.name,
                **({} if entry.extends is None else {"extends": entry.extends}),
                **({"label": entry.label} if entry.label else {}),
                "concepts": written,
            }
    if not needed:
        return document
    for extends in [entry.get("extends") for entry in needed.values()]:
        # What is extended has to be there, too.
        for base in _extended(extends, own):
            if base.name not in carried and base.name not in needed and base.name not in shipped:
                concepts = base.concepts if base.extends is None else ()
                of = {} if base.extends is None else {"extends": base.extends}
                needed[base.name] = {"name": base.name, **of, "concepts": [concept_as_json(c) for c in concepts]}
    merged = []
    for name, there_already in carried.items():
        more = needed.pop(name, None)
        if more is not None and more.get("extends") == there_already.get("extends"):
            merged.append({**there_already, "concepts": [*there_already["concepts"], *more["concepts"]]})
        else:
            merged.append(there_already)
    return {**document, "vocabularies": [*merged, *needed.values()]}


def carried_by(document: Mapping[str, Any]) -> tuple[OwnVocabulary, ...]:
    """The vocabularies that a checked document has of its own."""
    return read_carried(document.get("vocabularies") or ())


def read_carried(entries: Iterable[Mapping[str, Any]]) -> tuple[OwnVocabulary, ...]:
    """The same from its member `vocabularies`."""
    models = (VocabularyIn.model_validate(entry).model_dump() for entry in entries)
    return tuple(read_own(model, [], "") for model in models)


def _extended(name: str | None, own: Sequence[OwnVocabulary]) -> Iterator[OwnVocabulary]:
    table = {entry.name: entry for entry in own}
    seen: set[str] = set()
    while name in table and name not in seen:
        seen.add(name)
        yield table[name]
        name = table[name].extends


def _needed(entry: OwnVocabulary, texts: set[str], schemes: Mapping[str, Vocabulary]) -> tuple[Concept, ...]:
    """The concepts of additions that the texts name, with all of the same entry above and below them."""
    scheme = schemes.get(entry.name)
    if scheme is None:
        return ()
    named = {term for text in texts if (term := scheme.concept_named(text)) is not None}
    near = {term for one in named for term in (one, *scheme.above[one], *scheme.below[one])}
    near |= {upper for term in near for upper in scheme.above.get(term, ())}
    own = {concept.id for concept in entry.concepts}
    picked = tuple(concept for concept in entry.concepts if concept.id in near)
    # The terms of a rule on a shipped term count, too: what is added below it is part of what it means.
    return tuple(replace(c, broader=tuple(b for b in c.broader if b not in own or b in near)) for c in picked)


def leans_on(document: Mapping[str, Any], vocabulary: str) -> bool:
    """Whether the document names the vocabulary for an attribute or for keys, and does not carry it."""
    carried = (entry["name"] for entry in document.get("vocabularies") or ())
    return vocabulary in _vocabulary_names(document) and vocabulary not in carried


def _vocabulary_names(document: Mapping[str, Any]) -> Iterator[str]:
    for attribute in document.get("attributes") or ():
        if attribute.get("vocabulary"):
            yield attribute["vocabulary"]
    for group in document.get("one_per") or ():
        if group["keys"].get("from") == "vocabulary":
            yield group["keys"]["name"]


def _texts(value: Any, member: str = "") -> Iterator[str]:
    """Every text of a document that may be a term: constants of rules, keys, bands, facts."""
    if member in _RULES and isinstance(value, str):
        try:
            value = parse(value).json
        except Invalid:
            return
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for name, part in value.items():
            if member or name not in ("vocabularies", "title", "summary", "authors", "licence", "layout", "format"):
                yield from _texts(part, name)
    elif isinstance(value, list):
        for part in value:
            yield from _texts(part, member if member in _RULES else "list")
