"""Rules as sentences: "a half crown from the United Kingdom dated 1928 to 1936, fineness 0.5 or more".

The wording is made from the checked tree, so that it says what is evaluated. What has a customary place in the description
of a coin (denomination, issuer, date, metal) is put there; everything else follows as plain clauses, in the order of the
rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date

from service.facts.attributes import Attribute
from service.facts.knowledge import Value, in_words
from service.facts.vocabulary import Vocabulary
from service.rules.constraints import Constraint
from service.rules.definition import Definition, OnePer
from service.rules.predicates import (
    Always,
    And,
    AnyLeaf,
    Arithmetic,
    Comparison,
    Const,
    Count,
    Defunct,
    Folded,
    IsNull,
    Like,
    Narrower,
    Not,
    OneOf,
    Or,
    Predicate,
    Ref,
    SetComparison,
    Term,
    Within,
)
from service.rules.preferences import Preference

NOUNS = ("denomination", "object_kind")
# How each comparison is said of a number, of a date or year, of a text.
NUMBERS = {
    "=": "{}",
    "<>": "other than {}",
    "<": "less than {}",
    "<=": "at most {}",
    ">": "more than {}",
    ">=": "at least {}",
}
DATES = {"=": "{}", "<>": "other than {}", "<": "before {}", "<=": "up to {}", ">": "after {}", ">=": "{} or later"}
TEXTS = {"=": "{}", "<>": "other than {}", "<": "before {}", "<=": "up to {}", ">": "after {}", ">=": "from {} on"}
YEARS = ("year_on_coin", "struck")
FLIPPED = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "=": "=", "<>": "<>"}


class Speaker:
    """Puts rules into words with the labels of the attributes and the terms of their vocabularies."""

    def __init__(self, attributes: Mapping[str, Attribute], vocabularies: Mapping[str, Vocabulary]) -> None:
        self.attributes, self.vocabularies = attributes, vocabularies

    def coin(self, predicate: Predicate) -> str:
        """What a coin must be: "a penny dated before 1901 without problems"."""
        if isinstance(predicate, Or):
            ways = [self.coin(item) for item in predicate.items]
            return "; or ".join(ways) if any("," in way for way in ways) else listed(ways, "or")
        items = list(_conjuncts(predicate))
        noun, rest = self._noun(items)
        described = [self._description(item) for item in rest]
        close = [words for words, joined in described if joined]
        loose = [words for words, joined in described if not joined]
        text = " ".join([noun, *close])
        return f"{text}, {listed(loose, 'and')}" if loose else text

    def clause(self, predicate: Predicate) -> str:
        """One clause by itself: "grade at least 20"."""
        if isinstance(predicate, And | Or):
            word = "and" if isinstance(predicate, And) else "or"
            return listed([self._bracketed(item) for item in predicate.items], word)
        if isinstance(predicate, Not):
            return self._not(predicate.item)
        return self._leaf(predicate)

    def constraint(self, constraint: Constraint, labels: Mapping[str, str]) -> str:
        """A rule over several places: "over 'a' and 'b', all coins agree in mint"; `labels` are names by id."""
        where = listed([labels.get(name, name) for name in constraint.places], "and") or "the whole set"
        return f"over {where}, {_constraint(constraint, self)}"

    # -- the noun, and what follows it

    def _noun(self, items: list[Predicate]) -> tuple[str, list[Predicate]]:
        for name in NOUNS:
            for item in items:
                values = _equal_to(item, name)
                if values is not None:
                    kinds = [other for other in items if _equal_to(other, "object_kind") == ("coin",)]
                    rest = [other for other in items if other is not item and other not in kinds]
                    return listed([_with_article(value) for value in values], "or"), rest
        return "a coin", items

    def _description(self, item: Predicate) -> tuple[str, bool]:
        """A clause after the noun, and whether it follows without a comma."""
        issuers = _equal_to(item, "issuer")
        if issuers is not None:
            return f"from {listed([self._label('issuer', name) for name in issuers], 'or')}", True
        for name, before in (("year_on_coin", "dated "), ("struck", "struck "), ("material", "in ")):
            if isinstance(item, Comparison | Within | OneOf) and _names(item) == {name} and _is_bare(item, name):
                return before + self._amount(item, name), True
        if _is_no_problem(item):
            return "without problems", True
        if isinstance(item, Narrower) and self.attributes[item.name].many:
            return self._narrower(item), True
        return self.clause(item), False

    def _amount(self, leaf: Comparison | Within | OneOf, name: str) -> str:
        """The value part of a comparison of one attribute with constants."""
        attribute = self.attributes[name]
        if isinstance(leaf, Within):
            return f"{self._value(name, leaf.low)} to {self._value(name, leaf.high)}"
        if isinstance(leaf, OneOf):
            return listed([self._value(name, item) for item in leaf.items], "or")
        op, other = (leaf.op, leaf.right) if isinstance(leaf.left, Ref) else (FLIPPED[leaf.op], leaf.left)
        return _said(op, self._value(name, other), attribute)

    # -- leaves

    def _leaf(self, leaf: AnyLeaf) -> str:
        speak: Callable[[AnyLeaf], str] = getattr(self, f"_{type(leaf).__name__.lower()}")
        return speak(leaf)

    def _comparison(self, leaf: Comparison) -> str:
        if isinstance(leaf.left, Ref) and isinstance(leaf.right, Const) and isinstance(leaf.right.constant, bool):
            label = self.name(leaf.left.name)
            return label if leaf.right.constant == (leaf.op == "=") else f"not {label}"
        left, op, right = leaf.left, leaf.op, leaf.right
        if isinstance(left, Const) and not isinstance(right, Const):
            left, op, right = right, FLIPPED[op], left
        if isinstance(left, Count) and op in ("=", ">") and isinstance(right, Const) and right.constant == 0:
            return f"{'no' if op == '=' else 'some'} {self.name(left.name)}"
        attribute = self.attributes.get(next(iter(left.reads), ""))
        said = _said(op, self._term_after(left, right), None if isinstance(left, Count) else attribute)
        return f"{self._term(left)}{self._colon(left, op)} {said}"

    def _colon(self, term: Term, op: str = "=") -> str:
        """Between the name of a text and its value."""
        is_text = isinstance(term, Ref | Folded) and all(self.attributes[n].type == "text" for n in term.reads)
        return ":" if is_text and op == "=" else ""

    def _within(self, leaf: Within) -> str:
        low, high = self._term_after(leaf.term, leaf.low), self._term_after(leaf.term, leaf.high)
        return f"{self._term(leaf.term)} {low} to {high}"

    def _oneof(self, leaf: OneOf) -> str:
        values = listed([self._term_after(leaf.term, item) for item in leaf.items], "or")
        return f"{self._term(leaf.term)}{self._colon(leaf.term)} {values}"

    def _like(self, leaf: Like) -> str:
        return f"{self._term(leaf.term)} like '{leaf.pattern}'"

    def _isnull(self, leaf: IsNull) -> str:
        return f"no {self._term(leaf.term)}"

    def _setcomparison(self, leaf: SetComparison) -> str:
        words = {
            "a_contains": "with {}",
            "a_containedBy": "nothing but {}",
            "a_overlaps": "with {}",
            "a_equals": "exactly {}",
        }[leaf.op]
        joined = "or" if leaf.op == "a_overlaps" else "and"
        if not isinstance(leaf.left, Ref):
            return f"{self._term(leaf.left)} {leaf.op} {self._term(leaf.right)}"
        if isinstance(leaf.right, Const) and isinstance(leaf.right.constant, frozenset):
            terms = [self._label(leaf.left.name, term) for term in sorted(leaf.right.constant)]
            if leaf.left.name == "problems" and leaf.op in ("a_contains", "a_overlaps"):
                return listed(terms, joined)
            return f"{self.name(leaf.left.name)} {words.format(listed(terms, joined))}"
        return f"{self.name(leaf.left.name)} {words.format(self._term(leaf.right))}"

    def _narrower(self, leaf: Narrower) -> str:
        label, scheme = self._label_in(leaf.vocabulary, leaf.term), self.vocabularies[leaf.vocabulary]
        kind = f"any kind of {label}" if scheme.below.get(leaf.term) else _with_article(label)
        if self.attributes[leaf.name].many:
            return f"with {kind} among the {self.name(leaf.name)}"
        return f"{self.name(leaf.name)}: {kind}"

    def _defunct(self, leaf: Defunct) -> str:
        return f"{self.name(leaf.name)} no longer in being"

    def _always(self, leaf: Always) -> str:
        return "anything" if leaf.truth else "nothing"

    def _not(self, inner: Predicate) -> str:
        if isinstance(inner, Comparison) and isinstance(inner.right, Const) and inner.op == "=":
            return self._comparison(Comparison("<>", inner.left, inner.right))
        if isinstance(inner, IsNull):
            return f"a {self._term(inner.term)}, whichever"
        if isinstance(inner, SetComparison) and inner.op in ("a_contains", "a_overlaps"):
            words = self._setcomparison(inner)
            return words.replace(" with ", " without ", 1) if " with " in words else f"not {words}"
        if isinstance(inner, Narrower) and self.attributes[inner.name].many:
            return f"without {self._narrower(inner).removeprefix('with ')}"
        return f"not ({self.clause(inner)})"

    # -- words

    def _bracketed(self, item: Predicate) -> str:
        return f"({self.clause(item)})" if isinstance(item, And | Or) else self.clause(item)

    def _term(self, term: Term) -> str:
        if isinstance(term, Ref):
            return self.name(term.name)
        if isinstance(term, Const):
            return in_words(term.constant)
        if isinstance(term, Count):
            return f"number of {self.name(term.name)}"
        if isinstance(term, Folded):
            return self._term(term.inner)
        assert isinstance(term, Arithmetic)
        return f"({self._term(term.left)} {term.op} {self._term(term.right)})"

    def _term_after(self, left: Term, right: Term) -> str:
        if isinstance(left, Ref) and isinstance(right, Const):
            return self._value(left.name, right)
        return self._term(right)

    def _value(self, name: str, term: Term) -> str:
        if not isinstance(term, Const):
            return self._term(term)
        value: Value = term.constant
        if isinstance(value, str):
            return self._label(name, value)
        unit = self.attributes[name].unit if not isinstance(value, date | bool) else None
        return f"{in_words(value)} {unit}" if unit in ("g", "mm") else in_words(value)

    def name(self, name: str) -> str:
        """The label of an attribute, as it stands inside a sentence."""
        label = self.attributes[name].label or name
        return label[:1].lower() + label[1:] if not label[:2].isupper() else label

    def _label(self, name: str, term: str) -> str:
        vocabulary = self.attributes[name].vocabulary
        return self._label_in(vocabulary, term) if vocabulary else term

    def _label_in(self, vocabulary: str, term: str) -> str:
        scheme = self.vocabularies.get(vocabulary)
        concept = scheme.concepts.get(term) if scheme else None
        return concept.label if concept else term


def listed(words: Sequence[str], joined: str) -> str:
    """ "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {joined} {words[-1]}"


