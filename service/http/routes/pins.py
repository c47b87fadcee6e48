"""The owner's decisions for a definition, what each costs, and what set-level rules cost."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.definitions import actions
from service.definitions.store import DefinitionStore
from service.errors import Invalid
from service.http.conditional import if_match
from service.http.declared import (
    IF_MATCH,
    IF_NONE_MATCH,
    OWNER,
    JsonBody,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.examples import PINS
from service.http.inputs import PlacingIn
from service.http.responses import Answer
from service.http.schemas.pins import CostsOut, PinsIn, PinsOut, RulePricesOut, pins_tag, shown_pins
from service.http.wire import read
from service.progress.actions.editions import editions
from service.progress.actions.stored_set import load_stored_set
from service.progress.costs import costs_of_decisions, prices_of_rules
from service.progress.decisions import faults_of_decisions
from service.progress.whatif import Evaluated

router = APIRouter(prefix="/v1/definitions")
_TAG = "Evaluations"
_ETAG = {"ETag": "The version, for If-Match."}


@router.get(
    "/{id}/pins",
    **with_headers(
        operation(
            "get_pins",
            "The owner's pins and nevers for a definition",
            tag=_TAG,
            access=OWNER,
            answer=PinsOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get_pins(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    decisions = parts.database.read(lambda connection: DefinitionStore(connection, owner).decisions(id))
    return not_modified_or(request, pins_tag(id, decisions), lambda: Answer(shown_pins(decisions)))


@router.put(
    "/{id}/pins",
    **with_headers(
        operation(
            "replace_pins",
            "Decide which coins sit where, and where they never do",
            tag=_TAG,
            access=OWNER,
            body=PinsIn,
            example=PINS,
            answer=PinsOut,
            problems=["not-found", "bad-request", "stale", "precondition-required", "over-limit"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
async def replace_pins(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, body: JsonBody
) -> Response:
    expected = if_match(request)
    # Whether it is there, and still what the caller read, comes before what is wrong with the body.
    mine = await run_in_threadpool(parts.database.read, lambda connection: load_stored_set(connection, owner, id))
    expected.check(pins_tag(id, mine.decisions))
    sent = read(PinsIn, body.value)
    pins, nevers = _pairs(sent.pins), _pairs(sent.nevers)
    faults = await parts.limiter.run(lambda: faults_of_decisions(mine.ask(parts.today()).measurement, pins, nevers))
    if faults:
        raise Invalid(faults)
    decisions = await run_in_threadpool(
        parts.database.write,
        lambda connection: actions.decide(
            connection, owner, id, pins, nevers, expect=lambda before: expected.check(pins_tag(id, before))
        ),
    )
    return Answer(shown_pins(decisions), 200, {"ETag": pins_tag(id, decisions)}).response()


@router.get(
    "/{id}/pins/costs",
    **operation(
        "get_costs_of_pins",
        "What each pin and never costs: places and preferences",
        tag=_TAG,
        access=OWNER,
        answer=CostsOut,
        problems=["not-found", "over-limit"],
    ),
)
async def get_costs(parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    mine = await run_in_threadpool(parts.database.read, lambda connection: load_stored_set(connection, owner, id))
    decided = len(mine.decisions.pins) + len(mine.decisions.nevers)
    costs: list[dict[str, Any]] = await parts.limiter.run(
        lambda: costs_of_decisions(Evaluated(mine.ask(parts.today()).measurement, tries=decided))
    )
    return Answer({"costs": costs, "left_out": decided - len(costs), **editions()}).response()


@router.get(
    "/{id}/rule-prices",
    **operation(
        "get_rule_prices",
        "What the set would gain without each rule over several places",
        tag=_TAG,
        access=OWNER,
        answer=RulePricesOut,
        problems=["not-found", "over-limit"],
    ),
)
async def get_rule_prices(parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    mine = await run_in_threadpool(parts.database.read, lambda connection: load_stored_set(connection, owner, id))
    rules: list[dict[str, Any]] = await parts.limiter.run(
        lambda: prices_of_rules(Evaluated(mine.ask(parts.today()).measurement))
    )
    return Answer({"rules": rules, **editions()}).response()


def _pairs(placings: Iterable[PlacingIn]) -> list[tuple[str, str]]:
    return [(placing.holding, placing.place) for placing in placings]
