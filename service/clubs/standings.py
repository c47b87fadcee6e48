"""How far a member is with a definition, and which coins are spare: an evaluation without what tells of the coins. Pure."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.assignment.build import Instance
from service.assignment.problem import Basis, Placement
from service.assignment.solve import solve
from service.progress.evaluate import EvaluationRequest, build_instance
from service.progress.unplaced import addresses, left_over
from service.rules.definition import Definition
from service.rules.predicates import leaves


@dataclass(frozen=True, slots=True)
class MemberProgress:
    """`counts` is {"places", "filled", "tentative", "empty", "proven_optimal", "spare_holdings", "spare_pieces"}; `places` are
    [address, label, status] in the order of the document; `spares` are [holding id, pieces, [addresses that it fits]] by holding
    id. Ids and spares never leave the service as they are: see `shown_spare`."""

    counts: Mapping[str, Any]
    places: list[list[str]]
    spares: list[list[Any]]


def stand(request: EvaluationRequest) -> MemberProgress:
    """The standing of the request's holdings. Agrees with the places of `evaluate` and with its `unplaced` of the reason
    `spare`. Raises Invalid or OverLimit where the request cannot be evaluated."""
    instance, _ = build_instance(request)
    solution = solve(instance.problem, budget_seconds=request.budget_seconds, with_standings=False)
    seats = {placement.place: placement for placement in solution.placements}
    places = [
        [place.address, place.label, _status(seats.get(at))]
        for at, place in enumerate(instance.places)
        # An open-ended group shows the places that are filled only.
        if not place.is_open or at in seats
    ]
    statuses, spares = Counter(status for _, _, status in places), _spares(instance, seats)
    counts = {
        "places": len(places),
        **{status: statuses[status] for status in ("filled", "tentative", "empty")},
        "proven_optimal": solution.proven,
        "spare_holdings": len(spares),
        "spare_pieces": sum(pieces for _, pieces, _ in spares),
    }
    return MemberProgress(counts, places, spares)


def _status(seat: Placement | None) -> str:
    if seat is None:
        return "empty"
    return "filled" if seat.basis is Basis.FIRM else "tentative"


def _spares(instance: Instance, seats: Mapping[int, Placement]) -> list[list[Any]]:
    """Coins of which a piece sits nowhere and surely fits some place: the best answer does without it, so giving it away opens no
    place."""
    left = left_over(instance, seats)
    fitting: dict[int, list[int]] = {}
    for at, fits in enumerate(instance.fits):
        firm = fits.coins[fits.basis == Basis.FIRM]
        for coin in firm[left[firm] > 0].tolist():
            fitting.setdefault(coin, []).append(at)
    ids = instance.coins.ids
    return [[ids[coin], int(left[coin]), addresses(instance, fitting[coin])] for coin in sorted(fitting)]


def reads_the_day(definition: Definition) -> bool:
    """Whether the same coins may stand otherwise on another day."""
    return any(leaf.depends_on_today for rule in definition.rules() for leaf in leaves(rule.predicate))


def basis(*parts: object) -> str:
    """One name for all that a standing follows from."""
    return hashlib.sha256("\x1f".join(map(str, parts)).encode()).hexdigest()


def spare_id(club: str, definition: str, holding: str) -> str:
    """The name of a spare coin towards the club. A holding's own id would tell when it was made, and the same coin in two
    clubs."""
    return basis("spare", club, definition, holding)[:32]


def displayed_id(club: str, definition: str, owner: str, holding: str) -> str:
    """The name of a coin in the club's display: another one than as a spare, so that the two tell nothing of each other."""
    return basis("display", club, definition, owner, holding)[:32]


def displayed_photo_id(club: str, definition: str, owner: str, photo: str, digest: str) -> str:
    """The name of a photo of such a coin; `digest` is that of its image. Whoever can work it out has the photo already."""
    return basis("photo", club, definition, owner, photo, digest)[:32]
