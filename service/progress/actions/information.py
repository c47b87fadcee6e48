"""Which unknown facts of an owner's coins are worth looking at, over several sets."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from service.accounts.model import Owner
from service.database.engine import Database
from service.evaluation.cost import hold, in_turn
from service.evaluation.engine import ENGINE
from service.progress.actions.candidates import kept_sets
from service.progress.doubts import Doubts, SetName
from service.progress.evaluate import ensure_evaluable, names_of_some
from service.progress.information import weigh_facts
from service.progress.result import DefinitionStamp
from service.reference import actions as reference

SOLVER_SECONDS = 5.0
_SOLVER_TRIES = 20


def doubts_of(database: Database, owner: Owner, definitions: Sequence[str] | None, day: date) -> Doubts:
    """The facts that change most, over the owner's sets of these ids (None: all). Takes its time. Raises NotFound,
    OverLimit."""
    sets, _ = kept_sets(database, owner, definitions, day, tries_each=1, budget_seconds=SOLVER_SECONDS)
    requests = [one.request for one in sets]
    for request in requests:
        ensure_evaluable(request)
    ahead = [(one, one.cost_ahead(tries=_SOLVER_TRIES)) for one in sets]
    evaluated = []
    # All are judged before the first of them is solved.
    for one in in_turn("weighing the doubts", "sets", ahead):
        evaluated.append(one.evaluated(tries=_SOLVER_TRIES))
        hold(evaluated[-1].instance.edges.nbytes)
    found = weigh_facts(evaluated)
    # The sets share the holdings of their owner.
    told = {one.holding for one in found.facts} | {one.holding for one in found.features}
    return Doubts(
        evaluated_on=day,
        sets=[
            SetName(DefinitionStamp(r.document_id, r.revision, r.definition.digest), r.definition.title)
            for r in requests
        ],
        facts=found.facts,
        features=found.features,
        named=names_of_some(requests[0], told) if requests else {},
        left_out=found.left_out,
        reference_edition=reference.edition(),
        engine_version=ENGINE,
    )
