"""What to look for next: empty places by tier, then the weakest fillings, in words that fit on a card. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from itertools import groupby
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from service.assignment.build import Instance
from service.assignment.preference_costs import PreferenceValues
from service.assignment.problem import Placement
from service.assignment.solve import solve
from service.evaluation.places import FREE_CHOICE, Place, group_base
from service.evaluation.table import Table
from service.facts.holding import Holding
from service.facts.knowledge import NONE, Among, Between, Number
from service.formats.html import CARD as CARD_SHEET
from service.formats.html import page_words, render
from service.progress.description import MessageNames
from service.progress.evaluate import (
    SOLVING_SHARE,
    EvaluationRequest,
    build_instance,
    names_of_some,
    solving_seconds,
)
from service.progress.named import Named
from service.progress.openings import KeptEmpty, Openings, openings_of, with_open_groups
from service.progress.pages import PageOrder
from service.progress.paper import csv_of
from service.progress.preference_words import preference_words
from service.progress.result import Tier
from service.reference.languages import Language
from service.rules.definition import Definition, OnePer
from service.rules.labels import shortened
from service.rules.messages import Message, message, some
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.rules.predicates import all_of
from service.rules.preferences import Preference
from service.rules.wording import RuleWording

CARD = 40
MOST_WEAK = 20
NOTES = ("min_grade", "most_to_pay", "currency", "note")
COLUMNS = (
    *("kind", "tier", "place", "label", "wanted", "look_at", "places", "holding", "because", *NOTES, "author_note"),
    *("number", "title", "message"),
)
TIERS = ("required", "optional")

Paper = Literal["a6", "a4"]


Notes = Mapping[str, Mapping[str, Any]]
"""The owner's notes by place or group: {"min_grade", "most_to_pay", "currency", "note"}, each left out where there is none."""


class _Line(Message, frozen=True, kw_only=True):
    """What every line of the list has."""

    tier: Tier
    place: str
    label: str
    wanted: Annotated[str, Meta(description="What a coin must be, in words.")]
    look_at: str
    places: int
    author_note: Annotated[str | UnsetType, Meta(description="The note of the definition's author.")] = UNSET
    min_grade: Annotated[int, Meta(description="The owner's note: the least grade worth buying.")] | UnsetType = UNSET
    most_to_pay: Annotated[int | Decimal, Meta(description="The owner's note; no valuation.")] | UnsetType = UNSET
    currency: str | UnsetType = UNSET
    note: str | UnsetType = UNSET


class WantedPlace(_Line, frozen=True, kw_only=True):
    """An empty place (those of a free choice once, with how many are open), or an open-ended group, which takes one more."""

    kind: Literal["empty", "open"]


class RuleName(msgspec.Struct, frozen=True):
    """A rule over several places."""

    constraint: str
    label: str


class KeptEmptyPlace(_Line, frozen=True, kw_only=True):
    """An empty place (those of a free choice once), or an open-ended group, that no coin could fill as things are."""

    kind: Literal["kept_empty"] = "kept_empty"
    rules: Annotated[
        list[RuleName],
        Meta(description="The rules that keep it empty; none: no coin at all fits what the place asks."),
    ]
    leaving: Annotated[
        list[str], Meta(description="Holdings: once one of them is taken out a coin could fill the place.")
    ]
    partners: Annotated[
        list[str], Meta(description="Places: once one of them has a coin that matches a coin could fill the place.")
    ]
    count: Annotated[int | UnsetType, Meta(description="What the rule would have to allow.")] = UNSET


class WeakFilling(_Line, frozen=True, kw_only=True):
    """A filled place where a better coin is wanted."""

    kind: Literal["better"] = "better"
    holding: str
    because: Annotated[str, Meta(description="What the coin that sits there is worth under the preferences.")]
    below_min_grade: (
        Annotated[bool, Meta(description="true: the coin is surely below the owner's least grade.")] | UnsetType
    ) = UNSET
    number: Annotated[str | None, Meta(description="The owner's own number of the coin that sits there.")]
    title: Annotated[str, Meta(description="What the coin is.")]
    mark: Annotated[Literal["replace"] | UnsetType, Meta(description="The owner marked the coin.")] = UNSET


class WantList(msgspec.Struct, frozen=True):
    """Empty places by tier, then those that nothing could fill, then the weakest fillings."""

    title: str
    evaluated_on: str
    wanted: list[WantedPlace]
    kept_empty: list[KeptEmptyPlace]
    weakest: list[WeakFilling]
    named: Named
    limit: Annotated[
        str | UnsetType, Meta(description="Why some place that is wanted may be kept empty by a rule of the set.")
    ] = UNSET


