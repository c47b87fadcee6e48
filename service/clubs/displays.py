"""One display made of several members' coins: the set evaluated over all that the consenting members have, every coin in it
lent by its owner. Pure.

What is shown of a coin is what an exhibition shows of a loan: its facts and its issue. Numbers, notes, places where coins
are kept, and values are their owner's own; so is every coin that is not in the display.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from msgspec import Struct

from service.clubs.swaps.reevaluation import BroughtCoin, brought
from service.facts.holding import Facts, Holding
from service.progress.description import Describer
from service.progress.evaluate import EvaluationRequest, evaluate_unnamed
from service.progress.exhibition import Exhibit, ExhibitedLoan, Loan, exhibited
from service.progress.result import DefinitionStamp, Evaluation, Figures
from service.rules.presumptions import NO_PRESUMPTIONS, Presumptions

ExhibitNamer = Callable[[str, str], str]
"""What a coin is called in the display, by owner and holding id: differently for each."""


@dataclass(frozen=True)
class Lender:
    """A consenting member: `name` is how the club knows him, `recorded` what is written down of his coins by id, `issues` the
    catalogue as he has it, `replaces` what his own issues replace in it, `presumptions` what he presumes of his coins."""

    owner: str
    name: str
    holdings: tuple[Holding, ...]
    recorded: Mapping[str, Mapping[str, Any]]
    issues: Mapping[str, Facts] = field(default_factory=dict)
    replaces: Mapping[str, str] = field(default_factory=dict)
    presumptions: Presumptions = NO_PRESUMPTIONS


@dataclass(frozen=True, slots=True)
class LendableCoin:
    """A coin that a display may show, under the name that it has there, with all that is told of it."""

    name: str
    description: str
    recorded: Mapping[str, Any]


class DisplayLender(Struct):
    """A member who lends, and how many coins."""

    owner: str
    coins: int


class Display(Struct):
    """`exhibits` page by page, `loans` by the names of their owners."""

    definition: DefinitionStamp
    evaluated_on: date
    proven_optimal: bool
    summary: Figures
    exhibits: list[Exhibit]
    loans: list[ExhibitedLoan]
    lenders: list[DisplayLender]


def useful_in(result: Evaluation) -> frozenset[str]:
    """The coins that fit or may fit some place, by the evaluation of their owner's own set. The others fit none whoever's
    coins stand beside them, so a display of many coins can do without them."""
    seated = {entry.holding for entry in result.places() if entry.holding is not None}
    beside = {entry.holding for entry in result.unplaced if entry.reason in ("spare", "undecided")}
    return frozenset(seated | beside)


def as_lent(
    data: Mapping[str, Any], own: Mapping[str, Mapping[str, Any]], shipped: Container[str], known: Container[str]
) -> dict[str, Any]:
    """{"facts", "issue"}: what is told of a coin that is lent, from all that is recorded of it. Facts that the set does not
    know (`known`: its attributes) are not told. What an issue of the lender's own (`own`: facts by id) says goes along as facts,
    and its id stays at home: it leads nowhere for anybody else."""
    issue, facts = data.get("issue"), data.get("facts") or {}
    names = issue["one_of"] if isinstance(issue, Mapping) else [] if issue is None else [issue]
    if len(names) == 1:
        facts = {**own.get(names[0], {}), **facts}
    is_told = all(name in shipped and name not in own for name in names)
    return {
        "facts": {name: value for name, value in facts.items() if name in known},
        "issue": issue if is_told else None,
    }


def by_owner_and_id(owner: str, holding: str) -> str:
    """The plain name of a coin."""
    return f"{owner}/{holding}"


def display(
    request: EvaluationRequest, lenders: Sequence[Lender], describe: Describer, *, named: ExhibitNamer = by_owner_and_id
) -> Display:
    """The display. `request` says of what set, when, and with which catalogue; its own holdings, pins and nevers do not count.
    The order of the lenders never matters.

    A coin that may be several issues which the catalogue of the request knows otherwise is left out. Raises OverLimit past
    100,000 holdings.
    """
    result, loans = _evaluated(request, lenders, named)
    shown = exhibited(result, request.definition.document, {}, loans, describe)
    counts = Counter(loan.owner for loan in shown.loans)
    return Display(
        definition=result.definition,
        evaluated_on=result.evaluated_on,
        proven_optimal=result.proven_optimal,
        # How many coins are not shown would tell how many there are.
        summary=Figures(*(getattr(result.summary, name) for name in Figures.__struct_fields__)),
        exhibits=shown.exhibits,
        loans=shown.loans,
        lenders=[DisplayLender(owner, count) for owner, count in counts.items()],
    )


def lendable(
    request: EvaluationRequest, lender: Lender, describe: Describer, *, named: ExhibitNamer = by_owner_and_id
) -> list[LendableCoin]:
    """The lender's coins that a display of this set may show, whatever other members lend: those that fit or may fit some place.
    Raises as `display`."""
    result, loans = _evaluated(request, [lender], named)
    useful = useful_in(result)
    return [LendableCoin(loan.id, describe(loan.recorded), loan.recorded) for loan in loans if loan.id in useful]


def _evaluated(
    request: EvaluationRequest, lenders: Sequence[Lender], named: ExhibitNamer
) -> tuple[Evaluation, list[Loan]]:
    """The set over all that they lend, as one collection."""
    loans: list[Loan] = []
    coins: list[BroughtCoin] = []
    for lender in sorted(lenders, key=lambda lender: lender.owner):
        theirs = replace(
            request, issues=lender.issues, replaces=lender.replaces, presumptions=lender.presumptions, known_views={}
        )
        for holding in sorted(lender.holdings, key=lambda holding: holding.id):
            name = named(lender.owner, holding.id)
            coin = brought(request, theirs, holding, name)
            if coin is not None:
                coins.append(coin)
                loans.append(Loan(name, lender.name, None, _of_a_loan(lender.recorded[holding.id])))
    asked = replace(
        request,
        holdings=tuple(coin.holding for coin in coins),
        known_views={coin.holding.id: coin.views for coin in coins},
        pins=(),
        nevers=(),
        previous=(),
        holdings_state=None,
    )
    return evaluate_unnamed(asked), loans


def _of_a_loan(recorded: Mapping[str, Any]) -> dict[str, Any]:
    return {"facts": recorded.get("facts") or {}, "issue": recorded.get("issue")}
