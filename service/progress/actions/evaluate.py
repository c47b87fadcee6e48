"""From a request to the measurement it asks for: what is inline is read, what is kept here is loaded, in one snapshot.

The session is closed before anything is computed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.analysis.findings import ERROR, WARNING, check_definition, counts_by_severity, findings_of_faults
from service.database.engine import Database
from service.database.ids import read_id
from service.definitions.model import NO_DECISIONS, Decisions, Revision
from service.definitions.store import DefinitionStore
from service.errors import Fault, Invalid, NotAuthenticated, NotFound, OverLimit, SetwrightError, Unsound
from service.evaluation.engine import ENGINE
from service.facts.attributes import Attributes
from service.facts.core import CORE
from service.facts.holding import Facts, Holding, read_facts, read_holding, read_holdings
from service.facts.vocabulary import Concept, Vocabulary, vocabulary
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.holdings.sync.field_names import with_doubts
from service.http.conditional import entity_tag
from service.http.schemas.evaluations import CheckIn, EvaluationIn, ExplanationIn, Inputs, PlacingIn, ReferenceIn
from service.http.wire import read as read_model
from service.progress.evaluate import MOST_HOLDINGS, EvaluationRequest
from service.progress.result import IgnoredFact
from service.reference import actions as reference
from service.reference.model import NO_ISSUES, Catalogue, OwnIssues
from service.reference.store import IssueStore
from service.rules.definition import Definition
from service.rules.document import read as read_document
from service.settings import engine_version

Question = TypeVar("Question", bound=Inputs)


@dataclass(frozen=True, slots=True)
class Loaded:
    """What was read from the database: None where everything was inline."""

    revision: Revision | None = None
    holdings: tuple[StoredHolding, ...] | None = None
    state: str | None = None
    decisions: Decisions = NO_DECISIONS
    own: OwnIssues = NO_ISSUES


@dataclass(frozen=True, slots=True)
class LoadedRequest:
    """A measurement to make, with the facts that were left out because they do not fit the definition's types."""

    measurement: EvaluationRequest
    ignored: tuple[IgnoredFact, ...] = ()


def editions() -> dict[str, str]:
    """What every answer rests on besides its input."""
    return {"reference_edition": reference.edition(), "engine_version": ENGINE}


def stamps() -> tuple[str, str, str]:
    """What makes a remembered answer old when it changes: reference data, engine, and the program around it."""
    return reference.edition(), ENGINE, engine_version()


def evaluation_request(database: Database, owner: Owner | None, asked: EvaluationIn) -> LoadedRequest:
    """The measurement that a body asks for. Raises Invalid with pointers into the body, Unwelcome without an
    account."""
    where = _reference(asked.definition)
    mine = asked.holdings == "mine"
    loaded = _load(database, owner, where, all_holdings=mine, one=None)
    try:
        definition = _definition(asked, loaded)
    except Invalid as refusal:
        inline = [] if mine else asked.holdings
        raise Invalid([*refusal.faults, *_told_along(asked, inline, "")]) from None
    faults: list[Fault] = []
    issues = _issues(asked, definition.attributes, faults, loaded.own)
    ignored: tuple[IgnoredFact, ...] = ()
    if mine:
        holdings, ignored = stored_holdings(loaded.holdings or (), definition.attributes, issues)
    else:
        holdings = _inline(asked.holdings, definition.attributes, faults)
    if faults:
        raise Invalid(faults)
    measurement = EvaluationRequest(
        definition=definition,
        document_id=loaded.revision.definition if loaded.revision else None,
        revision=loaded.revision.number if loaded.revision else None,
        holdings=holdings,
        issues=issues,
        vocabularies=definition.vocabularies,
        pins=_together(_pairs(asked.pins), loaded.decisions.pins, _pairs(asked.nevers)),
        nevers=_together(_pairs(asked.nevers), loaded.decisions.nevers, _pairs(asked.pins)),
        previous=tuple((placing.place, placing.holding) for placing in asked.previous),
        today=asked.today or today(),
        budget_seconds=asked.budget_seconds,
        holdings_state=loaded.state,
        reference_edition=reference.edition(),
    )
    return LoadedRequest(measurement, ignored)


