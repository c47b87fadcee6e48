"""What to look for next: empty places by tier, then the weakest fillings, in words that fit on a card. Pure."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from service.assignment.build import PreferenceValues
from service.evaluation.places import FREE_CHOICE, Collection, Place, places_of
from service.evaluation.table import Table
from service.facts.holding import Holding, views
from service.facts.knowledge import Between, Number
from service.formats.html import PRINT, render
from service.progress.evaluate import EvaluationRequest
from service.progress.result import Evaluation, PlaceResult
from service.rules.predicates import EvaluationContext, both
from service.rules.preferences import Preference
from service.rules.wording import RuleWording

CARD = 40
MOST_WEAK = 20
NOTES = ("min_grade", "most_to_pay", "currency", "note")
COLUMNS = ("kind", "tier", "place", "label", "wanted", "look_at", "places", "holding", "because", *NOTES)
TIERS = ("required", "optional")


Notes = Mapping[str, Mapping[str, Any]]


def want_list(request: EvaluationRequest, result: Evaluation, notes: Notes | None = None) -> dict[str, Any]:
    """{"title", "evaluated_on", "wanted": [...], "weakest": [...]} from an evaluation of the same request.

    `wanted`: every empty place (the places of a free choice once, with how many are open), required ones first, then what an
    open-ended group would still take. `weakest`: up to 20 filled places, the worst first by the place's own preferences,
    with what the coin is worth on the first of them. `notes` are the owner's, by place or group: {"min_grade",
    "most_to_pay", "currency", "note"}; an entry carries those of its place, else those of its group. A filled place whose
    coin is surely below its least grade stands first among the weakest, marked `below_min_grade`.
    """
    definition = request.definition
    held = [holding for holding in request.holdings if holding.status in request.statuses]
    seen = {holding.id: views(holding, request.issues) for holding in held}
    context = EvaluationContext(request.today, request.vocabularies)
    places = places_of(definition, Collection(list(seen.values()), request.issues, context))
    speak = RuleWording(definition.attributes, request.vocabularies)
    entries = {entry.place: entry for entry in result.places()}
    values = _Worth(seen, Table(definition.attributes, context))
    wishes = _Wishes(notes or {}, {place.address: place.group for place in places}, held)
    wanted = [*_wanted(places, entries, speak), *_still_open(request, speak)]
    return {
        "title": definition.title,
        "evaluated_on": request.today.isoformat(),
        "wanted": [{**entry, **wishes.of(entry["place"])} for entry in wanted],
        "weakest": _weakest(places, entries, values, speak, wishes),
    }


class _Wishes:
    """The owner's notes, and which coins fall short of them."""

    def __init__(self, notes: Notes, group_of: Mapping[str, str], held: Sequence[Holding]) -> None:
        self.notes, self.group_of = notes, group_of
        self.grades = {holding.id: holding.facts.get("grade") for holding in held}

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
        return all(isinstance(value, int | Fraction) and value < least for value in known.values)


def _wanted(places: Sequence[Place], entries: Mapping[str, PlaceResult], speak: RuleWording) -> list[dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for place in places:
        entry = entries.get(place.address)
        if entry is None or entry.status != "empty":
            continue
        address = place.group if place.kind == FREE_CHOICE else place.address
        line = found.setdefault(
            address,
            {
                "kind": "empty",
                "tier": place.tier,
                "place": address,
                "label": place.label,
                "wanted": speak.coin(place.predicate),
                "look_at": place.look_at,
                "places": 0,
            },
        )
        line["places"] += 1
    return sorted(found.values(), key=lambda line: TIERS.index(line["tier"]))


def _still_open(request: EvaluationRequest, speak: RuleWording) -> list[dict[str, Any]]:
    """An open-ended group has no empty place, and always takes one more key."""
    definition = request.definition
    lines = []
    for group in definition.one_per:
        if not group.keys.is_open:
            continue
        rules = [rule.predicate for rule in (definition.scope, group.accepts) if rule is not None]
        coin = speak.coin(both(*rules)) if rules else "a coin"
        wanted = f"{coin}, of a {speak.name(group.attribute)} that no coin here shows yet"
        line = {"kind": "open", "tier": group.tier, "place": group.id, "label": group.id, "wanted": wanted}
        lines.append({**line, "look_at": group.look_at or definition.attributes[group.attribute].look_at, "places": 1})
    return lines


class _Worth:
    """What the coins are worth under preferences, by their ids."""

    def __init__(self, seen: Mapping[str, tuple[Any, ...]], table: Table) -> None:
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
    places: Sequence[Place], entries: Mapping[str, PlaceResult], worth: _Worth, speak: RuleWording, wishes: _Wishes
) -> list[dict[str, Any]]:
    short = {
        place.address
        for place in places
        if place.address in entries and wishes.falls_short(place.address, entries[place.address].holding or "")
    }
    filled = [
        (place, holding)
        for place in places
        if (place.prefer or place.address in short)
        and place.address in entries
        and (holding := entries[place.address].holding) is not None
        and holding in worth.number
    ]
    filled.sort(
        key=lambda pair: (pair[0].address not in short, worth.standing(pair[0].prefer, pair[1]), pair[0].address)
    )
    return [
        {
            "kind": "better",
            "tier": place.tier,
            "place": place.address,
            "label": place.label,
            "wanted": speak.coin(place.predicate),
            "look_at": place.look_at,
            "places": 1,
            "holding": holding,
            "because": _because(place, holding, worth, speak) or "below the least grade wanted",
            **({"below_min_grade": True} if place.address in short else {}),
            **wishes.of(place.address),
        }
        for place, holding in filled[:MOST_WEAK]
    ]


