"""What an import says of a row that it refuses: the value that may have been meant."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.errors import Fault
from service.facts.attributes import Attribute, Attributes
from service.facts.words import nearest


def pointer_steps(pointer: str) -> list[str]:
    """The steps of a JSON pointer (RFC 6901)."""
    return [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]


def nearest_value(
    fault: Fault, steps: Sequence[str], facts: Any, attributes: Attributes, *, bounds: bool = False
) -> str | None:
    """The allowed value that is nearest to the one that the fault is about: of an enumeration the word that looks most
    alike; with `bounds`, of a number past its bounds the bound. `steps` lead to the value from its row."""
    if len(steps) < 2 or steps[0] != "facts" or fault.code != "value":
        return None
    here, attribute = facts, attributes.get(steps[1])
    for step in steps[1:]:
        here = here[int(step)] if isinstance(here, list) else here[step]
    if attribute is None:
        return None
    if isinstance(here, str):
        return nearest(here, [*attribute.values, *attribute.synonyms])
    return _bound(here, attribute) if bounds and attribute.is_number else None


def _bound(number: Any, attribute: Attribute) -> str | None:
    if attribute.low is not None and number < attribute.low:
        return str(attribute.low)
    return str(attribute.high) if attribute.high is not None and number > attribute.high else None
