"""A stored definition: a line of immutable revisions, and perhaps a draft of the next. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from service.facts.attributes import Attribute, Attributes

RevisionStatus = Literal["draft", "published", "withdrawn"]


class RevisionStamp(Struct, frozen=True):
    """Which revision."""

    revision: int
    status: RevisionStatus
    digest: str
    title: str


class DefinitionSummary(Struct, frozen=True):
    """A definition, or one revision of it, in a list."""

    id: str
    status: RevisionStatus
    revision: Annotated[
        int, Meta(description="The revision's number; a draft bears the number that it will be published as.")
    ]
    digest: str
    title: str
    created_at: datetime
    updated_at: datetime
    withdrawn_at: Annotated[datetime | None, Meta(description="Of a withdrawn revision; it stays readable as it is.")]
    withdrawn_because: str | None


@dataclass(frozen=True, slots=True)
class Revision:
    """One document of the line. `status` is draft, published or withdrawn; a draft bears the number that it will be published
    as. One that was withdrawn stays as it is; `withdrawn_because` is what its owner said. `written`, of a stored draft: another
    one each time the draft is written; the digest does not tell 1.50 from 1.5."""

    definition: str
    number: int
    status: RevisionStatus
    digest: str
    title: str
    document: Mapping[str, Any]
    created_at: datetime
    updated_at: datetime
    withdrawn_at: datetime | None = None
    withdrawn_because: str | None = None
    written: str | None = field(default=None, compare=False)

    @property
    def stamp(self) -> RevisionStamp:
        """Which revision it is."""
        return RevisionStamp(self.number, self.status, self.digest, self.title)

    @property
    def summary(self) -> DefinitionSummary:
        """The revision without its document."""
        return DefinitionSummary(
            id=self.definition,
            status=self.status,
            revision=self.number,
            digest=self.digest,
            title=self.title,
            created_at=self.created_at,
            updated_at=self.updated_at,
            withdrawn_at=self.withdrawn_at,
            withdrawn_because=self.withdrawn_because,
        )


@dataclass(frozen=True, slots=True)
class StoredDefinition:
    """The head of a definition: `published` is the number of its newest published revision, withdrawn or not, 0 when there is
    none. `adopted` is the revision that the owner's set follows; None: the draft, or else the newest published one that is
    not withdrawn. `version` changes with every change of the line and never comes again."""

    id: str
    version: str
    published: int
    draft: Revision | None
    adopted: int | None = None


@dataclass(frozen=True, slots=True)
class Decisions:
    """What the owner decided for a definition: (holding, place) pairs of coins that sit there, and of coins that never do.
    `version` changes with every change; None where nothing was ever decided."""

    pins: tuple[tuple[str, str], ...] = ()
    nevers: tuple[tuple[str, str], ...] = ()
    version: str | None = None


NO_DECISIONS = Decisions()


@dataclass(frozen=True, slots=True)
class WantNotes:
    """The owner's notes to the want list of a definition, by place or group: {"min_grade", "most_to_pay", "currency",
    "note"}, those that are said. `version` as for decisions."""

    notes: Mapping[str, Mapping[str, Any]]
    version: str | None = None


@dataclass(frozen=True, slots=True)
class MergedOrigin:
    """What goes along when another revision is adopted: (holding, place) pairs of pins and nevers, and notes by place."""

    pins: tuple[tuple[str, str], ...]
    nevers: tuple[tuple[str, str], ...]
    notes: Mapping[str, Mapping[str, Any]]


def declared(documents: Iterable[Iterable[Mapping[str, Any]]]) -> dict[str, Attribute | None]:
    """The attributes that checked documents declare, by name. None where two documents disagree about the type: the
    name is known then, and its values are checked in form only."""
    found: dict[str, Attribute | None] = {}
    for entries in documents:
        for entry in entries:
            attribute = _attribute(entry)
            earlier = found.get(attribute.name, attribute)
            agrees = earlier is not None and (earlier.type, earlier.many, earlier.values) == (
                attribute.type,
                attribute.many,
                attribute.values,
            )
            found[attribute.name] = attribute if agrees else None
    return found


def extended(core: Attributes, found: Mapping[str, Attribute | None]) -> Attributes:
    """The core table with what documents declare in agreement; the core's own entries stay as they are."""
    more = [entry for name, entry in found.items() if entry is not None and name not in core]
    return core.extended(more) if more else core


def _attribute(entry: Mapping[str, Any]) -> Attribute:
    return Attribute(
        name=entry["name"],
        type=entry.get("type", "text"),
        many=entry.get("many", False),
        vocabulary=entry.get("vocabulary"),
        values=tuple(entry.get("values") or ()),
        low=entry.get("low"),
        high=entry.get("high"),
    )
