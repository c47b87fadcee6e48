"""The same question has the same bytes for an answer: under two hash seeds, shuffled, and while others load the machine."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import random
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service.progress.evaluate import evaluate
from tests.conftest import Running
from tests.factories import a_measurement, bytes_of
from tests.promises.plugin import Promise

ROOT = Path(__file__).resolve().parents[2]
MINTS, VALUES = ("Tower", "Heaton", "Kings Norton", "Soho"), ("penny", "crown", "florin")
INSTANCES = 12
NAME = "evaluations under two hash seeds, a busy machine, shuffled"
# The same with an answer that lists its members by their hash.
BY_HASH = """
import msgspec
from tests.progress import test_determinism as tests
tests.bytes_of = lambda told: repr(sorted(msgspec.to_builtins(told).items(), key=lambda item: hash(item[0]))).encode()
print("\\n".join(tests.fingerprints()))
"""


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


def fingerprint(seed: int, *, shuffled: bool = False) -> str:
    document, coins = an_instance(seed)
    request = a_measurement(document, coins)
    if shuffled:
        order = list(request.holdings)
        random.Random(seed + 1).shuffle(order)
        request = replace(request, holdings=tuple(order))
    return hashlib.sha256(bytes_of(evaluate(request))).hexdigest()


def fingerprints() -> list[str]:
    return [fingerprint(seed) for seed in range(INSTANCES)]


def elsewhere(
    hash_seed: str,
    code: str = "from tests.progress.test_determinism import fingerprints; print('\\n'.join(fingerprints()))",
) -> list[str]:
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed}
    ended = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=environment, capture_output=True, text=True, timeout=200, check=True
    )
    return ended.stdout.split()


def burn(stop: Any) -> None:
    while not stop.is_set():
        sum(range(10_000))


@pytest.mark.process
def test_two_hash_seeds_and_a_busy_machine_give_the_same_bytes(promise: Promise) -> None:
    here = fingerprints()
    assert len(set(here)) == INSTANCES, "the instances hardly differ, so this test would see nothing"
    assert elsewhere("0") == here
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    busy = [context.Process(target=burn, args=(stop,), daemon=True) for _ in range(2)]
    for process in busy:
        process.start()
    try:
        assert elsewhere("4242") == here
    finally:
        stop.set()
        for process in busy:
            process.join(timeout=10)
    promise(11, NAME, kept=f"{INSTANCES} inputs, 0 differ")


@pytest.mark.process
def test_an_answer_in_the_order_of_hashes_is_seen(promise: Promise) -> None:
    # The control of the test above.
    one, other = elsewhere("0", BY_HASH), elsewhere("4242", BY_HASH)
    differing = sum(a != b for a, b in zip(one, other, strict=True))
    assert differing > 0
    promise(11, NAME, control=f"listed by hash: {differing} of {INSTANCES} differ")


def test_shuffled_coins_give_the_same_bytes() -> None:
    for seed in range(INSTANCES):
        assert fingerprint(seed) == fingerprint(seed, shuffled=True)


@pytest.mark.anyio
async def test_both_engines_give_the_same_bytes(service: Running, promise: Promise) -> None:
    """The hashes of all answers are recorded; whoever puts the sessions of both engines together compares them."""
    today = "2026-11-25"

    async def answers(name: str) -> dict[str, str]:
        found = {}
        for seed in range(INSTANCES):
            document, coins = an_instance(seed)
            owner = service.collector()
            mutations = [
                {
                    "mutation_id": f"00000000-0000-7000-9000-{seed:06}{number:06}",
                    "op": "create",
                    "id": f"00000000-0000-7000-8000-{seed:06}{number:06}",
                    "patch": {
                        f"facts.{fact}" if fact == "number" else fact: value for fact, value in coin["facts"].items()
                    }
                    | {"quantity": coin["quantity"]},
                    "edited_at": f"{today}T12:00:00Z",
                }
                for number, coin in enumerate(coins)
            ]
            body = {"client_id": "one", "mutations": mutations}
            sent = await service.client.post("/v1/holdings/sync", json=body, headers=owner)
            assert {one["status"] for one in sent.json()["responses"]} == {"applied"}, sent.text
            made = await service.client.post("/v1/definitions", json={"document": document}, headers=owner)
            where = made.headers["location"]
            answer = await service.client.get(f"{where}/evaluation?today={today}", headers=owner)
            assert answer.status_code == 200, answer.text
            told = answer.content.replace(made.json()["id"].encode(), b"the definition")
            found[f"{name} {seed}"] = hashlib.sha256(told).hexdigest()
        return found

    one = await answers("input")
    assert await answers("input") == one
    assert len(set(one.values())) == INSTANCES
    # The control: the same inputs, and answers that list their members by hash, without the API.
    differing = sum(a != b for a, b in zip(elsewhere("0", BY_HASH), elsewhere("4242", BY_HASH), strict=True))
    assert differing > 0
    promise(
        11,
        "stored coins evaluated through the API",
        kept=f"{INSTANCES} inputs, SHA-256 equal on both engines",
        control=f"listed by hash, without the API: {differing} of {INSTANCES} differ",
        same=one,
    )