def _because(place: Place, holding: str, worth: _Worth, speak: RuleWording) -> str:
    """What the coin that sits there is worth, preference by preference."""
    parts = []
    for preference in place.prefer:
        value, where = worth.of(preference, holding), preference.where
        subject = speak.clause(where.predicate) if where is not None else speak.name(preference.attribute)
        parts.append(f"{subject} not recorded" if value is None else preference.kind.value_words(subject, value))
    return ", ".join(parts)


# --- on paper ----------------------------------------------------------------------------------------------------------


def as_text(wants: Mapping[str, Any]) -> str:
    """The list on a card: plain text, 40 columns."""
    lines = [*textwrap.wrap(f"{wants['title']}, {wants['evaluated_on']}", CARD), ""]
    for entry in wants["wanted"]:
        count = f"{entry['places']}x " if entry["places"] > 1 else ""
        mark = "[ ]" if entry["kind"] == "empty" else "[+]"
        said = _noted(entry)
        line = f"{mark} {count}{entry['label']}: {entry['wanted']}{said and f' ({said})'}"
        lines += textwrap.wrap(line, CARD, subsequent_indent="    ")
    if wants["weakest"]:
        lines += ["", "To better:"]
    for entry in wants["weakest"]:
        said = _noted(entry)
        line = f"[^] {entry['label']}: {entry['because']}{said and f' ({said})'}"
        lines += textwrap.wrap(line, CARD, subsequent_indent="    ")
    return "\n".join(lines) + "\n"


def _noted(entry: Mapping[str, Any]) -> str:
    """The owner's note to an entry in a few words."""
    parts = [f"grade {entry['min_grade']} or more"] if "min_grade" in entry else []
    if "most_to_pay" in entry:
        parts.append(f"up to {entry['most_to_pay']} {entry['currency']}")
    return "; ".join([*parts, *([entry["note"]] if "note" in entry else [])])


def as_csv(wants: Mapping[str, Any]) -> str:
    """The list as CSV (RFC 4180). A cell that a spreadsheet would run as a formula begins with an apostrophe."""
    sheet = io.StringIO()
    writer = csv.writer(sheet)
    writer.writerow(COLUMNS)
    for entry in (*wants["wanted"], *wants["weakest"]):
        writer.writerow([defused(str(entry.get(column, ""))) for column in COLUMNS])
    return sheet.getvalue()


def defused(cell: str) -> str:
    """The cell as a text for any spreadsheet."""
    return f"'{cell}" if cell.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") and cell else cell


def as_html(wants: Mapping[str, Any], language: str) -> str:
    """The list as a page to print: no script, nothing loaded from elsewhere."""
    return render(
        "want_list.html",
        sheet=PRINT,
        language=language,
        title=wants["title"],
        evaluated_on=wants["evaluated_on"],
        wanted=[(entry, _noted(entry)) for entry in wants["wanted"]],
        weakest=[(entry, _noted(entry)) for entry in wants["weakest"]],
    )