def _with_article(noun: str) -> str:
    if noun[:1].isdigit() or noun[:1].isupper():
        return f"a {noun}"
    return f"{'an' if noun[:1].lower() in 'aeiou' else 'a'} {noun}"


def _said(op: str, value: str, attribute: Attribute | None) -> str:
    """A comparison of a number, of a date or year, or of a text, with the value put in."""
    if attribute is None or (attribute.is_number and attribute.name not in YEARS):
        return NUMBERS[op].format(value)
    return (TEXTS if attribute.type == "text" else DATES)[op].format(value)


def _conjuncts(predicate: Predicate) -> Iterable[Predicate]:
    if isinstance(predicate, And):
        for item in predicate.items:
            yield from _conjuncts(item)
    else:
        yield predicate


def _equal_to(item: Predicate, name: str) -> tuple[str, ...] | None:
    """The texts that the attribute must equal one of."""
    terms: Sequence[Term] = ()
    if isinstance(item, Comparison) and item.op == "=" and item.left == Ref(name):
        terms = (item.right,)
    if isinstance(item, OneOf) and item.term == Ref(name):
        terms = item.items
    values = [term.constant for term in terms if isinstance(term, Const) and isinstance(term.constant, str)]
    return tuple(values) if values and len(values) == len(terms) else None


