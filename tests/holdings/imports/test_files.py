"""Files of sheets: encodings, separators, numbers, days, years; and files that were made to hurt."""

from __future__ import annotations

import io
import tracemalloc
import zipfile
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import Invalid, OverLimit, Unreadable
from service.facts.core_attributes import CORE
from service.formats.encodings import ENCODINGS, decoded
from service.formats.money import DAY_FIRST, MONTH_FIRST, order_of_days, read_day, read_money
from service.formats.multipart import read_parts
from service.formats.numbers import decimal_sign, plain_numbers
from service.formats.xlsx import BrokenCell, read_workbook
from service.holdings.imports.actions import GivenImport, ReadImport, read_file
from service.holdings.imports.columns import heading_reader
from service.holdings.imports.layout import GivenLayout, SheetFile, file_of_csv, file_of_workbook, laid_out
from service.holdings.imports.years import read_year
from service.notation.terms import index_of
from service.reference.actions import vocabularies
from tests.data.make_sheets import ods_of
from tests.strategies import examples

TEXT = "Nr.;Land;Größe\r\n1;Österreich;17,5\r\n2;Schweiz;18,0\r\n"


def looked(raw: bytes, used: Mapping[str, Sequence[str]] | None = None, **given: Any) -> ReadImport:
    layout = given.pop("layout", GivenLayout())
    return read_file(file_of_csv(raw, layout), GivenImport(layout, **given), CORE, vocabularies(), used)


# --- encodings and separators ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_the_encoding_is_told_from_the_file(encoding: str) -> None:
    assert decoded(TEXT.encode(encoding))[0] == TEXT


@pytest.mark.parametrize(("text", "name"), [("Grösse;Zürich;€ 5", "windows-1252"), ("naïve café", "windows-1252")])
def test_windows_1252_goes_before_its_neighbours(text: str, name: str) -> None:
    assert decoded(text.encode("cp1252")) == (text, name)


@settings(max_examples=examples(60), deadline=None)
@given(raw=st.binary(max_size=200), encoding=st.sampled_from([None, *ENCODINGS]))
def test_any_bytes_are_a_sheet_or_a_refusal(raw: bytes, encoding: str | None) -> None:
    for read in (lambda: looked(raw, layout=GivenLayout(encoding)), lambda: file_of_workbook(raw)):
        try:
            read()
        except Invalid as refusal:
            assert refusal.faults


@settings(max_examples=examples(60), deadline=None)
@given(rows=st.lists(st.lists(st.text("1.,-/;?'\"d€aß \t|", max_size=8), min_size=5, max_size=5), max_size=6))
def test_any_cells_are_a_sheet_or_a_refusal(rows: list[list[str]]) -> None:
    head = "Jahr\tGewicht\tBezahlt\tGekauft am\tNominal"
    body = "\n".join("\t".join(cell.replace("\t", " ").replace('"', "'") for cell in row) for row in rows)
    read = looked(f"{head}\n{body}".encode())
    # Each row is a holding, refused with a reason, or skipped with one.
    filled = sum(bool("".join(row).strip().replace("'", "x")) for row in rows)
    named = {fault.row for fault in read.refused} | {row.row for row in read.sent}
    assert len(named) + len([row for row in read.sheet.skipped if row.why != "blank"]) == filled


def test_a_line_that_names_the_separator_is_none_of_the_sheet() -> None:
    read = looked(b"sep=|\nnumber|note\n1|a,b;c\n")
    assert read.layout is not None
    assert (read.layout.separator, [row.own for row in read.sent]) == ("|", [{"number": "1", "note": "a,b;c"}])


def test_a_bar_separates_cells_where_nothing_else_does() -> None:
    read = looked("Nr|Land|Preis\n1|Österreich|1,50 €\n2|Italien|2,00 €\n".encode())
    assert read.layout is not None
    assert (read.layout.separator, [row.facts for row in read.sent]) == ("|", [{"issuer": "AT"}, {"issuer": "IT"}])
    # Elsewhere it says that one of two years is meant.
    both = looked(b"number,year_on_coin\n1,1892|1893\n2,1894|1895\n")
    assert both.layout is not None
    assert both.layout.separator == ","


@pytest.mark.parametrize(
    ("cell", "status"), [("✓", "for trade"), ("✔", "for trade"), ("Yes", "for trade"), ("-", "held"), ("no", "held")]
)
def test_a_tick_is_a_yes_and_a_hyphen_a_no(cell: str, status: str) -> None:
    read = looked(f"number;for trade\n1;{cell}\n".encode())
    assert read.sent[0].own.get("status", "held") == status
    assert read.cells is not None
    assert (read.cells.questions(), read.sent[0].kept) == ([], ())


