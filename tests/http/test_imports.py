"""Holdings brought from sheets and taken away again: nothing is lost, nothing is guessed in secret, all can be undone."""

from __future__ import annotations

import csv
import io
import json
import uuid
import zipfile
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.database.types import written
from service.errors import Invalid, OverLimit, Unreadable
from service.facts.core_attributes import CORE
from service.formats.strict_json import CSV, JSON, XLSX, parse_json, plain_text
from service.formats.xlsx import read_workbook
from service.holdings.imports.actions import ReadImport
from service.holdings.imports.export import export_csv, export_json, export_workbook
from service.holdings.imports.plan import is_same, plan_of
from service.holdings.model import StoredHolding, with_defaults
from service.http.api.imports import HoldingsImportIn, read_import
from service.http.dependencies import Received
from tests.clock import NOW
from tests.conftest import Running
from tests.http.examples import HOLDINGS_CSV, HOLDINGS_IMPORT
from tests.strategies import examples

pytestmark = pytest.mark.anyio

WHERE = "/v1/holdings/imports"


def sheet(*rows: tuple[Any, ...]) -> bytes:
    """A spreadsheet file, made by the library as any program would."""
    book = openpyxl.Workbook()
    for cells in rows:
        book.active.append(cells)
    made = io.BytesIO()
    book.save(made)
    return made.getvalue()


def looked_over(kind: str, value: Any, mapping: str | None = None) -> ReadImport:
    """What an import of this body comes to."""
    raw = value if isinstance(value, bytes) else value.encode() if isinstance(value, str) else b""
    return read_import(Received(HoldingsImportIn, kind, value, raw), mapping, None, CORE)


async def send(service: Running, mine: dict[str, str], content: bytes | str, query: str = "", kind: str = CSV) -> Any:
    raw = content.encode() if isinstance(content, str) else content
    return await service.client.post(f"{WHERE}{query}", content=raw, headers={**mine, "Content-Type": kind})


async def done(service: Running, mine: dict[str, str], content: bytes | str, query: str = "", kind: str = CSV) -> Any:
    answer = await send(service, mine, content, query, kind)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def collection(service: Running, mine: dict[str, str]) -> list[dict[str, Any]]:
    answer = await service.client.get("/v1/holdings/export", headers=mine)
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["holdings"]
    return found


async def undo(service: Running, mine: dict[str, str], identity: str) -> Any:
    return await service.client.post(f"{WHERE}/{identity}/undo", headers=mine)


def counts(answer: dict[str, Any]) -> tuple[int, int, int, int]:
    return answer["created"], answer["updated"], answer["unchanged"], answer["refused_rows"]


# --- without loss, whatever the texts ----------------------------------------------------------------------------------

LETTERS = st.characters(exclude_categories=["Cs"], exclude_characters="\0")
TEXTS = st.text(LETTERS, max_size=8) | st.sampled_from(
    ["-", "=1+1", "+1", "@a", " a", "a;b", "a|b", "1..2", "1-2", '"', "{", "[]", "1", "true", "\r", "\n", "", "_x0041_",
     "\ufffe", "\x1f", "#N/A", "1e5", "00012"]
)  # fmt: skip
NAMES = TEXTS.filter(lambda text: text != "")
NUMBERS = st.integers(1, 70) | st.decimals("0.01", "99", places=2, allow_nan=False) | st.just(Decimal("0.1" + "1" * 20))
YEARS = st.integers(-500, 2100)
VALUE = st.fixed_dictionaries(
    {"basis": st.just("paid"), "amount": st.decimals("0", "99", places=2), "currency": st.just("EUR")},
    optional={"note": TEXTS},
)
FACTS: dict[str, st.SearchStrategy[Any]] = {
    "mint": TEXTS | st.builds(lambda values: {"one_of": values}, st.lists(TEXTS, min_size=1, max_size=3)),
    "diameter": NUMBERS | st.builds(lambda low: {"from": low}, NUMBERS),
    "year_on_coin": YEARS
    | st.builds(lambda low, more: {"from": low, "to": low + more}, YEARS, st.integers(1, 9))
    | st.builds(lambda values: {"one_of": [*values, {"none": True}]}, st.lists(YEARS, max_size=3)),
    "commemorative": st.booleans(),
    "tender_from": st.dates().map(str) | st.just({"to": "1892-01-01"}),
    "motifs": st.lists(TEXTS, max_size=4) | TEXTS,
    # Nobody declared these; two bear the names of own fields.
    "shelf": TEXTS | NUMBERS | st.booleans() | st.lists(TEXTS, max_size=3),
    "number": TEXTS,
    "facts.id": NUMBERS,
    "=cmd": TEXTS,
}
HOLDINGS = st.fixed_dictionaries(
    {
        "facts": st.fixed_dictionaries(
            {}, optional={name: st.just({"none": True}) | made for name, made in FACTS.items()}
        )
    },
    optional={
        "issue": NAMES | st.builds(lambda names: {"one_of": names}, st.lists(NAMES, min_size=1, max_size=3)),
        "quantity": st.integers(1, 9),
        "status": st.sampled_from(["held", "for trade", "on approval", "sold"]),
        "number": TEXTS,
        "note": TEXTS,
        "location": TEXTS,
        "tags": st.lists(NAMES, max_size=3),
        "values": st.lists(VALUE, max_size=2),
        "mark": st.sampled_from(["keep", "replace"]),
        "price_paid": st.fixed_dictionaries({"amount": st.integers(0, 10**6), "currency": st.just("EUR")}),
        "bought_from": NAMES,
        "bought_on": st.dates().map(str),
    },
)


