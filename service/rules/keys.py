"""Keys of one-per groups (rules.md, section 10): one value, or one for each of several attributes; a number may be cut into
spans or named bands, and "known to be none" may be a key of its own. How a key is addressed, labelled, ordered and tested.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any

from service.errors import Fault, Invalid, Sentence
from service.facts.attributes import Attribute
from service.facts.kinds import read_fact
from service.facts.knowledge import (
    NONE,
    Among,
    Between,
    Knowledge,
    Subsets,
    Value,
    exact,
    is_possible,
    value_as_json,
    value_in_words,
)
from service.facts.vocabulary import Vocabulary
from service.facts.words import nearest
from service.rules.predicates import Comparison, IsNull, Narrower, OneOf, Or, Predicate, SetComparison, Within, all_of
from service.rules.terms import Const, Ref

Key = tuple[Value, ...]
"""One value for each attribute of the group; a span is its lower bound, a named band its name."""

KEY_TYPES = ("text", "integer", "boolean", "date")
"""The types whose values are keys as they are; other numbers have to be cut into spans or bands."""


@dataclass(frozen=True, slots=True)
class Band:
    """Values from one to another, both included, under a name; None leaves that end open."""

    key: str
    span: Between


@dataclass(frozen=True, slots=True)
class KeyPart:
    """One attribute of a key. `band` cuts its numbers into spans of that width, `bands` into named ones; `none`: known to
    be none is a key too. `terms`: the vocabulary whose narrower terms count for a key, where the keys are its concepts."""

    attribute: str
    band: int | Fraction | None = None
    bands: tuple[Band, ...] = ()
    none: bool = False
    terms: str | None = None

    @property
    def is_plain(self) -> bool:
        """Whether a key is the value itself."""
        return self.band is None and not self.bands

    def keys_of(self, value: Value) -> Iterator[Value]:
        """The keys that a coin with this value shows: each text of a list, each band that has it."""
        if value is NONE:
            yield from (NONE,) if self.none else ()
        elif isinstance(value, frozenset):
            yield from sorted(value)
        elif self.band is not None:
            yield lower_bound(value, self.band)
        elif self.bands:
            yield from (band.key for band in self.bands if is_possible(value, band.span))
        else:
            yield value

    def shown_by(self, knowledge: Knowledge | None) -> Sequence[Value]:
        """The keys that are known or declared; a range or an unknown fact shows none."""
        if isinstance(knowledge, Subsets):
            return sorted(knowledge.every)
        values = knowledge.values if isinstance(knowledge, Among) else ()
        return list(dict.fromkeys(key for value in values for key in self.keys_of(value)))

    def order(self, key: Value) -> tuple[bool, Any]:
        """By value, none last; named bands in the order given."""
        if key is NONE:
            return True, 0
        if self.bands:
            return False, next((at for at, band in enumerate(self.bands) if band.key == key), len(self.bands))
        return False, key

    # -- what a coin must be

    def test(self, key: Value, attribute: Attribute, spellings: Iterable[str] = ()) -> tuple[str, Predicate]:
        """The rule for a coin of the key, as text and as a predicate. `spellings` are other texts for the same key."""
        name = self.attribute
        if key is NONE:
            return f"{name} IS NULL", IsNull(Ref(name))
        if self.band is not None:
            return _span_test(name, key, self.band, whole=attribute.type == "integer")
        if self.bands:
            return _band_test(name, next(band.span for band in self.bands if band.key == key))
        if self.terms is not None:
            return f"narrower({name}, {_quoted(key)})", Narrower(name, str(key), self.terms)
        texts = list(dict.fromkeys([key, *spellings]))
        if attribute.many:
            tests = [SetComparison("a_contains", Ref(name), Const(frozenset((str(text),)))) for text in texts]
            words = [f"A_CONTAINS({name}, ({_quoted(text)}))" for text in texts]
            return " OR ".join(words), tests[0] if len(tests) == 1 else Or(tuple(tests))
        if len(texts) > 1:
            return f"{name} IN ({', '.join(map(_quoted, texts))})", OneOf(Ref(name), tuple(map(Const, texts)))
        return f"{name} = {_quoted(key)}", Comparison("=", Ref(name), Const(key))

    # -- in words, and as addressed

    def label(self, key: Value, attribute: Attribute, vocabularies: Mapping[str, Vocabulary]) -> str:
        """The key for people: the label of a term, the ends of a span."""
        if self.band is not None and key is not NONE:
            return _span_label(key, self.band, whole=attribute.type == "integer")
        if isinstance(key, str) and not self.bands:
            scheme = vocabularies.get(self.terms or attribute.vocabulary or "")
            concept = scheme.concepts.get(key) if scheme else None
            return concept.label if concept else key
        return value_in_words(key)

    def read(self, raw: Any, attribute: Attribute) -> Value:
        """A listed key from JSON. Raises Invalid with pointers relative to it."""
        if raw == {"none": True}:
            return NONE
        if self.bands:
            names = [band.key for band in self.bands]
            if raw not in names:
                near = nearest(raw, names) if isinstance(raw, str) else None
                hint = (
                    Sentence("did you mean '{near}'?", near=near)
                    if near
                    else Sentence("its bands: {listed}", listed=", ".join(names))
                )
                raise Invalid([Fault.of("keys", "'{name}' has no such band here", hint=hint, name=attribute.name)])
            return str(raw)
        known = read_fact(replace(attribute, many=False), raw)
        if not isinstance(known, Among) or not known.is_plain:
            raise Invalid([Fault("keys", "a key is one value, or known to be none")])
        key = known.values[0]
        if self.band is not None and lower_bound(key, self.band) != key:
            near = value_in_words(lower_bound(key, self.band))
            message = Sentence("spans of {band} begin at multiples of it", band=value_in_words(self.band))
            raise Invalid(
                [Fault("keys", message, hint=Sentence("the key of the span is its lower bound: {near}", near=near))]
            )
        return key


def lower_bound(value: Any, width: int | Fraction) -> Value:
    """Where the span begins that has the number: a multiple of the width."""
    return exact(Fraction(value // width * width))


def _quoted(key: Value) -> str:
    if isinstance(key, str):
        return "'" + key.replace("'", "''") + "'"
    if isinstance(key, bool):
        return str(key).upper()
    if isinstance(key, datetime):
        return f"TIMESTAMP('{value_as_json(key)}')"
    return f"DATE('{key.isoformat()}')" if isinstance(key, date) else str(value_as_json(key))


def _span_test(name: str, low: Any, width: int | Fraction, *, whole: bool) -> tuple[str, Predicate]:
    high = exact(Fraction(low + width))
    if whole:
        return f"{name} BETWEEN {low} AND {high - 1}", Within(Ref(name), Const(low), Const(high - 1))
    ends = Comparison(">=", Ref(name), Const(low)), Comparison("<", Ref(name), Const(high))
    return f"{name} >= {_quoted(low)} AND {name} < {_quoted(high)}", all_of(*ends)


def _span_label(low: Any, width: int | Fraction, *, whole: bool) -> str:
    if not whole:
        return f"{value_in_words(low)} to less than {value_in_words(exact(Fraction(low + width)))}"
    return str(low) if width == 1 else f"{low}-{low + width - 1}"


def _band_test(name: str, span: Between) -> tuple[str, Predicate]:
    low, high = span.low, span.high
    if low is not None and high is not None:
        return (
            f"{name} BETWEEN {_quoted(low)} AND {_quoted(high)}",
            Within(Ref(name), Const(low), Const(high)),
        )
    if low is not None:
        return f"{name} >= {_quoted(low)}", Comparison(">=", Ref(name), Const(low))
    assert high is not None
    return f"{name} <= {_quoted(high)}", Comparison("<=", Ref(name), Const(high))


# --- whole keys ----------------------------------------------------------------------------------------------------------


def key_as_json(key: Key) -> Any:
    """The key as it stands in JSON: the value of a single attribute, else a list."""
    values = [value_as_json(value) for value in key]
    return values[0] if len(values) == 1 else values


def key_in_words(key: Key) -> str:
    """The key for messages: its values as they are recorded."""
    return ", ".join(map(value_in_words, key))


def key_address(key: Key) -> str:
    """The key as the end of a place's address: its values apart by `/`, each escaped."""
    return "/".join(map(_step, key))


