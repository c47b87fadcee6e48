"""What messages are made of: a code, parts, and for each code the English sentence that the parts go into. A client that speaks
another language has its own sentence for the code, and puts the same parts into it. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from string import Formatter
from typing import Annotated, Any

from msgspec import Meta, Struct

from service.errors import Fault
from service.rules.phrases import ENGLISH_SPEECH, Speech, listed

MOST_LISTED = 6
"""How many entries a list has in a message; of a longer one the last entry says how many more there are."""


# --- parts ---------------------------------------------------------------------------------------------------------------


class Part(Struct, frozen=True):
    """What a message speaks of; as a text it is English."""

    def told(self, speech: Speech) -> str:
        """What it is called in a message."""
        raise NotImplementedError

    def __str__(self) -> str:
        return self.told(ENGLISH_SPEECH)


class CoinPart(Part, frozen=True):
    """A coin: "No. 8 (1920 threepence)". `number` is what the owner calls it, `title` what it is."""

    holding: str
    number: str | None
    title: str | None

    def told(self, speech: Speech) -> str:
        if self.number is None:
            return self.title or speech.phrase("some-coin")
        # A name without a figure ("the worn one") is no number.
        has_figure = any(figure.isdigit() for figure in self.number)
        name = speech.phrase("coin-number", number=self.number) if has_figure else self.number
        return f"{name} ({self.title})" if self.title else name


class PlacePart(Part, frozen=True):
    """A place, or a group by its id: the label in quotes."""

    place: str
    label: str

    def told(self, speech: Speech) -> str:
        return speech.phrase("quoted", label=self.label)


class ConstraintPart(Part, frozen=True):
    """A rule over several places: the label in quotes."""

    constraint: str
    label: str

    def told(self, speech: Speech) -> str:
        return speech.phrase("quoted", label=self.label)


class FactPart(Part, frozen=True):
    """An attribute, with where to look: "fineness (hallmark or legend; else specific gravity)"."""

    attribute: str
    label: str
    look_at: str = ""

    def told(self, speech: Speech) -> str:
        return speech.phrase("fact-looked-at", label=self.label, where=self.look_at) if self.look_at else self.label


class MorePart(Part, frozen=True):
    """The end of a list that is not written out."""

    more: int

    def told(self, speech: Speech) -> str:
        return speech.phrase("more", count=self.more)


def some(entries: Sequence[Any]) -> list[Any]:
    """The entries as a part: the first few, and how many more there are."""
    if len(entries) <= MOST_LISTED:
        return list(entries)
    return [*entries[: MOST_LISTED - 1], MorePart(len(entries) - MOST_LISTED + 1)]


# --- messages ------------------------------------------------------------------------------------------------------------

Code = Annotated[
    str,
    Meta(
        description="Which message it is: one of /v1/messages, or the code of what is wrong with a document or a fact."
    ),
]
Parts = Annotated[
    dict[str, Any],
    Meta(
        description="What the message speaks of, by the names in /v1/messages: texts and counts; coins (holding, number, "
        "title), places (place, label), rules (constraint, label), facts (attribute, label, look_at), messages inside "
        "the message (message, code, parts); lists of these, a long one with the number of further entries (more) at its end."
    ),
]


class Message(Struct, frozen=True):
    """A text for people, and what it is made of."""

    message: str
    code: Code
    parts: Parts

    def __str__(self) -> str:
        return self.message

    def members(self) -> dict[str, Any]:
        """Its members, for an answer that has them beside its own."""
        return {"message": self.message, "code": self.code, "parts": self.parts}


def message(code: str, /, **parts: Any) -> Message:
    """The message of a code with its parts. Raises KeyError for a code or a part that the table does not have."""
    sentence = MESSAGES[code]
    return Message(put_into(sentence, parts), code, parts)


def put_into(sentence: str, parts: Mapping[str, Any]) -> str:
    """A sentence with its parts. Raises KeyError for a part that it lacks, or does not have."""
    return _WORDS.vformat(sentence, (), parts)


def message_of_fault(fault: Fault) -> Message:
    """A fault as a message: its own code, and where it is."""
    where = {"pointer": fault.pointer, "line": fault.line, "column": fault.column}
    return Message(str(fault.message), fault.code, {name: part for name, part in where.items() if part})


class _Words(Formatter):
    """`{coins:and}` joins a list, `{count:place|places}` counts."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, list):
            words = [str(one) for one in value]
            return f"{format_spec} ".join(words) if format_spec in (",", ";") else listed(words, format_spec)
        if "|" in format_spec:
            one, _, many = format_spec.partition("|")
            return f"{value} {one if value == 1 else many}"
        return str(value)

    def check_unused_args(self, used_args: Any, args: Any, kwargs: Any) -> None:
        """Every part has to be in the sentence, or a translation could not know what it is."""
        for name in kwargs:
            if name not in used_args:
                raise KeyError(name)


