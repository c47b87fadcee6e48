"""The coins that an answer names, by id: the owner's own number and a short title, so that no client has to ask for each.
Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import accumulate, count, islice
from operator import le
from typing import Annotated

import numpy as np
import numpy.typing as npt
from msgspec import Meta, Struct

from service.evaluation.coins import Coins
from service.evaluation.columns import Columns
from service.evaluation.grouping import grouped
from service.evaluation.known_rules import KnownRules
from service.facts.attributes import Attribute
from service.facts.holding import Holding, View
from service.facts.knowledge import NONE, Among, Knowledge, Subsets
from service.facts.vocabulary import Vocabulary
from service.progress.description import ISSUER, NOTHING, NOUN, YEAR, coin_kind, first_words
from service.rules.labels import Labels
from service.rules.phrases import listed

# What tells coins of one kind, year and issuer apart, in the order in which collectors look.
_APART = (
    *("material", "mintmark", "mint", "strike", "reverse_design", "variety", "edge", "finish", "fineness", "problems"),
    *("grade", "toning"),
)
_MOST_APART = 2
_TEXT_BYTES = 250
_NAMED_BY_ATTRIBUTE = ("mintmark", "edge", "fineness", "grade")

_Numbers = npt.NDArray[np.int64]
_Views = Sequence[View]


class NamedHolding(Struct, frozen=True, gc=False):
    """What people call a holding."""

    number: Annotated[str | None, Meta(description="The owner's own number; null: none.")]
    title: Annotated[
        str, Meta(description="From the facts: year, denomination, issuer; where several coins agree, what differs.")
    ]


Named = Annotated[
    dict[str, NamedHolding], Meta(description="Number and title of every holding that the answer names, by its id.")
]


def named_holdings(
    coins: Iterable[tuple[Holding, _Views]], attributes: Mapping[str, Attribute], vocabularies: Mapping[str, Vocabulary]
) -> dict[str, NamedHolding]:
    """The names of all these holdings, by id; the views of each are what it may be.

    A title is year, denomination and issuer: "1920 threepence, United Kingdom". Where several of the coins agree in these,
    up to two facts in which they differ follow: "1965 dime, United States; clad". It depends on nothing else.
    """
    words, known = _Words(attributes, vocabularies), list(coins)
    told = words.of_views([views for _, views in known])
    return _named([holding.id for holding, _ in known], [holding.number for holding, _ in known], *told, words)


def named_in_columns(
    coins: Coins,
    columns: Columns,
    others: Sequence[tuple[Holding, _Views]],
    vocabularies: Mapping[str, Vocabulary],
    known: KnownRules | None = None,
) -> dict[str, NamedHolding]:
    """The same of `coins`, with the columns of those that are one thing only, and of `others`: what is recorded is put into
    words once for each combination of facts."""

    def no_words() -> _Words:
        return _Words(columns.attributes, vocabularies)

    words = no_words() if known is None else known.once("words", no_words)
    kinds = np.zeros(len(coins), np.int64)
    details = np.zeros((len(words.details), len(coins)), np.int64)
    kinds[coins.single], details[:, coins.single] = words.of_rows(columns)
    several = list(coins.several)
    kinds[several], details[:, several] = words.of_views([coins.views[coin] for coin in several])
    more_kinds, more_details = words.of_views([views for _, views in others])
    ids = [*coins.ids, *(holding.id for holding, _ in others)]
    numbers = [*coins.numbers, *(holding.number for holding, _ in others)]
    return _named(ids, numbers, np.concatenate((kinds, more_kinds)), np.hstack((details, more_details)), words)


def _named(
    ids: Sequence[str], numbers: Sequence[str | None], kinds: _Numbers, details: _Numbers, words: _Words
) -> dict[str, NamedHolding]:
    """The words of kinds and details are numbers; shapes (coins,) and (attributes, coins)."""
    one, other = _telling_apart(kinds, details)
    firsts, title_of = grouped([kinds, one, other], len(kinds))
    text, titles = words.texts, []
    for kind, first, second in zip(kinds[firsts].tolist(), one[firsts].tolist(), other[firsts].tolist(), strict=True):
        title = text[kind]
        if first or second:
            apart = f"{text[first]}, {text[second]}" if first and second else text[first or second]
            title = f"{title}; {apart}" if title else apart
        titles.append(title or NOTHING)
    without_number = [NamedHolding(None, title) for title in titles]
    # A loop, not one call: others get their turn meanwhile.
    every = {identity: without_number[title] for identity, title in zip(ids, title_of.tolist(), strict=True)}
    for identity, number in zip(ids, numbers, strict=True):
        if number:
            every[identity] = NamedHolding(number, every[identity].title)
    return every if all(map(le, ids, islice(ids, 1, None))) else dict(sorted(every.items()))


def _telling_apart(kinds: _Numbers, details: _Numbers) -> tuple[_Numbers, _Numbers]:
    """The first two attributes in which coins of one kind differ that still are alike: for every coin the words of each, or
    nothing (0). Shapes (coins,)."""
    group = grouped([kinds], len(kinds))[1]
    kind, groups = group, int(group.max(initial=-1)) + 1
    used = np.zeros(groups, np.int64)
    told = np.zeros((_MOST_APART, len(kinds)), np.int64)
    for words in details:
        if not (words != words[:1]).any():
            continue
        firsts, finer = grouped([group, words], len(kinds))
        before = np.bincount(kind[grouped([group], len(kinds))[0]], minlength=groups)
        splits = (np.bincount(kind[firsts], minlength=groups) > before) & (used < _MOST_APART)
        here = np.flatnonzero(splits[kind])
        told[used[kind[here]], here] = words[here]
        used += splits
        # Groups of kinds that are not split stay as they are, numbered behind all others.
        group = np.where(splits[kind], finer, group + len(firsts))
    return told[0], told[1]


class _Words:
    """What coins and their facts are called. Each text is put together once, and goes by its number in `texts` from then on;
    number 0 is no text."""

    def __init__(self, attributes: Mapping[str, Attribute], vocabularies: Mapping[str, Vocabulary]) -> None:
        self._labels = Labels(attributes, vocabularies)
        self._parts = [tuple(name for name in part if name in attributes) for part in (NOUN, YEAR, ISSUER)]
        self.base = [name for part in self._parts for name in part]
        self.details = [name for name in _APART if name in attributes]
        # Whoever is first gives the number: several evaluations may go on from one.
        self._numbers: dict[str, int] = {"": 0}
        self.texts: dict[int, str] = {0: ""}
        self._next = count(1)
        self._kinds: dict[tuple[str | None, ...], int] = {}
        self._known_parts: dict[tuple[int, tuple[tuple[Knowledge | None, ...], ...]], str | None] = {}
        self._facts: dict[tuple[str, Knowledge | None], str] = {}

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        return _TEXT_BYTES * (len(self._numbers) + len(self._kinds) + len(self._known_parts) + len(self._facts))

    def of_views(self, coins: Sequence[_Views]) -> tuple[_Numbers, _Numbers]:
        """The kind of every coin, and what may tell it apart from others of its kind; shapes (coins,) and
        (attributes, coins)."""
        kinds = [
            self._kind(tuple(tuple(view.facts.get(name) for name in self.base) for view in views)) for views in coins
        ]
        details = [
            [self._detail(name, [view.facts.get(name) for view in views]) for views in coins] for name in self.details
        ]
        return np.array(kinds, np.int64), np.array(details, np.int64).reshape(len(self.details), len(coins))

    def of_rows(self, columns: Columns) -> tuple[_Numbers, _Numbers]:
        """The same of the rows of columns."""
        parts = [self._parts_of_rows(at, columns) for at in range(len(self._parts))]
        firsts, combination = grouped([number for _, number in parts], columns.rows)
        noun, year, issuer = ([texts[at] for at in number[firsts].tolist()] for texts, number in parts)
        kinds = np.fromiter(map(self._kind_of, noun, year, issuer), np.int64, len(firsts))
        details = np.zeros((len(self.details), columns.rows), np.int64)
        for at, name in enumerate(self.details):
            column = columns.column(name)
            codes, entry = np.unique(column.codes, return_inverse=True)
            told = [self._detail(name, [column.entries[code]]) for code in codes.tolist()]
            details[at] = np.array(told, np.int64)[entry] if told else 0
        return kinds[combination], details

    def _parts_of_rows(self, at: int, columns: Columns) -> tuple[list[str | None], _Numbers]:
        """The texts of one part of a title, and which of them is that of each row; shape (rows,)."""
        read = [columns.column(name) for name in self._parts[at]]
        firsts, combination = grouped([column.codes for column in read], columns.rows)
        entries = [[column.entries[code] for code in column.codes[firsts].tolist()] for column in read]
        facts = zip(*entries, strict=True) if entries else [()] * len(firsts)
        number_of = dict[str | None, int]()
        numbers = [number_of.setdefault(self._part(at, (known,)), len(number_of)) for known in facts]
        return list(number_of), np.array(numbers, np.int64)[combination]

    def _number(self, text: str) -> int:
        found = self._numbers.get(text)
        if found is None:
            # The text first: whoever has the number can read it. Of two threads one leaves a number unused.
            found = next(self._next)
            self.texts[found] = text
            found = self._numbers.setdefault(text, found)
        return found

    def _kind(self, worlds: tuple[tuple[Knowledge | None, ...], ...]) -> int:
        """Year, denomination and issuer; no text where nothing of these is recorded. `worlds` are the facts of each view."""
        starts = accumulate(map(len, self._parts), initial=0)
        parts = zip(starts, map(len, self._parts), strict=False)
        return self._kind_of(
            *(
                self._part(at, tuple(world[first : first + size] for world in worlds))
                for at, (first, size) in enumerate(parts)
            )
        )

    def _kind_of(self, noun: str | None, year: str | None, issuer: str | None) -> int:
        found = self._kinds.get((noun, year, issuer))
        if found is None:
            kind = coin_kind(noun, year) or (issuer and "coin")
            words = ", ".join(filter(None, [kind, issuer]))
            found = self._kinds[noun, year, issuer] = self._number(words)
        return found

    def _part(self, at: int, facts: tuple[tuple[Knowledge | None, ...], ...]) -> str | None:
        """`facts` are those of each view."""
        if (at, facts) not in self._known_parts:
            names = self._parts[at]
            known = [{n: fact for n, fact in zip(names, world, strict=True) if fact is not None} for world in facts]
            self._known_parts[at, facts] = first_words(names, known, self._labels)
        return self._known_parts[at, facts]

    def _detail(self, name: str, known: Sequence[Knowledge | None]) -> int:
        words = list(dict.fromkeys(self._fact(name, fact) for fact in known))
        return self._number("" if "" in words else listed(words, "or"))

    def _fact(self, name: str, known: Knowledge | None) -> str:
        if (name, known) not in self._facts:
            self._facts[name, known] = self._in_words(name, known)
        return self._facts[name, known]

    def _in_words(self, name: str, known: Knowledge | None) -> str:
        label, term = self._labels.name(name), self._labels.term
        if known is None:
            return ""
        if isinstance(known, Subsets):
            return ", ".join(term(name, one) for one in sorted(known.has))
        if isinstance(known, Among) and known.is_plain:
            value = known.values[0]
            if isinstance(value, frozenset):
                return ", ".join(term(name, one) for one in sorted(value)) or f"no {label}"
            if value is NONE:
                return f"no {label}"
        words = first_words((name,), [{name: known}], self._labels) or ""
        return f"{label} {words}" if words and name in _NAMED_BY_ATTRIBUTE else words
