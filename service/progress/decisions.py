"""Pins and nevers before they are kept: the coins and places that they name are there. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from service.errors import Fault, Sentence
from service.evaluation.keys import Collection
from service.evaluation.places import places_of
from service.facts.words import NearWords
from service.progress.evaluate import EvaluationRequest, coins_of
from service.rules.keys import key_at
from service.rules.predicates import EvaluationContext

Pairs = Sequence[tuple[str, str]]


def faults_of_decisions(request: EvaluationRequest, pins: Pairs, nevers: Pairs) -> list[Fault]:
    """All that is wrong with them, with pointers into {"pins": [...], "nevers": [...]}. A place of an open-ended group may
    be named before any coin shows its key; a whole group may be named too."""
    known = KnownPlaces(request, groups=True)
    holdings = {holding.id for holding in request.holdings}
    faults: list[Fault] = []
    pinned = frozenset(pins)
    for name, pairs in (("pins", pins), ("nevers", nevers)):
        before: set[tuple[str, str]] = set()
        for number, (holding, place) in enumerate(pairs):
            at = f"/{name}/{number}"
            if holding not in holdings:
                faults.append(
                    Fault.of("unknown-holding", "unknown holding '{holding}'", f"{at}/holding", holding=holding[:80])
                )
            faults.extend(known.fault(place, f"{at}/place"))
            if (holding, place) in before:
                faults.append(Fault("clashing-id", "this coin and this place are here twice", at))
            if name == "nevers" and (holding, place) in pinned:
                message = "this coin is both to be kept here (`pins`) and never here (`nevers`)"
                faults.append(Fault("contradiction", message, at, "remove one of the two"))
            before.add((holding, place))
    return faults


def faults_of_places(request: EvaluationRequest, names: Sequence[str]) -> list[Fault]:
    """All that is wrong with a list of places or groups that notes are made to, with pointers into [{"place"}, ...]."""
    known, before = KnownPlaces(request, groups=True), set[str]()
    faults: list[Fault] = []
    for number, name in enumerate(names):
        faults.extend(known.fault(name, f"/{number}/place"))
        if name in before:
            faults.append(Fault.of("clashing-id", "'{name}' is here twice", f"/{number}/place", name=name[:80]))
        before.add(name)
    return faults


class KnownPlaces:
    """The places of a set by address; `groups`: whole groups too. A place of an open-ended group is known before any coin
    shows its key."""

    def __init__(self, request: EvaluationRequest, *, groups: bool = False) -> None:
        context = EvaluationContext(request.today, request.vocabularies)
        coins = coins_of(request)
        places = places_of(request.definition, Collection(coins.views, request.issues, context, coins))
        one_per, choices = request.definition.one_per, request.definition.free_choice
        self.names = [place.address for place in places]
        if groups:
            self.names += [group.id for group in one_per] + [choice.id for choice in choices]
        self.known = frozenset(self.names)
        self.attributes = request.definition.attributes
        self.open_groups = {group.id: group.parts for group in one_per if group.keys.is_open}
        self._near = NearWords(self.names)

    def has(self, name: str) -> bool:
        """Whether the set has a place of that name."""
        group, _, key = name.partition("/")
        if name in self.known or group not in self.open_groups:
            return name in self.known
        return bool(key) and key_at(key, self.open_groups[group], self.attributes) is not None

    def fault(self, name: str, pointer: str) -> list[Fault]:
        """What is wrong with a name, if anything is."""
        if self.has(name):
            return []
        near = self._near.nearest(name)
        hint = Sentence("did you mean '{near}'?", near=near) if near else None
        return [Fault.of("unknown-place", "the set has no place '{name}'", pointer, hint, name=name[:80])]
