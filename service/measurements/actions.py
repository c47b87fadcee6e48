"""The check of a piece: the piece and the issues it is compared with are loaded, and compared outside the transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.engine import Database
from service.errors import Fault, Invalid, NotAuthenticated, NotFound, Sentence
from service.evaluation.engine import ENGINE
from service.facts.core_attributes import CORE
from service.facts.holding import Facts, read_facts
from service.facts.knowledge import Among
from service.facts.words import nearest
from service.holdings.store import HoldingStore
from service.measurements.fine_weight import fine_weights
from service.measurements.look_alikes import LookAlikeComparison, compare_issue
from service.measurements.plausibility import Published, material_of
from service.measurements.result import (
    PieceCheck,
    distinguishing_result,
    fine_weight_result,
    look_alike_results,
    measurement_results,
)
from service.reference import actions as reference
from service.reference import shipped
from service.reference.model import StoredIssue

MOST_COMPARED = 50
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

# A JSON pointer to where an issue is named, and its id; or the issue as it was sent.
NamedIssue = tuple[str, str | Published]


@dataclass(frozen=True, slots=True)
class PieceQuestion:
    """What to check. `holding` is the id of a stored holding, whose facts take the place of `measured`; without `issue` the
    holding's is meant, without `look_alikes` (None) those that the issue names. `faults` is what was found wrong so far."""

    measured: Facts
    holding: str | None
    issue: NamedIssue | None
    look_alikes: Sequence[NamedIssue] | None
    faults: Sequence[Fault] = ()


@dataclass(frozen=True, slots=True)
class _Loaded:
    measured: Facts
    issue: Published | None
    look_alikes: Sequence[Published]
    faults: Sequence[Fault]
    notes: Sequence[str]


def piece_check(database: Database, owner: Owner | None, question: PieceQuestion) -> PieceCheck:
    """Whether the piece can be of the issue. Raises Invalid with every fault, NotAuthenticated without an account where one is
    needed, NotFound for the holding."""
    if question.holding is not None and owner is None:
        raise NotAuthenticated("a holding that is kept here needs an account: send `measured` instead, or a token")
    loaded = database.read(lambda connection: _Loading(connection, owner, question).loaded())
    if loaded.faults or loaded.issue is None:
        raise Invalid(loaded.faults)
    found = compare_issue(loaded.measured, loaded.issue, loaded.look_alikes)
    return PieceCheck(
        issue=loaded.issue.id,
        label=loaded.issue.label,
        verdict=found.piece.verdict,
        tests=measurement_results(found.piece),
        look_alikes=look_alike_results(found.look_alikes),
        remaining=list(found.remaining),
        settled=found.settled,
        would_tell=[distinguishing_result(test) for test in found.would_tell],
        fine_weight=[fine_weight_result(weight) for weight in fine_weights(loaded.measured, loaded.issue)],
        cautions=[*_cautions(found, loaded.measured), *loaded.notes],
        reference_edition=reference.edition(),
        engine_version=ENGINE,
    )


class _Loading:
    """The piece, its issue and the look-alikes, in one snapshot."""

    def __init__(self, connection: Connection, owner: Owner | None, question: PieceQuestion) -> None:
        self.connection, self.owner, self.question = connection, owner, question
        self.faults, self.notes = list(question.faults), list[str]()

    def loaded(self) -> _Loaded:
        """Raises NotFound for the holding."""
        measured, named, candidates = self._piece()
        issue, alike = (None, ()) if named is None else self._issue(named, self.faults)
        wanted = self.question.look_alikes
        if wanted is None:
            wanted = [("", name) for name in dict.fromkeys((*candidates, *alike))]
        others = self._look_alikes(wanted, None if issue is None else issue.id)
        return _Loaded(measured, issue, others, self.faults, self.notes)

    def _piece(self) -> tuple[Facts, NamedIssue | None, Sequence[str]]:
        """The facts of the piece, its issue, and further candidates for its issue."""
        question = self.question
        if question.holding is None or self.owner is None:
            return question.measured, question.issue, ()
        stored = HoldingStore(self.connection, self.owner).get(question.holding)
        measured = read_facts(dict(stored.data.get("facts", {})), CORE, strict=False)[0]
        if question.issue is not None:
            return measured, question.issue, ()
        issue = stored.data.get("issue")
        names = [issue] if isinstance(issue, str) else list(issue["one_of"]) if issue else []
        if not names:
            hint = "name one in `issue`"
            self.faults.append(Fault("missing", "the holding names no issue to compare it with", "/issue", hint))
            return measured, None, ()
        # The other candidates of a holding are what its first one may be taken for.
        return measured, ("/holding", names[0]), names[1:]

    def _look_alikes(self, wanted: Sequence[NamedIssue], issue: str | None) -> list[Published]:
        found: list[Published] = []
        taken = {issue}
        for pointer, entry in wanted[:MOST_COMPARED]:
            faults: list[Fault] = []
            one, _ = self._issue((pointer, entry), faults)
            if pointer:
                self.faults.extend(faults)
            elif faults:
                self.notes.append(
                    f"The look-alike '{str(entry)[:200]}' is in no catalogue here, so it was not compared."
                )
            if one is None:
                continue
            if one.id not in taken:
                found.append(one)
            elif pointer:
                self.faults.append(Fault.of("clashing-id", "the issue '{id}' is listed twice", pointer, id=one.id))
            taken.add(one.id)
        if len(wanted) > MOST_COMPARED:
            self.notes.append(f"Of {len(wanted)} look-alikes the first {MOST_COMPARED} were compared.")
        return found

    def _issue(self, named: NamedIssue, faults: list[Fault]) -> tuple[Published | None, tuple[str, ...]]:
        """The issue with the ids of its look-alikes: as it was sent, the owner's own, or a shipped one. None with a fault where
        there is no such issue."""
        pointer, entry = named
        if isinstance(entry, Published):
            return entry, ()
        try:
            found = reference.find_issue(self.connection, self.owner, entry)
        except NotFound:
            near = nearest(entry, reference.shipped_issues())
            hint = (
                Sentence("did you mean '{near}'?", near=near)
                if near
                else "see /v1/issues, or send the issue with its facts"
            )
            faults.append(
                Fault.of("unknown-issue", "the issue '{issue}' is in no catalogue here", pointer, hint, issue=entry)
            )
            return None, ()
        content = found.issue if isinstance(found, StoredIssue) else found
        fractions = {} if isinstance(found, StoredIssue) else shipped.exact_values().get(content.id, {})
        facts = read_facts(dict(content.facts), CORE, strict=False)[0]
        return Published(content.id, facts, content.label, content.source, fractions), content.look_alikes


def _cautions(found: LookAlikeComparison, measured: Facts) -> list[str]:
    cautions = [NO_JUDGEMENT, NO_TREATMENT]
    metals = [material_of(one.issue.facts) for one in (found.piece, *found.look_alikes)]
    if any(metal in _PRECIOUS for metal in metals) or "fineness" in found.piece.issue.facts:
        cautions.append(LOCAL_LAW)
    weight = measured.get("weight_measured")
    if isinstance(weight, Among) and weight.is_plain:
        cautions.append(TAKEN_EXACTLY)
    if not found.look_alikes:
        cautions.append(NO_LOOK_ALIKES)
    if found.settled:
        cautions.append(ONLY_THESE)
    return cautions
