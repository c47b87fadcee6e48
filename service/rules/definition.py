"""A set definition after everything in it has been checked. From here on its types cannot be wrong."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.facts.attributes import Attributes
from service.facts.holding import Facts
from service.facts.vocabulary import Vocabulary
from service.rules.constraints import Constraint
from service.rules.keys import Key, KeyPart
from service.rules.preferences import Preference
from service.rules.presumptions import NO_PRESUMPTIONS, Presumptions
from service.rules.rule import Rule

MOST_PLACES = 2_000
REQUIRED, OPTIONAL = "required", "optional"

PLACEHOLDER = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")
"""In the label of a one-per group: the key, or one attribute of it."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One place."""

    id: str
    label: str
    accepts: Rule
    tier: str = REQUIRED
    prefer: tuple[Preference, ...] = ()
    look_at: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Keys:
    """Where the keys of a one-per group come from: `holdings` (open-ended), `list`, `vocabulary` or `catalogue`.

    `level` is None (every concept picked), `narrowest`, or ("children_of", term).
    """

    source: str
    values: tuple[Key, ...] = ()
    vocabulary: str = ""
    where: Rule | None = None
    level: str | tuple[str, str] | None = None

    @property
    def is_open(self) -> bool:
        return self.source == "holdings"


@dataclass(frozen=True, slots=True)
class OnePer:
    """One place for each key: of one attribute, or of several together (`parts`)."""

    id: str
    label: str
    parts: tuple[KeyPart, ...]
    keys: Keys
    accepts: Rule | None = None
    tier: str = REQUIRED
    prefer: tuple[Preference, ...] = ()
    look_at: str = ""
    note: str = ""

    @property
    def name(self) -> str:
        """What the group is called: its label, or its id where the label is one for each place (`{key}`)."""
        return self.id if PLACEHOLDER.search(self.label) or not self.label else self.label

    @property
    def attributes(self) -> tuple[str, ...]:
        """The attributes of the key."""
        return tuple(part.attribute for part in self.parts)


@dataclass(frozen=True, slots=True)
class FreeChoice:
    """Places that take any coin fitting one rule; `distinct` and `at_most` are constraints over these places."""

    id: str
    label: str
    places: int
    accepts: Rule
    rules: tuple[Constraint, ...] = ()
    tier: str = REQUIRED
    prefer: tuple[Preference, ...] = ()
    look_at: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Example:
    """A test case of the author's: the addresses of slots, groups or places that a coin of these facts has to fit, and of
    those that it must not fit. `at` is its JSON pointer in the document."""

    label: str
    facts: Facts
    fits: tuple[str, ...]
    fails: tuple[str, ...]
    at: str


@dataclass(frozen=True, slots=True)
class Definition:
    """The whole set. `attributes` are the core ones and the document's own; `document` is what the author wrote."""

    title: str
    document: Mapping[str, Any]
    digest: str
    attributes: Attributes
    vocabularies: Mapping[str, Vocabulary]
    scope: Rule | None = None
    prefer: tuple[Preference, ...] = ()
    slots: tuple[Slot, ...] = ()
    one_per: tuple[OnePer, ...] = ()
    free_choice: tuple[FreeChoice, ...] = ()
    constraints: tuple[Constraint, ...] = ()
    presumptions: Presumptions = NO_PRESUMPTIONS
    examples: tuple[Example, ...] = ()

    def rules(self) -> Iterator[Rule]:
        """Every rule of the document, in its order."""
        if self.scope is not None:
            yield self.scope
        yield from (entry.where for entry in self.presumptions.presume if entry.where is not None)
        yield from (entry.where for entry in self.presumptions.identify)
        yield from _of_preferences(self.prefer)
        for slot in self.slots:
            yield slot.accepts
            yield from _of_preferences(slot.prefer)
        for group in self.one_per:
            yield from (rule for rule in (group.accepts, group.keys.where) if rule is not None)
            yield from _of_preferences(group.prefer)
        for choice in self.free_choice:
            yield choice.accepts
            yield from (rule.where for rule in choice.rules if rule.where is not None)
            yield from _of_preferences(choice.prefer)
        yield from (constraint.where for constraint in self.constraints if constraint.where is not None)

    def names(self) -> dict[str, str]:
        """What every slot and group is called, by its id."""
        named: dict[str, str] = {slot.id: slot.label for slot in self.slots}
        named |= {choice.id: choice.label for choice in self.free_choice}
        return named | {group.id: group.name for group in self.one_per}


def _of_preferences(prefer: tuple[Preference, ...]) -> Iterator[Rule]:
    return (preference.where for preference in prefer if preference.where is not None)
