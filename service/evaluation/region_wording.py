"""Regions of a number or a date in words: "up to 1899", "2.5 to 3", "any other"."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.evaluation.verdicts import Case
from service.facts.attributes import Attribute
from service.facts.knowledge import NONE, Among, Between, Knowledge, Value
from service.rules.labels import Labels


def region_wording(case: Case, attribute: Attribute, tried: Iterable[Value], labels: Labels) -> RegionWording:
    """The wording of an ordered attribute's regions in a case; `tried` are the values of all of them, `labels` has the words."""
    return RegionWording(attribute, tried, case.facts.get(attribute.name), named_values(case, attribute.name), labels)


class RegionWording:
    """Regions of one ordered attribute in words: ranges, or `any other` for all but what the rule or the facts name.

    `tried` are all values that were tried, `known` is what is recorded, `named` are the values that the rule or the facts
    name; all others are samples of the gaps between them.
    """

    def __init__(
        self,
        attribute: Attribute,
        tried: Iterable[Value],
        known: Knowledge | None,
        named: set[object],
        labels: Labels,
    ) -> None:
        self._attribute, self._named, self._labels = attribute, named, labels
        self._line: list[Any] = sorted(v for v in tried if v is not NONE)
        self._low_end = isinstance(known, Among) or (isinstance(known, Between) and known.low is not None)
        self._high_end = isinstance(known, Among) or (isinstance(known, Between) and known.high is not None)
        self._lists_values = isinstance(known, Among)

    def of(self, values: Iterable[Value]) -> list[str]:
        """The regions of these values, one entry for each value or range."""
        chosen = set(values)
        return self._ranges(chosen) + ([self._labels.plain(NONE)] if NONE in chosen else [])

    def _ranges(self, chosen: set[Any]) -> list[str]:
        """Neighbouring values as ranges; the values at an open end of the line stand for everything beyond."""
        if self._lists_values:
            return [self._labels.plain(value) for value in self._line if value in chosen]
        runs: list[list[Any]] = []
        for at, value in enumerate(self._line):
            if value not in chosen:
                continue
            if runs and at and runs[-1][-1] == self._line[at - 1]:
                runs[-1].append(value)
            else:
                runs.append([value])
        is_open = bool(runs) and self._is_open_below(runs[0]) and self._is_open_above(runs[-1])
        if len(runs) > 1 and is_open and self._named.issuperset(set(self._line) - chosen):
            return [self._labels.say("any-other")]
        return [self._range(run) for run in runs]

    def _is_open_below(self, run: list[Any]) -> bool:
        return bool(run[0] == self._line[0] and not self._low_end)

    def _is_open_above(self, run: list[Any]) -> bool:
        return bool(run[-1] == self._line[-1] and not self._high_end)

    def _range(self, run: list[Any]) -> str:
        is_open_below, is_open_above = self._is_open_below(run), self._is_open_above(run)
        if is_open_below and is_open_above:
            return self._labels.say("any-value")
        if len(run) == 1 and not is_open_below and not is_open_above and not self._is_sample(run[0]):
            return self._labels.plain(run[0])
        # A gap between two named values ends before them: "more than 2 and less than 3".
        is_gap_below, is_gap_above = self._is_sample(run[0]), self._is_sample(run[-1])
        low = "" if is_open_below else self._end(run[0], -1)
        high = "" if is_open_above else self._end(run[-1], 1)
        say = self._labels.say
        if is_open_below:
            return high if is_gap_above else say("up-to", value=high)
        if is_open_above:
            return low if is_gap_below else say("or-more", value=low)
        if not is_gap_below:
            return say("range", low=low, high=high)
        return say("both-ends", low=low, high=high if is_gap_above else say("up-to", value=high))

    def _is_sample(self, value: Any) -> bool:
        """Whether the value is a sample of a gap between two named ones, as only numbers that need not be whole have."""
        ends = (0 if self._low_end else -1, len(self._line) - 1 if self._high_end else -1)
        return self._attribute.type == "decimal" and value not in self._named and self._line.index(value) not in ends

    def _end(self, value: Any, step: int) -> str:
        """The end of a range: a value that belongs to it, or the named value that bounds the gap of a sample."""
        if not self._is_sample(value):
            return self._labels.plain(value)
        at = self._line.index(value) + step
        while 0 < at < len(self._line) - 1 and self._is_sample(self._line[at]):
            at += step
        return self._labels.say("less-than" if step > 0 else "more-than", value=self._labels.plain(self._line[at]))


def named_values(case: Case, name: str) -> set[object]:
    """The values of the attribute that the rule or the facts name, and those at which the verdict may change."""
    named: set[object] = set(case.cuts.get(name, ()))
    known = case.facts.get(name)
    if isinstance(known, Among):
        named.update(known.values)
    if name not in case.cuts:
        # A number in a rule need not be where its verdict changes: weight + 0.5 = 2.5 changes at 2.
        named.update(value for leaf in case.distinct if name in leaf.reads for value in leaf.constants)
    return named