def want_list(
    request: EvaluationRequest,
    notes: Notes | None = None,
    upgrades: int = MOST_WEAK,
    speech: Speech = ENGLISH_SPEECH,
) -> WantList:
    """What to look for, its words in a language; sentences are English, whose parts are in that language.

    `wanted`: every empty place that some coin could fill under the rules of the set, whatever coins have to move for it (the
    places of a free choice once, with how many are open), required ones first, then what an open-ended group would still take.
    `kept_empty`: the others, each with the rules that keep it empty and what would release it. `weakest`: as many filled places
    as `upgrades` says, the worst first by the place's own preferences, with what the coin is worth on them. `notes` are the
    owner's, by place or group: {"min_grade", "most_to_pay", "currency", "note"}; an entry carries those of its place, else
    those of its group. A filled place whose coin is surely below its least grade stands first among the weakest, marked
    `below_min_grade`. A coin that the owner marks `replace` stands before these, one marked `keep` is left out. Raises Invalid
    or OverLimit where the request cannot be evaluated.
    """
    instance, table = build_instance(request)
    solution = solve(instance.problem, budget_seconds=solving_seconds(request), with_standings=False)
    seats = {placement.place: placement for placement in solution.placements}
    instance = with_open_groups(instance, request.definition)
    openings = openings_of(instance, table, seats, (1 - SOLVING_SHARE) * request.budget_seconds)
    names = MessageNames(instance, table, speech)
    speak = RuleWording(request.definition.attributes, request.vocabularies, speech)
    wishes = _Wishes(notes or {}, instance)
    empty = _Empty(instance, request.definition, names, speak, openings, wishes)
    wanted, kept_empty = empty.lines(seats)
    weak = _Weak(instance, table, seats, wishes)
    weakest = weak.weakest()[:upgrades]
    told = {holding for line in kept_empty for holding in line.leaving}
    named = names_of_some(request, told | {instance.holdings[coin].id for _, coin in weakest})
    return WantList(
        request.definition.title,
        request.today.isoformat(),
        wanted,
        kept_empty,
        [weak.line(place, coin, named, names, speak) for place, coin in weakest],
        named,
        "budget" if openings.limited else UNSET,
    )


class _Wishes:
    """The owner's notes, and which coins fall short of them."""

    def __init__(self, notes: Notes, instance: Instance) -> None:
        self.notes, self.group_of = notes, {place.address: place.group for place in instance.places}

    def of(self, place: str) -> dict[str, Any]:
        note = self.notes.get(place) or self.notes.get(self.group_of.get(place, "")) or {}
        return {name: note[name] for name in NOTES if name in note}

    def falls_short(self, place: str, holding: Holding) -> bool:
        """Whether every grade that the coin may have lies below the least that is wanted there."""
        least, known = self.of(place).get("min_grade"), holding.facts.get("grade")
        if least is None or known is None:
            return False
        if isinstance(known, Between):
            return isinstance(known.high, int | Fraction) and known.high < least
        values = known.values if isinstance(known, Among) else (NONE,)
        return all(isinstance(value, int | Fraction) and value < least for value in values)


def _shared_members(place: Place, address: str, count: int, wanted: str, wishes: _Wishes) -> dict[str, Any]:
    """What a line says of a place, whether a coin is there or not."""
    return {
        "tier": place.tier,
        "place": address,
        "label": place.label,
        "wanted": wanted,
        "look_at": place.look_at,
        "author_note": place.note or UNSET,
        "places": count,
        **wishes.of(address),
    }


