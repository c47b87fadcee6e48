"""Names of coins made coin by coin: what `service.progress.named` does for columns, as it was first written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from service.facts.attributes import Attribute
from service.facts.holding import Holding, View
from service.facts.knowledge import NONE, Among, Knowledge, Subsets
from service.facts.vocabulary import Vocabulary
from service.progress.description import ISSUER, NOTHING, NOUN, YEAR, coin_kind, first_words
from service.progress.named import NamedHolding
from service.rules.labels import Labels
from service.rules.phrases import listed

_BASE = (*NOUN, *YEAR, *ISSUER)
# What tells coins of one kind, year and issuer apart, in the order in which collectors look.
_APART = (
    *("material", "mintmark", "mint", "strike", "reverse_design", "variety", "edge", "finish", "fineness", "problems"),
    *("grade", "toning"),
)
_MOST_APART = 2
_NAMED_BY_ATTRIBUTE = ("mintmark", "edge", "fineness", "grade")

_Facts = tuple[Knowledge | None, ...]


def named_one_by_one(
    coins: Iterable[tuple[Holding, Sequence[View]]],
    attributes: Mapping[str, Attribute],
    vocabularies: Mapping[str, Vocabulary],
) -> dict[str, NamedHolding]:
    """The names of all these holdings, by id; the views of each are what it may be.

    A title is year, denomination and issuer: "1920 threepence, United Kingdom". Where several of the coins agree in these,
    up to two facts in which they differ follow: "1965 dime, United States; clad". It depends on nothing else.
    """
    titles = _Titles(attributes, vocabularies)
    known = [(holding, titles.kind_of(views), titles.details_of(views)) for holding, views in coins]
    alike: dict[str, dict[int, None]] = {}
    for _, kind, details in known:
        alike.setdefault(kind, {})[details] = None
    apart = {kind: titles.apart(list(details)) for kind, details in alike.items()}
    return {
        holding.id: NamedHolding(
            holding.number or None, "; ".join(filter(None, [kind, apart[kind][details]])) or NOTHING
        )
        for holding, kind, details in sorted(known, key=lambda one: one[0].id)
    }


class _Titles:
    """Each kind and each detail is put into words once, and goes by a number from then on: facts are slow to compare."""

    def __init__(self, attributes: Mapping[str, Attribute], vocabularies: Mapping[str, Vocabulary]) -> None:
        self._labels = Labels(attributes, vocabularies)
        self._base = [name for name in _BASE if name in attributes]
        self._apart = [name for name in _APART if name in attributes]
        self._kinds: dict[tuple[_Facts, ...], str] = {}
        self._numbers: dict[tuple[_Facts, ...], int] = {}
        self._details: list[tuple[_Facts, ...]] = []
        self._words: dict[tuple[str, Knowledge | None], str] = {}

    def kind_of(self, views: Sequence[View]) -> str:
        """Year, denomination and issuer; empty where nothing of these is recorded."""
        facts = _facts(views, self._base)
        found = self._kinds.get(facts)
        if found is None:
            worlds = [
                {name: known for name, known in zip(self._base, world, strict=True) if known is not None}
                for world in facts
            ]
            noun, year, issuer = (first_words(part, worlds, self._labels) for part in (NOUN, YEAR, ISSUER))
            kind = coin_kind(noun, year) or (issuer and "coin")
            found = self._kinds[facts] = ", ".join(filter(None, [kind, issuer]))
        return found

    def details_of(self, views: Sequence[View]) -> int:
        """What may tell the coin apart from others of its kind, by a number."""
        facts = _facts(views, self._apart)
        number = self._numbers.setdefault(facts, len(self._details))
        if number == len(self._details):
            self._details.append(facts)
        return number

    def apart(self, coins: Sequence[int]) -> dict[int, str]:
        """What tells coins of one kind apart, in words, by the numbers of their details. Empty for a coin alone of its kind,
        and where nothing that differs is recorded."""
        said: dict[int, tuple[str, ...]] = dict.fromkeys(coins, ())
        used = 0
        for at, name in enumerate(self._apart):
            if used == _MOST_APART or len(set(said.values())) == len(said):
                break
            words = {coin: self._detail(name, [facts[at] for facts in self._details[coin]]) for coin in coins}
            groups: dict[tuple[str, ...], set[str]] = {}
            for coin in coins:
                groups.setdefault(said[coin], set()).add(words[coin])
            if any(len(group) > 1 for group in groups.values()):
                used += 1
                said = {coin: (*parts, words[coin]) for coin, parts in said.items()}
        return {coin: ", ".join(filter(None, parts)) for coin, parts in said.items()}

    def _detail(self, name: str, known: Sequence[Knowledge | None]) -> str:
        words = list(dict.fromkeys(self._fact(name, fact) for fact in known))
        return "" if "" in words else listed(words, "or")

    def _fact(self, name: str, known: Knowledge | None) -> str:
        if (name, known) not in self._words:
            self._words[name, known] = self._in_words(name, known)
        return self._words[name, known]

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


def _facts(views: Sequence[View], names: Sequence[str]) -> tuple[_Facts, ...]:
    return tuple(tuple(view.facts.get(name) for name in names) for view in views)
