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
from service.rules.labels import Labels
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.rules.predicates import And, Leaf, Not, Or, Predicate
from service.rules.preferences import Preference

_NOUNS = ("denomination", "object_kind")


class RuleWording(Labels):
    """Rules in words, with the labels of the attributes and of the terms of their vocabularies."""

    def coin(self, predicate: Predicate) -> str:
        """What a coin must be: "a penny dated before 1901 without problems"."""
        if isinstance(predicate, Or):
            ways = [self.coin(item) for item in predicate.items]
            return f"; {self.say('or')} ".join(ways) if any("," in way for way in ways) else self.listed(ways, "or")
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
        return self.say("coin-that", coin=text, clauses=self.listed(loose, "and")) if loose else text

    def clause(self, predicate: Predicate) -> str:
        """One clause by itself: "grade at least 20"."""
        if isinstance(predicate, And | Or):
            word = "and" if isinstance(predicate, And) else "or"
            return self.listed([self._bracketed(item) for item in predicate.items], word)
        if isinstance(predicate, Not):
            inner = predicate.item
            if isinstance(inner, Leaf):
                return inner.words_negated(self)
            return self.say("not-all-that", words=self.clause(inner))
        return predicate.words(self)

    def need(self, predicate: Predicate) -> str:
        """What a coin needs to fit one clause: "a horse among the main motifs", "grade at least 20"."""
        return self.clause(predicate).removeprefix(self.say("with-"))

    def preference(self, preference: Preference) -> str:
        """Which of two coins is the better: "the one with the highest grade"."""
        if preference.where is not None:
            coin = self.coin(preference.where.predicate)
            subject = coin.removeprefix(f"{self.say('a-coin')}, ").removeprefix(f"{self.say('a-coin')} ")
        else:
            subject = self.name(preference.attribute)
        values = [self.term(preference.attribute, value) for value in preference.values]
        return self.say(preference.kind.phrase, subject=subject, values=self.listed(values, "and"))

    def rule(self, constraint: Constraint) -> str:
        """What a rule over several places says: "all coins agree in mint"."""
        where = constraint.where
        return self.say(
            f"rule-{constraint.kind.name}{'' if where is None else '-where'}",
            by=self.listed([self.name(name) for name in constraint.by], "and"),
            coin="" if where is None else self.coin(where.predicate),
            count=constraint.count,
            place=constraint.place,
        )

    def over(self, constraint: Constraint, labels: Mapping[str, str]) -> str:
        """Over what it is."""
        return self.listed([labels.get(name, name) for name in constraint.places], "and") or self.say("whole-set")

    def constraint(self, constraint: Constraint, labels: Mapping[str, str]) -> str:
        """A rule over several places: "over 'a' and 'b', all coins agree in mint"; `labels` are names by id."""
        named = replace(constraint, place=labels.get(constraint.place, constraint.place))
        return self.say("over-inside", where=self.over(constraint, labels), rule=self.rule(named))

    def _noun(self, items: list[Predicate]) -> tuple[str, list[Predicate]]:
        for name in _NOUNS:
            for item in items:
                values = _equal_to(item, name)
                if values is not None:
                    kinds = [other for other in items if _equal_to(other, "object_kind") == ("coin",)]
                    rest = [other for other in items if other is not item and other not in kinds]
                    return self.listed([self.speech.thing(self.term(name, value)) for value in values], "or"), rest
        return self.say("a-coin"), items

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


# --- a whole definition ------------------------------------------------------------------------------------------


def describe_definition(definition: Definition, speech: Speech = ENGLISH_SPEECH) -> list[str]:
    """The definition in plain sentences, one for each thing that it says, in the order of the document."""
    speak = RuleWording(definition.attributes, definition.vocabularies, speech)
    places = (
        said
        for place in _places(definition, speak)
        for said in (speak.say("place", label=place.label, takes=place.takes), *place.rules)
    )
    rules = (speak.say("over", where=where, rule=said) for where, said in _rules(definition, speak))
    return [*_opening(definition, speak), *places, *rules]


def places_in_words(definition: Definition, speech: Speech = ENGLISH_SPEECH) -> dict[str, str]:
    """What each slot, and each place of a group, takes, by the id of the slot or the group."""
    speak = RuleWording(definition.attributes, definition.vocabularies, speech)
    parts: list[Slot | OnePer | FreeChoice] = [*definition.slots, *definition.one_per, *definition.free_choice]
    return {part.id: _accepted(part, speak) for part in parts}


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


