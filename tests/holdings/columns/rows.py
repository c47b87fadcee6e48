"""Rows of holdings as a database gives them, made up; and the columns of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from hypothesis import strategies as st

from service.accounts.model import State
from service.database.types import read_back, written
from service.holdings.columns.blocks import HeldRow
from service.holdings.columns.held import HoldingColumns, columns_of
from service.holdings.model import StoredHolding, with_defaults
from service.holdings.sync.field_names import value_conflict_from_json
from tests.strategies import ISSUES, simple_facts, some_facts

DAYS = tuple(f"2026-11-{day:02} 10:00:00.000000" for day in (1, 2, 3))
OWN: Mapping[str, tuple[Any, ...]] = {
    "quantity": (1, 1, 2, 3),
    "status": ("held", "held", "held", "for trade", "sold", "wanted"),
    "number": (None, "1", "17", 'a "quoted", "note": \\ one', "ö"),
    "note": (None, None, "from my aunt", ',"number":"5",'),
    "location": (None, "album 1"),
    "tags": ([], ["doubles"], ["doubles", "for Ann"]),
    "mark": (None, None, "keep", "replace"),
    "price_paid": (None, {"amount": 12, "currency": "GBP"}),
    "bought_on": (None, "2020-02-29"),
    "values": (
        [],
        [{"basis": "paid", "amount": 3, "currency": "EUR"}],
        [{"basis": "insured", "amount": 9, "currency": "EUR"}],
    ),
    "issue": (
        *(None, None, None),
        *ISSUES,
        {"one_of": ["issue-1", "issue-2"]},
        {"one_of": ["issue-3", "issue-of-nowhere"]},
        "issue-of-nowhere",
    ),
}
# Facts that not every table of attributes takes: of no attribute, of another type, by a short name of one issuer, no known term.
ODD: Mapping[str, tuple[Any, ...]] = {
    "album": ("red", 3, {"one_of": ["red", "blue"]}),
    "tray": (4, "four"),
    "grade": ("VF-30", -1, {"from": 5, "to": 1}),
    "issuer": ("AA", "BB", {"one_of": ["AA", "BB"]}),
    "denomination": ("penny", "quarter", "Quarter"),
    "mint": ("Tower", 5),
    "species": ("bird of the moon", {"one_of": ["owl", "bird of the moon"]}),
}


@st.composite
def facts(draw: st.DrawFn) -> dict[str, Any]:
    """Facts, a few of them odd."""
    found: dict[str, Any] = draw(st.one_of(simple_facts(), some_facts()))
    for name in draw(st.lists(st.sampled_from(sorted(ODD)), max_size=2, unique=True)):
        found[name] = draw(st.sampled_from(ODD[name]))
    return found


@st.composite
def held_rows(draw: st.DrawFn, identity: str, modseq: int) -> HeldRow:
    """The row of a living holding."""
    data: dict[str, Any] = {"facts": draw(facts())}
    for name in draw(st.lists(st.sampled_from(sorted(OWN)), max_size=4, unique=True)):
        data[name] = draw(st.sampled_from(OWN[name]))
    conflicts = []
    if draw(st.integers(0, 5)) == 0:
        others = draw(facts())
        for name in sorted(others.keys() & data["facts"].keys())[:2]:
            other = draw(st.one_of(st.none(), st.just(others[name])))
            conflicts.append(_conflict(f"m:{name}", "value", attribute=name, value=other))
        if draw(st.booleans()):
            conflicts.append(_conflict("m", "destroy"))
        if draw(st.booleans()):
            conflicts.append(_conflict("m:note", "value", attribute="note", value="another"))
    days = draw(st.sampled_from(DAYS)), draw(st.sampled_from(DAYS))
    return (identity, modseq, modseq, False, written(with_defaults(data)), *days, written(conflicts))


def _conflict(identity: str, kind: str, **more: Any) -> dict[str, Any]:
    return {"id": identity, "kind": kind, "mutation_id": "m", "edited_at": "2026-11-20T10:00:00Z", **more}


@st.composite
def collections(draw: st.DrawFn, most: int = 6) -> list[HeldRow]:
    """The rows of a collection, by id."""
    size = draw(st.integers(0, most))
    return [draw(held_rows(f"coin-{number}", number + 1)) for number in range(size)]


def as_stored(row: HeldRow) -> StoredHolding:
    """The holding of a row, read by itself."""
    identity, modseq, created_modseq, _, data, made, changed, conflicts = row
    found = tuple(map(value_conflict_from_json, read_back(conflicts)))
    return StoredHolding(identity, modseq, created_modseq, read_back(data), moment(made), moment(changed), found)


def moment(raw: Any) -> datetime:
    return datetime.fromisoformat(raw).replace(tzinfo=UTC)


def in_columns(rows: Sequence[HeldRow], portion: int = 2, state: int = 99) -> HoldingColumns:
    """The columns of rows in the order of their ids."""
    portions = [rows[at : at + portion] for at in range(0, len(rows), portion)]
    return columns_of(State(state, "0" * 32), portions, moment)
