"""All that a coin may be, once nothing more is written down of it: the candidate issues that its facts do not contradict,
the issue that they identify, and what is presumed of it (rules.md, sections 9 and 11). Pure.

Coins of equal facts are looked at once, so the cost grows with distinct facts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from service.evaluation.verdicts import judge_view
from service.facts.attributes import Attributes
from service.facts.holding import Facts, Holding, View
from service.facts.knowledge import Among, Between, Knowledge, Subsets
from service.facts.truth import NO, UNDECIDED, YES
from service.rules.agreement import can_contradict, common, contradicted
from service.rules.predicates import EvaluationContext, reads
from service.rules.presumptions import NO_PRESUMPTIONS, Identification, Presumption, Presumptions

MOST_CANDIDATES = 100
"""With more issues than this a coin is not identified: it has too little recorded."""
MOST_WORLDS = 200
"""So many combinations of recorded alternatives are tried for what is presumed of one coin; past them nothing that depends on
them is presumed."""
_MOST_VALUES = 100
YEAR = "year_on_coin"
_LATE = 2_200


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A recorded fact that contradicts an issue's."""

    issue: str
    attribute: str
    recorded: Knowledge
    issue_value: Knowledge


@dataclass(frozen=True, slots=True)
class Seen:
    """What one coin may be. `contradictions`: where the issues that it names say otherwise; `unidentified`: where the nearest
    issue does, of a coin that is none of a catalogue said to be complete."""

    views: tuple[View, ...]
    contradictions: tuple[Contradiction, ...] = ()
    unidentified: tuple[Contradiction, ...] = ()


