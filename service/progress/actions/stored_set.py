"""A definition kept here with the holdings, decisions and issues of its owner: read in one snapshot, turned into the request
for its evaluation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.definitions.model import NO_DECISIONS, Decisions, Revision
from service.definitions.store import DefinitionStore
from service.evaluation.cost import Cost, cost_of_evaluation
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import Facts, Holding, read_facts
from service.facts.vocabulary import Vocabulary
from service.holdings.columns.held import HoldingColumns
from service.holdings.columns.store import held_by
from service.holdings.model import StoredHolding
from service.holdings.sync.field_names import with_doubts
from service.progress.actions.editions import stamps
from service.progress.description import CoinNames
from service.progress.evaluate import EvaluationRequest, sizes_before
from service.progress.result import IgnoredFact
from service.progress.stored_coins import StoredCoins, known_holding
from service.progress.whatif import Evaluated, shared_seconds
from service.reference import actions as reference
from service.reference.model import NOTHING_OWN, Catalogue, OwnReference
from service.reference.store import IssueStore
from service.rules.labels import Labels


@dataclass(frozen=True, slots=True)
class LoadedRequest:
    """An evaluation to make, with the facts that were left out because they do not fit the definition's types. `version`:
    changes with all that the evaluation of a stored set follows from but `budget_seconds` and `presume`."""

    request: EvaluationRequest
    ignored: tuple[IgnoredFact, ...] = ()
    version: tuple[object, ...] | None = None

    def evaluated(self, *, tries: int) -> Evaluated:
        """The evaluation for changes to be tried on it, of which there will be about `tries`. That of a stored set is kept with
        the columns of the holdings as long as these are the newest, and every caller goes on from it alone."""
        request = self.request
        if self.version is None or not isinstance(request.holdings, StoredCoins):
            return Evaluated(request, tries=tries)
        held = request.holdings.held
        kept: Evaluated = held.remember(self._key(tries), lambda: Evaluated(request, tries=tries))
        return kept.branch()

    def cost_ahead(self, *, tries: int) -> Cost | None:
        """What `evaluated` takes, as far as that is known before anything is judged; None where it is kept."""
        holdings = self.request.holdings
        if self.version is not None and isinstance(holdings, StoredCoins) and holdings.held.remembers(self._key(tries)):
            return None
        return cost_of_evaluation(sizes_before(self.request))

    def _key(self, tries: int) -> tuple[object, ...]:
        budget = self.request.budget_seconds
        return ("evaluated", self.version, budget, shared_seconds(budget, tries), self.request.presume)


@dataclass(frozen=True, slots=True)
class StoredSet:
    """A definition kept here with all that its owner's evaluation follows from, of one snapshot."""

    owner: Owner
    revision: Revision
    state: str
    holdings: Sequence[StoredHolding]
    decisions: Decisions
    own: OwnReference = NOTHING_OWN

    def ask(self, day: date, *, presume: bool = True) -> LoadedRequest:
        """The evaluation for a day; without `presume` nothing is presumed of coins."""
        loaded = stored_set_request(self.revision, self.holdings, self.state, day, self.decisions, self.own)
        return replace(loaded, request=replace(loaded.request, presume=presume), version=self.version(day))

    @property
    def key(self) -> SetKey:
        """All that its answers follow from, without the notes to its want list."""
        return _key(self.owner, self.revision, self.state, self.decisions, self.own.version)

    def version(self, day: date) -> tuple[object, ...]:
        """Changes with all that the evaluation for a day follows from."""
        return self.key.version(day)


@dataclass(frozen=True, slots=True)
class SetKey:
    """All that the answers of a stored set follow from besides the day and the editions: the revision by number and digest, of a
    draft as what it was written (a digest does not tell 1.50 from 1.5, and the words of an answer do), the state of the
    holdings, and the versions of the decisions, of the owner's reference data (issues, vocabularies, what is presumed) and of
    the notes to the want list; None where there never were any."""

    owner: Owner
    definition: str
    number: int
    digest: str
    written: str | None
    state: str
    decisions: str | None
    own: str | None
    notes: str | None = None

    def version(self, day: date) -> tuple[object, ...]:
        """Changes with all that the evaluation for a day follows from."""
        parts = (self.definition, self.number, self.digest, self.written, self.state, self.decisions, self.own, day)
        return (*parts, *stamps())


@dataclass(frozen=True, slots=True)
class SetsKey:
    """All that the answers of all sets of an owner together follow from besides the day and the editions: `sets` has for each
    definition which revision is followed and the version of the decisions, as one text; the others as in SetKey."""

    owner: Owner
    sets: str
    state: str
    own: str | None

    def version(self, day: date) -> tuple[object, ...]:
        """Changes with all that the evaluations for a day follow from."""
        return (self.owner.id, self.sets, self.state, self.own, day, *stamps())


