"""Whether a member's set holds with coins gone and others come: it is evaluated again. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, replace

from service.assignment.solve import solve
from service.clubs.swaps.model import CoinsByOwner
from service.facts.holding import Holding, View
from service.progress.evaluate import EvaluationRequest, build_instance, figures_of
from service.progress.result import Figures


class Reevaluation:
    """A check that evaluates again. `request_of` gives a member's evaluation request, the same each time; it is asked for once,
    and only for who takes part. What was answered is remembered."""

    def __init__(self, request_of: Callable[[str], EvaluationRequest]) -> None:
        self._request_of = request_of
        self._requests: dict[str, tuple[EvaluationRequest, dict[str, Holding]]] = {}
        self._known: dict[tuple[str, CoinsByOwner, CoinsByOwner], tuple[int, int] | None] = {}
        self.evaluations = 0

    def holds(self, owner: str, gone: CoinsByOwner, come: CoinsByOwner) -> bool:
        """See `Check`."""
        before, after = self._standing(owner, (), ()), self._standing(owner, gone, come)
        return before is not None and after is not None and holds(before, after, len(come))

    def alike(self, owner: str, holding: str) -> Hashable:
        """See `Check`."""
        request, held = self._asked(owner)
        views = request.views_of(held[holding])
        several = len({view.issue for view in views}) > 1
        return frozenset(
            (view.issue if several else None, frozenset(view.facts.items()), frozenset(view.presumed)) for view in views
        )

    def _standing(self, owner: str, gone: CoinsByOwner, come: CoinsByOwner) -> tuple[int, int] | None:
        key = (owner, tuple(sorted(gone)), tuple(sorted(come)))
        if key not in self._known:
            request = self._after(owner, gone, come)
            self._known[key] = None if request is None else self._measured(request)
        return self._known[key]

    def _measured(self, request: EvaluationRequest) -> tuple[int, int]:
        self.evaluations += 1
        instance, _ = build_instance(request)
        return standing_of(
            figures_of(instance, solve(instance.problem, budget_seconds=request.budget_seconds, with_standings=False))
        )

    def _asked(self, owner: str) -> tuple[EvaluationRequest, dict[str, Holding]]:
        if owner not in self._requests:
            request = self._request_of(owner).with_views()
            self._requests[owner] = request, {holding.id: holding for holding in request.holdings}
        return self._requests[owner]

    def _after(self, owner: str, gone: CoinsByOwner, come: CoinsByOwner) -> EvaluationRequest | None:
        """The member's set with coins gone and come; None where one is not there, or speaks of issues not known to him."""
        request, held = self._asked(owner)
        less = Counter(name for _, name in gone)
        if any(name not in held or held[name].quantity < count for name, count in less.items()):
            return None
        arrived = []
        for number, (giver, name) in enumerate(come):
            theirs, coins = self._asked(giver)
            if name not in coins:
                return None
            coin = brought(request, theirs, replace(coins[name], quantity=1), f"{giver}/{name}/{number}")
            if coin is None:
                return None
            arrived.append(coin)
        return replace(
            request,
            holdings=(*fewer(request.holdings, less), *(coin.holding for coin in arrived)),
            known_views={**request.known_views, **{coin.holding.id: coin.views for coin in arrived}},
        )


def standing_of(figures: Figures) -> tuple[int, int]:
    """Places filled, tentatively or not, and how many of them are required, of a set's figures."""
    return figures.filled + figures.tentative, figures.required.filled + figures.required.tentative


def holds(before: tuple[int, int], after: tuple[int, int], received: int) -> bool:
    """Whether a set, by its standings, has a place more for each coin received and no required place less. A coin adds one
    place at most (what is left of an assignment keeps every rule), so without those coins no place is lost either."""
    return after[0] >= before[0] + received and after[1] >= before[1]


def fewer(holdings: Iterable[Holding], less: Mapping[str, int]) -> tuple[Holding, ...]:
    """The holdings without so many pieces of each; those of which nothing is left are gone."""
    return tuple(
        replace(holding, quantity=holding.quantity - less[holding.id]) if less.get(holding.id) else holding
        for holding in holdings
        if holding.quantity > less.get(holding.id, 0)
    )


@dataclass(frozen=True, slots=True)
class BroughtCoin:
    """Somebody else's coin in a collection, and all that it may be by what its owner recorded, and has in the catalogue, and
    presumes."""

    holding: Holding
    views: tuple[View, ...]


def brought(mine: EvaluationRequest, theirs: EvaluationRequest, coin: Holding, identity: str) -> BroughtCoin | None:
    """A coin of another collection as it stands in mine, under this id: what its issue says goes along as its own facts. None
    where it may be several issues and these are not known alike. Both requests are of one definition."""
    views = theirs.views_of(coin)
    issues = {view.issue for view in views if view.issue is not None}
    if len({view.issue for view in views}) == 1:
        settled = tuple(
            replace(view, issue=None, own=frozenset(view.facts.keys() - view.presumed.keys()), identified=False)
            for view in views
        )
        facts = {name: fact for name, fact in views[0].facts.items() if name not in views[0].presumed}
        return BroughtCoin(
            replace(coin, id=identity, facts=facts if len(views) == 1 else coin.facts, issues=()), settled
        )
    known = all(theirs.issues.get(issue) == mine.issues.get(issue) for issue in issues)
    return BroughtCoin(replace(coin, id=identity), views) if known else None
