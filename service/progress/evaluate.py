"""My coins against a set: the evaluation result of rules.md section 6. Pure; "today" is an argument."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any

from msgspec import UNSET

from service.assignment.build import FixedPlacements, Instance, build
from service.assignment.problem import Basis, Placement, Solution
from service.assignment.solve import solve
from service.errors import Fault, Invalid, OverLimit, Sentence
from service.evaluation.coins import Coins
from service.evaluation.cost import Sizes
from service.evaluation.document_sizes import stated_places
from service.evaluation.engine import ENGINE
from service.evaluation.keys import Collection
from service.evaluation.known_rules import KnownRules
from service.evaluation.places import FREE_CHOICE, ONE_PER, SLOT, Place, places_of
from service.evaluation.recorded import RecordedCoins, coins_in_columns
from service.evaluation.table import Table
from service.evaluation.views import Seen, Views
from service.facts.holding import HELD, Facts, Holding, View
from service.facts.vocabulary import Vocabulary
from service.progress.alternates import RunnersUp
from service.progress.conflicts import constraint_conflicts, pin_conflicts, pin_costs
from service.progress.contests import contested
from service.progress.goals import goals_of
from service.progress.named import NamedHolding, named_holdings, named_in_columns
from service.progress.presumed import clashes, presumed_of
from service.progress.result import (
    PARTS,
    Conflict,
    ContradictionConflict,
    DefinitionStamp,
    Evaluation,
    EvaluationParts,
    Figures,
    FreeChoiceResult,
    Goal,
    LevelResult,
    OnePerResult,
    PageResult,
    PlaceCounts,
    PlaceResult,
    Summary,
    TentativeCounts,
    UndecidedConflict,
    UnidentifiedConflict,
    UnplacedHolding,
    doubt_name,
)
from service.progress.undecided import doubts, doubts_after
from service.progress.unknown_terms import UnknownTermEntry, unknown_terms_of
from service.progress.unplaced import count_unplaced, unplaced
from service.reference import shipped
from service.rules.definition import OPTIONAL, REQUIRED, Definition, FreeChoice, OnePer
from service.rules.keys import key_as_json
from service.rules.predicates import EvaluationContext
from service.rules.presumptions import NO_PRESUMPTIONS, Presumptions

MOST_HOLDINGS = 100_000
SOLVING_SHARE, _PINS_SHARE, _RULES_SHARE = 0.7, 0.1, 0.2
"""The parts of a request's solver time: who sits where, what pins cost, what rules keep empty."""
_UNNAMED = frozenset(PARTS) - {"named", "unknown_terms"}


@dataclass(frozen=True)
class EvaluationRequest:
    """What is asked. `pins` and `nevers` are (holding id, place), `previous` is (place, holding id); `issues` is the catalogue
    by id; `budget_seconds` is solver time, of everything together. `presumptions` come after the definition's own; without
    `presume` nothing is presumed. `replaces` says of the owner's issues in whose place they stand where coins are identified.
    `known_views` are those of holdings, by id, that are known already: of somebody else's coins, or worked out before.
    `known_rules`: what requests before found with the same definition, day and vocabularies; for other ones nothing is taken
    from it."""

    definition: Definition
    holdings: Sequence[Holding]
    today: date
    vocabularies: Mapping[str, Vocabulary]
    issues: Mapping[str, Facts] = field(default_factory=dict)
    pins: tuple[tuple[str, str], ...] = ()
    nevers: tuple[tuple[str, str], ...] = ()
    previous: tuple[tuple[str, str], ...] = ()
    budget_seconds: float = 10.0
    document_id: str | None = None
    revision: int | None = None
    holdings_state: str | None = None
    reference_edition: str | None = None
    statuses: frozenset[str] = HELD
    presumptions: Presumptions = NO_PRESUMPTIONS
    presume: bool = True
    replaces: Mapping[str, str] = field(default_factory=dict)
    known_views: Mapping[str, tuple[View, ...]] = field(default_factory=dict)
    known_rules: KnownRules | None = field(default=None, compare=False, repr=False)

    @cached_property
    def context(self) -> EvaluationContext:
        """What rules may ask besides the coin."""
        return EvaluationContext(self.today, self.vocabularies)

    @cached_property
    def views(self) -> Views:
        """What each coin may be, under the definition's presumptions and those of the request."""
        known = self.definition.presumptions.then(self.presumptions)
        if not self.presume:
            known = replace(known, presume=())
        return Views(
            self.definition.attributes, self.context, self.issues, known, self.replaces, shipped.claims().narrows
        )

    @property
    def found_before(self) -> KnownRules | None:
        """`known_rules`, where they are known of this definition, day and vocabularies."""
        known = self.known_rules
        return known if known is not None and known.is_for(self.definition, self.context) else None

    def views_of(self, holding: Holding) -> tuple[View, ...]:
        """Everything that one coin may be."""
        return self.seen(holding).views

    def seen(self, holding: Holding) -> Seen:
        """The same, with what does not agree, unless the views were known before."""
        known = self.known_views.get(holding.id)
        return self.views.seen(holding) if known is None else Seen(known)

    def with_views(self) -> EvaluationRequest:
        """The same with the views of all holdings worked out: for requests made of it that leave holdings out or add some."""
        return replace(self, known_views={holding.id: self.views_of(holding) for holding in self.holdings})