@pytest.mark.parametrize("dates", [DAY_FIRST, MONTH_FIRST])
def test_a_day_that_can_be_written_in_one_order_alone_is_read_in_that(dates: str) -> None:
    read = looked(b"number;date bought\n1;25/04/2016\n2;04/25/2016\n3;44/45/2016\n", layout=GivenLayout(dates=dates))
    assert [row.own["bought_on"] for row in read.sent] == ["2016-04-25", "2016-04-25", None]


def test_the_layout_may_be_set() -> None:
    raw = "x;y\nno;Jahr\n1;1890\n".encode("utf-16-le")
    read = looked(raw, layout=GivenLayout("utf-16le", ";", 2, ",", "month first"))
    assert read.layout is not None
    assert (read.layout.heading_row, read.layout.dates) == (2, "month first")
    assert [row.facts for row in read.sent] == [{"year_on_coin": 1890}]
    with pytest.raises(Invalid, match="row 9"):
        looked(raw, layout=GivenLayout("utf-16le", heading_row=9))


@pytest.mark.parametrize("row", ["Summe;;", "Total;;1.204,50 €", "Total;2;17"])
def test_a_sum_below_a_narrow_sheet_is_no_coin(row: str) -> None:
    read = looked(f"Nr;Jahr;Preis\n1;1900;12,50 €\n{row}\n".encode())
    assert [(skipped.row, str(skipped.why)) for skipped in read.sheet.skipped] == [(3, "a sum")]
    assert [sent.own["number"] for sent in read.sent] == ["1"]


def test_a_sum_whose_formula_was_never_worked_out_is_no_coin() -> None:
    formula = BrokenCell("this formula has no value", "")
    rows: list[tuple[int, Sequence[str | BrokenCell]]] = [
        (1, ["Nr", "Land", "Jahr", "Preis"]),
        (2, ["1", "Italien", "1900", "2"]),
        (3, ["", "Summe", "", formula]),
    ]
    sheet = laid_out(SheetFile(rows, "xlsx"), GivenLayout(), heading_reader(CORE))
    assert [(skipped.row, str(skipped.why)) for skipped in sheet.skipped] == [(3, "a sum")]
    # In a row of a coin it is refused.
    coin: tuple[int, Sequence[str | BrokenCell]] = (3, ["2", "Italien", "1901", formula])
    assert len(laid_out(SheetFile([*rows[:2], coin], "xlsx"), GivenLayout(), heading_reader(CORE)).rows) == 2


def test_a_word_for_a_sum_may_head_a_row_of_words() -> None:
    read = looked(b"Land;Motiv\nTotal;ship\n")
    assert not read.sheet.skipped


def test_headings_in_six_languages() -> None:
    for head in (
        "No;Country;Year;Metal;Weight", "Nr;Land;Jahr;Metall;Gewicht", "N°;Pays;Année;Métal;Poids",
        "Núm.;País;Año;Metal;Peso", "N.;Paese;Anno;Metallo;Peso", "Nr.;Land;Jaar;Metaal;Gewicht",
    ):  # fmt: skip
        read = looked(f"{head}\n1;Italy;1890;silver;2,5\n".encode())
        named = [column.field.name for column in read.columns if column.field is not None]
        assert named == ["number", "issuer", "year_on_coin", "material", "weight_measured"], head
        assert read.sent[0].facts["weight_measured"] == Decimal("2.5")


# --- cells -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cell", "point", "comma"),
    [
        ("2,00", "2.00", "2.00"), ("1.234", "1.234", "1234"), ("1,234", "1234", "1.234"), ("1.234,50", "1234.50", "1234.50"),
        ("1,234.5", "1234.5", "1234.5"), ("1.234.567", "1234567", "1234567"), ("1 234", "1234", "1234"),
        ("12.03.2018", "12.03.2018", "12.03.2018"), ("28.5-29", "28.5-29", "28.5-29"), ("0,900", "0.900", "0.900"),
    ],
)  # fmt: skip
def test_decimal_and_thousands_signs(cell: str, point: str, comma: str) -> None:
    assert (plain_numbers(cell, "."), plain_numbers(cell, ",")) == (point, comma)


def test_a_column_tells_its_decimal_sign() -> None:
    assert (decimal_sign(["1,250", "2,5"]), decimal_sign(["1.250", "2.5"]), decimal_sign(["1,250"])) == (",", ".", None)
    read = looked(b"Nr;Gewicht\n1;1,250\n2;2,5 g\n")
    assert [row.facts["weight_measured"] for row in read.sent] == [Decimal("1.250"), Decimal("2.5")]


