"""The same question has the same bytes for an answer: under two hash seeds, shuffled, and while others load the machine."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Running
from tests.progress.fingerprints import INSTANCES, an_instance, fingerprint, fingerprints
from tests.promises.plugin import Promise

ROOT = Path(__file__).resolve().parents[2]
NAME = "evaluations under two hash seeds, a busy machine, shuffled"


@cache
def elsewhere(hash_seed: str, *, by_hash: bool = False) -> tuple[str, ...]:
    """The fingerprints in a new interpreter with this seed for its hashes."""
    code = f"from tests.progress.fingerprints import fingerprints; print('\\n'.join(fingerprints(by_hash={by_hash})))"
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed}
    ended = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=environment, capture_output=True, text=True, timeout=200, check=True
    )
    return tuple(ended.stdout.split())


def differing_by_hash() -> int:
    """The control: how many answers differ that list their members by hash."""
    pairs = zip(elsewhere("0", by_hash=True), elsewhere("4242", by_hash=True), strict=True)
    return sum(one != other for one, other in pairs)


def burn(stop: Any) -> None:
    while not stop.is_set():
        sum(range(10_000))


@pytest.mark.long
@pytest.mark.process
def test_two_hash_seeds_and_a_busy_machine_give_the_same_bytes(promise: Promise) -> None:
    here = tuple(fingerprints())
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
    differing = differing_by_hash()
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
    # The control: the same inputs, without the API.
    differing = differing_by_hash()
    assert differing > 0
    promise(
        11,
        "stored coins evaluated through the API",
        kept=f"{INSTANCES} inputs, SHA-256 equal on both engines",
        control=f"listed by hash, without the API: {differing} of {INSTANCES} differ",
        same=one,
    )
