"""One physical piece owned (or several like ones), and all that may be so of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from service.errors import Fault, Invalid, Sentence
from service.facts.attributes import Attribute, Attributes
from service.facts.kinds import read_fact, value_kind_of
from service.facts.knowledge import Knowledge

STATUSES = ("held", "for trade", "on approval", "ordered", "wanted", "sold", "lost", "stolen")
# A coin for trade is in the collection until it goes, so it counts unless asked otherwise.
HELD = frozenset(("held", "for trade"))
MARKS = ("keep", "replace")
MOST_FACTS = 500
MOST_PIECES = 10_000
MOST_CANDIDATE_ISSUES = 50

Facts = Mapping[str, Knowledge]


@dataclass(frozen=True, slots=True)
class Holding:
    """`issues`: the catalogue entries that it may be (one: that one; none: not named). `quantity` like pieces. `number` is
    the owner's own, for messages. `mark` is one of MARKS, for want lists."""

    id: str
    facts: Facts
    issues: tuple[str, ...] = ()
    quantity: int = 1
    status: str = "held"
    number: str | None = None
    mark: str | None = None


@dataclass(frozen=True, slots=True)
class View:
    """One thing that the piece may be: its own facts, behind them those of one candidate issue, and behind these what is
    presumed: `presumed` has the entry that each presumed fact is from. `identified`: the issue is not named, but follows from
    the facts."""

    facts: Facts
    issue: str | None = None
    own: frozenset[str] = frozenset()
    presumed: Mapping[str, Any] = field(default_factory=dict)
    identified: bool = False

    def source_of(self, name: str) -> Literal["holding", "issue", "identified", "presumed"]:
        """Where a fact came from."""
        if name in self.presumed:
            return "presumed"
        if name in self.own or self.issue is None:
            return "holding"
        return "identified" if self.identified else "issue"


def read_facts(raw: Any, attributes: Attributes, *, strict: bool) -> tuple[Facts, list[Fault]]:
    """Facts from JSON, with all that is wrong with them (pointers relative to the facts).

    `strict` refuses an attribute that is not in the table; otherwise it is checked in form only and left out.
    """
    if not isinstance(raw, dict):
        return {}, [
            Fault.of("type", "facts are an object of attributes and values, not {kind}", kind=value_kind_of(raw))
        ]
    facts: dict[str, Knowledge] = {}
    faults: list[Fault] = []
    issuer = raw.get("issuer")
    for name, value in raw.items():
        attribute = attributes.of_issuer(name, issuer)
        pointer = f"/{pointer_step(name)}"
        try:
            if attribute is not None:
                facts[name] = read_fact(attribute, value)
            elif strict:
                raise Invalid([unknown_attribute(name, attributes)])
            else:
                _check_form(name, value)
        except Invalid as refusal:
            faults.extend(refusal.under(pointer).faults)
    return facts, faults


def check_facts(raw: Any, attributes: Attributes, *, strict: bool) -> list[Fault]:
    """All that is wrong with facts in JSON (pointers relative to the facts)."""
    return read_facts(raw, attributes, strict=strict)[1]


def unknown_attribute(name: str, attributes: Attributes) -> Fault:
    """The complaint about a name that is no attribute, with the nearest one that is."""
    near = attributes.nearest(name)
    shown = name[:80]
    question = Sentence(": did you mean '{near}'?", near=near) if near else ""
    hint = None if near else "declare it under `attributes` of the definition, or see /v1/attributes"
    return Fault.of(
        "unknown-attribute", "unknown attribute '{name}'{question}", hint=hint, name=shown, question=question
    )


def _check_form(name: str, value: Any) -> None:
    """An attribute that no table knows keeps any well-formed value: it may be declared by a definition to come."""
    if isinstance(value, dict) and value and set(value) <= {"has", "perhaps"}:
        read_fact(Attribute(name, "text", many=True), value)
        return
    plain = value["one_of"] if isinstance(value, dict) and set(value) == {"one_of"} else [value]
    sample = plain[0] if isinstance(plain, list) and plain else plain
    if isinstance(sample, dict) and set(sample) <= {"from", "to"} and sample:
        sample = next(iter(sample.values()))
    guess = "boolean" if isinstance(sample, bool) else "text" if isinstance(sample, str | list | dict) else "decimal"
    read_fact(Attribute(name, guess, many=isinstance(sample, list)), value)