_WORDS = _Words()

MESSAGES: Mapping[str, str] = {
    # Conflicts of an evaluation.
    "contested": "{count:place|places}, {short:coin|coins} short: {coins:and} are the only {pieces} coins that fit {places:and}.",
    "contested-one-coin": "{count:place|places}, {short:coin|coins} short: {coins:and} is the only coin that fits {places:and}.",
    "undecided": "{coin} may belong in {places:or}. Check: {check:;}.",
    "undecided-nothing-settles": "{coin} may belong in {places:or}. No fact that can be recorded settles it.",
    "undecided-by-reference": "{coin} may belong in {places:or}. Nothing on the coin can tell: {gaps:and}.",
    "undecided-and-reference": "{coin} may belong in {places:or}. Check: {check:;}. Even then: {gaps:and}.",
    "reference-no-end-date": "the vocabulary '{vocabulary}' has no end date for {term}",
    "reference-unknown-term": "the vocabulary '{vocabulary}' does not know '{term}'",
    "pin-unknown-holding": "{coin} is to be kept in {place}, but is not here any more.",
    "pin-not-held": "{coin} cannot be kept in {place}: its status is {status}.",
    "pin-unknown-place": "{coin} cannot be kept in {place}: the set has no such place.",
    "pin-never": "{coin} is marked both 'keep here' and 'never here' for {place}. Remove one of the two.",
    "pin-does-not-fit": "{coin} cannot be kept in {place}: it needs {needs:and}.",
    "pin-fits-as-no-issue": "{coin} cannot be kept in {place}: each of its candidate issues fails some clause.",
    "pin-clash-one": "{coin} and {other} are both to be kept in {place}, which takes one coin. Remove one of the two.",
    "pin-clash": "{coin} and {others:and} are all to be kept in {place}, which takes {count:coin|coins}. Remove one of these "
    "decisions.",
    "pin-one-coin": "{coin} is to be kept in {places:and}, but it is one coin. Remove one of the decisions.",
    "pin-too-few-pieces": "{coin} is to be kept in {places:and}, but there are {pieces} pieces. Remove one of the decisions.",
    "pin-constraint": "{coin} cannot be kept in {place}: it would break a rule of the set.",
    "pin-constraint-with-others": "{coin} cannot be kept in {place}: it would break a rule of the set together with other coins "
    "to be kept.",
    "pin-claimed": "{coin} cannot be kept in {place}: it is in {there} of '{set}'.",
    "pin-costs": "{coin} is kept in {place}; without that {places:and} could be filled.",
    "constraint": "Rule {rules:and} keeps {count:place|places} empty: {places:and}.",
    "constraint-some": "Rule {rules:and} keeps {count} of {of:place|places} empty: {places:and}.",
    "constraint-together": "Rules {rules:and} together keep {count:place|places} empty: {places:and}.",
    "constraint-some-together": "Rules {rules:and} together keep {count} of {of:place|places} empty: {places:and}.",
    "claimed-empty": "{coin} fits {place}, which is empty, but is in {there} of '{set}'.",
    "claimed-tentative": "{coin} fits {place}, whose coin is only possible, but is in {there} of '{set}'.",
    "claimed-empty-perhaps": "{coin} may fit {place}, which is empty, but is in {there} of '{set}'.",
    "contradiction": "{coin}: {fact} {recorded} is recorded, but its issue '{issue}' has {theirs}. Check {fact}, or name another "
    "issue.",
    "unidentified": "{coin} is no issue of the catalogue. The nearest, '{issue}', has {fact} {theirs}; recorded is {recorded}. "
    "Check {fact}, or add the issue.",
    # Why a coin sits in no place, on paper.
    "unplaced-spare": "{coin}: duplicate for {places:and}.",
    "unplaced-undecided": "{coin}: to be checked; may belong in {places:or}.",
    "unplaced-never": "{coin}: marked 'never here' for {places:and}, and fits no other place.",
    "unplaced-outside": "{coin}: fits no place.",
    "unplaced-outside-closest": "{coin}: fits no place. Closest: {place}; it needs {needs:and}.",
    "unplaced-not-held": "{coin}: not counted, its status is {status}.",
    "unplaced-elsewhere": "{coin}: in another set.",
    "more-conflicts": "And {count:more coin|more coins} to be checked.",
    "more-unplaced": "And {count:more coin|more coins} without a place.",
    # An explanation in three sentences.
    "explained-fits": "{coin} fits {places:and}.",
    "explained-may-fit": "{coin} may belong in {places:or}.",
    "explained-fits-nowhere": "{coin} fits no place of the set.",
    "explained-check": "To check for {place}: {check:;}.",
    "explained-nothing-settles": "To check for {place}: no fact that can be recorded settles it.",
    "explained-by-reference": "Nothing on the coin can tell of {place}: {gaps:and}.",
    "explained-closest": "Closest place that it does not fit: {place}; it needs {needs:and}.",
    "explained-no-other": "There is no other place to compare it with.",
    "explained-counts": "Fits: {fits}. May fit: {may_fit}. Does not fit: {fails}.",
    # What a coin that is not owned yet would do.
    "candidate-fills": "{coin} fills {places:and}.",
    "candidate-may-fill": "{coin} may fill {places:and}, and fits {certain:and} for certain.",
    "candidate-frees": "{coin} frees {moves:and}.",
    "candidate-frees-and-fills": "{coin} frees {moves:and}, which fills {places:and}.",
    "candidate-moves": "{coin} for {place}",
    "candidate-helps-rules": "{coin} lets the rules of the set be met with more places filled: {places:and}.",
    "candidate-certain": "{coin} makes one more place certain.",
    "candidate-upgrade": "Upgrade for {place}: {this}, yours is {yours}.",
    "candidate-goal": "{coin} brings the set nearer to its goals: {lacks:coin|coins} short, now {lacked}.",
    "candidate-less-to-check": "Upgrade for {place}: {this:fact|facts} to check, yours has {yours}.",
    "candidate-not-presumed": "Upgrade for {place}: recorded, yours is presumed.",
    "candidate-upgrade-not-recorded": "Upgrade for {place}: {this}, yours: {yours}.",
    "candidate-undecided": "{coin} may belong in {places:or}. Check: {check:;}.",
    "candidate-undecided-nothing-settles": "{coin} may belong in {places:or}. No fact that can be recorded settles it.",
    "candidate-undecided-by-reference": "{coin} may belong in {places:or}. Nothing on the coin can tell: {gaps:and}.",
    "candidate-undecided-and-reference": "{coin} may belong in {places:or}. Check: {check:;}. Even then: {gaps:and}.",
    "candidate-duplicate": "{coin} would be a duplicate for {places:and}.",
    "candidate-outside": "{coin} fits no place of the set.",
    "candidate-outside-closest": "{coin} fits no place of the set. Closest: {place}; it needs {needs:and}.",
    # What to look for next, and what no coin could fill.
    "want-empty": "{place} is empty. Wanted: {wanted}.",
    "want-empty-places": "{place} has {count:empty place|empty places}. Wanted: {wanted}.",
    "want-open": "{place} takes another coin. Wanted: {wanted}.",
    "want-better": "Upgrade {coin} in {place}: {because:;}.",
    "kept-empty": "Rule {rules:and} keeps {place} empty. {release}",
    "kept-empty-together": "Rules {rules:and} together keep {place} empty. {release}",
    "kept-empty-each": "Rules {rules:and} each keep {place} empty. {release}",
    "kept-closed": "Under {rules:and} {place} takes no other coin. {release}",
    "kept-closed-never": "{place} takes no other coin: none that it accepts, within the scope of the set, has another key.",
    "kept-empty-never": "No coin can fill {place}: what it accepts, its key and the scope of the set rule each other out.",
    "release-coin": "It can be filled once {coins:or} is taken out.",
    "release-coin-or-count": "It can be filled once {coins:or} is taken out, or the rule allows {count}.",
    "release-count": "It can be filled once the rule allows {count}.",
    "release-partner": "It can be filled once a coin in {places:or} agrees in {facts:and} with one that fits here.",
    "release-rule": "Only a change of the rule would let it be filled.",
    # Facts that are worth looking up, and what tells candidate issues apart.
    "doubt": "{coin}: check {facts:and}. Best case: {best}. Worst case: {worst}.",
    "doubt-best": "{count:place|places} filled for certain ({values:and})",
    "doubt-best-none": "no place filled for certain ({values:and})",
    "doubt-worst-filled": "{count:place|places} filled",
    "doubt-worst-lost": "{count:place|places} can no longer be filled",
    "doubt-worst-no-change": "no change",
    "features": "{coin}: check {facts:and} to distinguish its {count} candidate issues.",
    "features-as-described": "{coin}: check {facts:and} to distinguish its {count} candidate issues, as far as the catalogue "
    "describes them.",
    "features-none": "{coin}: nothing that the catalogue records distinguishes the candidate issues.",
    "features-one-issue": "{coin}: what is recorded leaves one candidate issue.",
    "features-no-issue": "{coin}: what is recorded leaves no candidate issue.",
    # What becomes of a place, a decision or a note under another revision.
    "lost-split": "{place} was split into {into:and}.",
    "lost-merged": "{place} was merged with others into {into:and}.",
    "lost-removed": "{place} is gone.",
    "lost-in-group": "{place} is gone; its group goes on without it.",
    "lost-unknown": "The set had no place {place}.",
    # What following another revision does to a set.
    "impact-none": "Both revisions say the same: nothing happens to your set.",
    "impact-places": "Places: {changes:,}.",
    "impact-places-same": "Every place stays, and is filled or empty as before.",
    "impact-places-new": "{count} new",
    "impact-places-gone": "{count} gone",
    "impact-places-emptied": "{count} emptied",
    "impact-places-filled": "{count} filled",
    "impact-coins": "Coins: {changes:,}.",
    "impact-coins-same": "Every coin stays where it is.",
    "impact-coins-moved": "{count:moves|move} to another place",
    "impact-coins-in": "{count:comes|come} in",
    "impact-coins-out": "{count:drops|drop} out",
    "impact-dropped": "{changes:and} cannot be carried over, because their places are gone.",
    "impact-pins-dropped": "{count:'keep here' decision|'keep here' decisions}",
    "impact-nevers-dropped": "{count:'never here' decision|'never here' decisions}",
    "impact-notes-dropped": "{count:want list note|want list notes}",
    # Findings of the check of a definition.
    "never": "No coin can ever fit {place}: {rule}.",
    "always": "Every coin fits {place}.",
    "outside-scope": "What {place} accepts lies outside the scope: {scope}.",
    "same": "{places:and} take the same coins.",
    "contained": "Every coin that fits {inner} fits {outer} too.",
    "overlap": "{what}",
    "overlap-shown": "One coin can fit both {first} and {second}; the example does.",
    "overlap-not-shown": "One coin may fit both {first} and {second}, though no facts can say so for certain.",
    "gap": "{what}",
    "gap-issue": "The issue '{issue}' is in scope and fits no place.",
    "gap-more": "And {count:more issue in scope fits|more issues in scope fit} no place.",
    "limit": "{what}",
    "limit-work": "The check ended at the limit of its work: what it found holds, and there may be more to find.",
    "limit-never": "Whether any coin can fit {places:and} was not decided: it would take too much work.",
    "limit-pairs": "Only the first {count} pairs of places that may meet were compared.",
    "limit-overlap": "Whether one coin can fit both was not decided for {count:pair|pairs} of places.",
    "identify-incomplete": "The catalogue is not known to have every issue of {coins}. Narrow `where` to issuers, denominations "
    "and years for which it is complete (GET /v1/catalogue/complete), or list the `issues`.",
    "limit-identify": "Whether `where` reaches further than the catalogue was not decided: it would take too much work.",
    "limit-examples": "Not all examples were run: it would take too much work.",
    "limit-keys": "A group has too many keys to look for issues that fit no place.",
    "too-few-keys": "{what}",
    "constraint-never": "{what}",
    "choice-never-filled": "{group} can never be filled: {why}.",
    "group-without-keys": "{group} has no key, so it has no place.",
    "group-never-filled": "{group} can never be filled: no coin in its scope and rule has the key {keys:and}.",
    "rule-never-holds": "{rule} can never hold with all its places filled: {why}.",
    "goal-never-reached": "{rule} can never be reached: {why}.",
    "rule-keeps-place-empty": "{rule} always keeps its place empty: {why}.",
    "too-many-count": "every coin for {groups:and} counts ({places} places), and only {most} may",
    "no-place-can-count": "{wanted} are wanted, and none of its places can take a coin that counts",
    "too-few-places-can-count": "{wanted} are wanted, and only {able} of its places can",
    "no-other-place": "there is no other place",
    "agrees-with-none": "{place} can agree with none of {others:and}",
    "own-key-each": "every place of {group} has its own {facts:and}",
    "two-never-agree": "{places:and} can never agree in {fact}",
    "must-differ": "its {places} places must differ in {facts:and}, so only {filled} can be filled",
    "few-may-agree": "of its {places} places at most {most} may agree in {facts:and}, so only {filled} can be filled",
    "example-fails": "{what}",
    "example-labelled": "Example '{label}'",
    "example-numbered": "Example {number}",
    "example-should-not": "{example} should not fit {place}, but does.",
    "example-should": "{example} should fit {place}, but does not; {why}.",
    "example-should-surely": "{example} should fit {place}, but only may; {why}.",
    "example-should-surely-not": "{example} should not fit {place}, but only may; {why}.",
    "example-without-key": "it has no {facts:and} for which there is a place",
    "example-needs": "it needs {needs:and}",
    "example-fails-together": "no clause alone keeps it out, all of them together do",
    "example-to-record": "to record: {facts:and}",
    "example-nothing-settles": "no fact that can be recorded settles it",
    "unused-attribute": "The attribute '{attribute}' is declared and never read.",
    "unknown-term": "{what}",
    "unknown-term-near": "'{attribute}': '{term}' is no term of the vocabulary '{vocabulary}'; did you mean {nearest}?",
    "unknown-term-alone": "'{attribute}': '{term}' is no term of the vocabulary '{vocabulary}'; only coins recorded in the same "
    "words fit.",
    "unknown-term-of-several": "'{attribute}': '{term}' may be {terms:or}: say which.",
    "unreachable-tier": "None of the {tier} places can ever be filled.",
    # A text that was stored before messages had codes.
    "as-recorded": "{text}",
    # What was left out of a coin.
    "ignored": "{coin}: {what} is left out: {why}.",
}
