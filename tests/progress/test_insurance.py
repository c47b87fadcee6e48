"""The insurance list: which value counts, sums that are exact, nothing added up that does not belong together."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.progress.insurance import (
    BASES,
    InsuranceList,
    InsuranceTotal,
    InsuredLine,
    insurance_csv,
    insurance_list,
    insurance_text,
    newest_values,
)
from service.progress.piece import Piece

DAY = date(2026, 6, 30)


def worth(basis: str, amount: Any, currency: str = "EUR", **more: Any) -> dict[str, Any]:
    return {"basis": basis, "amount": amount, "currency": currency, **more}


def a_piece(identity: str, *values: dict[str, Any], count: int = 1, **more: Any) -> Piece:
    return Piece(identity, {"facts": {}, "values": list(values), **more}, count)


def a_list(*pieces: Piece, **more: Any) -> InsuranceList:
    return insurance_list(pieces, lambda recorded: "a coin", DAY, **more)


def test_of_each_basis_the_newest_on_or_before_the_day_counts() -> None:
    values = [
        worth("insured", 1),
        worth("insured", 2, on="2026-06-30"),
        worth("insured", 3, on="2026-07-01"),
        worth("insured", 4, on="2025-01-01"),
        worth("paid", 5, on="2020-01-01"),
        worth("paid", 6, "USD", on="2020-01-01"),
        worth("paid", 7),
        worth("appraised", 8, on="2027-01-01"),
    ]
    # paid: the same day twice, the one that stands last; appraised: only after the day.
    assert [value["amount"] for value in newest_values(values, DAY)] == [6, 2]
    assert [value["amount"] for value in newest_values(values, DAY, "insured")] == [2]
    assert newest_values(values, date(2019, 1, 1)) == [values[6], values[0]]
    assert newest_values([], DAY) == []


def test_like_pieces_count_each_and_what_has_no_value_stands_apart() -> None:
    made = a_list(
        a_piece("b", worth("paid", Decimal("0.1")), count=3, number="2", location="album"),
        a_piece("a", count=2, number="1", location="box"),
        a_piece("c", worth("insured", 5), location="album"),
    )
    assert [(line.holding, line.pieces) for line in made.valued] == [("b", 3), ("c", 1)]
    assert made.valued[0].values[0].amount == Decimal("0.1")
    assert made.valued[0].values[0].total == Decimal("0.3")
    assert made.unvalued == [InsuredLine("a", "1", "box", 2, "a coin")]
    assert (made.pieces, made.unvalued_pieces) == (6, 2)


def test_numbers_come_in_the_order_in_which_people_count() -> None:
    numbers = ["10", "9", "A-10", "A-9", "9b", "1000"]
    made = a_list(*(a_piece(f"p{at}", number=number) for at, number in enumerate(numbers)), a_piece("none"))
    assert [line.number for line in made.unvalued] == ["9", "9b", "10", "1000", "A-9", "A-10", None]


def test_with_a_basis_what_lacks_it_is_unvalued() -> None:
    made = a_list(a_piece("a", worth("paid", 1)), a_piece("b", worth("insured", 2)), basis="insured")
    assert [line.holding for line in made.unvalued] == ["a"]
    assert made.totals == [InsuranceTotal("insured", "EUR", Decimal(2), 1)]


def test_currencies_and_bases_are_never_added_up() -> None:
    made = a_list(
        a_piece("a", worth("paid", 1), worth("insured", 10)),
        a_piece("b", worth("paid", 2, "USD")),
        a_piece("c", worth("paid", 4)),
    )
    assert [(t.basis, t.currency, t.amount, t.pieces) for t in made.totals] == [
        ("paid", "EUR", 5, 2),
        ("paid", "USD", 2, 1),
        ("insured", "EUR", 10, 1),
    ]


AMOUNTS = st.one_of(st.integers(0, 10**12), st.decimals(0, 10**12, allow_nan=False, allow_infinity=False, places=6))
VALUES = st.lists(
    st.builds(
        worth,
        st.sampled_from(BASES),
        AMOUNTS,
        st.sampled_from(["EUR", "USD"]),
        on=st.sampled_from([None, "2026-01-01"]),
    ),
    max_size=4,
)


@given(st.lists(st.tuples(VALUES, st.integers(1, 10_000)), max_size=12))
def test_totals_are_what_an_independent_sum_in_fractions_gives(lots: list[tuple[list[dict[str, Any]], int]]) -> None:
    made = a_list(*(a_piece(str(number), *values, count=count) for number, (values, count) in enumerate(lots)))
    expected: dict[tuple[str, str], Fraction] = defaultdict(Fraction)
    for values, count in lots:
        for basis in BASES:
            of_basis = [value for value in values if value["basis"] == basis]
            counting = [value for value in of_basis if value["on"]] or of_basis
            if counting:
                expected[basis, counting[-1]["currency"]] += Fraction(counting[-1]["amount"]) * count
    assert {(t.basis, t.currency): Fraction(t.amount) for t in made.totals} == expected
    assert made.pieces == sum(count for _, count in lots)
    # And the sheet gives the same sums to whoever adds up its columns.
    rows = list(csv.DictReader(io.StringIO(insurance_csv(made))))
    summed: dict[tuple[str, str], Fraction] = defaultdict(Fraction)
    for row in rows:
        if row["basis"]:
            assert Fraction(row["amount_for_one"]) * int(row["pieces"]) == Fraction(row["total"])
            summed[row["basis"], row["currency"]] += Fraction(row["total"])
    assert summed == expected


def test_a_cell_that_a_spreadsheet_would_run_is_defused() -> None:
    made = a_list(a_piece("a", worth("paid", 1, by="=1+1", note="+2"), number="-3", location="@home"))
    (row,) = csv.DictReader(io.StringIO(insurance_csv(made)))
    assert (row["by"], row["note"], row["number"], row["location"]) == ("'=1+1", "'+2", "'-3", "'@home")
    assert (row["amount_for_one"], row["total"]) == ("1", "1")


def test_the_text_fits_the_paper_and_has_everything() -> None:
    made = a_list(
        a_piece(
            "a",
            worth("paid", Decimal("10.50"), on="2020-01-01", by="a dealer"),
            count=2,
            number="7",
            location="w " * 60,
        ),
        a_piece("b", number="8"),
    )
    text = insurance_text(made)
    assert max(len(line) for line in text.splitlines()) <= 76
    for words in (
        "Insurance list, 2026-06-30: 3 pieces",
        "- paid: 21.00 EUR for 2 pieces",
        "- 7: 2x a coin; kept: w w",
        "paid 21.00 EUR (10.50 each), 2020-01-01, a dealer",
        "Without a value: 1 piece",
        "- 8: a coin",
        "no valuation",
        "local law",
    ):
        assert words in text, text
    assert "No values." in insurance_text(a_list())


def test_the_price_paid_is_a_value_of_the_basis_paid() -> None:
    price = {"amount": Decimal("12.50"), "currency": "EUR"}
    bought = {"price_paid": price, "bought_on": "2024-05-01", "bought_from": "Marrow & Sedge"}
    (line,) = a_list(a_piece("a", count=2, **bought)).valued
    (value,) = line.values
    assert (value.basis, value.amount, value.total, value.by) == ("paid", Decimal("12.5"), 25, "Marrow & Sedge")
    assert value.on == date(2024, 5, 1)
    # An entry of the same day wins, an earlier one does not.
    (same,) = a_list(a_piece("a", worth("paid", 7, on="2024-05-01"), **bought)).valued[0].values
    (earlier,) = a_list(a_piece("a", worth("paid", 7, on="2024-04-30"), **bought)).valued[0].values
    assert (same.amount, earlier.amount) == (7, Decimal("12.5"))
    # Bought after the day of the list: not paid then.
    assert a_list(a_piece("a", price_paid=price, bought_on="2026-07-01")).valued == []