def _step(value: Value) -> str:
    """One value inside an address: `/` is `%2F`, `%` is `%25`, none is `none`, the text "none" `%6Eone`."""
    if value is NONE:
        return "none"
    if value == "none":
        return "%6Eone"
    if isinstance(value, str):
        return value.replace("%", "%25").replace("/", "%2F")
    return str(value).lower() if isinstance(value, bool) else str(value_as_json(value))


def key_at(address: str, parts: Sequence[KeyPart], attributes: Mapping[str, Attribute]) -> Key | None:
    """The key that an address ends in; None where it is no key of these attributes, or is not written as an address is."""
    steps = address.split("/")
    if len(steps) != len(parts):
        return None
    found: list[Value] = []
    for step, part in zip(steps, parts, strict=True):
        attribute = attributes[part.attribute]
        try:
            found.append(part.read(_raw(step, "text" if part.bands else attribute.type), attribute))
        except Invalid:
            return None
    key = tuple(found)
    return key if key_address(key) == address else None


def _raw(step: str, type_: str) -> Any:
    if step == "none":
        return {"none": True}
    if type_ == "boolean":
        return {"true": True, "false": False}.get(step)
    if type_ in ("integer", "decimal"):
        try:
            return Decimal(step) if type_ == "decimal" else int(step)
        except (ValueError, ArithmeticError):
            return None
    return "none" if step == "%6Eone" else step.replace("%2F", "/").replace("%25", "%")


def in_key_order(keys: Iterable[Key], parts: Sequence[KeyPart]) -> list[Key]:
    """Sorted by value, attribute by attribute; none last, named bands in the order given."""
    return sorted(keys, key=lambda key: [part.order(value) for part, value in zip(parts, key, strict=True)])
