"""Which unknown fact of my coins changes most, over all of my sets."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.responses import Response

from service.accounts.model import Owner
from service.database.engine import Database
from service.holdings.store import HoldingStore
from service.http.declared import OWNER, operation
from service.http.dependencies import Context, CurrentOwner
from service.http.responses import Answer
from service.http.schemas.doubts import DoubtsOut, DoubtsQuery
from service.progress.actions.candidates import kept_sets
from service.progress.actions.evaluate import editions, today
from service.progress.evaluate import ensure_evaluable
from service.progress.information import weigh_facts
from service.progress.whatif import Evaluated

router = APIRouter(prefix="/v1")
SOLVER_SECONDS = 5.0


@router.get(
    "/doubts",
    **operation(
        "list_doubts",
        "What to look at: the unknown facts of my coins that change most",
        tag="Evaluations",
        access=OWNER,
        answer=DoubtsOut,
        problems=["not-found", "over-limit", "invalid-query"],
    ),
)
async def doubts(parts: Context, owner: CurrentOwner, query: Annotated[DoubtsQuery, Query()]) -> Response:
    return Answer(await parts.limiter.run(lambda: _weighed(parts.database, owner, query))).response()


def _weighed(database: Database, owner: Owner, query: DoubtsQuery) -> dict[str, Any]:
    day = query.today or today()
    sets, _ = kept_sets(database, owner, query.definition, day, tries_each=1, budget_seconds=SOLVER_SECONDS)
    requests = [one.measurement for one in sets]
    for request in requests:
        ensure_evaluable(request)
    found = weigh_facts([Evaluated(request, tries=20) for request in requests])
    numbers = _numbers(database, owner)
    return {
        "evaluated_on": day.isoformat(),
        "sets": [
            {
                "definition": {"id": r.document_id, "revision": r.revision, "digest": r.definition.digest},
                "title": r.definition.title,
            }
            for r in requests
        ],
        "facts": [_numbered(entry, numbers) for entry in found["facts"]],
        "features": [_numbered(entry, numbers) for entry in found["features"]],
        "left_out": found["left_out"],
        **editions(),
    }


def _numbered(entry: dict[str, Any], numbers: dict[str, str]) -> dict[str, Any]:
    """The entry with the owner's own number of the coin, in its message too."""
    number = numbers.get(entry["holding"])
    message = entry["message"] if number is None else entry["message"].replace(entry["holding"], f"no. {number}")
    return {**entry, "number": number, "message": message}


def _numbers(database: Database, owner: Owner) -> dict[str, str]:
    held = database.read(lambda connection: HoldingStore(connection, owner).all())
    return {stored.id: stored.data["number"] for stored in held if stored.data.get("number")}
