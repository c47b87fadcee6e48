"""A coin under a preference, in words: "problem-free", "holed", "problems not recorded", "grade 8". Pure."""

from __future__ import annotations

from collections.abc import Sequence

from service.facts.holding import View
from service.facts.knowledge import Between, Knowledge, Number, Subsets, Value, value_in_words
from service.rules.labels import Labels, listed
from service.rules.predicates import Predicate, reads
from service.rules.preferences import Preference
from service.rules.wording import RuleWording


def preference_words(preference: Preference, value: Number | None, views: Sequence[View], speak: RuleWording) -> str:
    """The coin of these views, whose value under the preference is `value` (None: the fact is not recorded)."""
    if preference.where is None:
        subject = speak.name(preference.attribute)
        return f"{subject} not recorded" if value is None else preference.kind.value_words(subject, value)
    predicate = preference.where.predicate
    if value:
        words = speak.clause(predicate)
        return "problem-free" if words == "no problems" else words
    return _recorded(predicate, views, speak) or f"not: {speak.clause(predicate)}"


def _recorded(predicate: Predicate, views: Sequence[View], speak: Labels) -> str:
    """What is recorded of the facts that a rule reads; nothing where they are all known to be empty."""
    parts = []
    for name in sorted(reads(predicate)):
        known = [view.facts.get(name) for view in views]
        words = list(dict.fromkeys(_knowledge(name, fact, speak) for fact in known if fact is not None))
        if len(words) == 0 or None in known:
            parts.append(f"{speak.name(name)} not recorded")
        elif words != [""]:
            said = listed([word for word in words if word], "or")
            # Problems are called by their own names.
            parts.append(said if name == "problems" else f"{speak.name(name)} {said}")
    return ", ".join(parts)


def _knowledge(name: str, known: Knowledge, speak: Labels) -> str:
    if isinstance(known, Between):
        low, high = (None if end is None else value_in_words(end) for end in (known.low, known.high))
        return f"up to {high}" if low is None else f"{low} or more" if high is None else f"{low} to {high}"
    if isinstance(known, Subsets):
        has, perhaps = _value(name, known.has, speak), _value(name, known.perhaps, speak)
        return f"{has}, perhaps {perhaps}" if has else f"perhaps {perhaps}"
    words = list(dict.fromkeys(_value(name, value, speak) for value in known.values))
    found = [word for word in words if word]
    return ("perhaps " if "" in words and found else "") + listed(found, "or")


def _value(name: str, value: Value, speak: Labels) -> str:
    if isinstance(value, frozenset):
        return ", ".join(speak.term(name, term) for term in sorted(value))
    return speak.value(name, value)