def evaluate(request: EvaluationRequest) -> Evaluation:
    """The evaluation result. Raises Invalid or OverLimit where the request cannot be evaluated."""
    return Evaluation(**_solved(request).told(PARTS))


def evaluate_unnamed(request: EvaluationRequest) -> Evaluation:
    """The same without the names of the coins and the words that are no term, for an answer that has few of them or none:
    `named` and `unknown_terms` are empty. The names of 100,000 coins take longer than all of their verdicts."""
    return _solved(request).unnamed()


def evaluate_parts(request: EvaluationRequest, names: Container[str]) -> EvaluationParts:
    """Some members of the evaluation result, by name (PARTS): no other is worked out. Raises as `evaluate` does."""
    return EvaluationParts(**_solved(request).told(names))


def evaluate_undecided(
    request: EvaluationRequest, key: str | None, most: int
) -> tuple[list[UndecidedConflict], str | None]:
    """Up to so many conflicts of kind `undecided` from behind the one with this key, in their order, and the key of the last
    of them where there are more. Raises as `evaluate` does."""
    return _solved(request).undecided_after(key, most)


def _solved(request: EvaluationRequest) -> _Members:
    instance, table = build_instance(request)
    return _Members(request, instance, table, solve(instance.problem, budget_seconds=solving_seconds(request)))


def solving_seconds(request: EvaluationRequest) -> float:
    """The part of the request's solver time for who sits where; the rest is for what is tried besides."""
    return SOLVING_SHARE * request.budget_seconds


def build_instance(request: EvaluationRequest, *, is_solved: bool = True) -> tuple[Instance, Table]:
    """Everything judged and ready to be solved; that it `is_solved` is what `build` counts on. Raises Invalid or OverLimit where
    the request cannot be evaluated."""
    places, coins, table = placeable(request)
    return build(request.definition, places, coins, table, fixed_placements(request), is_solved=is_solved), table


def placeable(request: EvaluationRequest) -> tuple[tuple[Place, ...], Coins, Table]:
    """The places, the coins that count, and a table to judge them with. Raises Invalid or OverLimit where the request cannot be
    evaluated."""
    ensure_evaluable(request)
    coins, context = coins_of(request), request.context
    attributes, known = request.definition.attributes, request.found_before
    if known is not None:
        coins.columns(attributes, context).plans = known.plans
    places = places_of(request.definition, Collection(coins.views, request.issues, context, coins))
    return places, coins, Table(attributes, context, known)


def sizes_before(request: EvaluationRequest) -> Sizes:
    """The sizes of a request as far as they are known before anything is judged: no pairs."""
    holdings, statuses = request.holdings, request.statuses
    if isinstance(holdings, RecordedCoins):
        counting = len(holdings.of_status(statuses))
    else:
        counting = sum(holding.status in statuses for holding in holdings)
    return Sizes(coins=counting, places=stated_places(request.definition.document))


def coins_of(request: EvaluationRequest) -> Coins:
    """The coins that count."""
    if isinstance(request.holdings, RecordedCoins) and not request.known_views:
        return coins_in_columns(request.holdings, request.statuses, request.views)
    counting = tuple(sorted((h for h in request.holdings if h.status in request.statuses), key=lambda h: h.id))
    seen = [request.seen(holding) for holding in counting]
    clashing = [coin for coin, one in enumerate(seen) if one.contradictions or one.unidentified]
    return Coins(counting, tuple(one.views for one in seen), known_clashing=clashing)


