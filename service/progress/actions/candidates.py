"""From a tray in a request to the sets that it is tried on, and the answer for each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.engine import Database
from service.database.ids import read_id
from service.definitions import actions as definitions
from service.definitions.store import DefinitionStore
from service.errors import Fault, Invalid, NotAuthenticated, NotFound, OverLimit
from service.facts.attributes import Attributes
from service.facts.core import CORE
from service.facts.holding import Facts, Holding, read_holding
from service.holdings.store import HoldingStore
from service.http.inputs import sent_definition, sent_issues, sent_vocabularies
from service.http.schemas.candidates import MOST_SETS, CandidatesIn, CoinIn
from service.progress.actions.editions import editions
from service.progress.actions.evaluate import EvaluationInputs, evaluation_request
from service.progress.actions.stored_set import LoadedRequest, StoredSet, load_stored_set
from service.progress.budget import purchase
from service.progress.candidates import candidates
from service.progress.evaluate import ensure_evaluable
from service.progress.result import plain
from service.progress.whatif import Evaluated
from service.reference.store import IssueStore

MOST_TRIES = 5_000


def consider(database: Database, owner: Owner | None, asked: CandidatesIn, today: date) -> dict[str, Any]:
    """The answer for every set. `today` is the day where the body has none. Takes its time.
    Raises Invalid with pointers into the body, Unwelcome without an account where one is needed, NotFound for a definition."""
    names, day = _names(asked), asked.today or today
    _one_currency(asked)
    if asked.definition is not None:
        sets, attributes = [_inline(database, owner, asked, day)], None
    else:
        sets, attributes = _mine(database, owner, asked, day)
    return {
        "evaluated_on": day.isoformat(),
        "sets": [_considered(one, asked, names, attributes) for one in sets],
        **editions(),
    }


def _names(asked: CandidatesIn) -> list[str]:
    names = [coin.id or f"candidate-{number + 1}" for number, coin in enumerate(asked.coins)]
    first = {name: number for number, name in reversed(list(enumerate(names)))}
    faults = [
        Fault("clashing-id", f"the id '{name[:80]}' stands at two coins", f"/coins/{number}/id")
        for number, name in enumerate(names)
        if first[name] != number
    ]
    if faults:
        raise Invalid(faults)
    return names


def _one_currency(asked: CandidatesIn) -> None:
    """A budget is spent in one currency."""
    priced = [(number, coin) for number, coin in enumerate(asked.coins) if coin.price is not None]
    if asked.budget is None or not priced:
        return
    faults = [
        Fault("currency", "with a budget all prices are in one currency", f"/coins/{number}/currency")
        for number, coin in priced
        if coin.currency != priced[0][1].currency
    ]
    if faults:
        raise Invalid(faults)


def _inline(database: Database, owner: Owner | None, asked: CandidatesIn, day: date) -> LoadedRequest:
    if asked.definitions is not None:
        message = "`definition` and `definitions` do not go together"
        raise Invalid([Fault("clash", message, "/definitions", "send one of the two")])
    inputs = EvaluationInputs(
        definition=sent_definition(asked.definition, "/definition"),
        today=day,
        issues=sent_issues(asked.issues),
        vocabularies=sent_vocabularies(asked.vocabularies),
        holdings=None if asked.holdings == "mine" else asked.holdings,
        budget_seconds=asked.budget_seconds,
    )
    return evaluation_request(database, owner, inputs)


def _mine(
    database: Database, owner: Owner | None, asked: CandidatesIn, day: date
) -> tuple[list[LoadedRequest], Attributes]:
    if owner is None:
        raise NotAuthenticated("sets that are kept here need an account; without one send `definition` and `holdings`")
    wrong = [name for name in ("issues", "vocabularies") if getattr(asked, name)]
    wrong += ["holdings"] if asked.holdings != "mine" else []
    if wrong:
        raise Invalid([Fault("clash", f"`{name}` goes with `definition` only", f"/{name}") for name in wrong])
    return kept_sets(
        database,
        owner,
        asked.definitions,
        day,
        tries_each=len(asked.coins),
        budget_seconds=asked.budget_seconds,
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
    wanted = None if names is None else [_identity(name) for name in dict.fromkeys(names)]

    def load(connection: Connection) -> tuple[list[StoredSet], Attributes]:
        store = DefinitionStore(connection, owner)
        found = [line.id for line, _ in store.page(None, MOST_SETS + 1)] if wanted is None else wanted
        if len(found) > MOST_SETS or len(found) * tries_each > MOST_TRIES:
            message = f"a tray is tried on up to {MOST_SETS} sets at once, {MOST_TRIES} coins times sets in all"
            raise OverLimit([Fault("over-limit", message, "/definitions", "name the definitions to try it on")])
        known = definitions.known_attributes(connection, owner, CORE)
        holdings, own = HoldingStore(connection, owner).all(), IssueStore(connection, owner).own_issues()
        return [load_stored_set(connection, owner, name, holdings=holdings, own=own) for name in found], known

    loaded, attributes = database.read(load)
    sets = []
    for mine in loaded:
        ask = mine.ask(day)
        sets.append(replace(ask, measurement=replace(ask.measurement, budget_seconds=budget_seconds)))
    return sets, attributes


def _identity(name: str) -> str:
    identity = read_id(name)
    if identity is None:
        raise NotFound("definition", name[:60])
    return identity


def _considered(
    one: LoadedRequest, asked: CandidatesIn, names: Sequence[str], known: Attributes | None
) -> dict[str, Any]:
    request = one.measurement
    definition = request.definition
    tray, ignored = _tray(asked.coins, names, definition.attributes, known)
    _ensure_new(names, request.holdings)
    _ensure_known_issues(tray, request.issues)
    ensure_evaluable(request)
    evaluated = Evaluated(request, tries=len(tray))
    answer: dict[str, Any] = {
        "definition": {"id": request.document_id, "revision": request.revision, "digest": definition.digest},
        "title": definition.title,
        "candidates": candidates(evaluated, tray),
    }
    if asked.budget is not None:
        prices = {name: coin.price for name, coin in zip(names, asked.coins, strict=True) if coin.price is not None}
        answer["purchase"] = _purchase(evaluated, tray, prices, asked.budget, asked.coins)
    left_out = [*plain(one.ignored), *ignored]
    return {**answer, "ignored_facts": left_out} if left_out else answer


def _purchase(
    evaluated: Evaluated,
    tray: Sequence[Holding],
    prices: Mapping[str, Decimal],
    budget: Decimal,
    coins: Sequence[CoinIn],
) -> dict[str, Any]:
    found = purchase(evaluated, tray, prices, budget)
    currency = next((coin.currency for coin in coins if coin.price is not None), None)
    return {**found, "currency": currency}


def _tray(
    coins: Sequence[CoinIn], names: Sequence[str], attributes: Attributes, known: Attributes | None
) -> tuple[list[Holding], list[dict[str, Any]]]:
    """The coins as the definition knows them. `known` are all attributes of the owner's sets: what none of them declares is
    refused; what another set declares is no fact here."""
    tray: list[Holding] = []
    faults: list[Fault] = []
    ignored: list[dict[str, Any]] = []
    for number, (name, coin) in enumerate(zip(names, coins, strict=True)):
        raw = {"id": name, "facts": coin.facts, "issue": coin.issue}
        checked = attributes if known is None else known
        faults.extend(fault.under(f"/coins/{number}") for fault in read_holding(raw, checked, strict=True)[1])
        holding, wrong = read_holding(raw, attributes, strict=known is None)
        assert holding is not None
        tray.append(holding)
        ignored.extend({"coin": name, "pointer": fault.pointer, "message": fault.message} for fault in wrong)
    if faults:
        raise Invalid(faults)
    return tray, ignored


def _ensure_new(names: Sequence[str], holdings: Sequence[Holding]) -> None:
    taken = {holding.id for holding in holdings}
    faults = [
        Fault("clashing-id", f"a holding has the id '{name[:80]}' already", f"/coins/{number}/id")
        for number, name in enumerate(names)
        if name in taken
    ]
    if faults:
        raise Invalid(faults)


def _ensure_known_issues(tray: Sequence[Holding], issues: Mapping[str, Facts]) -> None:
    faults = [
        Fault("unknown-issue", f"the issue '{issue[:80]}' is in no catalogue here", f"/coins/{number}/issue")
        for number, coin in enumerate(tray)
        for issue in coin.issues
        if issue not in issues
    ]
    if faults:
        raise Invalid(faults)
