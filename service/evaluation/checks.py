"""Checking a definition before a club relies on it (rules.md section 7): findings in plain words, with example coins."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import combinations
from typing import Any

from service.errors import Fault
from service.evaluation.columns import clauses, gathered, normal
from service.evaluation.lookup import Interval, interval_of, texts_of
from service.evaluation.places import Collection, key_test, keys_of
from service.evaluation.table import Table
from service.evaluation.witness import Found, Wanted, some_coin
from service.facts.holding import Facts, View
from service.facts.truth import NO, YES
from service.rules.constraints import Constraint
from service.rules.definition import Definition, OnePer
from service.rules.predicates import Const, OneOf, Or, Predicate, Ref, Surroundings, both, reads
from service.rules.wording import Speaker, listed

ERROR, WARNING, NOTE = "error", "warning", "note"
SEVERITIES = (ERROR, WARNING, NOTE)
MOST_PAIRS = 4_000
MOST_GAPS = 50
MOST_COMPARED_KEYS = 60


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


@dataclass(frozen=True, slots=True)
class Post:
    """A slot or a group as the check sees it: what a coin must fit, without the scope."""

    id: str
    label: str
    rule: Predicate
    pointer: str
    tier: str
    places: int


def of_faults(faults: Iterable[Fault]) -> list[Finding]:
    """What is wrong with a document that cannot be read, as findings."""
    return [Finding(fault.code, ERROR, fault.pointer, _said(fault)) for fault in faults]


def _said(fault: Fault) -> str:
    where = f" (line {fault.line}, column {fault.column})" if fault.line is not None else ""
    return f"{fault.message}{where}{f'; {fault.hint}' if fault.hint else ''}"


def check(definition: Definition, catalogue: Mapping[str, Facts], today: date) -> list[Finding]:
    """All findings, in the order of the document within each kind. Pure."""
    return list(_Check(definition, catalogue, today).findings())


class _Check:
    def __init__(self, definition: Definition, catalogue: Mapping[str, Facts], today: date) -> None:
        self.definition, self.catalogue = definition, catalogue
        self.around = Surroundings(today, definition.vocabularies)
        self.speak = Speaker(definition.attributes, definition.vocabularies)
        self.posts = list(self._posts())
        self.never: set[str] = set()

    def findings(self) -> Iterator[Finding]:
        yield from self._each_place()
        yield from self._pairs()
        yield from self._gaps()
        yield from self._keys()
        yield from self._constraints()
        yield from self._unused()
        yield from self._tiers()

    def _posts(self) -> Iterator[Post]:
        document = self.definition
        for at, slot in enumerate(document.slots):
            yield Post(slot.id, slot.label, slot.accepts.predicate, f"/slots/{at}", slot.tier, 1)
        for at, choice in enumerate(document.free_choice):
            rule = choice.accepts.predicate
            yield Post(choice.id, choice.label, rule, f"/free_choice/{at}", choice.tier, choice.places)
        for at, group in enumerate(document.one_per):
            taken = self._of_group(group)
            if taken is not None:
                yield Post(group.id, group.id, taken, f"/one_per/{at}", group.tier, 1)

    def _of_group(self, group: OnePer) -> Predicate | None:
        """What a coin must be for some place of the group; None where the keys are open or too many to compare."""
        accepts = group.accepts.predicate if group.accepts is not None else None
        if group.keys.is_open:
            return accepts
        keys = keys_of(self.definition, group, Collection((), self.catalogue, self.around), accepts)
        if not 0 < len(keys) <= MOST_COMPARED_KEYS:
            return None
        if group.keys.source != "vocabulary" and not self.definition.attributes[group.attribute].many:
            one_of_them: Predicate = OneOf(Ref(group.attribute), tuple(Const(key) for key in keys))
        else:
            one_of_them = Or(tuple(key_test(self.definition, group, key)[1] for key in keys))
        return both(accepts, one_of_them)

    def _ask(self, *wanted: Wanted) -> Found:
        return some_coin(wanted, self.definition.attributes, self.around)

    # -- one place by itself

    def _each_place(self) -> Iterator[Finding]:
        scope = self.definition.scope
        for post in self.posts:
            at, words = f"{post.pointer}/accepts", self.speak.coin(post.rule)
            if self._ask(Wanted(post.rule)).possible is NO:
                self.never.add(post.id)
                yield Finding("never", ERROR, at, f"No coin can ever fit '{post.label}': {words}.")
                continue
            if self._ask(Wanted(post.rule, fits=False)).possible is NO:
                yield Finding("always", NOTE, at, f"Every coin fits '{post.label}'.")
            if scope is not None and self._ask(Wanted(post.rule), Wanted(scope.predicate)).possible is NO:
                self.never.add(post.id)
                outside = f"What '{post.label}' takes lies outside the scope: {self.speak.coin(scope.predicate)}."
                yield Finding("outside-scope", ERROR, at, outside, ("/scope",))

    # -- two places

    def _pairs(self) -> Iterator[Finding]:
        reaches = {post.id: _reach(post.rule) for post in self.posts}
        alive = [post for post in self.posts if post.id not in self.never]
        asked = 0
        for first, second in combinations(alive, 2):
            if _apart(reaches[first.id], reaches[second.id]):
                continue
            asked += 1
            if asked > MOST_PAIRS:
                yield Finding(
                    "limit", NOTE, "", f"Only the first {MOST_PAIRS} pairs of places that may meet were compared."
                )
                return
            finding = self._pair(first, second)
            if finding is not None:
                yield finding

    def _pair(self, first: Post, second: Post) -> Finding | None:
        at, others = f"{first.pointer}/accepts", (f"{second.pointer}/accepts",)
        if first.rule == second.rule:
            return Finding("same", WARNING, at, f"'{first.label}' and '{second.label}' take the same coins.", others)
        scope = self.definition.scope
        inside = () if scope is None else (Wanted(scope.predicate),)
        met = self._ask(Wanted(first.rule), Wanted(second.rule), *inside)
        if met.possible is not YES:
            return None
        within = self._ask(Wanted(first.rule), Wanted(second.rule, fits=False), *inside).possible is NO
        around = self._ask(Wanted(second.rule), Wanted(first.rule, fits=False), *inside).possible is NO
        if within and around:
            return Finding("same", WARNING, at, f"'{first.label}' and '{second.label}' take the same coins.", others)
        if within or around:
            inner, outer = (first, second) if within else (second, first)
            message = f"Every coin that fits '{inner.label}' fits '{outer.label}' too."
            pointers = (f"{inner.pointer}/accepts", (f"{outer.pointer}/accepts",))
            return Finding("contained", NOTE, pointers[0], message, pointers[1], met.example)
        message = f"One coin can fit both '{first.label}' and '{second.label}'; the example does."
        return Finding("overlap", NOTE, at, message, others, met.example)

    # -- the catalogue, keys, constraints

    def _gaps(self) -> Iterator[Finding]:
        scope = self.definition.scope
        if scope is None:
            return
        table = Table(self.definition.attributes, self.around)
        if len([post for post in self.posts if post.pointer.startswith("/one_per/")]) < len(self.definition.one_per):
            return  # what some group takes is not known here, so nothing can be said to fit no place
        missed = []
        for name, facts in self.catalogue.items():
            views = (View(facts, name),)
            if table.verdict(scope.predicate, views) is not YES:
                continue
            if all(table.verdict(post.rule, views) is NO for post in self.posts):
                missed.append(name)
        for name in missed[:MOST_GAPS]:
            yield Finding("gap", NOTE, "/scope", f"The issue '{name}' is in scope and fits no place.")
        if len(missed) > MOST_GAPS:
            yield Finding("gap", NOTE, "/scope", f"And {len(missed) - MOST_GAPS} more issues in scope fit no place.")

    def _keys(self) -> Iterator[Finding]:
        collection = Collection((), self.catalogue, self.around)
        for at, group in enumerate(self.definition.one_per):
            if group.keys.is_open:
                continue
            base = group.accepts.predicate if group.accepts is not None else None
            if not keys_of(self.definition, group, collection, base):
                yield Finding(
                    "too-few-keys", ERROR, f"/one_per/{at}/keys", f"'{group.id}' has no key, so it has no place."
                )
        for at, choice in enumerate(self.definition.free_choice):
            for rule in choice.rules:
                most = self._most_keys(choice.accepts.predicate, rule.by) if rule.kind == "different" else None
                if most is not None and most < choice.places:
                    by = listed([self.speak.name(name) for name in rule.by], "and")
                    message = f"'{choice.label}' has {choice.places} places that differ in {by}, and only {most} can."
                    yield Finding("too-few-keys", ERROR, f"/free_choice/{at}/distinct", message)

    def _most_keys(self, rule: Predicate, by: tuple[str, ...]) -> int | None:
        """How many keys coins that fit can show; None where there is no end to them. Known to be none is a key too."""
        most = 1
        for name in by:
            attribute, reach = self.definition.attributes[name], _reach(rule).get(name)
            if isinstance(reach, frozenset):
                most *= len(reach)
            elif attribute.type == "boolean":
                most *= 3
            elif attribute.values and not attribute.many:
                most *= len(attribute.values) + 1
            elif isinstance(reach, Interval) and attribute.type == "integer" and _is_closed(reach.whole()):
                whole = reach.whole()
                most *= max(0, whole.high - whole.low + 1)
            else:
                return None
        return most

    def _constraints(self) -> Iterator[Finding]:
        for constraint in self.definition.constraints:
            covered = [post for post in self.posts if not constraint.places or post.id in constraint.places]
            message = self._impossible(constraint, covered)
            if message is not None:
                others = tuple(post.pointer for post in covered)
                yield Finding("constraint-never", ERROR, constraint.at, message, others)

    def _impossible(self, constraint: Constraint, covered: list[Post]) -> str | None:
        """Why the constraint can never hold with all of its places filled; None where it can, or that is not known."""
        if constraint.kind == "same":
            for first, second in combinations(covered, 2):
                names = [n for n in constraint.by if _apart_on(n, _reach(first.rule), _reach(second.rule))]
                if names:
                    name = self.speak.name(names[0])
                    return f"'{first.label}' and '{second.label}' can never agree in {name}, so '{constraint.id}' never holds."
        if constraint.kind == "different":
            places = sum(post.places for post in covered)
            reach = [self._most_keys(post.rule, constraint.by) for post in covered]
            alike = {repr(_reach(post.rule).get(name)) for post in covered for name in constraint.by}
            if len(constraint.by) == 1 and len(alike) == 1 and reach and reach[0] is not None and reach[0] < places:
                return f"'{constraint.id}' asks {places} places to differ, and only {reach[0]} can."
        if constraint.kind == "at_most" and constraint.where is not None:
            where = constraint.where.predicate
            bound = [p for p in covered if self._ask(Wanted(p.rule), Wanted(where, fits=False)).possible is NO]
            places = sum(post.places for post in bound if post.id not in self.never)
            if places > constraint.count:
                named = listed([f"'{post.label}'" for post in bound[:5]], "and")
                return (
                    f"'{constraint.id}' allows {constraint.count}, and every coin for {named} counts ({places} places)."
                )
        return None

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


Reach = dict[str, frozenset[str] | Interval]


def _reach(rule: Predicate) -> Reach:
    """What the clauses that every fitting coin must fit allow of single attributes: texts, or an interval."""
    found: Reach = {}
    whole = gathered(normal(rule))
    for clause in clauses(whole) if not isinstance(whole, Or) else ():
        names = reads(clause)
        if len(names) != 1 or not _must(whole, clause):
            continue
        (name,) = names
        texts = texts_of(clause)
        interval = interval_of(clause)
        if texts is not None:
            found[name] = frozenset(texts)
        elif interval is not None:
            found[name] = interval
    return found


def _must(whole: Predicate, clause: Predicate) -> bool:
    """Whether the clause stands in the outermost and, so that every fitting coin fits it."""
    return whole == clause or clause in getattr(whole, "items", ())


def _is_closed(interval: Interval) -> bool:
    return interval.low is not None and interval.high is not None


def _apart(first: Reach, second: Reach) -> bool:
    return any(_apart_on(name, first, second) for name in first.keys() & second.keys())


def _apart_on(name: str, first: Reach, second: Reach) -> bool:
    mine, its = first.get(name), second.get(name)
    if isinstance(mine, frozenset) and isinstance(its, frozenset):
        return mine.isdisjoint(its)
    return isinstance(mine, Interval) and isinstance(its, Interval) and mine.meet(its).is_empty