class _Empty:
    """The lines of places without a coin."""

    def __init__(
        self,
        instance: Instance,
        definition: Definition,
        names: MessageNames,
        speak: RuleWording,
        openings: Openings,
        wishes: _Wishes,
    ) -> None:
        self.instance, self.names, self.speak, self.openings, self.wishes = instance, names, speak, openings, wishes
        self.definition = definition
        self.groups = {group.id: group for group in definition.one_per}

    def lines(self, seats: Mapping[int, Placement]) -> tuple[list[WantedPlace], list[KeptEmptyPlace]]:
        """Required places first; open-ended groups last."""
        together: dict[tuple[str, int], list[int]] = {}
        for at, place in enumerate(self.instance.places):
            if at not in seats and not place.is_open:
                address = place.group if place.kind == FREE_CHOICE else place.address
                # Places of one kind share their reason.
                together.setdefault((address, id(self.openings.kept_empty.get(at))), []).append(at)
        wanted: list[WantedPlace] = []
        kept: list[KeptEmptyPlace] = []
        for (address, _), every in together.items():
            why = self.openings.kept_empty.get(every[0])
            entry = self._entry(address, self.instance.places[every[0]], len(every))
            if why is None:
                wanted.append(WantedPlace(**entry, **self._wanted(entry).members()))
            else:
                del entry["kind"]
                holdings = self.instance.holdings
                kept.append(
                    KeptEmptyPlace(
                        **entry,
                        rules=[RuleName(rule.id, rule.label) for rule in why.rules],
                        leaving=[holdings[coin].id for coin in why.leaving],
                        partners=[self.instance.places[at].address for at in why.partners],
                        count=UNSET if why.count is None else why.count,
                        **self._kept(address, why).members(),
                    )
                )
        wanted.sort(key=lambda line: (line.kind == "open", TIERS.index(line.tier)))
        return wanted, sorted(kept, key=lambda line: TIERS.index(line.tier))

    def _entry(self, address: str, place: Place, count: int) -> dict[str, Any]:
        """The members that both lists have."""
        group = self.groups.get(address)
        if group is not None:
            return self._open_group(group, place)
        wanted = self.speak.coin(place.predicate)
        return {"kind": "empty", **_shared_members(place, address, count, wanted, self.wishes)}

    def _open_group(self, group: OnePer, place: Place) -> dict[str, Any]:
        """An open-ended group has no empty place, and takes one more key."""
        coin = self.speak.coin(all_of(*(test for _, test in group_base(self.definition, group))))
        names = self.speak.listed([self.speak.name(name) for name in group.attributes], "and")
        wanted = self.speak.say("another-key", coin=coin, names=names)
        shared = _shared_members(place, group.id, 1, wanted, self.wishes)
        return {**shared, "kind": "open", "label": self.speak.say("another", names=names)}

    def _wanted(self, entry: Mapping[str, Any]) -> Message:
        place, wanted = self.names.place(entry["place"]), entry["wanted"]
        if entry["kind"] == "open":
            return message("want-open", place=place, wanted=wanted)
        if entry["places"] > 1:
            return message("want-empty-places", place=place, count=entry["places"], wanted=wanted)
        return message("want-empty", place=place, wanted=wanted)

    def _kept(self, address: str, why: KeptEmpty) -> Message:
        place, rules = self.names.place(address), some([self.names.rule(rule.id) for rule in why.rules])
        if not rules:
            return message("kept-closed-never" if address in self.groups else "kept-empty-never", place=place)
        code = "kept-empty" if len(rules) == 1 else "kept-empty-each" if why.each else "kept-empty-together"
        code = "kept-closed" if address in self.groups else code
        return message(code, rules=rules, place=place, release=self._release(why))

    def _release(self, why: KeptEmpty) -> Message:
        if why.partners:
            facts = some([self.names.fact(name) for name in why.rules[0].by])
            addresses = [self.instance.places[at].address for at in why.partners]
            return message("release-partner", places=self.names.places(addresses), facts=facts)
        coins = some([self.names.coin(coin) for coin in why.leaving])
        if coins and why.count is not None:
            return message("release-coin-or-count", coins=coins, count=why.count)
        if coins:
            return message("release-coin", coins=coins)
        return message("release-rule") if why.count is None else message("release-count", count=why.count)


class _Weak:
    """The coins in their places, and what they are worth under the preferences there."""

    def __init__(self, instance: Instance, table: Table, seats: Mapping[int, Placement], wishes: _Wishes) -> None:
        self.instance, self.wishes = instance, wishes
        self.values = PreferenceValues(instance.coins, instance.columns, table)
        self.filled = [(instance.places[at], seat.holding) for at, seat in sorted(seats.items())]
        self.short = {
            place.address for place, coin in self.filled if wishes.falls_short(place.address, instance.holdings[coin])
        }

    def weakest(self) -> list[tuple[Place, int]]:
        """The places that have a coin and could have a better one, the worst first, with the coin by its number."""
        found = [
            (place, coin)
            for place, coin in self.filled
            if self._mark(coin) != "keep"
            and (place.prefer or place.address in self.short or self._mark(coin) == "replace")
        ]
        found.sort(
            key=lambda pair: (
                self._mark(pair[1]) != "replace",
                pair[0].address not in self.short,
                self._standing(pair[0].prefer, pair[1]),
                pair[0].address,
            )
        )
        return found

    def line(self, place: Place, coin: int, named: Named, names: MessageNames, speak: RuleWording) -> WeakFilling:
        """The line of a place, with what its coin is worth there."""
        holding, is_short = self.instance.holdings[coin], place.address in self.short
        views = self.instance.views[coin]
        worth = [(one, self._worth(one, coin)) for one in place.prefer]
        # What the coin has already is no reason for another one, unless there is no other to tell.
        short = [(one, value) for one, value in worth if one.where is None or not value] or worth
        words = [preference_words(one, value, views, speak) for one, value in short]
        words = words or [speak.say("below-wanted" if is_short else "to-replace")]
        said = message("want-better", coin=names.coin(coin), place=names.place(place.address), because=words)
        return WeakFilling(
            **_shared_members(place, place.address, 1, speak.coin(place.predicate), self.wishes),
            holding=holding.id,
            because="; ".join(words),
            mark="replace" if holding.mark == "replace" else UNSET,
            below_min_grade=True if is_short else UNSET,
            number=named[holding.id].number,
            title=named[holding.id].title,
            **said.members(),
        )

    def _mark(self, coin: int) -> str | None:
        return self.instance.holdings[coin].mark

    def _worth(self, preference: Preference, coin: int) -> Number | None:
        return self.values.one(preference, coin)

    def _standing(self, prefer: Sequence[Preference], coin: int) -> tuple[tuple[bool, Number], ...]:
        """The worst first: nothing recorded before all else, then the lesser worth."""
        found = [(preference, self._worth(preference, coin)) for preference in prefer]
        return tuple(
            (value is not None, 0 if value is None else value if preference.more_is_better else -value)
            for preference, value in found
        )


