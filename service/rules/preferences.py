"""TABLE of preferences: what makes one coin better than another for a place, in the order of the owner's list.

One entry carries a kind's members in the document, which attributes it takes, the value of a coin under it, and its
phrases. A new kind is one entry here, its phrases in phrases.py, one case file in tests/cases, and its part of
tests/reference.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from fractions import Fraction

from service.errors import Sentence
from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.knowledge import Among, Number, Subsets, Value, plain_number
from service.facts.truth import YES, Verdict
from service.rules.phrases import Speech
from service.rules.rule import Rule

# A function, so that this table needs no evaluator: (rule, views of one coin) -> the verdict.
Fits = Callable[[Rule, tuple[View, ...]], Verdict]


@dataclass(frozen=True, slots=True)
class PreferenceKind:
    """One kind of preference. `members` are its members in the document with their types (document.MEMBER_TYPES), the first
    of which has the name of the kind: an attribute or a rule.

    `accepts` tells whether it can be about an attribute, and `takes` says in words about which; None for a rule. `value` is
    what a coin is worth under a preference, None where the fact is missing. `phrase` is the code of what describes the better
    coin, from the subject in words (the label of the attribute, or the rule) and the `values`; `value_words` describes a coin of
    one value.
    """

    name: str
    meaning: str
    example: Mapping[str, object] = field(compare=False)
    members: Mapping[str, str] = field(compare=False)
    more_is_better: bool
    value: Callable[[Preference, tuple[View, ...], Fits], Number | None]
    phrase: str
    value_words: Callable[[str, Number, Speech], str]
    accepts: Callable[[Attribute], bool] | None = None
    takes: str = ""


@dataclass(frozen=True, slots=True)
class Preference:
    """One criterion. `document` is the author's entry, which `loses_on` of an evaluation shows again."""

    kind: PreferenceKind
    attribute: str = ""
    where: Rule | None = None
    values: tuple[str, ...] = ()
    document: Mapping[str, object] | None = None

    @property
    def more_is_better(self) -> bool:
        return self.kind.more_is_better


def value_of(preference: Preference, views: tuple[View, ...], fits: Fits) -> Number | None:
    """What the coin is worth under the preference; None where the fact is missing."""
    return preference.kind.value(preference, views, fits)


# --- where -------------------------------------------------------------------------------------------------------


def _fit(preference: Preference, views: tuple[View, ...], fits: Fits) -> Number | None:
    assert preference.where is not None
    return 1 if fits(preference.where, views) is YES else 0


def _fit_words(subject: str, value: Number, speech: Speech) -> str:
    return subject if value else speech.phrase("not-so", words=subject)


# --- highest, lowest, order --------------------------------------------------------------------------------------


def _worst(
    preference: Preference, views: tuple[View, ...], number: Callable[[Value | None], Number | None]
) -> Number | None:
    """Of an uncertain fact the worst value counts, so that no coin is preferred for what it only may be; where that is not
    known, or known to be none, the fact counts as missing."""
    seen: list[Number] = []
    for view in views:
        knowledge = view.facts.get(preference.attribute)
        if knowledge is None or isinstance(knowledge, Subsets):
            return None
        ends: Iterable[Value | None]
        if isinstance(knowledge, Among):
            ends = knowledge.values
        else:
            ends = (knowledge.low if preference.more_is_better else knowledge.high,)
        for end in ends:
            one = number(end)
            if one is None:
                return None
            seen.append(one)
    return min(seen) if preference.more_is_better else max(seen)


def _measure(preference: Preference, views: tuple[View, ...], _: Fits) -> Number | None:
    return _worst(preference, views, _number)


def _number(value: Value | None) -> Number | None:
    if isinstance(value, datetime):
        return int(value.timestamp() * 1_000_000)
    if isinstance(value, date):
        return value.toordinal()
    if isinstance(value, bool) or not isinstance(value, int | Fraction):
        return None
    return value


def _has_numbers(attribute: Attribute) -> bool:
    return attribute.is_ordered and not attribute.many


def _measure_words(subject: str, value: Number, speech: Speech) -> str:
    return speech.phrase("clause", name=subject, value=plain_number(value))


def _place_in_order(preference: Preference, views: tuple[View, ...], _: Fits) -> Number | None:
    values = preference.values

    def number(value: Value | None) -> Number | None:
        if not isinstance(value, str):
            return None
        return values.index(value) if value in values else len(values)

    return _worst(preference, views, number)


def _is_single_text(attribute: Attribute) -> bool:
    return attribute.type == "text" and not attribute.many


def _order_words(subject: str, value: Number, speech: Speech) -> str:
    return speech.phrase("choice", name=subject, count=int(value) + 1)


PREFERENCE_KINDS: dict[str, PreferenceKind] = {
    kind.name: kind
    for kind in (
        PreferenceKind(
            "where",
            "coins that fit the rule come first",
            example={"where": "count(problems) = 0"},
            members={"where": "rule"},
            more_is_better=True,
            value=_fit,
            phrase="prefer-where",
            value_words=_fit_words,
        ),
        PreferenceKind(
            "highest",
            "the higher number is better",
            example={"highest": "grade"},
            members={"highest": "attribute"},
            more_is_better=True,
            value=_measure,
            phrase="prefer-highest",
            value_words=_measure_words,
            accepts=_has_numbers,
            takes=Sentence("a number or a date"),
        ),
        PreferenceKind(
            "lowest",
            "the lower number is better",
            example={"lowest": "year_on_coin"},
            members={"lowest": "attribute"},
            more_is_better=False,
            value=_measure,
            phrase="prefer-lowest",
            value_words=_measure_words,
            accepts=_has_numbers,
            takes=Sentence("a number or a date"),
        ),
        PreferenceKind(
            "order",
            "the earlier of the listed values is better; one that is not listed comes after them",
            example={"order": "strike", "values": ["circulation", "proof"]},
            members={"order": "attribute", "values": "values"},
            more_is_better=False,
            value=_place_in_order,
            phrase="prefer-order",
            value_words=_order_words,
            accepts=_is_single_text,
            takes=Sentence("a text with one value"),
        ),
    )
}
