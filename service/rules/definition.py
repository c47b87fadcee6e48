"""A set definition after everything in it has been checked. From here on its types cannot be wrong."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.facts.attributes import Attributes
from service.facts.vocabulary import Vocabulary
from service.rules.constraints import Constraint
from service.rules.keys import Key, KeyPart
from service.rules.preferences import Preference
from service.rules.presumptions import NO_PRESUMPTIONS, Presumptions
from service.rules.rule import Rule

MOST_PLACES = 2_000
REQUIRED, OPTIONAL = "required", "optional"


@dataclass(frozen=True, slots=True)
class Slot:
    """One place."""

    id: str
    label: str
    accepts: Rule
    tier: str = REQUIRED
    prefer: tuple[Preference, ...] = ()
    look_at: str = ""


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


def _of_preferences(prefer: tuple[Preference, ...]) -> Iterator[Rule]:
    return (preference.where for preference in prefer if preference.where is not None)
