"""The check of a definition before a club relies on it: findings in plain words, with example coins."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date
from typing import Annotated, Literal

from msgspec import Meta, Struct

from service.analysis.constraint_feasibility import MOST_LABELS, FilledPlaces, labels_of
from service.analysis.examples import ExampleRuns
from service.analysis.place_groups import (
    PlaceGroup,
    closed_keys,
    may_meet,
    place_group_of_key,
    place_groups_of,
    reach_of,
)
from service.analysis.questions import Questions
from service.analysis.satisfiability import WantedVerdict
from service.errors import Fault
from service.evaluation.table import Table
from service.facts.holding import Facts, View
from service.facts.recorded import RecordedFact
from service.facts.truth import NO, UNDECIDED, YES
from service.rules.definition import Definition, OnePer
from service.rules.keys import key_address, key_in_words
from service.rules.labels import listed_up_to, shortened
from service.rules.predicates import Predicate, reads

Severity = Literal["error", "warning", "note"]
ERROR: Severity = "error"
WARNING: Severity = "warning"
NOTE: Severity = "note"
SEVERITIES = (ERROR, WARNING, NOTE)
_MOST_PAIRS = 4_000
_MOST_GAPS = 50
_MOST_KEYS_TRIED = 400


class Finding(Struct, frozen=True, omit_defaults=True):
    """One finding. Members that it does not have are left out."""

    code: str
    severity: Severity
    pointer: Annotated[str, Meta(description="What it is about: a JSON pointer into the document.")]
    message: str
    others: Annotated[tuple[str, ...], Meta(description="What else it is about.")] = ()
    example: Annotated[dict[str, RecordedFact] | None, Meta(description="The facts of a coin that shows it.")] = None


class FindingCounts(Struct, frozen=True):
    """How many findings there are of each severity."""

    error: int
    warning: int
    note: int


def findings_of_faults(faults: Iterable[Fault]) -> list[Finding]:
    """The faults of a document that cannot be read, as findings of severity `error`."""
    return [Finding(fault.code, ERROR, fault.pointer, _fault_message(fault)) for fault in faults]


def _fault_message(fault: Fault) -> str:
    where = f" (line {fault.line}, column {fault.column})" if fault.line is not None else ""
    return f"{fault.message}{where}{f'; {fault.hint}' if fault.hint else ''}"


def counts_by_severity(findings: Collection[Finding]) -> FindingCounts:
    """How many findings there are of each severity."""
    return FindingCounts(*(sum(finding.severity == severity for finding in findings) for severity in SEVERITIES))


def check_definition(definition: Definition, catalogue: Mapping[str, Facts], today: date) -> list[Finding]:
    """All findings, in the order of the document within each kind.

    `catalogue` are the issues by id, `today` decides which issuers are defunct. What is impossible is claimed only where
    it is exact; what was not decided is named in notes of code `limit`, where a bound on the work was met: 20,000,000 in
    all (about microseconds, the same on every machine), 4,000 pairs of places, 400 keys of a group.
    """
    return list(_Check(definition, catalogue, today).findings())


class _Check:
    def __init__(self, definition: Definition, catalogue: Mapping[str, Facts], today: date) -> None:
        self.definition, self.catalogue = definition, catalogue
        self.questions = Questions(definition, today)
        self.keys = closed_keys(definition, catalogue, today)
        self.groups = place_groups_of(definition, self.keys)
        self.reaches = {group.id: reach_of(group.rule) for group in self.groups}
        self.never: set[str] = set()
        self.undecided: list[PlaceGroup] = []

    def findings(self) -> Iterator[Finding]:
        yield from self._each_place()
        yield from self._pairs()
        yield from self._gaps()
        yield from self._keys()
        yield from self._constraints()
        yield from self._unused()
        yield from self._tiers()
        yield from self._examples()
        if self.questions.is_spent:
            message = "The check ended at the limit of its work: what it found holds, and there may be more to find."
            yield Finding("limit", NOTE, "", message)

    # -- one place by itself

    def _each_place(self) -> Iterator[Finding]:
        for group in self.groups:
            if group.compared:
                yield from self._of_place(group)
        if self.undecided:
            message = (
                f"Whether any coin can fit {labels_of(self.undecided)} was not decided: it would take too much work."
            )
            first, *others = map(_accepts, self.undecided)
            yield Finding("limit", NOTE, first, message, tuple(others))

    def _of_place(self, group: PlaceGroup) -> Iterator[Finding]:
        at, words = f"{group.pointer}/accepts", self.questions.wording.coin(group.rule)
        possible = self.questions.ask(WantedVerdict(group.rule)).possible
        if possible is NO:
            self.never.add(group.id)
            yield Finding("never", ERROR, at, f"No coin can ever fit '{group.label}': {words}.")
            return
        if self.questions.ask(WantedVerdict(group.rule, fits=False)).possible is NO:
            yield Finding("always", NOTE, at, f"Every coin fits '{group.label}'.")
        if self.questions.scope is not None:
            possible = self.questions.ask_in_scope(WantedVerdict(group.rule)).possible
            if possible is NO:
                self.never.add(group.id)
                scope = self.questions.wording.coin(self.questions.scope)
                outside = f"What '{group.label}' accepts lies outside the scope: {scope}."
                yield Finding("outside-scope", ERROR, at, outside, ("/scope",))
        if possible is UNDECIDED:
            self.undecided.append(group)

    # -- two places

    def _pairs(self) -> Iterator[Finding]:
        alike: dict[Predicate, list[PlaceGroup]] = {}
        for group in self.groups:
            if group.compared and group.id not in self.never:
                alike.setdefault(group.rule, []).append(group)
        for groups in alike.values():
            if len(groups) > 1:
                message = f"{labels_of(groups)} take the same coins."
                yield Finding("same", WARNING, _accepts(groups[0]), message, tuple(map(_accepts, groups[1:])))
        # Places with equal rules are represented by the first.
        distinct = [groups[0] for groups in alike.values()]
        open_pairs = 0
        for asked, (first, second) in enumerate(may_meet([self.reaches[group.id] for group in distinct])):
            if asked == _MOST_PAIRS or self.questions.is_spent:
                message = f"Only the first {asked} pairs of places that may meet were compared."
                yield Finding("limit", NOTE, "", message)
                break
            finding = self._pair(distinct[first], distinct[second])
            if finding is not None and finding.code == "limit":
                open_pairs += 1
            elif finding is not None:
                yield finding
        if open_pairs:
            message = f"Whether one coin can fit both was not decided for {open_pairs} pairs of places."
            yield Finding("limit", NOTE, "", message)

    def _pair(self, first: PlaceGroup, second: PlaceGroup) -> Finding | None:
        at, others = _accepts(first), (_accepts(second),)
        met = self.questions.ask_in_scope(WantedVerdict(first.rule), WantedVerdict(second.rule))
        if met.possible is UNDECIDED:
            return Finding("limit", NOTE, at, "", others)
        if met.possible is NO:
            return None
        is_inside = self.questions.is_within(first.rule, second.rule)
        contains = self.questions.is_within(second.rule, first.rule)
        if is_inside and contains:
            return Finding(
                "same", WARNING, at, f"{labels_of([first, second])} take the same coins.", others, met.example
            )
        if is_inside or contains:
            inner, outer = (first, second) if is_inside else (second, first)
            message = f"Every coin that fits '{inner.label}' fits '{outer.label}' too."
            return Finding("contained", NOTE, _accepts(inner), message, (_accepts(outer),), met.example)
        message = f"One coin can fit both '{first.label}' and '{second.label}'; the example does."
        if met.example is None:
            message = (
                f"One coin may fit both '{first.label}' and '{second.label}', though no facts can say so for certain."
            )
        return Finding("overlap", NOTE, at, message, others, met.example)

    # -- the catalogue and keys

    def _gaps(self) -> Iterator[Finding]:
        if self.questions.scope is None:
            return
        if len(self.groups) < len(self.definition.slots) + len(self.definition.free_choice) + len(
            self.questions.one_per_groups
        ):
            message = "A group has too many keys to look for issues that fit no place."
            yield Finding("limit", NOTE, "/one_per", message)
            return
        table = Table(self.definition.attributes, self.questions.context)
        missed = []
        for name, facts in self.catalogue.items():
            views = (View(facts, name),)
            if table.verdict(self.questions.scope, views) is not YES:
                continue
            if all(table.verdict(group.rule, views) is NO for group in self.groups):
                missed.append(name)
        for name in missed[:_MOST_GAPS]:
            yield Finding("gap", NOTE, "/scope", f"The issue '{name}' is in scope and fits no place.")
        if len(missed) > _MOST_GAPS:
            yield Finding("gap", NOTE, "/scope", f"And {len(missed) - _MOST_GAPS} more issues in scope fit no place.")

    def _keys(self) -> Iterator[Finding]:
        for at, one_per in self.questions.one_per_groups.values():
            if not one_per.keys.is_open:
                yield from self._keys_of_group(at, one_per)
        groups = {group.id: group for group in self.groups if group.pointer.startswith("/free_choice/")}
        for choice in self.definition.free_choice:
            for rule in choice.rules if choice.id not in self.never else ():
                message = rule.kind.impossible(rule, FilledPlaces(self.questions, [groups[choice.id]]))
                if message is not None:
                    code = "too-few-keys" if rule.by else "constraint-never"
                    yield Finding(code, ERROR, rule.at, f"'{choice.label}' can never be filled: {message}.")

    def _keys_of_group(self, at: int, one_per: OnePer) -> Iterator[Finding]:
        pointer, keys = f"/one_per/{at}/keys", self.keys[one_per.id].keys
        if not keys:
            yield Finding("too-few-keys", ERROR, pointer, f"'{one_per.id}' has no key, so it has no place.")
        elif one_per.id not in self.never and len(keys) <= _MOST_KEYS_TRIED:
            found = self.keys[one_per.id]
            rules = ((key, place_group_of_key(self.definition, one_per, at, key, found).rule) for key in keys)
            dead = [
                f"'{key_in_words(key)}'"
                for key, rule in rules
                if self.questions.ask_in_scope(WantedVerdict(rule)).possible is NO
            ]
            if dead:
                named = listed_up_to(MOST_LABELS, dead)
                message = f"'{one_per.id}' can never be filled: no coin in its scope and rule has the key {named}."
                yield Finding("too-few-keys", ERROR, pointer, message)

    # -- constraints

    def _constraints(self) -> Iterator[Finding]:
        for constraint in self.definition.constraints:
            named = [group for group in self._covered(constraint.places) if group.id not in self.never]
            covered = [group for group in named if group.places]
            open_groups = [group for group in named if not group.places]
            bound = next((group for group in self.groups if group.id == constraint.place), None)
            filled = FilledPlaces(self.questions, covered, open_groups, bound)
            message = constraint.kind.impossible(constraint, filled)
            if message is not None:
                others = tuple(dict.fromkeys(group.pointer for group in covered))
                told = f"'{shortened(constraint.label)}' {constraint.kind.never}: {message}."
                yield Finding("constraint-never", ERROR, constraint.at, told, others)

    def _covered(self, names: tuple[str, ...]) -> Iterator[PlaceGroup]:
        """The place groups that a constraint names, each with as many of its places as it names."""
        wanted = set(names)
        for group in self.groups:
            if not wanted or group.id in wanted:
                yield group
                continue
            parts = {name.removeprefix(f"{group.id}/") for name in wanted if name.startswith(f"{group.id}/")}
            if group.id not in self.questions.one_per_groups:
                if parts:
                    yield replace(group, places=len(parts))
                continue
            at, one_per = self.questions.one_per_groups[group.id]
            if group.id in self.keys:
                found = self.keys[group.id]
                for key in found.keys:
                    if key_address(key) in parts:
                        yield place_group_of_key(self.definition, one_per, at, key, found)

    # -- what is left over

    def _unused(self) -> Iterator[Finding]:
        read = {name for rule in self.definition.rules() for name in reads(rule.predicate)}
        document = self.definition
        read |= {name for one_per in document.one_per for name in one_per.attributes}
        read |= {name for c in document.constraints for name in c.by}
        read |= {name for choice in document.free_choice for rule in choice.rules for name in rule.by}
        prefer = [document.prefer, *(slot.prefer for slot in document.slots)]
        prefer += [one_per.prefer for one_per in document.one_per] + [choice.prefer for choice in document.free_choice]
        read |= {preference.attribute for preferences in prefer for preference in preferences}
        for at, item in enumerate(document.document.get("attributes", ())):
            if item["name"] not in read:
                message = f"The attribute '{item['name']}' is declared and never read."
                yield Finding("unused-attribute", NOTE, f"/attributes/{at}", message)

    def _tiers(self) -> Iterator[Finding]:
        for tier in ("required", "optional"):
            there = [group for group in self.groups if group.tier == tier]
            if there and all(group.id in self.never for group in there) and not self.definition.one_per:
                message = f"None of the {tier} places can ever be filled."
                yield Finding(
                    "unreachable-tier", WARNING, there[0].pointer, message, tuple(p.pointer for p in there[1:])
                )

    # -- the author's test cases

    def _examples(self) -> Iterator[Finding]:
        runs = ExampleRuns(self.definition, self.catalogue, self.keys, self.questions.context.today)
        for failed in runs.failed():
            code = "unknown-place" if failed.is_wrong_address else "example-fails"
            others = () if failed.is_wrong_address else (failed.about,)
            yield Finding(code, ERROR, failed.pointer, failed.message, others)
        if runs.is_cut:
            yield Finding("limit", NOTE, "/examples", "Not all examples were run: it would take too much work.")


def _accepts(group: PlaceGroup) -> str:
    return f"{group.pointer}/accepts"
