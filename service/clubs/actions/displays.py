"""A club's display of the coins of those members who consent to it, evaluated as one collection.

Nobody's coins are read but theirs. Sessions are closed before anything is computed, and after computing it is looked again
who still consents.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from functools import partial
from itertools import chain

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.clubs.actions.displayed_photos import PHOTOS, DisplayedPhoto, photos_by_coin, photos_shown
from service.clubs.actions.standings import newest_offered, read_offered
from service.clubs.displays import Display, LendableCoin, Lender, as_lent, display, lendable
from service.clubs.model import ClubOffer, Membership
from service.clubs.standings import displayed_id
from service.clubs.store.offers import ShownDefinition, ShownStore
from service.errors import Fault, NotFound, OverLimit, Sentence
from service.facts.holding import HELD
from service.holdings.columns.store import held_by
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.progress.actions.stored_set import as_known, catalogue_of, stored_holdings
from service.progress.description import Describer, describer
from service.progress.evaluate import MOST_HOLDINGS, EvaluationRequest
from service.reference import actions as reference
from service.reference.model import NOTHING_OWN, OwnReference
from service.reference.store import IssueStore
from service.rules.definition import Definition
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.runtime import Context

DISPLAY = "display"


@dataclass(frozen=True, slots=True)
class ShownDisplay:
    """The newest revision of the definition, its display of today, and the photos that may be seen of the coins in it."""

    offered: ClubOffer
    display: Display
    photos: Mapping[str, Sequence[DisplayedPhoto]]


async def displayed(
    context: Context, member: Membership, identity: str, speech: Speech = ENGLISH_SPEECH
) -> ShownDisplay:
    """The display of today, its coins described in the language of `speech`. Raises NotFound, OverLimit."""
    day, offered = context.today(), await newest_offered(context, member.club, identity)
    lenders = await context.read(lambda c: ShownStore(c, member.club, identity).page(DISPLAY, None, None))
    while True:
        made = await context.compute(partial(_displayed, context, member.club, offered, lenders, day, speech))
        still, photos = await context.read(partial(_still, club=member.club, identity=identity, lenders=lenders))
        if len(still) == len(lenders):
            return ShownDisplay(offered, made, {one.holding: photos.get(one.holding, ()) for one in made.exhibits})
        # Each time there are fewer, so this ends.
        lenders = tuple(shown for shown in lenders if shown.owner.id in still)


def _still(
    connection: Connection, club: str, identity: str, lenders: Sequence[ShownDefinition]
) -> tuple[set[str], Mapping[str, Sequence[DisplayedPhoto]]]:
    """Who of them lends now, and the photos that they let the club see, of one snapshot."""
    still = ShownStore(connection, club, identity).still(DISPLAY, [shown.owner.id for shown in lenders])
    return still, photos_shown(connection, club, identity, lenders)


async def displayed_photo(
    context: Context, member: Membership, identity: str, lender: str, name: str
) -> DisplayedPhoto:
    """A photo that the club may see: of a coin that the display may take, whatever others lend, which is what its owner was told
    beforehand. Raises NotFound for every other one alike."""
    day, offered = context.today(), await newest_offered(context, member.club, identity)
    nowhere = NotFound("photo", name)

    def find(connection: Connection) -> tuple[ShownDefinition, DisplayedPhoto] | None:
        with suppress(NotFound):
            shown = ShownStore(connection, member.club, identity).one(PHOTOS, lender, whole=False)
            photos = chain.from_iterable(photos_by_coin(connection, member.club, identity, shown).values())
            return next(((shown, photo) for photo in photos if photo.name == name), None)
        return None

    found = await context.read(find)
    if found is None:
        raise nowhere
    shown, photo = found
    one = frozenset({photo.kept.holding_id})
    if not await context.compute(partial(lendable_coins, context, offered, shown, member.club, day, only=one)):
        raise nowhere
    # Who ceased to consent meanwhile is not shown.
    still = await context.read(find)
    if still is None or still[1] != photo:
        raise nowhere
    return photo


def _displayed(
    context: Context, club: str, offered: ClubOffer, members: Sequence[ShownDefinition], day: date, speech: Speech
) -> Display:
    definition = read_offered(offered)
    lenders: list[Lender] = []
    for shown in members:
        held, own = context.database.read(partial(_coins_of, owner=shown.owner))
        lenders.append(_lender(definition, shown, held, own))
        if sum(len(lender.holdings) for lender in lenders) > MOST_HOLDINGS:
            # How many there are is not told.
            message = Sentence("a display takes up to {most} coins of all that lend", most=MOST_HOLDINGS)
            raise OverLimit([Fault("over-limit", message, hint="let fewer members lend at once")])
    request, describe = _shown_to_all(definition, day, speech)
    return display(request, lenders, describe, named=partial(displayed_id, club, offered.definition))


def lendable_coins(
    context: Context,
    offered: ClubOffer,
    shown: ShownDefinition,
    club: str,
    day: date,
    *,
    only: frozenset[str] | None = None,
    speech: Speech = ENGLISH_SPEECH,
) -> list[LendableCoin]:
    """The coins of one member that the display may show, whatever others lend, if the member consents; with `only` of these
    holdings; described in the language of `speech`. Takes its time; raises OverLimit."""
    definition = read_offered(offered)
    lender = _lender(definition, shown, *context.database.read(partial(_coins_of, owner=shown.owner, only=only)))
    request, describe = _shown_to_all(definition, day, speech)
    return lendable(request, lender, describe, named=partial(displayed_id, club, offered.definition))


def _shown_to_all(definition: Definition, day: date, speech: Speech) -> tuple[EvaluationRequest, Describer]:
    """The set without coins, under the catalogue that everybody has, and how coins are described by it."""
    issues = catalogue_of(NOTHING_OWN, definition.attributes)
    request = EvaluationRequest(
        definition, (), day, definition.vocabularies, issues, reference_edition=reference.edition()
    )
    return request, describer(definition.attributes, definition.vocabularies, reference.issue_facts(), speech)


def _coins_of(
    connection: Connection, owner: Owner, only: frozenset[str] | None = None
) -> tuple[Sequence[StoredHolding], OwnReference]:
    held = held_by(connection, owner) if only is None else HoldingStore(connection, owner).some(only)
    return held, IssueStore(connection, owner).own_reference()


def _lender(definition: Definition, shown: ShownDefinition, held: Sequence[StoredHolding], own: OwnReference) -> Lender:
    issues, shipped = catalogue_of(own, definition.attributes), reference.issue_facts()
    coins, _ = stored_holdings(held, definition.attributes, issues, definition.vocabularies)
    recorded = {entry.id: as_lent(as_known(entry), own.facts, shipped, definition.attributes) for entry in held}
    counting = tuple(coin for coin in coins if coin.status in HELD)
    presumptions = own.presumed.read(definition.attributes, definition.vocabularies)
    return Lender(
        shown.owner.id,
        shown.name,
        counting,
        recorded,
        issues,
        replaces=own.replaces,
        presumptions=presumptions,
    )
