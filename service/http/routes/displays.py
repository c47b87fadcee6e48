"""A display of several members' coins."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.clubs.actions.displays import displayed
from service.clubs.actions.standings import content_tag
from service.clubs.model import MEMBER
from service.http.conditional import accepted, is_known
from service.http.declared import IF_NONE_MATCH, SeatNeeded, not_modified_or, operation, with_headers
from service.http.dependencies import Context, DefinitionId
from service.http.pages import DISPLAY_POLICY, display_page
from service.http.responses import Answer
from service.http.schemas.displays import DisplayOut, DisplayQuery

router = APIRouter(prefix="/v1/clubs/{club_id}/definitions/{id}")
_FORMS = {"json": "application/json", "html": "text/html"}
_HEADERS = {"Cache-Control": "private, no-cache", "Content-Security-Policy": DISPLAY_POLICY}


@router.get(
    "/display",
    **with_headers(
        operation(
            "get_club_display",
            "One display of the coins of all members who consent, with the loans by owner",
            tag="Clubs",
            access=MEMBER,
            answer=DisplayOut,
            also_as=[_FORMS["html"]],
            problems=["bad-request", "invalid-query", "over-limit"],
            headers={"ETag": "Of what is shown, and of nothing else."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def display(
    request: Request, parts: Context, seat: SeatNeeded, id: DefinitionId, query: Annotated[DisplayQuery, Query()]
) -> Response:
    offered, shown = await displayed(parts, seat, id)
    form = query.format or accepted(request, _FORMS)
    tag = content_tag([form, shown])
    if form == "json" or is_known(request, tag):
        return not_modified_or(request, tag, lambda: Answer(shown, 200, {"Vary": "Accept"}))
    page = display_page(shown, str(offered.document.get("language", "en")))
    return Response(page, 200, {**_HEADERS, "ETag": tag, "Vary": "Accept"}, "text/html; charset=utf-8")