def as_kept(sent: dict[str, Any]) -> StoredHolding:
    """A holding as POST would keep it."""
    looked = looked_over(JSON, {"holdings": [sent]})
    assert looked.refused == ()
    (planned,) = plan_of(looked.sent, []).planned
    identity = str(uuid.UUID(int=uuid.uuid4().int & ~(0xF << 76) & ~(0x3 << 62) | 7 << 76 | 2 << 62))
    return StoredHolding(identity, 1, 1, planned.after, NOW, NOW)


def csv_again(kept: list[StoredHolding]) -> ReadImport:
    return looked_over(CSV, plain_text(export_csv(kept, CORE).encode()))


def workbook_again(kept: list[StoredHolding]) -> ReadImport:
    return looked_over(XLSX, export_workbook(kept, CORE))


def json_again(kept: list[StoredHolding]) -> ReadImport:
    return looked_over(JSON, parse_json(written(export_json(kept)).encode()))


@pytest.mark.parametrize("again", [csv_again, workbook_again, json_again])
@settings(max_examples=examples(40), deadline=None)
@given(sent=st.lists(HOLDINGS, max_size=3))
def test_a_collection_taken_away_and_brought_to_an_empty_account_is_the_same(
    again: Callable[[list[StoredHolding]], ReadImport], sent: list[dict[str, Any]]
) -> None:
    kept = [as_kept(one) for one in sent]
    looked = again(kept)
    assert (looked.refused, looked.columns_refused) == ((), ())
    plan = plan_of(looked.sent, [])
    assert [planned.id for planned in plan.planned] == [holding.id for holding in kept]
    for planned, holding in zip(plan.planned, kept, strict=True):
        assert is_same(planned.after, with_defaults(holding.data))
    # And to the account that it came from it brings nothing new.
    assert {planned.outcome for planned in plan_of(looked.sent, kept).planned} <= {"unchanged"}


@settings(max_examples=examples(40), deadline=None)
@given(sent=HOLDINGS)
def test_no_cell_that_is_taken_away_is_a_formula(sent: dict[str, Any]) -> None:
    kept = [as_kept(sent)]
    for cells in csv.reader(io.StringIO(export_csv(kept, CORE), newline="")):
        for cell in cells:
            # A hyphen alone and a negative number are none.
            assert cell[:1] not in ("=", "+", "@", "\t", "\r")
            assert cell[:1] != "-" or cell == "-" or cell[1:2].isdigit()
    for cells in openpyxl.load_workbook(io.BytesIO(export_workbook(kept, CORE))).active.iter_rows():
        assert {cell.data_type for cell in cells} <= {"s", "n"}


def test_a_cell_that_is_too_long_for_a_spreadsheet_is_told_and_not_cut() -> None:
    kept = [as_kept({"facts": {"mint": {"one_of": [f"{n} " + "x" * 1_900 for n in range(20)]}}})]
    with pytest.raises(OverLimit, match="32767 characters"):
        export_workbook(kept, CORE)
    assert len(export_csv(kept, CORE)) > 32_767


# --- what cells say ----------------------------------------------------------------------------------------------------


def looked_at(text: str) -> ReadImport:
    return looked_over(CSV, text)


@pytest.mark.parametrize(
    ("name", "cell", "fact"),
    [
        ("year_on_coin", "1892", 1892),
        ("year_on_coin", "1890-1895", {"from": 1890, "to": 1895}),
        ("year_on_coin", "1890 \u2013 1895", {"from": 1890, "to": 1895}),
        ("year_on_coin", "-50--30", {"from": -50, "to": -30}),
        ("year_on_coin", "1890..", {"from": 1890}),
        ("year_on_coin", "..1895", {"to": 1895}),
        ("year_on_coin", "1892|1893", {"one_of": [1892, 1893]}),
        ("year_on_coin", "1892|-", {"one_of": [1892, {"none": True}]}),
        ("year_on_coin", '{"one_of": [1, 2]}', {"one_of": [1, 2]}),
        ("diameter", "28.50", Decimal("28.50")),
        ("diameter", "28.5-29", {"from": Decimal("28.5"), "to": 29}),
        ("tender_from", "1887-06-20", "1887-06-20"),
        ("tender_from", "1887-06-20..1888-01-01", {"from": "1887-06-20", "to": "1888-01-01"}),
        ("mintmark", "-", {"none": True}),
        ("mint", "Oldport|Newport", {"one_of": ["Oldport", "Newport"]}),
        ("mint", "Saint-Elm 1-2", "Saint-Elm 1-2"),
        ("problems", "holed; bent", ["holed", "bent"]),
        ("commemorative", "Yes", True),
        ("strike", "Proof", "proof"),
        ("shape", "spanish flower", "Spanish flower"),
        ("problems", "Holed;bent", ["holed", "bent"]),
        ("facts.shelf", "top", "top"),
        ("facts.shelf", "5", 5),
        ("facts.shelf", '"5"', "5"),
    ],
)
def test_a_cell_is_read_by_its_attribute(name: str, cell: str, fact: Any) -> None:
    quoted = cell.replace('"', '""')
    looked = looked_at(f'{name}\n"{quoted}"\n')
    assert looked.refused == ()
    (sent,) = looked.sent
    assert list(sent.facts.values()) == [fact]


