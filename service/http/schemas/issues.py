"""Issues of the catalogue on the wire."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.facts.attributes import Attributes, unknown_attributes
from service.facts.holding import MOST_FACTS
from service.formats.shapes import AttributeName
from service.http.conditional import entity_tag
from service.http.pagination import PageQuery
from service.http.wire import In, OldOut, OldPageOut, Text
from service.reference.model import Issue, StoredIssue

MOST_IMPORTED = 5_000
MOST_LOOK_ALIKES = 50
MOST_SHOWN = 100
MOST_REFUSED = 1_000


def _name(value: str) -> str:
    fits = 1 <= len(value) <= 200 and value[0].isalnum() and value == value.strip()
    if fits and not any(letter in "/;" or not letter.isprintable() for letter in value):
        return value
    message = "the id of an issue is 1 to 200 characters that begin with a letter or a digit, without / and ;"
    raise PydanticCustomError("id", message)


def _plain(value: str) -> str:
    # In a body this is refused for the whole; an address is not read so strictly.
    if "\0" in value:
        raise PydanticCustomError("text", "a text has no NUL character in it")
    return value


_NAME = {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[^/;]*$"}
IssueName = Annotated[Text, AfterValidator(_name), WithJsonSchema(_NAME)]
LookAlikes = Annotated[
    list[IssueName], Field(max_length=MOST_LOOK_ALIKES, description="Issues that are easily taken for it.")
]
Label = Annotated[Text, StringConstraints(min_length=1, max_length=500)]
Source = Annotated[Text, StringConstraints(min_length=1, max_length=500)]
Edition = Annotated[Text, StringConstraints(min_length=1, max_length=100)]


class UnknownAttributeOut(OldOut):
    """A fact whose attribute neither the core nor a definition of the owner's declares."""

    attribute: str
    did_you_mean: str | None


class IssueFields(In):
    """What an owner records of an issue. Where it comes from has to be said: nobody can tell later."""

    label: Label
    facts: dict[AttributeName, Any] = Field(
        default_factory=dict, max_length=MOST_FACTS, description="What every coin of it is: attribute and value."
    )
    look_alikes: LookAlikes = Field(default_factory=list)
    source: Source = Field(description="Where this was taken from, such as a book, or: own observation.")
    edition: Edition = Field(description="Which edition of the source, or the day of the observation.")


class NewIssueIn(IssueFields):
    """A new issue of the owner's own."""

    id: IssueName | None = Field(None, description="A name that no other issue has; left out, the server makes one.")


class ImportedIssueIn(In):
    """One issue of an import; `source` and `edition` where they differ from those of the whole."""

    id: IssueName
    label: Label
    facts: dict[AttributeName, Any] = Field(default_factory=dict, max_length=MOST_FACTS)
    look_alikes: LookAlikes = Field(default_factory=list)
    source: Source | None = None
    edition: Edition | None = None


class IssuesImportIn(In):
    """Issues to record or replace, with where they come from."""

    source: Source
    edition: Edition
    issues: list[ImportedIssueIn] = Field(max_length=MOST_IMPORTED)


class ImportFrame(In):
    """The same before its issues are looked at, each by itself."""

    source: Source
    edition: Edition
    issues: list[Any] = Field(max_length=MOST_IMPORTED)


class ImportQuery(BaseModel):
    """How to import. `source` and `edition` go with CSV."""

    model_config = ConfigDict(extra="forbid")

    dry_run: bool = Field(False, description="true: only tell what would be done.")
    skip_refused: bool = Field(False, description="true: leave refused rows out; else one refused row refuses all.")
    source: Annotated[Source, AfterValidator(_plain)] | None = Field(
        None, description="Where the rows come from, for CSV."
    )
    edition: Annotated[Edition, AfterValidator(_plain)] | None = Field(
        None, description="Which edition of the source, for CSV."
    )


class IssueQuery(PageQuery):
    """Which issues to list, and how."""

    contains: str | None = Field(
        None, max_length=200, description="Words that the id or the label contains, all of them."
    )
    private: bool | None = Field(None, description="true: only the owner's own; false: only those of the service.")
    format: Literal["json", "csv"] = Field("json", description="csv: all of them in one file, without pages.")


class IssueOut(OldOut):
    """One issue."""

    id: str
    label: str
    facts: dict[str, Any]
    look_alikes: list[str]
    source: str
    edition: str
    private: bool = Field(description="Whether it is the owner's own.")
    created_at: str | None = None
    updated_at: str | None = None
    unknown_attributes: list[UnknownAttributeOut] | None = Field(
        None, description="Advice, in the answer of one private issue; it is kept all the same."
    )


class IssuePageOut(OldPageOut):
    """One page of the catalogue, in the order of ids."""

    items: list[IssueOut]
    edition: str = Field(description="Of the reference data that comes with the service.")


class RefusedRowOut(OldOut):
    """One thing wrong with one row."""

    row: int = Field(description="Which issue, counted from 1.")
    line: int | None = Field(None, description="The line of the CSV file where the row ends.")
    id: str | None
    pointer: str = Field(description="Into the body; for CSV, into the same rows as JSON.")
    code: str
    message: str
    hint: str | None = None
    nearest: str | None = Field(description="The value or name that may have been meant.")


class ImportedOut(OldOut):
    """One issue of the preview."""

    outcome: Literal["created", "updated", "unchanged"]
    id: str
    label: str
    facts: dict[str, Any]
    look_alikes: list[str]
    source: str
    edition: str


class IssuesImportOut(OldOut):
    """What an import did, or would do."""

    dry_run: bool
    created: int
    updated: int
    unchanged: int
    refused: list[RefusedRowOut]
    refused_rows: int = Field(description="How many rows were refused; the first 1,000 complaints are told.")
    unknown_attributes: list[UnknownAttributeOut] = Field(description="Facts whose attribute nobody declared; kept.")
    items: list[ImportedOut] = Field(description="The first 100, those that change something first.")


def an_issue(identity: str, fields: IssueFields | ImportedIssueIn, source: str, edition: str) -> Issue:
    """The issue that was sent."""
    return Issue(identity, fields.label, fields.facts, tuple(dict.fromkeys(fields.look_alikes)), source, edition)


def shown_content(issue: Issue) -> dict[str, Any]:
    return {
        "id": issue.id,
        "label": issue.label,
        "facts": issue.facts,
        "look_alikes": list(issue.look_alikes),
        "source": issue.source,
        "edition": issue.edition,
    }


def shown_issue(found: Issue | StoredIssue) -> dict[str, Any]:
    if isinstance(found, Issue):
        return {**shown_content(found), "private": False}
    times = {"created_at": found.created_at, "updated_at": found.updated_at}
    return {**shown_content(found.issue), "private": True, **times}


def advised_issue(found: Issue | StoredIssue, attributes: Attributes) -> dict[str, Any]:
    """The issue with the names among its facts that nobody declared, when it is the owner's."""
    if isinstance(found, Issue):
        return shown_issue(found)
    return {**shown_issue(found), "unknown_attributes": unknown_attributes(found.issue.facts, attributes)}


def issue_tag(found: Issue | StoredIssue, edition: str) -> str:
    """Changes with every change of the issue. `edition` is that of what the service ships."""
    if isinstance(found, Issue):
        return entity_tag("issue", edition, found.id)
    # One import gives all its issues one version.
    return entity_tag("own issue", found.version, found.id)
