"""Issues: what a mint struck, as the service ships it or as an owner records it; and all that an owner adds to the reference
data. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Any

from pydantic import AfterValidator, Field, StringConstraints, WithJsonSchema

from service.errors import Fault, Sentence
from service.facts.attributes import Attributes
from service.facts.holding import MOST_FACTS, Facts, read_facts
from service.facts.own_vocabularies import OwnVocabulary
from service.facts.vocabulary import TaggedName
from service.formats.shapes import AttributeName, Shape, Text
from service.rules.presumptions import NOTHING_KEPT, KeptPresumptions
from service.rules.shape_messages import complaint

# So many issues an owner may keep: an evaluation that takes its places from the catalogue reads them all.
MOST_ISSUES = 20_000
MOST_IMPORTED = 5_000
MOST_LOOK_ALIKES = 50
# So many vocabularies an owner may keep, and so many terms in one and in all: an evaluation takes them all.
MOST_VOCABULARIES = 100
MOST_CONCEPTS = 5_000
MOST_CONCEPTS_OF_ALL = 20_000


# --- shapes: what is sent ------------------------------------------------------------------------------------------------


def _issue_name(value: str) -> str:
    fits = 1 <= len(value) <= 200 and value[0].isalnum() and value == value.strip()
    if fits and not any(letter in "/;" or not letter.isprintable() for letter in value):
        return value
    message = "the id of an issue is 1 to 200 characters that begin with a letter or a digit, without / and ;"
    raise complaint("id", message)


_NAME = {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[^/;]*$"}
IssueName = Annotated[Text, AfterValidator(_issue_name), WithJsonSchema(_NAME)]
LookAlikes = Annotated[
    list[IssueName], Field(max_length=MOST_LOOK_ALIKES, description="Issues that are easily taken for it.")
]
Label = Annotated[Text, StringConstraints(min_length=1, max_length=500)]
Source = Annotated[Text, StringConstraints(min_length=1, max_length=500)]
Edition = Annotated[Text, StringConstraints(min_length=1, max_length=100)]


_REPLACES = "The issue in whose place it is a candidate, where coins are identified by their facts."


class IssueFields(Shape):
    """What an owner records of an issue. Where it comes from has to be said: nobody can tell later."""

    label: Label
    facts: dict[AttributeName, Any] = Field(
        default_factory=dict, max_length=MOST_FACTS, description="What every coin of it is: attribute and value."
    )
    look_alikes: LookAlikes = Field(default_factory=list)
    source: Source = Field(description="Where this was taken from, such as a book, or: own observation.")
    edition: Edition = Field(description="Which edition of the source, or the day of the observation.")
    replaces: IssueName | None = Field(None, description=_REPLACES)

    def issue(self, identity: str) -> Issue:
        """The issue of this id."""
        alike = tuple(dict.fromkeys(self.look_alikes))
        return Issue(identity, self.label, self.facts, alike, self.source, self.edition, self.replaces)


class ImportedIssue(Shape):
    """One issue of an import; `source` and `edition` where they differ from those of the whole."""

    id: IssueName
    label: Label
    facts: dict[AttributeName, Any] = Field(default_factory=dict, max_length=MOST_FACTS)
    look_alikes: LookAlikes = Field(default_factory=list)
    source: Source | None = None
    edition: Edition | None = None
    replaces: IssueName | None = Field(None, description=_REPLACES)


# --- issues ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Issue:
    """One entry of a catalogue. `facts` are plain values as in a holding; `look_alikes` are ids of issues that are easily
    taken for it; `source` and `edition` say where it was taken from; `replaces` is the id of the issue in whose place an
    owner's own stands where coins are identified (rules.md, section 9)."""

    id: str
    label: str
    facts: Mapping[str, Any]
    look_alikes: tuple[str, ...]
    source: str
    edition: str
    replaces: str | None = None


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
class KeptVocabulary:
    """A vocabulary that an owner keeps. `iri` is the scheme's own where it came from elsewhere; `names` are its labels with a
    language."""

    own: OwnVocabulary
    source: str = ""
    notice: str = ""
    iri: str = ""
    names: tuple[TaggedName, ...] = ()

    @property
    def name(self) -> str:
        return self.own.name

    def summarized(self, edition: str | None = None) -> VocabularySummary:
        """All but the terms. `edition`: as of the summary."""
        own = self.own
        return VocabularySummary(own.name, own.label, self.source, self.notice, len(own.concepts), own.extends, edition)


@dataclass(frozen=True, slots=True)
class VocabularySummary:
    """A vocabulary without its terms, of which `size` counts those of its own. `edition` is that of one that comes with the
    service, None of an owner's."""

    name: str
    label: str
    source: str
    notice: str
    size: int
    extends: str | None = None
    edition: str | None = None


@dataclass(frozen=True, slots=True)
class StoredVocabulary:
    """A vocabulary of an owner's. `version` changes with every change and never comes again."""

    kept: KeptVocabulary
    version: str
    created_at: datetime
    updated_at: datetime

    @property
    def name(self) -> str:
        return self.kept.own.name

    @property
    def summary(self) -> VocabularySummary:
        return self.kept.summarized()


@dataclass(frozen=True, slots=True)
class OwnReference:
    """What an owner adds to the reference data, for an evaluation: the facts of own issues by id as plain values, which issue
    each of them replaces, what the account presumes, and the vocabularies that it keeps. `version` changes with every change of
    any of it; None where the owner never had any."""

    facts: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    version: str | None = None
    replaces: Mapping[str, str] = field(default_factory=dict)
    presumed: KeptPresumptions = NOTHING_KEPT
    vocabularies: tuple[OwnVocabulary, ...] = ()


NOTHING_OWN = OwnReference()


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
    texts = (one.id, one.label, one.look_alikes, one.source, one.edition, one.replaces)
    others = (other.id, other.label, other.look_alikes, other.source, other.edition, other.replaces)
    return texts == others and _same(one.facts, other.facts)


def _same(one: Any, other: Any) -> bool:
    # In Python true equals 1.
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(part, other[name]) for name, part in one.items())
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return bool(one == other)


def faults_of_replacements(
    sent: Sequence[tuple[str, str | None]], kept: Mapping[str, str], is_known: Callable[[str], bool]
) -> dict[str, Fault]:
    """What is wrong with what issues replace, by their ids, pointers relative to the issue. `sent` are ids with what each
    replaces, `kept` is what the owner's issues replace so far; `is_known` says whether there is an issue of an id."""
    replaces = {**kept, **dict(sent)}
    faults: dict[str, Fault] = {}
    for identity, replaced in sent:
        if replaced is None:
            continue
        if not is_known(replaced):
            message = Sentence(
                "the issue '{replaced}' is in no catalogue here, so it cannot be replaced", replaced=replaced[:80]
            )
            faults[identity] = Fault("unknown-issue", message, "/replaces", "see /v1/issues")
            continue
        passed: set[str] = set()
        at: str | None = replaced
        while at is not None and at != identity and at not in passed:
            passed.add(at)
            at = replaces.get(at)
        if at == identity:
            message = (
                Sentence("an issue cannot replace itself")
                if replaced == identity
                else Sentence("'{replaced}' replaces this issue in its turn", replaced=replaced[:80])
            )
            faults[identity] = Fault("replaces", message, "/replaces", "leave `replaces` out of one of them")
    return faults


def mentions(words: str | None, identity: str, label: str) -> bool:
    """Whether all the words occur in the id or the label, whatever their case."""
    text = f"{identity} {label}".casefold()
    return all(word in text for word in (words or "").casefold().split())