@dataclass
class Views:
    """Turns coins into views, for one definition, catalogue and list of presumptions. `replaces` says of issues in whose place
    they are candidates, `narrows` of which wider one they are a part."""

    attributes: Attributes
    context: EvaluationContext
    issues: Mapping[str, Facts]
    presumptions: Presumptions = NO_PRESUMPTIONS
    replaces: Mapping[str, str] = field(default_factory=dict)
    narrows: Mapping[str, str] = field(default_factory=dict)
    _identified: dict[object, tuple[tuple[str, ...] | None, tuple[Contradiction, ...]]] = field(
        default_factory=dict, repr=False
    )
    _pools: dict[int, tuple[str, ...]] = field(default_factory=dict, repr=False)
    _presumed: dict[object, list[World]] = field(default_factory=dict, repr=False)
    _read: tuple[str, ...] = ()
    _filled: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        presume = self.presumptions.presume
        read = frozenset[str]().union(*(reads(entry.where.predicate) for entry in presume if entry.where is not None))
        self._read = tuple(sorted(read))
        self._filled = tuple(sorted({name for entry in presume for name in entry.facts} - read))

    def of(self, holding: Holding) -> tuple[View, ...]:
        """Everything that the coin may be, at least one view."""
        return self.seen(holding).views

    def seen(self, holding: Holding) -> Seen:
        """The same, with what does not agree."""
        seen = self._known(holding)
        if not self.presumptions.presume:
            return seen
        return Seen(
            tuple(more for view in seen.views for more in self._with_presumed(view)),
            seen.contradictions,
            seen.unidentified,
        )

    # -- what views follow from

    def read_as_named(self, named: Iterable[tuple[str, ...]]) -> frozenset[str]:
        """The attributes from which the views of coins that name any of these issues follow, beside the issues: what is recorded
        of all others stays as it is."""
        issues = {issue for names in named for issue in names}
        return self._read_to_presume.union(*(self.issues.get(issue, {}) for issue in issues))

    @property
    def read_to_identify(self) -> frozenset[str]:
        """The attributes from which it follows by which entry a coin that names no issue is identified."""
        return frozenset[str]().union(*(reads(entry.where.predicate) for entry in self.presumptions.identify))

    def identification_of(self, own: Facts) -> Identification | None:
        """The entry by which a coin of these facts is identified."""
        view = View(own)
        for entry in self.presumptions.identify:
            if judge_view(entry.where.predicate, view, self.attributes, self.context).verdict is YES:
                return entry
        return None

    def read_as_unnamed(self, entry: Identification | None) -> frozenset[str]:
        """The attributes from which the views of coins that name no issue follow, where this entry identifies them."""
        if entry is None:
            return self._read_to_presume
        return self._read_to_presume.union((YEAR,), *(self.issues[issue] for issue in self.pool(entry)))

    @property
    def _read_to_presume(self) -> frozenset[str]:
        return frozenset((*self._read, *self._filled))

    # -- issues

    def _known(self, holding: Holding) -> Seen:
        own = holding.facts
        if holding.issues:
            return self._named(holding)
        identified, clashes = self._identify(own)
        if not identified:
            return Seen((View(own, None, frozenset(own)),), unidentified=clashes)
        return Seen(tuple(self._as_issue(own, issue, identified=True) for issue in identified))

    def _named(self, holding: Holding) -> Seen:
        own, vocabularies = holding.facts, self.context.vocabularies
        against = {
            issue: contradicted(self.attributes, own, self.issues.get(issue, {}), vocabularies)
            for issue in holding.issues
        }
        kept = [issue for issue, names in against.items() if not names]
        if kept:
            return Seen(tuple(self._as_issue(own, issue) for issue in kept))
        clashes = tuple(clash for issue, names in against.items() for clash in self._clashes(own, issue, names))
        views = tuple(View({**self.issues[issue], **own}, issue, frozenset(own)) for issue in holding.issues)
        return Seen(views, clashes)

    def _clashes(self, own: Facts, issue: str, names: Iterable[str]) -> Iterator[Contradiction]:
        return (Contradiction(issue, name, own[name], self.issues[issue][name]) for name in names)

    def _as_issue(self, own: Facts, issue: str, *, identified: bool = False) -> View:
        """The coin as one of its candidate issues: doubts keep the values in common with the issue's."""
        theirs = self.issues.get(issue, {})
        facts = {**theirs, **own}
        for name in own.keys() & theirs.keys():
            attribute = self.attributes.get(name)
            if attribute is not None and can_contradict(attribute):
                narrowed = common(attribute, own[name], theirs[name], self.context.vocabularies)
                if narrowed is not None:
                    facts[name] = narrowed
        return View(facts, issue, frozenset(own), identified=identified)

    def _identify(self, own: Facts) -> tuple[tuple[str, ...] | None, tuple[Contradiction, ...]]:
        if not self.presumptions.identify:
            return None, ()
        key = frozenset(own.items())
        if key not in self._identified:
            self._identified[key] = self._identified_anew(own)
        return self._identified[key]

    def _identified_anew(self, own: Facts) -> tuple[tuple[str, ...] | None, tuple[Contradiction, ...]]:
        entry = self.identification_of(own)
        return (None, ()) if entry is None else self._among(own, self.pool(entry))

    def pool(self, entry: Identification) -> tuple[str, ...]:
        """The issues that an entry speaks of."""
        if id(entry) not in self._pools:
            names = self.issues if entry.issues is None else self._with_replacements(entry.issues)
            replaced = frozenset(self.replaces.values())
            self._pools[id(entry)] = tuple(
                name
                for name in names
                if name not in replaced
                and judge_view(entry.where.predicate, View(self.issues[name]), self.attributes, self.context).verdict
                is not NO
            )
        return self._pools[id(entry)]

    def _with_replacements(self, listed: Iterable[str]) -> list[str]:
        """Of the listed issues those that there are, with all that replace one of them: the author of a list knows of nobody's
        own issues."""
        names = dict.fromkeys(name for name in listed if name in self.issues)
        while more := [name for name, old in self.replaces.items() if old in names and name not in names]:
            names.update(dict.fromkeys(more))
        return list(names)

    def _among(self, own: Facts, pool: tuple[str, ...]) -> tuple[tuple[str, ...] | None, tuple[Contradiction, ...]]:
        against = {
            issue: contradicted(self.attributes, own, self.issues[issue], self.context.vocabularies) for issue in pool
        }
        fitting = sorted(issue for issue, names in against.items() if not names)
        if not fitting:
            if not against:
                return None, ()
            nearest = min(against, key=lambda issue: (len(against[issue]), issue))
            return None, tuple(self._clashes(own, nearest, against[nearest]))
        found = self._richest(self._without_whole(own, fitting))
        return (None if len(found) > MOST_CANDIDATES else tuple(found)), ()

    def _without_whole(self, own: Facts, issues: list[str]) -> list[str]:
        """Without a wider issue whose candidate parts have every year that the coin may have as the wider one: a part says
        all that the wider one says."""
        if not any(issue in self.narrows for issue in issues):
            return issues
        parts: dict[str, list[str]] = {}
        for issue in issues:
            parts.setdefault(self.narrows.get(issue, issue), []).append(issue)
        return [
            issue
            for issue in issues
            if issue in self.narrows
            or len(parts[issue]) == 1
            or not self._years(own, [issue]).are_within(self._years(own, set(parts[issue]) - {issue}))
        ]

    def _years(self, own: Facts, issues: Iterable[str]) -> _Years:
        """The years on the coin as any of the issues; one without a last year goes on to 2200."""
        spans: list[tuple[int, int]] = []
        others: set[object] = set()
        for issue in issues:
            known = self._as_issue(own, issue).facts.get(YEAR)
            if isinstance(known, Among):
                spans += [(value, value) for value in known.values if isinstance(value, int)]
                others.update(value for value in known.values if not isinstance(value, int))
            elif isinstance(known, Between) and isinstance(known.low, int):
                spans.append((known.low, known.high if isinstance(known.high, int) else _LATE))
            else:
                others.add(None)
        return _Years([(low, high) for low, high in spans if low <= high], frozenset(others))

    def _richest(self, issues: list[str]) -> list[str]:
        """Without those all of whose facts are among another's; of equal ones the first by id."""
        facts = {issue: self.issues[issue].items() for issue in issues}
        return [
            issue
            for issue in issues
            if not any(
                facts[issue] <= facts[other] and (len(facts[issue]) < len(facts[other]) or other < issue)
                for other in issues
                if other != issue
            )
        ]

    # -- presumptions

    def _with_presumed(self, view: View) -> Iterator[View]:
        known = view.facts
        key = (
            *(known.get(name) for name in self._read),
            *(name in known for name in self._filled),
        )
        worlds = self._presumed.get(key)
        if worlds is None:
            start = {name: known[name] for name in (*self._read, *self._filled) if name in known}
            worlds = self._presumed[key] = self._worlds(start)
        for world in worlds:
            if world.presumed or world.kept:
                facts = {**known, **world.kept, **{name: fact for name, (fact, _) in world.presumed.items()}}
                entries = {name: entry for name, (_, entry) in world.presumed.items()}
                yield View(facts, view.issue, view.own, entries, view.identified)
            else:
                yield view

    def _worlds(self, known: Facts) -> list[World]:
        budget = [MOST_WORLDS]
        return self._pass(0, dict(known), World({}, {}), frozenset(), budget)

    def _pass(
        self, at: int, known: dict[str, Knowledge], world: World, blocked: frozenset[str], budget: list[int]
    ) -> list[World]:
        """The entries from `at` on. Where one depends on a recorded doubt, the values of the doubt go apart."""
        for number in range(at, len(self.presumptions.presume)):
            entry = self.presumptions.presume[number]
            open_names = [name for name in entry.facts if name not in known and name not in blocked]
            if not open_names:
                continue
            verdict = YES
            if entry.where is not None:
                rule = entry.where.predicate
                verdict = judge_view(rule, View(known), self.attributes, self.context).verdict
                doubts = sorted(name for name in reads(rule) if name in known and not is_plain(known[name]))
                if verdict is UNDECIDED and doubts:
                    values = self._values(doubts[0], known[doubts[0]])
                    if values is None or budget[0] < len(values):
                        # What cannot be told apart is presumed neither way, by this entry or a later one.
                        blocked |= frozenset(open_names)
                        continue
                    budget[0] -= len(values)
                    return self._split(number, doubts[0], values, known, world, blocked, budget)
            if verdict is YES:
                world = World({**world.presumed, **{n: (entry.facts[n], entry) for n in open_names}}, world.kept)
                known = {**known, **{name: entry.facts[name] for name in open_names}}
        return [world]

    def _split(
        self,
        at: int,
        name: str,
        values: list[Knowledge],
        known: dict[str, Knowledge],
        world: World,
        blocked: frozenset[str],
        budget: list[int],
    ) -> list[World]:
        together: dict[object, tuple[World, list[Knowledge]]] = {}
        for value in values:
            here = World(world.presumed, {**world.kept, name: value})
            for found in self._pass(at, {**known, name: value}, here, blocked, budget):
                others = {other: kept for other, kept in found.kept.items() if other != name}
                key = (frozenset((n, fact) for n, (fact, _) in found.presumed.items()), frozenset(others.items()))
                together.setdefault(key, (World(found.presumed, others), []))[1].append(found.kept[name])
        worlds = []
        for found, kept in together.values():
            if len(kept) == len(values):
                worlds.append(found)
            else:
                joined = Among(tuple(value for one in kept if isinstance(one, Among) for value in one.values))
                worlds.append(World(found.presumed, {**found.kept, name: joined}))
        return worlds

    def _values(self, name: str, knowledge: Knowledge) -> list[Knowledge] | None:
        """The values of a doubt one by one; None where they cannot be listed."""
        if isinstance(knowledge, Among):
            return [Among((value,)) for value in knowledge.values] if len(knowledge.values) <= _MOST_VALUES else None
        if isinstance(knowledge, Subsets):
            return [Among((one,)) for one in knowledge.lists()] if 2 ** len(knowledge.perhaps) <= _MOST_VALUES else None
        attribute = self.attributes[name]
        low = attribute.low if knowledge.low is None else knowledge.low
        high = attribute.high if knowledge.high is None else knowledge.high
        if attribute.type != "integer" or not isinstance(low, int) or not isinstance(high, int):
            return None
        return [Among((n,)) for n in range(low, high + 1)] if high - low < _MOST_VALUES else None


