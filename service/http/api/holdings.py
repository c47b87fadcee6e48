"""The collection: holdings recorded, read, changed, deleted; and found by a rule, in an order."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import Query, Request
from msgspec import UNSET, Meta, UnsetType
from pydantic import Field
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.definitions.actions import known_attributes
from service.errors import Fault
from service.facts.attributes import Attributes, UnknownAttribute, unknown_attributes
from service.facts.core_attributes import CORE
from service.facts.understood import UnderstoodFact, understood_facts
from service.holdings import actions
from service.holdings.model import Mark, NewHolding, RecordedHolding, Status, StoredHolding, read_patch, with_defaults
from service.holdings.store import HoldingStore
from service.holdings.sync.field_names import FlatValue, all_as_told, as_told, shown_value
from service.holdings.sync.record import ValueConflict
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, HoldingId, Unread, UnreadPatch
from service.http.elsewhere import Work
from service.http.idempotency import IdempotencyKey
from service.http.inputs import weigh_filter
from service.http.openapi import problems, router
from service.http.pagination import PageQuery, identity_key, page, sorted_page
from service.http.responses import NEXT_PAGE, Created, Reply, Sends, Tagged, created, encode, tagged
from service.http.wire import In, Out, PageOut, QueryIn
from service.notation.terms import with_terms
from service.progress.actions.search import count_coins, search
from service.progress.counted import HoldingCounts
from service.reference.actions import vocabularies_of

holdings = router("/v1/holdings", "Holdings")


# --- requests ------------------------------------------------------------------------------------------------------------


class HoldingIn(NewHolding, In):
    """A new holding."""


class HoldingPatch(In):
    """A JSON Merge Patch (RFC 7396) of a holding: null removes a field, or a fact inside `facts`. Objects merge, inside a
    fact's value too: to change {"from", "to"} into {"one_of"}, set `from` and `to` to null; to make
    {"has", "perhaps"} of alternatives, set `one_of` to null."""

    facts: dict[str, Any] | None = None
    issue: Any = None
    quantity: int | None = None
    status: Status | None = None
    number: str | None = None
    note: str | None = None
    location: str | None = None
    tags: list[str] | None = None
    values: list[Any] | None = None
    mark: Mark | None = None
    price_paid: Any = None
    bought_from: str | None = None
    bought_on: str | None = None
    photos: list[Any] | None = None


class SearchQuery(PageQuery):
    """Which holdings, in which order."""

    filter: str | None = Field(
        None,
        max_length=4_096,
        description="A rule (CQL2 text), as in a definition: grade >= 40 AND narrower(motifs, 'bird'). Beside facts it knows "
        "the own fields: number, note, location, tags, status, mark, quantity, issue, price_paid (the amount), "
        "price_currency, bought_from, bought_on; and set('ID'), the place of the coin in that definition's set: "
        "set('ID') = 'old', set('ID') IS NULL. An own field that is empty is null; a fact of such a name is facts.NAME.",
    )
    q: str | None = Field(
        None,
        min_length=1,
        max_length=200,
        description="Words that all occur in the own fields (number, note, location, tags, bought_from, notes of values), "
        "whatever their case and accents.",
    )
    doubtful: bool = Field(False, description="true: also those that may fit, as far as is recorded.")
    sort: str | None = Field(
        None,
        max_length=110,
        description="An attribute, or an own field (number, note, location, status, mark, quantity, price_paid, price_currency, "
        "bought_from, bought_on), created_at, updated_at; with a minus before it downwards. "
        "What is not recorded comes last, texts count by their first 200 characters; left out: by id.",
    )
    count: bool = Field(False, description="true: `total` says how many there are on all pages.")

    @property
    def is_plain(self) -> bool:
        return self.filter is None and self.q is None and self.sort is None and not self.count


class CountsQuery(QueryIn):
    """What to count."""

    attribute: str | None = Field(None, max_length=100, description="Left out: all attributes, without their values.")


# --- answers -------------------------------------------------------------------------------------------------------------


class ConflictOut(Out, tag_field="kind"):
    """What the owner has yet to decide, since two devices wrote without seeing each other."""

    id: str
    mutation_id: str
    edited_at: datetime
    client: Annotated[str | None, Meta(description="The device, as it called itself; null: not known any more.")]
    at: Annotated[datetime | None, Meta(description="When the service received it; null: not known any more.")]


class ValueConflictOut(ConflictOut, tag="value"):
    """A value of another device than the one that is shown."""

    attribute: Annotated[str, Meta(description="The name of the own field or the fact.")]
    value: Annotated[
        FlatValue,
        Meta(description="null: the mutation removed it; of an own field that has a default it is the default then."),
    ]
    writers: Annotated[list[str], Meta(description="All mutations that wrote this value, `mutation_id` the newest.")]


class DeleteConflictOut(ConflictOut, tag="destroy"):
    """A delete whose author had not seen everything."""


class InvalidMergeConflictOut(ConflictOut, tag="invalid_merge"):
    """A patch that does not go together with what is recorded."""

    patch: Annotated[dict[str, Any], Meta(description="By name, as it was sent; null: to be removed.")]


AnyConflictOut = ValueConflictOut | DeleteConflictOut | InvalidMergeConflictOut


class HoldingOut(RecordedHolding):
    """A stored holding."""

    created_at: datetime
    updated_at: datetime
    conflicts: Annotated[list[AnyConflictOut], Meta(description="Resolved by a mutation sent to /v1/holdings/sync.")]
    unknown_attributes: Annotated[
        list[UnknownAttribute] | UnsetType,
        Meta(description="Advice, in the answer of one holding; it is kept all the same. Not part of the entity tag."),
    ] = UNSET
    understood: Annotated[
        list[UnderstoodFact] | UnsetType,
        Meta(
            description="In the answer of one holding: the facts whose text names a term of the attribute by another "
            "name. They are kept as they were written, and rules see the term. Not part of the entity tag."
        ),
    ] = UNSET


class HoldingPageOut(PageOut[HoldingOut]):
    """One page of holdings, in the order of their ids or as `sort` says."""

    total: Annotated[int | UnsetType, Meta(description="With count=true: how many there are on all pages.")] = UNSET


def conflict_out(conflict: ValueConflict) -> AnyConflictOut:
    """A conflict as it is sent."""
    about = (conflict.id, conflict.mutation, conflict.at, conflict.client, conflict.received)
    if conflict.kind == "value":
        name = conflict.attribute or ""
        writers = [conflict.mutation] if conflict.written is None else sorted(conflict.written.ids)
        return ValueConflictOut(*about, name, as_told(name, shown_value(name, conflict.value)), writers)
    return (
        InvalidMergeConflictOut(*about, all_as_told(conflict.patch))
        if conflict.patch is not None
        else DeleteConflictOut(*about)
    )


def holding_out(stored: StoredHolding, attributes: Attributes | None = None) -> HoldingOut:
    """The holding; with `attributes` also the names among its facts that they do not have, and the texts that they read as
    another term."""
    facts = stored.data.get("facts", {})
    return HoldingOut(
        stored.id,
        **with_defaults(stored.data),
        created_at=stored.created_at,
        updated_at=stored.updated_at,
        conflicts=[conflict_out(conflict) for conflict in stored.conflicts],
        unknown_attributes=UNSET if attributes is None else unknown_attributes(facts, attributes),
        understood=UNSET if attributes is None else understood_facts(facts, attributes),
    )


def attributes_with_terms(connection: Connection, owner: Owner) -> Attributes:
    """All attributes that the owner's definitions know, read by the names of the terms in the owner's vocabularies."""
    return with_terms(known_attributes(connection, owner, CORE), vocabularies_of(connection, owner))


def holding_tag(stored: StoredHolding) -> str:
    """Changes with every change; the content is part of it, since a restored database counts from an earlier state."""
    return entity_tag(stored.modseq, encode(holding_out(stored)))


# --- operations ----------------------------------------------------------------------------------------------------------


@holdings.post("", responses=problems("clash"))
def create_holding(
    context: Context, owner: CurrentOwner, key: IdempotencyKey, body: Unread[HoldingIn]
) -> Created[HoldingOut]:
    """Record a holding."""

    def check(facts: dict[str, Any]) -> list[Fault]:
        attributes = context.database.read(lambda connection: known_attributes(connection, owner, CORE))
        return actions.faults_of_facts(facts, attributes)

    sent = body.read_with_facts(check)

    def act(connection: Connection) -> Reply[HoldingOut]:
        attributes = attributes_with_terms(connection, owner)
        fields = sent.model_dump(exclude={"id"})
        stored = actions.record(connection, owner, sent.id, fields, attributes, context.now())
        return created(holding_out(stored, attributes), f"/v1/holdings/{stored.id}", holding_tag(stored))

    return key.once(context.database, owner, act)


@holdings.get("", responses=problems("too-heavy"))
async def list_holdings(
    request: Request, context: Context, owner: CurrentOwner, query: Annotated[SearchQuery, Query()], work: Work
) -> Annotated[Reply[HoldingPageOut], Sends(headers=NEXT_PAGE)]:
    """The owner's holdings, filtered and sorted, page by page."""
    total: int | UnsetType = UNSET
    if query.is_plain:
        found = await context.read(
            lambda connection: page(
                request,
                query,
                lambda after, limit: HoldingStore(connection, owner).page(identity_key(after), limit),
                lambda stored: stored.id,
                holding_out,
            )
        )
    else:
        await weigh_filter(work, context, owner, query.filter)
        fitting = await context.compute(
            lambda: search(context, owner, query.filter, query.sort, doubtful=query.doubtful, words=query.q)
        )
        found = sorted_page(request, query, fitting.after, holding_out)
        total = len(fitting) if query.count else UNSET
    return Reply(HoldingPageOut(items=found.value.items, next=found.value.next, total=total), found.headers)


