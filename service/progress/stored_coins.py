"""Stored holdings as rules see them, under a table of attributes and a catalogue; and what had to be left out. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from service.database.types import read_back
from service.errors import Fault, Sentence
from service.evaluation.attribute_column import AttributeColumn
from service.evaluation.recorded import Making, RecordedCoins
from service.facts.attributes import Attributes
from service.facts.holding import Facts, Holding, read_holding
from service.facts.knowledge import Knowledge
from service.facts.vocabulary import Vocabulary
from service.holdings.columns.held import HoldingColumns
from service.holdings.columns.readings import fact_column, own_texts
from service.progress.description import CoinNames
from service.progress.result import IgnoredFact
from service.reference.model import Catalogue
from service.rules.labels import Labels

_FIELDS = ("facts", "issue", "quantity", "status", "number", "mark")


def known_holding(
    identity: str, data: Mapping[str, Any], attributes: Attributes, issues: Mapping[str, Facts]
) -> tuple[Holding, list[Fault]]:
    """One stored holding as the core knows it, and what had to be left out of it: a fact recorded before the definition gave its
    name another type, an issue that is in no catalogue here. Each is unknown then; one such fact must not stop the evaluation of
    a whole collection. `data` is what is known of it: where values are in conflict, one of them."""
    raw = {name: data[name] for name in _FIELDS if name in data}
    holding, faults = read_holding({"id": identity, **raw}, attributes, strict=False)
    assert holding is not None
    unknown = [issue for issue in holding.issues if issue not in issues]
    if unknown:
        # Without one of its candidates the others would claim too much, so the holding keeps none.
        holding = replace(holding, issues=())
        message = Sentence("the issue '{issue}' is in no catalogue here", issue=unknown[0])
        faults = [*faults, Fault("unknown-issue", message, "/issue")]
    if isinstance(issues, Catalogue):
        faults = [*faults, *_of_issues(holding, issues)]
    return holding, faults


def _of_issues(holding: Holding, issues: Catalogue) -> list[Fault]:
    """What does not fit the definition in the owner's issues that the holding names."""
    return [
        replace(
            fault, pointer="/issue", message=Sentence("of the issue '{name}': {fault}", name=name, fault=fault.message)
        )
        for name in holding.issues
        for fault in issues.faults_of(name)
    ]


class StoredCoins(Making[Holding], RecordedCoins):
    """The holdings of an owner, read from their columns: a value once, however many holdings have it."""

    def __init__(self, held: HoldingColumns, attributes: Attributes, issues: Mapping[str, Facts]) -> None:
        super().__init__()
        self.held, self.attributes, self.catalogue = held, attributes, issues
        self._columns: dict[str, AttributeColumn] = {}

    def __len__(self) -> int:
        return len(self.held)

    @property
    def ids(self) -> Sequence[str]:
        return self.held.ids

    @cached_property
    def numbers(self) -> Sequence[str | None]:
        return [self._texts[code] for code in self.held.own("number").tolist()]

    @cached_property
    def quantity(self) -> npt.NDArray[np.int64]:
        values, _ = self._own("quantity")
        return np.array([holding.quantity for holding in values], np.int64)[self.held.own("quantity")]

    @cached_property
    def status(self) -> tuple[npt.NDArray[np.int32], Sequence[str]]:
        values, _ = self._own("status")
        return self.held.own("status"), [holding.status for holding in values]

    @cached_property
    def issues(self) -> tuple[npt.NDArray[np.int32], Sequence[tuple[str, ...]]]:
        values, _ = self._own("issue")
        number_of: dict[tuple[str, ...], int] = {(): 0}
        numbers = [number_of.setdefault(holding.issues, len(number_of)) for holding in values]
        return np.array(numbers, np.int32)[self.held.own("issue")], list(number_of)

    def column(self, name: str) -> AttributeColumn:
        found = self._columns.get(name)
        if found is None:
            found = self._columns[name] = fact_column(self.held, name, self.attributes).column
        return found

    def ignored(self, vocabularies: Mapping[str, Vocabulary]) -> tuple[IgnoredFact, ...]:
        """What was left out, in the order of the coins. `vocabularies` have the words for it."""
        names = CoinNames(Labels(self.attributes, vocabularies))
        found: list[IgnoredFact] = []
        for row in np.flatnonzero(self._unfit).tolist():
            holding, faults = self._known(row)
            found.extend(IgnoredFact(holding=holding.id, **names.ignoring(holding, fault)) for fault in faults)
        return tuple(found)

    @cached_property
    def _unfit(self) -> npt.NDArray[np.bool_]:
        """Whether anything is left out of a holding."""
        unfit = np.zeros(len(self), bool)
        for name in self.held.fact_names:
            wrong = fact_column(self.held, name, self.attributes).unfit
            if wrong is not None:
                unfit |= wrong
        for name in ("issue", "quantity", "status", "mark"):
            _, wrong = self._own(name)
            if wrong.any():
                unfit |= wrong[self.held.own(name)]
        return unfit

    def _own(self, name: str) -> tuple[list[Holding], npt.NDArray[np.bool_]]:
        """Holdings with nothing but this own field, one for each of its values, and whether it does not fit."""
        raws = self.held.dictionary.own[name].met
        read = [known_holding("?", {name: read_back(raw.decode())}, self.attributes, self.catalogue) for raw in raws]
        return [holding for holding, _ in read], np.array([bool(faults) for _, faults in read], bool)

    def _make(self, at: int) -> Holding:
        """One holding, of what its values say by the columns."""
        if self._unfit[at]:
            return self._known(at)[0]
        (orders, names_of), facts = self.held.fact_orders, dict[str, Knowledge]()
        for name in names_of[orders[at]]:
            column = self.column(name)
            known = column.entries[column.codes[at]]
            if known is not None:
                facts[name] = known
        issue_of, issues = self.issues
        status_of, statuses = self.status
        mark = self._marks[self.held.own("mark")[at]]
        quantity, number = int(self.quantity[at]), self._texts[self.held.own("number")[at]]
        status = statuses[status_of[at]]
        return Holding(self.ids[at], facts, issues[issue_of[at]], quantity, status, number, mark)

    @cached_property
    def _texts(self) -> Sequence[str | None]:
        return own_texts(self.held, "number")

    @cached_property
    def _marks(self) -> list[str | None]:
        values, _ = self._own("mark")
        return [holding.mark for holding in values]

    def _known(self, row: int) -> tuple[Holding, list[Fault]]:
        return known_holding(self.held.ids[row], self.held.known(row), self.attributes, self.catalogue)