@pytest.mark.parametrize(
    ("cell", "amount", "currencies"),
    [
        ("£3.50", "3.50", ("GBP",)), ("12,50 €", "12.50", ("EUR",)), ("30p", "0.30", ("GBP",)),
        ("1.234,50 EUR", "1234.50", ("EUR",)),
        ("CHF 1'200.--", "1200", ("CHF",)), ("$1.25", "1.25", ("USD", "CAD", "AUD", "NZD")), ("12", "12", ()),
    ],
)  # fmt: skip
def test_amounts_of_money(cell: str, amount: str, currencies: tuple[str, ...]) -> None:
    money = read_money(cell, ".")
    assert money is not None
    assert (money.amount, money.currencies) == (Decimal(amount), currencies)


def test_a_sign_of_several_currencies_is_asked_once_and_answered_once() -> None:
    raw = b"No,Cost\n1,$1.25\n2,$2\n"
    read = looked(raw)
    assert read.cells is not None
    (question,) = read.cells.questions()
    assert (question.field, question.value, question.rows) == ("price_paid", "$", 2)
    assert [row.kept for row in read.sent] == [(("Cost", "$1.25"),), (("Cost", "$2"),)]
    answered = looked(raw, answers={"price_paid": {"$": "CAD"}})
    assert [row.own["price_paid"]["currency"] for row in answered.sent] == ["CAD", "CAD"]


def test_amounts_without_a_currency_are_one_question() -> None:
    raw = b"No;Paid\n1;12,50\n2;3,00\n3;8\n4;9 GBP\n"
    read = looked(raw)
    assert read.cells is not None
    (question,) = read.cells.questions()
    assert (question.field, question.value, question.rows) == ("price_paid", "no currency", 3)
    answered = looked(raw, answers={"price_paid": {"no currency": "EUR"}})
    paid = [row.own["price_paid"] for row in answered.sent]
    assert [one["currency"] for one in paid] == ["EUR", "EUR", "EUR", "GBP"]
    assert [one["amount"] for one in paid] == [Decimal("12.50"), Decimal("3.00"), 8, 9]


def test_days() -> None:
    assert order_of_days(["03/04/2016", "20/10/2018"]) == DAY_FIRST
    assert order_of_days(["03/04/2016", "4/22/2018"]) == MONTH_FIRST
    assert order_of_days(["03/04/2016"]) is None
    assert (read_day("12.03.2018", DAY_FIRST), read_day("3/12/18", MONTH_FIRST)) == ("2018-03-12", "2018-03-12")
    assert (read_day("2018", DAY_FIRST), read_day("31.02.2018", DAY_FIRST)) == (None, None)


@pytest.mark.parametrize(
    ("cell", "value", "more"),
    [
        ("1892 or 1893", {"one_of": [1892, 1893]}, {}), ("1892/93", {"one_of": [1892, 1893]}, {}),
        ("1918/7", 1918, {"variety": "overdate"}), ("1848/1898", 1898, {}), ("n.d.", {"none": True}, {}),
        ("o.J.", {"none": True}, {}), ("????", None, {}), ("worn", None, {}), ("1917-D", 1917, {"mintmark": "D"}),
        ("1918/7-D", 1918, {"variety": "overdate", "mintmark": "D"}), ("1840 or 1880", {"one_of": [1840, 1880]}, {}),
    ],
)  # fmt: skip
def test_years(cell: str, value: Any, more: dict[str, Any]) -> None:
    read = read_year(cell)
    assert read is not None
    assert (read.value, dict(read.more)) == (value, more)
    assert read_year("1892") is None


def test_a_name_of_several_issuers_is_told_by_the_year_or_asked_with_its_years() -> None:
    raw = b"No;Country;Year\n1;Ruritania;1900\n2;Ruritania;1900\n3;Italy;1900\n"
    read = looked(raw, answers={"issuer": {"Ruritania": None}})
    assert [row.facts.get("issuer") for row in read.sent] == [None, None, "IT"]
    assert read.sent[0].kept == (("Country", "Ruritania"),)


def test_names_of_terms() -> None:
    motifs = index_of(vocabularies()["motifs"])
    assert motifs.within("Two dolphins and a Polar bear") == ("dolphin", "polar_bear")
    assert index_of(vocabularies()["issuers"]).named("SUDAFRIKA").value == "ZA"  # type: ignore[union-attr]


