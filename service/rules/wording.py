"""Rules as sentences: "a half crown from the United Kingdom dated 1928 to 1936, fineness 0.5 or more".

The words are made from the checked tree, so that they describe what is evaluated. Clauses that have a customary place in
the description of a coin (denomination, issuer, date, metal) are put there; all others follow as plain clauses, in the
order of the rule.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from service.facts.knowledge import value_in_words
from service.rules.constraints import Constraint
from service.rules.definition import Definition, FreeChoice, OnePer, Slot
from service.rules.labels import Labels, listed, with_article
from service.rules.predicates import And, Leaf, Not, Or, Predicate
from service.rules.preferences import Preference

_NOUNS = ("denomination", "object_kind")


class RuleWording(Labels):
    """Rules in words, with the labels of the attributes and of the terms of their vocabularies."""

    def coin(self, predicate: Predicate) -> str:
        """What a coin must be: "a penny dated before 1901 without problems"."""
        if isinstance(predicate, Or):
            ways = [self.coin(item) for item in predicate.items]
            return "; or ".join(ways) if any("," in way for way in ways) else listed(ways, "or")
        noun, rest = self._noun(list(_conjuncts(predicate)))
        close: list[str] = []
        loose: list[str] = []
        for item in rest:
            words = item.attributive(self) if isinstance(item, Leaf) else None
            if words is None:
                loose.append(self.clause(item))
            else:
                close.append(words)
        text = " ".join([noun, *close])
        return f"{text}, {listed(loose, 'and')}" if loose else text

    def clause(self, predicate: Predicate) -> str:
        """One clause by itself: "grade at least 20"."""
        if isinstance(predicate, And | Or):
            word = "and" if isinstance(predicate, And) else "or"
            return listed([self._bracketed(item) for item in predicate.items], word)
        if isinstance(predicate, Not):
            inner = predicate.item
            return inner.words_negated(self) if isinstance(inner, Leaf) else f"not ({self.clause(inner)})"
        return predicate.words(self)

    def need(self, predicate: Predicate) -> str:
        """What a coin needs to fit one clause: "a horse among the main motifs", "grade at least 20"."""
        return self.clause(predicate).removeprefix("with ")

    def constraint(self, constraint: Constraint, labels: Mapping[str, str]) -> str:
        """A rule over several places: "over 'a' and 'b', all coins agree in mint"; `labels` are names by id."""
        where = listed([labels.get(name, name) for name in constraint.places], "and") or "the whole set"
        named = replace(constraint, place=labels.get(constraint.place, constraint.place))
        return f"over {where}, {_constraint(named, self)}"

    def _noun(self, items: list[Predicate]) -> tuple[str, list[Predicate]]:
        for name in _NOUNS:
            for item in items:
                values = _equal_to(item, name)
                if values is not None:
                    kinds = [other for other in items if _equal_to(other, "object_kind") == ("coin",)]
                    rest = [other for other in items if other is not item and other not in kinds]
                    return listed([with_article(value) for value in values], "or"), rest
        return "a coin", items

    def _bracketed(self, item: Predicate) -> str:
        return f"({self.clause(item)})" if isinstance(item, And | Or) else self.clause(item)


def _conjuncts(predicate: Predicate) -> Iterable[Predicate]:
    if isinstance(predicate, And):
        for item in predicate.items:
            yield from _conjuncts(item)
    else:
        yield predicate


def _equal_to(item: Predicate, name: str) -> tuple[str, ...] | None:
    """The texts, one of which the attribute must equal."""
    found = item.equal_texts if isinstance(item, Leaf) else None
    return found[1] if found is not None and found[0] == name else None


_ANY_COIN = "a coin"


# --- a whole definition ------------------------------------------------------------------------------------------


def describe_definition(definition: Definition) -> list[str]:
    """The definition in plain sentences, one for each thing that it says, in the order of the document."""
    speak = RuleWording(definition.attributes, definition.vocabularies)
    places = (said for place in _places(definition, speak) for said in (f"{place.label}: {place.takes}", *place.rules))
    return [
        *_opening(definition, speak),
        *places,
        *(f"Over {where}: {said}" for where, said in _rules(definition, speak)),
    ]


def places_in_words(definition: Definition) -> dict[str, str]:
    """What each slot, and each place of a group, takes, by the id of the slot or the group."""
    speak = RuleWording(definition.attributes, definition.vocabularies)
    parts: list[Slot | OnePer | FreeChoice] = [*definition.slots, *definition.one_per, *definition.free_choice]
    return {part.id: _ANY_COIN if part.accepts is None else speak.coin(part.accepts.predicate) for part in parts}


@dataclass(frozen=True, slots=True)
class PlaceInWords:
    """A place or a group by its id, its label, what it takes as a sentence, and the rules over its own places."""

    id: str
    label: str
    takes: str
    rules: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SectionsInWords:
    """A definition in words, part by part. `scope`: what counts at all, None where everything does. `pages`: the pages of the
    layout with their places, those of no page at the end under None. `rules`: those over several places, each with its label.
    `preferences`: which of two coins that fit is the better, by the first of these in which they differ."""

    scope: str | None
    pages: tuple[tuple[str | None, tuple[PlaceInWords, ...]], ...]
    rules: tuple[tuple[str, str], ...]
    preferences: tuple[str, ...]


def sections_in_words(definition: Definition) -> SectionsInWords:
    """The definition in words, for a page that shows its parts apart."""
    speak = RuleWording(definition.attributes, definition.vocabularies)
    places = {place.id: place for place in _places(definition, speak)}
    pages: list[tuple[str | None, tuple[PlaceInWords, ...]]] = [
        (page["page"], tuple(places.pop(name) for name in page["slots"] if name in places))
        for page in definition.document.get("layout") or ()
    ]
    pages.append((None, tuple(places.values())))
    return SectionsInWords(
        None if definition.scope is None else speak.coin(definition.scope.predicate),
        tuple((title, found) for title, found in pages if found),
        tuple(_rules(definition, speak)),
        tuple(_preference(preference, speak) for preference in definition.prefer),
    )


def _opening(definition: Definition, speak: RuleWording) -> Iterator[str]:
    yield f"{definition.title}."
    if definition.scope is not None:
        yield f"Only this counts at all: {speak.coin(definition.scope.predicate)}."
    if definition.prefer:
        yield f"Of coins that fit, the better is {_preferred(definition.prefer, speak)}."


def _preferred(prefer: Sequence[Preference], speak: RuleWording) -> str:
    """Preferences in words, in their order."""
    return ", then ".join(_preference(preference, speak) for preference in prefer)


def _preference(preference: Preference, speak: RuleWording) -> str:
    where = preference.where
    return preference.kind.words(preference, speak.coin(where.predicate) if where else speak.name(preference.attribute))


def _places(definition: Definition, speak: RuleWording) -> Iterator[PlaceInWords]:
    for slot in definition.slots:
        what = speak.coin(slot.accepts.predicate)
        takes = f"{what}{_own(slot.prefer, speak)}.{_note(slot.note)}"
        yield PlaceInWords(slot.id, f"{slot.label}{_optional(slot.tier)}", takes)
    for group in definition.one_per:
        what = speak.coin(group.accepts.predicate) if group.accepts is not None else _ANY_COIN
        each = f"One for each {_key(group, speak)}{_optional(group.tier)}{_keys(group, speak)}"
        yield PlaceInWords(group.id, each, f"{what}{_own(group.prefer, speak)}.{_note(group.note)}")
    for choice in definition.free_choice:
        what = speak.coin(choice.accepts.predicate)
        each = f"{choice.label}{_optional(choice.tier)}, {choice.places} of free choice"
        rules = tuple(f"Among these {choice.places}, {_constraint(rule, speak)}." for rule in choice.rules)
        takes = f"each {what}{_own(choice.prefer, speak)}.{_note(choice.note)}"
        yield PlaceInWords(choice.id, each, takes, rules)


def _note(note: str) -> str:
    """The author's note, on one line."""
    return f" Note: {' '.join(note.split())}" if note else ""


