"""From a request to the piece that it measures and the issues that it is held against, and the answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.engine import Database
from service.database.ids import read_id
from service.errors import Fault, Invalid, NotAuthenticated, NotFound
from service.facts.attributes import nearest
from service.facts.core import CORE
from service.facts.holding import Facts, read_facts
from service.facts.kinds import value_kind_of
from service.facts.knowledge import Among, exact, plain_number, written_knowledge
from service.holdings.store import HoldingStore
from service.http.schemas.evaluations import IssueIn
from service.http.schemas.pieces import MOST_LOOK_ALIKES, PieceCheckIn
from service.http.wire import read
from service.measurements.fine_weight import (
    GRAM_PLACES,
    OUNCE_PLACES,
    FineWeight,
    fine_weights,
    in_troy_ounces,
    rounded,
)
from service.measurements.look_alikes import DistinguishingTest, LookAlikeComparison, compare_issue
from service.measurements.plausibility import MeasurementCheck, Published, material_of
from service.progress.actions.evaluate import editions
from service.reference import actions as reference
from service.reference import shipped
from service.reference.model import StoredIssue

NO_JUDGEMENT = (
    "This compares figures. It is no authentication and no valuation: a copy may have the right weight and size. Where it "
    "matters, ask a qualified professional."
)
NO_TREATMENT = (
    "Never clean, scratch, file or treat a coin to find out what it is: that harms it, and solvents and acids can hurt "
    "you."
)
LOCAL_LAW = (
    "Old, excavated and precious-metal pieces fall under local law on export, cultural property and tax. Ask about the law "
    "where you are before you sell one or send it abroad."
)
NO_LOOK_ALIKES = "No look-alikes were compared; that does not mean that there are none."
ONLY_THESE = (
    "Settled among the issues compared here only; a copy, or an issue that is not in the list, is not ruled out."
)
TAKEN_EXACTLY = (
    "A plain figure is taken as exact. If your scale shows tenths of a gram, give a range that is a tenth wide."
)
_PRECIOUS = ("gold", "silver", "platinum", "palladium", "billon")

NamedIssue = tuple[str, Any]


@dataclass(slots=True)
class PieceRequest:
    """What a body asks for. `issue` and `look_alikes` are (pointer, id or inline issue)."""

    measured: Facts
    holding: str | None
    issue: NamedIssue | None
    look_alikes: list[NamedIssue] | None
    faults: list[Fault]
    notes: list[str] = field(default_factory=list)


def check_piece(database: Database, owner: Owner | None, body: Any) -> dict[str, Any]:
    """The answer to the body of a piece check. Raises Invalid with every fault, Unwelcome without an account where one is
    needed, NotFound for a holding."""
    asked = _read(body)
    if asked.holding is not None and owner is None:
        raise NotAuthenticated("a holding that is kept here needs an account: send `measured` instead, or a token")
    issue, others = database.read(lambda connection: _load(connection, owner, asked))
    if asked.faults or issue is None:
        raise Invalid(asked.faults)
    found = compare_issue(asked.measured, issue, others)
    return {**_shown(found, asked), **editions()}


def _read(body: Any) -> PieceRequest:
    """The members of the body, with all that is wrong with their form."""
    faults: list[Fault] = []
    try:
        read(PieceCheckIn, body)
    except Invalid as refusal:
        if not isinstance(body, dict):
            raise
        faults.extend(refusal.faults)
    measured: Facts = {}
    holding = None
    if "holding" in body:
        holding = read_id(body["holding"]) if isinstance(body["holding"], str) else None
        if holding is None:
            faults.append(Fault("id", "this is the id of a holding kept here", "/holding"))
        if "measured" in body:
            message = "`holding` and `measured` do not go together"
            faults.append(Fault("clash", message, "/measured", "send one of the two"))
    elif "measured" not in body:
        faults.append(Fault("missing", "'measured' is needed, or a holding", "/measured"))
    if "measured" in body:
        measured, wrong = read_facts(body["measured"], CORE, strict=True)
        faults.extend(fault.under("/measured") for fault in wrong)
    issue = None
    if "issue" in body:
        issue = ("/issue", body["issue"])
    elif "holding" not in body:
        faults.append(Fault("missing", "'issue' is needed: which issue is the piece held against?", "/issue"))
    return PieceRequest(measured, holding, issue, _listed(body, faults), faults)


def _listed(body: Mapping[str, Any], faults: list[Fault]) -> list[NamedIssue] | None:
    if "look_alikes" not in body:
        return None
    sent = body["look_alikes"]
    if not isinstance(sent, list):
        faults.append(Fault("type", f"look-alikes are a list of issues, not {value_kind_of(sent)}", "/look_alikes"))
        return []
    if len(sent) > MOST_LOOK_ALIKES:
        message = f"up to {MOST_LOOK_ALIKES} look-alikes are compared, not {len(sent)}"
        faults.append(Fault("over-limit", message, "/look_alikes"))
        return []
    return [(f"/look_alikes/{place}", entry) for place, entry in enumerate(sent)]


def _load(connection: Connection, owner: Owner | None, asked: PieceRequest) -> tuple[Published | None, list[Published]]:
    """The issue and its look-alikes; what is wrong is added to the faults."""
    named, candidates = asked.issue, list[str]()
    if asked.holding is not None and owner is not None:
        stored = HoldingStore(connection, owner).get(asked.holding)
        asked.measured = read_facts(dict(stored.data.get("facts", {})), CORE, strict=False)[0]
        issue = stored.data.get("issue")
        names = [issue] if isinstance(issue, str) else list(issue["one_of"]) if issue else []
        if named is None and names:
            # The other candidates of a holding are what its first one may be taken for.
            named, candidates = ("/holding", names[0]), names[1:]
        elif named is None:
            hint = "name one in `issue`"
            asked.faults.append(Fault("missing", "the holding names no issue to hold it against", "/issue", hint))
    found = None if named is None else _resolve(connection, owner, named, asked.faults)
    issue, alike = (None, ()) if found is None else found
    if asked.look_alikes is None:
        wanted: list[NamedIssue] = [("", name) for name in dict.fromkeys((*candidates, *alike))]
    else:
        wanted = asked.look_alikes
    return issue, _others(connection, owner, asked, wanted, None if issue is None else issue.id)


def _others(
    connection: Connection, owner: Owner | None, asked: PieceRequest, wanted: Sequence[NamedIssue], issue: str | None
) -> list[Published]:
    found: list[Published] = []
    taken = {issue}
    for pointer, entry in wanted[:MOST_LOOK_ALIKES]:
        faults: list[Fault] = []
        resolved = _resolve(connection, owner, (pointer, entry), faults)
        if pointer:
            asked.faults.extend(faults)
        elif faults:
            asked.notes.append(f"The look-alike '{str(entry)[:200]}' is in no catalogue here, so it was not compared.")
        if resolved is None:
            continue
        if resolved[0].id not in taken:
            found.append(resolved[0])
        elif pointer:
            asked.faults.append(Fault("clashing-id", f"the issue '{resolved[0].id}' stands here twice", pointer))
        taken.add(resolved[0].id)
    if len(wanted) > MOST_LOOK_ALIKES:
        asked.notes.append(f"Of {len(wanted)} look-alikes the first {MOST_LOOK_ALIKES} were compared.")
    return found


def _resolve(
    connection: Connection, owner: Owner | None, named: NamedIssue, faults: list[Fault]
) -> tuple[Published, tuple[str, ...]] | None:
    """The one way from a name to figures: an inline issue as it stands, the owner's own, or a shipped one; with the ids of its
    look-alikes. None with a fault where there is no such issue."""
    pointer, entry = named
    if isinstance(entry, dict):
        return _inline(pointer, entry, faults)
    if not isinstance(entry, str) or not 1 <= len(entry) <= 200:
        message = "the id of a catalogue issue is needed here, or an issue with its facts"
        faults.append(Fault("type", message, pointer))
        return None
    try:
        found = reference.find_issue(connection, owner, entry)
    except NotFound:
        near = nearest(entry, reference.shipped_issues())
        hint = f"did you mean '{near}'?" if near else "see /v1/issues, or send the issue with its facts"
        faults.append(Fault("unknown-issue", f"the issue '{entry}' is in no catalogue here", pointer, hint))
        return None
    content = found.issue if isinstance(found, StoredIssue) else found
    fractions = {} if isinstance(found, StoredIssue) else shipped.exact_values().get(content.id, {})
    facts = read_facts(dict(content.facts), CORE, strict=False)[0]
    return Published(content.id, facts, content.label, content.source, fractions), content.look_alikes


def _inline(pointer: str, entry: Any, faults: list[Fault]) -> tuple[Published, tuple[str, ...]] | None:
    facts: Facts = {}
    wrong: list[Fault] = []
    if isinstance(entry.get("facts"), dict):
        facts, of_facts = read_facts(entry["facts"], CORE, strict=True)
        wrong = [fault.under("/facts") for fault in of_facts]
    try:
        issue = read(IssueIn, entry)
    except Invalid as refusal:
        issue = None
        wrong = [*refusal.faults, *wrong]
    faults.extend(fault.under(pointer) for fault in wrong)
    return None if issue is None or wrong else (Published(issue.id, facts, issue.label), ())


def _shown(found: LookAlikeComparison, asked: PieceRequest) -> dict[str, Any]:
    issue = found.piece.issue
    return {
        "issue": issue.id,
        "label": issue.label,
        "verdict": found.piece.verdict,
        "tests": [_trial(trial, issue) for trial in found.piece.trials],
        "look_alikes": [
            {
                "issue": one.issue.id,
                "label": one.issue.label,
                "verdict": one.verdict,
                "tests": [_trial(trial, one.issue) for trial in one.trials],
            }
            for one in found.look_alikes
        ],
        "remaining": list(found.remaining),
        "settled": found.settled,
        "would_tell": [_telling(telling) for telling in found.would_tell],
        "fine_weight": [_fine(weight) for weight in fine_weights(asked.measured, issue)],
        "cautions": _cautions(found, asked),
    }


def _trial(trial: MeasurementCheck, issue: Published) -> dict[str, Any]:
    told = trial.tolerance is not None
    return {
        "attribute": trial.attribute,
        "measured": None if trial.measured is None else written_knowledge(trial.measured),
        "published": None if trial.published is None else written_knowledge(trial.published),
        "tolerance": _number(trial.tolerance),
        "tolerance_from": ("common practice" if trial.assumed else "law") if told else None,
        "verdict": trial.verdict,
        "why": trial.why,
        "source": "" if trial.published is None else issue.source,
    }


def _telling(telling: DistinguishingTest) -> dict[str, Any]:
    return {
        "attribute": telling.attribute,
        "between": list(telling.between),
        "tells": telling.tells,
        "apart": _number(telling.apart),
        "tolerances": _number(telling.tolerances),
        "measured": telling.measured,
        "why": telling.why,
    }


def _number(value: Fraction | None) -> Any:
    return None if value is None else plain_number(exact(value))


def _fine(weight: FineWeight) -> dict[str, Any]:
    ends = None if weight.low is None or weight.high is None else (weight.low, weight.high)
    ounces = None if ends is None else (in_troy_ounces(ends[0]), in_troy_ounces(ends[1]))
    return {
        "rule": weight.rule,
        "metal": weight.metal,
        "grams": _range(ends, lambda grams: rounded(grams, GRAM_PLACES)),
        "troy_ounces": _range(ounces, lambda found: rounded(found, OUNCE_PLACES)),
        "exact_grams": _range(ends, str),
        "exact_troy_ounces": _range(ounces, str),
        "places": {"grams": GRAM_PLACES, "troy_ounces": OUNCE_PLACES},
        "why": weight.why,
    }


def _range(ends: tuple[Fraction, Fraction] | None, show: Any) -> Any:
    if ends is None:
        return None
    return show(ends[0]) if ends[0] == ends[1] else {"from": show(ends[0]), "to": show(ends[1])}


def _cautions(found: LookAlikeComparison, asked: PieceRequest) -> list[str]:
    cautions = [NO_JUDGEMENT, NO_TREATMENT]
    metals = [material_of(one.issue.facts) for one in (found.piece, *found.look_alikes)]
    if any(metal in _PRECIOUS for metal in metals) or "fineness" in found.piece.issue.facts:
        cautions.append(LOCAL_LAW)
    weight = asked.measured.get("weight_measured")
    if isinstance(weight, Among) and weight.is_plain:
        cautions.append(TAKEN_EXACTLY)
    if not found.look_alikes:
        cautions.append(NO_LOOK_ALIKES)
    if found.settled:
        cautions.append(ONLY_THESE)
    return [*cautions, *asked.notes]
