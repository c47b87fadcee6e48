"""The problem document, for the OpenAPI document."""

from __future__ import annotations

from pydantic import Field

from service.http.schemas.common import Out


class FaultOut(Out):
    """One thing that is not right."""

    code: str
    message: str
    pointer: str = Field(description="A JSON pointer (RFC 6901) into the body; empty for the whole of it.")
    hint: str | None = Field(None, description="What would be right.")
    line: int | None = Field(None, description="In the rule's text, or in a body that is no JSON; counted from 1.")
    column: int | None = None


class ProblemOut(Out):
    """A problem document (RFC 9457)."""

    type: str = Field(description="The address of a page that explains this kind of problem.")
    title: str
    status: int
    detail: str
    errors: list[FaultOut] | None = None
    errors_left_out: int | None = Field(None, description="How many more faults were found than are listed.")
    error: str | None = Field(None, description="The code of RFC 8628, section 3.5, where a device asks for its token.")
