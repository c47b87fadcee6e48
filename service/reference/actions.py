"""Reading the reference data, and keeping an owner's own issues beside it. Each change is part of the caller's
transaction."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from heapq import merge
from itertools import islice
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.errors import Conflict, Fault, Invalid, NotFound, OverLimit
from service.evaluation.known_rules import KnownRules
from service.facts.attributes import Attributes
from service.facts.holding import check_facts
from service.facts.own_vocabularies import with_own
from service.facts.vocabulary import Vocabulary
from service.notation.terms import with_terms
from service.reference import compiled, shipped
from service.reference.model import (
    MOST_ISSUES,
    Issue,
    OwnReference,
    Sorted,
    StoredIssue,
    faults_of_replacements,
    mentions,
    sort_out,
)
from service.reference.store import IssueStore, VocabularyStore
from service.rules import document as document_rules
from service.rules.definition import Definition
from service.rules.presumptions import CompleteSpan, KeptPresumptions, PresumptionReader

# A check of the issue as it stands, by whoever read it before: raises Stale when it changed since.
Expectation = Callable[[StoredIssue], None]


def edition() -> str:
    """The edition of the reference data; it changes whenever the data does."""
    return shipped.edition()


def vocabularies() -> Mapping[str, Vocabulary]:
    return shipped.vocabularies()


def vocabularies_with(own: OwnReference) -> Mapping[str, Vocabulary]:
    """The shipped vocabularies with an owner's."""
    return with_own(shipped.vocabularies(), own.vocabularies, strict=False)


def vocabularies_of(connection: Connection, owner: Owner) -> Mapping[str, Vocabulary]:
    """The shipped vocabularies with those that the owner keeps."""
    return with_own(shipped.vocabularies(), VocabularyStore(connection, owner).all(), strict=False)


@dataclass(frozen=True, slots=True)
class SentDocument:
    """A set definition as it was sent or fetched, not read yet. `at` is the JSON pointer to it in what was sent; of a share
    also its digest, its revision's number, and the newest number there."""

    document: Mapping[str, Any]
    at: str = ""
    digest: str | None = None
    revision: int | None = None
    newest: int | None = None

    def definition(self, schemes: Mapping[str, Vocabulary] | None = None) -> Definition:
        """The checked definition, with these vocabularies or the shipped ones. Raises Invalid with every fault, pointers into
        what was sent."""
        return read_definition(self.document, self.at, schemes)

    def faults(self) -> Sequence[Fault]:
        """What is wrong with the document."""
        try:
            self.definition()
        except Invalid as refusal:
            return refusal.faults
        return ()


def read_definition(document: Any, at: str = "", schemes: Mapping[str, Vocabulary] | None = None) -> Definition:
    """The checked definition, with these vocabularies or the shipped ones. Raises Invalid with every fault; `at` is the pointer
    to the document in what was sent."""
    try:
        return document_rules.read_definition(document, vocabularies=vocabularies() if schemes is None else schemes)
    except Invalid as refusal:
        raise refusal.under(at) from None


def read_stored(document: Mapping[str, Any], schemes: Mapping[str, Vocabulary] | None = None) -> Definition:
    """The same of a document that is kept here: what was read once is not read again."""
    return compiled.read_kept(document, vocabularies() if schemes is None else schemes)


def known_rules(definition: Definition, day: date) -> KnownRules | None:
    """What evaluations for a day found out about the rules of a definition that was read by `read_stored`; None where it is not
    kept any more."""
    return compiled.known_rules(definition, day)


def complete() -> tuple[CompleteSpan, ...]:
    """For which issuers, denominations and years the shipped catalogue is complete."""
    return shipped.complete()


def issue_facts() -> Mapping[str, Mapping[str, Any]]:
    """The facts of every shipped issue, by its id, as plain values."""
    return {issue.id: issue.facts for issue in shipped_issues().values()}


@cache
def shipped_issues() -> Mapping[str, Issue]:
    """The catalogue that comes with the service, in the order of ids."""
    entries = sorted(shipped.issues(), key=lambda entry: str(entry["id"]))
    return {
        entry["id"]: Issue(
            entry["id"],
            entry["label"],
            entry.get("facts", {}),
            tuple(entry["look_alikes"]),
            entry["source"],
            entry["edition"],
        )
        for entry in entries
    }


@dataclass(frozen=True, slots=True)
class Picked:
    """Which issues of a list are wanted: all these words in id or label, and only private or only shipped ones."""

    words: str | None = None
    private: bool | None = None


