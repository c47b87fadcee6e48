"""Proposed swaps in the database."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from service.accounts.model import Owner
from service.clubs.swaps.model import NOBODY, Leg
from service.clubs.swaps.proposal import ACCEPTED, OVERTAKEN, PROPOSED, Proposal
from service.clubs.swaps.tables import swap_answer, swap_proposal
from service.database.ids import new_id
from service.errors import NotFound

_LIVING = (PROPOSED, ACCEPTED)


class SwapStore:
    """Within one transaction. Whoever changes a proposal holds the accounts of all its sides first, in the order of their ids.
    A proposal of which a side's account is gone is not there any more, unless it tells the others so."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def get(self, club: str, identity: str) -> Proposal:
        """The proposal. Raises NotFound."""
        found = self._those([(club, identity)])
        if not found:
            raise NotFound("swap", identity)
        return found[0]

    def page(self, club: str, owner: Owner, after: str | None, limit: int) -> tuple[Proposal, ...]:
        """Up to `limit` proposals that the owner is a side of, in the order of their ids, from behind `after`."""
        query = select(swap_answer.c.proposal_id).where(
            swap_answer.c.owner_id == owner.id, swap_answer.c.club_id == club
        )
        if after is not None:
            query = query.where(swap_answer.c.proposal_id > after)
        rows = self._connection.execute(query.order_by(swap_answer.c.proposal_id).limit(limit)).scalars()
        return self._those([(club, identity) for identity in rows])

    def of(self, owners: Collection[str]) -> tuple[Proposal, ...]:
        """The proposals, of any club, that are open or accepted and have one of these owners as a side."""
        both = swap_answer.join(
            swap_proposal,
            (swap_answer.c.club_id == swap_proposal.c.club_id) & (swap_answer.c.proposal_id == swap_proposal.c.id),
        )
        query = select(swap_proposal.c.club_id, swap_proposal.c.id).select_from(both).distinct()
        query = query.where(swap_answer.c.owner_id.in_(owners), swap_proposal.c.state.in_(_LIVING))
        return self._those([(row.club_id, row.id) for row in self._connection.execute(query)])

    def add(self, proposal: Proposal) -> None:
        row: dict[str, Any] = {"club_id": proposal.club_id, "id": proposal.id, "definition_id": proposal.definition_id}
        row |= {"proposed_by": proposal.proposed_by, "created_at": proposal.created_at}
        legs = {"legs": [_written(leg) for leg in proposal.legs], "expires_at": proposal.expires_at}
        self._connection.execute(insert(swap_proposal).values(**row, **legs, **_changing(proposal)))
        key = {"club_id": proposal.club_id, "proposal_id": proposal.id}
        self._connection.execute(
            insert(swap_answer),
            [{"owner_id": owner, **key, "accepted_at": at} for owner, at in proposal.answers.items()],
        )

    def replace(self, before: Proposal, after: Proposal) -> Proposal:
        """The proposal as it is kept from now on; nothing is written where nothing changed."""
        if after == before:
            return before
        where = (swap_proposal.c.club_id == after.club_id, swap_proposal.c.id == after.id)
        changing = _changing(after)
        self._connection.execute(update(swap_proposal).where(*where).values(**changing))
        for owner, at in after.answers.items():
            if at != before.answers[owner]:
                self._connection.execute(
                    update(swap_answer)
                    .where(swap_answer.c.owner_id == owner, swap_answer.c.club_id == after.club_id)
                    .where(swap_answer.c.proposal_id == after.id)
                    .values(accepted_at=at)
                )
        return self.get(after.club_id, after.id)

    def overtake(self, club: str, definition: str, reason: str, now: datetime) -> None:
        """Ends what is open about the definition, whoever its sides are: by the state that is there when it is written."""
        here = (swap_proposal.c.club_id == club, swap_proposal.c.definition_id == definition)
        still_open = (swap_proposal.c.state == PROPOSED, swap_proposal.c.expires_at > now)
        values = {"state": OVERTAKEN, "decided_at": now, "reason": reason, "version": new_id()}
        self._connection.execute(update(swap_proposal).where(*here, *still_open).values(**values))

    def strip(self, after: Proposal, owner: Owner) -> None:
        """The proposal as it is without the owner: see `Proposal.without`."""
        where = (swap_proposal.c.club_id == after.club_id, swap_proposal.c.id == after.id)
        values = {"legs": [_written(leg) for leg in after.legs], "proposed_by": after.proposed_by, **_changing(after)}
        self._connection.execute(update(swap_proposal).where(*where).values(**values))
        answer = (swap_answer.c.club_id == after.club_id, swap_answer.c.proposal_id == after.id)
        self._connection.execute(delete(swap_answer).where(swap_answer.c.owner_id == owner.id, *answer))

    def delete(self, proposals: Iterable[Proposal]) -> None:
        for gone in proposals:
            where = (swap_proposal.c.club_id == gone.club_id, swap_proposal.c.id == gone.id)
            self._connection.execute(delete(swap_proposal).where(*where))

    def all_of(self, owner: Owner, club: str | None) -> tuple[Proposal, ...]:
        """Every proposal that the owner is a side of, whatever its state; of one club or of all."""
        query = select(swap_answer.c.club_id, swap_answer.c.proposal_id).where(swap_answer.c.owner_id == owner.id)
        if club is not None:
            query = query.where(swap_answer.c.club_id == club)
        return self._those([(row.club_id, row.proposal_id) for row in self._connection.execute(query)])

    def _those(self, keys: Sequence[tuple[str, str]]) -> tuple[Proposal, ...]:
        """The proposals, in the order of their ids, with every side's answer."""
        wanted = set(keys)
        ids = sorted({identity for _, identity in wanted})
        answers: dict[tuple[str, str], dict[str, datetime | None]] = defaultdict(dict)
        for row in self._connection.execute(select(swap_answer).where(swap_answer.c.proposal_id.in_(ids))):
            answers[row.club_id, row.proposal_id][row.owner_id] = row.accepted_at
        query = select(swap_proposal).where(swap_proposal.c.id.in_(ids)).order_by(swap_proposal.c.id)
        rows = (row for row in self._connection.execute(query) if (row.club_id, row.id) in wanted)
        return tuple(
            _kept(row, answers[row.club_id, row.id])
            for row in rows
            if all(leg["giver"] == NOBODY or leg["giver"] in answers[row.club_id, row.id] for leg in row.legs)
        )


def _changing(proposal: Proposal) -> dict[str, Any]:
    state = {"state": proposal.state, "decided_at": proposal.decided_at, "reason": proposal.reason}
    return {**state, "version": new_id()}


def _written(leg: Leg) -> dict[str, Any]:
    names = ("giver", "holding", "receiver", "place", "place_label", "coin", "pieces")
    return {name: getattr(leg, name) for name in names}


def _kept(row: Row[Any], answers: dict[str, datetime | None]) -> Proposal:
    legs = tuple(Leg(**leg) for leg in row.legs)
    in_order = {leg.giver: answers[leg.giver] for leg in legs if leg.giver != NOBODY}
    names = ("id", "club_id", "definition_id", "proposed_by", "created_at", "expires_at", "state", "decided_at")
    values = {name: getattr(row, name) for name in names}
    return Proposal(**values, legs=legs, answers=in_order, reason=row.reason, version=row.version)
