"""From the coins of a request to the sets that they are tried on, and the answer for each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any

from msgspec import UNSET, UnsetType
from msgspec.structs import asdict
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.engine import Database
from service.definitions import actions as definitions
from service.definitions.store import DefinitionStore
from service.errors import Fault, Invalid, NotAuthenticated, OverLimit, Sentence
from service.evaluation.cost import in_turn
from service.evaluation.recorded import RecordedCoins
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import Facts, Holding, read_holding
from service.holdings.columns.store import held_by
from service.progress.actions.editions import editions
from service.progress.actions.evaluate import EvaluationInputs, evaluation_request
from service.progress.actions.inputs import stored_definition_id
from service.progress.actions.stored_set import LoadedRequest, StoredSet, load_stored_set
from service.progress.budget import Purchase, purchase
from service.progress.candidates import CandidatesResult, IgnoredInputFact, SetCandidates, candidates
from service.progress.description import CoinNames
from service.progress.evaluate import ensure_evaluable, names_of_some
from service.progress.result import DefinitionStamp
from service.progress.whatif import Evaluated
from service.reference.store import IssueStore
from service.rules.definition import Definition
from service.rules.labels import Labels

MOST_SETS = 100
MOST_TRIES = 5_000


@dataclass(frozen=True, slots=True)
class CandidateCoin:
    """A coin that is not owned yet. `facts` and `issue` as they came, not read yet."""

    id: str
    facts: Mapping[str, Any]
    issue: Any = None
    price: Decimal | None = None
    currency: str | None = None


@dataclass(frozen=True, slots=True)
class CandidatesInputs:
    """Coins, and the sets to try them on: `one_set` of the request, or sets that the owner keeps here (`definitions` None: all
    of them). With a budget the coins with a price are in one currency."""

    coins: Sequence[CandidateCoin]
    today: date
    definitions: Sequence[str] | None = None
    one_set: EvaluationInputs | None = None
    budget: Decimal | None = None
    budget_seconds: float = 10.0


def consider(database: Database, owner: Owner | None, inputs: CandidatesInputs) -> CandidatesResult:
    """What each coin would do in every set. Takes its time: call it outside the event loop. Raises Invalid with pointers into
    the request, NotAuthenticated without an account where one is needed, NotFound for a definition."""
    _ensure_different_ids(inputs.coins)
    if inputs.budget is not None:
        _ensure_one_currency(inputs.coins)
    if inputs.one_set is not None:
        sets, attributes = [evaluation_request(database, owner, inputs.one_set)], None
    else:
        sets, attributes = _mine(database, owner, inputs)
    ahead = [(one, one.cost_ahead(tries=len(inputs.coins))) for one in sets]
    in_order = in_turn("trying the coins in the sets", "sets", ahead)
    considered = [_considered(one, inputs, attributes) for one in in_order]
    return CandidatesResult(evaluated_on=inputs.today, sets=considered, **editions())


def _ensure_different_ids(coins: Sequence[CandidateCoin]) -> None:
    first = {coin.id: number for number, coin in reversed(list(enumerate(coins)))}
    faults = [
        Fault.of("clashing-id", "two coins have the id '{id}'", f"/coins/{number}/id", id=coin.id[:80])
        for number, coin in enumerate(coins)
        if first[coin.id] != number
    ]
    if faults:
        raise Invalid(faults)


def _ensure_one_currency(coins: Sequence[CandidateCoin]) -> None:
    """A budget is spent in one currency."""
    priced = [(number, coin) for number, coin in enumerate(coins) if coin.price is not None]
    faults = [
        Fault("currency", "with a budget all prices are in one currency", f"/coins/{number}/currency")
        for number, coin in priced
        if coin.currency != priced[0][1].currency
    ]
    if faults:
        raise Invalid(faults)


def _mine(
    database: Database, owner: Owner | None, inputs: CandidatesInputs
) -> tuple[list[LoadedRequest], Attributes | None]:
    if owner is None:
        raise NotAuthenticated("sets that are kept here need an account; without one send `definition` and `holdings`")
    return kept_sets(
        database,
        owner,
        inputs.definitions,
        inputs.today,
        tries_each=len(inputs.coins),
        budget_seconds=inputs.budget_seconds,
    )


def kept_sets(
    database: Database,
    owner: Owner,
    names: Sequence[str] | None,
    day: date,
    *,
    tries_each: int,
    budget_seconds: float,
) -> tuple[list[LoadedRequest], Attributes]:
    """The owner's sets of these ids (None: all), each against the holdings kept here, of one snapshot; and the attributes
    that any of them knows. Raises NotFound, or OverLimit where there are too many."""
    wanted = None if names is None else [stored_definition_id(name) for name in dict.fromkeys(names)]

    def load(connection: Connection) -> tuple[list[StoredSet], Attributes]:
        store = DefinitionStore(connection, owner)
        found = [line.id for line, _ in store.page(None, MOST_SETS + 1)] if wanted is None else wanted
        if len(found) > MOST_SETS or len(found) * tries_each > MOST_TRIES:
            message = Sentence(
                "coins are tried on up to {most} sets at once, {tries} coins times sets in all",
                most=MOST_SETS,
                tries=MOST_TRIES,
            )
            raise OverLimit([Fault("over-limit", message, "/definitions", "name the definitions to try it on")])
        known = definitions.known_attributes(connection, owner, CORE)
        holdings, own = held_by(connection, owner), IssueStore(connection, owner).own_reference()
        return [load_stored_set(connection, owner, name, holdings=holdings, own=own) for name in found], known

    loaded, attributes = database.read(load)
    sets = []
    for mine in loaded:
        ask = mine.ask(day)
        sets.append(replace(ask, request=replace(ask.request, budget_seconds=budget_seconds)))
    return sets, attributes


def _considered(one: LoadedRequest, inputs: CandidatesInputs, known: Attributes | None) -> SetCandidates:
    request = one.request
    definition = request.definition
    coins, ignored = _read(inputs.coins, definition, known)
    _ensure_new(coins, request.holdings)
    _ensure_known_issues(coins, request.issues)
    ensure_evaluable(request)
    evaluated = one.evaluated(tries=len(coins))
    left_out = [
        *(IgnoredInputFact(**asdict(fact)) for fact in one.ignored),
        *ignored,
    ]
    found = candidates(evaluated, coins)
    moved = {freed.holding for one in found for freed in one.frees}
    moved |= {fact.holding for fact in left_out if fact.holding is not UNSET}
    return SetCandidates(
        definition=DefinitionStamp(request.document_id, request.revision, definition.digest),
        title=definition.title,
        candidates=found,
        named=names_of_some(request, moved, coins),
        purchase=_purchase(evaluated, coins, inputs),
        ignored_facts=left_out or UNSET,
    )


def _purchase(evaluated: Evaluated, coins: Sequence[Holding], inputs: CandidatesInputs) -> Purchase | UnsetType:
    if inputs.budget is None:
        return UNSET
    prices = {coin.id: coin.price for coin in inputs.coins if coin.price is not None}
    currency = next((coin.currency for coin in inputs.coins if coin.price is not None), None)
    return purchase(evaluated, coins, prices, inputs.budget, currency)


def _read(
    coins: Sequence[CandidateCoin], definition: Definition, known: Attributes | None
) -> tuple[list[Holding], list[IgnoredInputFact]]:
    """The coins as the definition knows them. `known` are all attributes of the owner's sets: what none of them declares is
    refused; what another set declares is no fact here."""
    found: list[Holding] = []
    faults: list[Fault] = []
    ignored: list[IgnoredInputFact] = []
    attributes = definition.attributes
    names = CoinNames(Labels(attributes, definition.vocabularies))
    for number, coin in enumerate(coins):
        raw = {"id": coin.id, "facts": coin.facts, "issue": coin.issue}
        checked = attributes if known is None else known
        faults.extend(fault.under(f"/coins/{number}") for fault in read_holding(raw, checked, strict=True)[1])
        holding, wrong = read_holding(raw, attributes, strict=known is None)
        assert holding is not None
        found.append(holding)
        ignored.extend(IgnoredInputFact(coin=coin.id, **names.ignoring(holding, fault)) for fault in wrong)
    if faults:
        raise Invalid(faults)
    return found, ignored


def _ensure_new(coins: Sequence[Holding], holdings: Sequence[Holding]) -> None:
    taken = frozenset(holdings.ids) if isinstance(holdings, RecordedCoins) else {holding.id for holding in holdings}
    faults = [
        Fault.of("clashing-id", "a holding has the id '{id}' already", f"/coins/{number}/id", id=coin.id[:80])
        for number, coin in enumerate(coins)
        if coin.id in taken
    ]
    if faults:
        raise Invalid(faults)


def _ensure_known_issues(coins: Sequence[Holding], issues: Mapping[str, Facts]) -> None:
    faults = [
        Fault.of(
            "unknown-issue", "the issue '{issue}' is in no catalogue here", f"/coins/{number}/issue", issue=issue[:80]
        )
        for number, coin in enumerate(coins)
        for issue in coin.issues
        if issue not in issues
    ]
    if faults:
        raise Invalid(faults)
