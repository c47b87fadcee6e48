"""The check of a definition before a club relies on it: findings in plain words, with example coins."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import date
from typing import Annotated, Literal

from msgspec import Meta, Struct

from service.analysis.constraint_feasibility import FilledPlaces, place_part, places_part
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
from service.analysis.unknown_terms import unknown_constants
from service.errors import Fault, Sentence, Tell, listed
from service.evaluation.table import Table
from service.facts.holding import Facts, View
from service.facts.recorded import RecordedFact
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.definition import Definition, OnePer
from service.rules.keys import key_address, key_in_words
from service.rules.labels import shortened
from service.rules.messages import ConstraintPart, Message, PlacePart, message, message_of_fault, some
from service.rules.predicates import And, Comparison, OneOf, Or, Predicate, reads
from service.rules.presumptions import NO_CLAIMS, CatalogueClaims
from service.rules.terms import Const, Ref

Severity = Literal["error", "warning", "note"]
ERROR: Severity = "error"
WARNING: Severity = "warning"
NOTE: Severity = "note"
SEVERITIES = (ERROR, WARNING, NOTE)
NOTHING_REPLACED: Mapping[str, str] = {}
_MOST_PAIRS = 4_000
_MOST_GAPS = 50
_MOST_KEYS_TRIED = 400


class Finding(Message, frozen=True, omit_defaults=True, kw_only=True):
    """One finding. Members that it does not have are left out."""

    severity: Severity
    pointer: Annotated[str, Meta(description="What it is about: a JSON pointer into the document.")]
    others: Annotated[tuple[str, ...], Meta(description="What else it is about.")] = ()
    example: Annotated[dict[str, RecordedFact] | None, Meta(description="The facts of a coin that shows it.")] = None


class FindingCounts(Struct, frozen=True):
    """How many findings there are of each severity."""

    error: int
    warning: int
    note: int


def findings_of_faults(faults: Iterable[Fault], tell: Tell = str) -> list[Finding]:
    """The faults of a document that cannot be read, as findings of severity `error`, told in the language of `tell`."""
    return [_of_fault(fault, tell) for fault in faults]


def _of_fault(fault: Fault, tell: Tell) -> Finding:
    told = Sentence(fault.message)
    if fault.line is not None:
        told = Sentence("{fault} (line {line}, column {column})", fault=told, line=fault.line, column=fault.column)
    if fault.hint:
        told = listed([told, fault.hint])
    said = message_of_fault(fault)
    return Finding(severity=ERROR, pointer=fault.pointer, message=tell(told), code=said.code, parts=said.parts)


def _finding(
    severity: Severity,
    pointer: str,
    said: Message,
    others: Iterable[str] = (),
    example: dict[str, RecordedFact] | None = None,
) -> Finding:
    return Finding(severity=severity, pointer=pointer, others=tuple(others), example=example, **said.members())


def _limit(pointer: str, what: Message, others: Iterable[str] = ()) -> Finding:
    return _finding(NOTE, pointer, message("limit", what=what), others)


def counts_by_severity(findings: Collection[Finding]) -> FindingCounts:
    """How many findings there are of each severity."""
    return FindingCounts(*(sum(finding.severity == severity for finding in findings) for severity in SEVERITIES))


def check_definition(
    definition: Definition,
    catalogue: Mapping[str, Facts],
    today: date,
    replaces: Mapping[str, str] = NOTHING_REPLACED,
    claims: CatalogueClaims = NO_CLAIMS,
) -> list[Finding]:
    """All findings, in the order of the document within each kind.

    `catalogue` are the issues by id, `replaces` says of some in whose place they stand, `claims` is what the shipped
    catalogue says of itself, `today` decides which issuers are defunct. What is impossible is claimed only where it is
    exact; what was not decided is named in notes of code `limit`, where a bound on the work was met: 5,000,000 in all
    (about microseconds, the same on every machine), 4,000 pairs of places, 400 keys of a group. The author's examples are
    run too (`service.analysis.examples`).
    """
    return list(_Check(definition, catalogue, today, replaces, claims).findings())


class _Check:
    def __init__(
        self,
        definition: Definition,
        catalogue: Mapping[str, Facts],
        today: date,
        replaces: Mapping[str, str],
        claims: CatalogueClaims,
    ) -> None:
        self.definition, self.catalogue, self.replaces, self.claims = definition, catalogue, replaces, claims
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
        yield from self._identifications()
        yield from self._keys()
        yield from self._constraints()
        yield from self._unused()
        yield from self._unknown_terms()
        yield from self._tiers()
        yield from self._examples()
        if self.questions.is_spent:
            yield _limit("", message("limit-work"))

    # -- one place by itself

    def _each_place(self) -> Iterator[Finding]:
        for group in self.groups:
            if group.compared:
                yield from self._of_place(group)
        if self.undecided:
            first, *others = map(_accepts, self.undecided)
            yield _limit(first, message("limit-never", places=places_part(self.undecided)), others)

    def _of_place(self, group: PlaceGroup) -> Iterator[Finding]:
        at, place = _accepts(group), place_part(group)
        possible = self.questions.ask(WantedVerdict(group.rule)).possible
        if possible is NO:
            self.never.add(group.id)
            yield _finding(ERROR, at, message("never", place=place, rule=self.questions.wording.coin(group.rule)))
            return
        if self.questions.ask(WantedVerdict(group.rule, fits=False)).possible is NO:
            yield _finding(NOTE, at, message("always", place=place))
        if self.questions.scope is not None:
            possible = self.questions.ask_in_scope(WantedVerdict(group.rule)).possible
            if possible is NO:
                self.never.add(group.id)
                scope = self.questions.wording.coin(self.questions.scope)
                yield _finding(ERROR, at, message("outside-scope", place=place, scope=scope), ("/scope",))
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
                said = message("same", places=places_part(groups))
                yield _finding(WARNING, _accepts(groups[0]), said, map(_accepts, groups[1:]))
        # Places with equal rules are represented by the first.
        distinct = [groups[0] for groups in alike.values()]
        open_pairs = 0
        for asked, (first, second) in enumerate(may_meet([self.reaches[group.id] for group in distinct])):
            if asked == _MOST_PAIRS or self.questions.is_spent:
                yield _limit("", message("limit-pairs", count=asked))
                break
            finding = self._pair(distinct[first], distinct[second])
            if finding is UNDECIDED:
                open_pairs += 1
            elif isinstance(finding, Finding):
                yield finding
        if open_pairs:
            yield _limit("", message("limit-overlap", count=open_pairs))

    def _pair(self, first: PlaceGroup, second: PlaceGroup) -> Finding | Verdict | None:
        """What the two have to do with each other, if anything; UNDECIDED where that was not decided."""
        at, others = _accepts(first), (_accepts(second),)
        met = self.questions.ask_in_scope(WantedVerdict(first.rule), WantedVerdict(second.rule))
        if met.possible is UNDECIDED:
            return UNDECIDED
        if met.possible is NO:
            return None
        is_inside = self.questions.is_within(first.rule, second.rule)
        contains = self.questions.is_within(second.rule, first.rule)
        if is_inside and contains:
            said = message("same", places=places_part([first, second]))
            return _finding(WARNING, at, said, others, met.example)
        if is_inside or contains:
            inner, outer = (first, second) if is_inside else (second, first)
            said = message("contained", inner=place_part(inner), outer=place_part(outer))
            return _finding(NOTE, _accepts(inner), said, (_accepts(outer),), met.example)
        code = "overlap-shown" if met.example is not None else "overlap-not-shown"
        what = message(code, first=place_part(first), second=place_part(second))
        return _finding(NOTE, at, message("overlap", what=what), others, met.example)

    # -- the catalogue and keys

    def _gaps(self) -> Iterator[Finding]:
        if self.questions.scope is None:
            return
        if len(self.groups) < len(self.definition.slots) + len(self.definition.free_choice) + len(
            self.questions.one_per_groups
        ):
            yield _limit("/one_per", message("limit-keys"))
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
            yield _finding(NOTE, "/scope", message("gap", what=message("gap-issue", issue=name)))
        if len(missed) > _MOST_GAPS:
            more = message("gap-more", count=len(missed) - _MOST_GAPS)
            yield _finding(NOTE, "/scope", message("gap", what=more))

    def _identifications(self) -> Iterator[Finding]:
        """An entry that lists its issues is complete by its author's word."""
        for number, entry in enumerate(self.definition.presumptions.identify):
            if entry.issues is not None:
                continue
            wanted = [WantedVerdict(entry.where.predicate)]
            complete = self._complete_catalogue()
            if complete is not None:
                wanted.append(WantedVerdict(complete, fits=False))
            found = self.questions.ask(*wanted)
            at = f"/identify/{number}/where"
            if found.possible is YES:
                coins = self.questions.wording.coin(entry.where.predicate)
                yield _finding(WARNING, at, message("identify-incomplete", coins=coins), (), found.example)
            elif found.possible is UNDECIDED:
                yield _limit(at, message("limit-identify"))

    def _complete_catalogue(self) -> Predicate | None:
        """The coins of which the catalogue says that it has every issue; None where it says so of none that these attributes
        describe."""
        described = {"issuer": "text", "denomination": "text", "year_on_coin": "integer"}
        attributes = self.definition.attributes
        if any(name not in attributes or attributes[name].type != kind for name, kind in described.items()):
            return None
        denominations: dict[tuple[str, int, int | None], list[Const]] = {}
        for span in self.claims.complete:
            alike = denominations.setdefault((span.issuer, span.first, span.last), [])
            alike.append(Const(span.denomination))
        spans = []
        for (issuer, first, last), named in denominations.items():
            year: list[Predicate] = [Comparison(">=", Ref("year_on_coin"), Const(first))]
            year += [] if last is None else [Comparison("<=", Ref("year_on_coin"), Const(last))]
            of_issuer = Comparison("=", Ref("issuer"), Const(issuer))
            spans.append(And((of_issuer, OneOf(Ref("denomination"), tuple(named)), *year)))
        return Or(tuple(spans)) if spans else None

    def _keys(self) -> Iterator[Finding]:
        for at, one_per in self.questions.one_per_groups.values():
            if not one_per.keys.is_open:
                yield from self._keys_of_group(at, one_per)
        groups = {group.id: group for group in self.groups if group.pointer.startswith("/free_choice/")}
        for choice in self.definition.free_choice:
            for rule in choice.rules if choice.id not in self.never else ():
                why = rule.kind.impossible(rule, FilledPlaces(self.questions, [groups[choice.id]]))
                if why is not None:
                    code = "too-few-keys" if rule.by else "constraint-never"
                    what = message("choice-never-filled", group=PlacePart(choice.id, shortened(choice.label)), why=why)
                    yield _finding(ERROR, rule.at, message(code, what=what))

    def _keys_of_group(self, at: int, one_per: OnePer) -> Iterator[Finding]:
        pointer, keys = f"/one_per/{at}/keys", self.keys[one_per.id].keys
        if not keys:
            group = PlacePart(one_per.id, shortened(one_per.name))
            what = message("group-without-keys", group=group)
            yield _finding(ERROR, pointer, message("too-few-keys", what=what))
        elif one_per.id not in self.never and len(keys) <= _MOST_KEYS_TRIED:
            found = self.keys[one_per.id]
            rules = ((key, place_group_of_key(self.definition, one_per, at, key, found).rule) for key in keys)
            dead = [
                f"'{key_in_words(key)}'"
                for key, rule in rules
                if self.questions.ask_in_scope(WantedVerdict(rule)).possible is NO
            ]
            if dead:
                group = PlacePart(one_per.id, shortened(one_per.name))
                what = message("group-never-filled", group=group, keys=some(dead))
                yield _finding(ERROR, pointer, message("too-few-keys", what=what))

    # -- constraints

    def _constraints(self) -> Iterator[Finding]:
        for constraint in self.definition.constraints:
            named = [group for group in self._covered(constraint.places) if group.id not in self.never]
            covered = [group for group in named if group.places]
            open_groups = [group for group in named if not group.places]
            bound = next((group for group in self.groups if group.id == constraint.place), None)
            filled = FilledPlaces(self.questions, covered, open_groups, bound)
            why = constraint.kind.impossible(constraint, filled)
            if why is not None:
                others = dict.fromkeys(group.pointer for group in covered)
                rule = ConstraintPart(constraint.id, shortened(constraint.label))
                said = message("constraint-never", what=message(constraint.kind.never, rule=rule, why=why))
                yield _finding(ERROR, constraint.at, said, others)

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
                said = message("unused-attribute", attribute=item["name"])
                yield _finding(NOTE, f"/attributes/{at}", said)

    def _unknown_terms(self) -> Iterator[Finding]:
        for unknown, (first, *others) in unknown_constants(self.definition):
            what = unknown.told(self.definition.vocabularies[unknown.vocabulary])
            yield _finding(WARNING, first, message("unknown-term", what=what), others)

    def _tiers(self) -> Iterator[Finding]:
        for tier in ("required", "optional"):
            there = [group for group in self.groups if group.tier == tier]
            if there and all(group.id in self.never for group in there) and not self.definition.one_per:
                said = message("unreachable-tier", tier=tier)
                yield _finding(WARNING, there[0].pointer, said, (place.pointer for place in there[1:]))

    # -- the author's test cases

    def _examples(self) -> Iterator[Finding]:
        today, narrows = self.questions.context.today, self.claims.narrows
        runs = ExampleRuns(self.definition, self.catalogue, self.keys, today, self.replaces, narrows)
        for failed in runs.failed():
            yield _finding(ERROR, failed.pointer, failed.said, () if failed.about is None else (failed.about,))
        if runs.is_cut:
            yield _limit("/examples", message("limit-examples"))


def _accepts(group: PlaceGroup) -> str:
    return f"{group.pointer}/accepts"