def sections_in_words(definition: Definition, speech: Speech = ENGLISH_SPEECH) -> SectionsInWords:
    """The definition in words, for a page that shows its parts apart."""
    speak = RuleWording(definition.attributes, definition.vocabularies, speech)
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
        tuple(map(speak.preference, definition.prefer)),
    )


def _opening(definition: Definition, speak: RuleWording) -> Iterator[str]:
    yield f"{definition.title}."
    if definition.scope is not None:
        yield speak.say("only-scope", coin=speak.coin(definition.scope.predicate))
    if definition.prefer:
        yield speak.say("better-is", preferred=_preferred(definition.prefer, speak))


def _preferred(prefer: Sequence[Preference], speak: RuleWording) -> str:
    """Preferences in words, in their order."""
    return speak.say("then").join(map(speak.preference, prefer))


def _accepted(part: Slot | OnePer | FreeChoice, speak: RuleWording) -> str:
    return speak.say("a-coin") if part.accepts is None else speak.coin(part.accepts.predicate)


def _places(definition: Definition, speak: RuleWording) -> Iterator[PlaceInWords]:
    for slot in definition.slots:
        yield PlaceInWords(slot.id, _tiered(slot.label, slot.tier, speak), _takes(slot, speak))
    for group in definition.one_per:
        each = _tiered(speak.say("one-for-each", key=_key(group, speak)), group.tier, speak)
        yield PlaceInWords(group.id, _keys(each, group, speak), _takes(group, speak))
    for choice in definition.free_choice:
        each = speak.say("free-choice", label=_tiered(choice.label, choice.tier, speak), places=choice.places)
        rules = (speak.say("among-these", places=choice.places, rule=speak.rule(rule)) for rule in choice.rules)
        yield PlaceInWords(choice.id, each, speak.say("each-takes", takes=_takes(choice, speak)), tuple(rules))


def _takes(part: Slot | OnePer | FreeChoice, speak: RuleWording) -> str:
    """What a place takes, as a sentence with its own preferences and its note."""
    coin = _accepted(part, speak)
    preferred = _preferred(part.prefer, speak)
    said = speak.say("takes-better", coin=coin, preferred=preferred) if preferred else speak.say("takes", coin=coin)
    return f"{said}{_note(part.note, speak)}"


def _note(note: str, speak: RuleWording) -> str:
    """The author's note, on one line."""
    return speak.say("note", note=" ".join(note.split())) if note else ""


def _tiered(label: str, tier: str, speak: RuleWording) -> str:
    return speak.say("optional", label=label) if tier == "optional" else label


def _key(group: OnePer, speak: RuleWording) -> str:
    """What the places differ in: "denomination and year on coin (spans of 10)"."""
    names = []
    for part in group.parts:
        name = speak.name(part.attribute)
        if part.bands:
            name = speak.say("bands", name=name, bands=speak.listed([band.key for band in part.bands], "or"))
        elif part.band is not None:
            name = speak.say("spans", name=name, span=value_in_words(part.band))
        names.append(name)
    return speak.listed(names, "and")


def _keys(each: str, group: OnePer, speak: RuleWording) -> str:
    """The name of a group with where its keys come from."""
    keys = group.keys
    if keys.is_open:
        return speak.say("keys-open", each=each)
    if keys.source == "list":
        return speak.say("keys-listed", each=each, count=len(keys.values))
    source = (
        speak.say("the-catalogue") if keys.source == "catalogue" else speak.say("the-vocabulary", name=keys.vocabulary)
    )
    if keys.where is None:
        return speak.say("keys-of", each=each, source=source)
    return speak.say("keys-of-where", each=each, source=source, clause=speak.clause(keys.where.predicate))


def _rules(definition: Definition, speak: RuleWording) -> Iterator[tuple[str, str]]:
    """Over what each rule is, and what it says as a sentence."""
    parts: list[Slot | FreeChoice] = [*definition.slots, *definition.free_choice]
    named = {part.id: part.label for part in parts} | {part.id: part.name for part in definition.one_per}
    labels = {identity: speak.say("quoted", label=label) for identity, label in named.items()}
    for constraint in definition.constraints:
        where = speak.over(constraint, labels)
        if constraint.label not in ("", constraint.id):
            where = speak.say("over-named", where=where, label=constraint.label)
        rule = speak.rule(replace(constraint, place=labels.get(constraint.place, constraint.place)))
        yield where, f"{speak.say('rule', rule=rule)}{_note(constraint.note, speak)}"