def test_own_fields_of_a_purchase_and_marks_are_read_from_cells() -> None:
    looked = looked_at(
        "number,mark,price_paid,dealer,purchase date\n1,Keep,12.50 EUR,Marrow & Sedge,2024-05-01\n"
        '2,-,gbp 3,,\n3,,"{""amount"": 4, ""currency"": ""USD""}",,\n'
    )
    assert looked.refused == ()
    first, second, third = (sent.own for sent in looked.sent)
    assert first == {
        "number": "1",
        "mark": "keep",
        "price_paid": {"amount": Decimal("12.50"), "currency": "EUR"},
        "bought_from": "Marrow & Sedge",
        "bought_on": "2024-05-01",
    }
    assert (second["mark"], second["price_paid"]) == (None, {"amount": 3, "currency": "GBP"})
    assert third["price_paid"] == {"amount": 4, "currency": "USD"}


@pytest.mark.parametrize(
    ("name", "cell", "code", "near"),
    [
        ("strike", "prof", "value", "proof"),
        ("grade", "75", "value", "70"),
        ("grade", "0", "value", "1"),
        ("grade", "a lovely one", "type", None),
        ("year_on_coin", "1895-1890", "reversed-range", None),
        ("year_on_coin", "1890-1895|1900", "form", None),
        ("tender_from", "20.6.1887", "type", None),
        ("status", "hel", "literal-error", "held"),
        ("quantity", "many", "int-type", None),
        ("quantity", "0", "greater-than-equal", None),
        ("values", "120 EUR", "syntax", None),
        ("price_paid", "120", "price", None),
        ("price_paid", "-3 EUR", "money", None),
        ("bought_on", "1.5.2024", "date", None),
        ("mark", "kep", "literal-error", None),
        ("id", "01939f6e-0000-4000-8000-00000000000a", "id", None),
    ],
)
def test_a_refused_cell_says_where_why_and_what_may_have_been_meant(
    name: str, cell: str, code: str, near: str | None
) -> None:
    (complaint,) = looked_at(f"mint,{name}\na,\nb,{cell}\n").refused
    shown = complaint.shown()
    assert (shown.row, shown.line, shown.column, shown.heading) == (2, 3, 2, name)
    assert (shown.code, shown.nearest) == (code, near)
    assert shown.pointer.startswith("/holdings/1/")


@pytest.mark.parametrize(
    "text",
    [
        "\ufeffnumber,note\r\n1,x\r\n",
        "number;note\n1;x\n",
        "number\tnote\n1\tx\n",
        '"number"\r\n\r\n"1"\r\n',
        'number,"note\nwith a break"\n1,x\n',
        # A separator of records ends no line.
        "number,note\n1,a;b\x1ec;d\x1ee;f\n",
    ],
)
def test_a_sheet_may_have_a_mark_other_delimiters_blank_lines_and_breaks_in_quotes(text: str) -> None:
    looked = looked_over(CSV, plain_text(text.encode()), '[{"column":1,"field":"number"}]')
    assert [sent.number for sent in looked.sent] == ["1"]


def test_a_break_inside_of_quotes_is_kept() -> None:
    (sent,) = looked_at('number,note\r\n1,"one\r\ntwo; three"\r\n').sent
    assert sent.own["note"] == "one\r\ntwo; three"


def test_a_cell_beyond_the_headings_refuses_its_row() -> None:
    looked = looked_at("number,note\n1,a,b\n2,c\n3\n")
    assert [complaint.row for complaint in looked.refused] == [1]
    assert [sent.number for sent in looked.sent] == ["2", "3"]


# --- columns -----------------------------------------------------------------------------------------------------------


