"""A coin in a few words, from what is recorded of it: "1892 or 1893 crown, United Kingdom"; and what messages call a coin:
"No. 8 (1892 crown)". Pure."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from service.assignment.build import Instance
from service.errors import Fault
from service.evaluation.settling import DecidingFact, SettlingFacts
from service.evaluation.table import Table
from service.facts.attributes import Attribute
from service.facts.holding import Holding, View
from service.facts.knowledge import Knowledge, knowledge_as_json
from service.facts.suggestions import pointer_steps
from service.facts.vocabulary import Vocabulary
from service.rules.labels import Labels, shortened
from service.rules.messages import (
    Code,
    CoinPart,
    ConstraintPart,
    FactPart,
    Message,
    MorePart,
    Parts,
    PlacePart,
    message,
    message_of_fault,
    some,
)
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.rules.predicates import ReferenceGap

NOTHING = "coin, kind not recorded"
# Of each line the first attribute that is recorded.
NOUN, YEAR, ISSUER = ("denomination", "object_kind"), ("year_on_coin", "struck"), ("issuer", "legend_issuer")
_PARTS = (NOUN, YEAR, ISSUER)
_MOST_ALTERNATIVES = 4
_MOST_REMEMBERED = 2_000
# An id that the service or a client made; any other one is what the owner calls the coin.
_SERVICE_ID = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")

Recorded = Mapping[str, Any]
Describer = Callable[[Recorded], str]
FactTeller = Callable[[Recorded, str], str | None]


def describer(
    attributes: Mapping[str, Attribute],
    vocabularies: Mapping[str, Vocabulary],
    issue_facts: Mapping[str, Mapping[str, Any]],
    speech: Speech = ENGLISH_SPEECH,
) -> Describer:
    """Describes what is recorded of a piece, {"facts": ..., "issue": ...} as plain values. A fact of its own comes before
    its issue's; where candidates disagree all are named, where one of them is silent the others are not believed."""
    labels = Labels(attributes, vocabularies, speech)

    def describe(recorded: Recorded) -> str:
        worlds = _worlds(recorded, issue_facts)
        noun, year, issuer = (_first(names, worlds, labels) for names in _PARTS)
        kind = coin_kind(noun, year, speech) or (issuer and speech.phrase("coin"))
        return ", ".join(filter(None, (kind, issuer))) or speech.phrase("nothing-recorded")

    return describe


def fact_teller(
    attributes: Mapping[str, Attribute],
    vocabularies: Mapping[str, Vocabulary],
    issue_facts: Mapping[str, Mapping[str, Any]],
    speech: Speech = ENGLISH_SPEECH,
) -> FactTeller:
    """Tells single facts of what is recorded of a piece, as `describer` does: None where nothing is recorded, or a candidate
    issue is silent."""
    labels = Labels(attributes, vocabularies, speech)

    def tell(recorded: Recorded, attribute: str) -> str | None:
        return _first((attribute,), _worlds(recorded, issue_facts), labels)

    return tell


class CoinNames:
    """What messages call a coin: "No. 8 (1920 threepence)", or without a number "1920 threepence (United Kingdom)"; never
    the id that the service gave it."""

    def __init__(self, labels: Labels) -> None:
        self._labels = labels
        self._known: dict[object, tuple[str, str | None]] = {}

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        return 600 * len(self._known)

    def of(self, holding: Holding, views: Sequence[View]) -> CoinPart:
        """The name; `views` are what the coin may be."""
        kind, issuer = self._told(views)
        number = holding.number or (None if _SERVICE_ID.fullmatch(holding.id) else holding.id)
        if number is None and issuer:
            kind = f"{kind or 'A coin'} ({issuer})"
        return CoinPart(holding.id, number, kind or None)

    def _told(self, views: Sequence[View]) -> tuple[str, str | None]:
        """Kind and issuer, put into words once."""
        key = tuple([view.facts.get(name) for view in views for part in _PARTS for name in part])
        found = self._known.get(key)
        if found is None:
            facts = [view.facts for view in views]
            noun, year, issuer = (first_words(part, facts, self._labels) for part in _PARTS)
            if len(self._known) >= _MOST_REMEMBERED:
                self._known.clear()
            found = self._known[key] = coin_kind(noun, year, self._labels.speech), issuer
        return found

    def ignoring(self, holding: Holding, fault: Fault) -> dict[str, Any]:
        """That a fact of the holding was left out, and why: members of an entry. The fault's pointer leads into the holding."""
        first, *others = [*pointer_steps(fault.pointer), ""]
        attribute = others[0] if first == "facts" and others[0] else first
        what, coin = fact_part(self._labels, attribute), self.of(holding, (View(holding.facts),))
        said = message("ignored", coin=coin, what=what, why=message_of_fault(fault))
        return {"pointer": fault.pointer, **said.members()}


