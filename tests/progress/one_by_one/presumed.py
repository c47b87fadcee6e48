"""Of coins outside a set what presumptions keep them out, coin by coin: as it was first written."""

from __future__ import annotations

from service.assignment.build import Instance
from service.evaluation.table import Table
from service.evaluation.views import bare
from service.facts.holding import View
from service.facts.truth import NO
from service.progress.presumed import resting_on
from service.rules.predicates import reads


class KeptOut:
    """Of coins that fit no place: what is presumed of those that might fit one without presumptions."""

    def __init__(self, instance: Instance, table: Table) -> None:
        self._table = table
        self._predicates = list({id(place.predicate): place.predicate for place in instance.places}.values())
        self._known: dict[object, list[str]] = {}
        self._read = sorted(frozenset[str]().union(*(reads(rule) for rule in self._predicates)))

    def by(self, views: tuple[View, ...]) -> list[str]:
        """A smallest set of attributes whose presumed values keep the coin out of the first place that it might fit without
        presumptions; empty where there is none."""
        if not any(view.presumed for view in views):
            return []
        key = tuple(tuple((view.facts.get(name), name in view.presumed) for name in self._read) for view in views)
        if key not in self._known:
            self._known[key] = self._found(views)
        return self._known[key]

    def _found(self, views: tuple[View, ...]) -> list[str]:
        without = bare(views)
        for rule in self._predicates:
            if self._table.verdict(rule, without) is not NO:
                return resting_on(rule, views, self._table, NO)
        return []
