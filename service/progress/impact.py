"""What adopting another revision does to my set: places, coins, decisions. Pure.

A place survives where `service.analysis.place_matching` finds a successor, perhaps under another id, and the later revision
still has that key or number of it. Pins, nevers and notes are carried over with their places; those that cannot be are listed
with the reason, and with the places that take the coins over where it was split or merged.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from service.analysis.diff import DefinitionDiff, diff_definitions
from service.analysis.diff_wording import worded_changes
from service.analysis.overlap import COMPARISON_WORK
from service.definitions.model import RevisionStamp
from service.evaluation.cost import cost_of_evaluation, in_turn
from service.evaluation.engine import ENGINE
from service.evaluation.places import label_of
from service.progress.decisions import KnownPlaces
from service.progress.evaluate import EvaluationRequest, evaluate_unnamed, names_of_some, sizes_before
from service.progress.result import Evaluation, PlaceResult, Status, Tier
from service.progress.revisions import (
    ArrivingCoin,
    CarriedNote,
    CarriedNotes,
    CarriedPlacing,
    CarriedPlacings,
    CoinsImpact,
    DroppedNote,
    DroppedPlacing,
    GainedPlace,
    Impact,
    LeavingCoin,
    Loss,
    LostPlace,
    MovedCoin,
    PlacesImpact,
    RenamedPlace,
    TurnedPlace,
    WantNote,
)
from service.progress.want_list import Notes
from service.reference.languages import ENGLISH, Language
from service.reference.languages import language as language_of
from service.rules.definition import Definition
from service.rules.labels import shortened
from service.rules.messages import Message, PlacePart, message, some

Placings = tuple[tuple[str, str], ...]
SPLIT: Final = "place-split"
MERGED: Final = "place-merged"
REMOVED: Final = "place-removed"
SMALLER: Final = "no-such-place"
UNKNOWN: Final = "unknown-place"
_WHY: Mapping[Loss, str] = {
    SPLIT: "lost-split",
    MERGED: "lost-merged",
    REMOVED: "lost-removed",
    SMALLER: "lost-in-group",
    UNKNOWN: "lost-unknown",
}


@dataclass(frozen=True, slots=True)
class PlaceFate:
    """What becomes of a place: its address in the later revision, or why it has none, and which places took its coins over."""

    after: str | None
    reason: Loss | None = None
    into: tuple[str, ...] = ()

    def because(self, before: Definition, after: Definition, address: str) -> dict[str, Any]:
        """Why it is dropped, by a code and in words, and where the place's coins go: members of an entry. A place of an open
        group that no coin shows any more is still one, so it has an address and no coin."""
        reason = self.reason or SMALLER
        told: dict[str, Any] = {"place": PlacePart(address, shortened(label_of(before, address)))}
        if self.into:
            told["into"] = some([PlacePart(name, shortened(label_of(after, name))) for name in self.into])
        return {"reason": reason, "into": list(self.into), **message(_WHY[reason], **told).members()}


class Survival:
    """Where the places of the earlier definition are in the later one."""

    def __init__(self, difference: DefinitionDiff, after: EvaluationRequest) -> None:
        what = difference.matching
        self.known = KnownPlaces(after, groups=True)
        self.heirs = {old: new.id for old, new in what.successors.items()}
        self.lost: dict[str, tuple[Loss, tuple[str, ...]]] = {unit.id: (REMOVED, ()) for unit in what.removed}
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
    """The owner's decisions after the change: what is carried over, and lists of what is and of what is dropped, as they are
    sent."""

    pins: Placings
    nevers: Placings
    notes: Notes
    pin_lists: CarriedPlacings
    never_lists: CarriedPlacings
    note_lists: CarriedNotes


def difference_of(
    before: EvaluationRequest, after: EvaluationRequest, *, most_work: int = COMPARISON_WORK
) -> DefinitionDiff:
    """What changed between the definitions of the two, with the later one's catalogue and day."""
    return diff_definitions(before.definition, after.definition, after.issues, after.today, most_work=most_work)


def carry(
    difference: DefinitionDiff, after: EvaluationRequest, pins: Placings, nevers: Placings, notes: Notes
) -> CarriedDecisions:
    """Decisions and notes to the want list under the later definition."""
    return _carried(Survival(difference, after), difference.old, after.definition, pins, nevers, notes)


