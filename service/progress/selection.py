"""Filtering and ordering holdings by a rule and by a fact. Pure.

The rule is the language of definitions, so a coin fits, does not fit, or is undecided. As in an evaluation the verdicts are
found in columns: the cost grows with distinct facts.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import Any

from service.evaluation.columns import of_views
from service.evaluation.table import Table
from service.facts.attributes import Attributes
from service.facts.holding import View
from service.facts.knowledge import NONE, Between, Knowledge, Subsets
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.predicates import EvaluationContext, Predicate

# Where a holding is in an order: what it counts for (None: not recorded), and its id.
SortKey = tuple[Any, str]


def verdicts_of(
    predicate: Predicate,
    seen: Sequence[tuple[View, ...]],
    attributes: Attributes,
    context: EvaluationContext,
) -> list[Verdict]:
    """The verdict of the rule for every piece, each given as all that it may be, in their order."""
    single = [number for number, mine in enumerate(seen) if len(mine) == 1]
    found = [NO] * len(seen)
    fits = of_views([seen[number][0] for number in single], attributes, context).fits(predicate)
    for rows, verdict in ((fits.certain, YES), (fits.alternatives, UNDECIDED), (fits.unknown, UNDECIDED)):
        for row in rows.tolist():
            found[single[row]] = verdict
    table = Table(attributes, context)
    for number, mine in enumerate(seen):
        if len(mine) > 1:
            found[number] = table.verdict(predicate, mine)
    return found


@dataclass(frozen=True, slots=True)
class Order:
    """By an attribute or an own field, downwards or upwards; what is not recorded comes last either way, ties by id."""

    name: str
    downwards: bool = False


def least(knowledge: Knowledge | None) -> Any:
    """What a fact counts for in an order: its value, the least of several, the low end of a range (else the high end);
    None where it is not recorded or known to be none."""
    if knowledge is None:
        return None
    if isinstance(knowledge, Between):
        return knowledge.low if knowledge.low is not None else knowledge.high
    if isinstance(knowledge, Subsets):
        return sorted(knowledge.has)
    values = [
        sorted(value) if isinstance(value, frozenset) else value for value in knowledge.values if value is not NONE
    ]
    return min(values, default=None)


def in_order(keys: Sequence[SortKey], order: Order) -> list[int]:
    """The numbers of the keys in the order."""
    known = [number for number, (value, _) in enumerate(keys) if value is not None]
    rest = [number for number, (value, _) in enumerate(keys) if value is None]
    by_id = sorted(known, key=lambda number: keys[number][1])
    by_value = sorted(by_id, key=lambda number: keys[number][0], reverse=order.downwards)
    return [*by_value, *sorted(rest, key=lambda number: keys[number][1])]


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
    return json.dumps([_as_texts(value), identity])


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
