"""What a request brings along: a definition or the id of one, holdings, issues, vocabularies. All of it is read with every
fault, pointers into the request; what is kept here is read in one snapshot, and the session closed before anything is
computed."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.engine import Database
from service.database.ids import read_id
from service.definitions.model import NO_DECISIONS, Decisions, Revision
from service.definitions.store import DefinitionStore
from service.errors import Fault, Invalid, NotAuthenticated, NotFound, OverLimit, Sentence
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import Facts, Holding, read_facts, read_holdings
from service.facts.own_vocabularies import OwnVocabulary, with_own
from service.facts.vocabulary import Vocabulary
from service.holdings.columns.store import held_by
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.progress.actions.stored_set import catalogue_of, find_revision
from service.progress.evaluate import MOST_HOLDINGS
from service.reference import actions as reference
from service.reference.actions import SentDocument
from service.reference.model import NOTHING_OWN, OwnReference, faults_of_replacements
from service.reference.store import IssueStore, VocabularyStore
from service.rules.definition import Definition
from service.rules.document import read_definition
from service.rules.presumptions import PresumptionReader, Presumptions


@dataclass(frozen=True, slots=True)
class DefinitionReference:
    """A definition kept here. Without a revision: the one that its owner's set follows; for a check its draft, or else its
    newest."""

    id: str
    revision: int | None = None


@dataclass(frozen=True, slots=True)
class SentIssue:
    """A catalogue entry of the request; `facts` are not read yet. `replaces`: see `Issue`."""

    id: str
    facts: Mapping[str, Any]
    replaces: str | None = None


@dataclass(frozen=True, slots=True)
class Inputs:
    """What evaluations, explanations and checks take. `definition.at` leads to a document in the request."""

    definition: DefinitionReference | SentDocument
    today: date
    issues: Sequence[SentIssue] = ()
    vocabularies: Sequence[OwnVocabulary] = ()
    presume: bool = True
    presumptions: Sequence[Any] = ()


@dataclass(frozen=True, slots=True)
class Stored:
    """What was read from the database; None where everything came with the request."""

    revision: Revision | None = None
    holdings: Sequence[StoredHolding] | None = None
    state: str | None = None
    decisions: Decisions = NO_DECISIONS
    own: OwnReference = NOTHING_OWN

    @property
    def stamp(self) -> dict[str, Any]:
        """Which stored definition it is, for an evaluation request."""
        if self.revision is None:
            return {}
        return {"document_id": self.revision.definition, "revision": self.revision.number}


def load(
    database: Database,
    owner: Owner | None,
    inputs: Inputs,
    *,
    all_holdings: bool = False,
    holding: str | None = None,
    latest: bool = False,
) -> Stored:
    """What the request refers to. `latest`: without a revision the draft, or else the newest, whichever the set follows. Raises
    NotAuthenticated, NotFound."""
    where = inputs.definition if isinstance(inputs.definition, DefinitionReference) else None
    if owner is None and where is None and not all_holdings and holding is None:
        return Stored()
    if owner is None:
        raise NotAuthenticated(
            "what is kept here needs an account: send Authorization: Bearer <token>, or everything inline"
        )
    identity = None if where is None else stored_definition_id(where.id)

    def read(connection: Connection) -> Stored:
        if where is None and not all_holdings and holding is None:
            # Everything came with the request, but for the words that the owner uses.
            return Stored(own=OwnReference(vocabularies=VocabularyStore(connection, owner).all()))
        definitions, revision = DefinitionStore(connection, owner), None
        if identity is not None and where is not None:
            if latest and where.revision is None:
                revision = definitions.latest(identity)[1]
            else:
                revision = find_revision(connection, owner, identity, where.revision)
        store, own = HoldingStore(connection, owner), IssueStore(connection, owner).own_reference()
        if all_holdings:
            decisions = NO_DECISIONS if identity is None else definitions.decisions(identity)
            return Stored(
                revision, held_by(connection, owner), str(AccountStore(connection).state(owner)), decisions, own
            )
        return Stored(revision, None if holding is None else (store.get(holding),), own=own)

    return database.read(read)


def stored_definition_id(text: str) -> str:
    """The id of a stored definition. Raises NotFound for what is no id."""
    identity = read_id(text)
    if identity is None:
        raise NotFound("definition", text[:60])
    return identity


def definition_of(inputs: Inputs, stored: Stored) -> Definition:
    """The definition, read. Raises Invalid."""
    schemes = vocabularies_of(inputs, stored.own)
    if stored.revision is not None:
        return reference.read_stored(stored.revision.document, schemes)
    assert isinstance(inputs.definition, SentDocument)
    return inputs.definition.definition(schemes)


def vocabularies_of(inputs: Inputs, kept: OwnReference = NOTHING_OWN) -> Mapping[str, Vocabulary]:
    """The shipped vocabularies with those kept here and those of the request. Raises Invalid."""
    try:
        return with_own(reference.vocabularies_with(kept), inputs.vocabularies)
    except Invalid as refusal:
        raise refusal.under("/vocabularies") from None


def issues_of(
    inputs: Inputs, attributes: Attributes, faults: list[Fault], kept: OwnReference = NOTHING_OWN
) -> Mapping[str, Facts]:
    """The issues that count: those of the request before those kept here, and those before shipped ones."""
    issues = catalogue_of(kept, attributes)
    if not inputs.issues:
        return issues
    own: dict[str, Facts] = {}
    for place, entry in enumerate(inputs.issues):
        facts, wrong = read_facts(entry.facts, attributes, strict=True)
        faults.extend(fault.under(f"/issues/{place}/facts") for fault in wrong)
        if entry.id in own:
            faults.append(Fault.of("clashing-id", "two issues have the id '{id}'", f"/issues/{place}/id", id=entry.id))
        own[entry.id] = facts
    known = issues.under(own)
    faults.extend(faults_of_sent_replacements(inputs.issues, known, kept.replaces))
    return known


def faults_of_sent_replacements(
    issues: Sequence[SentIssue], known: Container[str], kept: Mapping[str, str] | None = None
) -> list[Fault]:
    """What is wrong with what the issues of the request replace. `known` are the ids of the other issues, `kept` is what the
    owner's replace."""
    ids = {entry.id for entry in issues}
    pairs = [(entry.id, entry.replaces) for entry in issues]
    wrong = faults_of_replacements(pairs, kept or {}, lambda name: name in ids or name in known)
    return [wrong[entry.id].under(f"/issues/{place}") for place, entry in enumerate(issues) if entry.id in wrong]


