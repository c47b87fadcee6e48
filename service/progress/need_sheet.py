"""The need sheet of an evaluated set: its rules as lookups, and what one more coin brings at each place (docs/need-sheets.md).
Pure.

An answer that a reader gets from it, other than to ask, is that of `service.progress.candidates` for the same evaluation.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import Any

from service.assignment.network import all_losses
from service.assignment.newcomer import EMPTY, Displacement, newcomer
from service.assignment.problem import Basis, SetRule
from service.evaluation.engine import ENGINE
from service.evaluation.explanation import conjuncts
from service.evaluation.lookup_table import LookupMaker, RuleLookup
from service.evaluation.places import Place, group_base
from service.facts.attributes import Attribute
from service.facts.holding import Facts
from service.facts.knowledge import (
    Among,
    Number,
    Value,
    knowledge_as_json,
    plain_number,
    value_as_json,
)
from service.progress.evaluate import EvaluationRequest, names_of_some, stamp_of
from service.progress.need_sheet_answer import (
    Asked,
    Beside,
    Chain,
    KeyCondition,
    Move,
    NeedSheet,
    OpenGroup,
    OpenGroupPart,
    RuleCondition,
    Seat,
    SheetAttribute,
    SheetClause,
    SheetIdentification,
    SheetIssue,
    SheetPlace,
    SheetPreference,
    SheetPresumption,
    SheetVocabulary,
)
from service.progress.result import Status, criterion_of
from service.progress.whatif import Evaluated
from service.rules.agreement import alike, can_contradict
from service.rules.constraints import AT_MOST, DIFFERENT, NOT_ELSEWHERE, SAME, Constraint
from service.rules.definition import OnePer
from service.rules.keys import Key
from service.rules.predicates import EvaluationContext, Predicate, all_of, leaves
from service.rules.preferences import Preference
from service.rules.wording import RuleWording

_MOST_DECIMALS, _LARGEST = 10**6, 10**9
"""Numbers of preferences that readers add up: whole millionths, far below 2^53."""
_OWN_LEVELS = "prefer-"


class SheetVocabularies:
    """The vocabularies of all sheets of a document: by name, and under another one where a set has terms of its own."""

    def __init__(self) -> None:
        self.found: dict[str, SheetVocabulary] = {}

    def key_of(self, name: str, context: EvaluationContext) -> str | None:
        """Under what name a set's vocabulary is in the document; None where there is none of the name."""
        scheme = context.vocabularies.get(name)
        if scheme is None:
            return None
        made = SheetVocabulary(name=name, terms={term: one.label for term, one in scheme.concepts.items()})
        key, number = name, 1
        while self.found.setdefault(key, made) != made:
            number += 1
            key = f"{name}-{number}"
        return key


def need_sheet(evaluated: Evaluated, vocabularies: SheetVocabularies) -> NeedSheet:
    """The sheet of a set; `vocabularies` are added to."""
    return _Sheet(evaluated, vocabularies).made()


def no_sheet(request: EvaluationRequest, why: str) -> NeedSheet:
    """The sheet of a set that cannot be evaluated: the service is to be asked, and says why."""
    return NeedSheet(**_about(request), ask=why, **_EMPTY)


_EMPTY: dict[str, Any] = {
    **{name: [] for name in ("levels", "attributes", "rules", "presume", "identify", "issues", "preferences")},
    "agreement": {},
    "places": [],
    "open_groups": [],
    "named": {},
}


def _about(request: EvaluationRequest) -> dict[str, Any]:
    return {
        "definition": stamp_of(request),
        "title": request.definition.title,
        "holdings_state": request.holdings_state,
        "evaluated_on": request.today,
        "reference_edition": request.reference_edition,
        "engine_version": ENGINE,
    }


