"""The insurance list: what is held, where, and what it is said to be worth."""

from __future__ import annotations

from collections import ChainMap, Counter
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.facts.core import CORE
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.http.conditional import accepted, entity_tag, is_known
from service.http.declared import IF_NONE_MATCH, OWNER, not_modified_or, operation, with_headers
from service.http.dependencies import Context, CurrentOwner
from service.http.responses import Answer
from service.http.schemas.insurance import InsuranceListOut, InsuranceQuery
from service.progress.actions.evaluate import StoredSet, evaluation_tag, load_stored_set, stamps, today
from service.progress.description import describer
from service.progress.evaluate import evaluate
from service.progress.history import recorded_placements
from service.progress.insurance import Piece, as_csv, as_text, insurance_list
from service.reference import actions as reference
from service.reference.model import OwnIssues
from service.reference.store import IssueStore

router = APIRouter(prefix="/v1")
_PAPER = {"text": "text/plain", "csv": "text/csv"}
_WRITERS = {"text": as_text, "csv": as_csv}
_FORMS = {"json": "application/json", **_PAPER}
_PRIVATE = {"Cache-Control": "private, no-cache"}


@router.get(
    "/insurance-list",
    **with_headers(
        operation(
            "get_insurance_list",
            "What is held, where, and what the owner noted it to be worth",
            tag="Insurance",
            access=OWNER,
            answer=InsuranceListOut,
            also_as=list(_PAPER.values()),
            problems=["not-found", "bad-request", "invalid-query", "over-limit"],
            headers={"ETag": "Of the holdings, the editions, the day, the form and what was asked for."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def get_insurance_list(
    request: Request, parts: Context, owner: CurrentOwner, query: Annotated[InsuranceQuery, Query()]
) -> Response:
    day = query.on or today()
    kept = await run_in_threadpool(parts.database.read, lambda c: _load(c, owner, query.definition))
    mine = kept.mine
    form = query.format or accepted(request, _FORMS)
    of_set = evaluation_tag(mine.revision, mine.state, day, mine.decisions, mine.own.version) if mine else None
    rests = (owner.id, kept.state, kept.own.version, day, query.basis, of_set, form)
    tag = entity_tag("insurance", *rests, *stamps())
    if is_known(request, tag):
        return not_modified_or(request, tag, lambda: Answer(None))

    def make() -> dict[str, Any]:
        issues = ChainMap(dict(kept.own.facts), dict(reference.issue_facts()))
        describe = describer(CORE, reference.vocabularies(), issues)
        result = evaluate(mine.ask(day).measurement) if mine else None
        counts = Counter(seat.holding for seat in recorded_placements(result)) if result else None
        made = insurance_list(_pieces(kept.holdings, counts), describe, day, basis=query.basis)
        return {**made, "definition": result and result.definition}

    listed = await parts.limiter.run(make)
    headers = {"ETag": tag, "Vary": "Accept"}
    if form == "json":
        return Answer(listed, 200, headers).response()
    return Response(_WRITERS[form](listed), 200, {**headers, **_PRIVATE}, f"{_PAPER[form]}; charset=utf-8")


@dataclass(frozen=True, slots=True)
class Kept:
    """What the list rests on, of one snapshot."""

    holdings: tuple[StoredHolding, ...]
    state: str
    own: OwnIssues
    mine: StoredSet | None


def _load(connection: Connection, owner: Owner, definition: str | None) -> Kept:
    holdings, own = HoldingStore(connection, owner).all(), IssueStore(connection, owner).own_issues()
    mine = load_stored_set(connection, owner, definition, holdings=holdings, own=own) if definition else None
    return Kept(holdings, str(AccountStore(connection).state(owner)), own, mine)


def _pieces(holdings: tuple[StoredHolding, ...], counts: Counter[str] | None) -> list[Piece]:
    """All that is held, or of each holding as many pieces as sit in the set."""
    if counts is None:
        held = [holding for holding in holdings if holding.data.get("status", "held") == "held"]
        return [Piece(holding.id, holding.data, holding.data.get("quantity", 1)) for holding in held]
    return [Piece(holding.id, holding.data, counts[holding.id]) for holding in holdings if counts[holding.id]]