@holdings.get("/counts")
async def count_holdings(
    context: Context, owner: CurrentOwner, query: Annotated[CountsQuery, Query()]
) -> HoldingCounts:
    """How many of the coins that are held have which value of an attribute, or of how many each attribute is known. What their
    issues say and what the account presumes counts as known, as in a filter."""
    return await context.compute(lambda: count_coins(context, owner, query.attribute))


@holdings.get("/{id}")
def get_holding(context: Context, owner: CurrentOwner, id: HoldingId, known: IfNoneMatch) -> Tagged[HoldingOut]:
    """One holding."""
    stored, attributes = context.database.read(
        lambda connection: (HoldingStore(connection, owner).get(id), attributes_with_terms(connection, owner))
    )
    return known.not_modified_or(holding_tag(stored), lambda: holding_out(stored, attributes))


@holdings.patch("/{id}")
def change_holding(
    context: Context, owner: CurrentOwner, id: HoldingId, expected: IfMatch, body: UnreadPatch[HoldingPatch]
) -> Tagged[HoldingOut]:
    """Change a holding (JSON Merge Patch)."""
    patch = read_patch(body.value)

    def act(connection: Connection) -> Reply[HoldingOut]:
        attributes, now = attributes_with_terms(connection, owner), context.now()
        stored = actions.change(
            connection, owner, id, patch, attributes, now, expect=lambda before: expected.check(holding_tag(before))
        )
        return tagged(holding_out(stored, attributes), holding_tag(stored))

    return context.database.write(act)


@holdings.delete("/{id}")
def delete_holding(context: Context, owner: CurrentOwner, id: HoldingId, expected: IfMatch) -> None:
    """Delete a holding."""
    context.database.write(
        lambda connection: actions.destroy(
            connection, owner, id, context.now(), expect=lambda before: expected.check(holding_tag(before))
        )
    )