def _optional(tier: str) -> str:
    return " (optional)" if tier == "optional" else ""


def _own(prefer: Sequence[Preference], speak: RuleWording) -> str:
    return f"; here the better is {_preferred(prefer, speak)}" if prefer else ""


def _key(group: OnePer, speak: RuleWording) -> str:
    """What the places differ in: "denomination and year on coin (spans of 10)"."""
    names = []
    for part in group.parts:
        cut = f" (spans of {value_in_words(part.band)})" if part.band is not None else ""
        cut = f" ({listed([band.key for band in part.bands], 'or')})" if part.bands else cut
        names.append(f"{speak.name(part.attribute)}{cut}")
    return listed(names, "and")


def _keys(group: OnePer, speak: RuleWording) -> str:
    keys = group.keys
    if keys.is_open:
        return " that your coins show"
    if keys.source == "list":
        return f" of {len(keys.values)} named"
    source = "the catalogue" if keys.source == "catalogue" else f"the vocabulary {keys.vocabulary}"
    return f" of {source}" + (f" where {speak.clause(keys.where.predicate)}" if keys.where is not None else "")


def _rules(definition: Definition, speak: RuleWording) -> Iterator[tuple[str, str]]:
    """Over what each rule is, and what it says as a sentence."""
    parts: list[Slot | FreeChoice] = [*definition.slots, *definition.free_choice]
    labels = {part.id: f"'{part.label}'" for part in parts} | {part.id: f"'{part.name}'" for part in definition.one_per}
    for constraint in definition.constraints:
        where = listed([labels.get(name, name) for name in constraint.places], "and") or "the whole set"
        named = replace(constraint, place=labels.get(constraint.place, constraint.place))
        name = "" if constraint.label in ("", constraint.id) else f" ('{constraint.label}')"
        yield f"{where}{name}", f"{_constraint(named, speak)}.{_note(constraint.note)}"


def _constraint(constraint: Constraint, speak: RuleWording) -> str:
    by = listed([speak.name(name) for name in constraint.by], "and")
    return constraint.kind.words(constraint, by, speak.coin(constraint.where.predicate) if constraint.where else "")
