"""The check of a definition before a club relies on it: findings in plain words, with example coins."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from itertools import combinations
from typing import Annotated, Literal

from msgspec import Meta, Struct

from service.analysis.key_feasibility import KeyValues, can_agree, key_combinations, most_places_filled, possible_values
from service.analysis.place_groups import (
    PlaceGroup,
    are_disjoint_on,
    closed_keys,
    may_meet,
    place_group_of_key,
    place_groups_of,
    reach_of,
)
from service.analysis.satisfiability import WantedVerdict, Witness, find_witness
from service.errors import Fault
from service.evaluation.table import Table
from service.facts.holding import Facts, View
from service.facts.knowledge import Value
from service.facts.recorded import RecordedFact
from service.facts.truth import NO, UNDECIDED, YES
from service.rules.definition import Definition, OnePer
from service.rules.labels import listed, listed_up_to
from service.rules.predicates import EvaluationContext, Predicate, both, reads
from service.rules.rule import Rule
from service.rules.wording import RuleWording

Severity = Literal["error", "warning", "note"]
ERROR: Severity = "error"
WARNING: Severity = "warning"
NOTE: Severity = "note"
SEVERITIES = (ERROR, WARNING, NOTE)
_MOST_PAIRS = 4_000
_MOST_WORK = 20_000_000
_MOST_GAPS = 50
_MOST_KEYS_TRIED = 400
_MOST_AGREEMENTS = 1_000
_MOST_NAMED = 5


class Finding(Struct, frozen=True, omit_defaults=True):
    """One finding. Members that it does not have are left out."""

    code: str
    severity: Severity
    pointer: Annotated[str, Meta(description="What it is about: a JSON pointer into the document.")]
    message: str
    others: Annotated[tuple[str, ...], Meta(description="What else it is about.")] = ()
    example: Annotated[dict[str, RecordedFact] | None, Meta(description="The facts of a coin that shows it.")] = None


def findings_of_faults(faults: Iterable[Fault]) -> list[Finding]:
    """The faults of a document that cannot be read, as findings of severity `error`."""
    return [Finding(fault.code, ERROR, fault.pointer, _fault_message(fault)) for fault in faults]


def _fault_message(fault: Fault) -> str:
    where = f" (line {fault.line}, column {fault.column})" if fault.line is not None else ""
    return f"{fault.message}{where}{f'; {fault.hint}' if fault.hint else ''}"


def counts_by_severity(findings: Collection[Finding]) -> dict[str, int]:
    """How many findings there are of each severity, those without any included."""
    return {severity: sum(finding.severity == severity for finding in findings) for severity in SEVERITIES}


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
        self.context = EvaluationContext(today, definition.vocabularies)
        self.wording = RuleWording(definition.attributes, definition.vocabularies)
        self.scope = definition.scope.predicate if definition.scope is not None else None
        self.in_scope = () if self.scope is None else (WantedVerdict(self.scope),)
        self.one_per_groups = {one_per.id: (at, one_per) for at, one_per in enumerate(definition.one_per)}
        self.keys = closed_keys(definition, catalogue, today)
        self.groups = place_groups_of(definition, self.keys)
        self.reaches = {group.id: reach_of(group.rule) for group in self.groups}
        self.never: set[str] = set()
        self.undecided: list[PlaceGroup] = []
        self.work = 0

    def findings(self) -> Iterator[Finding]:
        yield from self._each_place()
        yield from self._pairs()
        yield from self._gaps()
        yield from self._keys()
        yield from self._constraints()
        yield from self._unused()
        yield from self._tiers()
        if self.work > _MOST_WORK:
            message = "The check ended at the limit of its work: what it found holds, and there may be more to find."
            yield Finding("limit", NOTE, "", message)

    def _ask(self, *wanted: WantedVerdict) -> Witness:
        """Once the work is used up every further question stays undecided."""
        if self.work > _MOST_WORK:
            return Witness(UNDECIDED)
        found = find_witness(wanted, self.definition.attributes, self.context)
        self.work += found.work
        return found

    # -- one place by itself

    def _each_place(self) -> Iterator[Finding]:
        for group in self.groups:
            if group.compared:
                yield from self._of_place(group)
        if self.undecided:
            message = f"Whether any coin can fit {_named(self.undecided)} was not decided: it would take too much work."
            first, *others = map(_accepts, self.undecided)
            yield Finding("limit", NOTE, first, message, tuple(others))

    def _of_place(self, group: PlaceGroup) -> Iterator[Finding]:
        at, words = f"{group.pointer}/accepts", self.wording.coin(group.rule)
        possible = self._ask(WantedVerdict(group.rule)).possible
        if possible is NO:
            self.never.add(group.id)
            yield Finding("never", ERROR, at, f"No coin can ever fit '{group.label}': {words}.")
            return
        if self._ask(WantedVerdict(group.rule, fits=False)).possible is NO:
            yield Finding("always", NOTE, at, f"Every coin fits '{group.label}'.")
        if self.scope is not None:
            possible = self._ask(WantedVerdict(group.rule), *self.in_scope).possible
            if possible is NO:
                self.never.add(group.id)
                outside = f"What '{group.label}' accepts lies outside the scope: {self.wording.coin(self.scope)}."
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
                message = f"{_named(groups)} take the same coins."
                yield Finding("same", WARNING, _accepts(groups[0]), message, tuple(map(_accepts, groups[1:])))
        # Places with equal rules are represented by the first.
        distinct = [groups[0] for groups in alike.values()]
        open_pairs = 0
        for asked, (first, second) in enumerate(may_meet([self.reaches[group.id] for group in distinct])):
            if asked == _MOST_PAIRS or self.work > _MOST_WORK:
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
        met = self._ask(WantedVerdict(first.rule), WantedVerdict(second.rule), *self.in_scope)
        if met.possible is UNDECIDED:
            return Finding("limit", NOTE, at, "", others)
        if met.possible is NO:
            return None
        is_inside = (
            self._ask(WantedVerdict(first.rule), WantedVerdict(second.rule, fits=False), *self.in_scope).possible is NO
        )
        contains = (
            self._ask(WantedVerdict(second.rule), WantedVerdict(first.rule, fits=False), *self.in_scope).possible is NO
        )
        if is_inside and contains:
            return Finding("same", WARNING, at, f"{_named([first, second])} take the same coins.", others, met.example)
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
        if self.scope is None:
            return
        if len(self.groups) < len(self.definition.slots) + len(self.definition.free_choice) + len(self.one_per_groups):
            message = "A group has too many keys to look for issues that fit no place."
            yield Finding("limit", NOTE, "/one_per", message)
            return
        table = Table(self.definition.attributes, self.context)
        missed = []
        for name, facts in self.catalogue.items():
            views = (View(facts, name),)
            if table.verdict(self.scope, views) is not YES:
                continue
            if all(table.verdict(group.rule, views) is NO for group in self.groups):
                missed.append(name)
        for name in missed[:_MOST_GAPS]:
            yield Finding("gap", NOTE, "/scope", f"The issue '{name}' is in scope and fits no place.")
        if len(missed) > _MOST_GAPS:
            yield Finding("gap", NOTE, "/scope", f"And {len(missed) - _MOST_GAPS} more issues in scope fit no place.")

    def _keys(self) -> Iterator[Finding]:
        for at, one_per in self.one_per_groups.values():
            if not one_per.keys.is_open:
                yield from self._keys_of_group(at, one_per)
        groups = {group.id: group for group in self.groups if group.pointer.startswith("/free_choice/")}
        for choice in self.definition.free_choice:
            for rule in choice.rules if choice.id not in self.never else ():
                message = rule.kind.impossible(rule, _FilledPlaces(self, [groups[choice.id]]))
                if message is not None:
                    code = "too-few-keys" if rule.by else "constraint-never"
                    yield Finding(code, ERROR, rule.at, f"'{choice.label}' can never be filled: {message}.")

    def _keys_of_group(self, at: int, one_per: OnePer) -> Iterator[Finding]:
        pointer, keys = f"/one_per/{at}/keys", self.keys[one_per.id]
        if not keys:
            yield Finding("too-few-keys", ERROR, pointer, f"'{one_per.id}' has no key, so it has no place.")
        elif one_per.id not in self.never and len(keys) <= _MOST_KEYS_TRIED:
            rules = ((key, place_group_of_key(self.definition, one_per, at, key).rule) for key in keys)
            dead = [f"'{key}'" for key, rule in rules if self._ask(WantedVerdict(rule), *self.in_scope).possible is NO]
            if dead:
                named = listed_up_to(_MOST_NAMED, dead)
                message = f"'{one_per.id}' can never be filled: no coin in its scope and rule has the key {named}."
                yield Finding("too-few-keys", ERROR, pointer, message)

    # -- constraints

    def _constraints(self) -> Iterator[Finding]:
        for constraint in self.definition.constraints:
            covered = [
                group for group in self._covered(constraint.places) if group.places and group.id not in self.never
            ]
            message = constraint.kind.impossible(constraint, _FilledPlaces(self, covered))
            if message is not None:
                others = tuple(dict.fromkeys(group.pointer for group in covered))
                told = f"'{constraint.id}' can never hold with all its places filled: {message}."
                yield Finding("constraint-never", ERROR, constraint.at, told, others)

    def _covered(self, names: tuple[str, ...]) -> Iterator[PlaceGroup]:
        """The place groups that a constraint names, each with as many of its places as it names."""
        wanted = set(names)
        for group in self.groups:
            if not wanted or group.id in wanted:
                yield group
                continue
            parts = {name.removeprefix(f"{group.id}/") for name in wanted if name.startswith(f"{group.id}/")}
            if group.id not in self.one_per_groups:
                if parts:
                    yield replace(group, places=len(parts))
                continue
            at, one_per = self.one_per_groups[group.id]
            for key in self.keys.get(group.id, ()):
                if key in parts:
                    yield place_group_of_key(self.definition, one_per, at, key)

    def too_many_fit(self, where: Rule, most: int, covered: list[PlaceGroup]) -> str | None:
        """Why too many of these places only accept coins that `where` counts; None where not."""
        misfit = WantedVerdict(where.predicate, fits=False)
        bound = [p for p in covered if self._ask(WantedVerdict(p.rule), misfit, *self.in_scope).possible is NO]
        places = sum(group.places for group in bound)
        if places <= most:
            return None
        return f"every coin for {_named(bound)} counts ({places} places), and only {most} may"

    def never_agree(self, by: tuple[str, ...], covered: list[PlaceGroup]) -> str | None:
        """Why the coins of these places can never agree in these attributes; None where they can, or that was not decided."""
        for group in covered:
            one_per = self.one_per_groups[group.id][1] if group.id in self.one_per_groups else None
            if (
                one_per is None
                or group.places < 2
                or one_per.attribute not in by
                or one_per.keys.source == "vocabulary"
            ):
                continue
            if not self.definition.attributes[one_per.attribute].many:
                return f"every place of '{group.label}' has its own {self.wording.name(one_per.attribute)}"
        # Places with equal rules are represented by the first.
        distinct = list({group.rule: group for group in reversed(covered)}.values())[::-1]
        reaches = [reach_of(group.rule) for group in distinct]
        asked = 0
        for first, second in combinations(range(len(distinct)), 2):
            self.work += 1
            for name in by:
                never = are_disjoint_on(name, reaches[first], reaches[second])
                if not never and asked < _MOST_AGREEMENTS and self.work <= _MOST_WORK:
                    asked += 1
                    rules = (both(distinct[first].rule, self.scope), both(distinct[second].rule, self.scope))
                    agreed = can_agree(name, *rules, self.definition.attributes, self.context)
                    self.work += agreed.work
                    never = agreed.possible is NO
                if never:
                    return f"{_named([distinct[first], distinct[second]])} can never agree in {self.wording.name(name)}"
            if self.work > _MOST_WORK:
                return None
        return None

    def too_few_keys(self, by: tuple[str, ...], most: int, demand: str, covered: list[PlaceGroup]) -> str | None:
        """Why these places cannot all be filled when each key may occur `most` times; None where they can, or that was not
        decided. `demand` is what is asked of the coins, in words, with `{by}` for the attributes."""
        known: dict[Predicate, frozenset[KeyValues] | None] = {}
        places: list[frozenset[KeyValues]] = []
        for group in covered:
            if group.rule not in known:
                nothing: frozenset[KeyValues] = frozenset()
                known[group.rule] = (
                    nothing if most == 0 else key_combinations([self._possible_values(name, group) for name in by])
                )
            keys = known[group.rule]
            if keys is not None:
                places += [keys] * group.places
                self.work += len(keys) * group.places
        if self.work > _MOST_WORK:
            return None
        filled = most_places_filled(places, most)
        if filled == len(places):
            return None
        asked = demand.format(by=listed([self.wording.name(name) for name in by], "and"))
        return f"of its {len(places)} places {asked}, so only {filled} can be filled"

    def _possible_values(self, name: str, group: PlaceGroup) -> frozenset[Value] | None:
        if self.work > _MOST_WORK:
            return None
        wanted = (WantedVerdict(group.rule), *self.in_scope)
        values, work = possible_values(name, wanted, reach_of(group.rule), self.definition.attributes, self.context)
        self.work += work
        return values

    # -- what is left over

    def _unused(self) -> Iterator[Finding]:
        read = {name for rule in self.definition.rules() for name in reads(rule.predicate)}
        document = self.definition
        read |= {one_per.attribute for one_per in document.one_per}
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


@dataclass(frozen=True, slots=True)
class _FilledPlaces:
    """The places of one constraint, all of them filled (`service.rules.constraints.Feasibility`)."""

    check: _Check
    covered: list[PlaceGroup]

    def never_agree(self, by: tuple[str, ...]) -> str | None:
        return self.check.never_agree(by, self.covered)

    def too_few_keys(self, by: tuple[str, ...], most: int, demand: str) -> str | None:
        return self.check.too_few_keys(by, most, demand, self.covered)

    def too_many_fit(self, where: Rule, most: int) -> str | None:
        return self.check.too_many_fit(where, most, self.covered)


def _accepts(group: PlaceGroup) -> str:
    return f"{group.pointer}/accepts"


def _named(groups: list[PlaceGroup]) -> str:
    """The labels of the groups, the first few."""
    return listed_up_to(_MOST_NAMED, [f"'{group.label}'" for group in groups])
