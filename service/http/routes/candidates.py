"""What coins that are not owned yet would do in a set."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from service.http.declared import PERHAPS, EvaluationBody, operation
from service.http.dependencies import Context, OptionalOwner
from service.http.examples import CANDIDATES
from service.http.responses import Answer
from service.http.schemas.candidates import CandidatesIn, CandidatesOut
from service.http.wire import read
from service.progress.actions.candidates import consider

router = APIRouter(prefix="/v1")


@router.post(
    "/candidates",
    **operation(
        "consider_candidates",
        "What coins not owned yet would do in my sets, and which to buy",
        tag="Evaluations",
        access=PERHAPS,
        body=CandidatesIn,
        also_yaml="The same body as YAML, up to 1 MiB.",
        example=CANDIDATES,
        answer=CandidatesOut,
        problems=["not-found", "over-limit"],
    ),
)
async def consider_candidates(parts: Context, owner: OptionalOwner, body: EvaluationBody) -> Response:
    asked = read(CandidatesIn, body.value)
    return Answer(await parts.limiter.run(lambda: consider(parts.database, owner, asked, parts.today()))).response()
