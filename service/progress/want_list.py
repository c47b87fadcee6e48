"""What to look for next: empty places by tier, then the weakest fillings, in words that fit on a card. Pure."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from service.assignment.build import PreferenceValues
from service.evaluation.keys import Collection
from service.evaluation.places import FREE_CHOICE, Place, places_of
from service.evaluation.table import Table
from service.facts.holding import Holding
from service.facts.knowledge import NONE, Among, Between, Number
from service.formats.html import PRINT, render
from service.progress.evaluate import EvaluationRequest
from service.progress.preference_words import preference_words
from service.progress.result import Evaluation, PlaceResult, Tier
from service.rules.labels import listed, shortened
from service.rules.predicates import EvaluationContext, all_of
from service.rules.preferences import Preference
from service.rules.wording import RuleWording

CARD = 40
MOST_WEAK = 20
NOTES = ("min_grade", "most_to_pay", "currency", "note")
COLUMNS = ("kind", "tier", "place", "label", "wanted", "look_at", "places", "holding", "because", *NOTES, "author_note")
TIERS = ("required", "optional")


Notes = Mapping[str, Mapping[str, Any]]
"""The owner's notes by place or group: {"min_grade", "most_to_pay", "currency", "note"}, each left out where there is none."""


class WantedPlace(msgspec.Struct, frozen=True, kw_only=True):
    """An empty place (those of a free choice once, with how many are open), or an open-ended group, which takes one more."""

    kind: Literal["empty", "open"]
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


class WeakFilling(msgspec.Struct, frozen=True, kw_only=True):
    """A filled place where a better coin is wanted."""

    kind: Literal["better"] = "better"
    tier: Tier
    place: str
    label: str
    wanted: Annotated[str, Meta(description="What a coin must be, in words.")]
    look_at: str
    places: int
    holding: str
    because: Annotated[str, Meta(description="What the coin that sits there is worth under the preferences.")]
    author_note: Annotated[str | UnsetType, Meta(description="The note of the definition's author.")] = UNSET
    below_min_grade: (
        Annotated[bool, Meta(description="true: the coin is surely below the owner's least grade.")] | UnsetType
    ) = UNSET
    min_grade: Annotated[int, Meta(description="The owner's note: the least grade worth buying.")] | UnsetType = UNSET
    most_to_pay: Annotated[int | Decimal, Meta(description="The owner's note; no valuation.")] | UnsetType = UNSET
    currency: str | UnsetType = UNSET
    note: str | UnsetType = UNSET
    number: Annotated[str | None, Meta(description="The owner's own number of the coin that sits there.")] = None
    mark: Annotated[Literal["replace"] | UnsetType, Meta(description="The owner marked the coin.")] = UNSET


class WantList(msgspec.Struct, frozen=True):
    """Empty places by tier, then the weakest fillings."""

    title: str
    evaluated_on: str
    wanted: list[WantedPlace]
    weakest: list[WeakFilling]

    def numbered(self, numbers: Mapping[str, str]) -> WantList:
        """The list with the owner's own numbers of the coins, by their ids."""
        weakest = [msgspec.structs.replace(line, number=numbers.get(line.holding)) for line in self.weakest]
        return msgspec.structs.replace(self, weakest=weakest)


def want_list(
    request: EvaluationRequest, result: Evaluation, notes: Notes | None = None, upgrades: int = MOST_WEAK
) -> WantList:
    """What to look for, from an evaluation of the same request.

    `wanted`: every empty place (the places of a free choice once, with how many are open), required ones first, then what an
    open-ended group would still take. `weakest`: as many filled places as `upgrades` says, the worst first by the place's own
    preferences, with what the coin is worth on the first of them. `notes` are the owner's, by place or group: {"min_grade",
    "most_to_pay", "currency", "note"}; an entry carries those of its place, else those of its group. A filled place whose
    coin is surely below its least grade stands first among the weakest, marked `below_min_grade`. A coin that the owner marks
    `replace` stands before these, one marked `keep` is left out.
    """
    definition = request.definition
    held = [holding for holding in request.holdings if holding.status in request.statuses]
    seen = {holding.id: request.views_of(holding) for holding in held}
    context = EvaluationContext(request.today, request.vocabularies)
    places = places_of(definition, Collection(list(seen.values()), request.issues, context))
    speak = RuleWording(definition.attributes, request.vocabularies)
    entries = {entry.place: entry for entry in result.places()}
    values = _Worth(seen, Table(definition.attributes, context))
    wishes = _Wishes(notes or {}, {place.address: place.group for place in places}, held)
    wanted = [*_wanted(places, entries, speak), *_still_open(request, speak)]
    return WantList(
        definition.title,
        request.today.isoformat(),
        [msgspec.structs.replace(line, **wishes.of(line.place)) for line in wanted],
        _weakest(places, entries, values, speak, wishes, upgrades),
    )


