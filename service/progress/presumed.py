"""What an answer owes to presumptions, and what does not agree with a coin's issues. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations

from service.assignment.build import Instance
from service.evaluation.table import Table
from service.evaluation.views import Contradiction, Seen, bare
from service.facts.holding import Holding, View
from service.facts.knowledge import Knowledge, knowledge_as_json
from service.facts.truth import NO, YES, Verdict
from service.progress.description import MessageNames
from service.progress.result import ContradictionConflict, UnidentifiedConflict
from service.rules.labels import Labels
from service.rules.messages import Message, message
from service.rules.predicates import Predicate, reads

MOST_CLASHES = 500
_MOST_TRIALS = 2_000


def resting_on(predicate: Predicate, views: tuple[View, ...], table: Table, verdict: Verdict) -> list[str]:
    """A smallest set of attributes whose presumed values, beside what is known, give the rule this verdict, which it has with
    all of them; ties by name. Past 2,000 trials a set of which none can be spared. Empty where nothing presumed is needed.

    More presumed values never take a yes or a no away, so an attribute without which all the others are not enough is in
    every such set.
    """
    presumed = {name for view in views for name in view.presumed}

    def is_enough(names: frozenset[str]) -> bool:
        return table.verdict(predicate, bare(views, names)) is verdict

    every = frozenset(presumed & reads(predicate))
    needed = frozenset(name for name in every if not is_enough(every - {name}))
    others = sorted(every - needed)
    trials = 0
    for size in range(len(others) + 1):
        # In order of the names of the whole set, not of those that are added.
        for more in sorted(combinations(others, size), key=lambda names: sorted(needed.union(names))):
            trials += 1
            if trials > _MOST_TRIALS:
                return sorted(_spared(every, is_enough))
            if is_enough(needed.union(more)):
                return sorted(needed.union(more))
    return sorted(every)


def _spared(names: frozenset[str], is_enough) -> frozenset[str]:  # type: ignore[no-untyped-def]
    for name in sorted(names, reverse=True):
        if is_enough(names - {name}):
            names -= {name}
    return names


class KeptOut:
    """Of coins that fit no place: what is presumed of those that might fit one without presumptions."""

    def __init__(self, instance: Instance, table: Table) -> None:
        self._coins, self._table = instance.coins, table
        self._predicates = list({id(place.predicate): place.predicate for place in instance.places}.values())
        self._known: dict[object, list[str]] = {}
        self._read = sorted(frozenset[str]().union(*(reads(rule) for rule in self._predicates)))

    def by(self, coin: int) -> list[str]:
        """A smallest set of attributes whose presumed values keep the coin out of the first place that it might fit without
        presumptions; empty where there is none."""
        if not self._coins.has_presumed:
            return []
        views = self._coins.views[coin]
        if not any(view.presumed for view in views):
            return []
        key = tuple(tuple((view.facts.get(name), name in view.presumed) for name in self._read) for view in views)
        if key not in self._known:
            self._known[key] = self._found(views)
        return self._known[key]

    def _found(self, views: tuple[View, ...]) -> list[str]:
        without = bare(views)
        for rule in self._predicates:
            if self._table.verdict(rule, without) is not NO:
                return resting_on(rule, views, self._table, NO)
        return []


def presumed_of(instance: Instance, table: Table, place: int, coin: int) -> list[str]:
    """The presumed attributes on which a sure placement rests."""
    return resting_on(instance.places[place].predicate, instance.views[coin], table, YES)


def clashes(
    instance: Instance, table: Table, seen_of: Callable[[Holding], Seen]
) -> tuple[list[ContradictionConflict | UnidentifiedConflict], int]:
    """A conflict for each recorded fact that contradicts an issue, and how many are left out past the first 500: of issues
    that a coin names, and of the nearest one where a coin that might fit some place is none of a complete catalogue."""
    names = MessageNames(instance, table)
    labels = Labels(table.attributes, table.context.vocabularies)
    fitting = frozenset(instance.edges.holding.tolist()) if instance.coins.clashing else frozenset()
    found: list[ContradictionConflict | UnidentifiedConflict] = []
    left_out = 0
    for coin in instance.coins.clashing:
        holding = instance.holdings[coin]
        seen = seen_of(holding)
        nearest = seen.unidentified if coin in fitting else ()
        for kinds, code, wrong in (
            (ContradictionConflict, "contradiction", seen.contradictions),
            (UnidentifiedConflict, "unidentified", nearest),
        ):
            for clash in wrong:
                if len(found) >= MOST_CLASHES:
                    left_out += 1
                    continue
                found.append(
                    kinds(
                        holding=holding.id,
                        issue=clash.issue,
                        attribute=clash.attribute,
                        recorded=knowledge_as_json(clash.recorded),
                        issue_value=knowledge_as_json(clash.issue_value),
                        **_message(code, names, labels, coin, clash).members(),
                    )
                )
    return found, left_out


def _message(code: str, names: MessageNames, labels: Labels, coin: int, clash: Contradiction) -> Message:
    recorded, theirs = (_words(labels, clash.attribute, one) for one in (clash.recorded, clash.issue_value))
    told = {"fact": names.fact(clash.attribute), "recorded": recorded, "theirs": theirs, "issue": clash.issue}
    return message(code, coin=names.coin(coin), **told)


def _words(labels: Labels, attribute: str, knowledge: Knowledge) -> str:
    return " or ".join(_plain(labels, attribute, knowledge_as_json(knowledge)))


def _plain(labels: Labels, attribute: str, value: object) -> Iterator[str]:
    if isinstance(value, dict) and "one_of" in value:
        for one in value["one_of"]:
            yield from _plain(labels, attribute, one)
    elif isinstance(value, dict) and "none" in value:
        yield "none"
    elif isinstance(value, dict) and not {"has", "perhaps"} & value.keys():
        low, high = value.get("from"), value.get("to")
        yield f"up to {high}" if low is None else f"{low} or more" if high is None else f"{low} to {high}"
    elif isinstance(value, dict):
        yield ", ".join([*value["has"], *(f"perhaps {term}" for term in value["perhaps"])])
    elif isinstance(value, bool):
        yield "yes" if value else "no"
    elif isinstance(value, str):
        yield labels.term(attribute, value)
    elif isinstance(value, Sequence):
        yield ", ".join(labels.term(attribute, str(term)) for term in value) or "none"
    else:
        yield str(value)
