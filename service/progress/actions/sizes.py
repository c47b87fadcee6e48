"""How large what is kept here is: what an estimate of costs goes by before any of it is read (evaluation/cost.py)."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.ids import read_id
from service.definitions.store import DefinitionStore
from service.errors import NotFound
from service.evaluation.cost import Sizes
from service.evaluation.document_sizes import sizes_of_document
from service.holdings.store import HoldingStore
from service.progress.actions.stored_set import find_revision


def sizes_of_set(
    connection: Connection, owner: Owner, identity: str, number: int | None, solver_seconds: float = 10.0
) -> Sizes:
    """Of a definition kept here and the holdings kept here. Raises NotFound."""
    document = find_revision(connection, owner, identity, number).document
    return sizes_of_document(document, HoldingStore(connection, owner).number(), solver_seconds)


def sizes_of_sets(
    connection: Connection, owner: Owner, identities: Sequence[str] | None, solver_seconds: float = 10.0
) -> list[Sizes]:
    """Of several definitions kept here, all of them where none are named, each against the holdings kept here. Those that there
    are not count nothing: whoever reads them says so."""
    store = DefinitionStore(connection, owner)
    coins = HoldingStore(connection, owner).number()
    if identities is None:
        return [sizes_of_document(document, coins, solver_seconds) for document in store.documents()]
    found = []
    for identity in filter(None, map(read_id, identities)):
        with suppress(NotFound):
            found.append(sizes_of_document(store.followed(identity).document, coins, solver_seconds))
    return found


def sizes_to_check(connection: Connection, owner: Owner, identity: str, number: int | None) -> Sizes:
    """Of the draft, the newest revision, or the one of this number. Raises NotFound."""
    _, latest = DefinitionStore(connection, owner).latest(identity)
    document = latest.document if number is None else find_revision(connection, owner, identity, number).document
    return sizes_of_document(document, 0, 0)
