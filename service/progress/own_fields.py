"""What an owner notes of a coin beside its facts (number, tags, price paid, ...), as a filter of holdings reads it. Pure.

Own fields are the owner's, so they are never unknown: one that is empty is known to be none, and `note IS NULL` finds it. A fact
with the name of an own field is `facts.NAME`, as in sync.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from service.errors import Fault, Invalid
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import MARKS, STATUSES, View
from service.facts.knowledge import NONE, Among, Knowledge, Value, exact
from service.holdings.model import StoredHolding
from service.rules.cql2.expression import Expression

OWN_FIELDS = Attributes(
    (
        Attribute("number", "text", label="Own number"),
        Attribute("note", "text", label="Note"),
        Attribute("location", "text", label="Where it is kept"),
        Attribute("tags", "text", many=True, label="Tags"),
        Attribute("status", "text", values=STATUSES, label="Status"),
        Attribute("mark", "text", values=MARKS, label="Mark"),
        Attribute("quantity", "integer", low=1, label="Like pieces"),
        Attribute("issue", "text", label="Id of the catalogue issue"),
        Attribute("price_paid", "decimal", low=0, label="Price paid, the amount for one piece"),
        Attribute("price_currency", "text", label="Currency of the price paid"),
        Attribute("bought_from", "text", label="Bought from"),
        Attribute("bought_on", "date", label="Bought on"),
    )
)
PRICES = ("price_paid", "price_currency")
_DEFAULTS: Mapping[str, Value] = {"status": "held", "quantity": 1}
_FACT_PREFIX = "facts."
_SET = "set"


def filter_attributes(attributes: Attributes) -> Attributes:
    """Facts and own fields in one table."""
    facts = [replace(entry, name=_fact_name(name)) for name, entry in attributes.items()]
    return Attributes([*facts, *OWN_FIELDS.values()])


def _fact_name(name: str) -> str:
    return f"{_FACT_PREFIX}{name}" if name in OWN_FIELDS else name


def fact_of_filter(name: str) -> str:
    """The fact that a filter calls so."""
    fact = name.removeprefix(_FACT_PREFIX)
    return fact if fact in OWN_FIELDS else name


def filter_views(stored: StoredHolding, views: Sequence[View]) -> tuple[View, ...]:
    """All that the coin may be, with the own fields."""
    own = own_knowledge(stored.data)
    return tuple(
        View({**{_fact_name(name): known for name, known in view.facts.items()}, **own}, view.issue, view.own)
        for view in views
    )


def own_knowledge(data: Mapping[str, Any]) -> dict[str, Knowledge]:
    """The own fields of a holding by their names in a filter."""
    return {name: known_of_own(name, data) for name in OWN_FIELDS}


def known_of_own(name: str, data: Mapping[str, Any]) -> Knowledge:
    """One of them."""
    if name == "issue":
        issue = data.get("issue")
        issues = issue["one_of"] if isinstance(issue, Mapping) else [issue] if issue else []
        return Among(tuple(issues) or (NONE,))
    value = _plain(name, data)
    return Among((NONE if value is None else value,))


def _plain(name: str, data: Mapping[str, Any]) -> Value | None:
    if name in PRICES:
        price = paid(data)
        if price is None:
            return None
        return exact(price["amount"]) if name == "price_paid" else str(price["currency"])
    if name == "tags":
        return frozenset(data.get("tags") or ())
    if name == "bought_on":
        day = data.get(name)
        return None if day is None else date.fromisoformat(day)
    value: Value | None = data.get(name, _DEFAULTS.get(name))
    return value


def paid(data: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The price paid: the own field, or else the newest value of the basis `paid`; None where neither is recorded."""
    if data.get("price_paid") is not None:
        price: Mapping[str, Any] = data["price_paid"]
        return price
    values = [value for value in data.get("values") or () if value["basis"] == "paid"]
    return max(values, key=lambda value: value.get("on") or "", default=None)


# --- places --------------------------------------------------------------------------------------------------------------


def with_places(expression: Expression) -> tuple[Expression, Mapping[str, str]]:
    """The rule with each `set('ID')` as an attribute, and the ids of the definitions by the names of these attributes. Raises
    Invalid where the argument is not one text."""
    found = _Places(expression)
    tree = found.replaced(expression.json, "")
    if found.faults:
        raise Invalid(found.faults)
    return (replace(expression, json=tree), found.named) if found.named else (expression, {})


@dataclass(frozen=True, slots=True)
class _Places:
    """Each `set('ID')` of a rule: the ids by the names of the attributes that stand for them, and what is wrong."""

    expression: Expression
    named: dict[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def replaced(self, node: Any, at: str) -> Any:
        """A part of the rule, whose pointer is `at`, with attributes instead."""
        if isinstance(node, list):
            return [self.replaced(item, f"{at}/{number}") for number, item in enumerate(node)]
        if not isinstance(node, dict):
            return node
        if node.get("op") != _SET:
            return {name: self.replaced(part, f"{at}/{name}") for name, part in node.items()}
        args = node.get("args")
        if not isinstance(args, list) or len(args) != 1 or not isinstance(args[0], str):
            where = self.expression.positions.get(at)
            place = (None, None) if where is None else (where.line, where.column)
            hint = "for example set('0191d7c0-0000-7000-8000-000000000001') = 'old'"
            self.faults.append(Fault("type", "set(...) takes the id of a definition as a text", at, hint, *place))
            return node
        name = f"{_SET}('{args[0]}')"
        self.named[name] = args[0]
        return {"property": name}


def place_attribute(name: str) -> Attribute:
    """The attribute that stands for `set('ID')`: the address of the place in that set."""
    return Attribute(name, "text", label="The place of the coin in the set")


def pieces(views: tuple[View, ...], quantity: int, places: Mapping[str, Sequence[str]]) -> Iterator[tuple[View, ...]]:
    """The holding's pieces that differ in where they are placed, each as all that it may be. `places` are the addresses that
    pieces of it take, by the attribute of the set; a piece in no place of a set has none there."""
    most = max((len(addresses) for addresses in places.values()), default=0)
    for number in range(min(quantity, most + 1)):
        placed: dict[str, Knowledge] = {
            name: Among((addresses[number] if number < len(addresses) else NONE,)) for name, addresses in places.items()
        }
        yield tuple(View({**view.facts, **placed}, view.issue, view.own) for view in views)


# --- text ----------------------------------------------------------------------------------------------------------------


TEXTS = ("number", "note", "location", "bought_from", "tags", "values")
"""The own fields that have words."""


def folded(text: str) -> str:
    """Without case and accents (full case folding, Unicode 3.13; combining marks taken off)."""
    # Apart first: signs such as № and ₨ have no case, the letters that they stand for have.
    apart = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", text).casefold())
    return "".join(letter for letter in apart if not unicodedata.combining(letter))


def texts_of(name: str, value: Any) -> Iterator[str]:
    """The texts of an own field."""
    if name == "tags":
        yield from (tag for tag in value or () if isinstance(tag, str))
    elif name == "values":
        texts = (one.get(part) for one in value or () for part in ("by", "note"))
        yield from (text for text in texts if isinstance(text, str))
    elif isinstance(value, str):
        yield value
