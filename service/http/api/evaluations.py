"""Evaluations and explanations: of what comes in the body, for which no account is needed, and of what is kept here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from typing import Annotated, Any, Literal, TypeVar

from fastapi import Query, Request
from pydantic import Field, WithJsonSchema
from starlette.responses import Response

from service import runtime
from service.errors import Fault, Invalid, SetwrightError
from service.evaluation.cost import cost_of_evaluation, cost_of_explanation
from service.http.answers import KeptAnswers, Question
from service.http.conditional import entity_tag
from service.http.dependencies import Context, CurrentOwner, DefinitionId, OptionalOwner, Received, Unread
from service.http.elsewhere import Work
from service.http.inputs import (
    AnyHoldings,
    JudgedIn,
    PlacingIn,
    Seconds,
    SetQuery,
    ensure_allowed,
    granted,
    pairs,
    sizes_asked,
    weigh_set,
)
from service.http.languages import CONTENT_LANGUAGE, IN_ENGLISH, AskedLanguage, spoken
from service.http.negotiation import JSON, Forms, TextForm
from service.http.openapi import problems, router
from service.http.responses import Reply, Sends
from service.http.wire import QueryIn, read
from service.progress.actions import evaluate as evaluating
from service.progress.actions import explain as explaining
from service.progress.actions.evaluate import EvaluationInputs
from service.progress.actions.explain import ExplanationInputs
from service.progress.actions.stored_set import LoadedRequest, SetKey, load_key, load_stored_set
from service.progress.explain import Explanation, explanation_text
from service.progress.on_paper import evaluation_csv, evaluation_html, evaluation_text
from service.progress.result import Evaluation
from service.rules.definition import Definition

evaluations = router("/v1", "Evaluations")

_ETAG = {"ETag": "Of the definition, the holdings, the editions, the day, whether to presume, and the form."}
_EXPLANATIONS = Forms[Explanation](text=TextForm("text/plain", explanation_text))

Asked = TypeVar("Asked", bound=JudgedIn)


# --- requests ------------------------------------------------------------------------------------------------------------


class EvaluationIn(JudgedIn):
    """What to evaluate. No account is needed when everything is in the body."""

    holdings: AnyHoldings
    pins: list[PlacingIn] = Field(default_factory=list, description="This coin sits in that place.")
    nevers: list[PlacingIn] = Field(default_factory=list, description="This coin never sits in that place.")
    previous: list[PlacingIn] = Field(default_factory=list, description="Where the last evaluation had them.")
    budget_seconds: Seconds = 10.0

    def inputs(self, today: date) -> EvaluationInputs:
        """What is asked for; `today` is the day where the body has none. Raises Invalid."""
        return EvaluationInputs(
            **self.common(today),
            holdings=None if self.holdings == "mine" else self.holdings,
            pins=pairs(self.pins),
            nevers=pairs(self.nevers),
            previous=[(placing.place, placing.holding) for placing in self.previous],
            budget_seconds=self.budget_seconds,
        )


class ExplanationIn(JudgedIn):
    """Which holding to explain, against one place or all."""

    holding: Annotated[Any, WithJsonSchema({"anyOf": [{"type": "object"}, {"type": "string", "format": "uuid"}]})]
    place: str | None = Field(None, max_length=500)

    def inputs(self, today: date) -> ExplanationInputs:
        """What is asked for; `today` is the day where the body has none. Raises Invalid."""
        return ExplanationInputs(**self.common(today), holding=self.holding, place=self.place)


class FormQuery(QueryIn):
    """In which form."""

    format: Literal["json", "text", "csv", "html"] | None = Field(
        None,
        description="text is 76 columns wide, html is a page to print, csv the places; left out: the first that Accept prefers, "
        "or JSON.",
    )


class MineQuery(SetQuery, FormQuery):
    """Which revision, for which day, with or without presumptions, and in which form."""


def _forms(title: str = "", language: str = "en") -> Forms[Evaluation]:
    return Forms(
        text=TextForm("text/plain", lambda result: evaluation_text(title, result)),
        csv=TextForm("text/csv", evaluation_csv),
        html=TextForm("text/html", lambda result: evaluation_html(title, result, language)),
    )


def _forms_of(definition: Definition) -> Forms[Evaluation]:
    return _forms(definition.title, str(definition.document.get("language", "en")))


# --- operations ----------------------------------------------------------------------------------------------------------


@evaluations.post("/evaluations", responses=problems("not-found", "over-limit", "too-heavy"))
async def evaluate(
    request: Request,
    context: Context,
    owner: OptionalOwner,
    query: Annotated[FormQuery, Query()],
    body: Unread[EvaluationIn],
    work: Work,
) -> Annotated[Reply[Evaluation], Sends(media=_forms().media)]:
    """Evaluate a set definition against holdings."""

    def ask(asked: EvaluationIn) -> LoadedRequest:
        return evaluating.evaluation_request(context.database, owner, asked.inputs(context.today()))

    asked = await _read(context, body, {"holdings": []}, ask)
    asked = granted(context.settings, owner, asked)
    ensure_allowed(context.settings, owner, asked.definition, asked.holdings)
    sizes = await sizes_asked(context, owner, asked.definition, asked.holdings, asked.budget_seconds)
    await work.weigh(cost_of_evaluation(sizes))

    # Reading the definition and 100,000 holdings takes time too, so it happens under the limiter with the solve.
    def answer() -> Reply[Evaluation]:
        loaded = ask(asked)
        forms = _forms_of(loaded.request.definition)
        return forms.reply(evaluating.evaluated(loaded), forms.chosen(request, query.format))

    return await context.compute(answer)


@evaluations.post("/explanations", responses=problems("not-found", "over-limit", "too-heavy"))
async def explain_holding(
    request: Request,
    context: Context,
    owner: OptionalOwner,
    body: Unread[ExplanationIn],
    language: AskedLanguage,
    work: Work,
) -> Annotated[Reply[Explanation], Sends(headers=CONTENT_LANGUAGE, media=_EXPLANATIONS.media)]:
    """Explain one holding against one place or all, the closest first; as text in three lines of English. Rules and what facts
    may turn out to be are in words of the language that is asked for; `messages` have codes and parts."""

    def ask(asked: ExplanationIn) -> object:
        return explaining.explanation_request(context.database, owner, asked.inputs(context.today()))

    asked = await _read(context, body, {"holding": {"id": "?"}}, ask)
    ensure_allowed(context.settings, owner, asked.definition, [])
    await work.weigh(cost_of_explanation(await sizes_asked(context, owner, asked.definition, [], 0)))
    form = _EXPLANATIONS.chosen(request, None)
    told = language if form == JSON else IN_ENGLISH
    explained = await context.compute(
        lambda: explaining.explain_holding(context.database, owner, asked.inputs(context.today()), told)
    )
    reply = _EXPLANATIONS.reply(explained, form)
    return replace(reply, headers={**reply.headers, **spoken(told, "Accept")})


@evaluations.get("/definitions/{id}/evaluation", responses=problems("over-limit", "too-heavy"))
async def evaluate_mine(
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    query: Annotated[MineQuery, Query()],
    answers: KeptAnswers,
    work: Work,
) -> Annotated[Reply[Evaluation], Sends(headers=_ETAG, media=_forms().media)]:
    """A definition kept here against the holdings kept here."""
    day, form = query.today or context.today(), _forms().chosen(answers.request, query.format)

    def tag(key: SetKey, day: date) -> str:
        return entity_tag(*key.version(day), query.presume, form)

    async def make() -> tuple[SetKey, Response]:
        await weigh_set(work, context, owner, id, query.revision)
        # Read with holdings and issues, in one snapshot: the answer and its tag are then of the same state.
        mine = await context.read(lambda connection: load_stored_set(connection, owner, id, query.revision))

        def answer() -> Response:
            loaded = mine.ask(day, presume=query.presume)
            evaluated = evaluating.evaluated(loaded)
            return _forms_of(loaded.request.definition).reply(evaluated, form, tag(mine.key, day)).response()

        return mine.key, await context.compute(answer)

    return await answers.give(
        owner,
        day,
        Question(query.revision, query.today, tag),
        lambda: context.read(lambda connection: load_key(connection, owner, id, query.revision)),
        make,
    )


async def _read(
    context: runtime.Context, body: Received[Asked], stand_in: Mapping[str, Any], ask: Callable[[Asked], object]
) -> Asked:
    """The body as its model. When its shape is not right, the faults of what has the right shape are reported too."""
    try:
        return body.read()
    except Invalid as refusal:
        known = refusal
    further = await context.compute(lambda: _further_faults(body, known, stand_in, ask))
    raise Invalid([*known.faults, *further])


def _further_faults(
    body: Received[Asked], refusal: Invalid, stand_in: Mapping[str, Any], ask: Callable[[Asked], object]
) -> list[Fault]:
    """What is wrong with the members of a body whose shape is right; `stand_in` is used for members that are needed."""
    value, wrong = body.value, {fault.pointer.split("/")[1] for fault in refusal.faults if fault.pointer}
    # Without these two nothing else can be judged.
    if not isinstance(value, dict) or wrong & {"definition", "vocabularies"}:
        return []
    rest = {**stand_in, **{name: part for name, part in value.items() if name not in wrong}}
    try:
        ask(read(body.model, rest))
    except Invalid as further:
        return list(further.faults)
    except SetwrightError:
        return []
    return []
