"""The sizes of a definition as it was sent, before it is read: what an estimate of costs goes by (cost.py)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.evaluation.cost import Sizes

# Keys from a vocabulary or a catalogue are counted as so many places: how many there are is known when it is read.
_KEYS_ELSEWHERE = 300
_MOST_COUNTED = 100_000


def sizes_of_document(document: Any, coins: int, solver_seconds: float) -> Sizes:
    """The sizes of any JSON value, as far as it is a definition, bare or wrapped. Raises nothing."""
    document = _document(document)
    choices = _objects(document.get("free_choice"))
    places = stated_places(document) + sum(
        _further_keys(group.get("keys"), coins) for group in _objects(document.get("one_per"))
    )
    among = [choice for choice in choices if choice.get("distinct") or choice.get("at_most")]
    rules = len(_objects(document.get("constraints"))) + len(among)
    return Sizes(
        coins=coins,
        places=places,
        characters=_characters(document),
        rules=rules,
        ruled=places if rules else 0,
        solver_seconds=solver_seconds if rules else 0.0,
    )


def stated_places(document: Any) -> int:
    """How many places a definition states one by one, by number or by key; those that follow from coins, vocabularies or a
    catalogue are not among them."""
    document = _document(document)
    counts = [choice.get("places") for choice in _objects(document.get("free_choice"))]
    keys = [group.get("keys") for group in _objects(document.get("one_per"))]
    listed = [entry.get("values") for entry in keys if isinstance(entry, Mapping)]
    return (
        len(_objects(document.get("slots")))
        + sum(min(count, _MOST_COUNTED) for count in counts if isinstance(count, int) and count > 0)
        + sum(len(values) for values in listed if isinstance(values, list))
    )


def _further_keys(keys: Any, coins: int) -> int:
    if not isinstance(keys, Mapping) or isinstance(keys.get("values"), list):
        return 0
    return coins if keys.get("from") == "holdings" else _KEYS_ELSEWHERE


def _document(value: Any) -> Mapping[str, Any]:
    found = value.get("document", value) if isinstance(value, Mapping) else None
    return found if isinstance(found, Mapping) else {}


def _characters(document: Mapping[str, Any]) -> int:
    """Of all that may be a rule."""
    return sum(len(text) for text in _texts(document, 0))


def _texts(value: Any, depth: int) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping | list) and depth < 12:
        for member in value.values() if isinstance(value, Mapping) else value:
            yield from _texts(member, depth + 1)


def _objects(value: Any) -> Sequence[Mapping[str, Any]]:
    return [entry for entry in value if isinstance(entry, Mapping)] if isinstance(value, list) else ()