async def test_columns_are_guessed_and_shown_and_one_that_is_not_understood_goes_into_the_note(
    service: Running,
) -> None:
    mine = service.collector()
    text = "number,Year,Xyzzy,Metal\n1,1890,?,silver\n"
    shown = await done(service, mine, text, "?dry_run=true")
    assert [(c["column"], c["heading"], c["field"], c["guessed"]) for c in shown["mapping"]] == [
        (1, "number", "number", False),
        (2, "Year", "year_on_coin", True),
        (3, "Xyzzy", None, True),
        (4, "Metal", "material", True),
    ]
    assert shown["refused"] == []
    assert [(c["heading"], c["field"], c["sample"]) for c in shown["columns"]][2] == ("Xyzzy", None, ["?"])
    assert shown["items"][0]["after"]["note"] == "Xyzzy: ?"
    again = (await done(service, mine, text), await done(service, mine, text))
    assert [(answer["created"], answer["unchanged"]) for answer in again] == [(1, 0), (0, 1)]
    assert [holding["note"] for holding in await collection(service, mine)] == ["Xyzzy: ?"]
    mine = service.collector()
    # The mapping may be sent back as it came, with what was missing.
    shown["mapping"][2]["field"] = "facts.riddle"
    params = {"mapping": json.dumps(shown["mapping"])}
    headers = {**mine, "Content-Type": CSV}
    answer = await service.client.post(WHERE, content=text.encode(), params=params, headers=headers)
    assert answer.status_code == 200, answer.text
    assert not any(column["guessed"] for column in answer.json()["mapping"])
    (holding,) = await collection(service, mine)
    assert holding["facts"] == {"year_on_coin": 1890, "riddle": "?", "material": "silver"}
    assert answer.json()["unknown_attributes"][0]["attribute"] == "riddle"


@pytest.mark.parametrize(
    "mapping", ["{", "3", '{"zz": "note"}', '{"number": "finess"}', '[{"column": 9, "field": null}]']
)
async def test_a_mapping_that_cannot_be_is_refused(service: Running, mapping: str) -> None:
    mine = service.collector()
    headers = {**mine, "Content-Type": CSV}
    answer = await service.client.post(WHERE, content=b"number\n1\n", params={"mapping": mapping}, headers=headers)
    assert (answer.status_code, answer.json()["type"].rsplit("/", 1)[1]) == (422, "invalid-query"), answer.text


async def test_members_of_json_are_columns_too(service: Running) -> None:
    mine = service.collector()
    answer = await service.client.post(WHERE, json=HOLDINGS_IMPORT, headers=mine)
    assert counts(answer.json()) == (2, 0, 0, 0)
    assert [h["facts"].get("material") for h in await collection(service, mine)] == [None, "silver"]
    answer = await service.client.post(WHERE, json={"holdings": [{"number": "C-2", "location": None}]}, headers=mine)
    assert counts(answer.json()) == (0, 1, 0, 0)
    assert answer.json()["items"][0]["before"] == {"location": "tray 3"}
    answer = await service.client.post(WHERE, json={"holdings": [{"Xyzzy": 1}, None]}, headers=mine)
    assert [e["pointer"] for e in answer.json()["errors"]] == ["/holdings/0/Xyzzy", "/holdings/1"]


async def test_a_member_of_json_that_is_not_understood_is_told_with_what_is_near(service: Running) -> None:
    rows = {"holdings": [{"Xyzzy": 1, "location": "tray 3", "locaton": "tray 4"}]}
    answer = await service.client.post(WHERE, json=rows, headers=service.collector())
    hints = {error["pointer"]: error["hint"] for error in answer.json()["errors"]}
    assert list(hints) == ["/holdings/0/Xyzzy", "/holdings/0/locaton"]
    assert "did you mean" not in hints["/holdings/0/Xyzzy"]
    assert "did you mean 'location'?" in hints["/holdings/0/locaton"]


# --- all or none, and the same again -----------------------------------------------------------------------------------


async def test_a_dry_run_stores_nothing_and_the_real_one_what_it_said(service: Running) -> None:
    mine = service.collector()
    dry = await done(service, mine, HOLDINGS_CSV, "?dry_run=true")
    assert (dry["import_id"], counts(dry)) == (None, (2, 0, 0, 0))
    assert await collection(service, mine) == []
    real = await done(service, mine, HOLDINGS_CSV, "?name=tray+3.csv")
    assert {**real, "import_id": None, "dry_run": True} == dry
    again = await done(service, mine, HOLDINGS_CSV)
    assert counts(again) == (0, 0, 2, 0)
    first = (await collection(service, mine))[0]
    assert first["facts"]["year_on_coin"] == {"one_of": [1892, 1893]}
    assert (first["facts"]["mintmark"], first["note"]) == ({"none": True}, "Bought at a fair.")


async def test_other_content_changes_the_holding_by_the_fields_that_the_sheet_has(service: Running) -> None:
    mine = service.collector()
    await done(service, mine, "number,grade,mint,note\n1,40,Oldport,kept\n")
    changed = await done(service, mine, "number,grade,mint\n1,45,\n2,,\n")
    assert counts(changed) == (1, 1, 0, 0)
    row = next(item for item in changed["items"] if item["outcome"] == "updated")
    assert (row["before"], row["after"]) == ({"grade": 40, "mint": "Oldport"}, {"grade": 45})
    first = (await collection(service, mine))[0]
    assert (first["facts"], first["note"]) == ({"grade": 45}, "kept")


async def test_a_range_gives_way_to_alternatives(service: Running) -> None:
    mine = service.collector()
    await done(service, mine, "number,year_on_coin\n1,1890-1895\n")
    await done(service, mine, "number,year_on_coin\n1,1892|1893\n")
    assert (await collection(service, mine))[0]["facts"] == {"year_on_coin": {"one_of": [1892, 1893]}}


