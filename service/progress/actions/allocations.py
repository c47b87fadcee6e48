"""Allocating holdings to several sets: those kept here, or sets and holdings that come with the request."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.engine import Database
from service.errors import Fault, Invalid, NotAuthenticated, Sentence
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import Facts, Holding, read_facts, read_holding
from service.facts.own_vocabularies import OwnVocabulary
from service.facts.vocabulary import Vocabulary
from service.holdings.columns.store import held_by
from service.progress.actions.editions import editions
from service.progress.actions.evaluate import EvaluationInputs, evaluation_request
from service.progress.actions.inputs import SentIssue, faults_of_sent_replacements, stored_definition_id
from service.progress.actions.stored_set import LoadedRequest, StoredSet, load_stored_set
from service.progress.allocated import Allocation, Mode
from service.progress.allocations import SetRequest, allocate, ensure_pairs_within
from service.progress.description import CoinNames
from service.progress.result import IgnoredFact
from service.reference import actions as reference
from service.reference.actions import SentDocument
from service.reference.model import Catalogue
from service.reference.store import IssueStore
from service.rules.labels import Labels


@dataclass(frozen=True, slots=True)
class SetChoice:
    """One of the sets: the id of a definition kept here, or a definition of the request, with `faults` where there is none.
    Sets that are not exclusive borrow."""

    definition: str | SentDocument
    revision: int | None = None
    exclusive: bool = True
    faults: Sequence[Fault] = ()


@dataclass(frozen=True, slots=True)
class AllocationInputs:
    """What to allocate. `holdings` as they came, not read yet; None: those that the owner keeps here."""

    sets: Sequence[SetChoice]
    mode: Mode
    today: date
    holdings: Sequence[Any] | None = None
    issues: Sequence[SentIssue] = ()
    vocabularies: Sequence[OwnVocabulary] = ()
    budget_seconds: float = 10.0


def allocate_holdings(database: Database, owner: Owner | None, inputs: AllocationInputs) -> Allocation:
    """The allocation. Takes its time. Raises Invalid with pointers into the request, NotAuthenticated without an account where
    one is needed, NotFound for a definition, OverLimit."""
    stored = [isinstance(one.definition, str) for one in inputs.sets]
    if any(stored) and not all(stored):
        other = stored.index(not stored[0])
        message = "ids of definitions kept here and definitions in the body do not go together"
        raise Invalid([Fault("clash", message, f"/sets/{other}/definition", "send all sets the same way")])
    loaded = _stored(database, owner, inputs) if stored[0] else _inline(database, inputs)
    requests = [
        SetRequest(one.request, choice.exclusive, tuple(one.ignored))
        for one, choice in zip(loaded, inputs.sets, strict=True)
    ]
    found = allocate(requests, inputs.mode, inputs.budget_seconds)
    return Allocation(
        mode=found.mode,
        proven_optimal=found.proven_optimal,
        levels=found.levels,
        summary=found.summary,
        borrowing=found.borrowing,
        sets=found.sets,
        named=found.named,
        evaluated_on=inputs.today,
        holdings_state=loaded[0].request.holdings_state,
        **editions(),
    )


def _stored(database: Database, owner: Owner | None, inputs: AllocationInputs) -> list[LoadedRequest]:
    """The owner's sets against the owner's holdings, all of one snapshot."""
    if owner is None:
        raise NotAuthenticated("sets that are kept here need an account; without one send definitions and `holdings`")
    sent = {"issues": inputs.issues, "vocabularies": inputs.vocabularies, "holdings": inputs.holdings is not None}
    faults = [
        Fault.of("clash", "`{name}` goes with definitions in the body only", f"/{name}", name=name)
        for name, is_sent in sent.items()
        if is_sent
    ]
    if faults:
        raise Invalid(faults)
    names = [stored_definition_id(str(one.definition)) for one in inputs.sets]
    first = {name: number for number, name in reversed(list(enumerate(names)))}
    faults = [
        Fault.of("clashing-id", "this is the set number {first} too", f"/sets/{number}/definition", first=first[name])
        for number, name in enumerate(names)
        if first[name] != number
    ]
    if faults:
        raise Invalid(faults)

    def load(connection: Connection) -> list[StoredSet]:
        holdings, own = held_by(connection, owner), IssueStore(connection, owner).own_reference()
        ensure_pairs_within(len(holdings), len(names))
        return [
            load_stored_set(connection, owner, name, one.revision, holdings=holdings, own=own)
            for name, one in zip(names, inputs.sets, strict=True)
        ]

    return [mine.ask(inputs.today) for mine in database.read(load)]


def _inline(database: Database, inputs: AllocationInputs) -> list[LoadedRequest]:
    """Sets of the request. A fact that some set can take is no fault; where another set cannot, it is no fact there."""
    faults = [
        Fault("clash", "`revision` goes with the id of a definition kept here", f"/sets/{number}/revision")
        for number, one in enumerate(inputs.sets)
        if one.revision is not None
    ]
    if inputs.holdings is None:
        hint = "or send the ids of definitions kept here"
        faults.append(Fault("missing", "definitions in the body need `holdings`: a list", "/holdings", hint))
        raise Invalid(faults)
    ensure_pairs_within(len(inputs.holdings), len(inputs.sets))
    found: list[LoadedRequest] = []
    unread: list[Mapping[str, Any]] = []
    for one in inputs.sets:
        assert isinstance(one.definition, SentDocument)
        try:
            if one.faults:
                raise Invalid(one.faults)
            asked = EvaluationInputs(one.definition, inputs.today, vocabularies=inputs.vocabularies, holdings=[])
            found.append(evaluation_request(database, None, asked))
        except Invalid as refusal:
            unread.append(one.definition.document)
            faults.extend(refusal.faults)
    tables = [known.request.definition.attributes for known in found] or [CORE]
    schemes = [known.request.vocabularies for known in found] or [reference.vocabularies()]
    holdings = _read_all(inputs.holdings, tables, schemes)
    issues = _read_issues(inputs.issues, tables)
    # A definition that cannot be read may declare any attribute.
    declares = any("attributes" in document for document in unread)
    found_wrong = (*holdings.faults, *issues.faults)
    faults.extend(fault for fault in found_wrong if not (declares and "/facts" in fault.pointer))
    if faults:
        raise Invalid(dict.fromkeys(faults))
    sets = []
    for number, known in enumerate(found):
        catalogue = known.request.issues
        assert isinstance(catalogue, Catalogue)
        request = replace(
            known.request,
            holdings=holdings.by_set[number],
            issues=catalogue.under(issues.by_set[number]),
            replaces={entry.id: entry.replaces for entry in inputs.issues if entry.replaces is not None},
        )
        sets.append(LoadedRequest(request, tuple(holdings.ignored[number])))
    return sets


@dataclass(frozen=True)
class ReadHoldings:
    """The holdings as each set knows them, what each leaves out, and the faults that every set finds."""

    by_set: list[tuple[Holding, ...]]
    ignored: list[list[IgnoredFact]]
    faults: list[Fault]


@dataclass(frozen=True)
class ReadIssues:
    """The issues as each set knows them, and the faults that every set finds."""

    by_set: list[dict[str, Facts]]
    faults: list[Fault]


def _read_all(
    raw: Sequence[Any], tables: Sequence[Attributes], schemes: Sequence[Mapping[str, Vocabulary]]
) -> ReadHoldings:
    by_set: list[list[Holding]] = [[] for _ in tables]
    ignored: list[list[IgnoredFact]] = [[] for _ in tables]
    faults: list[Fault] = []
    seen: dict[str, int] = {}
    names = [CoinNames(Labels(*known)) for known in zip(tables, schemes, strict=True)]
    for place, item in enumerate(raw):
        wrongs: list[list[Fault]] = []
        read: list[Holding] = []
        for number, attributes in enumerate(tables):
            holding, wrong = read_holding(item, attributes, strict=True)
            wrongs.append(wrong)
            read.append(holding or Holding(str(item), {}))
            if holding is not None:
                by_set[number].append(holding)
        common = _common(wrongs)
        faults.extend(fault.under(f"/holdings/{place}") for fault in common)
        name = item.get("id") if isinstance(item, dict) else None
        if isinstance(name, str) and seen.setdefault(name, place) != place:
            message = Sentence(
                "the id '{name}' is that of two holdings, {seen} and {place}",
                name=name[:200],
                seen=seen[name],
                place=place,
            )
            faults.append(Fault("clashing-id", message, f"/holdings/{place}/id", "give every holding an id of its own"))
        for number, wrong in enumerate(wrongs):
            ignored[number].extend(
                IgnoredFact(holding=str(name), **names[number].ignoring(read[number], fault))
                for fault in wrong
                if fault.code != "unknown-attribute" and fault not in common
            )
    return ReadHoldings([tuple(holdings) for holdings in by_set], ignored, faults)


def _read_issues(entries: Sequence[SentIssue], tables: Sequence[Attributes]) -> ReadIssues:
    by_set: list[dict[str, Facts]] = [{} for _ in tables]
    faults: list[Fault] = []
    seen: set[str] = set()
    for place, entry in enumerate(entries):
        wrongs: list[list[Fault]] = []
        for number, attributes in enumerate(tables):
            by_set[number][entry.id], wrong = read_facts(entry.facts, attributes, strict=True)
            wrongs.append([fault.under("/facts") for fault in wrong])
        faults.extend(fault.under(f"/issues/{place}") for fault in _common(wrongs))
        if entry.id in seen:
            faults.append(Fault.of("clashing-id", "two issues have the id '{id}'", f"/issues/{place}/id", id=entry.id))
        seen.add(entry.id)
    faults.extend(faults_of_sent_replacements(entries, reference.issue_facts()))
    return ReadIssues(by_set, faults)


def _common(wrongs: Sequence[Sequence[Fault]]) -> list[Fault]:
    """The faults of what no set can take: of a fact that some set knows, those of a set that knows it."""
    by_fact: list[Mapping[str, list[Fault]]] = [_by_fact(wrong) for wrong in wrongs]
    found: list[Fault] = []
    for fact in dict.fromkeys(name for faults in by_fact for name in faults):
        if all(fact in faults for faults in by_fact):
            every = [faults[fact] for faults in by_fact]
            known = (faults for faults in every if faults[0].code != "unknown-attribute")
            found.extend(next(known, every[0]))
    return found


def _by_fact(faults: Sequence[Fault]) -> dict[str, list[Fault]]:
    grouped: dict[str, list[Fault]] = {}
    for fault in faults:
        steps = fault.pointer.split("/")
        grouped.setdefault("/".join(steps[:3] if steps[1:2] == ["facts"] else steps), []).append(fault)
    return grouped
