"""Which places of an earlier revision continue as which of a later one: by id, by the coins that they accept, by label.

A unit is a slot, a one-per group or a free choice. It is *removed* when no unit of its kind has its id in the later
revision, and *added* when none had it in the earlier one. Removed and added units are matched

1. when they accept the same coins (decided exactly; the same label first, then the order of the document);
2. as a split: each of the added parts accepts only coins that the removed unit accepted, together they accept all of them, and
   there are two or more, or one with several places where there was one. A merge is the mirror image. A unit that keeps its id
   and accepts fewer coins may be the first part. Coins of which something is known to be none may be left over, as an undated
   one when a place is split by year; the split then has such a coin as an example;
3. when they have the same label and one accepts all that the other accepts.

A unit that keeps its id, but neither its label nor coins (neither equal, widened nor narrowed), is first matched by the
coins that it accepts, so that renumbering does not make a place a different one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from service.analysis.overlap import CHANGED, EQUAL, NARROWED, WIDENED, RuleComparison
from service.analysis.place_groups import PlaceGroup, may_meet, place_groups_of, reach_of
from service.evaluation.keys import GroupKeys
from service.facts.truth import NO, YES
from service.rules.definition import Definition, FreeChoice, OnePer, Slot
from service.rules.predicates import Always, Predicate, all_of
from service.rules.rule import Rule

_SLOTS, _GROUPS, _CHOICES = "slots", "one_per", "free_choice"
UNIT_KINDS = (_SLOTS, _GROUPS, _CHOICES)
_MOST_PAIRS = 4_000
Entry = Slot | OnePer | FreeChoice


@dataclass(frozen=True, slots=True)
class Unit:
    """A slot, a one-per group or a free choice, the `at`-th of its kind. `own` is what it accepts, without the scope and
    keys; `whole` is what a coin must fit for one of its places, without the scope (None: a group with too many keys for
    one rule). `label` is empty where the author gave none. `places` is 0 for an open-ended group."""

    id: str
    kind: str
    at: int
    label: str
    entry: Entry
    own: Predicate
    whole: Predicate | None
    places: int

    @property
    def pointer(self) -> str:
        """Its JSON pointer in the document."""
        return f"/{self.kind}/{self.at}"

    @property
    def named(self) -> str:
        """The label, or else the id."""
        return self.label or self.id

    @property
    def rule(self) -> Rule | None:
        """The rule that it accepts by, as written."""
        return self.entry.accepts

    @property
    def sort(self) -> tuple[str, tuple[str, ...]]:
        """What must be equal for two units to match: the kind, and the attributes of a one-per group."""
        return self.kind, self.entry.attributes if isinstance(self.entry, OnePer) else ()


def units_of(definition: Definition, keys: Mapping[str, GroupKeys]) -> list[Unit]:
    """Every unit, by kind (slots, one-per groups, free choices), in the order of the document. `keys` are those of the
    groups that are not open-ended, by id."""
    groups: dict[str, PlaceGroup] = {group.id: group for group in place_groups_of(definition, keys)}
    found: list[Unit] = []
    entries: tuple[tuple[Entry, ...], ...] = (definition.slots, definition.one_per, definition.free_choice)
    for kind, units in zip(UNIT_KINDS, entries, strict=True):
        for at, entry in enumerate(units):
            own = entry.accepts.predicate if entry.accepts is not None else Always(True)
            group = groups.get(entry.id)
            whole = group.rule if group is not None else None
            places = group.places if group is not None else len(keys[entry.id].keys) if entry.id in keys else 0
            found.append(Unit(entry.id, kind, at, _label(definition, kind, at), entry, own, whole, places))
    return found


def _label(definition: Definition, kind: str, at: int) -> str:
    label = str(definition.document[kind][at].get("label", ""))
    return "" if kind == _GROUPS and label == "{key}" else label


@dataclass(frozen=True, slots=True)
class SplitOrMerge:
    """A unit and its parts in the other revision; `left_over` are facts of a coin that the whole accepts and no part
    does."""

    whole: Unit
    parts: tuple[Unit, ...]
    left_over: dict[str, Any] | None = None


@dataclass(frozen=True)
class PlaceMatching:
    """`pairs` continue, as (earlier, later); in `splits` one earlier unit becomes several, in `merges` several become
    one. The rest was `removed` or `added`. `was_cut`: there were more than 4,000 pairs to compare. `successors`: the
    later unit by the id of the earlier one, for `pairs`."""

    pairs: tuple[tuple[Unit, Unit], ...]
    splits: tuple[SplitOrMerge, ...] = ()
    merges: tuple[SplitOrMerge, ...] = ()
    removed: tuple[Unit, ...] = ()
    added: tuple[Unit, ...] = ()
    was_cut: bool = False
    successors: Mapping[str, Unit] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "successors", {old.id: new for old, new in self.pairs})


def match_places(
    old: Sequence[Unit],
    new: Sequence[Unit],
    scopes: tuple[Predicate | None, Predicate | None],
    comparison: RuleComparison,
) -> PlaceMatching:
    """The units of one revision matched with those of a later one. `scopes` are those of the two revisions. Exchanging
    the revisions gives the mirror image. Undecided comparisons match nothing."""
    return _Matcher(old, new, scopes, comparison).matching()


class _Matcher:
    def __init__(
        self,
        old: Sequence[Unit],
        new: Sequence[Unit],
        scopes: tuple[Predicate | None, Predicate | None],
        comparison: RuleComparison,
    ) -> None:
        self.comparison = comparison
        # A different scope changes every place; the places' own rules then decide what matches.
        self.scope = scopes[0] if scopes[0] == scopes[1] else None
        self.old, self.new = list(old), list(new)
        self.pairs: list[tuple[Unit, Unit]] = []
        self.was_cut = False

    def matching(self) -> PlaceMatching:
        same_id = self._pair_by_id()
        self._pair_equal(*self._left())
        removed, added = ({unit.pointer for unit in units} for units in self._left())
        self.pairs += [(old, new) for old, new in same_id if old.pointer in removed and new.pointer in added]
        olds, news = self._left()
        splits = list(self._parted(olds, news, NARROWED))
        merges = list(self._parted(news, olds, WIDENED))
        ended = {one.whole.pointer for one in splits} | {part.pointer for one in merges for part in one.parts}
        begun = {one.whole.pointer for one in merges} | {part.pointer for one in splits for part in one.parts}
        olds = [unit for unit in olds if unit.pointer not in ended]
        news = [unit for unit in news if unit.pointer not in begun]
        self._pair_by_label(olds, news)
        successors = {old.pointer: new for old, new in self.pairs}
        predecessors = {new.pointer: old for old, new in self.pairs}
        self.pairs.sort(key=lambda pair: (UNIT_KINDS.index(pair[1].kind), pair[1].at))
        return PlaceMatching(
            tuple(self.pairs),
            tuple(_with_first(one, successors.get(one.whole.pointer)) for one in splits),
            tuple(_with_first(one, predecessors.get(one.whole.pointer)) for one in merges),
            tuple(unit for unit in olds if unit.pointer not in successors),
            tuple(unit for unit in news if unit.pointer not in predecessors),
            self.was_cut,
        )

    def _left(self) -> tuple[list[Unit], list[Unit]]:
        olds, news = {old.pointer for old, _ in self.pairs}, {new.pointer for _, new in self.pairs}
        return [o for o in self.old if o.pointer not in olds], [n for n in self.new if n.pointer not in news]

    def _rule(self, unit: Unit) -> Predicate:
        return all_of(self.scope, unit.whole if unit.whole is not None else unit.own)

    def _relation(self, old: Unit, new: Unit) -> str:
        return self.comparison.relation(all_of(self.scope, old.own), all_of(self.scope, new.own)).word

    def _pair_by_id(self) -> list[tuple[Unit, Unit]]:
        """Pairs the units with the same id that continue; returns those that have the same id and little else."""
        by_id = {(unit.id, unit.sort): unit for unit in self.new}
        same_id = []
        for old in self.old:
            new = by_id.get((old.id, old.sort))
            if new is None:
                continue
            continues = old.own == new.own or (old.label and old.label == new.label)
            if continues or self._relation(old, new) != CHANGED:
                self.pairs.append((old, new))
            else:
                same_id.append((old, new))
        return same_id

    # -- the same coins

    def _pair_equal(self, removed: list[Unit], added: list[Unit]) -> None:
        classes: dict[object, tuple[list[Unit], list[Unit]]] = {}
        for side, units in enumerate((removed, added)):
            for unit in units:
                classes.setdefault((unit.sort, unit.own, unit.whole), ([], []))[side].append(unit)
        for olds, news in classes.values():
            self._pair_in_order(olds, news)
        removed, added = self._left()
        roots: dict[str, str] = {}

        def root(name: str) -> str:
            while roots.setdefault(name, name) != name:
                name = roots[name]
            return name

        for old, new in self._pairs_that_may_meet(removed, added):
            if old.sort == new.sort and self.comparison.relation(self._rule(old), self._rule(new)).word == EQUAL:
                ends = sorted((root(f"old {old.pointer}"), root(f"new {new.pointer}")))
                roots[ends[1]] = ends[0]
        groups: dict[str, tuple[list[Unit], list[Unit]]] = {}
        for side, (name, units) in enumerate((("old", removed), ("new", added))):
            for unit in units:
                groups.setdefault(root(f"{name} {unit.pointer}"), ([], []))[side].append(unit)
        for olds, news in groups.values():
            self._pair_in_order(olds, news)

    def _pair_in_order(self, olds: list[Unit], news: list[Unit]) -> None:
        """Those of the same label first, then the rest in the order of the document."""
        rest = list(news)
        later = []
        for old in olds:
            match = next((new for new in rest if old.label and new.label == old.label), None)
            if match is None:
                later.append(old)
            else:
                rest.remove(match)
                self.pairs.append((old, match))
        self.pairs += zip(later, rest, strict=False)

    def _pairs_that_may_meet(self, first: Sequence[Unit], second: Sequence[Unit]) -> Iterator[tuple[Unit, Unit]]:
        """Every two that no single attribute shows to be disjoint, up to a limit."""
        units = [*first, *second]
        count = 0
        for one, other in may_meet([reach_of(self._rule(unit)) for unit in units]) if first and second else ():
            if one < len(first) <= other:
                if count == _MOST_PAIRS:
                    self.was_cut = True
                    return
                count += 1
                yield units[one], units[other]

    # -- parts

    def _parted(self, wholes: list[Unit], parts: list[Unit], word: str) -> Iterator[SplitOrMerge]:
        """The wholes among `wholes`, and among the paired units that became smaller (`word`), whose coins the parts
        share."""
        is_split = word == NARROWED
        kept: dict[str, Unit] = {}
        for pair in self.pairs if parts else ():
            if pair[0].own != pair[1].own and self._relation(*pair) == word:
                whole, other = pair if is_split else pair[::-1]
                kept[whole.pointer] = other
        side = self.old if is_split else self.new
        whole_ones = {unit.pointer for unit in wholes} | kept.keys()
        candidates = [unit for unit in side if unit.pointer in whole_ones]
        found: dict[str, list[Unit]] = {}
        for whole, part in self._pairs_that_may_meet(candidates, parts):
            inner = self._rule(part)
            if self.comparison.within(inner, [self._rule(whole)]) is YES and self.comparison.possible(inner) is not NO:
                found.setdefault(whole.pointer, []).append(part)
        for whole in candidates:
            own_parts = sorted(found.get(whole.pointer, ()), key=lambda unit: (UNIT_KINDS.index(unit.kind), unit.at))
            first = kept.get(whole.pointer)
            many = (
                len(own_parts) > 1
                or first is not None
                or any(part.places != 1 and whole.places == 1 for part in own_parts)
            )
            covering = [self._rule(part) for part in (*own_parts, *((first,) if first is not None else ()))]
            rest = self.comparison.covered(self._rule(whole), covering) if own_parts and many else None
            if rest is not None:
                yield SplitOrMerge(whole, tuple(own_parts), rest.example)

    # -- names

    def _pair_by_label(self, removed: list[Unit], added: list[Unit]) -> None:
        news = _by_label(added)
        for key, olds in _by_label(removed).items():
            same = news.get(key, [])
            if len(olds) == len(same) == 1:
                word = self.comparison.relation(self._rule(olds[0]), self._rule(same[0])).word
                if word in (EQUAL, WIDENED, NARROWED):
                    self.pairs.append((olds[0], same[0]))


def _with_first(one: SplitOrMerge, first: Unit | None) -> SplitOrMerge:
    """The same with the unit that keeps the whole's id as the first part."""
    return one if first is None else replace(one, parts=(first, *one.parts))


def _by_label(units: list[Unit]) -> dict[tuple[object, str], list[Unit]]:
    found: dict[tuple[object, str], list[Unit]] = {}
    for unit in units:
        if unit.label:
            found.setdefault((unit.sort, unit.label), []).append(unit)
    return found