def coin_kind(noun: str | None, year: str | None, speech: Speech = ENGLISH_SPEECH) -> str:
    """Denomination and year together: "1920 threepence", "crown struck 1951", "20 cents 1875"; empty where there is neither."""
    if year is None:
        return noun or ""
    noun = noun or speech.phrase("coin")
    # In other languages the year stands behind whatever it is.
    if "," in year or (year.endswith("later") and not year.startswith("struck")):
        code = "title-apart"
    # Two figures side by side would read as one number.
    elif noun[:1].isdigit() or year.startswith(("struck", "up to")):
        code = "title-behind"
    else:
        code = "title"
    return speech.phrase(code, noun=noun, year=year)


def first_words(names: Sequence[str], worlds: Sequence[Mapping[str, Knowledge]], labels: Labels) -> str | None:
    """What the first of these attributes that is recorded in every world says; None where none is."""
    plain = [{name: knowledge_as_json(world[name]) for name in names if name in world} for world in worlds]
    return _first(names, plain, labels)


def fact_part(labels: Labels, attribute: str, look_at: str = "") -> FactPart:
    """An attribute by its label inside a sentence; by its name where there is none of this name."""
    return FactPart(attribute, labels.name(attribute) if attribute in labels.attributes else attribute, look_at)


class MessageNames:
    """What messages call the coins, places and facts of an instance."""

    def __init__(self, instance: Instance, table: Table, speech: Speech = ENGLISH_SPEECH) -> None:
        self._instance, self._attributes = instance, Labels(table.attributes, table.context.vocabularies, speech)

        def coins() -> CoinNames:
            return CoinNames(self._attributes)

        # Those in English alone are kept, since messages are.
        kept = table.known if speech is ENGLISH_SPEECH else None
        self._coins = coins() if kept is None else kept.once("coin names", coins)
        self._labels = {place.address: place.label for place in instance.places}
        self._labels |= {place.group: place.group_label for place in instance.places if place.group}
        self._rules = {rule.id: rule.label for rule in instance.constraints}

    def coin(self, coin: int) -> CoinPart:
        """The coin by its number in the instance."""
        return self._coins.of(self._instance.holdings[coin], self._instance.views[coin])

    def by_id(self, holding: str) -> CoinPart:
        """The coin of the instance that has this id."""
        coin = self._instance.coins.position(holding)
        assert coin is not None
        return self.coin(coin)

    def held(self, holding: Holding) -> CoinPart:
        """A holding that need not be in the instance, by its own facts."""
        return self._coins.of(holding, (View(holding.facts),))

    def place(self, address: str) -> PlacePart:
        """A place, or a group by its id, a long label shortened."""
        return PlacePart(address, shortened(self.label(address)))

    def label(self, address: str) -> str:
        """The label of a place, or of a group by its id; the address of one that the set does not have."""
        return self._labels.get(address) or address

    def rule(self, identity: str) -> ConstraintPart:
        """A rule over several places, a long label shortened."""
        return ConstraintPart(identity, shortened(self._rules.get(identity) or identity))

    def places(self, addresses: Iterable[str]) -> list[PlacePart | MorePart]:
        """The first few of them, each label once."""
        by_label: dict[str, PlacePart] = {}
        for address in addresses:
            by_label.setdefault(self.label(address), self.place(address))
        return some(list(by_label.values()))

    def to_check(self, facts: Iterable[DecidingFact]) -> list[FactPart]:
        """Facts that would settle a doubt, with where to look."""
        return [fact_part(self._attributes, fact.attribute, fact.look_at) for fact in facts]

    def what_settles(self, code: str, settled: SettlingFacts, **told: Any) -> Message:
        """What to check, and what the vocabularies do not say, by the messages whose codes begin with this one."""
        gaps = [gap.as_message() for gap in self.missing(settled.gaps)]
        check = self.to_check(settled.facts)
        if gaps:
            told["gaps"] = some(gaps)
            if not check:
                return message(f"{code}-by-reference", **told)
            return message(f"{code}-and-reference", **told, check=check)
        if not check:
            return message(f"{code}-nothing-settles", **told)
        return message(code, **told, check=check)

    def missing(self, gaps: Iterable[ReferenceGap]) -> list[MissingReference]:
        """What the vocabularies do not say: "the vocabulary 'issuers' has no end date for Siam"."""
        return [missing_reference(gap, self._attributes) for gap in gaps]

    def fact(self, attribute: str) -> FactPart:
        """The attribute by its label inside a sentence."""
        return fact_part(self._attributes, attribute)