class _Rules:
    """The distinct rules of a sheet, by number."""

    def __init__(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> None:
        self._maker = LookupMaker(attributes, context)
        self._numbers: dict[Predicate, int] = {}
        self.lookups: list[RuleLookup] = []

    def number(self, predicate: Predicate) -> int:
        found = self._numbers.get(predicate)
        if found is None:
            found = self._numbers[predicate] = len(self.lookups)
            self.lookups.append(self._maker.of(predicate))
        return found

    @property
    def predicates(self) -> Iterable[Predicate]:
        return self._numbers


class _Sheet:
    def __init__(self, evaluated: Evaluated, vocabularies: SheetVocabularies) -> None:
        self.request, self.instance = evaluated.request, evaluated.instance
        self.solution = evaluated.whole.solution
        self.definition = self.request.definition
        self.attributes, self.context = self.definition.attributes, self.request.context
        self.vocabularies = vocabularies
        self.seats = {placement.place: placement for placement in self.solution.placements}
        self.rules = _Rules(self.attributes, self.context)
        self.wording = RuleWording(self.attributes, self.context.vocabularies)
        self.read: set[str] = set()
        self.issue_texts: dict[str, list[str]] = {}

    def made(self) -> NeedSheet:
        # All rules first: what is told of attributes follows from them.
        places = self._places()
        preferences = [self._preference(level, one, at) for level, one, at in self.preferences.values()]
        groups = [self._open_group(group) for group in self.definition.one_per if group.keys.is_open]
        presume, identify, issues = self._presumptions()
        self.issue_texts = self._texts_of(issues)
        for predicate in self.rules.predicates:
            self.read.update(name for leaf in leaves(predicate) for name in leaf.reads)
        named = {place.holding for place in places if place.holding is not None}
        named |= {
            seat.holding
            for place in places
            if isinstance(place.coin, Chain)
            for move in place.coin.moves
            for seat in (move.before, move.after)
            if seat is not None
        }
        return NeedSheet(
            **_about(self.request),
            ask=None,
            levels=list(self.levels),
            attributes=[self._attribute(name) for name in sorted(self.read)],
            rules=self.rules.lookups,
            presume=presume,
            identify=identify,
            issues=issues,
            agreement=self._agreement(),
            preferences=preferences,
            places=places,
            open_groups=groups,
            named=names_of_some(self.request, named),
        )

    # -- places

    def _places(self) -> list[SheetPlace]:
        coming = newcomer(self.instance.problem, self.solution.placements)
        doubtful = {coming.leaders[at] for at, seat in self.seats.items() if seat.basis is not Basis.FIRM}
        made = []
        for at, place in enumerate(self.instance.places):
            coin: Chain | Beside | Asked
            if at in coming.large:
                coin = Asked(because="large")
            elif not self.are_numbers_simple:
                coin = Asked(because="numbers")
            elif at in coming.ruled:
                coin = self._beside(at)
            else:
                coin = self._chain(coming.at[at], coming.leaders[at] in doubtful)
            made.append(self._place(at, place, coin))
        return made

    def _place(self, at: int, place: Place, coin: Chain | Beside | Asked) -> SheetPlace:
        seat = self.seats.get(at)
        status: Status = "empty" if seat is None else "filled" if seat.basis is Basis.FIRM else "tentative"
        self.read.update(one.attribute for one in place.prefer if one.where is None)
        return SheetPlace(
            place=place.address,
            label=place.label,
            tier=place.tier,  # type: ignore[arg-type]
            kind=place.kind,  # type: ignore[arg-type]
            group=place.group or None,
            look_at=place.look_at,
            rule=self.rules.number(place.predicate),
            clauses=[
                SheetClause(rule=self.rules.number(clause), needs=self._needs(clause))
                for _, clause in conjuncts(place.parts)
            ],
            status=status,
            holding=None if seat is None else self.instance.coins.ids[seat.holding],
            preferences=[self._preference_number(level, one) for level, one in enumerate(place.prefer)],
            coin=coin,
        )

    def _needs(self, clause: Predicate) -> str:
        known = self._words.get(id(clause))
        if known is None:
            known = self._words[id(clause)] = self.wording.need(clause)
        return known

    @cached_property
    def _words(self) -> dict[int, str]:
        return {}

    # -- what a coin loses

    @cached_property
    def levels(self) -> Mapping[str, Any]:
        """What the edges of the instance lose, by level; on those of preferences in steps."""
        return all_losses(self.instance.problem, self.instance.edges)

    @cached_property
    def preferences(self) -> dict[tuple[int, int], tuple[int, Preference, list[int]]]:
        """By level and identity: the level, the preference and the places that it is for."""
        found: dict[tuple[int, int], tuple[int, Preference, list[int]]] = {}
        for at, place in enumerate(self.instance.places):
            for level, one in enumerate(place.prefer):
                found.setdefault((level, id(one)), (level, one, []))[2].append(at)
        return found

    @cached_property
    def _numbers(self) -> dict[tuple[int, int], int]:
        return {key: number for number, key in enumerate(self.preferences)}

    def _preference_number(self, level: int, one: Preference) -> int:
        return self._numbers[level, id(one)]

    @cached_property
    def _bounds(self) -> dict[tuple[int, int], tuple[Number | None, bool]]:
        """Of each preference the most that a coin loses which may sit there, and whether the fact is missing of one."""
        found = {}
        for key, (level, one, places) in self.preferences.items():
            sign = -1 if one.more_is_better else 1
            worth = self.instance.worth[level, places[0]]
            codes = {code for at in places for code in set(worth.codes[self.instance.fits[at].coins].tolist())}
            values = [worth.distinct[code] for code in codes]
            known = [sign * value for value in values if value is not None]
            found[key] = (max(known, default=None), None in values)
        return found

    def _missing(self, key: tuple[int, int]) -> Number:
        """What a coin loses of which the fact is missing: one more than the worst."""
        worst = self._bounds[key][0]
        return (0 if worst is None else worst) + 1

    @cached_property
    def are_numbers_simple(self) -> bool:
        """Whether readers can add up what coins lose."""
        worths = [self.instance.worth[level, places[0]] for level, _, places in self.preferences.values()]
        return all(_is_simple(value) for worth in worths for value in worth.distinct if value is not None)

    def _preference(self, level: int, one: Preference, places: Sequence[int]) -> SheetPreference:
        key = (level, id(one))
        worst, missing_counts = self._bounds[key]
        return SheetPreference(
            criterion=criterion_of(one),
            level=f"{_OWN_LEVELS}{level + 1}",
            rule=None if one.where is None else self.rules.number(one.where.predicate),
            attribute=None if one.where is not None else one.attribute,
            values=list(one.values),
            missing=plain_number(self._missing(key)),
            worst=None if worst is None else plain_number(worst),
            missing_counts=missing_counts,
        )

    def _worth(self, at: int, holding: int) -> list[Number | None]:
        return [self.instance.worth[level, at][holding] for level in range(len(self.instance.places[at].prefer))]

    def _losses(self, at: int, holding: int) -> list[Number]:
        """What a coin of the collection loses at a place, by level, in the criteria's own numbers."""
        (edge,) = self.instance.edges.positions([(at, holding)])
        prefer, worth = self.instance.places[at].prefer, self._worth(at, holding)
        found: list[Number] = []
        for name, losses in self.levels.items():
            if not name.startswith(_OWN_LEVELS):
                found.append(losses if isinstance(losses, int) else int(losses[edge]))
                continue
            level = int(name.removeprefix(_OWN_LEVELS)) - 1
            if level >= len(prefer):
                found.append(0)
                continue
            value = worth[level]
            key = (level, id(prefer[level]))
            sign = -1 if prefer[level].more_is_better else 1
            found.append(self._missing(key) if value is None else sign * value)
        return found

    def _seat(self, at: int, holding: int) -> Seat:
        return Seat(
            holding=self.instance.coins.ids[holding],
            loss=[plain_number(lost) for lost in self._losses(at, holding)],
            values=[None if value is None else plain_number(value) for value in self._worth(at, holding)],
        )

    def _chain(self, coming: Displacement, is_doubtful: bool) -> Chain:
        total: list[Number] = [0] * len(self.levels)

        def add(at: int, holding: int, sign: int) -> None:
            if holding != EMPTY:
                total[:] = [one + sign * lost for one, lost in zip(total, self._losses(at, holding), strict=True)]

        add(coming.place, coming.before, -1)
        for move in coming.moves:
            add(move.place, move.after, 1)
            add(move.place, move.before, -1)
        fills = coming.place if coming.before == EMPTY else coming.fills
        return Chain(
            loss=[plain_number(lost) for lost in total],
            rank=coming.rank,
            fills=fills,
            seat=None if coming.before == EMPTY else self._seat(coming.place, coming.before),
            moves=[
                Move(
                    place=move.place,
                    before=None if move.before == EMPTY else self._seat(move.place, move.before),
                    after=self._seat(move.place, move.after),
                )
                for move in coming.moves
            ],
            is_doubtful=is_doubtful,
        )

    # -- places under set-level rules

    def _beside(self, at: int) -> Beside | Asked:
        if at in self.seats:
            return Asked(because="rules")
        known = {constraint.id: constraint for constraint in self.instance.constraints}
        conditions: list[KeyCondition | RuleCondition] = []
        for rule in self.instance.problem.rules:
            if rule.kind.is_goal or not rule.covers(at):
                continue
            if rule.kind.binds_one:
                if rule.bound == at:
                    return Asked(because="rules")
                continue
            found = self._conditions(rule, known[rule.name], at)
            if found is None:
                return Asked(because="rules")
            conditions += found
        return Beside(conditions=conditions)

    def _conditions(self, rule: SetRule, constraint: Constraint, at: int) -> list[KeyCondition | RuleCondition] | None:
        """What the rule asks of one more coin at the place when all others stay; None where that is not known."""
        sitting = {place: seat.holding for place, seat in self.seats.items()}
        inside = [holding for place, holding in sitting.items() if place in rule.places]
        if constraint.where is not None:
            counted = sum(1 for holding in inside if rule.keys[holding].possible)
            if counted < rule.count:
                return []
            return [RuleCondition(constraint=constraint.id, rule=self.rules.number(constraint.where.predicate))]
        looked_at = inside
        if rule.kind is NOT_ELSEWHERE and at in rule.places:
            looked_at = [holding for place, holding in sitting.items() if place not in rule.places]
        keys: dict[str, tuple[list[Any], int]] = {}
        count: int = rule.count
        for holding in looked_at:
            key = self._key(rule, constraint, holding)
            if key is None:
                return None
            keys[repr(key)] = key, keys.get(repr(key), (key, 0))[1] + 1
        self.read.update(constraint.by)
        if rule.kind is AT_MOST:
            if rule.count == 0:
                return None
            full = [key for key, often in keys.values() if often >= count]
            return self._key_condition(constraint, full)
        if rule.kind is SAME:
            values = [key for key, _ in keys.values()]
            if len(values) > 1:
                return None
            return self._key_condition(constraint, values, among=True)
        if rule.kind in (DIFFERENT, NOT_ELSEWHERE):
            return self._key_condition(constraint, [key for key, _ in keys.values()])
        return None

    def _key_condition(
        self, constraint: Constraint, values: list[list[Any]], *, among: bool = False
    ) -> list[KeyCondition | RuleCondition]:
        # Without values too: a coin of which the key is not known may break the rule.
        if not values and among:
            return []
        return [KeyCondition(constraint=constraint.id, by=list(constraint.by), among=among, values=values)]

    def _key(self, rule: SetRule, constraint: Constraint, holding: int) -> list[Any] | None:
        keys = rule.keys[holding]
        if keys.possible != keys.settled or len(keys.settled) != 1:
            return None
        view = self.instance.views[holding][0]
        found = []
        for name in constraint.by:
            known = view.facts.get(name)
            if not isinstance(known, Among) or not known.is_plain:
                return None
            found.append(value_as_json(known.values[0]))
        return found

    # -- groups with a place for each key that is there

    def _open_group(self, group: OnePer) -> OpenGroup:
        base = group_base(self.definition, group)
        self.read.update(group.attributes)
        return OpenGroup(
            id=group.id,
            label=group.name,
            rule=self.rules.number(all_of(*(predicate for _, predicate in base))) if base else None,
            parts=[
                OpenGroupPart(attribute=part.attribute, is_plain=part.is_plain, none=part.none) for part in group.parts
            ],
            keys=[_key_as_list(place.key) for place in self.instance.places if place.group == group.id],
            is_free=not any(
                not constraint.kind.is_goal
                and (constraint.kind.looks_outside or not constraint.places or group.id in constraint.places)
                for constraint in self.instance.constraints
            ),
        )

    # -- presumptions and identification

    def _presumptions(self) -> tuple[list[SheetPresumption], list[SheetIdentification], list[SheetIssue]]:
        views = self.request.views
        presume = []
        for entry in views.presumptions.presume:
            self.read.update(entry.facts)
            rule = None if entry.where is None else self.rules.number(entry.where.predicate)
            presume.append(SheetPresumption(rule=rule, facts=_facts_as_json(entry.facts)))
        pools = [(entry, views.pool(entry)) for entry in views.presumptions.identify]
        names = sorted({name for _, pool in pools for name in pool})
        position = {name: at for at, name in enumerate(names)}
        said = {name for issue in names for name in views.issues[issue]}
        self.read.update(name for name in said if name in self.attributes and can_contradict(self.attributes[name]))
        identify = [
            SheetIdentification(rule=self.rules.number(entry.where.predicate), issues=[position[name] for name in pool])
            for entry, pool in pools
        ]
        for predicate in self.rules.predicates:
            self.read.update(name for leaf in leaves(predicate) for name in leaf.reads)
        issues = [
            SheetIssue(
                id=name,
                facts=_facts_as_json({n: known for n, known in views.issues[name].items() if n in self.read}),
                within=[position[other] for other in names if _is_within(name, other, views.issues)],
                part_of=position.get(views.narrows.get(name, "")),
            )
            for name in names
        ]
        return presume, identify, issues

    def _agreement(self) -> dict[str, dict[str, list[str]]]:
        found: dict[str, dict[str, list[str]]] = {}
        for name, texts in self.issue_texts.items():
            attribute = self.attributes[name]
            if not can_contradict(attribute):
                continue
            every = dict.fromkeys((*texts, *self._known_texts(attribute)))
            agreeing = {
                text: [
                    other
                    for other in texts
                    if other != text and alike(attribute, text, other, self.context.vocabularies)
                ]
                for text in every
            }
            found[name] = {text: others for text, others in agreeing.items() if others}
        return found

    def _texts_of(self, issues: Sequence[SheetIssue]) -> dict[str, list[str]]:
        """The texts that the issues have, by attribute with one value."""
        found: dict[str, dict[str, None]] = {}
        views = self.request.views
        for issue in issues:
            for name in issue.facts:
                known = views.issues[issue.id][name]
                if isinstance(known, Among):
                    texts = (value for value in known.values if isinstance(value, str))
                    found.setdefault(name, {}).update(dict.fromkeys(texts))
        return {name: sorted(texts) for name, texts in found.items()}

    def _known_texts(self, attribute: Attribute) -> Iterable[str]:
        scheme = self.context.vocabularies.get(attribute.vocabulary or "")
        return (*attribute.values, *(scheme.concepts if scheme else ()), *self._constants.get(attribute.name, ()))

    # -- attributes

    @cached_property
    def _constants(self) -> dict[str, dict[str, None]]:
        """The texts that rules and preferences name, by attribute."""
        found: dict[str, dict[str, None]] = {}
        for predicate in self.rules.predicates:
            for leaf in leaves(predicate):
                for name in leaf.reads:
                    for value in leaf.constants:
                        texts = value if isinstance(value, frozenset) else (value,)
                        found.setdefault(name, {}).update(
                            (text, None) for text in sorted(texts, key=str) if isinstance(text, str)
                        )
        for _, one, _ in self.preferences.values():
            if one.values:
                found.setdefault(one.attribute, {}).update(dict.fromkeys(one.values))
        return found

    def _attribute(self, name: str) -> SheetAttribute:
        one = self.attributes[name]
        scheme = self.context.vocabularies.get(one.vocabulary or "")
        own = dict(self._constants.get(name, {}))
        own.update(dict.fromkeys(self.issue_texts.get(name, ())))
        # In a list, a text that the vocabulary does not know may be any of its terms.
        terms = [
            text
            for text in ([] if one.many and scheme is not None else sorted(own))
            if text not in one.values and (scheme is None or text not in scheme.concepts)
            if one.synonyms.get(text, text) == text
        ]
        return SheetAttribute(
            name=name,
            type=one.type,
            many=one.many,
            label=one.label or name,
            help=one.help,
            look_at=one.look_at,
            unit=one.unit,
            low=one.low,
            high=one.high,
            values=list(one.values),
            vocabulary=self.vocabularies.key_of(one.vocabulary, self.context) if one.vocabulary else None,
            terms=terms,
            is_open=not one.values
            and one.vocabulary is None
            and not one.synonyms
            and not self.attributes.is_by_issuer(name)
            and name not in self.issue_texts,
            by_issuer=self._by_issuer(one),
        )

    def _by_issuer(self, one: Attribute) -> dict[str, dict[str, str]]:
        """Texts that the sheet knows and that mean another term: on coins of every issuer (under the empty text), and of one."""
        if one.type != "text":
            return {}
        known = list(dict.fromkeys(self._known_texts(one)))
        found = {"": {text: one.synonyms[text] for text in known if one.synonyms.get(text, text) != text}}
        issuers = self.context.vocabularies.get("issuers")
        if self.attributes.is_by_issuer(one.name) and issuers is not None:
            for issuer in issuers.concepts:
                its = self.attributes.of_issuer(one.name, issuer)
                if its is not None and its is not one:
                    found[issuer] = {text: its.synonyms[text] for text in known if its.synonyms.get(text, text) != text}
        general = found[""]
        return {issuer: names for issuer, names in found.items() if names != (general if issuer else {})}


def _is_simple(value: Number) -> bool:
    return -_LARGEST <= value <= _LARGEST and (isinstance(value, int) or _MOST_DECIMALS % value.denominator == 0)


def _facts_as_json(facts: Facts) -> dict[str, Any]:
    return {name: knowledge_as_json(known) for name, known in sorted(facts.items())}


def _is_within(name: str, other: str, issues: Mapping[str, Facts]) -> bool:
    """Whether the other issue says all that this one says, and is kept in its place."""
    if name == other:
        return False
    own, its = issues[name].items(), issues[other].items()
    return own <= its and (len(own) < len(its) or other < name)


def _key_as_list(key: Key) -> list[Any]:
    values: Iterable[Value] = key
    return [value_as_json(value) for value in values]
