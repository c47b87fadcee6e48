"""Stateless evaluations and explanations: no account is needed when everything is in the body."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from service.errors import Invalid
from service.http.answers import Answer
from service.http.evaluating import Asked, ask_evaluation, ask_explanation, editions, moved
from service.http.examples import EVALUATION, EXPLANATION
from service.http.needs import EvaluationBody, Parts, PerhapsOwner
from service.http.openapi import PERHAPS, operation
from service.http.schemas.common import read
from service.http.schemas.evaluations import EvaluationIn, EvaluationOut, ExplanationIn, ExplanationOut
from service.progress.explain import explain
from service.progress.measure import measure

router = APIRouter(prefix="/v1")
_TAG = "Evaluations"
_AS_YAML = "The same body as YAML, up to 1 MiB."


def evaluated(asked: Asked) -> dict[str, Any]:
    """The evaluation as plain values, with what it rests on. Takes its time: call it outside the event loop."""
    answer = measure(asked.measurement)
    return {**answer, "ignored_facts": list(asked.ignored)} if asked.ignored else answer


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
async def evaluate(parts: Parts, owner: PerhapsOwner, body: EvaluationBody) -> Response:
    asked = read(EvaluationIn, body.value)
    # Reading the definition and 100,000 holdings takes time too, so it happens behind the gate with the solve.
    answer = await parts.gate.run(lambda: evaluated(ask_evaluation(parts.database, owner, asked)))
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
async def explain_holding(parts: Parts, owner: PerhapsOwner, body: EvaluationBody) -> Response:
    asked = read(ExplanationIn, body.value)

    def run() -> dict[str, Any]:
        measurement, holding = ask_explanation(parts.database, owner, asked)
        try:
            return {**explain(measurement, holding, asked.place), **editions()}
        except Invalid as refusal:
            raise Invalid(moved(fault, "/holdings/0", "/holding") for fault in refusal.faults) from None

    return Answer(await parts.gate.run(run)).response()
