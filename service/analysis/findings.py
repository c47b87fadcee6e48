"""Checking a definition before a club relies on it (rules.md section 7): findings in plain words, with example coins."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from itertools import combinations
from typing import Any

from service.analysis.key_feasibility import KeyValues, can_agree, key_combinations, most_places_filled, possible_values
from service.analysis.place_groups import (
    PlaceGroup,
    are_disjoint_on,
    may_meet,
    place_group_of_key,
    place_groups_of,
    reach_of,
)
from service.analysis.satisfiability import WantedVerdict, Witness, find_witness
from service.errors import Fault
from service.evaluation.places import Collection, keys_of
from service.evaluation.table import Table
from service.facts.holding import Facts, View
from service.facts.knowledge import Value
from service.facts.truth import NO, UNDECIDED, YES
from service.rules.definition import Definition, OnePer
from service.rules.labels import listed
from service.rules.predicates import EvaluationContext, Predicate, both, reads
from service.rules.rule import Rule
from service.rules.wording import RuleWording

ERROR, WARNING, NOTE = "error", "warning", "note"
SEVERITIES = (ERROR, WARNING, NOTE)
_MOST_PAIRS = 4_000
_MOST_WORK = 20_000_000
_MOST_GAPS = 50
_MOST_KEYS_TRIED = 400
_MOST_AGREEMENTS = 1_000
_MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. `pointer` leads to what it is about, `others` to what it is about as well; `example` are the facts of a
    coin that shows it."""

    code: str
    severity: str
    pointer: str
    message: str
    others: tuple[str, ...] = ()
    example: dict[str, Any] | None = None

    def as_json(self) -> dict[str, Any]:
        """The finding as plain values; absent parts are left out."""
        parts: dict[str, Any] = {"code": self.code, "severity": self.severity, "pointer": self.pointer}
        parts["message"] = self.message
        if self.others:
            parts["others"] = list(self.others)
        if self.example is not None:
            parts["example"] = self.example
        return parts


def findings_of_faults(faults: Iterable[Fault]) -> list[Finding]:
    """What is wrong with a document that cannot be read, as findings."""
    return [Finding(fault.code, ERROR, fault.pointer, _said(fault)) for fault in faults]


def _said(fault: Fault) -> str:
    where = f" (line {fault.line}, column {fault.column})" if fault.line is not None else ""
    return f"{fault.message}{where}{f'; {fault.hint}' if fault.hint else ''}"


def check_definition(definition: Definition, catalogue: Mapping[str, Facts], today: date) -> list[Finding]:
    """All findings, in the order of the document within each kind. Pure."""
    return list(_Check(definition, catalogue, today).findings())