async def test_one_refused_row_refuses_all_unless_it_is_to_be_skipped(service: Running) -> None:
    mine = service.collector()
    text = "number,grade,strike\n1,40,proof\n2,99,prof\n1,41,proof\n"
    answer = await send(service, mine, text)
    assert answer.status_code == 422
    assert [(e["pointer"], e["line"], e.get("column")) for e in answer.json()["errors"]] == [
        ("/holdings/1/facts/grade", 3, 2),
        ("/holdings/1/facts/strike", 3, 3),
        ("/holdings/2/number", 4, 1),
    ]
    assert await collection(service, mine) == []
    assert (await service.client.get(WHERE, headers=mine)).json()["items"] == []
    skipped = await done(service, mine, text, "?skip_refused=true")
    assert counts(skipped) == (1, 0, 0, 2)
    assert [(c["row"], c["field"], c["nearest"]) for c in skipped["refused"]] == [
        (2, "grade", "70"),
        (2, "strike", "proof"),
        (3, "number", None),
    ]
    assert (await service.client.get(WHERE, headers=mine)).json()["items"][0]["refused"] == 2


async def test_rows_without_a_number_are_made_again_and_the_answer_says_so(service: Running) -> None:
    mine = service.collector()
    for held in (2, 4):
        answer = await done(service, mine, "denomination\npenny\npenny\n")
        assert (answer["created"], answer["without_number"]) == (2, 2)
        assert len(await collection(service, mine)) == held


async def test_an_import_sent_twice_with_one_key_happens_once(service: Running) -> None:
    mine = {**service.collector(), "Idempotency-Key": "k"}
    first = await send(service, mine, "denomination\npenny\n")
    again = await send(service, mine, "denomination\npenny\n")
    assert first.content == again.content
    assert len(await collection(service, mine)) == 1


async def test_an_id_that_was_deleted_is_not_used_again(service: Running) -> None:
    mine = service.collector()
    await done(service, mine, "number\n1\n")
    (holding,) = await collection(service, mine)
    await service.client.delete(f"/v1/holdings/{holding['id']}", headers={**mine, "If-Match": "*"})
    answer = await send(service, mine, f"id,number\n{holding['id']},1\n")
    assert [(e["pointer"], e["hint"]) for e in answer.json()["errors"]] == [
        ("/holdings/0/id", "leave the id out to record it as a new holding")
    ]


# --- undone ------------------------------------------------------------------------------------------------------------


async def test_a_whole_import_is_undone(service: Running) -> None:
    mine = service.collector()
    await done(service, mine, "number,grade,year_on_coin,note\n1,40,1890-1895,old\n")
    before = await collection(service, mine)
    text = "number,grade,year_on_coin,note\n1,45,1892|1893,\n2,50,,\n,60,,\n"
    made = await done(service, mine, text, "?name=fair.csv")
    assert len(await collection(service, mine)) == 3
    answer = await undo(service, mine, made["import_id"])
    assert answer.status_code == 200, answer.text
    assert answer.json()["undone"] == {"destroyed": 2, "set_back": 1, "gone": 0, "kept": []}
    assert await collection(service, mine) == before
    assert (await undo(service, mine, made["import_id"])).status_code == 409
    listed = (await service.client.get(WHERE, headers=mine)).json()["items"]
    assert [(item["name"], item["created"], item["undone_at"] is not None) for item in listed] == [
        ("fair.csv", 2, True),
        (None, 1, False),
    ]
    shown = await service.client.get(f"{WHERE}/{made['import_id']}", headers=mine)
    assert shown.json() == listed[0] == answer.json()


async def test_what_was_changed_since_is_kept_and_listed(service: Running) -> None:
    mine = service.collector()
    await done(service, mine, "number,grade,note\n1,40,old\n2,41,old\n")
    made = await done(service, mine, "number,grade,note\n1,45,new\n2,46,new\n3,50,\n4,51,\n5,52,\n")
    by_number = {holding["number"]: holding["id"] for holding in await collection(service, mine)}
    headers = {**mine, "If-Match": "*", "Content-Type": "application/merge-patch+json"}
    for number in ("1", "3"):
        patch = json.dumps({"facts": {"grade": 60}}).encode()
        where = f"/v1/holdings/{by_number[number]}"
        assert (await service.client.patch(where, content=patch, headers=headers)).status_code == 200
    for number in ("2", "4"):
        where = f"/v1/holdings/{by_number[number]}"
        assert (await service.client.delete(where, headers={**mine, "If-Match": "*"})).status_code == 204
    undone = (await undo(service, mine, made["import_id"])).json()["undone"]
    assert (undone["destroyed"], undone["set_back"], undone["gone"]) == (1, 1, 1)
    kept = {entry["holding"]: (entry["number"], entry["reason"], sorted(entry["fields"])) for entry in undone["kept"]}
    assert kept == {
        by_number["1"]: ("1", "changed since", ["grade"]),
        by_number["3"]: ("3", "changed since", []),
        by_number["2"]: (None, "deleted since", ["grade", "note"]),
    }
    left = {
        holding["number"]: (holding["facts"]["grade"], holding["note"]) for holding in await collection(service, mine)
    }
    assert left == {"1": (60, "old"), "3": (60, None)}