# --- on paper ----------------------------------------------------------------------------------------------------------


NOTHING_WANTED = page_words(ENGLISH_SPEECH, "nothing-wanted")


def as_text(wants: WantList) -> str:
    """The list on a card: plain text, 40 columns."""
    lines = [*textwrap.wrap(f"{wants.title}, {wants.evaluated_on}", CARD), ""]
    if not wants.wanted and not wants.kept_empty:
        lines += textwrap.wrap(NOTHING_WANTED, CARD)
    for line in wants.wanted:
        count = f"{line.places}x " if line.places > 1 else ""
        mark = "[ ]" if line.kind == "empty" else "[+]"
        lines += _on_card(f"{mark} {count}{line.label}: {line.wanted}", line)
    if wants.kept_empty:
        lines += ["", "Kept empty:"]
    for kept in wants.kept_empty:
        lines += _on_card(f"[-] {kept.label}: {kept.message}", kept)
    if wants.weakest:
        lines += ["", "Upgrades:"]
    for weak in wants.weakest:
        lines += _on_card(f"[^] {weak.label}: {weak.parts['coin']}: {weak.because}", weak)
    return "\n".join(lines) + "\n"


def _on_card(text: str, line: _Line) -> list[str]:
    said = noted(line)
    return textwrap.wrap(f"{text}{said and f' ({said})'}", CARD, subsequent_indent="    ")


def noted(line: _Line, speech: Speech = ENGLISH_SPEECH) -> str:
    """The owner's note to a line in a few words, and the author's, a long one shortened; empty where there is none."""
    parts = [] if line.min_grade is UNSET else [page_words(speech, "note-grade", grade=line.min_grade)]
    if line.most_to_pay is not UNSET:
        parts.append(page_words(speech, "note-pay", amount=line.most_to_pay, currency=line.currency))
    parts += [] if line.note is UNSET else [line.note]
    parts += [] if line.author_note is UNSET else [shortened(line.author_note)]
    return "; ".join(parts)


def as_csv(wants: WantList) -> str:
    """The list as CSV (RFC 4180). A cell that a spreadsheet would run as a formula begins with an apostrophe."""
    lines = (*wants.wanted, *wants.kept_empty, *wants.weakest)
    return csv_of(COLUMNS, ((getattr(line, column, UNSET) for column in COLUMNS) for line in lines))


def as_html(wants: WantList, document: Mapping[str, Any], paper: Paper, language: Language) -> str:
    """The list as a card to print, page by page of the definition: no script, nothing loaded from elsewhere. `language` is
    that of the list's own words."""
    return render(
        "want_list.html",
        sheet=CARD_SHEET,
        speech=language,
        set_language=str(document.get("language", "en")),
        paper=paper,
        title=wants.title,
        evaluated_on=wants.evaluated_on,
        is_nothing=not wants.wanted and not wants.kept_empty,
        pages=_card_pages(wants.wanted, PageOrder(document), language),
        kept_empty=[(line, language.worded(line), noted(line, language)) for line in wants.kept_empty],
        weakest=[(line, line.parts["coin"].told(language), noted(line, language)) for line in wants.weakest],
    )


def _card_pages(wanted: Sequence[WantedPlace], order: PageOrder, language: Language) -> list[dict[str, Any]]:
    """The lines by page of the layout; of like places, which are looked at alike, the hint stands once."""
    ranked = sorted(wanted, key=lambda line: order.rank(line.place)[0])
    pages = []
    for title, lines in groupby(ranked, key=lambda line: order.label(line.place)):
        hints: dict[str, list[dict[str, Any]]] = {}
        for line in lines:
            hints.setdefault(line.look_at, []).append(_card_line(line, language))
        pages.append({"title": title, "groups": [{"look_at": hint, "lines": like} for hint, like in hints.items()]})
    return pages


def _card_line(line: WantedPlace, language: Language) -> dict[str, Any]:
    shown = {name: getattr(line, name) for name in ("label", "wanted", "places", "tier")}
    return {**shown, "is_open": line.kind == "open", "note": noted(line, language)}