def _carried(
    survival: Survival, before: Definition, after: Definition, pins: Placings, nevers: Placings, notes: Notes
) -> CarriedDecisions:
    kept_pins, pin_lists = _placings(survival, before, after, pins)
    kept_nevers, never_lists = _placings(survival, before, after, nevers)
    fates = {place: survival.of(place) for place in notes}
    there = {fate.after: notes[place] for place, fate in fates.items() if fate.after is not None}
    note_lists = CarriedNotes(
        carried=[CarriedNote(place, fate.after) for place, fate in fates.items() if fate.after is not None],
        dropped=[
            DroppedNote(place=place, note=WantNote(**notes[place]), **fate.because(before, after, place))
            for place, fate in fates.items()
            if fate.after is None
        ],
    )
    return CarriedDecisions(kept_pins, kept_nevers, there, pin_lists, never_lists, note_lists)


def _placings(
    survival: Survival, before: Definition, after: Definition, pairs: Placings
) -> tuple[Placings, CarriedPlacings]:
    """The pairs that are carried over, under their later addresses, and the lists."""
    fates = [(holding, place, survival.of(place)) for holding, place in pairs]
    carried = [CarriedPlacing(h, place, fate.after) for h, place, fate in fates if fate.after is not None]
    dropped = [
        DroppedPlacing(holding=holding, place=place, **fate.because(before, after, place))
        for holding, place, fate in fates
        if fate.after is None
    ]
    return tuple((one.holding, one.to) for one in carried), CarriedPlacings(carried, dropped)


@dataclass(frozen=True, slots=True)
class ImpactStamp:
    """What the impact is of: the definition, both revisions, the state of the holdings, the edition of the reference data."""

    definition: str
    before: RevisionStamp
    after: RevisionStamp
    holdings_state: str
    reference_edition: str


def impact(
    before: EvaluationRequest,
    after: EvaluationRequest,
    notes: Notes,
    stamp: ImpactStamp,
    language: Language = language_of(ENGLISH),  # noqa: B008 - it is kept and never changes
) -> Impact:
    """What becomes of places, coins, decisions and notes. `before` is the evaluation as it is, with the owner's decisions;
    `after` the same under the other definition, to which what can be of the decisions is carried over. `language` is that of
    `in_words` and of the changes; messages have codes and parts."""
    difference = difference_of(before, after)
    survival = Survival(difference, after)
    carried = _carried(survival, before.definition, after.definition, before.pins, before.nevers, notes)
    both = before, replace(after, pins=carried.pins, nevers=carried.nevers)
    ahead = [(one, cost_of_evaluation(sizes_before(one))) for one in both]
    was, is_then = map(evaluate_unnamed, in_turn("comparing the revisions", "evaluations", ahead))
    then, now = _by_address(is_then), _by_address(was)
    fates = {address: survival.of(address) for address in now}
    places = _places(now, then, fates, before.definition, after.definition)
    numbers = {holding.id: holding.number or None for holding in before.holdings}
    coins = _coins(now, then, fates, {entry.holding: entry.reason for entry in is_then.unplaced}, numbers)
    changes = worded_changes(difference, language)
    summed_up = list(_summed_up(places, coins, carried, before.definition, after.definition))
    return Impact(
        definition=stamp.definition,
        from_=stamp.before,
        to=stamp.after,
        changes=changes,
        places=places,
        coins=coins,
        before=was.summary,
        after=is_then.summary,
        proven_optimal=was.proven_optimal and is_then.proven_optimal,
        pins=carried.pin_lists,
        nevers=carried.never_lists,
        want_notes=carried.note_lists,
        in_words=[*map(language.worded, summed_up), *(change.words for change in changes)],
        messages=summed_up,
        named=names_of_some(before, _told_of(places, coins, carried)),
        holdings_state=stamp.holdings_state,
        evaluated_on=before.today,
        reference_edition=stamp.reference_edition,
        engine_version=ENGINE,
    )


_Places = Mapping[str, PlaceResult]


def _by_address(result: Evaluation) -> _Places:
    """Every place of an evaluation that is shown."""
    return {place.place: place for place in result.places()}


