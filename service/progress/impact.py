"""What adopting another revision does to my set: places, coins, decisions. Pure.

A place survives where service/analysis/place_matching.py says that it goes on, perhaps under another id, and the later revision
still has that key or number of it. Pins, nevers and notes go along with their places; those that cannot are listed with the
reason, and with what took the place's coins over where it was split or merged.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.analysis.diff import DefinitionDiff, diff_definitions
from service.analysis.diff_wording import changes_as_json
from service.analysis.overlap import COMPARISON_WORK
from service.progress.decisions import KnownPlaces
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.result import Evaluation, PlaceResult, plain
from service.rules.definition import Definition
from service.rules.labels import listed

Pairs = tuple[tuple[str, str], ...]
Notes = Mapping[str, Mapping[str, Any]]
SPLIT, MERGED, REMOVED, SMALLER, UNKNOWN = (
    "place-split",
    "place-merged",
    "place-removed",
    "no-such-place",
    "unknown-place",
)
WHY: Mapping[str, str] = {
    SPLIT: "the place was split",
    MERGED: "the place was merged with others",
    REMOVED: "the place is gone",
    SMALLER: "the group goes on without this place",
    UNKNOWN: "the set had no such place before",
}


@dataclass(frozen=True, slots=True)
class PlaceFate:
    """What becomes of a place: its address in the later revision, or why it has none, and which places took its coins over."""

    after: str | None
    reason: str = ""
    into: tuple[str, ...] = ()


class Survival:
    """Where the places of the earlier definition are in the later one."""

    def __init__(self, difference: DefinitionDiff, after: EvaluationRequest) -> None:
        what = difference.matching
        self.known = KnownPlaces(after, groups=True)
        self.heirs = {old: new.id for old, new in what.successors.items()}
        self.lost: dict[str, tuple[str, tuple[str, ...]]] = {unit.id: (REMOVED, ()) for unit in what.removed}
        self.lost |= {part.id: (MERGED, (one.whole.id,)) for one in what.merges for part in one.parts}
        self.lost |= {one.whole.id: (SPLIT, tuple(part.id for part in one.parts)) for one in what.splits}

    def of(self, address: str) -> PlaceFate:
        """What becomes of a place, or of a group as a whole."""
        unit, slash, key = address.partition("/")
        heir = self.heirs.get(unit)
        if heir is not None:
            there = f"{heir}{slash}{key}"
            return PlaceFate(there) if self.known.has(there) else PlaceFate(None, SMALLER)
        reason, into = self.lost.get(unit, (UNKNOWN, ()))
        return PlaceFate(None, reason, into)


@dataclass(frozen=True, slots=True)
class CarriedDecisions:
    """What the owner decided, after the change: what goes along, and lists of what goes and of what does not, as they are
    shown."""

    pins: Pairs
    nevers: Pairs
    notes: Notes
    shown: Mapping[str, Any]


def difference_of(
    before: EvaluationRequest, after: EvaluationRequest, *, most_work: int = COMPARISON_WORK
) -> DefinitionDiff:
    """What changed between the definitions of the two, with the later one's catalogue and day."""
    return diff_definitions(before.definition, after.definition, after.issues, after.today, most_work=most_work)


def carry(
    difference: DefinitionDiff, after: EvaluationRequest, pins: Pairs, nevers: Pairs, notes: Notes
) -> CarriedDecisions:
    """Decisions and notes to the want list as they stand under the later definition."""
    survival = Survival(difference, after)
    kept: dict[str, Pairs] = {}
    shown: dict[str, Any] = {}
    for name, pairs in (("pins", pins), ("nevers", nevers)):
        fates = [(holding, place, survival.of(place)) for holding, place in pairs]
        kept[name] = tuple((holding, fate.after) for holding, _, fate in fates if fate.after is not None)
        going = [{"holding": h, "place": p, "to": fate.after} for h, p, fate in fates if fate.after is not None]
        left = [{"holding": h, "place": p, **_because(fate)} for h, p, fate in fates if fate.after is None]
        shown[name] = {"carried": going, "dropped": left}
    moved = {place: survival.of(place) for place in notes}
    going = [{"place": place, "to": fate.after} for place, fate in moved.items() if fate.after is not None]
    left = [{"place": p, "note": dict(notes[p]), **_because(fate)} for p, fate in moved.items() if fate.after is None]
    shown["want_notes"] = {"carried": going, "dropped": left}
    there = {fate.after: notes[place] for place, fate in moved.items() if fate.after is not None}
    return CarriedDecisions(kept["pins"], kept["nevers"], there, shown)


def impact(before: EvaluationRequest, after: EvaluationRequest, notes: Notes) -> dict[str, Any]:
    """{"changes", "places": {"gained", "lost", "renamed", "opened", "filled"}, "coins": {"moved", "coming_in", "falling_out"},
    "before", "after", "pins", "nevers", "want_notes", "in_words"}. `before` is the evaluation as it is, with the owner's
    decisions; `after` the same under the other definition, to which what can be of the decisions is carried over."""
    difference = difference_of(before, after)
    carried = carry(difference, after, before.pins, before.nevers, notes)
    was = evaluate(before)
    is_then = evaluate(replace(after, pins=carried.pins, nevers=carried.nevers))
    survival = Survival(difference, after)
    then, now = _entries(is_then), _entries(was)
    fates = {address: survival.of(address) for address in now}
    places = _places(now, then, fates)
    coins = _coins(now, then, fates, {entry.holding: entry.reason for entry in is_then.unplaced})
    changes = changes_as_json(difference)
    words = [change["words"] for change in changes]
    return {
        "changes": changes,
        "places": places,
        "coins": coins,
        "before": plain(was.summary),
        "after": plain(is_then.summary),
        "proven_optimal": was.proven_optimal and is_then.proven_optimal,
        **carried.shown,
        "in_words": [*_summed_up(places, coins, carried, before.definition, after.definition), *words],
    }


