"""Rows are read the same whether or not what was right in a row before is looked at again."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.facts.core_attributes import CORE
from service.holdings.imports.columns import columns_of, heading_reader
from service.holdings.imports.layout import GivenLayout, file_of_csv, laid_out
from service.holdings.imports.rows import RowReader
from service.holdings.imports.sheet import SentSheet, sheet_of_json
from service.holdings.imports.values import CellReader
from service.reference import shipped
from tests.strategies import examples

ID = "0190b0d0-0000-7000-8000-00000000000a"
OWN: Mapping[str, tuple[Any, ...]] = {
    "id": (ID, "7", None),
    "number": ("1", "e\u0301", "x" * 101, 1, None),
    "quantity": (1, 3, 0, True, Decimal("1.0")),
    "status": ("held", "sold", "stale", None),
    "tags": (["a"], ["a", "b"], [""], "a"),
    "price_paid": ({"amount": Decimal("1.50"), "currency": "EUR"}, {"amount": Decimal("1.5"), "currency": "eur"}),
    "values": ([{"basis": "paid", "amount": 1, "currency": "EUR"}], [1]),
}
FACTS: Mapping[str, tuple[Any, ...]] = {
    "issuer": ("GB", "US", "nowhere", 7),
    "denomination": ("quarter", "penny", 1),
    "grade": (45, 99, True, Decimal("45"), Decimal("45.50")),
    "year_on_coin": (1900, {"one_of": [1900, 1901]}, {"from": 2, "to": 1}, None),
    "problems": (["holed"], ["holed", 1], "holed"),
    "my own": ("a", 1, True, None, ["a", 1]),
    "n" * 101: ("a",),
}
CELLS = (
    "",
    "-",
    "GB",
    "Canada",
    "quarter",
    "penny",
    "1900",
    "1",
    "0",
    "1.5",
    "1.50",
    "true",
    "holed;cleaned",
    "a;",
    "{",
    "held",
)
HEADINGS = ("number", "quantity", "status", "issuer", "denomination", "grade", "year_on_coin", "problems", "my own")


def picked(choices: Mapping[str, tuple[Any, ...]]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({}, optional={name: st.sampled_from(values) for name, values in choices.items()})


class Forgetful(RowReader):
    """Looks at everything in every row, as earlier versions did."""

    def _checked_again(self, *_: Any) -> None:
        return None


def same(sheet: SentSheet, cells: tuple[CellReader | None, CellReader | None]) -> None:
    columns = columns_of(sheet.headings, CORE, {}, sheet.sample())
    reader, forgetful = RowReader(columns, CORE, cells[0]), Forgetful(columns, CORE, cells[1])
    for row in (*sheet.rows, *sheet.rows):
        assert repr(reader.sent(row)) == repr(forgetful.sent(row))


@settings(max_examples=examples(300))
@given(
    st.lists(st.builds(lambda own, facts: {**own, "facts": facts}, picked(OWN), picked(FACTS)), min_size=1, max_size=8)
)
def test_holdings_in_json(holdings: list[dict[str, Any]]) -> None:
    same(sheet_of_json(holdings), (None, None))


@settings(max_examples=examples(200))
@given(st.lists(st.tuples(*(st.sampled_from(CELLS) for _ in HEADINGS)), min_size=1, max_size=8))
def test_rows_of_a_file(rows: list[tuple[str, ...]]) -> None:
    text = "\n".join(",".join(cells) for cells in (HEADINGS, *rows))
    sheet = laid_out(file_of_csv(text.encode(), GivenLayout()), GivenLayout(), heading_reader(CORE))
    schemes = shipped.vocabularies()
    cells = tuple(CellReader(CORE, schemes, {}, decimal=".", dates="day first", decimals={}) for _ in range(2))
    same(sheet, (cells[0], cells[1]))
    assert repr(cells[0].understood()) == repr(cells[1].understood())
    assert repr(cells[0].questions()) == repr(cells[1].questions())
