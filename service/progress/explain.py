"""One coin against one place or all of them, clause by clause."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.errors import Fault, Invalid
from service.evaluation.explanation import BudgetedVerdicts, SettlingFact, explain_clauses, settle
from service.evaluation.places import FREE_CHOICE, Collection, Place, places_of
from service.evaluation.table import Table
from service.facts.attributes import nearest
from service.facts.holding import Holding, View, views
from service.facts.truth import UNDECIDED
from service.progress.evaluate import EvaluationRequest, ensure_evaluable
from service.rules.predicates import EvaluationContext
from service.rules.wording import RuleWording


def explain(request: EvaluationRequest, holding: Holding, place: str | None) -> dict[str, Any]:
    """{"holding", "places": [{"place", "label", "verdict", "basis", "views": [...]}]}: for every place asked the verdict, its
    clauses with the facts that they read and where those came from, and for a doubt the facts that would settle it.

    `place` is the address of a place or the id of a group; None is every place (the places of a free choice once).
    Raises Invalid for a place that is not in the set.
    """
    ensure_evaluable(request)
    definition = request.definition
    context = EvaluationContext(request.today, request.vocabularies)
    seen = views(holding, request.issues)
    others = tuple(views(other, request.issues) for other in request.holdings)
    places = _asked(places_of(definition, Collection((seen, *others), request.issues, context)), place)
    table = Table(definition.attributes, context)
    speak = RuleWording(definition.attributes, request.vocabularies)
    verdicts = BudgetedVerdicts(definition.attributes, context)
    return {
        "holding": holding.id,
        "definition": {"id": request.document_id, "revision": request.revision, "digest": definition.digest},
        "evaluated_on": request.today.isoformat(),
        "places": [_explained(item, seen, table, speak, verdicts) for item in places],
    }


def _asked(places: Sequence[Place], name: str | None) -> list[Place]:
    firsts: dict[str, Place] = {}
    for place in places:
        firsts.setdefault(place.group if place.kind == FREE_CHOICE else place.address, place)
    if name is None:
        return list(firsts.values())
    asked = [place for place in places if name in (place.address, place.group)]
    if not asked:
        near = nearest(name, [*firsts, *(place.address for place in places)])
        question = f": did you mean '{near}'?" if near else ""
        raise Invalid([Fault("unknown-place", f"the set has no place '{name[:80]}'{question}", "/place")])
    return asked[:1] if asked[0].kind == FREE_CHOICE else asked


def _explained(
    place: Place, seen: tuple[View, ...], table: Table, speak: RuleWording, verdicts: BudgetedVerdicts
) -> dict[str, Any]:
    fit = table.fit(place.predicate, seen)
    entry: dict[str, Any] = {
        "place": place.group if place.kind == FREE_CHOICE else place.address,
        "label": place.label,
        "in_words": speak.coin(place.predicate),
        "verdict": fit.verdict.value,
    }
    if fit.verdict is UNDECIDED:
        entry["basis"] = "unknown" if fit.rests_on_unknown else "alternatives"
    if fit.limit is not None:
        entry["limit"] = fit.limit
    entry["may_be"] = [_view(place, view, table, speak, verdicts, alone=len(seen) == 1) for view in seen]
    return entry


def _view(
    place: Place, view: View, table: Table, speak: RuleWording, verdicts: BudgetedVerdicts, *, alone: bool
) -> dict[str, Any]:
    attributes, context = table.attributes, table.context
    entry: dict[str, Any] = {} if alone and view.issue is None else {"issue": view.issue}
    entry["verdict"] = verdicts.judge(place.predicate, view).verdict.value
    entry["clauses"] = explain_clauses(place.parts, view, attributes, context, speak, verdicts)
    entry["settle"] = [_settled(fact) for fact in settle(place.predicate, view, attributes, context, verdicts)]
    return entry


def _settled(fact: SettlingFact) -> dict[str, Any]:
    return {
        "attribute": fact.attribute,
        "look_at": fact.look_at,
        "outcomes": {outcome.verdict.value: list(outcome.values) for outcome in fact.outcomes},
    }