class _Wishes:
    """The owner's notes, and which coins fall short of them."""

    def __init__(self, notes: Notes, group_of: Mapping[str, str], held: Sequence[Holding]) -> None:
        self.notes, self.group_of = notes, group_of
        self.grades = {holding.id: holding.facts.get("grade") for holding in held}
        self.marks = {holding.id: holding.mark for holding in held}

    def of(self, place: str) -> dict[str, Any]:
        note = self.notes.get(place) or self.notes.get(self.group_of.get(place, "")) or {}
        return {name: note[name] for name in NOTES if name in note}

    def falls_short(self, place: str, holding: str) -> bool:
        """Whether every grade that the coin may have lies below the least that is wanted there."""
        least, known = self.of(place).get("min_grade"), self.grades.get(holding)
        if least is None or known is None:
            return False
        if isinstance(known, Between):
            return isinstance(known.high, int | Fraction) and known.high < least
        values = known.values if isinstance(known, Among) else (NONE,)
        return all(isinstance(value, int | Fraction) and value < least for value in values)


def _wanted(places: Sequence[Place], entries: Mapping[str, PlaceResult], speak: RuleWording) -> list[WantedPlace]:
    found: dict[str, WantedPlace] = {}
    for place in places:
        entry = entries.get(place.address)
        if entry is None or entry.status != "empty":
            continue
        address = place.group if place.kind == FREE_CHOICE else place.address
        before = found[address].places if address in found else 0
        found[address] = WantedPlace(
            kind="empty",
            tier=place.tier,  # type: ignore[arg-type]
            place=address,
            label=place.label,
            wanted=speak.coin(place.predicate),
            look_at=place.look_at,
            author_note=place.note or UNSET,
            places=before + 1,
        )
    return sorted(found.values(), key=lambda line: TIERS.index(line.tier))


def _still_open(request: EvaluationRequest, speak: RuleWording) -> list[WantedPlace]:
    """An open-ended group has no empty place, and always takes one more key."""
    definition = request.definition
    lines = []
    for group in definition.one_per:
        if not group.keys.is_open:
            continue
        rules = [rule.predicate for rule in (definition.scope, group.accepts) if rule is not None]
        coin = speak.coin(all_of(*rules)) if rules else "a coin"
        names = listed([speak.name(name) for name in group.attributes], "and")
        wanted = f"{coin}, of a {names} that you do not have yet"
        lines.append(
            WantedPlace(
                kind="open",
                tier=group.tier,  # type: ignore[arg-type]
                place=group.id,
                label=f"Another {names}",
                wanted=wanted,
                look_at=group.look_at
                or "; ".join(filter(None, (definition.attributes[name].look_at for name in group.attributes))),
                places=1,
                author_note=group.note or UNSET,
            )
        )
    return lines


class _Worth:
    """What the coins are worth under preferences, by their ids."""

    def __init__(self, seen: Mapping[str, tuple[Any, ...]], table: Table) -> None:
        self.views = seen
        self.number = {identity: at for at, identity in enumerate(seen)}
        self.values = PreferenceValues(list(seen.values()), table)

    def of(self, preference: Preference, identity: str) -> Number | None:
        coin = self.number[identity]
        return self.values.of(preference, (coin,))[coin]

    def standing(self, prefer: Sequence[Preference], identity: str) -> tuple[tuple[bool, Number], ...]:
        """The worst first: nothing recorded before all else, then the lesser worth."""
        found = [(preference, self.of(preference, identity)) for preference in prefer]
        return tuple(
            (value is not None, 0 if value is None else value if preference.more_is_better else -value)
            for preference, value in found
        )