def load_stored_set(
    connection: Connection,
    owner: Owner,
    identity: str,
    number: int | None = None,
    *,
    holdings: Sequence[StoredHolding] | None = None,
    own: OwnReference | None = None,
) -> StoredSet:
    """The definition, the holdings and the owner's issues (unless they were read before), and the owner's decisions. Raises
    NotFound."""
    revision = find_revision(connection, owner, identity, number)
    decisions = DefinitionStore(connection, owner).decisions(identity)
    coins = held_by(connection, owner) if holdings is None else holdings
    issues = IssueStore(connection, owner).own_reference() if own is None else own
    return StoredSet(owner, revision, str(AccountStore(connection).state(owner)), coins, decisions, issues)


def load_key(connection: Connection, owner: Owner, identity: str, number: int | None) -> SetKey:
    """The key of a stored set, without its holdings and without the notes to its want list. Raises NotFound."""
    revision = find_revision(connection, owner, identity, number)
    decisions = DefinitionStore(connection, owner).decisions(identity)
    state = str(AccountStore(connection).state(owner))
    return _key(owner, revision, state, decisions, IssueStore(connection, owner).version())


def _key(owner: Owner, revision: Revision, state: str, decisions: Decisions, own_version: str | None) -> SetKey:
    which = (revision.definition, revision.number, revision.digest, revision.written)
    return SetKey(owner, *which, state, decisions.version, own_version)


def find_revision(connection: Connection, owner: Owner, identity: str, number: int | None) -> Revision:
    """The revision of this number (a draft has one too), or the one that the owner's set follows. Raises NotFound."""
    store = DefinitionStore(connection, owner)
    if number is None:
        return store.followed(identity)
    _, latest = store.latest(identity)
    return latest if latest.number == number else store.revision(identity, number)


def stored_set_request(
    revision: Revision,
    holdings: Sequence[StoredHolding],
    state: str,
    day: date,
    decisions: Decisions = NO_DECISIONS,
    own: OwnReference = NOTHING_OWN,
) -> LoadedRequest:
    """The owner's holdings against a stored revision, under the owner's pins and nevers, with the owner's issues and what the
    account presumes."""
    definition = reference.read_stored(revision.document, reference.vocabularies_with(own))
    issues = catalogue_of(own, definition.attributes)
    found, ignored = stored_holdings(holdings, definition.attributes, issues, definition.vocabularies)
    request = EvaluationRequest(
        definition=definition,
        document_id=revision.definition,
        revision=revision.number,
        holdings=found,
        issues=issues,
        vocabularies=definition.vocabularies,
        presumptions=own.presumed.read(definition.attributes, definition.vocabularies),
        replaces=own.replaces,
        pins=decisions.pins,
        nevers=decisions.nevers,
        today=day,
        holdings_state=state,
        reference_edition=reference.edition(),
        known_rules=reference.known_rules(definition, day),
    )
    return LoadedRequest(request, ignored)


def stored_holdings(
    stored: Sequence[StoredHolding],
    attributes: Attributes,
    issues: Mapping[str, Facts],
    vocabularies: Mapping[str, Vocabulary],
) -> tuple[Sequence[Holding], tuple[IgnoredFact, ...]]:
    """Stored holdings as the core knows them, and what had to be left out of them (`known_holding`). `vocabularies` have the
    words for what is listed. Of columns no holding is made before it is asked for."""
    if isinstance(stored, HoldingColumns):
        coins = StoredCoins(stored, attributes, issues)
        return coins, coins.ignored(vocabularies)
    holdings: list[Holding] = []
    ignored: list[IgnoredFact] = []
    names = CoinNames(Labels(attributes, vocabularies))
    for entry in stored:
        holding, faults = known_holding(entry.id, as_known(entry), attributes, issues)
        holdings.append(holding)
        ignored.extend(IgnoredFact(holding=entry.id, **names.ignoring(holding, fault)) for fault in faults)
    return tuple(holdings), tuple(ignored)


def as_known(entry: StoredHolding) -> Mapping[str, Any]:
    """What is known of a holding: where values are in conflict, one of them."""
    return with_doubts(entry.data, entry.conflicts)


# --- issues --------------------------------------------------------------------------------------------------------------


def catalogue_of(own: OwnReference, attributes: Attributes) -> Catalogue:
    """All issues that the owner may name, read with these attributes."""
    return Catalogue(_shipped_issues(), own.facts, attributes)


@cache
def _shipped_issues() -> Mapping[str, Facts]:
    return {name: read_facts(facts, CORE, strict=False)[0] for name, facts in reference.issue_facts().items()}
