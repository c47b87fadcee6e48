"""Reading one fact by the type of its attribute: text, integer, decimal, boolean, date, timestamp, list of texts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from service.errors import Fault, Invalid, Sentence
from service.facts.attributes import Attribute
from service.facts.knowledge import NONE, Among, Between, Knowledge, Subsets, Value, exact
from service.facts.words import nearest

_MOST_ALTERNATIVES = 1_000
MOST_TERMS = 200
_LONGEST_TEXT = 2_000

_NULL_HINT = 'leave the attribute out when it was not looked at; write {"none": true} when it is known to have none'


def _fault(code: str, sentence: str, /, pointer: str = "", hint: str | None = None, **parts: object) -> Invalid:
    return Invalid([Fault.of(code, sentence, pointer, hint, **parts)])


def _text(attribute: Attribute, raw: Any) -> Value:
    if not isinstance(raw, str):
        raise _fault("type", "'{name}' takes a text, not {kind}", name=attribute.name, kind=value_kind_of(raw))
    if len(raw) > _LONGEST_TEXT:
        raise _fault(
            "over-limit", "'{name}' takes texts of up to {most} characters", name=attribute.name, most=_LONGEST_TEXT
        )
    return canonical_value(attribute, raw)


def canonical_value(attribute: Attribute, word: str) -> str:
    """The word as the attribute keeps it; a word outside its enumeration is refused with the nearest."""
    word = attribute.synonyms.get(word, word)
    if attribute.values and word not in attribute.values:
        near = nearest(word, [*attribute.values, *attribute.synonyms])
        wanted = (
            Sentence("did you mean '{near}'?", near=near)
            if near
            else Sentence("it takes one of: {listed}", listed=", ".join(attribute.values))
        )
        raise _fault("value", "'{name}' cannot be '{word}'", hint=wanted, name=attribute.name, word=word)
    return word


def _whole(attribute: Attribute, raw: Any) -> Value:
    number = _decimal(attribute, raw)
    if not isinstance(number, int):
        raise _fault("type", "'{name}' takes a whole number, not {number}", name=attribute.name, number=raw)
    return number


def _decimal(attribute: Attribute, raw: Any) -> Value:
    if isinstance(raw, bool) or not isinstance(raw, int | float | Decimal):
        raise _fault("type", "'{name}' takes a number, not {kind}", name=attribute.name, kind=value_kind_of(raw))
    if isinstance(raw, float):
        raw = Decimal(repr(raw))
    if isinstance(raw, Decimal) and (
        not raw.is_finite() or abs(raw.adjusted()) > 100 or len(raw.as_tuple().digits) > 40
    ):
        raise _fault("value", "'{name}' takes a finite number of at most 40 digits", name=attribute.name)
    number = exact(raw)
    low, high = attribute.low, attribute.high
    if (low is not None and number < low) or (high is not None and number > high):
        told = {"name": attribute.name, "low": low or 0, "number": raw}
        if low is None or high is None:
            raise _fault("value", "'{name}' takes numbers {low} or more, not {number}", **told)
        raise _fault("value", "'{name}' takes numbers from {low} to {high}, not {number}", **told, high=high)
    return number


def _boolean(attribute: Attribute, raw: Any) -> Value:
    if not isinstance(raw, bool):
        raise _fault("type", "'{name}' is true or false, not {kind}", name=attribute.name, kind=value_kind_of(raw))
    return raw


def _date(attribute: Attribute, raw: Any) -> Value:
    try:
        if isinstance(raw, str) and len(raw) == 10:
            return date.fromisoformat(raw)
    except ValueError:
        pass
    raise _fault(
        "type", "'{name}' takes a date such as 1887-06-20", hint="year-month-day, as in ISO 8601", name=attribute.name
    )


def _timestamp(attribute: Attribute, raw: Any) -> Value:
    try:
        if isinstance(raw, str):
            return read_instant(raw)
    except ValueError:
        pass
    raise _fault(
        "type", "'{name}' takes an instant such as 2026-11-25T10:00:00Z", hint="RFC 3339, in UTC", name=attribute.name
    )


def read_instant(text: str) -> datetime:
    """An RFC 3339 instant in UTC; ValueError for anything else."""
    moment = datetime.fromisoformat(text.replace("Z", "+00:00"))
    if moment.tzinfo is None:
        raise ValueError(text)
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        raise ValueError(text) from None


def _terms(attribute: Attribute, raw: Any) -> Value:
    if isinstance(raw, str):
        raw = [raw]
    if not isinstance(raw, list):
        raise _fault(
            "type",
            "'{name}' takes a list of texts, not {kind}",
            hint='for example ["holed"]',
            name=attribute.name,
            kind=value_kind_of(raw),
        )
    if len(raw) > MOST_TERMS:
        raise _fault("over-limit", "'{name}' takes at most {most} texts", name=attribute.name, most=MOST_TERMS)
    faults: list[Fault] = []
    terms: list[str] = []
    for place, item in enumerate(raw):
        try:
            term = _text(attribute, item)
            assert isinstance(term, str)
            terms.append(term)
        except Invalid as refusal:
            faults.extend(refusal.under(f"/{place}").faults)
    if faults:
        raise Invalid(faults)
    return frozenset(terms)


_READERS: dict[str, Callable[[Attribute, Any], Value]] = {
    "text": _text,
    "integer": _whole,
    "decimal": _decimal,
    "boolean": _boolean,
    "date": _date,
    "timestamp": _timestamp,
}


def _read_value(attribute: Attribute, raw: Any) -> Value:
    """One plain value, or `{"none": true}`. Raises Invalid with pointers relative to the value."""
    if raw == {"none": True}:
        return NONE
    if raw is None:
        raise _fault("null", "'{name}' is null, which says nothing", hint=_NULL_HINT, name=attribute.name)
    return _terms(attribute, raw) if attribute.many else _READERS[attribute.type](attribute, raw)


def read_fact(attribute: Attribute, raw: Any) -> Knowledge:
    """What is known, from its JSON form (rules.md section 1). Raises Invalid with pointers relative to the fact."""
    if not isinstance(raw, dict) or raw == {"none": True}:
        return Among((_read_value(attribute, raw),))
    if set(raw) == {"one_of"}:
        return _read_alternatives(attribute, raw["one_of"])
    if raw and set(raw) <= {"from", "to"}:
        return _read_range(attribute, raw)
    if raw and set(raw) <= {"has", "perhaps"}:
        return _read_subsets(attribute, raw)
    raise _fault(
        "form",
        "this is no way to write what is known of '{name}'",
        name=attribute.name,
        hint='a value, {"none": true}, {"one_of": [...]}, {"from": a, "to": b} or {"has": [...], "perhaps": [...]}',
    )


def _read_alternatives(attribute: Attribute, raw: Any) -> Knowledge:
    if not isinstance(raw, list) or not raw:
        raise _fault(
            "empty-alternatives", "'one_of' of '{name}' lists at least one value", "/one_of", name=attribute.name
        )
    if len(raw) > _MOST_ALTERNATIVES:
        sentence = "'one_of' of '{name}' lists {count} values; at most {most} are taken"
        raise _fault("over-limit", sentence, "/one_of", name=attribute.name, count=len(raw), most=_MOST_ALTERNATIVES)
    faults: list[Fault] = []
    values: dict[Value, None] = {}
    for place, item in enumerate(raw):
        try:
            values[_read_value(attribute, item)] = None
        except Invalid as refusal:
            faults.extend(refusal.under(f"/one_of/{place}").faults)
    if faults:
        raise Invalid(faults)
    return Among(tuple(values))


def _read_range(attribute: Attribute, raw: dict[str, Any]) -> Knowledge:
    if not attribute.is_ordered or attribute.many:
        raise _fault(
            "type",
            "'{name}' is not a number or date, so it has no range",
            hint='use {"one_of": [...]}',
            name=attribute.name,
        )
    faults: list[Fault] = []
    ends: dict[str, Any] = {"from": None, "to": None}
    for name, item in raw.items():
        try:
            end = _read_value(attribute, item)
            if end is NONE:
                raise _fault("form", "an end of a range is a value", hint="leave an open end out")
            ends[name] = end
        except Invalid as refusal:
            faults.extend(refusal.under(f"/{name}").faults)
    if faults:
        raise Invalid(faults)
    low, high = ends["from"], ends["to"]
    if low is not None and high is not None:
        if low > high:
            sentence = "the range of '{name}' runs backwards: from {low} to {high}"
            told = {"name": attribute.name, "low": raw["from"], "high": raw["to"]}
            raise _fault("reversed-range", sentence, hint="put the lower end in 'from'", **told)
        if low == high:
            return Among((low,))
    return Between(low, high)


def _read_subsets(attribute: Attribute, raw: dict[str, Any]) -> Knowledge:
    if not attribute.many:
        sentence = "'{name}' has one value, so it has no list of which some is uncertain"
        raise _fault("type", sentence, hint='use {"one_of": [...]}', name=attribute.name)
    faults: list[Fault] = []
    terms: dict[str, frozenset[str]] = {"has": frozenset(), "perhaps": frozenset()}
    for name, items in raw.items():
        try:
            found = _read_value(attribute, items)
            if not isinstance(found, frozenset):
                raise _fault("form", "`{name}` is a list of texts", hint="leave an empty list out", name=name)
            terms[name] = found
        except Invalid as refusal:
            faults.extend(refusal.under(f"/{name}").faults)
    if faults:
        raise Invalid(faults)
    has, perhaps = terms["has"], terms["perhaps"] - terms["has"]
    if len(has) + len(perhaps) > MOST_TERMS:
        raise _fault(
            "over-limit", "'{name}' takes at most {most} texts", "/perhaps", name=attribute.name, most=MOST_TERMS
        )
    return Subsets(has, perhaps) if perhaps else Among((has,))


def value_kind_of(raw: Any) -> Sentence:
    """What a JSON value is, in words."""
    if isinstance(raw, bool):
        return Sentence("true or false")
    if raw is None:
        return Sentence("null")
    if isinstance(raw, str):
        return Sentence("a text")
    if isinstance(raw, int | float | Decimal):
        return Sentence("a number")
    return Sentence("a list") if isinstance(raw, list) else Sentence("an object")