def test_words_that_rules_have_are_taken_whatever_the_letter_case_and_what_is_none_of_them_is_asked() -> None:
    raw = b"No;Denomination;reverse_design\n1;300 MARK;english-lions\n2;1 Mark;English lyon\n3;1/4 Mark;A lion\n"
    used = {"denomination": ["300 mark", "1 mark"], "reverse_design": ["English lion", "wren"]}
    read = looked(raw, used)
    facts = [(row.facts["denomination"], row.facts["reverse_design"]) for row in read.sent]
    # What is not understood is kept as it is.
    assert facts == [("300 mark", "English lion"), ("mark", "English lyon"), ("1/4 Mark", "A lion")]
    assert read.cells is not None
    asked = {entry.value: [candidate.value for candidate in entry.candidates] for entry in read.cells.questions()}
    assert asked == {"English lyon": ["English lion"], "A lion": [], "1/4 Mark": []}
    # Nothing reads the design: any words will do.
    unread = looked(raw, {"denomination": ["300 mark"]})
    assert unread.cells is not None
    assert [entry.field for entry in unread.cells.questions()] == ["denomination"]


def test_cells_in_the_notation_of_collectors() -> None:
    """Common practice of the trade, no source."""
    raw = (
        b"No;Year;Grade;Problems;Fineness\n1;188?;VF-30;cleaned, edge knock;900/1000\n2;c. 1938;XF details;holed?;18 ct\n"
        b"3;AH 1327;MS64+;no problems;.925\n4;1892;about EF;stained;0,835\n"
    )
    read = looked(raw)
    facts = [row.facts for row in read.sent]
    assert [row["year_on_coin"] for row in facts] == [
        {"from": 1880, "to": 1889}, {"from": 1933, "to": 1943}, {"from": 1909, "to": 1910}
    ]  # fmt: skip
    # The Hijri year 1327 began on 23 January 1909 (from memory); what was written is kept.
    assert (facts[2]["date_as_written"], facts[2]["year_as_written"]) == ("AH 1327", 1327)
    assert facts[0]["problems"] == ["cleaned", "rim damage"]
    assert facts[1]["problems"] == {"has": [], "perhaps": ["holed"]}
    assert facts[2]["problems"] == []
    assert [float(row["fineness"]) for row in facts] == [0.9, 0.75, 0.925]
    # A stain is no problem of the list, and no neighbour of one.
    assert [(fault.line, fault.nearest) for fault in read.refused] == [(5, None)]


def test_a_column_of_dates_in_words_gives_the_years_too() -> None:
    raw = (
        b"No;Land;Jahr\n1;Deutschland;1875 A\n2;Iran;AH 1223\n3;England;ND (1644)\n4;England;c. 1720\n5;Italien;1897\n"
        b"6;Italien;unter Karl\n"
    )
    read = looked(raw)
    assert [column.field.name for column in read.columns if column.field] == ["number", "issuer", "date_as_written"]
    assert [row.facts.get("year_on_coin") for row in read.sent] == [
        1875, {"from": 1808, "to": 1809}, {"none": True}, {"from": 1715, "to": 1725}, 1897, None
    ]  # fmt: skip
    assert [row.facts["date_as_written"] for row in read.sent][:3] == ["1875 A", "AH 1223", "ND (1644)"]
    assert (read.sent[0].facts["mintmark"], read.sent[2].facts["struck"]) == ("A", 1644)
    # The year tells which issuer of the name is meant: the Empire of 1875.
    assert read.sent[0].facts["issuer"] == looked(b"No;Land;Jahr\n1;Deutschland;1875\n").sent[0].facts["issuer"]
    assert read.cells is not None
    assert next(entry.as_ for entry in read.cells.understood() if entry.value == "AH 1223")["year_as_written"] == 1223


def test_under_its_exact_name_a_date_as_written_comes_back_alone() -> None:
    (row,) = looked(b"number,year_on_coin,date_as_written\n1,,AH 1223\n").sent
    assert row.facts == {"date_as_written": "AH 1223"}


@pytest.mark.parametrize(
    ("cell", "facts"),
    [
        ("1223 AH", {"year_on_coin": {"from": 1808, "to": 1809}, "era": "AH"}),
        ("[1720]", {"year_on_coin": {"none": True}, "struck": 1720}),
        ("5709", {"year_on_coin": {"from": 1948, "to": 1949}, "era": "AM"}),
        ("2505", {"year_on_coin": 1962, "era": "BE"}),
    ],
)
def test_a_cell_among_plain_years_may_be_of_another_era_or_in_brackets(cell: str, facts: dict[str, Any]) -> None:
    read = looked(f"No;Year\n1;1900\n2;1901\n3;1902\n4;{cell}\n".encode())
    assert not read.refused
    assert read.sent[3].facts.items() >= facts.items()
    assert "mintmark" not in read.sent[3].facts