async def test_what_a_definition_forbids_meanwhile_is_kept(service: Running) -> None:
    mine = service.collector()
    await done(service, mine, "number,facts.shelf\n1,top\n")
    made = await done(service, mine, "number,facts.shelf\n1,5\n")
    slots = [{"id": "a", "accepts": "shelf = 1"}]
    attributes = [{"name": "shelf", "type": "integer"}]
    document = {"format": "set-definition/1", "title": "x", "attributes": attributes, "slots": slots}
    assert (await service.client.post("/v1/definitions", json={"document": document}, headers=mine)).status_code == 201
    undone = (await undo(service, mine, made["import_id"])).json()["undone"]
    assert [(kept["number"], kept["reason"]) for kept in undone["kept"]] == [("1", "not allowed any more")]
    assert (await collection(service, mine))[0]["facts"] == {"shelf": 5}


async def test_anothers_import_does_not_exist(service: Running) -> None:
    made = await done(service, service.collector(), "number\n1\n")
    stranger = service.collector()
    assert (await undo(service, stranger, made["import_id"])).status_code == 404
    assert (await service.client.get(f"{WHERE}/{made['import_id']}", headers=stranger)).status_code == 404
    assert (await service.client.get(WHERE, headers=stranger)).json()["items"] == []


async def test_imports_are_listed_page_by_page_the_newest_first(service: Running) -> None:
    mine = service.collector()
    for name in "abc":
        await done(service, mine, f"number\n{name}\n", f"?name={name}")
    found, address = [], f"{WHERE}?limit=2"
    while address:
        answer = (await service.client.get(address, headers=mine)).json()
        found += [item["name"] for item in answer["items"]]
        address = answer["next"]
    assert found == ["c", "b", "a"]


# --- files -------------------------------------------------------------------------------------------------------------


async def test_a_spreadsheet_is_read_with_its_numbers_dates_and_ticks(service: Running) -> None:
    mine = service.collector()
    raw = sheet(
        ("No.", "Year", "Diameter (mm)", "tender_from", "commemorative", "Notes"),
        (17, 1890, 28.5, datetime(1887, 6, 20), True, "a\nb"),
        (None, None, None, None, None, None),
        (18.0, "1892|1893", 29, None, False, "=kept as it is"[1:]),
    )
    made = await done(service, mine, raw, kind=XLSX)
    assert (made["format"], made["sheet"], made["rows"]) == ("xlsx", "Sheet", 2)
    assert [(holding["number"], holding["note"], holding["facts"]) for holding in await collection(service, mine)] == [
        (
            "17",
            "a\nb",
            {"year_on_coin": 1890, "diameter": 28.5, "tender_from": "1887-06-20", "commemorative": True},
        ),
        ("18", "kept as it is", {"year_on_coin": {"one_of": [1892, 1893]}, "diameter": 29, "commemorative": False}),
    ]


async def test_a_formula_without_a_value_is_told_with_its_cell(service: Running) -> None:
    raw = sheet(("number", "grade"), ("1", "=20+20"), ("2", 40))
    shown = await done(service, service.collector(), raw, "?dry_run=true", XLSX)
    assert [(c["row"], c["line"], c["column"], c["field"], c["code"]) for c in shown["refused"]] == [
        (1, 2, 2, "grade", "cell")
    ]


def test_of_a_formula_its_value_counts() -> None:
    cell = b't="inlineStr"><is><t>40</t></is>'
    raw = with_part(
        sheet(("number", "grade"), ("1", "40")), FIRST, lambda xml: xml.replace(cell, b"><f>20+20</f><v>40</v>")
    )
    assert b"<f>" in zipfile.ZipFile(io.BytesIO(raw)).read(FIRST)
    assert read_workbook(raw, most=10, most_columns=10).rows[1] == (2, ["1", "40"])


async def test_other_sheets_are_named(service: Running) -> None:
    book = openpyxl.Workbook()
    book.active.append(("number",))
    for name in ("More", "Empty"):
        book.create_sheet(name)
    book["More"].append(("x",))
    made = io.BytesIO()
    book.save(made)
    shown = await done(service, service.collector(), made.getvalue(), "?dry_run=true", XLSX)
    assert (shown["sheet"], shown["other_sheets"]) == ("Sheet", ["More"])


@pytest.mark.parametrize("form", ["csv", "xlsx", "json"])
async def test_a_collection_moves_to_an_empty_account_ids_and_all(service: Running, form: str) -> None:
    mine, other = service.collector(), service.collector()
    await done(service, mine, HOLDINGS_CSV)
    await done(service, mine, "note,facts.shelf,tags\n=1+1,top,a;b\n")
    taken = await service.client.get(f"/v1/holdings/export?format={form}", headers=mine)
    kind = taken.headers["content-type"].partition(";")[0]
    assert kind == {"csv": CSV, "xlsx": XLSX, "json": JSON}[form]
    assert taken.headers["content-disposition"] == f'attachment; filename="holdings.{form}"'
    assert counts(await done(service, other, taken.content, kind=kind)) == (3, 0, 0, 0)
    assert await collection(service, other) == await collection(service, mine)
    assert counts(await done(service, mine, taken.content, kind=kind)) == (0, 0, 3, 0)


