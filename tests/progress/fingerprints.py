"""Evaluations by number, and the SHA-256 of what each comes to. It imports little, since new interpreters begin with it."""

from __future__ import annotations

import hashlib
import random
from dataclasses import replace
from typing import Any

import msgspec

from service.progress.evaluate import evaluate
from service.progress.result import Evaluation
from tests.factories import a_measurement, bytes_of

MINTS, VALUES = ("Tower", "Heaton", "Kings Norton", "Soho"), ("penny", "crown", "florin")
INSTANCES = 12


def a_fact(chance: random.Random, values: list[Any]) -> Any:
    return {"one_of": chance.sample(values, 2)} if chance.random() < 0.15 else chance.choice(values)


def an_instance(seed: int) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """A set of slots, a free choice and an open group, under set-level rules in every second one."""
    chance = random.Random(seed)
    coins = []
    for number in range(30):
        facts = {
            "denomination": chance.choice(VALUES),
            "year_on_coin": a_fact(chance, list(range(1880, 1900))),
            "mint": a_fact(chance, list(MINTS)),
            "grade": chance.randint(1, 70),
        }
        if chance.random() < 0.1:
            del facts[chance.choice(sorted(facts))]
        coins.append({"id": f"coin-{number:02}", "facts": facts, "quantity": chance.choice((1, 1, 2))})
    slots = [
        {"id": f"slot-{n}", "accepts": f"denomination = '{chance.choice(VALUES)}' AND year_on_coin < {1884 + 2 * n}"}
        for n in range(7)
    ]
    document: dict[str, Any] = {
        "format": "set-definition/1",
        "title": f"Instance {seed}",
        "prefer": [{"highest": "grade"}],
        "slots": slots,
        "free_choice": [{"id": "any", "places": 3, "accepts": "grade > 10", "distinct": ["mint"]}],
        "one_per": [{"id": "mints", "attribute": "mint", "keys": {"from": "holdings"}}],
    }
    if seed % 2:
        document["constraints"] = [
            {"id": "spread", "kind": "at_most", "per": ["mint"], "count": 4},
            {"id": "pair", "kind": "same", "by": ["year_on_coin"], "places": ["slot-0", "slot-1"]},
            {"id": "apart", "kind": "different", "by": ["year_on_coin"], "places": ["slot-2", "slot-3", "slot-4"]},
        ]
    return document, coins


def fingerprint(seed: int, *, shuffled: bool = False, by_hash: bool = False) -> str:
    """Of one evaluation; `shuffled`: of the same coins in another order; `by_hash`: of an answer that lists its members by
    their hash, as none should."""
    document, coins = an_instance(seed)
    request = a_measurement(document, coins)
    if shuffled:
        order = list(request.holdings)
        random.Random(seed + 1).shuffle(order)
        request = replace(request, holdings=tuple(order))
    told = evaluate(request)
    return hashlib.sha256(_listed_by_hash(told) if by_hash else bytes_of(told)).hexdigest()


def fingerprints(*, by_hash: bool = False) -> list[str]:
    """Of all of them."""
    return [fingerprint(seed, by_hash=by_hash) for seed in range(INSTANCES)]


def _listed_by_hash(told: Evaluation) -> bytes:
    return repr(sorted(msgspec.to_builtins(told).items(), key=lambda item: hash(item[0]))).encode()
