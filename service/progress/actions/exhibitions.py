"""From a list of loans to an exhibition that stays as it is."""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service import runtime
from service.accounts.model import Owner
from service.errors import Fault, Invalid
from service.facts.holding import Holding, check_facts, read_holdings
from service.http.routes.evaluations import evaluated
from service.http.schemas.exhibitions import ExhibitionIn
from service.http.wire import read
from service.progress.actions.evaluate import StoredSet, load_stored_set, today
from service.progress.description import describer
from service.progress.evaluate import EvaluationRequest
from service.progress.exhibition import Loan, exhibited
from service.progress.result import plain
from service.reference import actions as reference


def read_exhibition(value: Any, mine: StoredSet) -> ExhibitionIn:
    """The body; when its form is wrong, what is wrong with the facts of the loans is told along."""
    try:
        return read(ExhibitionIn, value)
    except Invalid as refusal:
        sent = value.get("loans") if isinstance(value, dict) else None
        attributes = mine.ask(today()).measurement.definition.attributes
        found = [
            fault.under(f"/loans/{at}/facts")
            for at, loan in enumerate(sent if isinstance(sent, list) else ())
            if isinstance(loan, dict) and isinstance(loan.get("facts"), dict)
            for fault in check_facts(loan["facts"], attributes, strict=True)
        ]
        raise Invalid([*refusal.faults, *found]) from None


async def prepare(
    parts: runtime.Context, owner: Owner, identity: str, value: Any
) -> tuple[ExhibitionIn, dict[str, Any]]:
    """The body and the content of the exhibition that it asks for. Raises NotFound before it looks at the body, Invalid with
    pointers into it."""

    def load(connection: Connection, number: int | None = None) -> StoredSet:
        return load_stored_set(connection, owner, identity, number)

    mine = await run_in_threadpool(parts.database.read, load)
    sent = await parts.limiter.run(lambda: read_exhibition(value, mine))
    if sent.revision is not None:
        mine = await run_in_threadpool(parts.database.read, lambda connection: load(connection, sent.revision))
    return sent, await parts.limiter.run(lambda: exhibit(mine, sent))


def exhibit(mine: StoredSet, sent: ExhibitionIn) -> dict[str, Any]:
    """The content of the exhibition. Takes its time: call it outside the event loop. Raises Invalid with pointers into the
    body."""
    asked = mine.ask(sent.on)
    measurement = asked.measurement
    loans = [
        Loan(f"loan-{number}", loan.owner, loan.label, loan.model_dump(include={"facts", "issue", "quantity"}))
        for number, loan in enumerate(sent.loans, start=1)
    ]
    lent = _lent(loans, measurement)
    result = evaluated(replace(asked, measurement=replace(measurement, holdings=(*measurement.holdings, *lent))))
    issues = ChainMap(dict(mine.own.facts), dict(reference.issue_facts()))
    describe = describer(measurement.definition.attributes, measurement.vocabularies, issues)
    held = {holding.id: holding.data for holding in mine.holdings}
    told = plain(result)
    stamp = {**told["definition"], "title": mine.revision.title}
    kept = ("holdings_state", "reference_edition", "engine_version", "summary", "proven_optimal")
    return {
        "note": sent.note,
        "definition": stamp,
        **{name: told[name] for name in kept},
        **exhibited(result, mine.revision.document, held, loans, describe),
        "evaluation": told,
    }


def _lent(loans: Sequence[Loan], measurement: EvaluationRequest) -> tuple[Holding, ...]:
    """The loans as the core knows them."""
    raw = [{"id": loan.id, **loan.recorded} for loan in loans]
    try:
        lent = read_holdings(raw, measurement.definition.attributes, strict=True)
    except Invalid as refusal:
        raise refusal.under("/loans") from None
    faults = [
        Fault("unknown-issue", f"the issue '{issue}' is in no catalogue here", f"/loans/{at}/issue", "see /v1/issues")
        for at, loan in enumerate(lent)
        for issue in loan.issues
        if issue not in measurement.issues
    ]
    if faults:
        raise Invalid(faults)
    return lent