def not_counted(request: EvaluationRequest) -> list[Holding]:
    """The other holdings: their status keeps them out."""
    if isinstance(request.holdings, RecordedCoins):
        others = frozenset(request.holdings.status[1]) - request.statuses
        return [request.holdings[row] for row in request.holdings.of_status(others).tolist()]
    return [holding for holding in request.holdings if holding.status not in request.statuses]


def fixed_placements(request: EvaluationRequest) -> FixedPlacements:
    """The owner's decisions as the instance takes them."""
    return FixedPlacements(frozenset(request.pins), frozenset(request.nevers), frozenset(request.previous))


def ensure_evaluable(request: EvaluationRequest) -> None:
    """Refuses what cannot be evaluated: too many holdings, issues that are in no catalogue."""
    if len(request.holdings) > MOST_HOLDINGS:
        message = Sentence(
            "{count} holdings; at most {most} are taken in one evaluation",
            count=len(request.holdings),
            most=MOST_HOLDINGS,
        )
        raise OverLimit([Fault("over-limit", message, "/holdings")])
    if isinstance(request.holdings, RecordedCoins) and all(
        issue in request.issues for named in request.holdings.issues[1] for issue in named
    ):
        return
    faults = [
        Fault.of(
            "unknown-issue",
            "holding '{id}' names the issue '{issue}', which is in no catalogue here",
            f"/holdings/{place}/issue",
            "see /v1/issues, or send it under `issues`",
            id=holding.id,
            issue=issue,
        )
        for place, holding in enumerate(request.holdings)
        for issue in holding.issues
        if issue not in request.issues
    ]
    if faults:
        raise Invalid(faults)


def result_from(request: EvaluationRequest, instance: Instance, table: Table, solution: Solution) -> Evaluation:
    """The evaluation result of an instance that is solved, without the names of the coins (`names_of`); `request` is what the
    instance was built for."""
    return _Members(request, instance, table, solution).unnamed()


