"""What all answers of a stored set follow from, found by one statement, together with whose token it is."""

from __future__ import annotations

from functools import reduce
from typing import Any

from sqlalchemy import ColumnElement, Connection, ScalarSelect, String, and_, bindparam, cast, func, select
from sqlalchemy.types import Integer

from service.accounts.model import Owner, State
from service.accounts.tables import account, token
from service.database.lookup import Lookup
from service.definitions.tables import definition, definition_pins, definition_revision, want_notes
from service.progress.actions.stored_set import SetKey, SetsKey
from service.reference.tables import catalogue

# Revisions are counted from 1.
FOLLOWED = 0

_asked = bindparam("number", type_=Integer)
_newest_not_withdrawn = (
    select(func.max(definition_revision.c.number))
    .where(
        definition_revision.c.owner_id == definition.c.owner_id,
        definition_revision.c.definition_id == definition.c.id,
        definition_revision.c.withdrawn_at.is_(None),
    )
    .correlate(definition)
    .scalar_subquery()
)
_published = definition_revision.alias("published_revision")
_number = func.coalesce(
    func.nullif(_asked, FOLLOWED), definition.c.adopted, _newest_not_withdrawn, definition.c.published
)

# Whose request it is, whether that token may ask, and the state of what is held.
_CALLER = (
    *(token.c.owner_id, token.c.digest, token.c.scopes, token.c.expires_at, token.c.revoked_at, token.c.last_used_at),
    *(account.c.state, account.c.chain),
)

# The caller whose token has the digest `digest`, with the key of the definition `definition`; `number`: of which revision, or
# FOLLOWED. The published revision is joined where there is one; the draft, if there is one, is known by its digest.
SET_KEY = Lookup(
    select(
        *_CALLER,
        definition.c.id.label("definition"),
        definition.c.published,
        definition.c.adopted,
        definition.c.draft_digest,
        definition.c.version,
        _published.c.number.label("revision_number"),
        _published.c.digest.label("revision_digest"),
        definition_pins.c.version.label("decisions"),
        want_notes.c.version.label("notes"),
        catalogue.c.version.label("own"),
    )
    .select_from(token)
    .join(account)
    .join(definition, and_(definition.c.owner_id == token.c.owner_id, definition.c.id == bindparam("definition")))
    .outerjoin(
        _published,
        and_(
            _published.c.owner_id == definition.c.owner_id,
            _published.c.definition_id == definition.c.id,
            _published.c.number == _number,
        ),
    )
    .outerjoin(
        definition_pins,
        and_(definition_pins.c.owner_id == definition.c.owner_id, definition_pins.c.definition_id == definition.c.id),
    )
    .outerjoin(
        want_notes,
        and_(want_notes.c.owner_id == definition.c.owner_id, want_notes.c.definition_id == definition.c.id),
    )
    .outerjoin(catalogue, catalogue.c.owner_id == token.c.owner_id),
    by=token.c.digest,
)


# What each definition of the owner's is: which revisions it has and follows, its draft, its decisions. One text for all of them,
# so that a look-up finds it; in another order it would only be another key.
_of_a_set = (
    *(definition.c.id, definition.c.version, definition.c.adopted, _newest_not_withdrawn),
    *(definition.c.published, definition.c.draft_digest, definition_pins.c.version),
)
_texts: list[ColumnElement[str]] = [func.coalesce(cast(column, String), "-") for column in _of_a_set]
_one_set = reduce(lambda one, other: one.concat("/").concat(other), _texts[1:], _texts[0])


def _every_set(owner: ColumnElement[str]) -> ScalarSelect[str]:
    with_decisions = definition.outerjoin(
        definition_pins,
        and_(definition_pins.c.owner_id == definition.c.owner_id, definition_pins.c.definition_id == definition.c.id),
    )
    texts = func.coalesce(func.aggregate_strings(_one_set, ","), "")
    return select(texts).select_from(with_decisions).where(definition.c.owner_id == owner).scalar_subquery()


# The caller whose token has the digest `digest`, with the key of all sets.
SETS_KEY = Lookup(
    select(
        *_CALLER,
        _every_set(token.c.owner_id).label("sets"),
        catalogue.c.version.label("own"),
    )
    .select_from(token)
    .join(account)
    .outerjoin(catalogue, catalogue.c.owner_id == token.c.owner_id),
    by=token.c.digest,
)
_SETS_OF_OWNER = (
    select(
        account.c.id.label("owner_id"),
        account.c.state,
        account.c.chain,
        _every_set(account.c.id).label("sets"),
        catalogue.c.version.label("own"),
    )
    .select_from(account)
    .outerjoin(catalogue, catalogue.c.owner_id == account.c.id)
    .where(account.c.id == bindparam("owner"))
)


def sets_key_of(row: Any) -> SetsKey:
    """The key in a row of SETS_KEY."""
    return SetsKey(Owner(row.owner_id), row.sets, str(State(row.state, row.chain)), row.own)


def load_sets_key(connection: Connection, owner: Owner) -> SetsKey:
    """The key of all sets of an owner."""
    return sets_key_of(connection.execute(_SETS_OF_OWNER, {"owner": owner.id}).one())


def set_key_of(row: Any, number: int | None) -> SetKey | None:
    """The key in a row of SET_KEY that was asked for the revision `number`, or for the one that is followed; None where there is
    no such revision."""
    draft = row.published + 1
    is_draft = row.draft_digest is not None and (number == draft or (number is None and row.adopted is None))
    if is_draft:
        revision = (draft, row.draft_digest, row.version)
    elif row.revision_number is not None:
        revision = (row.revision_number, row.revision_digest, None)
    else:
        return None
    state = str(State(row.state, row.chain))
    return SetKey(Owner(row.owner_id), row.definition, *revision, state, row.decisions, row.own, row.notes)
