"""A draft of a definition, seen while it is written: which coins fit each place, what the check finds, the whole in words, and
each rule as text and as a tree. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set
from dataclasses import replace
from typing import Annotated, Any

import numpy as np
from msgspec import Meta, Struct

from service.analysis.findings import Finding, FindingCounts, counts_by_severity
from service.assignment.fits import PlaceFits, fits_of
from service.errors import Fault, Invalid, Tell
from service.evaluation.cost import Sizes, cost_of_judging
from service.evaluation.places import Place
from service.progress.check import CheckedDefinition
from service.progress.evaluate import EvaluationRequest, names_of_some, placeable
from service.progress.named import Named, NamedHolding
from service.rules.cql2.expression import parse
from service.rules.cql2.limits import CHARACTERS
from service.rules.cql2.text import to_text
from service.rules.messages import Message, message_of_fault
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.rules.used_terms import rules_of
from service.rules.wording import describe_definition, places_in_words

MOST_COINS_NAMED = 5
_MOST_OTHER_PLACES = 3


class RuleFault(Message, frozen=True, omit_defaults=True, kw_only=True):
    """What is wrong with one rule. `line` and `column` (from 1) are those of a rule that was sent as text, `pointer` leads into
    one that was sent as JSON."""

    hint: str | None = None
    line: int | None = None
    column: int | None = None
    pointer: str = ""


class PreviewedRule(Struct, frozen=True):
    """One rule of the document in both forms, whichever it was sent in."""

    pointer: Annotated[str, Meta(description="Where it is in the document: a JSON pointer.")]
    json: Annotated[
        bool | dict[str, Any] | None, Meta(description="CQL2 JSON; null: what was sent cannot be read as a rule.")
    ]
    text: Annotated[
        str | None,
        Meta(
            description="CQL2 text of `json`, with the fewest brackets, which reads as the same tree; null where there is none, "
            f"or where it has more than {CHARACTERS:,} characters."
        ),
    ]
    faults: list[RuleFault]


class CoinsThere(Struct, frozen=True):
    """How many coins, and some of them."""

    coins: int
    some: Annotated[list[str], Meta(description=f"Up to {MOST_COINS_NAMED} of them, in the order of their ids.")]


class CoinElsewhere(Struct, frozen=True):
    """A coin that fits a place, and others where it fits too."""

    holding: str
    places: Annotated[list[str], Meta(description=f"Up to {_MOST_OTHER_PLACES} addresses.")]


class CoinsElsewhere(Struct, frozen=True):
    """How many of the coins that fit for certain fit another place for certain too, and some of them."""

    coins: int
    some: list[CoinElsewhere]


class PreviewedPlace(Struct, frozen=True):
    """One place, and the coins for it; nothing is assigned."""

    place: str
    label: str
    group: Annotated[str | None, Meta(description="The id of its group; null: it is a slot.")]
    fit: Annotated[CoinsThere, Meta(description="Coins that fit for certain.")]
    may_fit: Annotated[CoinsThere, Meta(description="Coins of which a fact is not known or not settled.")]
    fit_elsewhere: CoinsElsewhere


class PreviewedCoins(Struct, frozen=True):
    """The coins that count, as a whole."""

    coins: int
    fit: Annotated[int, Meta(description="Those that fit some place for certain.")]
    may_fit: Annotated[int, Meta(description="The others that may fit some place.")]
    fit_nowhere: int


class DefinitionPreview(Struct, frozen=True):
    """What a draft does."""

    definition: CheckedDefinition
    counts: FindingCounts
    findings: list[Finding]
    rules: Annotated[
        list[PreviewedRule], Meta(description="In the order of the document; of all that can be found in it.")
    ]
    in_words: Annotated[
        list[str], Meta(description="The definition read aloud, in plain sentences; empty: it cannot be read.")
    ]
    places_in_words: Annotated[
        dict[str, str],
        Meta(description="What each slot, and each place of a group, takes, by the id of the slot or group."),
    ]
    holdings: Annotated[PreviewedCoins | None, Meta(description="null: the definition cannot be read.")]
    places: list[PreviewedPlace]
    named: Named
    reference_edition: str
    engine_version: str


def preview_of_faults(
    document: Any, faults: Sequence[Fault], found: list[Finding], which: CheckedDefinition, tell: Tell, **editions: str
) -> DefinitionPreview:
    """The answer for a document that cannot be read: its faults, and its rules as far as they can be read."""
    rules = read_rules(document, faults, tell)
    return DefinitionPreview(which, counts_by_severity(found), found, rules, [], {}, None, [], {}, **editions)


def preview_of(
    request: EvaluationRequest,
    document: Any,
    found: list[Finding],
    which: CheckedDefinition,
    speech: Speech = ENGLISH_SPEECH,
    **editions: str,
) -> DefinitionPreview:
    """The answer for a document that was read, with the findings on it; `speech`: the language of its words. Raises Invalid or
    OverLimit where the request cannot be evaluated."""
    definition = request.definition
    holdings, places, named = _judged(request)
    return DefinitionPreview(
        definition=which,
        counts=counts_by_severity(found),
        findings=found,
        rules=read_rules(document, ()),
        in_words=describe_definition(definition, speech),
        places_in_words=places_in_words(definition, speech),
        holdings=holdings,
        places=places,
        named=named,
        **editions,
    )


def read_rules(document: Any, faults: Iterable[Fault], tell: Tell = str) -> list[PreviewedRule]:
    """Every rule of a document in both forms, with those of the document's faults that lie in it; `tell`: in which language."""
    listed = [fault for fault in faults if fault.pointer]
    found = []
    for at, sent in rules_of(document):
        inside = [fault for fault in listed if fault.pointer == at or fault.pointer.startswith(f"{at}/")]
        try:
            tree = parse(sent).json
        except Invalid as refusal:
            tree = None
            # Where the document as a whole is refused, its rules were not looked at.
            inside = inside or list(refusal.under(at).faults)
        text = None if tree is None else to_text(tree)
        told = [_told(replace(fault, pointer=fault.pointer.removeprefix(at)), tell) for fault in inside]
        found.append(PreviewedRule(at, tree, text if text is None or len(text) <= CHARACTERS else None, told))
    return found


