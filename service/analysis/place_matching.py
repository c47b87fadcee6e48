"""Which place of a later revision goes on from which place of an earlier one: by id, by what it takes, by its name.

A unit is a slot, a one-per group or a free choice. One is *gone* when no unit of its kind bears its id in the later revision,
and *fresh* when none bore it in the earlier. What is gone and what is fresh go together

1. when they take the same coins (decided exactly; the same label first, then the order of the document);
2. as a split: the fresh parts each take only coins that the old place took, together they take all of them, and they are two
   or more, or one that has several places where there was one; a merger is its mirror. A place that keeps its id and takes
   less than before may be the first part. Coins of which something is known to be none may be left over, as an undated one
   when a place is split by the year; the split then has such a coin;
3. when they bear the same label and one takes all that the other takes.

A unit that keeps its id, but neither its label nor any of 'equal, widened, narrowed', is first looked for by what it takes: ids
that were only renumbered do not make a place another one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from service.analysis.overlap import CHANGED, EQUAL, NARROWED, WIDENED, RuleComparison
from service.analysis.place_groups import PlaceGroup, may_meet, place_groups_of, reach_of
from service.facts.truth import NO, YES
from service.rules.definition import Definition, FreeChoice, OnePer, Slot
from service.rules.predicates import Always, Predicate, both
from service.rules.rule import Rule

_SLOTS, _GROUPS, _CHOICES = "slots", "one_per", "free_choice"
UNIT_KINDS = (_SLOTS, _GROUPS, _CHOICES)
_MOST_PAIRS = 4_000
Entry = Slot | OnePer | FreeChoice


@dataclass(frozen=True, slots=True)
class Unit:
    """A slot, a group or a free choice. `own` is what it accepts, without the scope and keys; `whole` what a coin must fit
    for one of its places, without the scope (None: a group with too many keys for one rule). `label` is empty where the
    author gave none."""

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
        return f"/{self.kind}/{self.at}"

    @property
    def named(self) -> str:
        """What a reader knows it by."""
        return self.label or self.id

    @property
    def rule(self) -> Rule | None:
        return self.entry.accepts

    @property
    def sort(self) -> tuple[str, str]:
        """What has to agree for one to go on from another."""
        return self.kind, self.entry.attribute if isinstance(self.entry, OnePer) else ""


def units_of(definition: Definition, keys: Mapping[str, Sequence[str]]) -> list[Unit]:
    """Every unit, in the order of the document. `keys` are those of the closed groups."""
    posts: dict[str, PlaceGroup] = {post.id: post for post in place_groups_of(definition, keys)}
    found: list[Unit] = []
    entries: tuple[tuple[Entry, ...], ...] = (definition.slots, definition.one_per, definition.free_choice)
    for kind, units in zip(UNIT_KINDS, entries, strict=True):
        for at, entry in enumerate(units):
            own = entry.accepts.predicate if entry.accepts is not None else Always(True)
            post = posts.get(entry.id)
            whole = post.rule if post is not None else None
            # An open group has no number of places.
            places = post.places if post is not None else len(keys.get(entry.id, ()))
            found.append(Unit(entry.id, kind, at, _label(definition, kind, at), entry, own, whole, places))
    return found


def _label(definition: Definition, kind: str, at: int) -> str:
    said = str(definition.document[kind][at].get("label", ""))
    return "" if kind == _GROUPS and said == "{key}" else said


@dataclass(frozen=True, slots=True)
class SplitOrMerge:
    """A whole and its parts, on the other side; `left_over` are facts of a coin that the whole takes and no part does."""

    whole: Unit
    parts: tuple[Unit, ...]
    left_over: dict[str, Any] | None = None


@dataclass(frozen=True)
class PlaceMatching:
    """`pairs` go on; in `splits` one is followed by several, in `merges` several by one."""

    pairs: tuple[tuple[Unit, Unit], ...]
    splits: tuple[SplitOrMerge, ...] = ()
    merges: tuple[SplitOrMerge, ...] = ()
    removed: tuple[Unit, ...] = ()
    added: tuple[Unit, ...] = ()
    was_cut: bool = False
    """Whether there were too many to look for all that go together."""
    heirs: Mapping[str, Unit] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "heirs", {old.id: new for old, new in self.pairs})


def match_places(
    old: Sequence[Unit], new: Sequence[Unit], scopes: tuple[Predicate | None, Predicate | None], among: RuleComparison
) -> PlaceMatching:
    """Who follows whom. Pure; the mirror of itself when old and new change places."""
    return _Search(old, new, scopes, among).found()


class _Search:
    def __init__(
        self,
        old: Sequence[Unit],
        new: Sequence[Unit],
        scopes: tuple[Predicate | None, Predicate | None],
        among: RuleComparison,
    ) -> None:
        self.among = among
        # A scope that is another one moves every place; who follows whom is then told by the places' own rules.
        self.scope = scopes[0] if scopes[0] == scopes[1] else None
        self.old, self.new = list(old), list(new)
        self.pairs: list[tuple[Unit, Unit]] = []
        self.was_cut = False

    def found(self) -> PlaceMatching:
        loose = self._by_id()
        self._pair_alike(*self._left())
        gone, fresh = ({unit.pointer for unit in units} for units in self._left())
        self.pairs += [(old, new) for old, new in loose if old.pointer in gone and new.pointer in fresh]
        olds, news = self._left()
        splits = list(self._parted(olds, news, NARROWED))
        merges = list(self._parted(news, olds, WIDENED))
        ended = {one.whole.pointer for one in splits} | {part.pointer for one in merges for part in one.parts}
        begun = {one.whole.pointer for one in merges} | {part.pointer for one in splits for part in one.parts}
        olds = [unit for unit in olds if unit.pointer not in ended]
        news = [unit for unit in news if unit.pointer not in begun]
        self._pair_by_label(olds, news)
        heirs = {old.pointer: new for old, new in self.pairs}
        forebears = {new.pointer: old for old, new in self.pairs}
        self.pairs.sort(key=lambda pair: (UNIT_KINDS.index(pair[1].kind), pair[1].at))
        return PlaceMatching(
            tuple(self.pairs),
            tuple(_with_first(one, heirs.get(one.whole.pointer)) for one in splits),
            tuple(_with_first(one, forebears.get(one.whole.pointer)) for one in merges),
            tuple(unit for unit in olds if unit.pointer not in heirs),
            tuple(unit for unit in news if unit.pointer not in forebears),
            self.was_cut,
        )

    def _left(self) -> tuple[list[Unit], list[Unit]]:
        olds, news = {old.pointer for old, _ in self.pairs}, {new.pointer for _, new in self.pairs}
        return [o for o in self.old if o.pointer not in olds], [n for n in self.new if n.pointer not in news]

    def _rule(self, unit: Unit) -> Predicate:
        return both(self.scope, unit.whole if unit.whole is not None else unit.own)

    def _relation(self, old: Unit, new: Unit) -> str:
        return self.among.relation(both(self.scope, old.own), both(self.scope, new.own)).word

    def _by_id(self) -> list[tuple[Unit, Unit]]:
        """Pairs what plainly goes on; gives those that share an id and little else."""
        by_id = {(unit.id, unit.sort): unit for unit in self.new}
        loose = []
        for old in self.old:
            new = by_id.get((old.id, old.sort))
            if new is None:
                continue
            goes_on = old.own == new.own or (old.label and old.label == new.label)
            if goes_on or self._relation(old, new) != CHANGED:
                self.pairs.append((old, new))
            else:
                loose.append((old, new))
        return loose

    # -- the same coins

    def _pair_alike(self, gone: list[Unit], fresh: list[Unit]) -> None:
        classes: dict[object, tuple[list[Unit], list[Unit]]] = {}
        for side, units in enumerate((gone, fresh)):
            for unit in units:
                classes.setdefault((unit.sort, unit.own, unit.whole), ([], []))[side].append(unit)
        for olds, news in classes.values():
            self._pair_in_order(olds, news)
        gone, fresh = self._left()
        roots: dict[str, str] = {}

        def root(name: str) -> str:
            while roots.setdefault(name, name) != name:
                name = roots[name]
            return name

        for old, new in self._meeting(gone, fresh):
            if old.sort == new.sort and self.among.relation(self._rule(old), self._rule(new)).word == EQUAL:
                ends = sorted((root(f"old {old.pointer}"), root(f"new {new.pointer}")))
                roots[ends[1]] = ends[0]
        groups: dict[str, tuple[list[Unit], list[Unit]]] = {}
        for side, (name, units) in enumerate((("old", gone), ("new", fresh))):
            for unit in units:
                groups.setdefault(root(f"{name} {unit.pointer}"), ([], []))[side].append(unit)
        for olds, news in groups.values():
            self._pair_in_order(olds, news)

    def _pair_in_order(self, olds: list[Unit], news: list[Unit]) -> None:
        """Those of the same label first, then the rest as they stand in the document."""
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

    def _meeting(self, first: Sequence[Unit], second: Sequence[Unit]) -> Iterator[tuple[Unit, Unit]]:
        """Every two that single attributes do not keep apart, up to a limit."""
        units = [*first, *second]
        given = 0
        for one, other in may_meet([reach_of(self._rule(unit)) for unit in units]) if first and second else ():
            if one < len(first) <= other:
                if given == _MOST_PAIRS:
                    self.was_cut = True
                    return
                given += 1
                yield units[one], units[other]

    # -- parts

    def _parted(self, wholes: list[Unit], parts: list[Unit], word: str) -> Iterator[SplitOrMerge]:
        """Those of `wholes`, and of the units that go on and take less on the other side, whose coins the parts share out
        among them."""
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
        for whole, part in self._meeting(candidates, parts):
            inner = self._rule(part)
            if self.among.within(inner, [self._rule(whole)]) is YES and self.among.possible(inner) is not NO:
                found.setdefault(whole.pointer, []).append(part)
        for whole in candidates:
            mine = sorted(found.get(whole.pointer, ()), key=lambda unit: (UNIT_KINDS.index(unit.kind), unit.at))
            first = kept.get(whole.pointer)
            many = len(mine) > 1 or first is not None or any(part.places != 1 and whole.places == 1 for part in mine)
            covering = [self._rule(part) for part in (*mine, *((first,) if first is not None else ()))]
            rest = self.among.covered(self._rule(whole), covering) if mine and many else None
            if rest is not None:
                yield SplitOrMerge(whole, tuple(mine), rest.example)

    # -- names

    def _pair_by_label(self, gone: list[Unit], fresh: list[Unit]) -> None:
        news = _by_label(fresh)
        for key, olds in _by_label(gone).items():
            same = news.get(key, [])
            if len(olds) == len(same) == 1:
                word = self.among.relation(self._rule(olds[0]), self._rule(same[0])).word
                if word in (EQUAL, WIDENED, NARROWED):
                    self.pairs.append((olds[0], same[0]))


def _with_first(parting: SplitOrMerge, first: Unit | None) -> SplitOrMerge:
    """The parting with the unit that goes on from the whole as the first part."""
    return parting if first is None else replace(parting, parts=(first, *parting.parts))


def _by_label(units: list[Unit]) -> dict[tuple[object, str], list[Unit]]:
    found: dict[tuple[object, str], list[Unit]] = {}
    for unit in units:
        if unit.label:
            found.setdefault((unit.sort, unit.label), []).append(unit)
    return found