def explanation_request(
    database: Database, owner: Owner | None, asked: ExplanationIn
) -> tuple[EvaluationRequest, Holding]:
    """The definition with its reference data, and the holding to explain."""
    one = None
    if isinstance(asked.holding, str):
        one = read_id(asked.holding)
        if one is None:
            raise Invalid([Fault("id", "this is the id of a holding kept here, or a holding", "/holding")])
    loaded = _load(database, owner, _reference(asked.definition), all_holdings=False, one=one)
    try:
        definition = _definition(asked, loaded)
    except Invalid as refusal:
        inline = [] if loaded.holdings else [asked.holding]
        raise Invalid([*refusal.faults, *_told_along(asked, inline, "/holding")]) from None
    faults: list[Fault] = []
    issues = _issues(asked, definition.attributes, faults, loaded.own)
    if loaded.holdings:
        holding = stored_holdings(loaded.holdings, definition.attributes, issues)[0][0]
    else:
        found = _inline([asked.holding], definition.attributes, faults, pointer="/holding")
        holding = found[0] if found else Holding("?", {})
    if faults:
        raise Invalid(faults)
    measurement = EvaluationRequest(
        definition=definition,
        document_id=loaded.revision.definition if loaded.revision else None,
        revision=loaded.revision.number if loaded.revision else None,
        holdings=(holding,),
        issues=issues,
        vocabularies=definition.vocabularies,
        today=asked.today or today(),
    )
    return measurement, holding


def faults_of_the_rest(
    model: type[Question], value: Any, refusal: Invalid, stand_in: Mapping[str, Any], ask: Callable[[Question], object]
) -> Sequence[Fault]:
    """When some members of a body have the wrong form: what is wrong with the others, so that all is told at once.
    `stand_in` takes the place of members that are needed."""
    wrong = {fault.pointer.split("/")[1] for fault in refusal.faults if fault.pointer}
    # Without these two nothing else can be judged.
    if not isinstance(value, dict) or wrong & {"definition", "vocabularies"}:
        return ()
    rest = {**stand_in, **{name: part for name, part in value.items() if name not in wrong}}
    try:
        ask(read_model(model, rest))
    except Invalid as further:
        return further.faults
    except SetwrightError:
        return ()
    return ()


def check_report(database: Database, owner: Owner | None, asked: CheckIn) -> dict[str, Any]:
    """The findings on a definition, sent or kept here. A document that cannot be read has its faults as findings; faults of
    the other members of the body raise Invalid."""
    loaded = _load(database, owner, _reference(asked.definition), all_holdings=False, one=None, latest=True)
    schemes = _vocabularies(asked)
    document = loaded.revision.document if loaded.revision is not None else asked.definition
    stamp: dict[str, Any] = {
        "id": loaded.revision.definition if loaded.revision else None,
        "revision": loaded.revision.number if loaded.revision else None,
        "digest": None,
    }
    try:
        definition = read_document(document, vocabularies=schemes)
    except Invalid as refusal:
        found = findings_of_faults(refusal.faults)
    else:
        faults: list[Fault] = []
        issues = _issues(asked, definition.attributes, faults, loaded.own)
        if faults:
            raise Invalid(faults)
        stamp["digest"] = definition.digest
        found = check_definition(definition, issues, asked.today or today())
    return {"definition": stamp, "counts": counts_by_severity(found), "findings": found, **editions()}


def ensure_sound(definition: Definition, *, acknowledged: bool, own: OwnIssues = NO_ISSUES) -> None:
    """Refuses a definition with an error finding, and one with warnings that nobody acknowledged. `own` are its owner's
    issues."""
    found = check_definition(definition, Catalogue(_shipped_issues(), own.facts, definition.attributes), today())
    errors = [finding for finding in found if finding.severity == ERROR]
    warnings = [] if acknowledged else [finding for finding in found if finding.severity == WARNING]
    if errors or warnings:
        hint = "publish with ?acknowledged=true in spite of it"
        faults = [Fault(finding.code, finding.message, finding.pointer) for finding in errors]
        faults += [Fault(finding.code, finding.message, finding.pointer, hint) for finding in warnings]
        raise Unsound(faults, "the check of the definition found what must not be published; see `errors`")