class _Members:
    """The members of the evaluation of an instance that is solved, each found when it is asked for."""

    def __init__(self, request: EvaluationRequest, instance: Instance, table: Table, solution: Solution) -> None:
        self._request, self._instance, self._table, self._solution = request, instance, table, solution
        self._seats = {placement.place: placement for placement in solution.placements}
        self._shown = _shown(instance, self._seats)

    def told(self, names: Container[str]) -> dict[str, Any]:
        """The members of these names (PARTS), and those that say of what the evaluation is. What was left out of the holdings is
        known to whoever read them."""
        request = self._request
        return {
            "definition": stamp_of(request),
            "holdings_state": request.holdings_state,
            "evaluated_on": request.today,
            "reference_edition": request.reference_edition,
            "engine_version": ENGINE,
            **{name: getattr(self, name) for name in PARTS if name in names and name != "ignored_facts"},
        }

    def unnamed(self) -> Evaluation:
        """The whole but for the names of the coins and the words that are no term."""
        return Evaluation(**self.told(_UNNAMED), named={}, unknown_terms=[])

    def undecided_after(self, key: str | None, most: int) -> tuple[list[UndecidedConflict], str | None]:
        return doubts_after(self._instance, self._table, self._seats, key, most)

    @property
    def summary(self) -> Summary:
        figures = _figures(self._instance, self._shown, self._seats, self._solution)
        return Summary(**figures, unplaced=count_unplaced(self._instance, self._seats) + len(self._others))

    @property
    def proven_optimal(self) -> bool:
        solution = self._solution
        return solution.proven and solution.certain_proven and solution.possible_proven

    @property
    def levels(self) -> list[LevelResult]:
        return [LevelResult(level.name, level.value, level.proven, level.bound) for level in self._solution.levels]

    @property
    def slots(self) -> list[PlaceResult]:
        return [self._entries[at] for at in self._shown if self._instance.places[at].kind == SLOT]

    @property
    def one_per(self) -> list[OnePerResult]:
        return [
            OnePerResult(
                group.id,
                group.name,
                _attributes_of(group),
                _group(self._instance, group.id, ONE_PER, self._entries),
                group.note or UNSET,
            )
            for group in self._request.definition.one_per
        ]

    @property
    def free_choice(self) -> list[FreeChoiceResult]:
        return [_free_choice(self._instance, one, self._entries) for one in self._request.definition.free_choice]

    @property
    def pages(self) -> list[PageResult]:
        return _pages(self._instance, self._request.definition, self._shown, self._seats)

    @property
    def goals(self) -> list[Goal]:
        return goals_of(self._instance, self._table, self._seats)

    @property
    def conflicts(self) -> list[Conflict]:
        request, instance, table, seats = self._request, self._instance, self._table, self._seats
        return [
            *contested(instance, table, seats),
            *self._doubts[0],
            *self._clashes[0],
            *pin_conflicts(instance, table, seats, request.pins, request.nevers, self._others),
            *pin_costs(instance, table, seats, request.pins, _PINS_SHARE * request.budget_seconds),
            *constraint_conflicts(instance, table, seats, _RULES_SHARE * request.budget_seconds),
        ]

    @property
    def conflicts_left_out(self) -> int:
        return self._doubts[1] + self._clashes[1]

    @property
    def unplaced(self) -> list[UnplacedHolding]:
        return unplaced(self._instance, self._table, self._seats, self._others)

    @property
    def named(self) -> dict[str, NamedHolding]:
        return names_of(self._request, self._instance)

    @property
    def unknown_terms(self) -> list[UnknownTermEntry]:
        return unknown_terms_of(self._request, self._instance, self._table, self._seats)

    @cached_property
    def _entries(self) -> Mapping[int, PlaceResult]:
        runners_up = RunnersUp(self._instance, self._seats)
        return {at: _place(self._instance, self._table, at, self._seats, runners_up) for at in self._shown}

    @cached_property
    def _others(self) -> list[Holding]:
        return not_counted(self._request)

    @cached_property
    def _doubts(self) -> tuple[list[UndecidedConflict], int]:
        return doubts(self._instance, self._table, self._seats)

    @cached_property
    def _clashes(self) -> tuple[list[ContradictionConflict | UnidentifiedConflict], int]:
        return clashes(self._instance, self._table, self._request.seen)


def names_of(request: EvaluationRequest, instance: Instance) -> dict[str, NamedHolding]:
    """What people call the holdings of a request, those of the instance that was built for it and the others. A pin on a
    holding that is not there any more has no name."""
    more = [(holding, request.views_of(holding)) for holding in not_counted(request)]
    return named_in_columns(instance.coins, instance.columns, more, request.vocabularies, request.found_before)


def names_of_some(
    request: EvaluationRequest, holdings: Container[str | None], others: Sequence[Holding] = ()
) -> dict[str, NamedHolding]:
    """The same of the holdings with these ids only, and of `others`, for an answer that names few: titles tell these apart,
    not all others."""
    every = request.holdings
    if isinstance(every, RecordedCoins):
        kept = [every[at] for at, identity in enumerate(every.ids) if identity in holdings]
    else:
        kept = [holding for holding in every if holding.id in holdings]
    coins = [(holding, request.views_of(holding)) for holding in kept]
    coins += [(holding, request.views_of(holding)) for holding in others]
    return named_holdings(coins, request.definition.attributes, request.vocabularies)


def stamp_of(request: EvaluationRequest) -> DefinitionStamp:
    """Which definition is asked for."""
    return DefinitionStamp(request.document_id, request.revision, request.definition.digest)


def figures_of(instance: Instance, solution: Solution) -> Figures:
    """The headline figures alone, without those of the coins that are left over."""
    seats = {placement.place: placement for placement in solution.placements}
    return Figures(**_figures(instance, _shown(instance, seats), seats, solution))


def _shown(instance: Instance, seats: Mapping[int, Placement]) -> list[int]:
    """An open-ended group shows only the places that are filled."""
    return [at for at, place in enumerate(instance.places) if not place.is_open or at in seats]


def _count(shown: Sequence[int], seats: Mapping[int, Placement]) -> dict[str, int]:
    filled = sum(1 for at in shown if at in seats and seats[at].basis is Basis.FIRM)
    tentative = sum(1 for at in shown if at in seats) - filled
    return {"places": len(shown), "filled": filled, "tentative": tentative, "empty": len(shown) - filled - tentative}