class _Check:
    def __init__(self, definition: Definition, catalogue: Mapping[str, Facts], today: date) -> None:
        self.definition, self.catalogue = definition, catalogue
        self.context = EvaluationContext(today, definition.vocabularies)
        self.speak = RuleWording(definition.attributes, definition.vocabularies)
        self.scope = definition.scope.predicate if definition.scope is not None else None
        self.inside = () if self.scope is None else (WantedVerdict(self.scope),)
        self.groups = {group.id: (at, group) for at, group in enumerate(definition.one_per)}
        collection = Collection((), catalogue, self.context)
        self.keys = {
            group.id: keys_of(definition, group, collection, None)
            for group in definition.one_per
            if not group.keys.is_open
        }
        self.posts = place_groups_of(definition, self.keys)
        self.reaches = {post.id: reach_of(post.rule) for post in self.posts}
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
        """Past the work that one check may cost every further question stays undecided."""
        if self.work > _MOST_WORK:
            return Witness(UNDECIDED)
        found = find_witness(wanted, self.definition.attributes, self.context)
        self.work += found.work
        return found

    # -- one place by itself

    def _each_place(self) -> Iterator[Finding]:
        for post in self.posts:
            if post.compared:
                yield from self._of_place(post)
        if self.undecided:
            message = f"Whether any coin can fit was not decided for {_named(self.undecided)}: past what is worked out."
            first, *others = map(_accepts, self.undecided)
            yield Finding("limit", NOTE, first, message, tuple(others))

    def _of_place(self, post: PlaceGroup) -> Iterator[Finding]:
        at, words = f"{post.pointer}/accepts", self.speak.coin(post.rule)
        possible = self._ask(WantedVerdict(post.rule)).possible
        if possible is NO:
            self.never.add(post.id)
            yield Finding("never", ERROR, at, f"No coin can ever fit '{post.label}': {words}.")
            return
        if self._ask(WantedVerdict(post.rule, fits=False)).possible is NO:
            yield Finding("always", NOTE, at, f"Every coin fits '{post.label}'.")
        if self.scope is not None:
            possible = self._ask(WantedVerdict(post.rule), *self.inside).possible
            if possible is NO:
                self.never.add(post.id)
                outside = f"What '{post.label}' takes lies outside the scope: {self.speak.coin(self.scope)}."
                yield Finding("outside-scope", ERROR, at, outside, ("/scope",))
        if possible is UNDECIDED:
            self.undecided.append(post)

    # -- two places

    def _pairs(self) -> Iterator[Finding]:
        alike: dict[Predicate, list[PlaceGroup]] = {}
        for post in self.posts:
            if post.compared and post.id not in self.never:
                alike.setdefault(post.rule, []).append(post)
        for posts in alike.values():
            if len(posts) > 1:
                message = f"{_named(posts)} take the same coins."
                yield Finding("same", WARNING, _accepts(posts[0]), message, tuple(map(_accepts, posts[1:])))
        # Of places with the very same rule the first speaks for all.
        alone = [posts[0] for posts in alike.values()]
        open_pairs = 0
        for asked, (first, second) in enumerate(may_meet([self.reaches[post.id] for post in alone])):
            if asked == _MOST_PAIRS or self.work > _MOST_WORK:
                message = f"Only the first {asked} pairs of places that may meet were compared."
                yield Finding("limit", NOTE, "", message)
                break
            finding = self._pair(alone[first], alone[second])
            if finding is not None and finding.code == "limit":
                open_pairs += 1
            elif finding is not None:
                yield finding
        if open_pairs:
            message = f"Whether one coin can fit both was not decided for {open_pairs} pairs of places."
            yield Finding("limit", NOTE, "", message)

    def _pair(self, first: PlaceGroup, second: PlaceGroup) -> Finding | None:
        at, others = _accepts(first), (_accepts(second),)
        met = self._ask(WantedVerdict(first.rule), WantedVerdict(second.rule), *self.inside)
        if met.possible is UNDECIDED:
            return Finding("limit", NOTE, at, "", others)
        if met.possible is NO:
            return None
        is_inside = (
            self._ask(WantedVerdict(first.rule), WantedVerdict(second.rule, fits=False), *self.inside).possible is NO
        )
        contains = (
            self._ask(WantedVerdict(second.rule), WantedVerdict(first.rule, fits=False), *self.inside).possible is NO
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
        if len(self.posts) < len(self.definition.slots) + len(self.definition.free_choice) + len(self.groups):
            message = "A group has too many keys to look for issues that fit no place."
            yield Finding("limit", NOTE, "/one_per", message)
            return
        table = Table(self.definition.attributes, self.context)
        missed = []
        for name, facts in self.catalogue.items():
            views = (View(facts, name),)
            if table.verdict(self.scope, views) is not YES:
                continue
            if all(table.verdict(post.rule, views) is NO for post in self.posts):
                missed.append(name)
        for name in missed[:_MOST_GAPS]:
            yield Finding("gap", NOTE, "/scope", f"The issue '{name}' is in scope and fits no place.")
        if len(missed) > _MOST_GAPS:
            yield Finding("gap", NOTE, "/scope", f"And {len(missed) - _MOST_GAPS} more issues in scope fit no place.")

    def _keys(self) -> Iterator[Finding]:
        for at, group in self.groups.values():
            if not group.keys.is_open:
                yield from self._keys_of_group(at, group)
        at_choices = {post.id: post for post in self.posts if post.pointer.startswith("/free_choice/")}
        for choice in self.definition.free_choice:
            for rule in choice.rules if choice.id not in self.never else ():
                message = rule.kind.impossible(rule, _FilledPlaces(self, [at_choices[choice.id]]))
                if message is not None:
                    code = "too-few-keys" if rule.by else "constraint-never"
                    yield Finding(code, ERROR, rule.at, f"'{choice.label}' can never be filled: {message}.")

    def _keys_of_group(self, at: int, group: OnePer) -> Iterator[Finding]:
        pointer, keys = f"/one_per/{at}/keys", self.keys[group.id]
        if not keys:
            yield Finding("too-few-keys", ERROR, pointer, f"'{group.id}' has no key, so it has no place.")
        elif group.id not in self.never and len(keys) <= _MOST_KEYS_TRIED:
            rules = ((key, place_group_of_key(self.definition, group, at, key).rule) for key in keys)
            dead = [f"'{key}'" for key, rule in rules if self._ask(WantedVerdict(rule), *self.inside).possible is NO]
            if dead:
                more = [f"{len(dead) - _MOST_NAMED} more"] if len(dead) > _MOST_NAMED else []
                named = listed([*dead[:_MOST_NAMED], *more], "and")
                message = f"'{group.id}' can never be filled: no coin in its scope and rule has the key {named}."
                yield Finding("too-few-keys", ERROR, pointer, message)

    # -- constraints

    def _constraints(self) -> Iterator[Finding]:
        for constraint in self.definition.constraints:
            covered = [post for post in self._covered(constraint.places) if post.places and post.id not in self.never]
            message = constraint.kind.impossible(constraint, _FilledPlaces(self, covered))
            if message is not None:
                others = tuple(dict.fromkeys(post.pointer for post in covered))
                told = f"'{constraint.id}' can never hold with all its places filled: {message}."
                yield Finding("constraint-never", ERROR, constraint.at, told, others)

    def _covered(self, names: tuple[str, ...]) -> Iterator[PlaceGroup]:
        """The posts that a constraint stands over, with as many of their places as it names."""
        wanted = set(names)
        for post in self.posts:
            if not wanted or post.id in wanted:
                yield post
                continue
            parts = {name.removeprefix(f"{post.id}/") for name in wanted if name.startswith(f"{post.id}/")}
            if post.id not in self.groups:
                if parts:
                    yield replace(post, places=len(parts))
                continue
            at, group = self.groups[post.id]
            for key in self.keys.get(post.id, ()):
                if key in parts:
                    yield place_group_of_key(self.definition, group, at, key)

    def too_many_fit(self, where: Rule, most: int, covered: list[PlaceGroup]) -> str | None:
        misfit = WantedVerdict(where.predicate, fits=False)
        bound = [p for p in covered if self._ask(WantedVerdict(p.rule), misfit, *self.inside).possible is NO]
        places = sum(post.places for post in bound)
        return (
            f"every coin for {_named(bound)} counts ({places} places), and only {most} may" if places > most else None
        )

    def never_agree(self, by: tuple[str, ...], covered: list[PlaceGroup]) -> str | None:
        for post in covered:
            group = self.groups[post.id][1] if post.id in self.groups else None
            if group is None or post.places < 2 or group.attribute not in by or group.keys.source == "vocabulary":
                continue
            if not self.definition.attributes[group.attribute].many:
                return f"every place of '{post.label}' has its own {self.speak.name(group.attribute)}"
        # Of places with the very same rule the first speaks for all.
        alone = list({post.rule: post for post in reversed(covered)}.values())[::-1]
        reaches = [reach_of(post.rule) for post in alone]
        asked = 0
        for first, second in combinations(range(len(alone)), 2):
            self.work += 1
            for name in by:
                never = are_disjoint_on(name, reaches[first], reaches[second])
                if not never and asked < _MOST_AGREEMENTS and self.work <= _MOST_WORK:
                    asked += 1
                    rules = (both(alone[first].rule, self.scope), both(alone[second].rule, self.scope))
                    agreed = can_agree(name, *rules, self.definition.attributes, self.context)
                    self.work += agreed.work
                    never = agreed.possible is NO
                if never:
                    return f"{_named([alone[first], alone[second]])} can never agree in {self.speak.name(name)}"
            if self.work > _MOST_WORK:
                return None
        return None

    def too_few_keys(self, by: tuple[str, ...], most: int, demand: str, covered: list[PlaceGroup]) -> str | None:
        known: dict[Predicate, frozenset[KeyValues] | None] = {}
        places: list[frozenset[KeyValues]] = []
        for post in covered:
            if post.rule not in known:
                nothing: frozenset[KeyValues] = frozenset()
                known[post.rule] = nothing if most == 0 else key_combinations([self._shown(name, post) for name in by])
            keys = known[post.rule]
            if keys is not None:
                places += [keys] * post.places
                self.work += len(keys) * post.places
        if self.work > _MOST_WORK:
            return None
        filled = most_places_filled(places, most)
        if filled == len(places):
            return None
        asked = demand.format(by=listed([self.speak.name(name) for name in by], "and"))
        return f"of its {len(places)} places {asked}, so only {filled} can be filled"

    def _shown(self, name: str, post: PlaceGroup) -> frozenset[Value] | None:
        if self.work > _MOST_WORK:
            return None
        wanted = (WantedVerdict(post.rule), *self.inside)
        values, work = possible_values(name, wanted, reach_of(post.rule), self.definition.attributes, self.context)
        self.work += work
        return values

    # -- what is left over

    def _unused(self) -> Iterator[Finding]:
        read = {name for rule in self.definition.rules() for name in reads(rule.predicate)}
        document = self.definition
        read |= {group.attribute for group in document.one_per}
        read |= {name for c in document.constraints for name in c.by}
        read |= {name for choice in document.free_choice for rule in choice.rules for name in rule.by}
        prefer = [document.prefer, *(slot.prefer for slot in document.slots)]
        prefer += [group.prefer for group in document.one_per] + [choice.prefer for choice in document.free_choice]
        read |= {preference.attribute for preferences in prefer for preference in preferences}
        for at, item in enumerate(document.document.get("attributes", ())):
            if item["name"] not in read:
                message = f"The attribute '{item['name']}' is declared and never read."
                yield Finding("unused-attribute", NOTE, f"/attributes/{at}", message)

    def _tiers(self) -> Iterator[Finding]:
        for tier in ("required", "optional"):
            there = [post for post in self.posts if post.tier == tier]
            if there and all(post.id in self.never for post in there) and not self.definition.one_per:
                message = f"None of the {tier} places can ever be filled."
                yield Finding(
                    "unreachable-tier", WARNING, there[0].pointer, message, tuple(p.pointer for p in there[1:])
                )


@dataclass(frozen=True, slots=True)
class _FilledPlaces:
    """The places of one constraint, all of them filled (constraints.Feasibility)."""

    check: _Check
    covered: list[PlaceGroup]

    def never_agree(self, by: tuple[str, ...]) -> str | None:
        return self.check.never_agree(by, self.covered)

    def too_few_keys(self, by: tuple[str, ...], most: int, demand: str) -> str | None:
        return self.check.too_few_keys(by, most, demand, self.covered)

    def too_many_fit(self, where: Rule, most: int) -> str | None:
        return self.check.too_many_fit(where, most, self.covered)


def _accepts(post: PlaceGroup) -> str:
    return f"{post.pointer}/accepts"


def _named(posts: list[PlaceGroup]) -> str:
    """The labels of the posts, the first few."""
    more = [f"{len(posts) - _MOST_NAMED} more"] if len(posts) > _MOST_NAMED else []
    return listed([*(f"'{post.label}'" for post in posts[:_MOST_NAMED]), *more], "and")
