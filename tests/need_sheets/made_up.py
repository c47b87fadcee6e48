"""Rules, facts, sets and coins made up from a seed, as JSON: every clause of the language, every form of a fact."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from random import Random
from typing import Any

from tests.strategies import (
    BOOLEANS,
    COMPARISONS,
    DATES,
    DAYS,
    DECLARED,
    KEYED,
    NAMES,
    NUMBERS,
    SETS,
    TEXTS,
    YEARS,
    op,
    ref,
)

VALUES: dict[str, Sequence[Any]] = {
    "year_on_coin": (1898, 1899, 1900, 1901, 1902, 1903),
    "grade": (1, 2, 19, 20, 21, 45, 69, 70),
    "weight_measured": (Decimal("2.4"), Decimal("2.5"), Decimal("2.75"), 3, 4, Decimal("5.05"), Decimal("5.06"), 9),
}
CUTS: dict[str, Sequence[Any]] = {
    "year_on_coin": (*YEARS, 1901, Decimal("1899.5")),
    "grade": (1, 20, 21, 70),
    "weight_measured": (Decimal("2.5"), 3, Decimal("5.05")),
}
TERMS = {"species": ("animal", "bird", "owl", "beast", "griffin"), "main_motifs": ("animal", "bird", "owl", "tree")}


# --- rules ---------------------------------------------------------------------------------------------------------------


def a_rule(chance: Random, names: Sequence[str] = NAMES, *, odd: float = 0.05) -> Any:
    """A rule about up to three of the attributes; `odd` of its clauses are of a kind that no lookup can hold."""
    some = chance.sample(list(names), chance.randint(1, 3))
    return _joined(chance, [_clause(chance, chance.choice(some), odd) for _ in range(chance.randint(1, 5))])


def _joined(chance: Random, parts: list[Any]) -> Any:
    if len(parts) == 1:
        return op("not", parts[0]) if chance.random() < 0.2 else parts[0]
    cut = chance.randint(1, len(parts) - 1)
    made = op(chance.choice(("and", "or")), _joined(chance, parts[:cut]), _joined(chance, parts[cut:]))
    return op("not", made) if chance.random() < 0.15 else made


def _clause(chance: Random, name: str, odd: float) -> Any:
    if chance.random() < odd:
        return _odd(chance, name)
    if chance.random() < 0.1:
        return op("isNull", ref(name))
    if name in BOOLEANS:
        return ref(name) if chance.random() < 0.5 else op(chance.choice(("=", "<>")), ref(name), chance.random() < 0.5)
    if name in NUMBERS:
        return _compared(chance, ref(name), CUTS[name])
    if name in DAYS:
        return _compared(chance, ref(name), [{"date": day} for day in DATES])
    if name in SETS:
        return _about_list(chance, name)
    if name in TERMS and chance.random() < 0.5:
        return op("narrower", ref(name), chance.choice(TERMS[name]))
    if name == "issuer" and chance.random() < 0.4:
        return op("defunct", ref(name))
    if chance.random() < 0.4:
        return op("in", ref(name), chance.sample(TEXTS[name], min(2, len(TEXTS[name]))))
    sides = [ref(name), chance.choice(TEXTS[name])]
    chance.shuffle(sides)
    return op(chance.choice(("=", "<>")), *sides)


def _compared(chance: Random, subject: Any, cuts: Sequence[Any]) -> Any:
    form = chance.random()
    if form < 0.15:
        return op("in", subject, chance.sample(list(cuts), 2))
    if form < 0.3:
        return op("between", subject, *chance.sample(list(cuts), 2))
    sides = [subject, chance.choice(cuts)]
    chance.shuffle(sides)
    return op(chance.choice(COMPARISONS), *sides)


def _about_list(chance: Random, name: str) -> Any:
    form = chance.random()
    if form < 0.3:
        return op(chance.choice(COMPARISONS), op("count", ref(name)), chance.randint(0, 2))
    if form < 0.55 and name in TERMS:
        return op("narrower", ref(name), chance.choice(TERMS[name]))
    kind = chance.choice(("a_contains", "a_containedBy", "a_overlaps", "a_equals"))
    sides = [ref(name), chance.sample(SETS[name], chance.randint(1, 2))]
    if chance.random() < 0.3:
        sides.reverse()
    return op(kind, *sides)


def _odd(chance: Random, name: str) -> Any:
    if name in NUMBERS:
        other = chance.choice([one for one in NUMBERS if one != name])
        form = chance.random()
        if form < 0.3:
            return op("<", ref(name), ref(other))
        return op(chance.choice(COMPARISONS), op(chance.choice(("+", "*")), ref(name), 2), chance.choice(CUTS[name]))
    if name in TEXTS:
        form = chance.random()
        if form < 0.3:
            return op("like", ref(name), chance.choice(("T%", "_ower", "%a%")))
        if form < 0.6:
            return op("=", op("casei", ref(name)), op("casei", chance.choice(TEXTS[name])))
        return op(chance.choice(("<", ">=")), ref(name), chance.choice(TEXTS[name]))
    return op("like", ref("mint"), "T%")


# --- facts ---------------------------------------------------------------------------------------------------------------


def a_value(chance: Random, name: str) -> Any:
    if name in BOOLEANS:
        return chance.random() < 0.5
    if name in DAYS:
        return chance.choice((*DATES, "1950-05-05", "1990-10-01", "2001-01-02"))
    if name in SETS:
        return chance.sample(SETS[name], chance.randint(0, len(SETS[name]) - 1))
    return chance.choice(VALUES.get(name) or TEXTS[name])


def a_fact(chance: Random, name: str) -> Any:
    """What is known of an attribute, in any form."""
    form = chance.random()
    if form < 0.1:
        return {"none": True}
    if form < 0.35:
        options = [a_value(chance, name) for _ in range(chance.randint(1, 3))]
        return {"one_of": [*options, {"none": True}] if chance.random() < 0.2 else options}
    if form < 0.6 and (name in NUMBERS or name in DAYS):
        low, high = sorted((a_value(chance, name), a_value(chance, name)))
        return chance.choice(({"from": low, "to": high}, {"from": low, "to": high}, {"from": low}, {"to": high}))
    if form < 0.6 and name in SETS:
        return {"has": a_value(chance, name), "perhaps": a_value(chance, name)}
    return a_value(chance, name)


def some_facts(chance: Random, names: Sequence[str] = NAMES, known: float = 0.7) -> dict[str, Any]:
    return {name: a_fact(chance, name) for name in names if chance.random() < known}


# --- sets and coins --------------------------------------------------------------------------------------------------------

SIMPLE: tuple[Any, ...] = (
    True,
    op("<", ref("year_on_coin"), 1900),
    op(">=", ref("year_on_coin"), 1900),
    op("between", ref("year_on_coin"), 1899, 1901),
    op("=", ref("mint"), "Tower"),
    op("<>", ref("mint"), "Tower"),
    op("narrower", ref("species"), "bird"),
    op("narrower", ref("species"), "owl"),
    op("or", op("=", ref("mint"), "Heaton"), op("<", ref("year_on_coin"), 1901)),
    op(">=", ref("grade"), 20),
    ref("restrike"),
)
ODD: tuple[Any, ...] = (
    op("between", 1900, ref("grade"), ref("year_on_coin")),
    op("like", ref("mint"), "T%"),
)
FACTS: dict[str, Sequence[Any]] = {
    "year_on_coin": (1899, 1900, 1902, 1899, 1901, {"one_of": [1899, 1902]}, {"from": 1898, "to": 1900}),
    "grade": (10, 20, 40, 40, 55, {"from": 10, "to": 30}, {"one_of": [15, 60]}, {"none": True}),
    "mint": ("Tower", "Heaton", "Tower", {"one_of": ["Tower", "Heaton"]}, {"none": True}),
    "species": ("owl", "kiwi", "tree", "bird", {"one_of": ["owl", "tree"]}),
    "restrike": (True, False),
}
PREFER: tuple[dict[str, Any], ...] = (
    {"highest": "grade"},
    {"lowest": "year_on_coin"},
    {"where": op("=", ref("restrike"), False)},
    {"order": "mint", "values": ["Tower", "Heaton"]},
)
WHERES = (None, "restrike = TRUE", "year_on_coin < 1901")
ISSUES: dict[str, dict[str, Any]] = {
    "issue-1": {"year_on_coin": 1899, "mint": "Tower"},
    "issue-2": {"year_on_coin": {"from": 1900, "to": 1902}, "mint": "Heaton", "species": "owl"},
    "issue-3": {"mint": "Tower", "species": "kiwi", "grade": 40},
    "issue-4": {"year_on_coin": 1899, "mint": "Tower", "species": "bird"},
    "issue-5": {"year_on_coin": {"one_of": [1900, 1901]}, "weight_measured": Decimal("2.5")},
}


def a_set(chance: Random, *, with_rules: bool) -> dict[str, Any]:
    """A small set of places of every kind."""
    document: dict[str, Any] = {
        "format": "set-definition/1",
        "title": "A small set",
        "attributes": DECLARED,
        "prefer": _preferences(chance),
        "slots": [],
        "one_per": [],
        "free_choice": [],
        "constraints": [],
    }
    accepted = (*SIMPLE, *ODD) if chance.random() < 0.1 else SIMPLE
    for number in range(chance.randint(1, 4)):
        entry = {"id": f"slot-{number}", "accepts": chance.choice(accepted), "tier": _tier(chance)}
        document["slots"].append({**entry, "prefer": _preferences(chance)} if chance.random() < 0.2 else entry)
    extra = chance.randint(0, 4)
    if extra == 1:
        keys = chance.choice(
            (
                {"from": "holdings"},
                {"from": "list", "values": ["owl", "tree"]},
                {"from": "vocabulary", "name": "motifs", "level": {"children_of": "animal"}},
            )
        )
        document["one_per"].append({"id": "kinds", "attribute": "species", "keys": keys, "tier": _tier(chance)})
    if extra == 2:
        document["one_per"].append({"id": "keyed", **chance.choice(KEYED), "tier": _tier(chance)})
    if extra > 2:
        choice = {
            "id": "any",
            "places": chance.randint(2, 3),
            "accepts": chance.choice(accepted),
            "tier": _tier(chance),
        }
        if with_rules and chance.random() < 0.5:
            choice["distinct"] = [chance.choice(("mint", "year_on_coin"))]
        document["free_choice"].append(choice)
    if chance.random() < 0.2:
        document["scope"] = chance.choice(accepted)
    if chance.random() < 0.3:
        document["presume"] = [_presumption(chance) for _ in range(chance.randint(1, 3))]
    if chance.random() < 0.25:
        document["identify"] = [{"where": chance.choice(("restrike = FALSE", "year_on_coin < 1902"))}]
    if with_rules:
        ids = [entry["id"] for kind in ("slots", "one_per", "free_choice") for entry in document[kind]]
        document["constraints"] = [_constraint(chance, n, ids) for n in range(chance.randint(0, 2))]
    return document


def _tier(chance: Random) -> str:
    return chance.choice(("required", "required", "optional"))


def _preferences(chance: Random) -> list[dict[str, Any]]:
    return [dict(one) for one in chance.sample(PREFER, chance.randint(0, 2))]


def _presumption(chance: Random) -> dict[str, Any]:
    choices = {"grade": (20, {"none": True}), "mint": ("Tower", {"none": True}), "species": ("owl", "bird")}
    names = chance.sample(sorted(choices), chance.randint(1, 2))
    entry: dict[str, Any] = {"facts": {name: chance.choice(choices[name]) for name in names}}
    where = chance.choice(WHERES)
    return entry if where is None else {"where": where, **entry}


def _constraint(chance: Random, number: int, ids: Sequence[str]) -> dict[str, Any]:
    by = chance.choice((["mint"], ["year_on_coin"], ["mint", "year_on_coin"]))
    kind = chance.choice(("same", "different", "at_most", "at_most", "not_elsewhere", "at_least", "matches"))
    entry: dict[str, Any] = {"id": f"rule-{number}", "kind": kind}
    if kind == "not_elsewhere" or chance.random() < 0.6:
        entry["places"] = chance.sample(list(ids), chance.randint(1, min(3, len(ids))))
    if kind == "matches":
        return {**entry, "by": by, "place": "slot-0"}
    if kind not in ("at_most", "at_least"):
        return {**entry, "by": by}
    where = {"where": op("<", ref("year_on_coin"), 1901)}
    counted = where if kind == "at_least" or chance.random() < 0.4 else {"per": by}
    return {**entry, "count": chance.randint(0, 2), **counted}


def a_coin(chance: Random, identity: str, *, plain: float = 0.6) -> dict[str, Any]:
    """A coin; `plain` of its facts are values."""
    facts = {}
    for name, options in FACTS.items():
        if chance.random() < 0.75:
            values = [one for one in options if not isinstance(one, dict)]
            facts[name] = chance.choice(values if chance.random() < plain else options)
    return {"id": identity, "facts": facts}


def a_collection(chance: Random, most: int = 7) -> list[dict[str, Any]]:
    coins = [a_coin(chance, f"coin-{n}", plain=0.8) for n in range(chance.randint(0, most))]
    chance.shuffle(coins)
    return [{**coin, "quantity": 2} if chance.random() < 0.1 else coin for coin in coins]