def _figures(
    instance: Instance, shown: Sequence[int], seats: Mapping[int, Placement], solution: Solution
) -> dict[str, Any]:
    """The members of `Figures`."""
    counts = _count(shown, seats)
    tiers = {
        tier: PlaceCounts(**_count([at for at in shown if instance.places[at].tier == tier], seats))
        for tier in (REQUIRED, OPTIONAL)
    }
    bases = Counter(placement.basis for placement in seats.values())
    return {
        **counts,
        "certain": solution.certain,
        "possible": solution.possible,
        **tiers,
        "tentative_by_basis": TentativeCounts(bases[Basis.ALTERNATIVES], bases[Basis.UNKNOWN], bases[Basis.REFERENCE]),
        "presumed": _presumed(instance, seats),
    }


def _presumed(instance: Instance, seats: Mapping[int, Placement]) -> int:
    return sum(
        1 for at, seat in seats.items() if seat.basis is Basis.FIRM and instance.edges_at(at)[seat.holding].presumed
    )


def _place(
    instance: Instance, table: Table, at: int, seats: Mapping[int, Placement], runners_up: RunnersUp
) -> PlaceResult:
    place, seat = instance.places[at], seats.get(at)
    sitting: dict[str, Any] = {"status": "empty", "holding": None}
    if seat is not None and seat.basis is Basis.FIRM:
        sitting = {"status": "filled", "certainty": "forced" if seat.forced else "choice"}
        if instance.edges_at(at)[seat.holding].presumed:
            sitting["presumed"] = presumed_of(instance, table, at, seat.holding)
        if not seat.forced:
            sitting["interchangeable_with"] = [instance.coins.ids[coin] for coin in seat.instead]
            sitting["interchangeable_limit"] = UNSET if seat.instead_proven else "budget"
    elif seat is not None:
        sitting = {"status": "tentative", "certainty": "tentative", "basis": doubt_name(seat.basis)}
    if seat is not None:
        sitting["holding"] = instance.coins.ids[seat.holding]
    return PlaceResult(
        place=place.address,
        label=place.label,
        note=place.note or UNSET,
        tier=place.tier,  # type: ignore[arg-type]
        key=key_as_json(place.key) if place.kind == ONE_PER else UNSET,
        # A free choice lists its candidates once, for all of its places.
        alternates=UNSET if place.kind == FREE_CHOICE else runners_up.of(at),
        **sitting,
    )


def _attributes_of(group: OnePer) -> str | list[str]:
    return list(group.attributes) if len(group.parts) > 1 else group.attributes[0]


def _group(instance: Instance, group: str, kind: str, entries: Mapping[int, PlaceResult]) -> list[PlaceResult]:
    return [
        entry
        for at, entry in entries.items()
        if instance.places[at].kind == kind and instance.places[at].group == group
    ]


def _free_choice(instance: Instance, choice: FreeChoice, entries: Mapping[int, PlaceResult]) -> FreeChoiceResult:
    group = choice.id
    places = _group(instance, group, FREE_CHOICE, entries)
    first = next(at for at, place in enumerate(instance.places) if place.kind == FREE_CHOICE and place.group == group)
    fits, ids = instance.fits[first], instance.coins.ids
    is_firm = fits.basis == Basis.FIRM
    return FreeChoiceResult(
        id=group,
        label=choice.label,
        places=places,
        candidates=[ids[coin] for coin in fits.coins[is_firm].tolist()],
        tentative_candidates=[ids[coin] for coin in fits.coins[~is_firm].tolist()],
        open_places=sum(1 for entry in places if entry.status == "empty"),
        note=choice.note or UNSET,
    )


def _pages(
    instance: Instance, definition: Definition, shown: Sequence[int], seats: Mapping[int, Placement]
) -> list[PageResult]:
    """Progress page by page, for the pages of the layout."""
    pages = []
    for page in definition.document.get("layout", ()):
        names = set(page["slots"])
        here = [at for at in shown if instance.places[at].address in names or instance.places[at].group in names]
        pages.append(
            PageResult(
                page["page"], page.get("label") or page["page"], **_count(here, seats), note=page.get("note") or UNSET
            )
        )
    return pages
