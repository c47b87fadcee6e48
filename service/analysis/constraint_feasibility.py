"""Whether a rule over several places can hold with all of them filled, as far as the places' own rules tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from service.analysis.key_feasibility import KeyValues, can_agree, key_combinations, most_places_filled, possible_values
from service.analysis.place_groups import PlaceGroup, are_disjoint_on, reach_of
from service.analysis.questions import Questions
from service.analysis.satisfiability import WantedVerdict
from service.facts.knowledge import Value
from service.facts.truth import NO
from service.rules.constraints import FEW_MAY_AGREE
from service.rules.labels import shortened
from service.rules.messages import FactPart, Message, MorePart, PlacePart, message, some
from service.rules.predicates import Predicate, all_of
from service.rules.rule import Rule

_MOST_AGREEMENTS = 1_000


def place_part(group: PlaceGroup) -> PlacePart:
    """The place, or the group, in a message."""
    return PlacePart(group.id, shortened(group.label))


def places_part(groups: Sequence[PlaceGroup]) -> list[PlacePart | MorePart]:
    """The first few of them in a message."""
    return some([place_part(group) for group in groups])


@dataclass(frozen=True, slots=True)
class FilledPlaces:
    """The places of one rule, all of them filled (`service.rules.constraints.Feasibility`). Each method gives the reason why
    something cannot be, or None where it can be or was not decided. `open_groups` are the open-ended groups among
    them: any number of places more. `bound` is the slot that a kind which `binds_one` binds."""

    questions: Questions
    covered: Sequence[PlaceGroup]
    open_groups: Sequence[PlaceGroup] = ()
    bound: PlaceGroup | None = None

    def too_many_fit(self, where: Rule, most: int) -> Message | None:
        """Why more than `most` of the places accept only coins that fit `where`."""
        counted = [group for group in self.covered if self.questions.is_within(group.rule, where.predicate)]
        places = sum(group.places for group in counted)
        if places <= most:
            return None
        return message("too-many-count", groups=places_part(counted), places=places, most=most)

    def too_few_fit(self, where: Rule, least: int) -> Message | None:
        """Why fewer than `least` of the places can take a coin that fits `where`."""
        wanted = WantedVerdict(where.predicate)
        if any(self._may_be(WantedVerdict(group.rule), wanted) for group in self.open_groups):
            return None
        places = sum(group.places for group in self.covered if self._may_be(WantedVerdict(group.rule), wanted))
        if places >= least:
            return None
        if places == 0:
            return message("no-place-can-count", wanted=least)
        return message("too-few-places-can-count", wanted=least, able=places)

    def _may_be(self, *wanted: WantedVerdict) -> bool:
        return self.questions.ask_in_scope(*wanted).possible is not NO

    def never_match(self, by: tuple[str, ...]) -> Message | None:
        """Why a coin in the bound slot can never agree with one in any of the other places in one of these attributes."""
        others = [group for group in (*self.covered, *self.open_groups) if group != self.bound]
        if self.bound is None:
            return None
        if not others:
            return message("no-other-place")
        reasons = [FilledPlaces(self.questions, (self.bound, other)).never_agree(by) for other in others]
        if any(reason is None for reason in reasons):
            return None
        if len(reasons) == 1:
            return reasons[0]
        return message("agrees-with-none", place=place_part(self.bound), others=places_part(others))

    def never_agree(self, by: tuple[str, ...]) -> Message | None:
        """Why two of the places can never agree in one of these attributes."""
        return self._own_value_each(by) or self._two_that_never_agree(by)

    def _own_value_each(self, by: tuple[str, ...]) -> Message | None:
        for group in self.covered:
            _, one_per = self.questions.one_per_groups.get(group.id, (0, None))
            if one_per is None or group.places < 2 or not set(one_per.attributes) <= set(by):
                continue
            # Named bands may overlap, and a coin may show several keys of a list.
            apart = (
                not part.bands and part.terms is None and not self.questions.attributes[part.attribute].many
                for part in one_per.parts
            )
            if all(apart):
                facts = self._facts(one_per.attributes)
                return message("own-key-each", group=place_part(group), facts=facts)
        return None

    def _two_that_never_agree(self, by: tuple[str, ...]) -> Message | None:
        questions = self.questions
        # Places with equal rules are represented by the first.
        distinct = list({group.rule: group for group in reversed(self.covered)}.values())[::-1]
        reaches = [reach_of(group.rule) for group in distinct]
        asked = 0
        for (first, reach), (second, other) in combinations(zip(distinct, reaches, strict=True), 2):
            questions.work += 1
            for name in by:
                never = are_disjoint_on(name, reach, other)
                if not never and asked < _MOST_AGREEMENTS and not questions.is_spent:
                    asked += 1
                    rules = (all_of(first.rule, questions.scope), all_of(second.rule, questions.scope))
                    agreed = can_agree(name, *rules, questions.attributes, questions.context)
                    questions.work += agreed.work
                    never = agreed.possible is NO
                if never:
                    both = places_part([first, second])
                    return message("two-never-agree", places=both, fact=FactPart(name, questions.wording.name(name)))
            if questions.is_spent:
                return None
        return None

    def too_few_keys(self, by: tuple[str, ...], most: int, demand: str) -> Message | None:
        """Why the places cannot all be filled when each key of `by` may occur `most` times. `demand` is the code of
        the message that says what is asked of the coins."""
        known: dict[Predicate, frozenset[KeyValues] | None] = {}
        places: list[frozenset[KeyValues]] = []
        for group in self.covered:
            if group.rule not in known:
                known[group.rule] = self._keys(group, by) if most else frozenset()
            keys = known[group.rule]
            if keys is not None:
                places += [keys] * group.places
                self.questions.work += len(keys) * group.places
        if self.questions.is_spent:
            return None
        filled = most_places_filled(places, most)
        if filled == len(places):
            return None
        told = {"places": len(places), "facts": self._facts(by), "filled": filled}
        return message(demand, **told, most=most) if demand == FEW_MAY_AGREE else message(demand, **told)

    def _facts(self, names: Sequence[str]) -> list[FactPart]:
        return [FactPart(name, self.questions.wording.name(name)) for name in names]

    def _keys(self, group: PlaceGroup, by: tuple[str, ...]) -> frozenset[KeyValues] | None:
        """The keys that coins of the group can have; None where they cannot be listed."""
        return key_combinations([self._values(group, name) for name in by])

    def _values(self, group: PlaceGroup, name: str) -> frozenset[Value] | None:
        questions = self.questions
        if questions.is_spent:
            return None
        wanted = (WantedVerdict(group.rule), *questions.in_scope)
        values, work = possible_values(name, wanted, reach_of(group.rule), questions.attributes, questions.context)
        questions.work += work
        return values
