"""What was measured on one piece, compared with its issue and the issues that look like it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import Field, WithJsonSchema

from service.database.ids import read_id
from service.errors import Fault, Invalid, Sentence
from service.facts.core_attributes import CORE
from service.facts.holding import Facts, read_facts
from service.facts.kinds import value_kind_of
from service.http.dependencies import Context, OptionalOwner, Unread
from service.http.inputs import IssueIn
from service.http.openapi import problems, router
from service.http.wire import In, read
from service.measurements import actions
from service.measurements.actions import MOST_COMPARED, NamedIssue, PieceQuestion
from service.measurements.plausibility import Published
from service.measurements.result import PieceCheck

pieces = router("/v1", "Reference")

_ISSUE = {
    "anyOf": [
        {"type": "string", "minLength": 1, "maxLength": 200},
        {
            "type": "object",
            "properties": {
                "id": {"type": "string", "minLength": 1, "maxLength": 200},
                "label": {"type": "string"},
                "facts": {"type": "object"},
            },
            "required": ["id", "facts"],
            "additionalProperties": False,
        },
    ]
}
_AnyIssue = Annotated[Any, WithJsonSchema(_ISSUE)]
_AnyIssues = Annotated[Any, WithJsonSchema({"type": "array", "maxItems": MOST_COMPARED, "items": _ISSUE})]
_AnyFacts = Annotated[Any, WithJsonSchema({"type": "object"})]
_AnyHolding = Annotated[Any, WithJsonSchema({"type": "string", "format": "uuid"})]


class PieceCheckIn(In):
    """What was measured and on which issue it is tried. No account is needed unless something kept here is named."""

    issue: _AnyIssue = Field(
        None, description="The id of a catalogue issue, or one with its facts; left out: that of the holding."
    )
    look_alikes: _AnyIssues = Field(
        None, description="Issues that it may be taken for; left out: those that the issue names."
    )
    measured: _AnyFacts = Field(
        None, description="Facts of the piece: weight_measured, diameter, magnetic, thickness, year_on_coin, problems."
    )
    holding: _AnyHolding = Field(None, description="A holding kept here, in place of `measured`.")


@pieces.post("/piece-checks", responses=problems("not-found"))
def check_piece(context: Context, owner: OptionalOwner, body: Unread[PieceCheckIn]) -> PieceCheck:
    """Check a piece's weight, size and magnetism against its issue and look-alikes."""
    return actions.piece_check(context.database, owner, _question(body.value))


# --- reading the body: all faults at once, those of facts and issues too ---------------------------------------------------


def _question(body: Any) -> PieceQuestion:
    faults: list[Fault] = []
    try:
        read(PieceCheckIn, body)
    except Invalid as refusal:
        if not isinstance(body, dict):
            raise
        faults.extend(refusal.faults)
    holding, measured = _holding(body, faults), _measured(body, faults)
    issue = None
    if "issue" in body:
        issue = _issue("/issue", body["issue"], faults)
    elif "holding" not in body:
        faults.append(Fault("missing", "'issue' is needed: which issue is the piece compared with?", "/issue"))
    return PieceQuestion(measured, holding, issue, _look_alikes(body, faults), faults)


def _holding(body: Mapping[str, Any], faults: list[Fault]) -> str | None:
    if "holding" not in body:
        return None
    holding = read_id(body["holding"]) if isinstance(body["holding"], str) else None
    if holding is None:
        faults.append(Fault("id", "this is the id of a holding kept here", "/holding"))
    return holding


def _measured(body: Mapping[str, Any], faults: list[Fault]) -> Facts:
    if "measured" not in body:
        if "holding" not in body:
            faults.append(Fault("missing", "'measured' is needed, or a holding", "/measured"))
        return {}
    if "holding" in body:
        message = "`holding` and `measured` do not go together"
        faults.append(Fault("clash", message, "/measured", "send one of the two"))
    measured, wrong = read_facts(body["measured"], CORE, strict=True)
    faults.extend(fault.under("/measured") for fault in wrong)
    return measured


def _look_alikes(body: Mapping[str, Any], faults: list[Fault]) -> list[NamedIssue] | None:
    if "look_alikes" not in body:
        return None
    sent = body["look_alikes"]
    if not isinstance(sent, list):
        faults.append(
            Fault.of("type", "look-alikes are a list of issues, not {kind}", "/look_alikes", kind=value_kind_of(sent))
        )
        return []
    if len(sent) > MOST_COMPARED:
        message = Sentence("up to {most} look-alikes are compared, not {count}", most=MOST_COMPARED, count=len(sent))
        faults.append(Fault("over-limit", message, "/look_alikes"))
        return []
    found = (_issue(f"/look_alikes/{at}", entry, faults) for at, entry in enumerate(sent))
    return [issue for issue in found if issue is not None]


def _issue(pointer: str, entry: Any, faults: list[Fault]) -> NamedIssue | None:
    """An issue by its id, or as it is in the body; None with a fault."""
    if isinstance(entry, str) and 1 <= len(entry) <= 200:
        return pointer, entry
    if not isinstance(entry, dict):
        message = "the id of a catalogue issue is needed here, or an issue with its facts"
        faults.append(Fault("type", message, pointer))
        return None
    facts: Facts = {}
    wrong: list[Fault] = []
    if isinstance(entry.get("facts"), dict):
        facts, of_facts = read_facts(entry["facts"], CORE, strict=True)
        wrong = [fault.under("/facts") for fault in of_facts]
    try:
        issue = read(IssueIn, entry)
    except Invalid as refusal:
        faults.extend(fault.under(pointer) for fault in (*refusal.faults, *wrong))
        return None
    faults.extend(fault.under(pointer) for fault in wrong)
    return None if wrong else (pointer, Published(issue.id, facts, issue.label))