class MissingReference(Struct, frozen=True):
    """What a vocabulary does not say of a recorded term, so that no look at the coin would tell."""

    attribute: str
    vocabulary: str
    term: str
    missing: Annotated[
        Literal["term", "end date"], Meta(description="It does not know the term, or not when the issuer ended.")
    ]
    message: str
    code: Code
    parts: Parts

    def as_message(self) -> Message:
        """The message alone."""
        return Message(self.message, self.code, self.parts)


def missing_reference(gap: ReferenceGap, labels: Labels) -> MissingReference:
    """What a vocabulary does not say, as it is sent."""
    if gap.missing == "term":
        said = message("reference-unknown-term", vocabulary=gap.vocabulary, term=gap.term)
    else:
        term = labels.term(gap.attribute, gap.term)
        said = message("reference-no-end-date", vocabulary=gap.vocabulary, term=term)
    return MissingReference(gap.attribute, gap.vocabulary, gap.term, gap.missing, **said.members())


def _worlds(recorded: Recorded, issue_facts: Mapping[str, Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The facts for each issue that the piece may be."""
    own, issue = recorded.get("facts") or {}, recorded.get("issue")
    candidates = issue["one_of"] if isinstance(issue, Mapping) else [] if issue is None else [issue]
    return [{**issue_facts.get(name, {}), **own} for name in candidates] or [own]


def _first(names: Sequence[str], worlds: Sequence[Recorded], labels: Labels) -> str | None:
    """What the first of these attributes that is recorded says."""
    for name in names:
        values = [world.get(name) for world in worlds]
        if values and all(_words(name, value, labels) for value in values):
            spans = _spans(values, labels) if name in YEAR else None
            words = [word for one in _alternatives(values) if (word := _words(name, one, labels))]
            said = _several(spans or list(dict.fromkeys(words)), labels)
            return labels.say("struck", value=said) if name == "struck" else said
    return None


def _alternatives(values: Sequence[Any]) -> list[Any]:
    """What candidate issues say, alternatives one by one: each is said once. Numbers of several issues in their order."""
    each: list[Any] = []
    for value in values:
        each += value["one_of"] if isinstance(value, Mapping) and "one_of" in value else [value]
    return sorted(each) if len(values) > 1 and all(isinstance(one, int) for one in each) else each


def _spans(values: Sequence[Any], labels: Labels) -> list[str] | None:
    """Years and closed ranges of years in order, those that touch joined: candidate issues of one kind follow each other. None
    where a value is something else."""
    ends = []
    for value in values:
        low, high = (value.get("from"), value.get("to")) if isinstance(value, Mapping) else (value, value)
        if not isinstance(low, int) or not isinstance(high, int):
            return None
        ends.append((low, high))
    joined: list[tuple[int, int]] = []
    for low, high in sorted(ends):
        if joined and len(ends) > 2 and low <= joined[-1][1] + 1:
            joined[-1] = joined[-1][0], max(joined[-1][1], high)
        else:
            joined.append((low, high))
    told = (str(low) if low == high else labels.say("range", low=low, high=high) for low, high in joined)
    return list(dict.fromkeys(told))


def _words(name: str, value: Any, labels: Labels) -> str | None:
    """A recorded fact as a collector would say it; None where there is nothing to say."""
    if isinstance(value, Mapping):
        if "one_of" in value:
            return _several([word for one in value["one_of"] if (word := _words(name, one, labels))], labels)
        if "none" in value:
            return labels.say("undated") if name == "year_on_coin" else None
        if "has" in value or "perhaps" in value:
            return None
        low, high = value.get("from"), value.get("to")
        if low is None:
            return labels.say("up-to", value=high)
        return labels.say("or-later", value=low) if high is None else labels.say("range", low=low, high=high)
    if isinstance(value, str):
        return labels.term(name, value)
    return None if value is None or isinstance(value, list) else str(value)


def _several(words: Sequence[str], labels: Labels) -> str:
    if len(words) > _MOST_ALTERNATIVES + 1:
        first, more = ", ".join(words[:_MOST_ALTERNATIVES]), len(words) - _MOST_ALTERNATIVES
        return labels.say("or-others", words=first, count=more)
    return labels.listed(words, "or")
