"""From a list of loans to an exhibition that stays as it is."""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.definitions.history.actions import add_exhibition
from service.definitions.history.model import StoredExhibition
from service.errors import Fault, Invalid
from service.facts.holding import Holding, check_facts, read_holdings
from service.progress.actions.stored_set import StoredSet, load_stored_set
from service.progress.description import describer
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.exhibition import ExhibitionContent, Loan, TitledDefinition, exhibited
from service.progress.result import plain
from service.reference import actions as reference
from service.runtime import Context


@dataclass(frozen=True, slots=True)
class ExhibitionPlan:
    """What is to be shown: the owner's holdings of now and loans, by a revision (None: the one that the set follows)."""

    title: str
    day: date
    loans: Sequence[Loan]
    note: str | None
    revision: int | None


def faults_of_loans(body: Any, mine: StoredSet, day: date) -> list[Fault]:
    """What is wrong with the facts of the loans in a body whose form is wrong elsewhere."""
    sent = body.get("loans") if isinstance(body, dict) else None
    attributes = mine.ask(day).request.definition.attributes
    return [
        fault.under(f"/loans/{at}/facts")
        for at, loan in enumerate(sent if isinstance(sent, list) else ())
        if isinstance(loan, dict) and isinstance(loan.get("facts"), dict)
        for fault in check_facts(loan["facts"], attributes, strict=True)
    ]


async def planned(context: Context, owner: Owner, mine: StoredSet, plan: ExhibitionPlan) -> ExhibitionContent:
    """The content of the exhibition. `mine` is the set under the revision that it follows. Raises NotFound for another revision,
    Invalid with pointers into the body."""
    if plan.revision is not None:
        identity, number = mine.revision.definition, plan.revision
        mine = await context.read(lambda connection: load_stored_set(connection, owner, identity, number))
    return await context.compute(lambda: _content(mine, plan))


def exhibit(
    connection: Connection,
    context: Context,
    owner: Owner,
    mine: StoredSet,
    plan: ExhibitionPlan,
    made: ExhibitionContent,
) -> StoredExhibition:
    """Stores the exhibition. Raises NotFound when the definition is gone."""
    content: dict[str, Any] = plain(made)
    return add_exhibition(connection, owner, mine.revision.definition, plan.title, plan.day, content, context.now())


def _content(mine: StoredSet, plan: ExhibitionPlan) -> ExhibitionContent:
    asked = mine.ask(plan.day)
    request = asked.request
    lent = _lent(plan.loans, request)
    result = evaluate(replace(request, holdings=(*request.holdings, *lent))).with_ignored(list(asked.ignored))
    issues = ChainMap(dict(mine.own.facts), dict(reference.issue_facts()))
    describe = describer(request.definition.attributes, request.vocabularies, issues)
    held = {holding.id: holding.data for holding in mine.holdings}
    shown = exhibited(result, mine.revision.document, held, plan.loans, describe)
    stamp = result.definition
    return ExhibitionContent(
        note=plan.note,
        definition=TitledDefinition(stamp.id, stamp.revision, stamp.digest, mine.revision.title),
        holdings_state=mine.state,
        reference_edition=reference.edition(),
        engine_version=result.engine_version,
        summary=result.summary,
        proven_optimal=result.proven_optimal,
        exhibits=shown.exhibits,
        loans=shown.loans,
        unused_loans=shown.unused_loans,
        evaluation=result,
    )


def _lent(loans: Sequence[Loan], request: EvaluationRequest) -> tuple[Holding, ...]:
    """The loans as the core knows them."""
    raw = [{"id": loan.id, **loan.recorded} for loan in loans]
    try:
        lent = read_holdings(raw, request.definition.attributes, strict=True)
    except Invalid as refusal:
        raise refusal.under("/loans") from None
    faults = [
        Fault.of(
            "unknown-issue",
            "the issue '{issue}' is in no catalogue here",
            f"/loans/{at}/issue",
            "see /v1/issues",
            issue=issue,
        )
        for at, loan in enumerate(lent)
        for issue in loan.issues
        if issue not in request.issues
    ]
    if faults:
        raise Invalid(faults)
    return lent