def _weakest(
    places: Sequence[Place],
    entries: Mapping[str, PlaceResult],
    worth: _Worth,
    speak: RuleWording,
    wishes: _Wishes,
    upgrades: int,
) -> list[WeakFilling]:
    short = {
        place.address
        for place in places
        if place.address in entries and wishes.falls_short(place.address, entries[place.address].holding or "")
    }
    filled = [
        (place, holding)
        for place in places
        if place.address in entries
        and (holding := entries[place.address].holding) is not None
        and holding in worth.number
        and (mark := wishes.marks[holding]) != "keep"
        and (place.prefer or place.address in short or mark == "replace")
    ]
    filled.sort(
        key=lambda pair: (
            wishes.marks[pair[1]] != "replace",
            pair[0].address not in short,
            worth.standing(pair[0].prefer, pair[1]),
            pair[0].address,
        )
    )
    return [
        WeakFilling(
            tier=place.tier,  # type: ignore[arg-type]
            place=place.address,
            label=place.label,
            wanted=speak.coin(place.predicate),
            look_at=place.look_at,
            author_note=place.note or UNSET,
            places=1,
            holding=holding,
            because=_because(place, holding, worth, speak)
            or ("below the lowest grade wanted" if place.address in short else "marked to be replaced"),
            mark="replace" if wishes.marks[holding] == "replace" else UNSET,
            below_min_grade=True if place.address in short else UNSET,
            **wishes.of(place.address),
        )
        for place, holding in filled[:upgrades]
    ]


def _because(place: Place, holding: str, worth: _Worth, speak: RuleWording) -> str:
    """What the coin that is there is worth, preference by preference: "holed; grade 8"."""
    views = worth.views[holding]
    return "; ".join(preference_words(one, worth.of(one, holding), views, speak) for one in place.prefer)


# --- on paper ----------------------------------------------------------------------------------------------------------


def as_text(wants: WantList) -> str:
    """The list on a card: plain text, 40 columns."""
    lines = [*textwrap.wrap(f"{wants.title}, {wants.evaluated_on}", CARD), ""]
    for line in wants.wanted:
        count = f"{line.places}x " if line.places > 1 else ""
        mark = "[ ]" if line.kind == "empty" else "[+]"
        lines += _on_card(f"{mark} {count}{line.label}: {line.wanted}", line)
    if wants.weakest:
        lines += ["", "Upgrades:"]
    for weak in wants.weakest:
        lines += _on_card(f"[^] {weak.label}: {weak.because}", weak)
    return "\n".join(lines) + "\n"


def _on_card(text: str, line: WantedPlace | WeakFilling) -> list[str]:
    said = noted(line)
    return textwrap.wrap(f"{text}{said and f' ({said})'}", CARD, subsequent_indent="    ")


def noted(line: WantedPlace | WeakFilling) -> str:
    """The owner's note to a line in a few words, and the author's, a long one shortened; empty where there is none."""
    parts = [] if line.min_grade is UNSET else [f"grade {line.min_grade} or more"]
    if line.most_to_pay is not UNSET:
        parts.append(f"up to {line.most_to_pay} {line.currency}")
    parts += [] if line.note is UNSET else [line.note]
    parts += [] if line.author_note is UNSET else [shortened(line.author_note)]
    return "; ".join(parts)


def as_csv(wants: WantList) -> str:
    """The list as CSV (RFC 4180). A cell that a spreadsheet would run as a formula begins with an apostrophe."""
    sheet = io.StringIO()
    writer = csv.writer(sheet)
    writer.writerow(COLUMNS)
    for line in (*wants.wanted, *wants.weakest):
        cells = (getattr(line, column, UNSET) for column in COLUMNS)
        writer.writerow([defused("" if cell is UNSET else str(cell)) for cell in cells])
    return sheet.getvalue()


def defused(cell: str) -> str:
    """The cell as a text for any spreadsheet."""
    return f"'{cell}" if cell.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") and cell else cell


def as_html(wants: WantList, language: str) -> str:
    """The list as a page to print: no script, nothing loaded from elsewhere."""
    return render(
        "want_list.html",
        sheet=PRINT,
        language=language,
        title=wants.title,
        evaluated_on=wants.evaluated_on,
        wanted=[(line, noted(line)) for line in wants.wanted],
        weakest=[(line, noted(line)) for line in wants.weakest],
    )
