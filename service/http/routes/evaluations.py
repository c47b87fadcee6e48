"""Stateless evaluations and explanations: no account is needed when everything is in the body."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from service import runtime
from service.errors import Invalid
from service.facts.holding import Holding
from service.http.declared import PERHAPS, EvaluationBody, operation
from service.http.dependencies import Context, OptionalOwner
from service.http.examples import CHECK, EVALUATION, EXPLANATION
from service.http.responses import Answer
from service.http.schemas.evaluations import (
    CheckIn,
    CheckOut,
    EvaluationIn,
    EvaluationOut,
    ExplanationIn,
    ExplanationOut,
)
from service.http.wire import read
from service.progress import evaluate as progress
from service.progress.actions.evaluate import (
    LoadedRequest,
    Question,
    check_report,
    editions,
    evaluation_request,
    explanation_request,
    faults_of_the_rest,
    moved,
)
from service.progress.evaluate import EvaluationRequest
from service.progress.explain import explain
from service.progress.result import Evaluation

router = APIRouter(prefix="/v1")
_TAG = "Evaluations"
_AS_YAML = "The same body as YAML, up to 1 MiB."


def evaluated(asked: LoadedRequest) -> Evaluation:
    """The evaluation, with what was left out of the holdings. Takes its time: call it outside the event loop."""
    return progress.evaluate(asked.measurement).with_ignored(list(asked.ignored))


@router.post(
    "/evaluations",
    **operation(
        "evaluate",
        "Evaluate a set definition against holdings",
        tag=_TAG,
        access=PERHAPS,
        body=EvaluationIn,
        also_yaml=_AS_YAML,
        example=EVALUATION,
        answer=EvaluationOut,
        problems=["not-found", "over-limit"],
    ),
)
async def evaluate(parts: Context, owner: OptionalOwner, body: EvaluationBody) -> Response:
    def ask(asked: EvaluationIn) -> LoadedRequest:
        return evaluation_request(parts.database, owner, asked)

    asked = await _read(parts, EvaluationIn, body.value, {"holdings": []}, ask)
    # Reading the definition and 100,000 holdings takes time too, so it happens behind the gate with the solve.
    answer = await parts.limiter.run(lambda: evaluated(ask(asked)))
    return Answer(answer).response()


@router.post(
    "/explanations",
    **operation(
        "explain_holding",
        "Explain one holding against one place or all",
        tag=_TAG,
        access=PERHAPS,
        body=ExplanationIn,
        also_yaml=_AS_YAML,
        example=EXPLANATION,
        answer=ExplanationOut,
        problems=["not-found", "over-limit"],
    ),
)
async def explain_holding(parts: Context, owner: OptionalOwner, body: EvaluationBody) -> Response:
    def ask(asked: ExplanationIn) -> tuple[EvaluationRequest, Holding]:
        return explanation_request(parts.database, owner, asked)

    asked = await _read(parts, ExplanationIn, body.value, {"holding": {"id": "?"}}, ask)

    def run() -> dict[str, Any]:
        measurement, holding = ask(asked)
        try:
            return {**explain(measurement, holding, asked.place), **editions()}
        except Invalid as refusal:
            raise Invalid(moved(fault, "/holdings/0", "/holding") for fault in refusal.faults) from None

    return Answer(await parts.limiter.run(run)).response()


async def _read(
    parts: runtime.Context,
    model: type[Question],
    value: Any,
    stand_in: Mapping[str, Any],
    ask: Callable[[Question], object],
) -> Question:
    """The body as its model; when its form is wrong, what is wrong with its sense is told along."""
    try:
        return read(model, value)
    except Invalid as refusal:
        known = refusal
    further = await parts.limiter.run(lambda: faults_of_the_rest(model, value, known, stand_in, ask))
    raise Invalid([*known.faults, *further])


@router.post(
    "/definition-checks",
    **operation(
        "check_definition",
        "Check a set definition before a club relies on it",
        tag="Definitions",
        access=PERHAPS,
        body=CheckIn,
        also_yaml=_AS_YAML,
        example=CHECK,
        answer=CheckOut,
        problems=["not-found", "over-limit"],
    ),
)
async def check_definition(parts: Context, owner: OptionalOwner, body: EvaluationBody) -> Response:
    asked = read(CheckIn, body.value)
    return Answer(await parts.limiter.run(lambda: check_report(parts.database, owner, asked))).response()