def stored_set_request(
    revision: Revision,
    holdings: Sequence[StoredHolding],
    state: str,
    day: date,
    decisions: Decisions = NO_DECISIONS,
    own: OwnIssues = NO_ISSUES,
) -> LoadedRequest:
    """The owner's holdings against a stored revision, under the owner's pins and nevers, with the owner's issues."""
    definition = read_document(revision.document, vocabularies=reference.vocabularies())
    issues = Catalogue(_shipped_issues(), own.facts, definition.attributes)
    found, ignored = stored_holdings(holdings, definition.attributes, issues)
    measurement = EvaluationRequest(
        definition=definition,
        document_id=revision.definition,
        revision=revision.number,
        holdings=found,
        issues=issues,
        vocabularies=definition.vocabularies,
        pins=decisions.pins,
        nevers=decisions.nevers,
        today=day,
        holdings_state=state,
        reference_edition=reference.edition(),
    )
    return LoadedRequest(measurement, ignored)


@dataclass(frozen=True, slots=True)
class StoredSet:
    """A definition kept here with all that its owner's evaluation rests on, of one snapshot."""

    revision: Revision
    state: str
    holdings: tuple[StoredHolding, ...]
    decisions: Decisions
    own: OwnIssues = NO_ISSUES

    def ask(self, day: date) -> LoadedRequest:
        """The evaluation for a day."""
        return stored_set_request(self.revision, self.holdings, self.state, day, self.decisions, self.own)

    def version(self, day: date) -> tuple[object, ...]:
        """All that the evaluation for a day follows from."""
        return evaluation_version(self.revision, self.state, day, self.decisions, self.own.version)


def load_stored_set(
    connection: Connection,
    owner: Owner,
    identity: str,
    number: int | None = None,
    *,
    holdings: tuple[StoredHolding, ...] | None = None,
    own: OwnIssues | None = None,
) -> StoredSet:
    """The definition, the holdings and the owner's issues (unless they were read before), and the owner's decisions. Raises
    NotFound."""
    revision = find_revision(connection, owner, identity, number)
    decisions = DefinitionStore(connection, owner).decisions(identity)
    held = HoldingStore(connection, owner).all() if holdings is None else holdings
    issues = IssueStore(connection, owner).own_issues() if own is None else own
    return StoredSet(revision, str(AccountStore(connection).state(owner)), held, decisions, issues)


def catalogue_of(own: OwnIssues, attributes: Attributes) -> Catalogue:
    """All issues that the owner may name, read with these attributes."""
    return Catalogue(_shipped_issues(), own.facts, attributes)


def own_and_shipped(connection: Connection, owner: Owner, attributes: Attributes) -> Mapping[str, Facts]:
    """All issues that the owner's holdings may name, read with these attributes."""
    return catalogue_of(IssueStore(connection, owner).own_issues(), attributes)


def evaluation_tag(
    revision: Revision, state: str, day: date, decisions: Decisions, own_version: str | None = None
) -> str:
    """The entity tag of an evaluation of mine: it changes with all that the evaluation rests on. `own_version` is the
    version of the owner's issues."""
    return entity_tag(*evaluation_version(revision, state, day, decisions, own_version))


def evaluation_version(
    revision: Revision, state: str, day: date, decisions: Decisions, own_version: str | None = None
) -> tuple[object, ...]:
    """All that an evaluation follows from. `own_version` is the version of the owner's issues."""
    parts = (revision.definition, revision.number, revision.digest, state, decisions.version, own_version, day)
    return (*parts, *stamps())


def find_revision(connection: Connection, owner: Owner, identity: str, number: int | None) -> Revision:
    """The revision of this number (a draft has one too), or the one that the owner's set follows."""
    store = DefinitionStore(connection, owner)
    if number is None:
        return store.followed(identity)
    _, latest = store.latest(identity)
    return latest if latest.number == number else store.revision(identity, number)


