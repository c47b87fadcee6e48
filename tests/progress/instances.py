"""Small sets and collections made from a seed."""

from __future__ import annotations

from random import Random
from typing import Any


def without(document: dict[str, Any], name: str) -> dict[str, Any]:
    return {**document, "constraints": [rule for rule in document["constraints"] if rule["id"] != name]}


def a_tight_set(chance: Random) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """A few places that most of a few coins fit, under rules that most answers break."""
    rules = ("year_on_coin < 1903", "grade >= 20", "mint = 'Tower' OR mint = 'Heaton'", "restrike OR grade >= 10")
    ids = [f"slot-{n}" for n in range(chance.randint(2, 4))]
    document: dict[str, Any] = {
        "format": "set-definition/1",
        "title": "A tight set",
        "slots": [{"id": name, "accepts": chance.choice(rules)} for name in ids],
        "one_per": [],
        "free_choice": [],
        "constraints": [],
    }
    for number in range(chance.choice((0, 1, 1, 2, 2, 3))):
        kind = chance.choice(("same", "different", "at_most", "not_elsewhere"))
        by = [chance.choice(("mint", "year_on_coin"))]
        entry: dict[str, Any] = {"id": f"rule-{number}", "kind": kind}
        entry |= {"per": by, "count": chance.randint(0, 2)} if kind == "at_most" else {"by": by}
        if kind == "not_elsewhere" or chance.random() < 0.5:
            entry["places"] = chance.sample(ids, chance.randint(1, len(ids) - 1))
        document["constraints"].append(entry)
    coins = []
    for number in range(chance.randint(2, 4)):
        facts: dict[str, Any] = {
            "year_on_coin": chance.choice((1899, 1900, 1901, {"one_of": [1899, 1905]})),
            "grade": chance.choice((10, 20, 40)),
            "mint": chance.choice(("Tower", "Tower", "Heaton", {"one_of": ["Tower", "Soho"]})),
        }
        if chance.random() < 0.15:
            del facts[chance.choice(sorted(facts))]
        coin = {"id": f"coin-{number}", "facts": facts, "quantity": chance.choice((1, 1, 1, 2))}
        coins.append({**coin, "status": "sold"} if chance.random() < 0.05 else coin)
    return document, coins
