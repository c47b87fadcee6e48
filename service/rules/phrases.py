"""What rules and coins are told in: a table of phrases by code, in English. Another language has a phrase of its own for each
code (service/reference/languages). Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

PHRASES: Mapping[str, str] = {
    # Lists.
    "and": "and",
    "or": "or",
    # Comparisons; `value` has its unit.
    "other-than": "other than {value}",
    "less-than": "less than {value}",
    "at-most": "at most {value}",
    "more-than": "more than {value}",
    "at-least": "at least {value}",
    "before": "before {value}",
    "up-to": "up to {value}",
    "after": "after {value}",
    "or-later": "{value} or later",
    "from-on": "from {value} on",
    "range": "{low} to {high}",
    # Values by themselves, and how a fact may turn out.
    "yes": "yes",
    "no": "no",
    "known-none": "none",
    "not-none": "not none",
    "none-of-them": "none of them",
    "any-value": "any value",
    "any-other": "any other",
    "such-as": "such as {value}",
    "both-ends": "{low} and {high}",
    # Clauses by themselves; `value` may be a comparison.
    "clause": "{name} {value}",
    "clause-of-text": "{name}: {value}",
    "number-of": "number of {name}",
    "not-that": "not {words}",
    "not-all-that": "not ({words})",
    "none-of": "no {name}",
    "some-of": "some {name}",
    "any-of": "a {name}, whichever",
    "like": "{name} like '{pattern}'",
    "with": "{name} with {terms}",
    "without": "{name} without {terms}",
    "nothing-but": "{name} nothing but {terms}",
    "exactly": "{name} exactly {terms}",
    "any-kind-of": "any kind of {term}",
    "with-among": "with {kind} among the {name}",
    "without-among": "without {kind} among the {name}",
    # What begins such a clause, and is left out of what a coin needs.
    "with-": "with ",
    "ended": "{name} no longer in being",
    "anything": "anything",
    "nothing": "nothing",
    # Clauses behind the name of a coin.
    "issuer": "from {value}",
    "year_on_coin": "dated {value}",
    "struck": "struck {value}",
    "material": "in {value}",
    "without-problems": "without problems",
    # A coin, with what follows it.
    "a-coin": "a coin",
    "coin-that": "{coin}, {clauses}",
    # A definition.
    "only-scope": "Only this counts at all: {coin}.",
    "better-is": "Of coins that fit, the better is {preferred}.",
    "then": ", then ",
    "place": "{label}: {takes}",
    "takes": "{coin}.",
    "takes-better": "{coin}; here the better is {preferred}.",
    "note": " Note: {note}",
    "optional": "{label} (optional)",
    "one-for-each": "One for each {key}",
    "spans": "{name} (spans of {span})",
    "bands": "{name} ({bands})",
    "keys-open": "{each} that your coins show",
    "keys-listed": "{each} of {count} named",
    "keys-of": "{each} of {source}",
    "keys-of-where": "{each} of {source} where {clause}",
    "the-catalogue": "the catalogue",
    "the-vocabulary": "the vocabulary {name}",
    "free-choice": "{label}, {places} of free choice",
    "each-takes": "each {takes}",
    "among-these": "Among these {places}, {rule}.",
    # Rules over several places.
    "over": "Over {where}: {rule}",
    "over-inside": "over {where}, {rule}",
    "over-named": "{where} ('{label}')",
    "whole-set": "the whole set",
    "quoted": "'{label}'",
    "rule": "{rule}.",
    "rule-same": "all coins agree in {by}",
    "rule-different": "no two coins agree in {by}",
    "rule-at_most": "at most {count} of one {by}",
    "rule-at_most-where": "at most {count} may be {coin}",
    "rule-not_elsewhere": "no coin outside these places has the {by} of one inside",
    "rule-at_least-where": "at least {count} are wanted that are {coin}",
    "rule-matches": "the coin of {place} agrees in {by} with one of these coins",
    # Which coin is the better.
    "prefer-where": "the one that is {subject}",
    "prefer-highest": "the one with the highest {subject}",
    "prefer-lowest": "the one with the lowest {subject}",
    "prefer-order": "the one whose {subject} comes first in {values}",
    # What is called a coin: the year before the denomination, or behind it.
    "coin": "coin",
    "title": "{year} {noun}",
    "title-behind": "{noun} {year}",
    "title-apart": "{noun}, {year}",
    "undated": "undated",
    "or-others": "{words} or one of {count} others",
    "nothing-recorded": "coin, kind not recorded",
    # Parts of messages.
    "some-coin": "A coin",
    "coin-number": "No. {number}",
    "fact-looked-at": "{label} ({where})",
    "more": "{count} more",
    # What is wanted, and what a coin is worth under a preference.
    "another-key": "{coin}, of a {names} that you do not have yet",
    "another": "Another {names}",
    "not-recorded": "{name} not recorded",
    "not-so": "not: {words}",
    "choice": "{name}, choice {count}",
    "problem-free": "problem-free",
    "perhaps": "perhaps {words}",
    "has-perhaps": "{has}, perhaps {perhaps}",
    "or-more": "{value} or more",
    "below-wanted": "below the lowest grade wanted",
    "to-replace": "marked to be replaced",
}


def listed(words: Sequence[str], joined: str) -> str:
    """ "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {joined} {words[-1]}"


class Speech:
    """English, and how any other language is asked: phrases by code, and names of attributes, their values and terms."""

    tag: str = "en"

    def phrase(self, code: str, /, **parts: object) -> str:
        """The phrase with its parts. Raises KeyError for a code, or a part, that there is not."""
        return self.pattern(code, PHRASES).format_map(parts)

    def pattern(self, code: str, english: Mapping[str, str]) -> str:
        """The phrase of a code; `english` is the table that the code is of. Raises KeyError."""
        return english[code]

    def listed(self, words: Sequence[str], joined: str) -> str:
        """ "a, b and c"; `joined` is the code of the last word between."""
        return listed(words, self.phrase(joined))

    def inside(self, label: str) -> str:
        """A label inside a sentence."""
        return label[:1].lower() + label[1:] if not label[:2].isupper() else label

    def decimal(self, written: str) -> str:
        """A number that is written with a decimal point."""
        return written

    def thing(self, noun: str) -> str:
        """One of a kind: "a penny", "an owl"."""
        if noun[:1].isdigit() or noun[:1].isupper():
            return f"a {noun}"
        return f"{'an' if noun[:1].lower() in 'aeiou' else 'a'} {noun}"

    def attribute_label(self, name: str, label: str) -> str:
        """What an attribute is called; `label` is its own, in the words of its author or in English."""
        return label

    def term_label(self, vocabulary: str, term: str, label: str) -> str:
        """What a term is called; `label` likewise."""
        return label

    def value_label(self, value: str) -> str:
        """What one of the values is called that an attribute has."""
        return value


ENGLISH_SPEECH = Speech()
