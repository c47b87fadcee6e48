"""What is read by people in other languages than English: labels of attributes, their values, terms and issues, and the sentences
of messages. Pure; each language is one file in data/languages, which is read once.

Names of countries are those of Unicode CLDR (by the library babel); all others are our own. What a file leaves out is said in
English.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib.resources import files
from string import Formatter
from typing import Any

from service.errors import Sentence
from service.facts.core_attributes import CORE
from service.facts.vocabulary import Concept
from service.reference import shipped
from service.rules.messages import MESSAGES, Message, Part, put_into
from service.rules.phrases import Speech

ENGLISH = "en"
LANGUAGES = (ENGLISH, "de", "fr")
# What begins a German label and is no noun.
_NO_NOUNS = ("Gemessenes", "Magnetisch", "Gültig", "Eingestuft")


@dataclass(frozen=True)
class Language(Speech):
    """One language, by its tag (BCP 47). Each look-up returns what is there in English where it has nothing of its own."""

    tag: str
    attributes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    values: Mapping[str, str] = field(default_factory=dict)
    vocabularies: Mapping[str, str] = field(default_factory=dict)
    terms: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    issue_phrases: Mapping[str, str] = field(default_factory=dict)
    messages: Mapping[str, str] = field(default_factory=dict)
    phrases: Mapping[str, str] = field(default_factory=dict)
    refusals: Mapping[str, str] = field(default_factory=dict)
    stamp: str = ""

    def of_attribute(self, name: str, member: str, english: str) -> str:
        """The label of an attribute, or where to look for it (`look_at`)."""
        return self.attributes.get(name, {}).get(member, english)

    def value(self, value: str) -> str:
        """One of the values that an attribute has."""
        return self.values.get(value, value)

    def vocabulary(self, name: str, english: str) -> str:
        """The label of a shipped vocabulary."""
        return self.vocabularies.get(name, english)

    def term(self, vocabulary: str, concept: Concept) -> str:
        """The label of a term of a shipped vocabulary."""
        return self.terms.get(vocabulary, {}).get(concept.id, concept.label)

    def sentence(self, code: str) -> str:
        """The sentence of a message; see `MESSAGES`."""
        return self.messages.get(code, MESSAGES[code])

    def refusal(self, text: str) -> str:
        """What is said of a request that is refused, or of a part of that; in English where it has no words of its own."""
        if not isinstance(text, Sentence):
            return self.refusals.get(text, text)
        if not self.refusals:
            return str(text)
        pattern = self.refusals.get(text.sentence, text.sentence)
        if not text.parts:
            return pattern
        return self._figures.vformat(pattern, (), {name: self._of_refusal(part) for name, part in text.parts.items()})

    def _of_refusal(self, part: object) -> object:
        if isinstance(part, Message):
            return self.worded(part)
        return self.refusal(part) if isinstance(part, Sentence) else part

    @cached_property
    def _figures(self) -> Formatter:
        return _Figures(self.tag)

    # -- of Speech

    def pattern(self, code: str, english: Mapping[str, str]) -> str:
        return self.phrases.get(code, english[code])

    def inside(self, label: str) -> str:
        if self.tag != "de":
            return super().inside(label)
        # German writes nouns with a capital wherever they stand, and other words without.
        return label[:1].lower() + label[1:] if label.split(" ")[0] in _NO_NOUNS else label

    def decimal(self, written: str) -> str:
        if self.tag == ENGLISH:
            return written
        from babel.numbers import get_decimal_symbol

        return written.replace(".", get_decimal_symbol(self.tag))

    def thing(self, noun: str) -> str:
        # An article would have to know the gender of each noun.
        return noun if self.phrases else super().thing(noun)

    def attribute_label(self, name: str, label: str) -> str:
        is_ours = name in CORE and CORE[name].label == label
        return self.of_attribute(name, "label", label) if is_ours else label

    def term_label(self, vocabulary: str, term: str, label: str) -> str:
        scheme = shipped.vocabularies().get(vocabulary)
        concept = None if scheme is None else scheme.concepts.get(term)
        # An owner's own name for it is theirs.
        return label if concept is None or concept.label != label else self.term(vocabulary, concept)

    def value_label(self, value: str) -> str:
        return self.value(value)

    def worded(self, said: Message) -> str:
        """A message, from its code and its parts."""
        if said.code not in self.messages:
            return said.message
        return put_into(self.sentence(said.code), {name: self._part(part) for name, part in said.parts.items()})

    def _part(self, part: Any) -> Any:
        match part:
            case list():
                return [self._part(one) for one in part]
            case Message():
                return self.worded(part)
            case Part():
                return part.told(self)
        return part

    def issue(self, english: str) -> str:
        """The label of a shipped issue. These are lists of terms and of a few phrases ("1920 to 1936")."""
        if not self._words:
            return english
        told = [self._words.get(part) or self._of_phrases(part) for part in english.split(", ")]
        return ", ".join(told)

    def _of_phrases(self, part: str) -> str:
        words = part.split(" ")
        # The longest term that it begins with: "silver .925", "George V (1920 to 1936)".
        for end in range(len(words), 0, -1):
            known = self._words.get(" ".join(words[:end]))
            if known is not None:
                return " ".join([known, *([self._phrased(" ".join(words[end:]))] if end < len(words) else [])])
        return self._phrased(part)

    def _phrased(self, text: str) -> str:
        for pattern, words in self.issue_phrases.items():
            text = re.sub(pattern, words, text)
        return text

    @cached_property
    def _words(self) -> Mapping[str, str]:
        """Terms of the vocabularies that an issue speaks of, by what they are called in English."""
        found: dict[str, str] = {}
        # A crown is a denomination here, and no motif.
        for name in ("denominations", "issuers", "materials", "rulers"):
            for concept in shipped.vocabularies()[name].concepts.values():
                found.setdefault(concept.label, self.term(name, concept))
        return found if self.terms else {}


class _Figures(Formatter):
    """Puts parts into a sentence: `{count:,}` is written with the language's own sign between thousands."""

    def __init__(self, tag: str) -> None:
        self._tag = tag

    def format_field(self, value: Any, format_spec: str) -> str:
        if format_spec != ",":
            return str(super().format_field(value, format_spec))
        from babel.numbers import format_decimal

        return format_decimal(value, locale=self._tag)


def best_language(wanted: Sequence[str]) -> Language:
    """The first of these languages (BCP 47 tags, the most welcome first) that there is, by less and less of each tag; else
    English."""
    # Most requests are in English, and babel takes its time to be imported.
    if not wanted or wanted[0].split("-")[0].lower() == ENGLISH:
        return language(ENGLISH)
    from babel import negotiate_locale

    found = (negotiate_locale(list(wanted), list(LANGUAGES), sep="-") or ENGLISH).lower()
    return language(found)


@cache
def language(tag: str) -> Language:
    """One of LANGUAGES."""
    if tag == ENGLISH:
        return Language(ENGLISH)
    from babel import Locale

    content = files("service.reference").joinpath("data", "languages", f"{tag}.json").read_bytes()
    told = json.loads(content)
    terms: dict[str, Mapping[str, str]] = told.pop("terms")
    terms["issuers"] = {**Locale.parse(tag).territories, **terms["issuers"]}
    return Language(tag, terms=terms, stamp=hashlib.sha256(content).hexdigest()[:12], **told)