@dataclass(frozen=True, slots=True)
class _Years:
    """First and last of each span of years, since a recorded one may be too long to be listed; and what is no year: none, or not
    recorded (None)."""

    spans: Sequence[tuple[int, int]]
    others: frozenset[object]

    def are_within(self, more: _Years) -> bool:
        """Whether each of them is among the others."""
        joined: list[tuple[int, int]] = []
        for low, high in sorted(more.spans):
            if joined and low <= joined[-1][1] + 1:
                joined[-1] = joined[-1][0], max(joined[-1][1], high)
            else:
                joined.append((low, high))
        return self.others <= more.others and all(
            any(first <= low and high <= last for first, last in joined) for low, high in self.spans
        )


@dataclass(frozen=True, slots=True)
class World:
    """One way that the recorded doubts may turn out: what is presumed then, by which entry; and what is kept of the doubts."""

    presumed: Mapping[str, tuple[Knowledge, Presumption]]
    kept: Mapping[str, Knowledge]


def is_plain(knowledge: Knowledge) -> bool:
    return isinstance(knowledge, Among) and knowledge.is_plain


def bare(views: tuple[View, ...], but: frozenset[str] = frozenset()) -> tuple[View, ...]:
    """The same coin without what is presumed of it, but for these attributes."""
    if not any(view.presumed for view in views):
        return views
    return tuple(
        View(
            {name: fact for name, fact in view.facts.items() if name not in view.presumed or name in but},
            view.issue,
            view.own,
            {name: entry for name, entry in view.presumed.items() if name in but},
            view.identified,
        )
        for view in views
    )