def test_weights_in_other_units_and_parts_of_twelve() -> None:
    raw = b"No;Weight;Fineness\n1;11.2 gm;11/12\n2;180 grains;9/10\n3;28.28 gr;0.925\n"
    read = looked(raw)
    assert not read.refused
    assert [(row.facts["weight_measured"], row.facts["fineness"]) for row in read.sent] == [
        (Decimal("11.2"), Decimal("0.917")),
        # A grain is 64.79891 mg (United States and Commonwealth, 1959).
        (Decimal("11.664"), Decimal("0.9")),
        (Decimal("28.28"), Decimal("0.925")),
    ]


def test_constants_hold_where_a_row_says_nothing_else() -> None:
    read = looked(
        b"No;Country;Denomination\n1;;1d\n2;Portugal;1 escudo\n", constants={"issuer": "GB", "object_kind": "coin"}
    )
    assert [row.facts["issuer"] for row in read.sent] == ["GB", "PT"]
    assert {row.facts["object_kind"] for row in read.sent} == {"coin"}
    with pytest.raises(Invalid) as refusal:
        looked(b"No\n1\n", constants={"grade": 99}, answers={"strike": {"x": "prof"}, "isuer": {"x": "GB"}})
    faults = refusal.value.faults
    assert [fault.pointer for fault in faults] == ["/constants/grade", "/answers/strike/x", "/answers/isuer"]
    assert faults[-1].message == "unknown attribute 'isuer': did you mean 'issuer'?"


# --- files that were made to hurt --------------------------------------------------------------------------------------

CELL = '<table:table-cell office:value-type="string"{}><text:p>x</text:p></table:table-cell>'
WIDE, LONG = ' table:number-columns-repeated="16000"', ' table:number-rows-repeated="1000000"'


@pytest.mark.parametrize(
    "body",
    [
        f"<table:table-row>{CELL.format(WIDE)}</table:table-row>",
        f"<table:table-row{LONG}>{CELL.format('')}</table:table-row>",
        f"<table:table-row{LONG}><table:table-cell/></table:table-row><table:table-row>{CELL.format('')}</table:table-row>",
        "<table:table-row>" + "<text:span>" * 300,
    ],
)
def test_an_opendocument_sheet_that_was_made_to_hurt_is_refused_before_it_takes_memory(body: str) -> None:
    raw = ods_of(body)
    tracemalloc.start()
    with pytest.raises(OverLimit):
        read_workbook(raw, most=20_000, most_columns=600)
    assert tracemalloc.get_traced_memory()[1] < 20_000_000
    tracemalloc.stop()


@pytest.mark.parametrize("body", ["<table:table-row>", "</table:table>", "&no;"])
def test_an_opendocument_sheet_that_is_no_xml_is_refused(body: str) -> None:
    with pytest.raises(Unreadable):
        read_workbook(ods_of(body), most=10, most_columns=10)


def test_an_archive_that_unpacks_to_too_much_is_refused() -> None:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("content.xml", bytes(65 * 1024 * 1024))
    with pytest.raises(OverLimit, match="unpacks"):
        read_workbook(made.getvalue(), most=10, most_columns=10)


def test_merged_cells_of_opendocument_say_the_same_of_each_row() -> None:
    spanned = CELL.format(' table:number-rows-spanned="3"')
    row = f"<table:table-row><table:covered-table-cell/>{CELL.format('')}</table:table-row>"
    sheet = read_workbook(ods_of(f"<table:table-row>{spanned}</table:table-row>{row * 3}"), most=10, most_columns=10)
    assert [cells for _, cells in sheet.rows] == [["x"], ["x", "x"], ["x", "x"], ["", "x"]]


@settings(max_examples=examples(60), deadline=None)
@given(raw=st.binary(max_size=120), boundary=st.text("ab-", max_size=4))
def test_any_bytes_are_parts_or_a_refusal(raw: bytes, boundary: str) -> None:
    declared = f"multipart/form-data; boundary={boundary}"
    for body in (
        raw,
        f"--{boundary}\r\n".encode() + raw,
        f"--{boundary}\r\n\r\n".encode() + raw + f"\r\n--{boundary}--".encode(),
    ):
        try:
            assert read_parts(body, declared)
        except Invalid as refusal:
            assert refusal.faults