def read_holdings(raw: Any, attributes: Attributes, *, strict: bool) -> tuple[Holding, ...]:
    """Holdings from JSON. Raises Invalid with every fault, pointers relative to the list."""
    if not isinstance(raw, list):
        raise Invalid([Fault.of("type", "holdings are a list, not {kind}", kind=value_kind_of(raw))])
    faults: list[Fault] = []
    holdings: list[Holding] = []
    seen: dict[str, int] = {}
    for place, item in enumerate(raw):
        holding, wrong = read_holding(item, attributes, strict=strict)
        faults.extend(fault.under(f"/{place}") for fault in wrong)
        if holding is None:
            continue
        if holding.id in seen:
            message = Sentence(
                "the id '{id}' stands at two holdings, {seen} and {place}",
                id=holding.id,
                seen=seen[holding.id],
                place=place,
            )
            faults.append(Fault("clashing-id", message, f"/{place}/id", "give every holding an id of its own"))
        seen.setdefault(holding.id, place)
        holdings.append(holding)
    if faults:
        raise Invalid(faults)
    return tuple(holdings)


_OWNERS_FIELDS = (
    *("number", "note", "location", "tags", "values", "owner"),
    *("mark", "price_paid", "bought_from", "bought_on", "photos"),
)


def read_holding(raw: Any, attributes: Attributes, *, strict: bool) -> tuple[Holding | None, list[Fault]]:
    """One holding from JSON, with all that is wrong with it."""
    if not isinstance(raw, dict):
        return None, [Fault.of("type", "a holding is an object, not {kind}", kind=value_kind_of(raw))]
    faults = list(_unknown_fields(raw))
    identity = raw.get("id")
    if not isinstance(identity, str) or not 1 <= len(identity) <= 200:
        faults.append(Fault("id", "a holding has an `id`: a text of 1 to 200 characters", "/id"))
        identity = "?"
    facts, wrong = read_facts(raw.get("facts", {}), attributes, strict=strict)
    faults.extend(fault.under("/facts") for fault in wrong)
    quantity = raw.get("quantity", 1)
    if isinstance(quantity, bool) or not isinstance(quantity, int) or not 1 <= quantity <= MOST_PIECES:
        faults.append(
            Fault.of("quantity", "`quantity` is a whole number from 1 to {most}", "/quantity", most=MOST_PIECES)
        )
        quantity = 1
    status = raw.get("status", "held")
    if status not in STATUSES:
        faults.append(Fault.of("status", "`status` is one of: {listed}", "/status", listed=", ".join(STATUSES)))
        status = "held"
    issues, wrong = _read_issue(raw.get("issue"))
    faults.extend(wrong)
    mark = raw.get("mark")
    if mark is not None and mark not in MARKS:
        faults.append(Fault.of("mark", "`mark` is one of: {listed}", "/mark", listed=", ".join(MARKS)))
        mark = None
    number = raw.get("number") if isinstance(raw.get("number"), str) else None
    return Holding(identity, facts, issues, quantity, status, number, mark), faults


def _unknown_fields(raw: Mapping[str, Any]) -> Iterator[Fault]:
    known = ("id", "facts", "issue", "quantity", "status", *_OWNERS_FIELDS)
    for name in raw:
        if name not in known:
            hint = "facts of the coin stand inside `facts`" if name in ("grade", "year_on_coin", "issuer") else None
            yield Fault.of(
                "unknown-field", "a holding has no field '{name}'", f"/{pointer_step(name)}", hint, name=name[:80]
            )


def _read_issue(raw: Any) -> tuple[tuple[str, ...], list[Fault]]:
    if raw is None:
        return (), []
    if isinstance(raw, str) and raw:
        return (raw,), []
    if isinstance(raw, dict) and set(raw) == {"one_of"}:
        names: Sequence[Any] = raw["one_of"] if isinstance(raw["one_of"], list) else ()
        if 1 <= len(names) <= MOST_CANDIDATE_ISSUES and all(isinstance(name, str) and name for name in names):
            return tuple(dict.fromkeys(names)), []
        message = Sentence("`one_of` lists 1 to {most} ids of catalogue issues", most=MOST_CANDIDATE_ISSUES)
        return (), [Fault("empty-alternatives", message, "/issue/one_of")]
    return (), [Fault("type", '`issue` is the id of a catalogue issue, or {"one_of": [ids]}', "/issue")]


def pointer_step(name: str) -> str:
    """A member's name as one step of a JSON pointer (RFC 6901)."""
    return name.replace("~", "~0").replace("/", "~1")