def stored_holdings(
    stored: Sequence[StoredHolding], attributes: Attributes, issues: Mapping[str, Facts]
) -> tuple[tuple[Holding, ...], tuple[IgnoredFact, ...]]:
    """Stored holdings as the core knows them, and what had to be left out of them: a fact recorded before this
    definition gave its name another type, an issue that is in no catalogue here. Each is unknown then and listed; one
    such fact must not stop the evaluation of a whole collection."""
    holdings: list[Holding] = []
    ignored: list[IgnoredFact] = []
    for entry in stored:
        data = as_known(entry)
        raw = {name: data[name] for name in ("facts", "issue", "quantity", "status", "number") if name in data}
        holding, faults = read_holding({"id": entry.id, **raw}, attributes, strict=False)
        assert holding is not None
        strangers = [issue for issue in holding.issues if issue not in issues]
        if strangers:
            # Without one of its candidates the others would claim too much, so the holding keeps none.
            holding = replace(holding, issues=())
            message = f"the issue '{strangers[0]}' is in no catalogue here"
            faults = [*faults, Fault("unknown-issue", message, "/issue")]
        if isinstance(issues, Catalogue):
            faults = [*faults, *_of_issues(holding, issues)]
        holdings.append(holding)
        ignored.extend(IgnoredFact(entry.id, fault.pointer, fault.message) for fault in faults)
    return tuple(holdings), tuple(ignored)


def as_known(entry: StoredHolding) -> Mapping[str, Any]:
    """What is known of a holding: where values are in conflict, one of them."""
    return with_doubts(entry.data, entry.conflicts)


def _of_issues(holding: Holding, issues: Catalogue) -> list[Fault]:
    """What does not fit the definition in the owner's issues that the holding names."""
    return [
        replace(fault, pointer="/issue", message=f"of the issue '{name}': {fault.message}")
        for name in holding.issues
        for fault in issues.faults_of(name)
    ]


def today() -> date:
    """The day in UTC."""
    return datetime.now(UTC).date()


def _reference(definition: Mapping[str, Any]) -> ReferenceIn | None:
    if "id" not in definition or "format" in definition:
        return None
    try:
        return read_model(ReferenceIn, definition)
    except Invalid as refusal:
        raise refusal.under("/definition") from None


def _load(
    database: Database,
    owner: Owner | None,
    where: ReferenceIn | None,
    *,
    all_holdings: bool,
    one: str | None,
    latest: bool = False,
) -> Loaded:
    """What the body refers to. `latest`: without a revision the draft, or else the newest, whichever the set follows."""
    if where is None and not all_holdings and one is None:
        return Loaded()
    if owner is None:
        raise NotAuthenticated(
            "what is kept here needs an account: send Authorization: Bearer <token>, or everything inline"
        )
    identity = None if where is None else read_id(where.id)
    if where is not None and identity is None:
        raise NotFound("definition", where.id[:60])

    def load(connection: Connection) -> Loaded:
        revision = None
        if identity is not None and where is not None:
            if latest and where.revision is None:
                revision = DefinitionStore(connection, owner).latest(identity)[1]
            else:
                revision = find_revision(connection, owner, identity, where.revision)
        store, own = HoldingStore(connection, owner), IssueStore(connection, owner).own_issues()
        if all_holdings:
            decisions = NO_DECISIONS if identity is None else DefinitionStore(connection, owner).decisions(identity)
            return Loaded(revision, store.all(), str(AccountStore(connection).state(owner)), decisions, own)
        return Loaded(revision, (store.get(one),) if one is not None else None, own=own)

    return database.read(load)


def _definition(asked: Inputs, loaded: Loaded) -> Definition:
    schemes = _vocabularies(asked)
    document = loaded.revision.document if loaded.revision is not None else asked.definition
    try:
        return read_document(document, vocabularies=schemes)
    except Invalid as refusal:
        raise refusal.under("/definition") from None