def _names(leaf: AnyLeaf) -> set[str]:
    return set(leaf.reads)


def _is_bare(leaf: Comparison | Within | OneOf, name: str) -> bool:
    """Whether the attribute itself, not a part of a sum, is compared with constants."""
    if isinstance(leaf, Comparison):
        return {type(leaf.left), type(leaf.right)} == {Ref, Const}
    others = (leaf.low, leaf.high) if isinstance(leaf, Within) else leaf.items
    return leaf.term == Ref(name) and all(isinstance(other, Const) for other in others)


def _is_no_problem(item: Predicate) -> bool:
    return item == Comparison("=", Count("problems"), Const(0))


# --- a whole definition ------------------------------------------------------------------------------------------


def read_aloud(definition: Definition) -> list[str]:
    """The definition in plain sentences, one for each thing that it says, in the order of the document."""
    speak = Speaker(definition.attributes, definition.vocabularies)
    return [*_opening(definition, speak), *_places(definition, speak), *_rules(definition, speak)]


def _opening(definition: Definition, speak: Speaker) -> Iterator[str]:
    yield f"{definition.title}."
    if definition.scope is not None:
        yield f"Only this counts at all: {speak.coin(definition.scope.predicate)}."
    if definition.prefer:
        yield f"Of coins that fit, the better is {preferred(definition.prefer, speak)}."


