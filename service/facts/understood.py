"""Recorded texts that name a term by another of its names: they are kept as they were written, and read as the term. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Annotated, Any

import msgspec

from service.facts.attributes import Attributes

_MOST_TOLD = 1_000


class UnderstoodFact(msgspec.Struct, frozen=True, rename={"as_": "as"}):
    """A text of a fact that is read as another one."""

    attribute: str
    value: Annotated[str, msgspec.Meta(description="As it was written, and is kept.")]
    as_: Annotated[str, msgspec.Meta(description="The term that it names, which rules see.")]


def understood_facts(facts: Mapping[str, Any], attributes: Attributes) -> list[UnderstoodFact]:
    """Each text of the facts (in JSON form, checked) that the attributes' synonyms lead to another one: once, in the order of
    the facts, the first 1,000. Short names of an issuer count on its coins (a quarter)."""
    return list(islice(_understood(facts, attributes), _MOST_TOLD))


def _understood(facts: Mapping[str, Any], attributes: Attributes) -> Iterator[UnderstoodFact]:
    for name, raw in facts.items():
        attribute = attributes.of_issuer(name, facts.get("issuer"))
        if attribute is None or attribute.type != "text":
            continue
        for text in dict.fromkeys(_texts(raw)):
            term = attribute.synonyms.get(text, text)
            if term != text:
                yield UnderstoodFact(name, text, term)


def _texts(raw: Any) -> Iterator[str]:
    if isinstance(raw, str):
        yield raw
    elif isinstance(raw, list | dict):
        for part in raw.values() if isinstance(raw, dict) else raw:
            yield from _texts(part)
