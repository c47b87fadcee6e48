"""The owner's holdings by a filter in the rule language and in an order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from msgspec import structs
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.types import read_back, written
from service.definitions.model import declared as declared_attributes
from service.definitions.model import extended
from service.definitions.store import DefinitionStore
from service.errors import Fault, Invalid, InvalidQuery, NotFound, Sentence
from service.evaluation.views import Views
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import unknown_attribute
from service.facts.own_vocabularies import with_several
from service.facts.words import nearest
from service.holdings.columns.held import HoldingColumns
from service.holdings.columns.store import held_by
from service.notation.terms import with_terms
from service.progress.actions.editions import stamps
from service.progress.actions.inputs import stored_definition_id
from service.progress.actions.stored_set import LoadedRequest, catalogue_of, load_stored_set
from service.progress.counted import HoldingCounts, count_attribute, count_values
from service.progress.evaluate import evaluate_unnamed
from service.progress.own_fields import folded, place_attribute, with_places
from service.progress.searched import ORDERED, FoundHoldings, Places, Searched
from service.progress.selection import Order
from service.reference import actions as reference
from service.reference import shipped
from service.reference.model import OwnReference
from service.reference.store import IssueStore
from service.rules.carried import read_carried
from service.rules.cql2.expression import parse
from service.rules.operators import bind
from service.rules.predicates import EvaluationContext, Predicate
from service.runtime import Context


def search(
    context: Context,
    owner: Owner,
    rule: str | None,
    sort: str | None,
    *,
    doubtful: bool,
    words: str | None = None,
    on: date | None = None,
) -> FoundHoldings:
    """The holdings that fit the rule (CQL2 text over facts and own fields; None: all) for certain, with `doubtful` those too that
    may fit, and whose own fields have all the `words`; in the order of an attribute or an own field, downwards with a minus
    before it (None: by id). The rule is asked for the day `on` (None: today). What the account presumes of a coin counts as
    known. A holding of several pieces fits when one of them does. Raises InvalidQuery when the rule or the order is not valid.
    Takes its time where what is held was not read before."""
    day = on or context.today()
    read = context.database.read(lambda connection: _Read(connection, owner, rule, sort, day))
    # The session is closed: what follows takes long.
    searched, fitting = read.searched, None
    if read.predicate is not None:
        scope = EvaluationContext(day, read.vocabularies)
        fitting = searched.fitting(read.predicate, read.filter_attributes, scope, read.places(), doubtful=doubtful)
    if words is not None:
        having = searched.having(folded(words).split())
        fitting = having if fitting is None else fitting & having
    return FoundHoldings(read.order, searched.in_order(read.order), fitting, searched.held)


def sets_named(rule: str) -> tuple[str, ...]:
    """The ids of the definitions that a filter names by set(...), as they stand there; none of a rule that is not valid, of which
    the search tells what is wrong."""
    try:
        return tuple(dict.fromkeys(with_places(parse(rule))[1].values()))
    except Invalid:
        return ()


def count_coins(context: Context, owner: Owner, name: str | None) -> HoldingCounts:
    """How many coins that are held have which value of an attribute; without a name, of how many each attribute is known. What
    issues say and the account presumes counts as known. Raises InvalidQuery for an attribute that there is not."""
    day = context.today()
    read = context.database.read(lambda connection: _Read(connection, owner, None, None, day))
    searched = read.searched
    if name is None:
        every = [count_attribute(one, searched.known(one)) for one in searched.attributes]
        return HoldingCounts(
            searched.coins_held, sorted((one for one in every if one.known), key=lambda one: -one.known)
        )
    attribute = searched.attributes.get(name)
    if attribute is None:
        fault = unknown_attribute(name, searched.attributes)
        raise InvalidQuery([replace(fault, pointer="/attribute")], fault.message)
    known = list(searched.known(name))
    vocabulary = read.vocabularies.get(attribute.vocabulary) if attribute.vocabulary else None
    counted = structs.replace(count_attribute(name, known), values=count_values(known, vocabulary))
    return HoldingCounts(searched.coins_held, [counted])


class _Read:
    """Everything that a search looks at, read in one snapshot."""

    def __init__(self, connection: Connection, owner: Owner, rule: str | None, sort: str | None, day: date) -> None:
        self.held = held_by(connection, owner)
        own = IssueStore(connection, owner).own_reference()
        definitions = DefinitionStore(connection, owner)
        declared, carried = definitions.declarations(), definitions.carried()
        # All that the columns of a search follow from, beside the holdings.
        key = ("search", own.version, written(declared), carried, day, stamps())
        self.searched: Searched = self.held.remember(key, lambda: _searched(self.held, own, declared, carried, day))
        self.vocabularies = self.searched.vocabularies
        self.order = _order(sort, self.searched.attributes)
        self.filter_attributes = self.searched.filter_attributes
        self.sets: dict[str, LoadedRequest] = {}
        self.predicate = None if rule is None else self._predicate(connection, owner, rule, day)

    def places(self) -> Places:
        """Where the holdings are placed in the sets that the filter names."""
        places: dict[str, dict[str, list[str]]] = {}
        for name, asked in self.sets.items():
            found = places.setdefault(name, {})
            for entry in evaluate_unnamed(asked.request).places():
                if entry.holding is not None and entry.status != "empty":
                    found.setdefault(entry.holding, []).append(entry.place)
        return places

    def _predicate(self, connection: Connection, owner: Owner, text: str, day: date) -> Predicate:
        try:
            expression, named = with_places(parse(text))
            for name, identity in named.items():
                self.sets[name] = load_stored_set(
                    connection, owner, stored_definition_id(identity), holdings=self.held
                ).ask(day)
            if named:
                self.filter_attributes = self.filter_attributes.extended(place_attribute(name) for name in named)
            return bind(expression, self.filter_attributes, self.vocabularies)
        except NotFound as refusal:
            fault = Fault.of(
                "not-found",
                "set(...) names a definition that you do not have: {refusal}",
                "/filter",
                refusal=refusal.told,
            )
            raise InvalidQuery([fault], "the filter is not a valid rule; see `errors`") from None
        except Invalid as refusal:
            faults = [Fault(f.code, f.message, "/filter", f.hint, f.line, f.column) for f in refusal.faults]
            raise InvalidQuery(faults, "the filter is not a valid rule; see `errors`") from None


def _searched(
    held: HoldingColumns,
    own: OwnReference,
    declared: Sequence[Sequence[Mapping[str, Any]]],
    carried: Sequence[str],
    day: date,
) -> Searched:
    # Several definitions may carry the same.
    layers = [read_carried(read_back(text)) for text in dict.fromkeys(carried)]
    schemes = with_several(reference.vocabularies_with(own), layers)
    attributes = with_terms(extended(CORE, declared_attributes(declared)), schemes)
    looks = Views(
        attributes,
        EvaluationContext(day, schemes),
        catalogue_of(own, attributes),
        own.presumed.read(attributes, schemes),
        own.replaces,
        shipped.claims().narrows,
    )
    return Searched(held, attributes, looks)


def _order(text: str | None, attributes: Attributes) -> Order:
    if text is None:
        return Order("")
    order = Order(text.removeprefix("-"), text.startswith("-"))
    if order.name not in ORDERED and order.name not in attributes:
        near = nearest(order.name, [*ORDERED, *attributes])
        hint = Sentence("did you mean '{near}'?", near=near) if near else None
        fault = Fault.of(
            "unknown-attribute", "holdings cannot be sorted by '{name}'", "/sort", hint, name=order.name[:80]
        )
        raise InvalidQuery([fault], "the order is not valid; see `errors`")
    return order
