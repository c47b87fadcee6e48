"""The web app's coins in Chromium: a sheet imported, many coins changed at once, one coin entered by keyboard."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from selenium.webdriver.common.keys import Keys

from tests.server import Server
from tests.web.browser import Page

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
    saved = page.run(
        "const asked = URL.createObjectURL; URL.createObjectURL = (blob) => { window.saved = blob; return asked(blob); };"
    )
    assert saved is None
    page.press("Save 1 row as a file")
    text = page.driver.execute_async_script("window.saved.text().then(arguments[0])")
    assert text == "Nr;Land;Nominal;Jahr;Gewicht;Erhaltung;Bemerkung\r\n9;Südafrika;Crown;1892;28,2;250;Rand\r\n"
    held = house[2].get("/v1/holdings", headers=asked).json()["items"]
    assert {coin["number"]: coin["facts"]["year_on_coin"] for coin in held} == {"7": 1935, "8": 1902, "10": 1899}
    assert {coin["number"]: coin["facts"].get("weight_measured") for coin in held} == {"7": 2.85, "8": 5.6, "10": 9.4}
    # The first place is filled.
    page.open(f"/app/sets/{made['id']}")
    page.until("[data-place='farthing'] .word", says="Filled")
    page.until("[data-place='halfpenny'] .word", says="Filled")
    page.until("[data-place='crown'] .word", says="Empty")
