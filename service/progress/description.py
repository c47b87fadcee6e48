"""A coin in a few words, from what is recorded of it: "crown, 1892 or 1893, United Kingdom". Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from service.facts.attributes import Attributes
from service.facts.vocabulary import Vocabulary
from service.rules.labels import listed

NOTHING = "coin, nothing recorded"
# Of each line the first attribute that is recorded.
_PARTS = (("denomination", "object_kind"), ("year_on_coin", "struck"), ("issuer", "legend_issuer"))
_MOST_ALTERNATIVES = 4

Recorded = Mapping[str, Any]
Describer = Callable[[Recorded], str]


def describer(
    attributes: Attributes, vocabularies: Mapping[str, Vocabulary], issue_facts: Mapping[str, Mapping[str, Any]]
) -> Describer:
    """Describes what is recorded of a piece, {"facts": ..., "issue": ...} as plain values. A fact of its own speaks before
    its issue's; where candidates disagree all are named, where one of them is silent the others are not believed."""

    def label(name: str, term: str) -> str:
        attribute = attributes.get(name)
        scheme = vocabularies.get((attribute.vocabulary if attribute else None) or "")
        concept = scheme.concepts.get(term) if scheme else None
        return concept.label if concept else term

    def describe(recorded: Recorded) -> str:
        worlds = _worlds(recorded, issue_facts)
        words = [_first(names, worlds, label) for names in _PARTS]
        said = [word for word in words if word]
        if not said:
            return NOTHING
        return ", ".join(said if words[0] else ["coin", *said])

    return describe


def _worlds(recorded: Recorded, issue_facts: Mapping[str, Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The facts for each issue that the piece may be."""
    own, issue = recorded.get("facts") or {}, recorded.get("issue")
    candidates = issue["one_of"] if isinstance(issue, Mapping) else [] if issue is None else [issue]
    return [{**issue_facts.get(name, {}), **own} for name in candidates] or [own]


def _first(names: Sequence[str], worlds: Sequence[Recorded], label: Callable[[str, str], str]) -> str | None:
    """What the first of these attributes that is recorded says."""
    for name in names:
        values = [_words(name, world.get(name), label) for world in worlds]
        words = [value for value in values if value]
        if words and len(words) == len(values):
            said = _several(list(dict.fromkeys(words)))
            return f"struck {said}" if name == "struck" else said
    return None


def _words(name: str, value: Any, label: Callable[[str, str], str]) -> str | None:
    """A recorded fact as a collector would say it; None where there is nothing to say."""
    if isinstance(value, Mapping):
        if "one_of" in value:
            return _several([word for one in value["one_of"] if (word := _words(name, one, label))])
        if "none" in value:
            return "undated" if name == "year_on_coin" else None
        low, high = value.get("from"), value.get("to")
        return f"up to {high}" if low is None else f"{low} or later" if high is None else f"{low} to {high}"
    if isinstance(value, str):
        return label(name, value)
    return None if value is None or isinstance(value, list) else str(value)


def _several(words: Sequence[str]) -> str:
    if len(words) > _MOST_ALTERNATIVES:
        return f"{', '.join(words[:_MOST_ALTERNATIVES])} or one of {len(words) - _MOST_ALTERNATIVES} others"
    return listed(words, "or")
