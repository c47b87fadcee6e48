"""Whether a member parts with coins without harm: his set in the club holds, and so do his other sets. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace

from service.assignment.solve import solve
from service.clubs.swaps.model import CoinsByOwner
from service.clubs.swaps.reevaluation import Reevaluation, fewer
from service.errors import Invalid
from service.facts.holding import Holding
from service.progress.evaluate import EvaluationRequest, build_instance, figures_of

MOST_EVALUATIONS = 1_000

Places = tuple[int, int]
"""How many places are filled, and how many are filled or tentatively so."""


@dataclass(frozen=True, slots=True)
class _Whole:
    """A set with all of its owner's coins: how it stands, and which coins sit in it, each as often as it does."""

    places: Places
    seated: Counter[str]


class SetGuard:
    """A `service.clubs.swaps.model.SwapCheck`: what `club` says of the set in the club, and that no other set of the owner
    has fewer places filled, surely or at all, once the coins are gone. `others_of` gives the evaluation
    requests of an owner's other sets; it is asked for once, and only for who gives something. A set that cannot be
    evaluated has no places to lose.

    Past `most_evaluations` nothing holds any more, and `is_spent` says so: a search ends, with less than there might be.
    """

    def __init__(
        self,
        club: Reevaluation,
        others_of: Callable[[str], Sequence[EvaluationRequest]],
        most_evaluations: int = MOST_EVALUATIONS,
    ) -> None:
        self._club = club
        self._others_of = others_of
        self._most = most_evaluations
        self._others: dict[str, Sequence[EvaluationRequest]] = {}
        self._wholes: dict[tuple[str, int], _Whole | None] = {}
        self._known: dict[tuple[str, CoinsByOwner], bool] = {}
        self._own = 0
        self.is_spent = False

    @property
    def evaluations(self) -> int:
        """Of whole collections, so far."""
        return self._club.evaluations + self._own

    def holds(self, owner: str, gone: CoinsByOwner, come: CoinsByOwner) -> bool:
        """See `Check`."""
        if self.evaluations >= self._most:
            self.is_spent = True
            return False
        return self._club.holds(owner, gone, come) and self._others_hold(owner, tuple(sorted(gone)))

    def alike(self, owner: str, holding: str) -> Hashable:
        """See `Check`. That another set never takes one of two coins alike does not tell them apart: where it matters, both
        are kept."""
        return self._club.alike(owner, holding)

    def _others_hold(self, owner: str, gone: CoinsByOwner) -> bool:
        if (owner, gone) not in self._known:
            if owner not in self._others:
                self._others[owner] = [request.with_views() for request in self._others_of(owner)]
            less = Counter(name for _, name in gone)
            self._known[owner, gone] = all(
                self._one_holds(owner, number, request, less) for number, request in enumerate(self._others[owner])
            )
        return self._known[owner, gone]

    def _one_holds(self, owner: str, number: int, request: EvaluationRequest, less: Counter[str]) -> bool:
        if not _may_touch(request, [holding for holding in request.holdings if less[holding.id]]):
            return True
        if (owner, number) not in self._wholes:
            self._wholes[owner, number] = self._measured(request)
        whole = self._wholes[owner, number]
        # What is left of the best answer without coins that sit nowhere in it is the best answer still.
        if whole is None or all(
            holding.quantity - less[holding.id] >= whole.seated[holding.id]
            for holding in request.holdings
            if less[holding.id]
        ):
            return True
        after = self._measured(replace(request, holdings=fewer(request.holdings, less)))
        return after is not None and all(now >= then for now, then in zip(after.places, whole.places, strict=True))

    def _measured(self, request: EvaluationRequest) -> _Whole | None:
        self._own += 1
        try:
            instance, _ = build_instance(request)
        except Invalid:
            return None
        solution = solve(instance.problem, budget_seconds=request.budget_seconds, with_standings=False)
        figures = figures_of(instance, solution)
        seated = Counter(instance.holdings[placement.holding].id for placement in solution.placements)
        return _Whole((figures.filled, figures.possible), seated)


def _may_touch(request: EvaluationRequest, coins: Sequence[Holding]) -> bool:
    """Whether the coins may fit a place of the set at all. Where places come from the coins it is not asked of a few."""
    if not coins:
        return False
    if request.definition.one_per:
        return True
    try:
        alone = replace(request, holdings=tuple(coins), pins=(), nevers=(), previous=())
        instance, _ = build_instance(alone, is_solved=False)
    except Invalid:
        return True
    return any(instance.fits)
