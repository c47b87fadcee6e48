"""Questions over several sets at once: which coin sits in which of them, and which unknown facts change most."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, ClassVar

from fastapi import Query
from pydantic import BeforeValidator, Field, WithJsonSchema

from service.errors import Invalid
from service.evaluation.cost import cost_of_doubts, cost_of_evaluation, together
from service.formats.strict_json import YAML
from service.http.dependencies import Context, CurrentOwner, Json, OptionalOwner
from service.http.elsewhere import Work
from service.http.inputs import (
    AnyHoldings,
    Id,
    IssueIn,
    Seconds,
    VocabularyIn,
    ensure_allowed,
    granted,
    inline_definition,
    sent_issues,
    sent_vocabularies,
    sizes_asked,
)
from service.http.openapi import problems, router
from service.http.wire import Day, In, OtherForm, QueryIn, RevisionNumber
from service.progress.actions import allocations as actions
from service.progress.actions import information
from service.progress.actions.allocations import AllocationInputs, SetChoice
from service.progress.actions.candidates import MOST_SETS
from service.progress.actions.sizes import sizes_of_sets
from service.progress.allocated import Allocation, Mode
from service.progress.allocations import MOST_ALLOCATED_SETS
from service.progress.doubts import Doubts
from service.reference.actions import SentDocument
from service.rules.shape_messages import complaint

allocations = router("/v1", "Evaluations")
doubts = router("/v1", "Evaluations")


def _definition(value: Any) -> Any:
    if isinstance(value, str) or (isinstance(value, dict) and ("format" in value or "id" not in value)):
        return value
    raise complaint("definition", "the id of a definition kept here is needed, or a set definition")


SetDefinition = Annotated[
    Any,
    BeforeValidator(_definition),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "format": "uuid"},
                {"type": "object", "properties": {"format": {"const": "set-definition/1"}}, "required": ["format"]},
            ],
            "description": "The id of a definition kept here, or a set definition; all sets of a request the same way.",
        }
    ),
]


class SetIn(In):
    """One of the sets."""

    definition: SetDefinition
    revision: RevisionNumber | None = Field(
        None, description="With an id; left out: the revision that the set follows."
    )
    exclusive: bool = Field(
        True,
        description="Exclusive sets share no coin. A set with false borrows: it may use coins that sit in other sets, and "
        "takes none from them.",
    )

    def choice(self, at: str) -> SetChoice:
        """The set; `at` leads to its definition."""
        if isinstance(self.definition, str):
            return SetChoice(self.definition, self.revision, self.exclusive)
        try:
            return SetChoice(inline_definition(self.definition, at), self.revision, self.exclusive)
        except Invalid as refusal:
            return SetChoice(SentDocument({}, at), self.revision, self.exclusive, refusal.faults)


class AllocationsIn(In):
    """Sets that want the same coins: those kept here against the holdings kept here, with the owner's pins and nevers of
    each; or sets in the body with their holdings, for which no account is needed."""

    body_limit: ClassVar[str] = "evaluation_body_bytes"
    other_forms: ClassVar[Mapping[str, OtherForm]] = {YAML: OtherForm("The same body as YAML, up to 1 MiB.")}

    sets: list[SetIn] = Field(
        min_length=1, max_length=MOST_ALLOCATED_SETS, description="In the owner's order: the first comes first."
    )
    mode: Mode = Field(
        description="in_order: the first set takes the best for itself, what it leaves goes to the next, and so on, whatever "
        "is pinned in the later ones. jointly: the best for all sets together: most pins over all of them, then most "
        "required places, then most places, then fewest doubts, then the preferences, each level added up over the sets."
    )
    holdings: AnyHoldings = Field("mine", description="With definitions in the body: the holdings, a list.")
    issues: list[IssueIn] = Field(default_factory=list, description="With definitions in the body.")
    vocabularies: list[VocabularyIn] = Field(
        default_factory=list, max_length=100, description="With definitions in the body."
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")
    budget_seconds: Seconds = Field(10.0, description="Solver time for all of it.")

    def inputs(self, today: date) -> AllocationInputs:
        """What is asked for; `today` is the day where the body has none."""
        return AllocationInputs(
            sets=[one.choice(f"/sets/{number}/definition") for number, one in enumerate(self.sets)],
            mode=self.mode,
            today=self.today or today,
            holdings=None if self.holdings == "mine" else self.holdings,
            issues=sent_issues(self.issues),
            vocabularies=sent_vocabularies(self.vocabularies),
            budget_seconds=self.budget_seconds,
        )


@allocations.post("/allocations", responses=problems("not-found", "over-limit", "too-heavy"))
async def allocate_holdings(
    context: Context, owner: OptionalOwner, body: Json[AllocationsIn], work: Work
) -> Allocation:
    """Share my coins out among several sets, each coin to one of them."""
    body = granted(context.settings, owner, body)
    inputs = body.inputs(context.today())
    costs = []
    for one in body.sets:
        ensure_allowed(context.settings, owner, one.definition, body.holdings)
        sizes = await sizes_asked(context, owner, one.definition, body.holdings, body.budget_seconds)
        costs.append(cost_of_evaluation(sizes))
    await work.weigh(together("sharing the coins out", costs, "sets"))
    return await context.compute(lambda: actions.allocate_holdings(context.database, owner, inputs))


# --- doubts ------------------------------------------------------------------------------------------------------------


class DoubtsQuery(QueryIn):
    """Which sets, and for which day."""

    definition: list[Id] | None = Field(
        None,
        max_length=MOST_SETS,
        description="Ids of definitions kept here, one parameter each; left out: all of them.",
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


@doubts.get("/doubts", responses=problems("not-found", "over-limit", "too-heavy"))
async def list_doubts(
    context: Context, owner: CurrentOwner, query: Annotated[DoubtsQuery, Query()], work: Work
) -> Doubts:
    """What to look at: the unknown facts of my coins that change most."""
    sizes = await context.read(lambda connection: sizes_of_sets(connection, owner, query.definition))
    await work.weigh(together("weighing the doubts", [cost_of_doubts(one).if_not_kept() for one in sizes], "sets"))
    day = query.today or context.today()
    return await context.compute(lambda: information.doubts_of(context.database, owner, query.definition, day))
