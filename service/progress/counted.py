"""How many coins have which value of an attribute: what a person chooses from when a rule is made. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Annotated

from msgspec import UNSET, Meta, Struct, UnsetType

from service.facts.knowledge import NONE, Among, Knowledge, Subsets, Value, value_as_json
from service.facts.vocabulary import Vocabulary

MOST_VALUES = 2_000

Known = Iterable[tuple[tuple[Knowledge | None, ...], int]]
"""What is known of an attribute, and of how many coins; several entries: the coin may be several things."""
PlainValue = str | bool | int | float


class ValueCount(Struct, frozen=True):
    """One value, and the coins behind it."""

    value: PlainValue
    coins: Annotated[int, Meta(description="Coins that have it for certain; of a list: among others.")]
    perhaps: Annotated[int, Meta(description="Coins that may have it: one of several, or in doubt.")]
    with_narrower: Annotated[
        int | UnsetType,
        Meta(description="Of a term: the coins that have it, or a term below it, for certain, each once."),
    ] = UNSET


class AttributeCount(Struct, frozen=True):
    """One attribute, and the coins of which something is known of it."""

    attribute: str
    known: Annotated[int, Meta(description="Coins of which it is known, if only as one of several or as a range.")]
    none: Annotated[int, Meta(description="Of these, known to be none.")]
    ranges: Annotated[int, Meta(description="Of these, known as a range only: they are behind no value.")]
    values: Annotated[
        list[ValueCount] | UnsetType,
        Meta(description=f"Of an attribute that was asked for: the {MOST_VALUES:,} with the most coins, most first."),
    ] = UNSET


class HoldingCounts(Struct, frozen=True):
    """What is known of the coins that are held."""

    holdings: Annotated[int, Meta(description="All that are held; a holding of several like pieces counts once.")]
    attributes: Annotated[
        list[AttributeCount],
        Meta(description="The one that was asked for, or all of which something is known, most coins first."),
    ]


def count_attribute(name: str, known: Known) -> AttributeCount:
    """The attribute as a whole."""
    found, none, ranges = 0, 0, 0
    for facts, coins in known:
        settled = [fact for fact in facts if fact is not None]
        found += coins * bool(settled)
        none += coins * (len(settled) == len(facts) and all(_values(fact) == [NONE] for fact in settled))
        ranges += coins * (bool(settled) and all(_values(fact) is None for fact in settled))
    return AttributeCount(name, found, none, ranges)


def count_values(known: Known, vocabulary: Vocabulary | None) -> list[ValueCount]:
    """The values that coins have or may have, most coins first, then by the value; of terms those above them too."""
    certain, possible, narrower = Counter[Value](), Counter[Value](), Counter[Value]()
    for facts, coins in known:
        surely = set.intersection(*(_certain(fact) for fact in facts))
        every = {value for fact in facts if fact is not None for value in _possible(fact)}
        certain.update(dict.fromkeys(surely, coins))
        possible.update(dict.fromkeys(every - surely, coins))
        if vocabulary is not None:
            above = {term for value in surely for term in (value, *vocabulary.above.get(str(value), ()))}
            narrower.update(dict.fromkeys(above, coins))
    values = {*certain, *possible, *narrower} - {NONE}
    weight = narrower if vocabulary is not None else certain
    ordered = sorted(values, key=lambda value: (-weight[value], -possible[value], str(value)))
    return [
        ValueCount(
            _plain(value),
            certain[value],
            possible[value],
            UNSET if vocabulary is None else narrower[value],
        )
        for value in ordered[:MOST_VALUES]
    ]


def _plain(value: Value) -> PlainValue:
    plain = value_as_json(value)
    return plain if isinstance(plain, str | bool | int) else float(plain)  # type: ignore[arg-type]


def _values(fact: Knowledge) -> Sequence[Value] | None:
    """The values that it may be, lists as a whole; None: they are not listed."""
    return list(fact.values) if isinstance(fact, Among) else None if not isinstance(fact, Subsets) else [fact.every]


def _certain(fact: Knowledge | None) -> set[Value]:
    """The values that the coin has whatever it is; of a list its members."""
    if isinstance(fact, Subsets):
        return set(fact.has)
    if not isinstance(fact, Among):
        return set()
    found: list[set[Value]] = [set(value) if isinstance(value, frozenset) else {value} for value in fact.values]
    return found[0].intersection(*found[1:])


def _possible(fact: Knowledge) -> Iterable[Value]:
    if isinstance(fact, Subsets):
        return fact.every
    if not isinstance(fact, Among):
        return ()
    return {one for value in fact.values for one in (value if isinstance(value, frozenset) else (value,))}
