"""Coins that are not owned yet: what each would do in a set, and which to buy."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, ClassVar

from pydantic import Field, StringConstraints

from service.errors import Fault, Invalid
from service.evaluation.cost import cost_of_candidates, together
from service.formats.shapes import AttributeName
from service.holdings.model import NamedIssueIn
from service.http.dependencies import Context, Json, OptionalOwner
from service.http.elsewhere import Work
from service.http.inputs import (
    SAME_AS_YAML,
    AnyDefinition,
    AnyHoldings,
    Id,
    IssueIn,
    Seconds,
    VocabularyIn,
    ensure_allowed,
    granted,
    sent_definition,
    sent_issues,
    sent_vocabularies,
    sizes_asked,
)
from service.http.openapi import problems, router
from service.http.wire import Day, In, Money, OtherForm
from service.progress.actions.candidates import MOST_SETS, CandidateCoin, CandidatesInputs, consider
from service.progress.actions.evaluate import EvaluationInputs
from service.progress.actions.sizes import sizes_of_sets
from service.progress.candidates import MOST_COINS, CandidatesResult

candidates = router("/v1", "Evaluations")


# --- requests ------------------------------------------------------------------------------------------------------------


class CoinIn(In):
    """A coin that is not owned yet."""

    id: Id | None = Field(None, description="Your name for it; left out: candidate-1 and so on.")
    facts: dict[AttributeName, Any] = Field(default_factory=dict, max_length=500)
    issue: NamedIssueIn = None
    price: Money | None = None
    currency: Annotated[str, StringConstraints(pattern="^[A-Z]{3}$")] | None = Field(
        None, description="A code of three letters (ISO 4217)."
    )


class CandidatesIn(In):
    """Coins, and the sets to try them on: those kept here, or one that comes in the body with its holdings, for which no
    account is needed."""

    body_limit: ClassVar[str] = "evaluation_body_bytes"
    other_forms: ClassVar[Mapping[str, OtherForm]] = SAME_AS_YAML

    coins: list[CoinIn] = Field(min_length=1, max_length=MOST_COINS)
    definitions: list[Id] | None = Field(
        None, max_length=MOST_SETS, description="Ids of definitions kept here; left out: all of them."
    )
    definition: AnyDefinition | None = None
    holdings: AnyHoldings = Field("mine", description="With `definition`: the holdings to try the coins on.")
    issues: list[IssueIn] = Field(default_factory=list, description="With `definition`.")
    vocabularies: list[VocabularyIn] = Field(default_factory=list, max_length=100, description="With `definition`.")
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")
    budget: Money | None = Field(None, description="For each set: which of the coins with a price to buy for this sum.")
    budget_seconds: Seconds = 10.0

    def inputs(self, today: date) -> CandidatesInputs:
        """What is asked for; `today` is the day where the body has none. Raises Invalid."""
        return CandidatesInputs(
            coins=[
                CandidateCoin(coin.id or f"candidate-{number}", coin.facts, coin.issue, coin.price, coin.currency)
                for number, coin in enumerate(self.coins, 1)
            ],
            today=self.today or today,
            definitions=self.definitions,
            one_set=self._one_set(self.today or today),
            budget=self.budget,
            budget_seconds=self.budget_seconds,
        )

    def _one_set(self, day: date) -> EvaluationInputs | None:
        if self.definition is None:
            sent = {"holdings": self.holdings != "mine", "issues": self.issues, "vocabularies": self.vocabularies}
            wrong = [name for name in sent if sent[name]]
            if wrong:
                raise Invalid(
                    Fault.of("clash", "`{name}` goes with `definition` only", f"/{name}", name=name) for name in wrong
                )
            return None
        if self.definitions is not None:
            message = "`definition` and `definitions` do not go together"
            raise Invalid([Fault("clash", message, "/definitions", "send one of the two")])
        return EvaluationInputs(
            definition=sent_definition(self.definition, "/definition"),
            today=day,
            issues=sent_issues(self.issues),
            vocabularies=sent_vocabularies(self.vocabularies),
            holdings=None if self.holdings == "mine" else self.holdings,
            budget_seconds=self.budget_seconds,
        )


# --- operations ----------------------------------------------------------------------------------------------------------


@candidates.post("/candidates", responses=problems("not-found", "over-limit", "too-heavy"))
async def consider_candidates(
    context: Context, owner: OptionalOwner, body: Json[CandidatesIn], work: Work
) -> CandidatesResult:
    """What coins not owned yet would do in my sets, and which to buy."""
    body = granted(context.settings, owner, body)
    inputs = body.inputs(context.today())
    if body.definition is not None:
        ensure_allowed(context.settings, owner, body.definition, body.holdings)
        sizes = await sizes_asked(context, owner, body.definition, body.holdings, body.budget_seconds)
        costs = [cost_of_candidates(sizes, len(body.coins))]
    elif owner is not None:
        mine = await context.read(lambda c: sizes_of_sets(c, owner, body.definitions, body.budget_seconds))
        costs = [cost_of_candidates(one, len(body.coins)).if_not_kept() for one in mine]
    else:
        costs = []
    await work.weigh(together("trying the coins in the sets", costs, "sets"))
    return await context.compute(lambda: consider(context.database, owner, inputs))
