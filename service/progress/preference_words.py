"""A coin under a preference, in words: "problem-free", "holed", "problems not recorded", "grade 8". Pure."""

from __future__ import annotations

from collections.abc import Sequence

from service.facts.holding import View
from service.facts.knowledge import Among, Between, Knowledge, Number, Subsets, Value, value_in_words
from service.rules.labels import Labels
from service.rules.predicates import Predicate, reads
from service.rules.preferences import Preference
from service.rules.wording import RuleWording


def preference_words(preference: Preference, value: Number | None, views: Sequence[View], speak: RuleWording) -> str:
    """The coin of these views, whose value under the preference is `value` (None: the fact is not recorded)."""
    if preference.where is None:
        subject = speak.name(preference.attribute)
        if value is None:
            return speak.say("not-recorded", name=subject)
        known = (
            _unsettled(preference.attribute, views, speak) if preference.kind.name in ("highest", "lowest") else None
        )
        if known is not None:
            # What counts is the worse end; what is recorded is told.
            return speak.say("clause", name=subject, value=known)
        return preference.kind.value_words(subject, value, speak.speech)
    predicate = preference.where.predicate
    if value:
        words = speak.clause(predicate)
        is_free = words == speak.say("none-of", name=speak.name("problems"))
        return speak.say("problem-free") if is_free else words
    return _recorded(predicate, views, speak) or speak.say("not-so", words=speak.clause(predicate))


def _unsettled(name: str, views: Sequence[View], speak: Labels) -> str | None:
    """A range or alternatives that are recorded, in words; None where one value is, or where views differ."""
    facts = {view.facts.get(name) for view in views}
    known = facts.pop() if len(facts) == 1 else None
    if known is None or (isinstance(known, Among) and known.is_plain):
        return None
    return _knowledge(name, known, speak)


def _recorded(predicate: Predicate, views: Sequence[View], speak: Labels) -> str:
    """What is recorded of the facts that a rule reads; nothing where they are all known to be empty."""
    parts = []
    for name in sorted(reads(predicate)):
        known = [view.facts.get(name) for view in views]
        words = list(dict.fromkeys(_knowledge(name, fact, speak) for fact in known if fact is not None))
        if len(words) == 0 or None in known:
            parts.append(speak.say("not-recorded", name=speak.name(name)))
        elif words != [""]:
            said = speak.listed([word for word in words if word], "or")
            # Problems are called by their own names.
            parts.append(said if name == "problems" else speak.say("clause", name=speak.name(name), value=said))
    return ", ".join(parts)


def _knowledge(name: str, known: Knowledge, speak: Labels) -> str:
    if isinstance(known, Between):
        low, high = (None if end is None else value_in_words(end) for end in (known.low, known.high))
        if low is None:
            return speak.say("up-to", value=high)
        return speak.say("or-more", value=low) if high is None else speak.say("range", low=low, high=high)
    if isinstance(known, Subsets):
        has, perhaps = _value(name, known.has, speak), _value(name, known.perhaps, speak)
        if not has:
            return speak.say("perhaps", words=perhaps)
        return speak.say("has-perhaps", has=has, perhaps=perhaps)
    words = list(dict.fromkeys(_value(name, value, speak) for value in known.values))
    found = [word for word in words if word]
    told = speak.listed(found, "or")
    return speak.say("perhaps", words=told) if "" in words and found else told


def _value(name: str, value: Value, speak: Labels) -> str:
    if isinstance(value, frozenset):
        return ", ".join(speak.term(name, term) for term in sorted(value))
    return speak.value(name, value)
