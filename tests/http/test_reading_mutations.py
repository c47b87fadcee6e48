"""A mutation is read past its model where it is as nearly all are; what comes of it is what comes of the model."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.database.ids import new_id
from service.formats.strict_json import parse_json_parts
from service.http.api import sync
from service.http.api.sync import LONGEST_WRITER, MOST_NAMES, judged
from tests.clock import NOW
from tests.strategies import examples

USUAL: dict[str, Any] = {
    "mutation_id": new_id(),
    "op": "update",
    "id": new_id(),
    "edited_at": "2026-11-25T10:00:00Z",
    "patch": {"grade": 40, "note": None, "price_paid": {"amount": Decimal("1.50"), "currency": "EUR"}},
    "from": {"grade": new_id(), "note": None},
    "revive": True,
}
ODD: dict[str, tuple[Any, ...]] = {
    "mutation_id": (new_id().upper(), "a", None, 1, "{" + new_id() + "}", new_id()[:14] + "4" + new_id()[15:]),
    "op": ("create", "destroy", "erase", "UPDATE", None, 1),
    "id": (new_id().upper(), new_id().replace("-", ""), None),
    "edited_at": (
        *("2026-11-25T10:00:00+02:00", "2026-11-25T10:00:00.123456Z", "2026-11-25T10:00:00", "2026-11-25", "now"),
        *("9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", 1, None, "2027-01-01T00:00:00Z"),
    ),
    "patch": (
        *({}, [], None, {"": 1}, {"a" * 120: 1}, {"a" * 121: 1}, {"\U0001fa99" * 120: 1}, {"\U0001fa99" * 121: 1}),
        {str(number): number for number in range(MOST_NAMES)},
        {str(number): number for number in range(MOST_NAMES + 1)},
        {"photos": [{"sha256": "0" * 64, "side": "obverse"}], "tags": ["a", "a"]},
    ),
    "from": (
        *(
            {},
            None,
            [],
            {"a": ""},
            {"a": 1},
            {"": None},
            {"a": "w" * LONGEST_WRITER},
            {"a": "w" * (LONGEST_WRITER + 1)},
        ),
        {str(number): None for number in range(MOST_NAMES + 1)},
    ),
    "revive": (False, True, 1, "true", None),
    "writers": ({}, None, {"grade": new_id()}, {"grade": None}),
    "resolves": ([], [new_id()], [""], None),
    "partial": (True, False, 1),
    "seen": ({},),
    "more": (1,),
}


@st.composite
def mutations(draw: st.DrawFn) -> Any:
    told = {name: value for name, value in USUAL.items() if draw(st.integers(0, 9))}
    for name in draw(st.lists(st.sampled_from(tuple(ODD)), max_size=2)):
        told[name] = draw(st.sampled_from(ODD[name]))
    return draw(st.sampled_from((told, told, told, told, told, [told], None, "text")))


@settings(max_examples=examples(1_000))
@given(mutations())
def test_it_is_what_the_model_makes_of_it(told: Any) -> None:
    assert repr(judged(told, NOW, None, is_sound=True)) == repr(judged(told, NOW, None))


@pytest.mark.parametrize("name", ODD)
def test_every_oddity_alone_is_what_the_model_makes_of_it(name: str) -> None:
    for value in ODD[name]:
        told = {**USUAL, name: value}
        assert repr(judged(told, NOW, NOW, is_sound=True)) == repr(judged(told, NOW, NOW))


def test_the_usual_ones_are_read_past_the_model(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any) -> Any:
        raise AssertionError("the model was asked")

    monkeypatch.setattr(sync, "read", fail)
    destroyed = {name: value for name, value in USUAL.items() if name not in ("patch", "revive")}
    for told in (USUAL, {**USUAL, "op": "create"}, {**destroyed, "op": "destroy"}):
        assert judged(told, NOW, None, is_sound=True).refused is None
    # The control: of a text that is not known to be sound nothing is read past it.
    with pytest.raises(AssertionError, match="the model"):
        judged(USUAL, NOW, None)


def test_what_is_wrong_in_one_is_found_whatever_the_others_are() -> None:
    raw = b'{"mutations": [{"patch": {"grade": 1}}, {"patch": {"grade": 1e500}}]}'
    body = parse_json_parts(raw)
    assert not body.is_sound
    found = [judged(one, NOW, None, is_sound=body.is_sound).refused for one in body.value["mutations"]]
    assert found[1] is not None
    assert any("exponents" in message for message in found[1].error.messages)