def preferred(prefer: Sequence[Preference], speak: Speaker) -> str:
    """Preferences in words, in their order."""
    return ", then ".join(_preference(preference, speak) for preference in prefer)


def _preference(preference: Preference, speak: Speaker) -> str:
    if preference.where is not None:
        return (
            f"the one that is {speak.coin(preference.where.predicate).removeprefix('a coin, ').removeprefix('a coin ')}"
        )
    name = speak.name(preference.attribute)
    if preference.kind == "order":
        return f"the one whose {name} comes first in {listed(list(preference.values), 'and')}"
    return f"the one with the {preference.kind} {name}"


def _places(definition: Definition, speak: Speaker) -> Iterator[str]:
    for slot in definition.slots:
        yield f"{slot.label}{_optional(slot.tier)}: {speak.coin(slot.accepts.predicate)}{_own(slot.prefer, speak)}."
    for group in definition.one_per:
        what = speak.coin(group.accepts.predicate) if group.accepts is not None else "a coin"
        each = f"One for each {speak.name(group.attribute)}{_optional(group.tier)}{_keys(group, speak)}"
        yield f"{each}: {what}{_own(group.prefer, speak)}."
    for choice in definition.free_choice:
        what = speak.coin(choice.accepts.predicate)
        yield f"{choice.label}{_optional(choice.tier)}, {choice.places} of free choice: each {what}{_own(choice.prefer, speak)}."
        for rule in choice.rules:
            yield f"Among these {choice.places}, {_constraint(rule, speak)}."


def _optional(tier: str) -> str:
    return " (optional)" if tier == "optional" else ""


def _own(prefer: Sequence[Preference], speak: Speaker) -> str:
    return f"; here the better is {preferred(prefer, speak)}" if prefer else ""


def _keys(group: OnePer, speak: Speaker) -> str:
    keys = group.keys
    if keys.is_open:
        return " that your coins show"
    if keys.source == "list":
        return f" of {len(keys.values)} named"
    source = "the catalogue" if keys.source == "catalogue" else f"the vocabulary {keys.vocabulary}"
    return f" of {source}" + (f" where {speak.clause(keys.where.predicate)}" if keys.where is not None else "")


def _rules(definition: Definition, speak: Speaker) -> Iterator[str]:
    for constraint in definition.constraints:
        where = listed(list(constraint.places), "and") if constraint.places else "the whole set"
        yield f"Over {where}: {_constraint(constraint, speak)}."


def _constraint(constraint: Constraint, speak: Speaker) -> str:
    by = listed([speak.name(name) for name in constraint.by], "and")
    if constraint.kind == "same":
        return f"all coins agree in {by}"
    if constraint.kind == "different":
        return f"no two coins agree in {by}"
    if constraint.kind == "not_elsewhere":
        return f"no coin outside these places has the {by} of one inside"
    if constraint.where is not None:
        return f"at most {constraint.count} may be {speak.coin(constraint.where.predicate)}"
    return f"at most {constraint.count} of one {by}"
