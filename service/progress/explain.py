"""One coin against one place or all of them, clause by clause."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated

from msgspec import UNSET, Meta, Struct, UnsetType

from service.errors import Fault, Invalid, Sentence
from service.evaluation.engine import ENGINE
from service.evaluation.explanation import (
    BudgetedVerdicts,
    ExplainedClause,
    SettlingFact,
    explain_clauses,
    settle,
)
from service.evaluation.keys import Collection
from service.evaluation.places import FREE_CHOICE, Place, places_of
from service.evaluation.table import Table
from service.evaluation.verdicts import Case, Doubt
from service.facts.holding import Holding, View
from service.facts.knowledge import value_as_json
from service.facts.recorded import RecordedFact
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.facts.words import nearest
from service.progress.description import MissingReference, missing_reference
from service.progress.evaluate import EvaluationRequest, ensure_evaluable, stamp_of
from service.progress.named import Named, named_holdings
from service.progress.result import DefinitionStamp
from service.rules.labels import Labels, shortened
from service.rules.messages import CoinPart, FactPart, Message, MorePart, PlacePart, message, some
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.rules.predicates import EvaluationContext
from service.rules.wording import RuleWording

_CLOSER = (YES, UNDECIDED, NO)


class VerdictOutcome(Struct, frozen=True):
    """One way that a fact may turn out."""

    when: Annotated[str, Meta(description="The values, in words.")]
    example: Annotated[
        RecordedFact,
        Meta(description="A value that can be recorded as it stands and leads there; null: none was found."),
    ]
    verdict: Annotated[Verdict, Meta(description="undecided: other facts of the list matter too.")]


class FactToCheck(Struct, frozen=True):
    """A fact that would settle a doubt, alone or with the others of its list."""

    attribute: str
    look_at: Annotated[str, Meta(description="What to look at on the coin.")]
    outcomes: Annotated[
        list[VerdictOutcome],
        Meta(description="Every way that it may turn out; empty where the list of facts may not be the shortest."),
    ]


class ExplainedView(Struct, frozen=True, kw_only=True):
    """The verdict for one issue that the coin may be, or for the coin as it is recorded."""

    issue: Annotated[str | UnsetType | None, Meta(description="Left out where the coin names no issue.")] = UNSET
    verdict: Verdict
    clauses: list[ExplainedClause]
    settle: Annotated[list[FactToCheck], Meta(description="The shortest list of facts that would settle the doubt.")]
    reference: Annotated[
        list[MissingReference] | UnsetType,
        Meta(description="What the vocabularies do not say; a doubt that it leaves remains when every fact is known."),
    ] = UNSET


class ExplainedPlace(Struct, frozen=True, kw_only=True):
    """The verdict for one place, or for the places of a free choice."""

    place: Annotated[str, Meta(description="A place by its address, a free choice by its group.")]
    label: str
    note: Annotated[str | UnsetType, Meta(description="The author's note to the place, or to its group.")] = UNSET
    in_words: str
    verdict: Verdict
    basis: Annotated[Doubt | UnsetType, Meta(description="What an undecided verdict rests on.")] = UNSET
    limit: Annotated[str | UnsetType, Meta(description="What prevented an exact verdict.")] = UNSET
    may_be: Annotated[list[ExplainedView], Meta(description="One for each issue that the coin may be.")]


class Explanation(Struct, frozen=True):
    """The verdicts of one holding, clause by clause."""

    holding: str
    definition: DefinitionStamp
    evaluated_on: date
    places: Annotated[
        list[ExplainedPlace],
        Meta(description="The closest first: those that it fits, may fit, fails in the fewest clauses."),
    ]
    messages: Annotated[
        list[Message],
        Meta(
            description="In three sentences: where it fits, what to check or what it fails, how many places of each kind."
        ),
    ]
    named: Named
    reference_edition: str | None
    engine_version: str


def explain(
    request: EvaluationRequest, holding: Holding, place: str | None, speech: Speech = ENGLISH_SPEECH
) -> Explanation:
    """For every place asked the verdict, its clauses with the facts that they read and where those came from, and for a doubt
    the facts that would settle it.

    `place` is the address of a place or the id of a group; None is every place (the places of a free choice once). `speech` is
    the language of rules, terms and what facts may turn out to be, in parts of messages too; sentences of messages are English.
    Raises Invalid for a place that is not in the set.
    """
    ensure_evaluable(request)
    definition = request.definition
    context = EvaluationContext(request.today, request.vocabularies)
    seen = request.views_of(holding)
    others = tuple(request.views_of(other) for other in request.holdings)
    places = _asked(places_of(definition, Collection((seen, *others), request.issues, context)), place)
    table = Table(definition.attributes, context)
    wording = RuleWording(definition.attributes, request.vocabularies, speech)
    verdicts = BudgetedVerdicts(definition.attributes, context)
    explained = [_explained(item, seen, table, wording, verdicts) for item in places]
    explained.sort(key=_distance)
    named = named_holdings([(holding, seen)], definition.attributes, request.vocabularies)
    name = named[holding.id]
    return Explanation(
        holding=holding.id,
        definition=stamp_of(request),
        evaluated_on=request.today,
        places=explained,
        messages=_messages(CoinPart(holding.id, name.number, name.title), explained, wording),
        named=named,
        reference_edition=request.reference_edition,
        engine_version=ENGINE,
    )


def _distance(place: ExplainedPlace) -> tuple[int, int]:
    """Closer places compare less; equal ones stay in the order of the document."""
    return _CLOSER.index(place.verdict), len(_failing(place))


def _failing(place: ExplainedPlace, opening: str = "") -> list[str]:
    """In words the clauses that the coin fails as each of its issues; where it fails none as all of them, those of the first."""
    by_view = [_failed(view.clauses, opening) for view in place.may_be]
    common = [words for words in by_view[0] if all(words in others for others in by_view[1:])]
    return common or by_view[0]


def _failed(clauses: Sequence[ExplainedClause], opening: str) -> list[str]:
    """In words the smallest operands of `and` that are failed, or else the whole clause that is, each without its `opening`
    ("with ")."""
    found: list[str] = []
    for clause in clauses:
        if clause.verdict is not NO:
            continue
        parts = _failed(clause.clauses, opening) if clause.op == "and" and clause.clauses is not UNSET else []
        found += parts or [clause.in_words.removeprefix(opening)]
    return found


def explanation_text(explained: Explanation) -> str:
    """The explanation in three lines."""
    return "".join(f"{line}\n" for line in explained.messages)


def _messages(coin: CoinPart, explained: Sequence[ExplainedPlace], labels: Labels) -> list[Message]:
    """Where the coin fits, what to check or what the closest place needs, and how many places there are of each kind."""
    fits, may_fit, fails = ([one for one in explained if one.verdict is verdict] for verdict in _CLOSER)
    if fits:
        where = message("explained-fits", coin=coin, places=_places(fits))
    elif may_fit:
        where = message("explained-may-fit", coin=coin, places=_places(may_fit))
    else:
        where = message("explained-fits-nowhere", coin=coin)
    counts = {"fits": len(fits), "may_fit": len(may_fit), "fails": len(fails)}
    return [where, _next_line(may_fit, fails, labels), message("explained-counts", **counts)]


def _next_line(may_fit: Sequence[ExplainedPlace], fails: Sequence[ExplainedPlace], labels: Labels) -> Message:
    if may_fit:
        first = may_fit[0]
        facts = {fact.attribute: fact.look_at for view in first.may_be for fact in view.settle}
        checks = [FactPart(name, labels.name(name), look_at) for name, look_at in facts.items()]
        if not checks:
            gaps = {gap.message: gap.as_message() for view in first.may_be for gap in view.reference or ()}
            if gaps:
                return message("explained-by-reference", place=_part(first), gaps=some(list(gaps.values())))
            return message("explained-nothing-settles", place=_part(first))
        return message("explained-check", place=_part(first), check=checks)
    if fails:
        first = fails[0]
        return message("explained-closest", place=_part(first), needs=_failing(first, labels.say("with-")))
    return message("explained-no-other")


def _part(place: ExplainedPlace) -> PlacePart:
    return PlacePart(place.place, shortened(place.label))


def _places(places: Sequence[ExplainedPlace]) -> list[PlacePart | MorePart]:
    return some([_part(place) for place in places])


def _asked(places: Sequence[Place], name: str | None) -> list[Place]:
    firsts: dict[str, Place] = {}
    for place in places:
        firsts.setdefault(place.group if place.kind == FREE_CHOICE else place.address, place)
    if name is None:
        return list(firsts.values())
    asked = [place for place in places if name in (place.address, place.group)]
    if not asked:
        near = nearest(name, [*firsts, *(place.address for place in places)])
        question = Sentence(": did you mean '{near}'?", near=near) if near else ""
        raise Invalid(
            [
                Fault.of(
                    "unknown-place",
                    "the set has no place '{name}'{question}",
                    "/place",
                    name=name[:80],
                    question=question,
                )
            ]
        )
    return asked[:1] if asked[0].kind == FREE_CHOICE else asked


def _explained(
    place: Place, seen: tuple[View, ...], table: Table, wording: RuleWording, verdicts: BudgetedVerdicts
) -> ExplainedPlace:
    fit = table.fit(place.predicate, seen)
    return ExplainedPlace(
        place=place.group if place.kind == FREE_CHOICE else place.address,
        label=place.label,
        note=place.note or UNSET,
        in_words=wording.coin(place.predicate),
        verdict=fit.verdict,
        basis=fit.doubt or UNSET,
        limit=fit.limit or UNSET,
        may_be=[_view(place, view, table, wording, verdicts, alone=len(seen) == 1) for view in seen],
    )


def _view(
    place: Place, view: View, table: Table, wording: RuleWording, verdicts: BudgetedVerdicts, *, alone: bool
) -> ExplainedView:
    attributes, context = table.attributes, table.context
    case = Case(place.predicate, view.facts, attributes, context)
    return ExplainedView(
        issue=UNSET if alone and view.issue is None else view.issue,
        verdict=verdicts.judge(place.predicate, view).verdict,
        clauses=explain_clauses(place.parts, view, attributes, context, wording, verdicts),
        settle=[_to_check(fact) for fact in settle(place.predicate, view, attributes, context, verdicts, wording)],
        reference=[missing_reference(gap, wording) for gap in case.gaps()] or UNSET,
    )


def _to_check(fact: SettlingFact) -> FactToCheck:
    outcomes = [
        VerdictOutcome(one.when, None if one.example is None else value_as_json(one.example), one.verdict)
        for one in fact.outcomes
    ]
    return FactToCheck(fact.attribute, fact.look_at, outcomes)
