"""The web app's coins in Chromium: a sheet imported, many coins changed at once, one coin entered by keyboard."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest
from selenium.webdriver.common.keys import Keys

from service.rules.cql2.expression import parse
from tests.pictures import picture
from tests.server import Server
from tests.web.a_set import HOSTILE, Collector
from tests.web.browser import Page
from tests.web.modules import Modules, modules_served

pytestmark = [pytest.mark.browser, pytest.mark.process]

# As a spreadsheet program in Germany writes it: semicolons, decimal commas, windows-1252; two cells that are slips.
SHEET = (
    "Nr;Land;Nominal;Jahr;Gewicht;Erhaltung;Bemerkung\r\n"
    "7;Südafrika;Farthing;1935;2,85;20;schöne Tönung\r\n"
    "8;Südafrika;Halfpenny;19O2;5,6;30;\r\n"
    "9;Südafrika;Crown;1892;28,2;250;Rand\r\n"
    "10;Ruritanien;Penny;1899;9,4;12;\r\n"
)
PENNIES = {
    "format": "set-definition/1",
    "title": "Small change",
    "slots": [
        {"id": "farthing", "label": "A farthing", "accepts": "denomination = 'farthing'"},
        {
            "id": "halfpenny",
            "label": "A halfpenny of 1902",
            "accepts": "denomination = 'halfpenny' AND year_on_coin = 1902",
        },
        {"id": "crown", "label": "A crown", "accepts": "denomination = 'crown'"},
    ],
}


def chosen(page: Page, selector: str, value: str) -> None:
    """Chooses an entry of a select by its value, as a person does by its text."""
    page.run(
        "const box = arguments[0]; box.value = arguments[1]; box.dispatchEvent(new Event('change', {bubbles: true}))",
        page.until(selector),
        value,
    )


def typed(page: Page, selector: str, text: str, then: str = Keys.TAB) -> None:
    field = page.until(selector)
    field.clear()
    field.send_keys(text, then)


def test_from_a_sheet_with_slips_to_the_first_filled_place(
    page: Page, house: tuple[Server, str, httpx.Client], newcomer: Callable[[], tuple[str, str]], tmp_path: Path
) -> None:
    _, token = newcomer()
    asked = {"Authorization": f"Bearer {token}"}
    made = house[2].post("/v1/definitions", json={"document": PENNIES}, headers=asked).json()
    path = tmp_path / "meine-münzen.csv"
    path.write_bytes(SHEET.encode("cp1252"))
    page.sign_in(token)
    page.press("Coins")
    page.until("h1", says="Coins")
    page.press("Import a sheet")
    page.until("input[type=file]").send_keys(str(path))
    page.until(".figures", says="4 rows: 2 new coins. 2 rows cannot be recorded.")
    # What was guessed, and the cells that are refused, in place.
    fields = {
        label.text: label.find_element("xpath", "../select").get_attribute("value")
        for label in page.all(".sheet-columns label")
    }
    assert fields == {
        "Nr": "number", "Land": "issuer", "Nominal": "denomination", "Jahr": "year_on_coin", "Gewicht": "weight_measured",
        "Erhaltung": "grade", "Bemerkung": "note",
    }  # fmt: skip
    page.press("How the file is written")
    assert page.until("#layout-encoding").get_attribute("value") == "windows-1252"
    assert page.until("#layout-decimal").get_attribute("value") == ","
    bad = page.all("td.bad input")
    assert [(cell.get_attribute("aria-label"), cell.get_attribute("value")) for cell in bad] == [
        ("Jahr, row 3", "19O2"),
        ("Erhaltung, row 4", "250"),
    ]
    assert page.faults() == []
    # In the words of the page, and not by the fact's id.
    assert page.text("#cell-3-4-why") == "'year on the coin' takes a number, not a text"
    typed(page, "#cell-3-4", "1902")
    page.until(".figures", says="3 new coins. 1 row cannot")
    page.until(".mended li", says="19O2 is read as 1902")
    # Another encoding is another text; set back, all is as before.
    chosen(page, "#layout-encoding", "ibm850")
    page.until(".question-of", says="Land: S\u00b3dafrika")
    chosen(page, "#layout-encoding", "windows-1252")
    # What is no known term is asked once, and stays as it was written.
    question = page.until(".question-of", says="Land: Ruritanien")
    assert "Keep it as it stands" in question.text
    # What is left is not lost: it can be saved, and is named.
    page.until("button:enabled", says="Import 3 coins").click()
    page.until(".panel", says="1 row was not imported.")
    text = page.saved(lambda: page.press("Save 1 row as a file")).decode("utf-8-sig")
    assert text == "Nr;Land;Nominal;Jahr;Gewicht;Erhaltung;Bemerkung\r\n9;Südafrika;Crown;1892;28,2;250;Rand\r\n"
    held = house[2].get("/v1/holdings", headers=asked).json()["items"]
    assert {coin["number"]: coin["facts"]["year_on_coin"] for coin in held} == {"7": 1935, "8": 1902, "10": 1899}
    assert {coin["number"]: coin["facts"].get("weight_measured") for coin in held} == {"7": 2.85, "8": 5.6, "10": 9.4}
    # The first place is filled.
    page.open(f"/app/sets/{made['id']}")
    page.until("[data-place='farthing'] .word", says="Filled")
    page.until("[data-place='halfpenny'] .word", says="Filled")
    page.until("[data-place='crown'] .word", says="Empty")


def test_what_would_be_recorded_is_told_as_the_coins_are(page: Page, collector: Collector, tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text(
        "Number;Country;Denomination;Price paid;Bought on\nz1;Norway;krone;12.50 EUR;2020-01-21\n", encoding="utf-8"
    )
    page.sign_in(collector.token, "/app/coins/import")
    page.until("input[type=file]").send_keys(str(path))
    page.until("section tbody td", says="Norway")
    cells = dict(
        zip(
            [one.text for one in page.all("[aria-labelledby=sample-title] thead th")],
            [one.text for one in page.all("[aria-labelledby=sample-title] tbody tr > *")],
            strict=True,
        )
    )
    assert cells["Price paid"] == "12.5 EUR"
    assert cells["Bought on"] == "21 Jan 2020"
    page.until("button:enabled", says="Import 1 coin").click()
    page.press("Undo this import")
    page.until("[role=status]", says="Undone")
    # The button is gone, and the focus is not.
    assert page.focused() == "H2"


def test_a_recorded_coin_keeps_the_focus_where_it_was_recorded(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, f"/app/coins/{collector.coins['s1']}")
    page.until("#fact-year_on_coin")
    typed(page, "#fact-year_on_coin", "1936")
    page.press("Record it")
    page.run_until("return document.querySelector('#fact-year_on_coin')?.value === '1936'")
    page.until("form button[type=submit]:focus", says="Record it")
    assert collector.facts("s1")["year_on_coin"] == 1936


def test_a_new_coin_like_another_is_recorded_without_a_network(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, "/app/coins/new")
    page.until("#own-number")
    page.driver.execute_async_script("import('/app/kept/sending.js').then(({turn}) => turn()).then(arguments[0])")
    page.run("history.pushState(null, '', '/app/attention'); dispatchEvent(new PopStateEvent('popstate'))")
    page.until("h1", says="Attention")
    page.network(is_there=False)
    try:
        # Its address is entered anew, as a link would.
        page.run(
            "history.pushState(null, '', arguments[0]); dispatchEvent(new PopStateEvent('popstate'))",
            f"/app/coins/new?like={collector.coins['s1']}",
        )
        page.until("#own-number")
        assert page.until("#fact-denomination").get_attribute("value") == "shilling"
        typed(page, "#own-number", "off-1")
        page.until("form button[type=submit][value=next]").click()
        page.until(".notice", says="No. off-1")
    finally:
        page.network(is_there=True)
    page.driver.execute_async_script("import('/app/kept/sending.js').then(({turn}) => turn()).then(arguments[0])")
    (made,) = collector.ask("GET", "/v1/holdings?filter=number = 'off-1'").json()["items"]
    assert made["facts"]["denomination"] == "shilling"


DROPPED = """const [where, name, text] = arguments;
const carried = new DataTransfer();
carried.items.add(new File([text], name, {type: "text/csv"}));
for (const type of ["dragover", "drop"]) {
    const event = new DragEvent(type, {bubbles: true, cancelable: true, dataTransfer: carried});
    document.querySelector(where).dispatchEvent(event);
    // Else the browser would leave the app and show the file.
    if (!event.defaultPrevented) return `${type} is not taken`;
}
return "taken";"""


def test_a_sheet_that_is_dropped_is_imported(page: Page, collector: Collector) -> None:
    """Anywhere on the table of coins, or on the place for it."""
    sheet = "Number;Denomination;Year\n7;farthing;1901\n"
    page.sign_in(collector.token, "/app/coins")
    page.until(".coins td")
    assert page.run(DROPPED, ".coins", "farthings.csv", sheet) == "taken"
    page.until(".figures", says="1 row: 1 new coin.")
    assert page.run("return location.pathname") == "/app/coins/import"
    assert page.run(DROPPED, ".drop", "again.csv", sheet + "8;farthing;1902\n") == "taken"
    page.until(".figures", says="2 rows: 2 new coins.")
    # The control: what does not take a file leaves it to the browser.
    assert page.run(DROPPED, "footer", "again.csv", sheet) == "dragover is not taken"


def test_several_coins_are_changed_at_once_and_back(page: Page, collector: Collector) -> None:
    """A condition is picked, what it leaves is selected, the change is seen before it is done, and told coin by coin."""
    collector.change("f2", grade=35)
    page.sign_in(collector.token, "/app/coins")
    page.until(".coins td")
    page.press("Find coins")
    typed(page, "#filter-value", "halfpenny")
    page.until(".made", says="denomination = 'halfpenny'")
    page.press("Add this condition")
    page.until("p.found", says="2 coins")
    assert page.until("[name=filter]").get_attribute("value") == "denomination = 'halfpenny'"
    chosen(page, "#filter-name", "grade")
    chosen(page, "#filter-relation", "between")
    typed(page, "#filter-value", "30")
    typed(page, "#filter-value-to", "40")
    page.press("Add this condition")
    page.until("[name=filter]")
    filled = "denomination = 'halfpenny' AND grade BETWEEN 30 AND 40"
    assert page.until("[name=filter]").get_attribute("value") == filled
    # What is written by hand stays what it is, and is bracketed where it has an OR.
    page.open("/app/coins?filter=denomination = 'farthing' OR denomination = 'halfpenny'")
    page.until("p.found", says="4 coins")
    chosen(page, "#filter-name", "grade")
    chosen(page, "#filter-relation", "at_least")
    typed(page, "#filter-value", "30", Keys.ENTER)
    page.until("p.found", says="4 coins")
    assert (
        page.until("[name=filter]").get_attribute("value")
        == "(denomination = 'farthing' OR denomination = 'halfpenny') AND grade >= 30"
    )
    page.until(".coins td")
    page.until("label", says="Select all on this page").click()
    page.until(".many h2", says="4 coins selected")
    labels = page.until(".many a", says="Print labels of 4 coins").get_attribute("href") or ""
    asked = parse_qs(urlsplit(labels).query)
    farthings = (HOSTILE, "f2", "h1", "h2")
    assert (asked["what"], set(asked["ids"][0].split(","))) == (["labels"], {collector.coins[one] for one in farthings})
    assert page.faults() == []
    page.look(320)
    assert page.overflow() <= 0
    page.look(1280)
    # A value that none may have is refused before anything is done, coin by coin.
    chosen(page, "#many-field", "grade")
    typed(page, "#many-value", "30")
    page.press("See what changes")
    page.until("caption", says="2 coins would change.")
    preview = {row.find_element("css selector", "th").text: row.text for row in page.all(".many tbody tr")}
    assert preview["No. f2"] == "No. f2 35 30" and preview["No. h1"] == "No. h1 as it is already"
    assert collector.facts("f2")["grade"] == 35
    page.press("Change 2 coins")
    page.until(".many [role=status]", says="2 coins changed.")
    assert [collector.facts(one)["grade"] for one in ("f2", "h1", "h2")] == [30, 30, 30]
    page.press("Undo")
    page.until(".many [role=status]", says="2 coins are as they were.")
    assert collector.facts("f2")["grade"] == 35
    # Without a network the same goes into the outbox, is taken back there, and what stays is sent when the network is there.
    page.network(is_there=False)
    try:
        page.press("See what changes")
        page.until("caption", says="2 coins would change.")
        page.press("Change 2 coins")
        page.until(".many [role=status]", says="2 wait here for the network.")
        page.press("Undo")
        page.until(".many [role=status]", says="2 coins are as they were.")
        chosen(page, "#many-field", "own.location")
        typed(page, "#many-value", "drawer 3")
        page.press("See what changes")
        page.until("caption", says="4 coins would change.")
        page.press("Change 4 coins")
        page.until(".many [role=status]", says="4 wait here for the network.")
        assert collector.ask("GET", "/v1/holdings?filter=location = 'drawer 3'&count=true").json()["total"] == 0
    finally:
        page.network(is_there=True)
    page.driver.execute_async_script("import('/app/kept/sending.js').then(({turn}) => turn()).then(arguments[0])")
    assert collector.ask("GET", "/v1/holdings?filter=location = 'drawer 3'&count=true").json()["total"] == 4
    assert collector.facts("f2")["grade"] == 35, "changed and taken back before it was sent"
    page.press("Delete 4 coins")
    page.press("Delete it")
    page.until(".many [role=status]", says="4 coins deleted.")
    assert collector.ask("GET", "/v1/holdings?count=true").json()["total"] == 5
    page.press("Undo")
    page.until(".many [role=status]", says="4 coins are as they were.")
    assert collector.ask("GET", "/v1/holdings?count=true").json()["total"] == 9


def test_a_coin_is_entered_by_keyboard_alone_and_the_next_one_like_it(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token, "/app/coins/new")
    page.until("#own-number")
    # What most places read is asked for first.
    names = [field.get_attribute("id") for field in page.all(".fact-field [id^=fact-]:is(input, select)")]
    assert names[:2] == ["fact-denomination", "fact-year_on_coin"], names
    page.run("document.querySelector('h1').focus()")

    def tab_to(wanted: str) -> None:
        for _ in range(120):
            page.keys(Keys.TAB)
            if page.run("return document.activeElement.id") == wanted:
                return
        raise AssertionError(f"the Tab key does not come to {wanted}")

    tab_to("fact-denomination")
    page.keys("half", Keys.ARROW_DOWN)
    options = [option.text for option in page.all("#fact-denomination-list [role=option]")]
    assert len(options) > 1 and all("half" in option for option in options)
    wanted = next(at for at, option in enumerate(options) if option.startswith("halfpenny"))
    page.keys(*[Keys.ARROW_DOWN] * wanted, Keys.ENTER)
    assert page.until("#fact-denomination").get_attribute("value") == "halfpenny"
    tab_to("fact-year_on_coin")
    page.keys("1902|1903")
    tab_to("own-number")
    page.keys("K-009")
    tab_to("own-location")
    page.keys("tray 4")
    for _ in range(20):
        page.keys(Keys.TAB)
        if page.run("return document.activeElement.value") == "next":
            break
    page.keys(Keys.ENTER)
    page.until(".notice", says="No. K-009")
    assert page.run("return document.activeElement.id") == "fact-denomination"
    assert page.until("#own-number").get_attribute("value") == "K-010"
    assert page.until("#own-location").get_attribute("value") == "tray 4"
    # A word that is no term is kept, and marked.
    # After so much typing the field has the focus, and what it had is in it.
    page.keys(Keys.END, *[Keys.BACKSPACE] * len("halfpenny"), "farthin")
    page.until(".told", says="Not a known term: farthin")
    page.keys("g", Keys.ENTER)
    page.until("h1", says="K-010")
    held = collector.ask("GET", "/v1/holdings?filter=number LIKE 'K-%25'&sort=number").json()["items"]
    assert [(coin["number"], coin["location"], coin["facts"]) for coin in held] == [
        ("K-009", "tray 4", {"denomination": "halfpenny", "year_on_coin": {"one_of": [1902, 1903]}}),
        ("K-010", "tray 4", {"denomination": "farthing", "year_on_coin": {"one_of": [1902, 1903]}}),
    ]


def test_a_coins_notes_weight_and_photo_and_its_delete_taken_back(
    page: Page, collector: Collector, tmp_path: Path
) -> None:
    coin = collector.coins["s1"]
    collector.change("s1", issuer="GB", year_on_coin=1935)
    page.sign_in(collector.token, f"/app/coins/{coin}")
    page.until("#fact-year_on_coin")
    page.press("Your own notes")
    typed(page, "#own-location", "cabinet 2")
    chosen(page, "#own-mark", "keep")
    typed(page, "#own-price", "12,50")
    typed(page, "#own-currency", "eur")
    page.press("Metal and measures")
    # Coinage Act 1920 (10 & 11 Geo. 5 c. 3): the shilling of .500 silver weighs 87.27272 grains, 5.655 g.
    typed(page, "#fact-weight_measured", "5,6")
    page.until(".weighed", says="It fits")
    # A year fits or does not; nothing is near enough.
    assert "year on the coin: should be 1920 to 1936. It fits." in page.text(".weighed")
    typed(page, "#fact-weight_measured", "9")
    page.until(".weighed", says="Too heavy.")
    typed(page, "#fact-weight_measured", "5,6")
    page.until(".unsaved", says="4 changes")
    page.press("Record it")
    page.until(".unsaved", not_saying="not recorded")
    held = collector.ask("GET", f"/v1/holdings/{coin}").json()
    told = {name: held[name] for name in ("location", "mark", "price_paid")}
    assert told == {"location": "cabinet 2", "mark": "keep", "price_paid": {"amount": 12.5, "currency": "EUR"}}
    assert held["facts"]["weight_measured"] == 5.6
    file = tmp_path / "shilling.jpg"
    file.write_bytes(picture())
    page.until("#photo-reverse").send_keys(str(file))
    assert (page.until(".photos img").get_attribute("alt"), len(page.all(".photos img"))) == ("Photo: reverse", 1)
    page.press("Delete this coin")
    page.press("Delete it")
    page.until("h1", says="Deleted")
    assert collector.ask("GET", "/v1/holdings?count=true").json()["total"] == 8
    page.press("Undo")
    page.until("h1", says="s1")
    assert collector.ask("GET", f"/v1/holdings/{coin}").json()["facts"]["weight_measured"] == 5.6


# --- pure modules: cases worked out by hand, and controls ---------------------------------------------------------------------

CASES: dict[str, Any] = {
    "attributes": {
        name: {
            "name": name,
            "type": kind,
            "many": many,
            "values": values,
            "vocabulary": vocabulary,
            "low": low,
            "high": high,
        }
        for name, kind, many, values, vocabulary, low, high in (
            ("year_on_coin", "integer", False, [], None, None, None),
            ("weight_measured", "decimal", False, [], None, 0, None),
            ("grade", "integer", False, [], None, 1, 70),
            ("denomination", "text", False, [], "denominations", None, None),
            ("problems", "text", True, ["holed", "bent"], None, None, None),
            ("mint", "text", False, [], None, None, None),
            ("magnetic", "boolean", False, [], None, None, None),
            ("tender_from", "date", False, [], None, None, None),
        )
    },
    "numbers": ["K-009", "7", "99", "A 12b", "no figures", "", None, "9" * 20],
    "rules": [["", "a = 1"], ["b = 2", "a = 1"], ["b = 2 OR c = 3", "a = 1"], ["b = 'x or y'", "a = 1"]],
    "rows": [["Nr", "Note"], ["1", 'says "no"'], ["2", "a;b"], ["3", "two\r\nlines"], ["4", " blank"]],
    "concepts": [
        {
            "id": name,
            "label": name,
            "broader": [],
            "alternative_labels": others,
            "names": [],
            "note": "",
            "abbreviations": short,
        }
        for name, others, short in (
            ("penny", ["pennies", "pence"], [{"text": "d", "issuer": None}]),
            ("halfpenny", ["half penny"], []),
            ("cinq francs", ["5 francs"], []),
            ("quarter dollar", [], [{"text": "quarter", "issuer": "US"}]),
        )
    ],
    "words": ["Pennies", "HALF-PENNY", "cinq", "quarter", "d", "nothing such"],
    "document": {
        "slots": [
            {"id": "a", "label": "denomination", "accepts": "mint = 'weight_measured' AND facts.grade > 3"},
            {"id": "b", "label": "denomination", "accepts": {"op": "=", "args": [{"property": "mint"}, "magnetic"]}},
        ],
        "free_choice": [
            {"id": "c", "label": "x", "places": 5, "accepts": "magnetic = TRUE", "distinct": ["year_on_coin"]}
        ],
        "examples": [{"facts": {"tender_from": "2000-01-01"}}],
    },
}
TYPED: list[tuple[dict[str, Any], Any]] = [
    ({"attribute": "year_on_coin", "text": " 1902 "}, 1902),
    ({"attribute": "year_on_coin", "text": "1892|1893"}, {"one_of": [1892, 1893]}),
    ({"attribute": "year_on_coin", "text": "1890-1895"}, {"from": 1890, "to": 1895}),
    ({"attribute": "year_on_coin", "text": "-44"}, -44),
    ({"attribute": "year_on_coin", "text": "1890.."}, {"from": 1890}),
    ({"attribute": "year_on_coin", "text": "..1895"}, {"to": 1895}),
    ({"attribute": "year_on_coin", "text": "-"}, {"none": True}),
    ({"attribute": "year_on_coin", "text": ""}, None),
    ({"attribute": "year_on_coin", "text": "19O2"}, "wrong: whole"),
    ({"attribute": "year_on_coin", "text": "5,5"}, "wrong: whole"),
    ({"attribute": "weight_measured", "text": "5,55"}, 5.55),
    ({"attribute": "weight_measured", "text": "5,55 | 5.6", "way": "one_of"}, {"one_of": [5.55, 5.6]}),
    ({"attribute": "weight_measured", "text": "-1"}, "wrong: bounds"),
    ({"attribute": "grade", "text": "71"}, "wrong: bounds"),
    ({"attribute": "grade", "text": "40", "to": "20", "way": "between"}, "wrong: order"),
    ({"attribute": "grade", "text": "40", "to": "", "way": "between"}, {"from": 40}),
    ({"attribute": "grade", "text": "40", "way": "one_of"}, "wrong: two"),
    ({"attribute": "denomination", "words": ["Half-Penny"]}, "halfpenny"),
    ({"attribute": "denomination", "words": ["bawbee"]}, "bawbee"),
    ({"attribute": "denomination", "words": ["quarter"]}, "quarter"),
    ({"attribute": "denomination", "words": ["penny", "Pence", "halfpenny"], "way": "one_of"},
     {"one_of": ["penny", "halfpenny"]}),
    ({"attribute": "problems", "words": ["holed"]}, ["holed"]),
    ({"attribute": "problems", "way": "none"}, []),
    ({"attribute": "problems", "words": ["holed"], "perhaps": ["bent", "holed"], "way": "one_of"},
     {"has": ["holed"], "perhaps": ["bent"]}),
    ({"attribute": "mint", "way": "none"}, {"none": True}),
    ({"attribute": "mint", "words": ["x"], "way": "unknown"}, None),
    ({"attribute": "tender_from", "text": "1892-02-30x"}, "wrong: day"),
    ({"attribute": "tender_from", "text": "1892-02-28"}, "1892-02-28"),
]  # fmt: skip
FACTS: list[tuple[str, Any]] = [
    ("year_on_coin", 1902), ("year_on_coin", {"one_of": [1, 2]}), ("year_on_coin", {"from": 3}), ("year_on_coin", {"none": True}),
    ("denomination", "penny"), ("denomination", {"one_of": ["penny", "bawbee"]}), ("problems", []), ("problems", ["bent"]),
    ("problems", {"has": ["bent"], "perhaps": ["holed"]}), ("problems", {"perhaps": ["holed"]}),
    ("magnetic", True), ("magnetic", False),
    ("problems", {"one_of": [["bent"], ["holed"]]}), ("weight_measured", 5.55),
    ("tender_from", {"to": "1892-01-01"}), ("mint", "A; B"),
]  # fmt: skip
CONDITIONS: list[tuple[str, str, Any, str | None]] = [
    ("year_on_coin", "at_most", 1901, "year_on_coin <= 1901"),
    ("year_on_coin", "between", {"from": 1, "to": 2}, "year_on_coin BETWEEN 1 AND 2"),
    ("year_on_coin", "between", {"from": 1}, "year_on_coin >= 1"),
    ("denomination", "kind_of", "penny", "narrower(denomination, 'penny')"),
    ("mint", "is_not", "King's Norton", "mint <> 'King''s Norton'"),
    ("mint", "begins", "50%_", "mint LIKE '50\\%\\_%'"),
    ("mint", "none", None, "mint IS NULL"),
    ("problems", "has", ["holed", "bent"], "A_CONTAINS(problems, ('holed', 'bent'))"),
    ("problems", "empty", None, "count(problems) = 0"),
    ("magnetic", "is", False, "magnetic = FALSE"),
    ("tender_from", "at_least", "1892-02-28", "tender_from >= DATE('1892-02-28')"),
    ("mint", "is", None, None),
    ("grade", "is", {"one_of": [1, 2]}, None),
]
EXPECTED = {
    "typed": [fact for _, fact in TYPED],
    "facts": [fact for _, fact in FACTS],
    "conditions": [text for *_, text in CONDITIONS],
    "numbers": ["K-010", "8", "100", "A 13b", "no figures", "", None, "1" + "0" * 20],
    "rules": ["a = 1", "b = 2 AND a = 1", "(b = 2 OR c = 3) AND a = 1", "b = 'x or y' AND a = 1"],
    "named": [["penny"], ["halfpenny"], [], ["quarter dollar"], ["penny"], []],
    "found": [["penny"], ["halfpenny"], ["cinq francs"], ["quarter dollar"], ["penny", "quarter dollar"], []],
    "first": ["magnetic", "year_on_coin", "mint", "grade", "denomination", "problems"],
    # What settles a doubt, then what decides most places by the sheets, then as before.
    "ahead": ["grade", "magnetic", "denomination", "year_on_coin", "mint", "problems"],
    "like": {"number": "A-10", "status": "held", "facts": {"denomination": "penny"}},
    "mended": [],
    "answered": {},
}
FAULTS = {
    "figures lose their zeros": ("sheet/coins.js", '.padStart(figures.length, "0")', "", "numbers"),
    "a quote ends the text": ("sheet/filter-text.js", '.replaceAll("\'", "\'\'")', "", "conditions"),
    "an OR is not bracketed": ("sheet/filter-text.js", "/\\bOR\\b/i.test(bare)", "false", "rules"),
    "no fact taken as none": ("sheet/fact-draft.js", 'if (way === "unknown") return right(null);', "", "typed"),
    "an open end is zero":
        ("sheet/fact-draft.js", '(text.trim() === "" ? null : one(attribute, text))', "one(attribute, text || '0')", "typed"),
    "a hyphen is a letter": ("sheet/terms.js", ".replace(/[-_\\u2010-\\u2013'\\u2019.\\s]+/g, \" \")", "", "named"),
    "labels count as rules": ("sheet/rule-attributes.js", 'if (RULES.has(key))', "if (true)", "first"),
}  # fmt: skip


@pytest.fixture(scope="module")
def modules() -> Iterator[Modules]:
    with modules_served() as served:
        yield served


def made_by(page: Page, modules: Modules, variant: str) -> dict[str, Any]:
    asked = {
        **CASES,
        "typed": [case for case, _ in TYPED],
        "facts": FACTS,
        "conditions": [case[:3] for case in CONDITIONS],
    }
    page.driver.get(f"{modules.address}/")
    told = page.driver.execute_async_script(
        "const [address, cases, done] = arguments;"
        "import(address).then(({results}) => results(cases)).then(done, (error) => done(String(error)))",
        f"{modules.address}/{variant}/pure_coins.js",
        asked,
    )
    assert isinstance(told, dict), told
    return told


def test_what_is_typed_says_what_it_should(chromium: Page, modules: Modules) -> None:
    told = made_by(chromium, modules, "sound")
    # RFC 4180, as Python's csv reads it.
    assert list(csv.reader(io.StringIO(told.pop("csv"), newline=""), delimiter=";")) == CASES["rows"]
    assert told == EXPECTED
    # The service reads every condition as a rule.
    for *_, text in CONDITIONS:
        assert text is None or parse(text)


def test_the_control_sees_a_planted_fault_of_a_pure_module(chromium: Page, modules: Modules) -> None:
    for name, (module, before, after, where) in FAULTS.items():
        modules.variants[name.replace(" ", "-")] = {module: (before, after)}
        told = made_by(chromium, modules, name.replace(" ", "-"))
        assert where in [key for key, value in EXPECTED.items() if told[key] != value], name
