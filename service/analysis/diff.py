"""What changed from one revision of a definition to another, by meaning.

Places continue as `service.analysis.place_matching` decides. The coins that a place accepts are compared exactly:
widened, narrowed, changed or equal, each with an example coin, or undecided with the limit that was met. A place accepts
what fits the scope and its own rule; a changed scope is one change, with the places that it affects, and not again one
for every place whose own rule is the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from msgspec import Struct

from service.analysis.overlap import (
    CHANGED,
    COMPARISON_WORK,
    EQUAL,
    NARROWED,
    SAME_COINS,
    WIDENED,
    Relation,
    RuleComparison,
)
from service.analysis.place_groups import closed_keys
from service.analysis.place_matching import UNIT_KINDS, PlaceMatching, Unit, match_places, units_of
from service.facts.holding import Facts
from service.facts.recorded import RecordedKey
from service.facts.truth import UNDECIDED
from service.rules.constraints import AT_MOST, DIFFERENT, Constraint
from service.rules.definition import Definition, FreeChoice, OnePer
from service.rules.keys import key_as_json
from service.rules.predicates import Always, Predicate, all_of
from service.rules.preferences import Preference
from service.rules.rule import Rule

_TEXT_MEMBERS = ("title", "summary", "language", "authors", "licence")
_TEXT_DEFAULTS: Mapping[str, Any] = {"summary": "", "language": "en", "authors": [], "licence": ""}
# What is compared as the author wrote it, as a whole.
_WHOLE_MEMBERS = ("presume", "identify", "examples")
_WORDS = ("label", "note")
_ATTRIBUTE_DEFAULTS: Mapping[str, Any] = {
    "many": False,
    "unit": None,
    "vocabulary": None,
    "values": [],
    "label": "",
    "help": "",
    "look_at": "",
}
_DECLARED: Mapping[str, tuple[str, Mapping[str, Any]]] = {
    "vocabularies": ("vocabulary", {"extends": None, "label": ""}),
    "attributes": ("attribute", _ATTRIBUTE_DEFAULTS),
}
_RULE_WORDS = (WIDENED, NARROWED, CHANGED, UNDECIDED.value)
_REWORDED = "reworded"
CHANGE_KINDS = (
    *(f"{name}-changed" for name in (*_TEXT_MEMBERS, *_WHOLE_MEMBERS, *_WORDS)),
    *("vocabulary-added", "vocabulary-removed", "vocabulary-changed"),
    *("attribute-added", "attribute-removed", "attribute-changed"),
    *(f"scope-{word}" for word in (*_RULE_WORDS, _REWORDED)),
    *("place-added", "place-removed", "place-renamed", "place-id-changed", "place-split", "place-merged"),
    *(f"rule-{word}" for word in (*_RULE_WORDS, _REWORDED)),
    *("tier-changed", "group-size-changed", "keys-changed", "distinct-changed", "at-most-changed"),
    *("preference-changed", "look-at-changed", "order-changed"),
    *("constraint-added", "constraint-removed", "constraint-changed", "constraint-renamed"),
    *("page-added", "page-removed", "page-changed", "page-renamed"),
    "comparison-cut",
)


class KeysChange(Struct, frozen=True):
    """The keys that a group has more and fewer."""

    added: list[RecordedKey]
    removed: list[RecordedKey]


@dataclass(frozen=True, slots=True)
class DefinitionChange:
    """One change of the kind `kind` (one of CHANGE_KINDS). `old` and `new` are the ids (of places, groups, constraints,
    vocabularies, attributes, pages) that it is about in either revision, with JSON pointers into their documents. `before`
    and `after`
    are what the documents have there. `gained` and `lost` are facts of a coin that is accepted only now, only before;
    `limit` names what prevented an exact answer. Some kinds only: `places` that a changed scope affects, as pairs of the
    old and new id, by what becomes of them; the `keys` of a group; `counted`, how the rule that a constraint counts by
    changed."""

    kind: str
    old: tuple[str, ...] = ()
    new: tuple[str, ...] = ()
    old_pointers: tuple[str, ...] = ()
    new_pointers: tuple[str, ...] = ()
    before: Any = None
    after: Any = None
    gained: dict[str, Any] | None = None
    lost: dict[str, Any] | None = None
    limit: str | None = None
    places: Mapping[str, list[list[str]]] | None = None
    keys: KeysChange | None = None
    counted: str | None = None


@dataclass(frozen=True)
class DefinitionDiff:
    """All changes, in the order of the document, and which places continue as which."""

    old: Definition
    new: Definition
    changes: tuple[DefinitionChange, ...]
    matching: PlaceMatching


def diff_definitions(
    old: Definition, new: Definition, catalogue: Mapping[str, Facts], today: date, *, most_work: int = COMPARISON_WORK
) -> DefinitionDiff:
    """What changed from the old definition to the new one.

    `catalogue` (issues by id) and `today` decide the keys of groups and which issuers are defunct. `most_work` bounds the
    comparison of rules (about in microseconds, the same on every machine); past it they are undecided with the limit
    `budget`. Exchanging the definitions gives the mirror image.
    """
    return _Comparison(old, new, catalogue, today, most_work).difference()


class _Comparison:
    def __init__(
        self, old: Definition, new: Definition, catalogue: Mapping[str, Facts], today: date, most_work: int
    ) -> None:
        self.old, self.new = old, new
        self.comparison = RuleComparison(old, new, today, most_work=most_work)
        self.keys = tuple(closed_keys(definition, catalogue, today) for definition in (old, new))
        self.scopes = tuple(d.scope.predicate if d.scope is not None else None for d in (old, new))
        units = (units_of(old, self.keys[0]), units_of(new, self.keys[1]))
        self.matching = match_places(*units, (self.scopes[0], self.scopes[1]), self.comparison)

    def difference(self) -> DefinitionDiff:
        declared = (change for member in _DECLARED for change in self._declared(member))
        found = (self._texts(), declared, self._scope(), self._prefer(), self._places(), self._order())
        rest = (self._constraints(), self._pages(), self._cut())
        return DefinitionDiff(
            self.old, self.new, tuple(change for part in (*found, *rest) for change in part), self.matching
        )

    # -- the frame

    def _texts(self) -> Iterator[DefinitionChange]:
        for name in (*_TEXT_MEMBERS, *_WHOLE_MEMBERS):
            default = [] if name in _WHOLE_MEMBERS else _TEXT_DEFAULTS.get(name)
            before, after = (d.document.get(name, default) for d in (self.old, self.new))
            if before != after:
                at = (f"/{name}",)
                yield DefinitionChange(f"{name}-changed", (), (), at, at, before, after)

    def _declared(self, member: str) -> Iterator[DefinitionChange]:
        """Changes of a list whose entries have names."""
        noun, defaults = _DECLARED[member]
        old, new = ({e["name"]: (at, e) for at, e in enumerate(_listed(d, member))} for d in (self.old, self.new))
        for name in dict.fromkeys((*new, *old)):
            at_old = (f"/{member}/{old[name][0]}",) if name in old else ()
            at_new = (f"/{member}/{new[name][0]}",) if name in new else ()
            before, after = (entries[name][1] if name in entries else None for entries in (old, new))
            kind = "added" if before is None else "removed" if after is None else "changed"
            if before is None or after is None or {**defaults, **before} != {**defaults, **after}:
                names = ((name,) if name in old else (), (name,) if name in new else ())
                yield DefinitionChange(f"{noun}-{kind}", *names, at_old, at_new, before, after)

    def _scope(self) -> Iterator[DefinitionChange]:
        before, after = self.old.scope, self.new.scope
        if _is_same_text(before, after):
            return
        relation = self.comparison.relation(*(scope if scope is not None else Always(True) for scope in self.scopes))
        at = (("/scope",) if before else (), ("/scope",) if after else ())
        places = self._affected_by_scope() if relation.word != EQUAL else {}
        texts = (before.text if before else None, after.text if after else None)
        yield replace(_of_relation("scope", relation, ((), (), *at), texts), places=places or None)

    def _affected_by_scope(self) -> dict[str, list[list[str]]]:
        """The places with an unchanged rule of their own that the changed scope affects, by how."""
        found: dict[str, list[list[str]]] = {}
        for old, new in self.matching.pairs:
            if self._relation(old, new).word == EQUAL:
                word = self.comparison.relation(self._whole(0, old), self._whole(1, new)).word
                if word != EQUAL:
                    found.setdefault(word, []).append([old.id, new.id])
        return found

    def _relation(self, old: Unit, new: Unit) -> Relation:
        """How the coins that the place accepts changed. Under a changed scope, a place whose own rule means the same has
        no change of its own."""
        if self.scopes[0] != self.scopes[1] and self.comparison.relation(old.own, new.own).word == EQUAL:
            return SAME_COINS
        return self.comparison.relation(self._whole(0, old), self._whole(1, new))

    def _whole(self, side: int, unit: Unit) -> Predicate:
        return all_of(self.scopes[side], unit.own)

    def _prefer(self) -> Iterator[DefinitionChange]:
        if _criteria(self.old.prefer) != _criteria(self.new.prefer):
            at = ("/prefer",)
            yield DefinitionChange(
                "preference-changed",
                (),
                (),
                at,
                at,
                _written_preferences(self.old.prefer),
                _written_preferences(self.new.prefer),
            )

    # -- places

    def _places(self) -> Iterator[DefinitionChange]:
        matching = self.matching
        for old, new in matching.pairs:
            yield from self._pair(old, new)
        for one in matching.splits:
            yield replace(_of_units("place-split", (one.whole,), one.parts), lost=one.left_over)
        for one in matching.merges:
            yield replace(_of_units("place-merged", one.parts, (one.whole,)), gained=one.left_over)
        for unit in matching.removed:
            yield replace(_of_units("place-removed", (unit,), ()), before=unit.named)
        for unit in matching.added:
            yield replace(_of_units("place-added", (), (unit,)), after=unit.named)

    def _pair(self, old: Unit, new: Unit) -> Iterator[DefinitionChange]:
        if old.id != new.id:
            yield replace(_of_units("place-id-changed", (old,), (new,)), before=old.id, after=new.id)
        if old.label != new.label:
            yield _of_units("place-renamed", (old,), (new,), "label", old.named, new.named)
        yield from self._rule(old, new)
        if old.entry.tier != new.entry.tier:
            yield _of_units("tier-changed", (old,), (new,), "tier", old.entry.tier, new.entry.tier)
        if isinstance(old.entry, FreeChoice) and isinstance(new.entry, FreeChoice):
            yield from self._choice(old, new, old.entry, new.entry)
        if isinstance(old.entry, OnePer) and isinstance(new.entry, OnePer):
            yield from self._group(old, new, old.entry, new.entry)
        if _criteria(old.entry.prefer) != _criteria(new.entry.prefer):
            texts = (_written_preferences(old.entry.prefer), _written_preferences(new.entry.prefer))
            yield _of_units("preference-changed", (old,), (new,), "prefer", *texts)
        if old.entry.look_at != new.entry.look_at:
            yield _of_units("look-at-changed", (old,), (new,), "look_at", old.entry.look_at, new.entry.look_at)
        if old.entry.note != new.entry.note:
            yield _of_units("note-changed", (old,), (new,), "note", old.entry.note, new.entry.note)

    def _rule(self, old: Unit, new: Unit) -> Iterator[DefinitionChange]:
        if _is_same_text(old.rule, new.rule):
            return
        at = ((old.id,), (new.id,), (f"{old.pointer}/accepts",), (f"{new.pointer}/accepts",))
        texts = (old.rule.text if old.rule else None, new.rule.text if new.rule else None)
        yield _of_relation("rule", self._relation(old, new), at, texts)

    def _choice(self, old: Unit, new: Unit, before: FreeChoice, after: FreeChoice) -> Iterator[DefinitionChange]:
        if before.places != after.places:
            yield _of_units("group-size-changed", (old,), (new,), "places", before.places, after.places)
        for kind, member in ((DIFFERENT, "distinct"), (AT_MOST, "at_most")):
            mine, its = ([rule for rule in choice.rules if rule.kind is kind] for choice in (before, after))
            if {_meaning(rule) for rule in mine} != {_meaning(rule) for rule in its}:
                written = [_written_member(self.old, old, member), _written_member(self.new, new, member)]
                yield _of_units(f"{member.replace('_', '-')}-changed", (old,), (new,), member, *written)

    def _group(self, old: Unit, new: Unit, before: OnePer, after: OnePer) -> Iterator[DefinitionChange]:
        mine, its = (
            [key_as_json(key) for key in keys[group.id].keys] if group.id in keys else []
            for keys, group in zip(self.keys, (before, after), strict=True)
        )
        added, removed = [key for key in its if key not in mine], [key for key in mine if key not in its]
        if added or removed or _meaning_of_keys(before) != _meaning_of_keys(after):
            written = (_written_member(self.old, old, "keys"), _written_member(self.new, new, "keys"))
            change = _of_units("keys-changed", (old,), (new,), "keys", *written)
            yield replace(change, keys=KeysChange(added, removed))

    def _order(self) -> Iterator[DefinitionChange]:
        for kind in UNIT_KINDS:
            pairs = [(old, new) for old, new in self.matching.pairs if old.kind == kind]
            before = [old.id for old, _ in sorted(pairs, key=lambda pair: pair[0].at)]
            after = [new.id for _, new in sorted(pairs, key=lambda pair: pair[1].at)]
            if [self.matching.successors[name].id for name in before] != after:
                at = (f"/{kind}",)
                yield DefinitionChange("order-changed", (), (), at, at, before, after)

    # -- rules over several places, and pages

    def _constraints(self) -> Iterator[DefinitionChange]:
        successors = {old: new.id for old, new in self.matching.successors.items()}
        old, new = {c.id: c for c in self.old.constraints}, {c.id: c for c in self.new.constraints}
        same_meaning: dict[object, list[Constraint]] = {}
        for constraint in new.values():
            if constraint.id not in old:
                same_meaning.setdefault(_meaning(constraint), []).append(constraint)
        follows = {}
        for constraint in old.values():
            there = same_meaning.get(_meaning(constraint, successors), [])
            follows[constraint.id] = new.get(constraint.id) or (there.pop(0) if there else None)
        continued = {after.id for after in follows.values() if after is not None}
        for name, after in follows.items():
            before = old[name]
            if after is None:
                yield DefinitionChange(
                    "constraint-removed", (name,), (), (before.at,), (), _written(self.old, before.at)
                )
                continue
            written = (_written(self.old, before.at), _written(self.new, after.at))
            ids = ((name,), (after.id,), (before.at,), (after.at,))
            if name != after.id:
                yield DefinitionChange("constraint-renamed", *ids, name, after.id)
            elif _meaning(before, successors) != _meaning(after):
                yield self._constraint(before, after, ids, written)
            yield from _of_words(*ids, *written)
        for name, after in new.items():
            if name not in continued:
                yield DefinitionChange(
                    "constraint-added", (), (name,), (), (after.at,), None, _written(self.new, after.at)
                )

    def _constraint(
        self,
        before: Constraint,
        after: Constraint,
        ids: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...], tuple[str, ...]],
        written: tuple[Any, Any],
    ) -> DefinitionChange:
        change = DefinitionChange("constraint-changed", *ids, *written)
        if before.where is None or after.where is None or before.where.predicate == after.where.predicate:
            return change
        relation = self.comparison.relation(before.where.predicate, after.where.predicate)
        return replace(change, gained=relation.gained, lost=relation.lost, limit=relation.limit, counted=relation.word)

    def _pages(self) -> Iterator[DefinitionChange]:
        successors = {old: new.id for old, new in self.matching.successors.items()}
        old, new = ({name: (at, slots) for name, at, slots in _layout(d)} for d in (self.old, self.new))
        moved = {name: tuple(_renamed(slot, successors) for slot in slots) for name, (_, slots) in old.items()}
        added = [name for name in new if name not in old]
        for name, (at, slots) in old.items():
            follower: tuple[str, int] | None = name
            if name not in new:
                follower = next((one for one in added if new[one][1] == moved[name]), None)
            if follower is None:
                yield DefinitionChange("page-removed", (name[0],), (), (at,), (), list(slots))
                continue
            if follower in added:
                added.remove(follower)
                yield DefinitionChange("page-renamed", (name[0],), (follower[0],), (at,), (new[follower][0],))
            elif moved[name] != new[follower][1]:
                there, now = new[follower]
                yield DefinitionChange("page-changed", (name[0],), (name[0],), (at,), (there,), list(slots), list(now))
            there = new[follower][0]
            written = (_written(self.old, at), _written(self.new, there))
            yield from _of_words((name[0],), (follower[0],), (at,), (there,), *written)
        for name in added:
            yield DefinitionChange("page-added", (), (name[0],), (), (new[name][0],), None, list(new[name][1]))

    def _cut(self) -> Iterator[DefinitionChange]:
        if self.matching.was_cut:
            yield DefinitionChange("comparison-cut", limit="pairs")


def _of_relation(
    what: str,
    relation: Relation,
    at: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...], tuple[str, ...]],
    texts: tuple[str | None, str | None],
) -> DefinitionChange:
    word = _REWORDED if relation.word == EQUAL else relation.word
    change = DefinitionChange(f"{what}-{word}", *at, *texts)
    return replace(change, gained=relation.gained, lost=relation.lost, limit=relation.limit)


def _of_words(
    old: tuple[str, ...],
    new: tuple[str, ...],
    old_at: tuple[str, ...],
    new_at: tuple[str, ...],
    before: Mapping[str, Any],
    after: Mapping[str, Any],
) -> Iterator[DefinitionChange]:
    """Labels and notes of a rule over several places, or of a page."""
    for member in _WORDS:
        was, is_now = before.get(member, ""), after.get(member, "")
        if was != is_now:
            there, now = (tuple(f"{at}/{member}" for at in side) for side in (old_at, new_at))
            yield DefinitionChange(f"{member}-changed", old, new, there, now, was, is_now)


def _of_units(
    kind: str, old: Sequence[Unit], new: Sequence[Unit], member: str = "", before: Any = None, after: Any = None
) -> DefinitionChange:
    step = f"/{member}" if member else ""
    pointers = [tuple(f"{unit.pointer}{step}" for unit in units) for units in (old, new)]
    ids = [tuple(unit.id for unit in units) for units in (old, new)]
    return DefinitionChange(kind, ids[0], ids[1], pointers[0], pointers[1], before, after)


def _is_same_text(before: Rule | None, after: Rule | None) -> bool:
    if before is None or after is None:
        return before is after
    return bool(before.expression.json == after.expression.json)


def _listed(definition: Definition, name: str) -> list[Any]:
    return list(definition.document.get(name) or ())


def _written_member(definition: Definition, unit: Unit, member: str) -> Any:
    """The member of the unit as the author wrote it."""
    return definition.document[unit.kind][unit.at].get(member)


def _written(definition: Definition, at: str) -> Any:
    """The entry of a list of the document, by its pointer, as the author wrote it."""
    _, name, number = at.split("/")
    return definition.document[name][int(number)]


def _criteria(prefer: Iterable[Preference]) -> list[object]:
    return [(p.kind, p.attribute, p.where.predicate if p.where else None, p.values) for p in prefer]


def _written_preferences(prefer: Iterable[Preference]) -> list[Any]:
    return [dict(preference.document or {}) for preference in prefer]


def _meaning(rule: Constraint, successors: Mapping[str, str] | None = None) -> object:
    """The meaning of a constraint, whatever its id; `successors` map the ids of places to their later ids."""
    places = frozenset(rule.places if successors is None else (_renamed(name, successors) for name in rule.places))
    if "/" in rule.id:
        # A rule of a free choice is about the places of that choice.
        places = frozenset()
    place = rule.place if successors is None or not rule.place else _renamed(rule.place, successors)
    where = rule.where.predicate if rule.where else None
    return rule.kind, places, frozenset(rule.by), where, rule.count, place


def _meaning_of_keys(group: OnePer) -> object:
    keys = group.keys
    where = keys.where.predicate if keys.where is not None else None
    return group.parts, keys.source, keys.vocabulary, where, keys.level


def _renamed(address: str, successors: Mapping[str, str]) -> str:
    """An address (a unit's id, or one place of it) in the later revision; for a unit that does not continue, one that no
    place has."""
    unit, slash, key = address.partition("/")
    return f"{successors.get(unit, f'/{unit}')}{slash}{key}"


def _layout(definition: Definition) -> Iterator[tuple[tuple[str, int], str, tuple[str, ...]]]:
    """The pages: each with its name and the number of earlier pages of that name, its pointer, and its slots."""
    seen: dict[str, int] = {}
    for at, entry in enumerate(_listed(definition, "layout")):
        name = entry["page"]
        seen[name] = seen.get(name, -1) + 1
        yield (name, seen[name]), f"/layout/{at}", tuple(entry["slots"])
