"""Names, terms and values as they are written inside a sentence: the labels of attributes and vocabularies, units, lists."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction

from service.facts.attributes import Attribute
from service.facts.knowledge import NONE, Value, value_in_words
from service.facts.vocabulary import Vocabulary
from service.rules.phrases import ENGLISH_SPEECH, Speech

# The phrase of each comparison of a number, of a date or year, and of a text; that of = is the value alone.
_NUMBERS = {"<>": "other-than", "<": "less-than", "<=": "at-most", ">": "more-than", ">=": "at-least"}
_DATES = {"<>": "other-than", "<": "before", "<=": "up-to", ">": "after", ">=": "or-later"}
_TEXTS = {"<>": "other-than", "<": "before", "<=": "up-to", ">": "after", ">=": "from-on"}
_YEARS = ("year_on_coin", "struck")
_BEHIND_NOUNS = ("issuer", "year_on_coin", "struck", "material")


class Labels:
    """The labels of the attributes and of the terms of their vocabularies, in the language of `speech`."""

    def __init__(
        self,
        attributes: Mapping[str, Attribute],
        vocabularies: Mapping[str, Vocabulary],
        speech: Speech = ENGLISH_SPEECH,
    ) -> None:
        self.attributes, self.vocabularies, self.speech = attributes, vocabularies, speech

    def say(self, code: str, /, **parts: object) -> str:
        """A phrase of the language."""
        return self.speech.phrase(code, **parts)

    def listed(self, words: Sequence[str], joined: str) -> str:
        """ "a, b and c"; `joined` is "and" or "or"."""
        return self.speech.listed(words, joined)

    def name(self, name: str) -> str:
        """The label of an attribute."""
        return self.speech.inside(self.speech.attribute_label(name, self.attributes[name].label) or name)

    def term(self, name: str, term: str) -> str:
        """The label of a term that is a value of the attribute."""
        vocabulary = self.attributes[name].vocabulary
        if vocabulary:
            return self.concept(vocabulary, term)
        return self.speech.value_label(term) if term in self.attributes[name].values else term

    def concept(self, vocabulary: str, term: str) -> str:
        """The label of a term of the vocabulary."""
        scheme = self.vocabularies.get(vocabulary)
        concept = scheme.concepts.get(term) if scheme else None
        return self.speech.term_label(vocabulary, term, concept.label) if concept else term

    def value(self, name: str, value: Value) -> str:
        """A value of the attribute, with its unit."""
        if isinstance(value, str):
            return self.term(name, value)
        unit = self.attributes[name].unit if not isinstance(value, date | bool) else None
        return f"{self.plain(value)} {unit}" if unit in ("g", "mm") else self.plain(value)

    def plain(self, value: Value) -> str:
        """A value by itself; a text stays as it is."""
        if value is NONE:
            return self.say("known-none")
        if isinstance(value, bool):
            return self.say("yes" if value else "no")
        return self.speech.decimal(value_in_words(value)) if isinstance(value, Fraction) else value_in_words(value)

    def compared(self, op: str, value: str, name: str | None) -> str:
        """A comparison of the attribute with a value, without its name: "1901 or later". None for another number."""
        if op == "=":
            return value
        attribute = self.attributes.get(name) if name is not None else None
        if attribute is None or (attribute.is_number and attribute.name not in _YEARS):
            return self.say(_NUMBERS[op], value=value)
        return self.say((_TEXTS if attribute.type == "text" else _DATES)[op], value=value)

    def said_of(self, name: str | None, words: str, value: str) -> str:
        """An attribute with its value: "grade 8", "denomination: penny". `words` are what the attribute is called; `name` is None
        for what is no attribute alone."""
        is_text = name is not None and self.attributes[name].type == "text"
        return self.say("clause-of-text" if is_text else "clause", name=words, value=value)

    def behind_noun(self, name: str, op: str, value: str) -> str | None:
        """A comparison of this attribute as it follows the noun ("dated 1902"), if it can."""
        if name not in _BEHIND_NOUNS or (name == "issuer" and op != "="):
            return None
        return self.say(name, value=value)


def shortened(text: str, most: int = 120) -> str:
    """A text as messages quote it: a long one is cut at a word, with an ellipsis."""
    text = " ".join(text.split())
    return text if len(text) <= most else f"{text[: most - 1].rsplit(' ', 1)[0]}\N{HORIZONTAL ELLIPSIS}"
