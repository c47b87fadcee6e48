"""Issues: what a mint struck, as the service ships it or as an owner records it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from service.errors import Fault
from service.facts.attributes import Attributes
from service.facts.holding import Facts, read_facts

# So many issues an owner may keep: an evaluation that takes its places from the catalogue reads them all.
MOST_ISSUES = 20_000


@dataclass(frozen=True, slots=True)
class Issue:
    """One entry of a catalogue. `facts` are plain values as in a holding; `look_alikes` are ids of issues that are easily
    taken for it; `source` and `edition` say where it was taken from."""

    id: str
    label: str
    facts: Mapping[str, Any]
    look_alikes: tuple[str, ...]
    source: str
    edition: str


@dataclass(frozen=True, slots=True)
class StoredIssue:
    """An owner's issue. `version` changes with every change and never comes again."""

    issue: Issue
    version: str
    created_at: datetime
    updated_at: datetime

    @property
    def id(self) -> str:
        return self.issue.id


@dataclass(frozen=True, slots=True)
class OwnIssues:
    """All issues of an owner for an evaluation: the facts by id as plain values. `version` changes with every change of any
    of them; None where the owner never had one."""

    facts: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    version: str | None = None


NO_ISSUES = OwnIssues()


class Catalogue(Mapping[str, Facts]):
    """The facts of all issues as one definition knows them: the owner's before shipped ones of the same id.

    An owner's issue is read when it is asked for, since most evaluations ask for few. Facts that do not fit the types of the
    definition are left out of it, and `faults_of` tells which.
    """

    def __init__(
        self, shipped: Mapping[str, Facts], own: Mapping[str, Mapping[str, Any]], attributes: Attributes
    ) -> None:
        self._shipped, self._own, self._attributes = shipped, own, attributes
        self._read: dict[str, tuple[Facts, list[Fault]]] = {}

    def __getitem__(self, name: str) -> Facts:
        return self._of_owner(name)[0] if name in self._own else self._shipped[name]

    def __iter__(self) -> Iterator[str]:
        yield from self._shipped
        yield from (name for name in self._own if name not in self._shipped)

    def __len__(self) -> int:
        return len(self._shipped) + sum(name not in self._shipped for name in self._own)

    def __contains__(self, name: object) -> bool:
        return name in self._own or name in self._shipped

    def under(self, first: Mapping[str, Facts]) -> Catalogue:
        """This catalogue with other issues, read already, before its own."""
        left = {name: facts for name, facts in self._own.items() if name not in first}
        return Catalogue({**self._shipped, **first}, left, self._attributes)

    def faults_of(self, name: str) -> list[Fault]:
        """What was left out of an owner's issue, pointers relative to its facts."""
        return self._of_owner(name)[1] if name in self._own else []

    def _of_owner(self, name: str) -> tuple[Facts, list[Fault]]:
        found = self._read.get(name)
        if found is None:
            found = self._read[name] = read_facts(dict(self._own[name]), self._attributes, strict=False)
        return found


@dataclass(frozen=True, slots=True)
class Sorted:
    """Issues to import, by what they do to those that are kept."""

    created: tuple[Issue, ...]
    updated: tuple[Issue, ...]
    unchanged: tuple[Issue, ...]


def sort_out(sent: Iterable[Issue], kept: Mapping[str, Issue]) -> Sorted:
    """Which of the issues are new, which differ from the kept one of their id, and which say the same."""
    created, updated, unchanged = [], [], []
    for issue in sent:
        before = kept.get(issue.id)
        if before is None:
            created.append(issue)
        elif says_the_same(issue, before):
            unchanged.append(issue)
        else:
            updated.append(issue)
    return Sorted(tuple(created), tuple(updated), tuple(unchanged))


def says_the_same(one: Issue, other: Issue) -> bool:
    """Whether two entries have the same content. Numbers are compared by value: 2.50 is 2.5."""
    texts = (one.id, one.label, one.look_alikes, one.source, one.edition)
    return texts == (other.id, other.label, other.look_alikes, other.source, other.edition) and _same(
        one.facts, other.facts
    )


def _same(one: Any, other: Any) -> bool:
    # In Python true equals 1.
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(part, other[name]) for name, part in one.items())
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return bool(one == other)


def mentions(words: str | None, identity: str, label: str) -> bool:
    """Whether all the words occur in the id or the label, whatever their case."""
    text = f"{identity} {label}".casefold()
    return all(word in text for word in (words or "").casefold().split())
