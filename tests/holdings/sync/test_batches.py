"""What batches do at once is what was done one by one: the ways of before are kept here as the reference."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection

from service.database.engine import Database
from service.database.ids import new_id
from service.database.types import written
from service.errors import Fault, Invalid
from service.facts.core_attributes import CORE
from service.facts.holding import check_facts
from service.holdings.model import OWN_FIELDS, read_fields
from service.holdings.sync.actions import checking, synchronise
from service.holdings.sync.apply import SentMutation
from service.holdings.sync.field_names import as_told, fact_of, flattened, kept_values, unflattened
from service.holdings.sync.fingerprints import former_fingerprint_of
from service.holdings.sync.merge import CREATE, DESTROY, UPDATE, Mutation
from service.holdings.sync.record import in_words
from service.holdings.sync.store import SyncStore
from tests.owners import open_account, recognise
from tests.strategies import examples

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)

scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**53), 2**53),
    st.decimals(allow_nan=False, allow_infinity=False, places=2, min_value=-9, max_value=9),
    st.sampled_from((Decimal("1.50"), Decimal("1.5"), 1, True, "", "penny", "GB", "held", "keep", "x" * 101)),
    st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=4),
)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3)
)
NAMES = (
    *OWN_FIELDS,
    "issuer",
    "denomination",
    "grade",
    "year_on_coin",
    "problems",
    "material",
    "weight",
    "strike",
    "my own",
)
ODD = ("facts", "facts.facts", "facts.number", "facts.grade", "facts.facts.number", "", "n" * 101)
likely: dict[str, st.SearchStrategy[Any]] = {
    "issuer": st.sampled_from(("GB", "US", "nowhere", 7)),
    "denomination": st.sampled_from(("penny", "quarter", "cent", True)),
    "grade": st.sampled_from((45, 45.5, 99, True, Decimal("45"), Decimal("1E+2"))),
    "problems": st.lists(st.sampled_from(("holed", "cleaned", "", 1)), max_size=2),
    "quantity": st.sampled_from((1, 0, True, 3)),
    "status": st.sampled_from(("held", "sold", "stale")),
    "price_paid": st.sampled_from(({"amount": 1, "currency": "EUR"}, {"amount": 1, "currency": "eur"}, None)),
    "tags": st.lists(st.sampled_from(("a", "", 2)), max_size=2),
}


@st.composite
def flat_values(draw: st.DrawFn) -> dict[str, Any]:
    names = draw(st.lists(st.sampled_from((*NAMES, *NAMES, *ODD)), unique=True, max_size=8))
    return {name: draw(likely.get(name, values) if draw(st.integers(0, 3)) else values) for name in names}


# --- the ways of before --------------------------------------------------------------------------------------------------


def in_order(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: in_order(value[name]) for name in sorted(value)}
    return [in_order(item) for item in value] if isinstance(value, list) else value


def fingerprint_of_before(body: Mapping[str, Any]) -> str:
    return hashlib.sha256(written(in_order(body)).encode()).hexdigest()


def check_of_before(values: Mapping[str, Any]) -> list[Fault]:
    own = {name: as_told(name, value) for name, value in values.items() if name in OWN_FIELDS}
    facts = {fact_of(name): value for name, value in values.items() if name not in OWN_FIELDS}
    faults: list[Fault] = []
    try:
        read_fields({**own, "facts": facts})
    except Invalid as refusal:
        faults.extend(refusal.faults)
    faults.extend(fault.under("/facts") for fault in check_facts(facts, CORE, strict=False))
    return [replace(fault, pointer=fault.pointer.removeprefix("/facts")) for fault in faults]


# --- the same --------------------------------------------------------------------------------------------------------------


@settings(max_examples=examples(300))
@given(st.dictionaries(st.text(max_size=3), values, max_size=6))
def test_a_mutation_has_the_fingerprint_that_it_had_in_earlier_versions(body: dict[str, Any]) -> None:
    assert former_fingerprint_of(body) == fingerprint_of_before(body)


def test_the_fingerprint_of_one_mutation_is_written_down() -> None:
    body = {
        "op": "update",
        "id": "a",
        "patch": {"ä": Decimal("1.50"), "b": [1, {"z": None, "y": True}]},
        "A": "\U0001fa99",
    }
    ordered = '{"A":"\U0001fa99","id":"a","op":"update","patch":{"b":[1,{"y":true,"z":null}],"ä":1.50}}'
    assert former_fingerprint_of(body) == hashlib.sha256(ordered.encode()).hexdigest()


@settings(max_examples=examples(300))
@given(flat_values())
def test_values_are_those_that_will_be_read_once_they_are_stored(sent: dict[str, Any]) -> None:
    assert repr(kept_values(sent)) == repr(flattened(unflattened(sent)))


@settings(max_examples=examples(300))
@given(st.lists(flat_values(), min_size=1, max_size=12))
def test_a_check_that_remembers_what_was_right_finds_what_one_without_memory_finds(batch: list[dict[str, Any]]) -> None:
    # Looked at together before, as those of a device are, or not.
    for check in (checking(CORE), checking(CORE, batch), checking(CORE.extended([]))):
        for sent in (*batch, *batch):
            assert check(sent) == check_of_before(sent)


@settings(max_examples=examples(300))
@given(st.datetimes(timezones=st.sampled_from((UTC, timezone(timedelta(hours=2)), timezone(timedelta(0), "Z")))))
def test_an_instant_in_words_is_that_of_the_standard_library(at: datetime) -> None:
    assert in_words(at) == at.isoformat()


@pytest.mark.parametrize("seed", range(12))
def test_the_records_of_an_answer_are_those_that_are_read_after_it(database: Database, seed: int) -> None:
    chance = Random(seed)
    _, token = database.write(lambda connection: open_account(connection, f"somebody {new_id()}"))
    owner = database.read(lambda connection: recognise(connection, token))
    coins = [new_id() for _ in range(5)]
    writers: dict[str, dict[str, str | None]] = {coin: {} for coin in coins}
    for _ in range(6):
        batch = [a_mutation(chance, chance.choice(coins), writers) for _ in range(chance.randint(1, 12))]
        now = NOON + timedelta(seconds=chance.randint(0, 10**6), microseconds=chance.randint(0, 999_999))
        act: Callable[[Connection], Any] = lambda connection, batch=batch, now=now: synchronise(  # noqa: E731
            connection, owner, "phone", batch, CORE, now
        )
        done = database.write(act)
        asked = {sent.mutation.holding for sent in batch}
        read = database.read(lambda connection, asked=asked: SyncStore(connection, owner).records(asked))
        assert repr(done.records) == repr(sorted(read.values(), key=lambda stored: stored.modseq))
        assert [answer.mutation_id for answer in done.answers] == [sent.mutation.id for sent in batch]
        for stored in done.records:
            writers[stored.record.id] = {name: one.by for name, one in stored.record.written.items()}


def a_mutation(chance: Random, coin: str, writers: Mapping[str, Mapping[str, str | None]]) -> SentMutation:
    """One by a device that saw more or less of what is there."""
    values = (None, 3, 45, Decimal("45.50"), "a text", ["a", "b"], ["b", "c"], True, {"one_of": [1, 2]})
    names = chance.sample(("grade", "number", "note", "quantity", "tags", "problems", "facts.number", "my own"), 2)
    patch = {name: chance.choice(values) for name in names}
    seen = {name: writer for name, writer in writers[coin].items() if chance.random() < 0.7}
    op = chance.choice((CREATE, UPDATE, UPDATE, UPDATE, DESTROY))
    made = Mutation(
        new_id(), op, coin, NOON - timedelta(hours=chance.randint(0, 9)), {} if op == DESTROY else patch, seen
    )
    body = {"op": op, "id": coin, "patch": dict(made.patch), "from": seen, "mutation_id": made.id}
    return SentMutation(made, former_fingerprint_of(body), body)