async def test_bytes_that_are_none_in_the_encoding_that_was_named_are_refused(service: Running) -> None:
    mine = service.collector()
    raw = "number,note\n1,K\u00f6nigreich\n".encode("latin-1")
    options = '?options={"layout":{"encoding":"utf-8"}}'
    answer = await send(service, mine, raw, options)
    assert answer.status_code == 400
    assert "no utf-8" in answer.json()["detail"]
    assert await collection(service, mine) == []
    shown = await done(service, mine, raw, "?dry_run=true")
    assert shown["layout"]["encoding"] == "windows-1252"
    assert shown["items"][0]["after"]["note"] == "K\u00f6nigreich"


async def test_another_sheet_of_a_workbook_is_chosen_by_its_name(service: Running) -> None:
    book = openpyxl.Workbook()
    book.active.append(("number", "grade"))
    book.active.append(("1", 20))
    book.active.title = "Swaps"
    for name, grade in (("Coins", 40), ("Secret", 50)):
        more = book.create_sheet(name)
        more.append(("number", "grade"))
        more.append(("2", grade))
    book["Secret"].sheet_state = "hidden"
    made = io.BytesIO()
    book.save(made)
    mine = service.collector()
    first = await done(service, mine, made.getvalue(), "?dry_run=true", kind=XLSX)
    assert (first["sheet"], first["other_sheets"], first["layout"]["sheet"]) == ("Swaps", ["Coins"], "Swaps")
    options = '?dry_run=true&options={"layout":{"sheet":"Coins"}}'
    second = await done(service, mine, made.getvalue(), options, kind=XLSX)
    assert (second["sheet"], second["other_sheets"], second["layout"]["sheet"]) == ("Coins", ["Swaps"], "Coins")
    assert second["items"][0]["after"] == {"number": "2", "grade": 40}
    for wanted, hint in (("Coinss", "did you mean 'Coins'?"), ("Secret", "its visible sheets: 'Swaps', 'Coins'")):
        refused = await send(service, mine, made.getvalue(), f'?options={{"layout":{{"sheet":"{wanted}"}}}}', kind=XLSX)
        (fault,) = refused.json()["errors"]
        assert (refused.status_code, fault["pointer"], fault["hint"]) == (422, "/layout/sheet", hint), refused.text
    text = await send(service, mine, b"number,grade\n1,20\n", '?options={"layout":{"sheet":"Coins"}}')
    assert (text.status_code, text.json()["errors"][0]["pointer"]) == (422, "/layout/sheet")
    assert await collection(service, mine) == []


@pytest.mark.parametrize("kind", [CSV, XLSX])
async def test_refused_rows_are_shown_as_they_stand_and_mended_cell_by_cell(service: Running, kind: str) -> None:
    rows = (
        ("My coins",),
        ("number", "grade", "note"),
        ("1", "20", "first"),
        ("2", "2O", "second"),
        ("3", "30", "a", "b"),
    )
    raw = "\n".join(";".join(cells) for cells in rows).encode() if kind == CSV else sheet(*rows)
    mine = service.collector()
    shown = await done(service, mine, raw, "?dry_run=true", kind)
    assert shown["not_recorded"] == [
        {"row": 2, "line": 4, "cells": ["2", "2O", "second"]},
        {"row": 3, "line": 5, "cells": ["3", "30", "a", "b"]},
    ]
    cells = [{"line": 4, "column": 2, "text": "20"}, {"line": 5, "column": 4, "text": ""}]

    async def again(query: str, *cells: dict[str, Any]) -> Any:
        parts = {"file": ("a", raw, kind), "options": (None, json.dumps({"cells": cells}), "application/json")}
        return await service.client.post(f"{WHERE}{query}", files=parts, headers=mine)

    first = (await again("?dry_run=true", cells[0])).json()
    assert (counts(first), [row["line"] for row in first["not_recorded"]]) == ((2, 0, 0, 1), [5])
    for wrong in ({"line": 9, "column": 1, "text": "x"}, {"line": 4, "column": 601, "text": "x"}):
        refused = await again("", wrong)
        assert (refused.status_code, refused.json()["errors"][0]["pointer"].split("/")[1]) == (422, "cells"), (
            refused.text
        )
    stored = (await again("", *cells)).json()
    assert (counts(stored), stored["not_recorded"]) == ((3, 0, 0, 0), [])
    assert [(one["number"], one["facts"]["grade"], one["note"]) for one in await collection(service, mine)] == [
        ("1", 20, "first"),
        ("2", 20, "second"),
        ("3", 30, "a"),
    ]