def _told(fault: Fault, tell: Tell) -> RuleFault:
    said = {**message_of_fault(fault).members(), "message": tell(fault.message)}
    hint = None if fault.hint is None else tell(fault.hint)
    return RuleFault(hint=hint, line=fault.line, column=fault.column, pointer=fault.pointer, **said)


def _judged(request: EvaluationRequest) -> tuple[PreviewedCoins, list[PreviewedPlace], dict[str, NamedHolding]]:
    places, coins, table = placeable(request)
    columns = coins.columns(table.attributes, table.context), coins.bare_columns(table.attributes, table.context)
    sizes = Sizes(coins=len(coins), places=len(places))

    def watch(pairs: int) -> None:
        cost_of_judging(replace(sizes, pairs=pairs)).ensure_possible()

    fits, _ = fits_of(places, coins, table, columns, (), watch)
    certain = [one.certain for one in fits]
    # How many places each coin fits for certain, and how many it fits or may fit; shape (coins,).
    sure, open_to = (
        np.bincount(np.concatenate([np.zeros(0, np.int64), *every]), minlength=len(coins))
        for every in (certain, [one.coins for one in fits])
    )
    elsewhere = [one[sure[one] > 1] for one in certain]
    shown = {coin for one in elsewhere for coin in one[:MOST_COINS_NAMED].tolist()}
    others = _places_of(shown, places, fits)
    told = [
        PreviewedPlace(
            place=place.address,
            label=place.label,
            group=place.group or None,
            fit=_some(one.certain, coins.ids),
            may_fit=_some(np.setdiff1d(one.coins, one.certain, assume_unique=True), coins.ids),
            fit_elsewhere=CoinsElsewhere(
                len(both),
                [
                    CoinElsewhere(
                        coins.ids[coin], [at for at in others[coin] if at != place.address][:_MOST_OTHER_PLACES]
                    )
                    for coin in both[:MOST_COINS_NAMED].tolist()
                ],
            ),
        )
        for place, one, both in zip(places, fits, elsewhere, strict=True)
    ]
    fit, possible = int(np.count_nonzero(sure)), int(np.count_nonzero(open_to))
    named = {identity for entry in told for some in (entry.fit, entry.may_fit) for identity in some.some}
    named |= {one.holding for entry in told for one in entry.fit_elsewhere.some}
    counts = PreviewedCoins(len(coins), fit, possible - fit, len(coins) - possible)
    return counts, told, names_of_some(request, named)


def _places_of(coins: Set[int], places: Sequence[Place], fits: Sequence[PlaceFits]) -> dict[int, list[str]]:
    """Of these coins, some of the places that each fits for certain: one more than are told, since its own is left out."""
    found: dict[int, list[str]] = {coin: [] for coin in coins}
    for place, one in zip(places, fits, strict=True):
        for coin in coins & set(one.certain.tolist()):
            if len(found[coin]) <= _MOST_OTHER_PLACES:
                found[coin].append(place.address)
    return found


def _some(coins: Any, ids: Sequence[str]) -> CoinsThere:
    return CoinsThere(len(coins), [ids[coin] for coin in coins[:MOST_COINS_NAMED].tolist()])