Entries = Mapping[str, PlaceResult]


def _entries(result: Evaluation) -> Entries:
    """Every place of an evaluation that is shown, by its address."""
    return {place.place: place for place in result.places()}


def _places(now: Entries, then: Entries, fates: Mapping[str, PlaceFate]) -> dict[str, Any]:
    survivors = {fate.after: address for address, fate in fates.items() if fate.after in then}
    pairs = [(now[address], then[after]) for after, address in survivors.items() if after is not None]
    named = ("place", "label", "tier", "status", "holding")
    gained = [
        {name: getattr(entry, name) for name in named} for address, entry in then.items() if address not in survivors
    ]
    lost = [
        {**{name: getattr(entry, name) for name in named}, **_because(fates[address])}
        for address, entry in now.items()
        if fates[address].after not in then
    ]
    renamed = [
        {"from": was.place, "to": then_.place, "label_before": was.label, "label": then_.label}
        for was, then_ in pairs
        if (was.place, was.label) != (then_.place, then_.label)
    ]
    turned = {
        name: [
            {
                "place": b.place,
                "from": a.place,
                "label": b.label,
                "holding": (a if name == "opened" else b).holding,
            }
            for a, b in pairs
            if (a.status == "empty", b.status == "empty") == states
        ]
        for name, states in (("opened", (False, True)), ("filled", (True, False)))
    }
    return {"gained": gained, "lost": lost, "renamed": renamed, **turned}


def _coins(
    now: Entries, then: Entries, fates: Mapping[str, PlaceFate], reasons: Mapping[str, str]
) -> dict[str, list[dict[str, Any]]]:
    """The coins that do not stay where they are; a holding of several pieces may sit in several places."""
    was, is_then = _seats(now), _seats(then)
    found: dict[str, list[dict[str, Any]]] = {"moved": [], "coming_in": [], "falling_out": []}
    for holding in sorted(was.keys() | is_then.keys()):
        before = [(place, fates[place].after) for place in was.get(holding, ())]
        stays = {after for _, after in before} & set(is_then.get(holding, ()))
        leaving = [place for place, after in before if after not in stays]
        arriving = [place for place in is_then.get(holding, ()) if place not in stays]
        for place, to in zip(leaving, arriving, strict=False):
            found["moved"].append({"holding": holding, "from": place, "to": to})
        for to in arriving[len(leaving) :]:
            found["coming_in"].append({"holding": holding, "to": to})
        for place in leaving[len(arriving) :]:
            found["falling_out"].append({"holding": holding, "from": place, "reason": reasons.get(holding, "")})
    return found


def _seats(entries: Entries) -> dict[str, list[str]]:
    seats: dict[str, list[str]] = {}
    for address, entry in entries.items():
        if entry.holding is not None:
            seats.setdefault(entry.holding, []).append(address)
    return seats


def _because(fate: PlaceFate) -> dict[str, Any]:
    """Why something does not go along, by a code and in words, and where the place's coins go. A place of an open group that
    no coin shows any more is still one, so it has an address and no coin."""
    reason = fate.reason or SMALLER
    return {"reason": reason, "message": WHY[reason], "into": list(fate.into)}


def _summed_up(
    places: Mapping[str, Sequence[Any]],
    coins: Mapping[str, Sequence[Any]],
    carried: CarriedDecisions,
    before: Definition,
    after: Definition,
) -> Iterator[str]:
    """What happens to the set, in a sentence or two."""
    if before.digest == after.digest:
        yield "Both revisions say the same: nothing happens to your set."
        return
    counted = [
        *_counts(places, (("gained", "is", "are", "new"), ("lost", "is", "are", "gone"))),
        *_counts(places, (("opened", "becomes", "become", "empty"), ("filled", "is", "are", "filled"))),
    ]
    yield (
        f"Of the places {listed(counted, 'and')}."
        if counted
        else "Every place stays, and is filled or empty as before."
    )
    moves = (
        ("moved", "moves", "move", ""),
        ("coming_in", "comes", "come", "in"),
        ("falling_out", "falls", "fall", "out"),
    )
    counted = list(_counts(coins, moves))
    yield f"Of the coins {listed(counted, 'and')}." if counted else "Every coin stays where it is."
    dropped = {name: len(carried.shown[name]["dropped"]) for name in ("pins", "nevers", "want_notes")}
    lost = [f"{count} of your {name.replace('want_', 'want list ')}" for name, count in dropped.items() if count]
    if lost:
        yield f"{listed(lost, 'and')} cannot go along: their places do not survive."


def _counts(found: Mapping[str, Sequence[Any]], words: Iterable[tuple[str, str, str, str]]) -> Iterator[str]:
    for name, one, many, end in words:
        count = len(found[name])
        if count:
            yield f"{count} {one if count == 1 else many} {end}".rstrip()