@cache
def catalogue_texts() -> Mapping[str, tuple[str, ...]]:
    """The texts that the shipped issues have, by attribute."""
    found: dict[str, dict[str, None]] = {}
    for issue in shipped_issues().values():
        for name, value in issue.facts.items():
            for text in value if isinstance(value, list) else [value]:
                if isinstance(text, str):
                    found.setdefault(name, {})[text] = None
    return {name: tuple(texts) for name, texts in found.items()}


def issues_after(
    connection: Connection | None, owner: Owner | None, after: str | None, picked: Picked
) -> Iterator[Issue | StoredIssue]:
    """Shipped issues and the owner's own together, in the order of ids, from behind `after`. An owner's issue stands in for a
    shipped one of its id, which can only be when the shipped one came later."""
    own: Iterator[Issue | StoredIssue] = iter(())
    if connection is not None and owner is not None and picked.private is not False:
        own = iter(IssueStore(connection, owner).after(after))
    known = () if picked.private else _shipped_after(after)
    last = None
    # Equal ids: what comes first in the arguments comes first.
    for entry in merge(own, known, key=lambda entry: entry.id):
        content = entry.issue if isinstance(entry, StoredIssue) else entry
        if entry.id != last and mentions(picked.words, content.id, content.label):
            yield entry
        last = entry.id


def issues_page(
    connection: Connection | None, owner: Owner | None, picked: Picked, after: str | None, limit: int
) -> Sequence[Issue | StoredIssue]:
    """Up to `limit` of them."""
    return tuple(islice(issues_after(connection, owner, after, picked), limit))


def find_issue(connection: Connection, owner: Owner | None, identity: str) -> Issue | StoredIssue:
    """The owner's issue of this id, or the shipped one. Raises NotFound."""
    own = None if owner is None else IssueStore(connection, owner).find(identity)
    found = own or shipped_issues().get(identity)
    if found is None:
        raise NotFound("issue", identity[:200])
    return found


def record_issue(
    connection: Connection, owner: Owner, issue: Issue, attributes: Attributes, now: datetime
) -> StoredIssue:
    """A new issue of the owner's. Raises Invalid with pointers relative to the issue, Conflict when the id is taken."""
    _ensure_sound(issue, attributes)
    AccountStore(connection).lock(owner)
    store, version = IssueStore(connection, owner), new_id()
    if issue.id in shipped_issues():
        raise Conflict("the issue '{id}' comes with the service; one of your own needs another id", id=issue.id)
    if store.find(issue.id) is not None:
        raise Conflict("there is an issue '{id}' already", id=issue.id)
    _ensure_replaceable(store, issue)
    _ensure_room(store, 1)
    store.add([issue], version, now)
    store.renew(version)
    return StoredIssue(issue, version, now, now)


def ensure_changeable(connection: Connection, owner: Owner, identity: str, *, expect: Expectation) -> None:
    """Holds the owner's account and looks whether the issue is the owner's. Raises NotFound, or Conflict for a shipped one, which
    is the same for all."""
    AccountStore(connection).lock(owner)
    before = IssueStore(connection, owner).find(identity)
    if before is not None:
        expect(before)
    elif identity in shipped_issues():
        raise Conflict(
            "the issue '{id}' comes with the service and is the same for all; record one of your own", id=identity
        )
    else:
        raise NotFound("issue", identity[:200])


def replace_issue(
    connection: Connection, owner: Owner, issue: Issue, attributes: Attributes, now: datetime
) -> StoredIssue:
    """The owner's issue with this content. Whoever calls it made sure that it is changeable. Raises Invalid with pointers
    relative to the issue."""
    _ensure_sound(issue, attributes)
    store, version = IssueStore(connection, owner), new_id()
    before = store.get(issue.id)
    _ensure_replaceable(store, issue)
    store.replace([issue], version, now)
    store.renew(version)
    return StoredIssue(issue, version, before.created_at, now)


def delete_issue(connection: Connection, owner: Owner, identity: str) -> None:
    """Deletes an issue of the owner's; whoever calls it made sure that it is changeable. A holding that names it keeps naming
    it: an evaluation then says that the issue is in no catalogue."""
    store = IssueStore(connection, owner)
    store.delete(identity)
    store.renew(new_id())


def faults_of_replaced(connection: Connection, owner: Owner, sent: Sequence[Issue]) -> Mapping[str, Fault]:
    """What is wrong with what the issues replace, by their ids, pointers relative to the issue."""
    return _faults_of_replacements(IssueStore(connection, owner), sent)


