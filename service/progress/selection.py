"""The order of holdings by a fact or an own field, and where a page of it begins. Pure."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import Any

from service.facts.knowledge import NONE, Between, Knowledge, Subsets

# Where a holding is in an order: what it counts for (None: not recorded), and its id.
SortKey = tuple[Any, str]
# A cursor has the key in it, and an address has not room for a note of ten thousand.
_LETTERS_THAT_COUNT = 200


@dataclass(frozen=True, slots=True)
class Order:
    """By an attribute or an own field, downwards or upwards; what is not recorded comes last either way, ties by id."""

    name: str
    downwards: bool = False


def least(knowledge: Knowledge | None) -> Any:
    """What a fact counts for in an order: its value, the least of several, the low end of a range (else the high end), of a text
    its first 200 characters, of a list the terms that these reach; None where it is not recorded or known to be none."""
    if knowledge is None:
        return None
    if isinstance(knowledge, Between):
        return knowledge.low if knowledge.low is not None else knowledge.high
    if isinstance(knowledge, Subsets):
        return _shortened(knowledge.has)
    return min((_shortened(value) for value in knowledge.values if value is not NONE), default=None)


def _shortened(value: Any) -> Any:
    """The beginning of a text, or of a list in the order of its terms. Whatever comes before another value comes after none when
    both are shortened."""
    if isinstance(value, str):
        return value[:_LETTERS_THAT_COUNT]
    if not isinstance(value, frozenset):
        return value
    terms, left = [], _LETTERS_THAT_COUNT
    for term in sorted(value):
        if left <= 0:
            break
        terms.append(term[:left])
        # The end of a term counts as a letter that comes before all others.
        left -= len(term) + 1
    return terms


def comes_after(one: SortKey, other: SortKey, order: Order) -> bool:
    """Whether one key is behind the other in the order."""
    (value, name), (its, its_name) = one, other
    if value is None or its is None:
        return name > its_name if value is None and its is None else value is None
    if value == its:
        return name > its_name
    return bool(value < its) if order.downwards else bool(value > its)


def sort_key_text(key: SortKey) -> str:
    """A key as text, for a cursor."""
    value, identity = key
    return json.dumps([_as_texts(value), identity], ensure_ascii=False)


def read_sort_key(text: str) -> SortKey:
    """The key that `sort_key_text` wrote. Raises ValueError for anything else."""
    try:
        value, identity = json.loads(text)
    except (TypeError, RecursionError):
        raise ValueError("not a sort key") from None
    if not isinstance(identity, str):
        raise ValueError("not a sort key")  # noqa: TRY004 - as for any other text
    return _from_texts(value), identity


def _as_texts(value: Any) -> list[str] | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return ["bool", str(int(value))]
    if isinstance(value, int | Fraction):
        return ["number", f"{Fraction(value).numerator}/{Fraction(value).denominator}"]
    if isinstance(value, datetime):
        return ["instant", value.isoformat()]
    if isinstance(value, date):
        return ["date", value.isoformat()]
    return ["terms", *value] if isinstance(value, list) else ["text", value]


def _from_texts(text: Any) -> Any:
    if text is None:
        return None
    if not isinstance(text, list) or not text or not all(isinstance(part, str) for part in text):
        raise ValueError("no value of an order")
    kind, rest = text[0], text[1:]
    if kind == "terms":
        return rest
    if len(rest) != 1:
        raise ValueError("no value of an order")
    readers: dict[str, Callable[[str], Any]] = {
        "bool": lambda t: bool(int(t)),
        "number": Fraction,
        "instant": datetime.fromisoformat,
        "date": date.fromisoformat,
        "text": str,
    }
    if kind not in readers:
        raise ValueError("no value of an order")
    try:
        return readers[kind](rest[0])
    except ZeroDivisionError:
        raise ValueError("no value of an order") from None
