"""The owner's decisions for a definition (keep here, never here), what each costs, and what set-level rules cost."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated

from msgspec import Meta
from pydantic import Field

from service.definitions import actions
from service.definitions.model import Decisions
from service.definitions.store import DefinitionStore
from service.errors import Invalid
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, DefinitionId, Unread
from service.http.elsewhere import Work
from service.http.inputs import PlacingIn, weigh_set
from service.http.openapi import problems, router
from service.http.responses import Tagged, tagged
from service.http.wire import In, Out
from service.progress.actions.editions import editions
from service.progress.actions.stored_set import load_stored_set
from service.progress.costs import DecisionCost, RulePrice, costs_of_decisions, names_of_costs, prices_of_rules
from service.progress.decisions import faults_of_decisions
from service.progress.named import Named

pins = router("/v1/definitions", "Evaluations")

MOST_DECISIONS = 2_000


class PinsIn(In):
    """All pins and nevers of a definition; what is left out is no longer one."""

    pins: list[PlacingIn] = Field(
        default_factory=list, max_length=MOST_DECISIONS, description="This coin sits in that place."
    )
    nevers: list[PlacingIn] = Field(
        default_factory=list, max_length=MOST_DECISIONS, description="This coin never sits in that place."
    )


class PlacingOut(Out):
    """A holding and a place."""

    holding: str
    place: str


class PinsOut(Out):
    """The owner's decisions for a definition."""

    pins: list[PlacingOut]
    nevers: list[PlacingOut]


class CostsOut(Out):
    """What each pin and never costs."""

    costs: list[DecisionCost]
    named: Named
    left_out: Annotated[int, Meta(description="How many are not listed: the first 200 are.")]
    reference_edition: str
    engine_version: str


class RulePricesOut(Out):
    """The price of every set-level rule."""

    rules: list[RulePrice]
    reference_edition: str
    engine_version: str


def _pins_out(decisions: Decisions) -> PinsOut:
    return PinsOut(_placings(decisions.pins), _placings(decisions.nevers))


def _placings(pairs: Iterable[tuple[str, str]]) -> list[PlacingOut]:
    return [PlacingOut(holding, place) for holding, place in pairs]


def _pins_tag(identity: str, decisions: Decisions) -> str:
    """Changes with every change of the pins and nevers."""
    return entity_tag("pins", identity, decisions.version, decisions.pins, decisions.nevers)


@pins.get("/{id}/pins")
def get_pins(context: Context, owner: CurrentOwner, id: DefinitionId, known: IfNoneMatch) -> Tagged[PinsOut]:
    """The owner's pins and nevers for a definition."""
    decisions = context.database.read(lambda connection: DefinitionStore(connection, owner).decisions(id))
    return known.not_modified_or(_pins_tag(id, decisions), lambda: _pins_out(decisions))


@pins.put("/{id}/pins", responses=problems("over-limit"))
async def replace_pins(
    context: Context, owner: CurrentOwner, id: DefinitionId, expected: IfMatch, body: Unread[PinsIn], work: Work
) -> Tagged[PinsOut]:
    """Decide which coins sit where, and where they never do."""
    await weigh_set(work, context, owner, id, certain=0, solver_seconds=0)
    # Whether it is there, and still what the caller read, comes before what is wrong with the body.
    mine = await context.read(lambda connection: load_stored_set(connection, owner, id))
    expected.check(_pins_tag(id, mine.decisions))
    sent = body.read()
    decided = (_pairs(sent.pins), _pairs(sent.nevers))
    faults = await context.compute(lambda: faults_of_decisions(mine.ask(context.today()).request, *decided))
    if faults:
        raise Invalid(faults)
    decisions = await context.write(
        lambda connection: actions.decide(
            connection, owner, id, *decided, expect=lambda before: expected.check(_pins_tag(id, before))
        )
    )
    return tagged(_pins_out(decisions), _pins_tag(id, decisions))


@pins.get("/{id}/pins/costs", responses=problems("over-limit", "too-heavy"))
async def get_costs_of_pins(context: Context, owner: CurrentOwner, id: DefinitionId, work: Work) -> CostsOut:
    """What each pin and never costs: places and preferences."""
    await weigh_set(work, context, owner, id, times=4, certain=0)
    mine = await context.read(lambda connection: load_stored_set(connection, owner, id))
    decided = len(mine.decisions.pins) + len(mine.decisions.nevers)

    def answer() -> CostsOut:
        asked = mine.ask(context.today())
        costs = costs_of_decisions(asked.evaluated(tries=decided))
        return CostsOut(costs, names_of_costs(asked.request, costs), decided - len(costs), **editions())

    return await context.compute(answer)


@pins.get("/{id}/rule-prices", responses=problems("over-limit", "too-heavy"))
async def get_rule_prices(context: Context, owner: CurrentOwner, id: DefinitionId, work: Work) -> RulePricesOut:
    """What the set would gain without each rule over several places."""
    await weigh_set(work, context, owner, id, times=4, certain=0)
    mine = await context.read(lambda connection: load_stored_set(connection, owner, id))
    rules = await context.compute(lambda: prices_of_rules(mine.ask(context.today()).evaluated(tries=1)))
    return RulePricesOut(rules, **editions())


def _pairs(placings: Sequence[PlacingIn]) -> list[tuple[str, str]]:
    return [(placing.holding, placing.place) for placing in placings]