def _told_along(asked: Inputs, holdings: list[Any], pointer: str) -> list[Fault]:
    """What is wrong with the facts in the body when the definition is not right either. They are judged by the
    attributes that it declares; when those are what is wrong, nothing can be said."""
    attributes = CORE
    if "attributes" in asked.definition:
        bare = {"format": "set-definition/1", "title": "?", "slots": [{"id": "?", "accepts": True}]}
        document = {**bare, "attributes": asked.definition["attributes"]}
        try:
            attributes = read_document(document, vocabularies=_vocabularies(asked)).attributes
        except Invalid:
            return []
    faults: list[Fault] = []
    _issues(asked, attributes, faults)
    try:
        _inline(holdings, attributes, faults, pointer)
    except OverLimit as refusal:
        faults.extend(refusal.faults)
    return faults


def _vocabularies(asked: Inputs) -> Mapping[str, Vocabulary]:
    schemes = dict(reference.vocabularies())
    faults: list[Fault] = []
    names: set[str] = set()
    for place, scheme in enumerate(asked.vocabularies):
        if scheme.name in names:
            message = f"the name '{scheme.name}' stands at two vocabularies"
            faults.append(Fault("clashing-id", message, f"/vocabularies/{place}/name"))
        names.add(scheme.name)
        concepts = (
            Concept(c.id, c.label or c.id, tuple(c.broader), ended=c.ended, current=c.current) for c in scheme.concepts
        )
        try:
            schemes[scheme.name] = vocabulary(scheme.name, concepts)
        except Invalid as refusal:
            faults.extend(refusal.under(f"/vocabularies/{place}").faults)
    if faults:
        raise Invalid(faults)
    return schemes


def _issues(
    asked: Inputs, attributes: Attributes, faults: list[Fault], kept: OwnIssues = NO_ISSUES
) -> Mapping[str, Facts]:
    """Issues of the body before those kept here, and those before shipped ones."""
    issues = Catalogue(_shipped_issues(), kept.facts, attributes)
    if not asked.issues:
        return issues
    own: dict[str, Facts] = {}
    for place, entry in enumerate(asked.issues):
        facts, wrong = read_facts(entry.facts, attributes, strict=True)
        faults.extend(fault.under(f"/issues/{place}/facts") for fault in wrong)
        if entry.id in own:
            faults.append(Fault("clashing-id", f"the id '{entry.id}' stands at two issues", f"/issues/{place}/id"))
        own[entry.id] = facts
    return issues.under(own)


@cache
def _shipped_issues() -> Mapping[str, Facts]:
    return {name: read_facts(facts, CORE, strict=False)[0] for name, facts in reference.issue_facts().items()}


def _inline(raw: list[Any], attributes: Attributes, faults: list[Fault], pointer: str = "") -> tuple[Holding, ...]:
    """Holdings of the body; `pointer` leads to the one holding, when there is only one."""
    if len(raw) > MOST_HOLDINGS:
        message = f"one evaluation takes up to {MOST_HOLDINGS} holdings, not {len(raw)}"
        raise OverLimit([Fault("over-limit", message, "/holdings")])
    try:
        return read_holdings(raw, attributes, strict=True)
    except Invalid as refusal:
        faults.extend(moved(fault, "/0", pointer) if pointer else fault.under("/holdings") for fault in refusal.faults)
        return ()


def moved(fault: Fault, from_pointer: str, to_pointer: str) -> Fault:
    """A fault of what stands at one pointer, seen as a fault of what stands at another."""
    if not fault.pointer.startswith(from_pointer):
        return fault
    return replace(fault, pointer=to_pointer + fault.pointer.removeprefix(from_pointer))


def _together(
    sent: Sequence[tuple[str, str]], stored: Sequence[tuple[str, str]], against: Sequence[tuple[str, str]]
) -> tuple[tuple[str, str], ...]:
    """What is sent and what is kept, without what the request says the opposite of."""
    return tuple(dict.fromkeys((*sent, *(pair for pair in stored if pair not in against))))


def _pairs(placings: Sequence[PlacingIn]) -> tuple[tuple[str, str], ...]:
    return tuple((placing.holding, placing.place) for placing in placings)
