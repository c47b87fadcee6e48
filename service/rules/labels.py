"""Names, terms and values as they are written inside a sentence: the labels of attributes and vocabularies, units, lists."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from service.facts.attributes import Attribute
from service.facts.knowledge import Value, value_in_words
from service.facts.vocabulary import Vocabulary

# Each comparison of a number, of a date or year, and of a text.
_NUMBERS = {
    "=": "{}",
    "<>": "other than {}",
    "<": "less than {}",
    "<=": "at most {}",
    ">": "more than {}",
    ">=": "at least {}",
}
_DATES = {"=": "{}", "<>": "other than {}", "<": "before {}", "<=": "up to {}", ">": "after {}", ">=": "{} or later"}
_TEXTS = {"=": "{}", "<>": "other than {}", "<": "before {}", "<=": "up to {}", ">": "after {}", ">=": "from {} on"}
_YEARS = ("year_on_coin", "struck")
_PREPOSITIONS = {"issuer": "from", "year_on_coin": "dated", "struck": "struck", "material": "in"}


class Labels:
    """The labels of the attributes and of the terms of their vocabularies."""

    def __init__(self, attributes: Mapping[str, Attribute], vocabularies: Mapping[str, Vocabulary]) -> None:
        self.attributes, self.vocabularies = attributes, vocabularies

    def name(self, name: str) -> str:
        """The label of an attribute."""
        label = self.attributes[name].label or name
        return label[:1].lower() + label[1:] if not label[:2].isupper() else label

    def term(self, name: str, term: str) -> str:
        """The label of a term that is a value of the attribute."""
        vocabulary = self.attributes[name].vocabulary
        return self.concept(vocabulary, term) if vocabulary else term

    def concept(self, vocabulary: str, term: str) -> str:
        """The label of a term of the vocabulary."""
        scheme = self.vocabularies.get(vocabulary)
        concept = scheme.concepts.get(term) if scheme else None
        return concept.label if concept else term

    def value(self, name: str, value: Value) -> str:
        """A value of the attribute, with its unit."""
        if isinstance(value, str):
            return self.term(name, value)
        unit = self.attributes[name].unit if not isinstance(value, date | bool) else None
        return f"{value_in_words(value)} {unit}" if unit in ("g", "mm") else value_in_words(value)

    def compared(self, op: str, value: str, name: str | None) -> str:
        """A comparison of the attribute with a value, without its name: "1901 or later". None for another number."""
        attribute = self.attributes.get(name) if name is not None else None
        if attribute is None or (attribute.is_number and attribute.name not in _YEARS):
            return _NUMBERS[op].format(value)
        return (_TEXTS if attribute.type == "text" else _DATES)[op].format(value)

    def colon(self, name: str) -> str:
        """What separates the name of the attribute from its value."""
        return ":" if self.attributes[name].type == "text" else ""


def preposition(name: str, op: str) -> str | None:
    """The word that joins a comparison of this attribute to the noun ("dated", "from"), if there is one."""
    return None if name == "issuer" and op != "=" else _PREPOSITIONS.get(name)


def shortened(text: str, most: int = 120) -> str:
    """A text as messages quote it: a long one is cut at a word, with an ellipsis."""
    text = " ".join(text.split())
    return text if len(text) <= most else f"{text[: most - 1].rsplit(' ', 1)[0]}\N{HORIZONTAL ELLIPSIS}"


def listed(words: Sequence[str], joined: str) -> str:
    """ "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {joined} {words[-1]}"


def listed_up_to(most: int, words: Sequence[str]) -> str:
    """The first `most` words, and how many more there are: "a, b and 3 more"."""
    more = [f"{len(words) - most} more"] if len(words) > most else []
    return listed([*words[:most], *more], "and")


def with_article(noun: str) -> str:
    """ "a penny", "an owl"."""
    if noun[:1].isdigit() or noun[:1].isupper():
        return f"a {noun}"
    return f"{'an' if noun[:1].lower() in 'aeiou' else 'a'} {noun}"