def _places(
    now: _Places, then: _Places, fates: Mapping[str, PlaceFate], before: Definition, after: Definition
) -> PlacesImpact:
    survivors = {fate.after: address for address, fate in fates.items() if fate.after in then}
    pairs = [(now[address], then[after]) for after, address in survivors.items() if after is not None]
    return PlacesImpact(
        gained=[GainedPlace(*_state(place)) for address, place in then.items() if address not in survivors],
        lost=[
            LostPlace(
                place=place.place,
                label=place.label,
                tier=place.tier,
                status=place.status,
                holding=place.holding,
                **fates[address].because(before, after, address),
            )
            for address, place in now.items()
            if fates[address].after not in then
        ],
        renamed=[
            RenamedPlace(was.place, is_then.place, was.label, is_then.label)
            for was, is_then in pairs
            if (was.place, was.label) != (is_then.place, is_then.label)
        ],
        opened=[
            TurnedPlace(is_then.place, was.place, is_then.label, was.holding)
            for was, is_then in pairs
            if was.status != "empty" and is_then.status == "empty"
        ],
        filled=[
            TurnedPlace(is_then.place, was.place, is_then.label, is_then.holding)
            for was, is_then in pairs
            if was.status == "empty" and is_then.status != "empty"
        ],
    )


def _state(place: PlaceResult) -> tuple[str, str, Tier, Status, str | None]:
    return place.place, place.label, place.tier, place.status, place.holding


def _coins(
    now: _Places,
    then: _Places,
    fates: Mapping[str, PlaceFate],
    reasons: Mapping[str, str],
    numbers: Mapping[str, str | None],
) -> CoinsImpact:
    """The coins that do not stay where they are; a holding of several pieces may sit in several places."""
    was, is_then = _seats(now), _seats(then)
    found = CoinsImpact([], [], [])
    for holding in sorted(was.keys() | is_then.keys()):
        number = numbers.get(holding)
        before = [(place, fates[place].after) for place in was.get(holding, ())]
        stays = {after for _, after in before} & set(is_then.get(holding, ()))
        leaving = [place for place, after in before if after not in stays]
        arriving = [place for place in is_then.get(holding, ()) if place not in stays]
        found.moved += [MovedCoin(holding, place, to, number) for place, to in zip(leaving, arriving, strict=False)]
        found.coming_in += [ArrivingCoin(holding, to, number) for to in arriving[len(leaving) :]]
        found.falling_out += [
            LeavingCoin(holding, place, reasons.get(holding, ""), number) for place in leaving[len(arriving) :]
        ]
    return found


def _seats(places: _Places) -> dict[str, list[str]]:
    seats: dict[str, list[str]] = {}
    for address, place in places.items():
        if place.holding is not None:
            seats.setdefault(place.holding, []).append(address)
    return seats


def _told_of(places: PlacesImpact, coins: CoinsImpact, carried: CarriedDecisions) -> set[str | None]:
    """The coins that the lists name."""
    told: set[str | None] = {one.holding for one in places.gained} | {one.holding for one in places.lost}
    told |= {one.holding for one in (*places.opened, *places.filled)}
    told |= {one.holding for one in coins.moved} | {one.holding for one in coins.coming_in}
    told |= {one.holding for one in coins.falling_out}
    for lists in (carried.pin_lists, carried.never_lists):
        told |= {one.holding for one in lists.carried} | {one.holding for one in lists.dropped}
    return told


def _summed_up(
    places: PlacesImpact, coins: CoinsImpact, carried: CarriedDecisions, before: Definition, after: Definition
) -> Iterator[Message]:
    """What happens to the set, in a sentence or two."""
    if before.digest == after.digest:
        yield message("impact-none")
        return
    yield _counted(
        "impact-places",
        {
            "impact-places-new": places.gained,
            "impact-places-gone": places.lost,
            "impact-places-emptied": places.opened,
            "impact-places-filled": places.filled,
        },
    )
    yield _counted(
        "impact-coins",
        {
            "impact-coins-moved": coins.moved,
            "impact-coins-in": coins.coming_in,
            "impact-coins-out": coins.falling_out,
        },
    )
    dropped: dict[str, Sequence[object]] = {
        "impact-pins-dropped": carried.pin_lists.dropped,
        "impact-nevers-dropped": carried.never_lists.dropped,
        "impact-notes-dropped": carried.note_lists.dropped,
    }
    if any(dropped.values()):
        yield _counted("impact-dropped", dropped)


def _counted(code: str, entries: Mapping[str, Sequence[object]]) -> Message:
    """How many entries there are of each kind, one after the other; that there are none where there are none."""
    changes = [message(kind, count=len(found)) for kind, found in entries.items() if found]
    return message(code, changes=changes) if changes else message(f"{code}-same")
