"""Small sets and collections in which there is something to swap."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from tests.factories import a_document


@st.composite
def rulebooks(draw: st.DrawFn) -> dict[str, Any]:
    slots = {f"p{year}": f"year_on_coin = {year}" for year in range(1, draw(st.integers(2, 4)) + 1)}
    slots |= {"wide": "year_on_coin <= 2"} if draw(st.booleans()) else {}
    rules: list[dict[str, Any]] = []
    if draw(st.booleans()):
        kind = draw(st.sampled_from(["same", "different", "at_most", "not_elsewhere"]))
        inside = draw(st.lists(st.sampled_from(sorted(slots)), min_size=1, unique=True))
        rule: dict[str, Any] = {"id": "rule", "kind": kind, "places": inside}
        rule |= {"per": ["grade"], "count": 1} if kind == "at_most" else {"by": ["grade"]}
        rules.append(rule)
    return a_document(slots, constraints=rules)


@st.composite
def collections(draw: st.DrawFn, most: int) -> list[dict[str, Any]]:
    """Coins of a few years, some of them twice: so there is something to spare and something lacking."""
    years = draw(st.lists(st.integers(1, 4), min_size=1, max_size=2, unique=True))
    coin = st.fixed_dictionaries(
        {"year_on_coin": st.sampled_from(years), "grade": st.sampled_from([10, 20])},
        optional={"quantity": st.integers(2, 3)},
    )
    doubtful = st.fixed_dictionaries({"grade": st.just(10)})
    return draw(st.lists(st.one_of(coin, coin, coin, coin, doubtful), min_size=2, max_size=most))