def compare_issues(connection: Connection, owner: Owner, sent: Sequence[Issue]) -> Sorted:
    """What an import would do. The issues were checked before. Raises OverLimit."""
    store = IssueStore(connection, owner)
    kept = {stored.id: stored.issue for stored in store.some([issue.id for issue in sent])}
    found = sort_out(sent, kept)
    _ensure_room(store, len(found.created))
    return found


def import_issues(connection: Connection, owner: Owner, sent: Sequence[Issue], now: datetime) -> Sorted:
    """Records and replaces issues, all in one; those that say the same stay as they are. The issues were checked before."""
    AccountStore(connection).lock(owner)
    found = compare_issues(connection, owner, sent)
    if found.created or found.updated:
        store, version = IssueStore(connection, owner), new_id()
        store.add(found.created, version, now)
        store.replace(found.updated, version, now)
        store.renew(version)
    return found


def faults_of_issue_facts(facts: Any, attributes: Attributes) -> list[Fault]:
    """All that is wrong with facts, pointers relative to the issue. As in a holding, an attribute that nobody declared yet is
    kept."""
    return [fault.under("/facts") for fault in check_facts(facts, attributes, strict=False)]


def _ensure_sound(issue: Issue, attributes: Attributes) -> None:
    faults = faults_of_issue_facts(dict(issue.facts), attributes)
    if faults:
        raise Invalid(faults)


def faults_of_presumptions(
    presume: Any,
    identify: Any,
    attributes: Attributes,
    issues: Container[str],
    schemes: Mapping[str, Vocabulary],
) -> tuple[Fault, ...]:
    """All that is wrong with what an account is to presume, pointers under `/presume` and `/identify`. `issues` are the ids of
    all that there are."""
    reader = PresumptionReader(with_terms(attributes, schemes), schemes, "account")
    read = reader.read(presume, identify, "/presume", "/identify")
    unknown = (
        Fault.of(
            "unknown-issue",
            "the issue '{issue}' is in no catalogue here",
            f"/identify/{entry.index}/issues/{place}",
            "see /v1/issues",
            issue=name[:80],
        )
        for entry in read.identify
        for place, name in enumerate(entry.issues or ())
        if name not in issues
    )
    return (*reader.faults, *unknown)


def presume(
    connection: Connection,
    owner: Owner,
    read: Callable[[], tuple[Sequence[Any], Sequence[Any]]],
    now: datetime,
    *,
    expect: Callable[[KeptPresumptions], None],
) -> KeptPresumptions:
    """The account presumes from now on what `read` returns, both lists. `expect` raises Stale unless what it presumed is what
    the caller read; `read`, which checks what was sent, is asked after it. Every evaluation kept so far is out of date then."""
    AccountStore(connection).lock(owner)
    store = IssueStore(connection, owner)
    expect(store.presumptions())
    kept = KeptPresumptions(*read(), version=new_id())
    store.presume(kept, now)
    store.renew(new_id())
    return kept


def _ensure_replaceable(store: IssueStore, issue: Issue) -> None:
    """Raises Invalid, pointers relative to the issue."""
    faults = _faults_of_replacements(store, [issue])
    if faults:
        raise Invalid(faults.values())


def _faults_of_replacements(store: IssueStore, sent: Sequence[Issue]) -> dict[str, Fault]:
    pairs = [(issue.id, issue.replaces) for issue in sent]
    asked = {replaced for _, replaced in pairs if replaced is not None}
    if not asked:
        return {}
    there = {identity for identity, _ in pairs} | {stored.id for stored in store.some(sorted(asked))}
    shipped_ids = shipped_issues()
    return faults_of_replacements(pairs, store.replacements(), lambda name: name in there or name in shipped_ids)


def _ensure_room(store: IssueStore, more: int) -> None:
    if more and store.count() + more > MOST_ISSUES:
        raise OverLimit([Fault.of("over-limit", "an owner keeps up to {most} issues", most=MOST_ISSUES)])


def _shipped_after(after: str | None) -> Iterator[Issue]:
    entries, ids = _in_order()
    return iter(entries[0 if after is None else bisect_right(ids, after) :])


@cache
def _in_order() -> tuple[tuple[Issue, ...], tuple[str, ...]]:
    entries = shipped_issues()
    return tuple(entries.values()), tuple(entries)