@pytest.mark.parametrize(
    "options",
    [
        b"", b"[]", b"null", b"{", b'{"layout": 7}', b'{"layout": {"sheet": ""}}', b'{"layout": {"sheet": "\\ud800"}}',
        b'{"layout": {"sheet": 1}}', b'{"layout": {"heading_row": 0}}', b'{"constants": []}', b'{"constants": {"grade": 99}}',
        b'{"answers": {"issuer": "GB"}}', b'{"columns": [[]]}', b'{"layout": {}, "layout": {}}', b'{"x": 1}', b"\xff\xfe",
        b'{"constants": {"grade": NaN}}', b"[" * 5_000, b'{"cells": [{"line": 1, "column": 0, "text": ""}]}',
        b'{"cells": [{"line": 1, "text": "x"}]}', b'{"cells": {}}',
    ],
)  # fmt: skip
async def test_options_that_are_none_are_refused_and_nothing_is_kept(service: Running, options: bytes) -> None:
    mine = service.collector()
    parts = {"file": ("a.csv", b"number,grade\n1,20\n", "text/csv"), "options": (None, options, "application/json")}
    answer = await service.client.post("/v1/holdings/imports", files=parts, headers=mine)
    assert answer.status_code in (400, 422), answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["errors"] or answer.json()["detail"]
    assert await collection(service, mine) == []


def packed(**parts: bytes) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name.replace("__", "/") + ".xml", content)
    return made.getvalue()


def with_part(raw: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    """The file with one of its parts changed."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in old.namelist():
            archive.writestr(part, change(old.read(part)) if part == name else old.read(part))
    return made.getvalue()


SOUND = sheet(("number",), ("1",))
FIRST = "xl/worksheets/sheet1.xml"


@pytest.mark.parametrize(
    ("what", "raw", "status"),
    [
        ("no zip", b"PK\x03\x04 and nothing more", 400),
        ("half a file", SOUND[: len(SOUND) // 2], 400),
        ("a zip of something else", packed(a=b"<a/>"), 400),
        ("zeros that unpack to 65 MiB", packed(a=bytes(65 * 1024 * 1024)), 422),
        ("1,001 parts", packed(**{f"p{n}": b"" for n in range(1_001)}), 422),
        ("entities", with_part(SOUND, FIRST, lambda xml: b'<!DOCTYPE a [<!ENTITY b "c">]>' + xml), 400),
        ("broken XML", with_part(SOUND, FIRST, lambda xml: xml[:-20]), 400),
        (
            "a text that is not there",
            with_part(SOUND, FIRST, lambda xml: xml.replace(b't="inlineStr"><is><t>1</t></is>', b't="s"><v>99</v>')),
            400,
        ),
        ("a row beyond all", with_part(SOUND, FIRST, lambda xml: xml.replace(b'r="2"', b'r="999999999"')), 422),
        ("a column beyond all", with_part(SOUND, FIRST, lambda xml: xml.replace(b'r="A2"', b'r="XFD2"')), 422),
    ],
)
async def test_a_file_that_was_made_to_hurt_is_refused(service: Running, what: str, raw: bytes, status: int) -> None:
    assert len(raw) < 200_000, what
    answer = await send(service, service.collector(), raw, kind=XLSX)
    assert (answer.status_code, len(answer.json()["errors"])) == (status, 1), (what, answer.text)


def test_what_a_sheet_says_of_its_own_size_is_not_believed() -> None:
    grown = with_part(SOUND, FIRST, lambda xml: xml.replace(b'ref="A1:A2"', b'ref="A1:XFD1048576"'))
    assert grown != SOUND
    assert read_workbook(grown, most=10, most_columns=10).rows == ((1, ["number"]), (2, ["1"]))


def test_more_rows_than_one_import_takes_are_refused() -> None:
    text = "number\n" + "".join(f"{n}\n" for n in range(20_001))
    with pytest.raises(OverLimit, match="up to 20000 rows"):
        looked_at(text)
    with pytest.raises(OverLimit, match="up to 5 rows"):
        read_workbook(sheet(*[("x",)] * 7), most=5, most_columns=10)


@pytest.mark.parametrize(("text", "refusal"), [('number,"b', Unreadable), ("17", Invalid), ("Xyzzy\n\n", Invalid)])
def test_what_is_no_sheet_of_holdings_is_refused(text: str, refusal: type[Exception]) -> None:
    with pytest.raises(refusal):
        looked_at(text)


async def test_ten_thousand_rows_are_looked_over_and_a_slip_in_the_last_is_found(service: Running) -> None:
    lines = [f"{n},penny,{1800 + n % 200},{1 + n % 70},silver,holed;bent" for n in range(9_999)]
    text = "\n".join(["number,denomination,Year,grade,Metal,problems", *lines, "9999,penny,1900,71,silver,"])
    shown = await done(service, service.collector(), text, "?dry_run=true")
    assert (shown["rows"], counts(shown)) == (10_000, (9_999, 0, 0, 1))
    assert [(c["row"], c["line"], c["column"], c["nearest"]) for c in shown["refused"]] == [(10_000, 10_001, 4, "70")]
    assert len(shown["items"]) == 100