def replaces_of(inputs: Inputs, kept: OwnReference = NOTHING_OWN) -> Mapping[str, str]:
    """Which issues are replaced, by those of the request and by those kept here."""
    sent = {entry.id: entry.replaces for entry in inputs.issues}
    names = {**kept.replaces, **sent}
    return {name: replaced for name, replaced in names.items() if replaced is not None}


def presumptions_of(
    inputs: Inputs, definition: Definition, faults: list[Fault], kept: OwnReference = NOTHING_OWN
) -> Presumptions:
    """What is presumed besides the definition's own: the entries of the request, then those of the account."""
    attributes, schemes = definition.attributes, definition.vocabularies
    reader = PresumptionReader(attributes, schemes, "request")
    sent = reader.read(list(inputs.presumptions), [], "/presumptions", "/identify")
    faults.extend(reader.faults)
    return sent.then(kept.presumed.read(attributes, schemes))


def holdings_of(
    raw: Sequence[Any], attributes: Attributes, faults: list[Fault], pointer: str = ""
) -> tuple[Holding, ...]:
    """Holdings of the request; `pointer` leads to the one holding, when there is only one. Raises OverLimit."""
    if len(raw) > MOST_HOLDINGS:
        message = Sentence(
            "one evaluation takes up to {most} holdings, not {count}", most=MOST_HOLDINGS, count=len(raw)
        )
        raise OverLimit([Fault("over-limit", message, "/holdings")])
    try:
        return read_holdings(list(raw), attributes, strict=True)
    except Invalid as refusal:
        faults.extend(moved(fault, "/0", pointer) if pointer else fault.under("/holdings") for fault in refusal.faults)
        return ()


def faults_of_the_rest(
    inputs: Inputs, holdings: Sequence[Any], pointer: str = "", kept: OwnReference = NOTHING_OWN
) -> list[Fault]:
    """What is wrong with the facts in the request when the definition is not right either. They are judged by the attributes
    that it declares; when those are what is wrong, nothing can be said."""
    attributes = CORE
    sent = inputs.definition.document if isinstance(inputs.definition, SentDocument) else {}
    if "attributes" in sent:
        bare = {"format": "set-definition/1", "title": "?", "slots": [{"id": "?", "accepts": True}]}
        try:
            document = {**bare, "attributes": sent["attributes"]}
            attributes = read_definition(document, vocabularies=vocabularies_of(inputs, kept)).attributes
        except Invalid:
            return []
    faults: list[Fault] = []
    issues_of(inputs, attributes, faults)
    try:
        holdings_of(holdings, attributes, faults, pointer)
    except OverLimit as refusal:
        faults.extend(refusal.faults)
    return faults


def moved(fault: Fault, from_pointer: str, to_pointer: str) -> Fault:
    """A fault of what is at one pointer, seen as a fault of what is at another."""
    if not fault.pointer.startswith(from_pointer):
        return fault
    return replace(fault, pointer=to_pointer + fault.pointer.removeprefix(from_pointer))
